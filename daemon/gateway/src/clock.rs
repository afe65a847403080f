//! The only reader of time.
//!
//! Farm time never runs backwards and never stands still. The wall clock may do both: a gateway
//! without a battery clock boots in the past, a person or a time server sets it. So the wall clock is
//! watched against the machine's monotonic clock, and a step becomes something the engine is told of.
//!
//! After a step forward farm time steps too. After a step back farm time goes on at half speed until
//! the wall clock has caught up: time that stood still would fire no deadline, and a pond whose probe
//! falls silent in that hour would raise no alarm. A clock that is more than a day behind is not waited for: at half
//! speed every delay of an alarm would take twice as long, for years. Farm time then goes on at full speed, and an alarm
//! says so until somebody has looked after the clock. Nor is one waited for that nobody is known to have set since a start
//! without a battery: the true time is later still.

use std::fmt;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use pondreeve_core::{Span, Timestamp};

/// The wall clock differs by more than this from where it should be: it was set. Slewing by a time
/// server stays below 0.5 ms a second (adjtimex(2)), so between two looks a second apart nothing but a
/// step comes near it.
pub const STEP_THRESHOLD: Span = Span::from_secs(2);

/// 2024-01-01T00:00:00Z. An earlier wall clock was never set since the gateway started. Nor was one from more than a
/// month before this program was made (its file says when): systemd sets a clock without a battery to the day of its
/// own making, which is later. The month is there so that a clock that is a day slow right after an update, or the
/// builder's own that was fast, is not taken for one that was never set.
pub const EARLIEST_BELIEVABLE: Timestamp = Timestamp(1_704_067_200_000);

/// A clock is never set only where it is this far before the program was made.
const MADE_MARGIN: Span = Span::from_hours(30 * 24);

/// A wall clock that is further than this past the making of the program, and past the newest reading too, is not
/// believed: a battery clock that lost its battery may say any year. Time that followed it could not come back.
pub const BELIEVABLE_AHEAD: Span = Span::from_hours(20 * 365 * 24);

/// A wall clock that is behind by more than this is not waited for.
pub const LONGEST_WAIT: Span = Span::from_hours(24);

/// A machine that has been up for less has just been switched on, and the daemon has not been stopped and started since.
const JUST_STARTED: Duration = Duration::from_secs(180);

/// What a message said of a clock that nobody has set speaks against it for so long: the sender may have been set right.
const TOLD_FOR: Duration = Duration::from_secs(3_600);

/// Longest single sleep of [`Clock::sleep_until`] on the machine's own clock, so that a sleeper notices
/// within this time that the clock was set forward.
const LONGEST_NAP: Duration = Duration::from_secs(5);

/// Where a clock reads from: wall time in milliseconds, and time since some fixed moment. Tests script
/// both.
pub trait TimeSource: Send + Sync {
    /// The wall clock.
    fn wall(&self) -> Timestamp;
    /// Never runs backwards, is never set.
    fn monotonic(&self) -> Duration;
    /// A wall clock before this was never set.
    fn earliest(&self) -> Timestamp {
        EARLIEST_BELIEVABLE
    }
    /// When the program was made, where that is known.
    fn made(&self) -> Option<Timestamp> {
        None
    }
    /// How long the machine has been up, where that is known.
    fn since_boot(&self) -> Option<Duration> {
        None
    }
}

struct Machine {
    started: Instant,
    earliest: Timestamp,
    made: Option<Timestamp>,
}

impl Machine {
    fn new() -> Self {
        let made = std::env::current_exe().ok().and_then(|program| made_at(&program));
        let earliest = made.map_or(EARLIEST_BELIEVABLE, |made| (made - MADE_MARGIN).max(EARLIEST_BELIEVABLE));
        Self { started: Instant::now(), earliest, made }
    }
}

/// How long the machine has been up, by the clock that counts since then.
pub fn since_boot() -> Option<Duration> {
    use nix::time::{ClockId, clock_gettime};
    clock_gettime(ClockId::CLOCK_BOOTTIME).ok().map(Duration::from)
}

/// When a program was built, as its package has it: dpkg leaves a file the time it was packed with.
fn made_at(program: &Path) -> Option<Timestamp> {
    let changed = std::fs::metadata(program).ok()?.modified().ok()?;
    let since_1970 = changed.duration_since(std::time::UNIX_EPOCH).ok()?;
    i64::try_from(since_1970.as_millis()).ok().map(Timestamp)
}

impl TimeSource for Machine {
    fn wall(&self) -> Timestamp {
        Timestamp(jiff::Timestamp::now().as_millisecond())
    }

    fn monotonic(&self) -> Duration {
        self.started.elapsed()
    }

    fn earliest(&self) -> Timestamp {
        self.earliest
    }

    fn made(&self) -> Option<Timestamp> {
        self.made
    }

    fn since_boot(&self) -> Option<Duration> {
        since_boot()
    }
}

/// Farm time: the wall clock made safe, or a faster one that the simulator sets.
#[derive(Clone)]
pub struct Clock(Arc<Inner>);

struct Inner {
    source: Box<dyn TimeSource>,
    pace: Pace,
    watched: Mutex<Watched>,
}

enum Pace {
    /// Follows the wall clock.
    Wall,
    /// Starts at `origin` and runs `speed` times as fast as real time.
    Free { origin: Timestamp, speed: f64 },
}

/// What was last seen of both clocks.
#[derive(Debug, Clone, Copy)]
struct Watched {
    wall: Timestamp,
    monotonic: Duration,
    /// Farm time at that moment, in nanoseconds: half of a short look must not be rounded away.
    farm_ns: i128,
    /// How far a free clock was moved on by [`Clock::not_before`].
    moved_on: Span,
    /// The oldest step not yet reported, and where the newest one ended.
    step: Option<ClockStep>,
    set: Set,
    /// The newest message dated ahead while the clock might be behind: when, and how far.
    dated_ahead: Option<(Duration, Span)>,
}

/// What is known of who has set the wall clock.
#[derive(Debug, Clone, Copy, Default)]
struct Set {
    /// Somebody, while we looked.
    seen: bool,
    /// Nobody since the machine started: it has no battery clock, and no time server has answered.
    by_nobody: bool,
    /// At our start it said a time before what had happened by then: it went on from where the machine was switched off.
    went_on: bool,
}

impl Watched {
    fn farm(&self) -> Timestamp {
        Timestamp(i64::try_from(self.farm_ns.div_euclid(NS_PER_MS)).unwrap_or(i64::MAX))
    }

    fn may_be_behind(&self) -> bool {
        !self.set.seen && self.set.by_nobody && self.set.went_on
    }

    /// How far the wall clock is behind, by what others say.
    fn behind(&self) -> Option<Span> {
        let (when, ahead) = self.dated_ahead.filter(|_| self.may_be_behind())?;
        (self.monotonic.saturating_sub(when) <= TOLD_FOR).then_some(ahead)
    }
}

const NS_PER_MS: i128 = 1_000_000;

fn ns(at: Timestamp) -> i128 {
    i128::from(at.as_millis()) * NS_PER_MS
}

impl Inner {
    fn is_beyond(&self, seen: &Watched) -> bool {
        self.source.made().is_some_and(|made| is_beyond(seen.wall, made, seen.farm()))
    }
}

fn is_beyond(wall: Timestamp, made: Timestamp, farm: Timestamp) -> bool {
    wall - made > BELIEVABLE_AHEAD && wall - farm > BELIEVABLE_AHEAD
}

/// The wall clock was set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockStep {
    /// Where the wall clock would be now, had nobody set it.
    pub from: Timestamp,
    /// Where it is.
    pub to: Timestamp,
}

/// How far farm time can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trust {
    /// It is the wall clock.
    Good,
    /// The wall clock has not been set since the gateway started.
    NotSet,
    /// The wall clock is behind farm time, which waits for it at half speed.
    Ahead(Span),
    /// The wall clock is behind farm time, and nobody is known to have set it since the machine started without a battery:
    /// it goes on from where it was kept last, and farm time does not wait for it.
    Late(Span),
    /// Nobody is known to have set the wall clock, which went on at the machine's start from where it was kept last, and
    /// somebody's message is dated so far ahead of farm time.
    Behind(Span),
    /// The wall clock, which says this, is decades ahead of everything known, and farm time does not follow it.
    Beyond(Timestamp),
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clock").field("now", &self.now()).finish_non_exhaustive()
    }
}

impl Clock {
    /// The machine's own clock.
    pub fn system() -> Self {
        Self::reading(Machine::new())
    }

    /// A clock that follows the wall clock of `source`, for tests.
    pub fn reading(source: impl TimeSource + 'static) -> Self {
        Self::new(Box::new(source), Pace::Wall)
    }

    /// A clock that starts at `origin` now and runs `speed` times as fast as the wall clock. A speed
    /// that is not above zero counts as 1.
    pub fn accelerated(origin: Timestamp, speed: f64) -> Self {
        let speed = if speed.is_finite() && speed > 0.0 { speed } else { 1.0 };
        Self::new(Box::new(Machine::new()), Pace::Free { origin, speed })
    }

    fn new(source: Box<dyn TimeSource>, pace: Pace) -> Self {
        let wall = source.wall();
        let monotonic = source.monotonic();
        let farm = match pace {
            Pace::Wall => match source.made() {
                Some(made) if is_beyond(wall, made, made) => made,
                _ => wall,
            },
            Pace::Free { origin, .. } => origin,
        };
        let watched = Mutex::new(Watched {
            wall,
            monotonic,
            farm_ns: ns(farm),
            moved_on: Span::ZERO,
            step: None,
            set: Set::default(),
            dated_ahead: None,
        });
        Self(Arc::new(Inner { source, pace, watched }))
    }

    /// Farm time now. Never earlier than any farm time told before.
    pub fn now(&self) -> Timestamp {
        match self.0.pace {
            Pace::Free { origin, speed } => {
                let elapsed_ms = self.0.source.monotonic().as_secs_f64() * 1_000.0 * speed;
                let mut watched = self.watched();
                let now = origin + Span::from_millis(elapsed_ms as i64) + watched.moved_on;
                watched.farm_ns = watched.farm_ns.max(ns(now));
                watched.farm()
            }
            Pace::Wall => self.look().farm(),
        }
    }

    /// Takes the step of the wall clock that was seen since the last call, if there was one.
    pub fn take_step(&self) -> Option<ClockStep> {
        self.now();
        self.watched().step.take()
    }

    /// Whether farm time is the true time.
    pub fn trust(&self) -> Trust {
        if matches!(self.0.pace, Pace::Free { .. }) {
            return Trust::Good;
        }
        let seen = self.look();
        if seen.wall < self.0.source.earliest() {
            Trust::NotSet
        } else if self.0.is_beyond(&seen) {
            Trust::Beyond(seen.wall)
        } else if let Some(ahead) = seen.behind() {
            Trust::Behind(ahead)
        } else if seen.farm() - seen.wall > STEP_THRESHOLD {
            let by = seen.farm() - seen.wall;
            if seen.may_be_behind() { Trust::Late(by) } else { Trust::Ahead(by) }
        } else {
            Trust::Good
        }
    }

    /// What certificates are to be judged by. A gateway that woke in 1970 or 2099 would take every certificate for one
    /// that is not valid, and hear nothing from a broker until somebody set its clock; then the newest reading says
    /// rather what time it is, or the making of the program.
    pub fn for_certificates(&self) -> Timestamp {
        match self.trust() {
            Trust::NotSet | Trust::Beyond(_) => {
                self.now().max(self.0.source.made().unwrap_or(EARLIEST_BELIEVABLE))
            }
            Trust::Good | Trust::Ahead(_) | Trust::Late(_) | Trust::Behind(_) => self.0.source.wall(),
        }
    }

    /// What the machine's own clock says.
    pub fn wall(&self) -> Timestamp {
        self.0.source.wall()
    }

    /// Whether the machine has no battery clock and no time server has answered since its start, as whoever watches the
    /// machine finds it now. It counts where the clock stood before the newest reading at our start: a
    /// machine may get its time from elsewhere, as one in a machine does.
    pub fn doubt(&self, nobody_set_it: bool) {
        self.watched().set.by_nobody = nobody_set_it;
    }

    /// Somebody's message was taken that is dated so far ahead of farm time.
    pub fn note_dated_ahead(&self, ahead: Span) {
        if self.may_be_behind() && ahead <= BELIEVABLE_AHEAD {
            let mut watched = self.watched();
            watched.dated_ahead = Some((watched.monotonic, ahead));
        }
    }

    /// Whether it may stand where the machine was switched off: then it says nothing against who is dated ahead of it.
    pub fn may_be_behind(&self) -> bool {
        matches!(self.0.pace, Pace::Wall) && self.look().may_be_behind()
    }

    /// Makes farm time at least `at`: the newest time in the journal, so that a gateway that boots in
    /// the past goes on after what it has already written.
    pub fn not_before(&self, at: Timestamp) {
        let ahead = at - self.now();
        let mut watched = self.watched();
        watched.farm_ns = watched.farm_ns.max(ns(at));
        // Right after the machine's own start nothing can have been read in the time that it says has passed since.
        let up = self.0.source.since_boot().filter(|up| *up < JUST_STARTED).unwrap_or_default();
        let started = watched.wall - Span::from_millis(i64::try_from(up.as_millis()).unwrap_or(0));
        watched.set.went_on = at - started > STEP_THRESHOLD;
        if matches!(self.0.pace, Pace::Free { .. }) && ahead > Span::ZERO {
            // Nothing will ever set it right, so it goes on from there at its own speed.
            watched.moved_on = Span::from_millis(watched.moved_on.as_millis() + ahead.as_millis());
        }
    }

    /// Real time to wait for a length of farm time.
    pub fn real_duration(&self, span: Span) -> Duration {
        let ms = span.as_millis().max(0) as f64;
        let speed = match self.0.pace {
            Pace::Wall => 1.0,
            Pace::Free { speed, .. } => speed,
        };
        Duration::try_from_secs_f64(ms / 1_000.0 / speed).unwrap_or(Duration::MAX)
    }

    /// Sleeps until a point in farm time.
    pub async fn sleep_until(&self, at: Timestamp) {
        loop {
            let left = at - self.now();
            if left <= Span::ZERO {
                return;
            }
            // A millisecond at least: farm time has whole milliseconds, and a fast clock must not spin.
            tokio::time::sleep(self.real_duration(left).clamp(Duration::from_millis(1), LONGEST_NAP)).await;
        }
    }

    fn look(&self) -> Watched {
        let mut watched = self.watched();
        // Read within the lock, so that two readers cannot put their looks in the wrong order.
        let wall = self.0.source.wall();
        let monotonic = self.0.source.monotonic();
        let passed_ns = i128::try_from(monotonic.saturating_sub(watched.monotonic).as_nanos()).unwrap_or(0);
        let passed = Span::from_millis(i64::try_from(passed_ns / NS_PER_MS).unwrap_or(i64::MAX));
        let expected = watched.wall + passed;
        if (wall - expected).as_millis().saturating_abs() > STEP_THRESHOLD.as_millis() {
            let from = watched.step.map_or(expected, |earlier| earlier.from + passed);
            watched.step = Some(ClockStep { from, to: wall });
            watched.set.seen = true;
        } else if let Some(step) = &mut watched.step {
            step.from = step.from + passed;
            step.to = wall;
        }
        // An unset clock will be set forward, and one that is far behind never gets there: nothing to wait for, so
        // farm time keeps its pace.
        let waits = wall >= self.0.source.earliest()
            && watched.farm() - wall <= LONGEST_WAIT
            && !watched.may_be_behind();
        let is_followed = !self.0.is_beyond(&Watched { wall, ..*watched });
        let gone_on = if waits && is_followed { passed_ns / 2 } else { passed_ns };
        watched.farm_ns += gone_on;
        if is_followed {
            watched.farm_ns = watched.farm_ns.max(ns(wall));
        }
        watched.wall = wall;
        watched.monotonic = monotonic;
        *watched
    }

    fn watched(&self) -> std::sync::MutexGuard<'_, Watched> {
        // Every change leaves the value whole, so a panic elsewhere does not spoil it.
        self.0.watched.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
pub(crate) mod script;
#[cfg(test)]
mod tests;
