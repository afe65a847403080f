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
//! says so until somebody has looked after the clock.

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

/// A wall clock that is behind by more than this is not waited for.
pub const LONGEST_WAIT: Span = Span::from_hours(24);

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
}

struct Machine {
    started: Instant,
    earliest: Timestamp,
}

impl Machine {
    fn new() -> Self {
        let made = std::env::current_exe().ok().and_then(|program| made_at(&program));
        let earliest = made.map_or(EARLIEST_BELIEVABLE, |made| (made - MADE_MARGIN).max(EARLIEST_BELIEVABLE));
        Self { started: Instant::now(), earliest }
    }
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
}

impl Watched {
    fn farm(&self) -> Timestamp {
        Timestamp(i64::try_from(self.farm_ns.div_euclid(NS_PER_MS)).unwrap_or(i64::MAX))
    }
}

const NS_PER_MS: i128 = 1_000_000;

fn ns(at: Timestamp) -> i128 {
    i128::from(at.as_millis()) * NS_PER_MS
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
            Pace::Wall => wall,
            Pace::Free { origin, .. } => origin,
        };
        let watched =
            Mutex::new(Watched { wall, monotonic, farm_ns: ns(farm), moved_on: Span::ZERO, step: None });
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
        } else if seen.farm() - seen.wall > STEP_THRESHOLD {
            Trust::Ahead(seen.farm() - seen.wall)
        } else {
            Trust::Good
        }
    }

    /// Makes farm time at least `at`: the newest time in the journal, so that a gateway that boots in
    /// the past goes on after what it has already written.
    pub fn not_before(&self, at: Timestamp) {
        let ahead = at - self.now();
        let mut watched = self.watched();
        watched.farm_ns = watched.farm_ns.max(ns(at));
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
        } else if let Some(step) = &mut watched.step {
            step.from = step.from + passed;
            step.to = wall;
        }
        // An unset clock will be set forward, and one that is far behind never gets there: nothing to wait for, so
        // farm time keeps its pace.
        let waits = wall >= self.0.source.earliest() && watched.farm() - wall <= LONGEST_WAIT;
        let gone_on = if waits { passed_ns / 2 } else { passed_ns };
        watched.farm_ns = ns(wall).max(watched.farm_ns + gone_on);
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
pub(crate) mod script {
    //! Both clocks in the hands of a test.

    use super::*;

    /// Both clocks by hand.
    #[derive(Clone)]
    pub(crate) struct Script(Arc<Mutex<(Timestamp, Duration)>>);

    impl Script {
        pub(crate) fn at(wall: Timestamp) -> (Self, Clock) {
            let script = Self(Arc::new(Mutex::new((wall, Duration::from_secs(1_000)))));
            let clock = Clock::reading(script.clone());
            (script, clock)
        }

        /// Time passes on both clocks.
        pub(crate) fn pass(&self, length: Duration) {
            let mut both = self.0.lock().unwrap();
            both.0 = both.0 + Span::from_millis(length.as_millis() as i64);
            both.1 += length;
        }

        /// Whoever looks at a clock hangs until the guard goes.
        pub(crate) fn hang(&self) -> std::sync::MutexGuard<'_, (Timestamp, Duration)> {
            self.0.lock().unwrap()
        }

        /// Somebody sets the wall clock.
        pub(crate) fn set(&self, by: Span) {
            let mut both = self.0.lock().unwrap();
            both.0 = both.0 + by;
        }
    }

    impl TimeSource for Script {
        fn wall(&self) -> Timestamp {
            self.0.lock().unwrap().0
        }

        fn monotonic(&self) -> Duration {
            self.0.lock().unwrap().1
        }
    }
}

#[cfg(test)]
mod tests {
    use super::script::Script;
    use super::*;

    const NOON: Timestamp = Timestamp(1_780_000_000_000);

    fn secs(s: u64) -> Duration {
        Duration::from_secs(s)
    }

    #[test]
    fn an_undisturbed_clock_is_the_wall_clock() {
        let (script, clock) = Script::at(NOON);
        script.pass(secs(90));
        // A time server slews by up to 0.5 ms a second.
        script.set(Span::from_millis(45));
        assert_eq!(clock.now(), NOON + Span::from_millis(90_045));
        assert_eq!(clock.take_step(), None);
        assert_eq!(clock.trust(), Trust::Good);
    }

    #[test]
    fn a_step_forward_is_followed_and_told_once() {
        let (script, clock) = Script::at(NOON);
        script.pass(secs(10));
        script.set(Span::from_hours(3));
        let to = NOON + Span::from_hours(3) + Span::from_secs(10);
        assert_eq!(clock.now(), to);
        assert_eq!(clock.take_step(), Some(ClockStep { from: NOON + Span::from_secs(10), to }));
        assert_eq!(clock.take_step(), None);
        assert_eq!(clock.trust(), Trust::Good);
    }

    #[test]
    fn after_a_step_back_time_goes_on_at_half_speed_until_the_wall_clock_is_there() {
        let (script, clock) = Script::at(NOON);
        script.set(Span::from_minutes(-10));
        assert_eq!(clock.now(), NOON);
        assert_eq!(clock.take_step(), Some(ClockStep { from: NOON, to: NOON + Span::from_minutes(-10) }));
        assert_eq!(clock.trust(), Trust::Ahead(Span::from_minutes(10)));
        script.pass(secs(60));
        assert_eq!(clock.now(), NOON + Span::from_secs(30));
        // Many looks in a short time must not round time away.
        for _ in 0..1_000 {
            script.pass(Duration::from_millis(1));
            clock.now();
        }
        assert_eq!(clock.now(), NOON + Span::from_millis(30_500));
        script.pass(secs(20 * 60));
        assert_eq!(clock.trust(), Trust::Good);
        assert_eq!(clock.now(), script.wall());
    }

    #[test]
    fn a_clock_that_is_years_behind_is_not_waited_for() {
        let (script, clock) = Script::at(NOON);
        script.set(Span::from_hours(-24 * 700));
        assert_eq!(clock.now(), NOON);
        script.pass(secs(3_600));
        assert_eq!(clock.now(), NOON + Span::from_hours(1), "an alarm's delay takes as long as ever");
        assert_eq!(clock.trust(), Trust::Ahead(Span::from_hours(24 * 700)));
        // Somebody sets it right.
        script.set(Span::from_hours(24 * 700));
        assert_eq!((clock.trust(), clock.now()), (Trust::Good, script.wall()));
    }

    #[test]
    fn farm_time_never_runs_backwards() {
        let (script, clock) = Script::at(NOON);
        let mut newest = clock.now();
        for step in [-5_i64, 3_600, -7_200, 1, -86_400 * 900, 86_400 * 900, -3] {
            script.set(Span::from_secs(step));
            script.pass(secs(7));
            let now = clock.now();
            assert!(now > newest, "after a step of {step} s");
            newest = now;
        }
    }

    #[test]
    fn an_unset_clock_goes_on_from_the_journal_at_full_speed() {
        let (script, clock) = Script::at(Timestamp(0));
        assert_eq!(clock.trust(), Trust::NotSet);
        clock.not_before(NOON);
        script.pass(secs(60));
        assert_eq!(clock.now(), NOON + Span::from_secs(60));
        assert_eq!(clock.trust(), Trust::NotSet);
        assert_eq!(clock.take_step(), None);
        // The time server answers at last.
        let missed = NOON + Span::from_hours(9);
        script.set(missed - script.wall());
        assert_eq!(clock.now(), missed);
        assert_eq!(clock.take_step(), Some(ClockStep { from: Timestamp(60_000), to: missed }));
        assert_eq!(clock.trust(), Trust::Good);
    }

    /// A program that was made at a time.
    struct Made(Script, Timestamp);

    impl TimeSource for Made {
        fn wall(&self) -> Timestamp {
            self.0.wall()
        }

        fn monotonic(&self) -> Duration {
            self.0.monotonic()
        }

        fn earliest(&self) -> Timestamp {
            self.1
        }
    }

    #[test]
    fn a_clock_from_before_the_program_was_made_was_never_set() {
        for (made, trust) in [(NOON + Span::from_hours(1), Trust::NotSet), (NOON, Trust::Good)] {
            let (script, _) = Script::at(NOON);
            let clock = Clock::reading(Made(script.clone(), made));
            assert_eq!(clock.trust(), trust);
            // Farm time keeps its pace, as with one that says 1970.
            let journal = NOON + Span::from_minutes(10);
            clock.not_before(journal);
            script.pass(secs(60));
            let passed = if trust == Trust::NotSet { 60 } else { 30 };
            assert_eq!(clock.now(), journal + Span::from_secs(passed));
        }
    }

    #[test]
    fn when_it_was_made_is_what_the_package_says() {
        let program = tempfile::NamedTempFile::new().unwrap();
        let packed = std::time::UNIX_EPOCH + Duration::from_millis(1_780_000_000_000);
        program.as_file().set_modified(packed).unwrap();
        assert_eq!(made_at(program.path()), Some(NOON));
        assert_eq!(made_at(Path::new("/nowhere/at/all")), None);
        let (here, now) = (Machine::new().earliest(), Machine::new().wall());
        assert!(EARLIEST_BELIEVABLE < here && here <= now, "this test was built: {here:?}");
    }

    #[test]
    fn an_accelerated_clock_is_fast_and_never_stepped() {
        let clock = Clock::accelerated(NOON, 600.0);
        assert_eq!(clock.real_duration(Span::from_minutes(10)), secs(1));
        assert_eq!(clock.real_duration(Span::from_secs(-5)), Duration::ZERO);
        assert!(clock.now() >= NOON);
        assert_eq!((clock.take_step(), clock.trust()), (None, Trust::Good));
        clock.not_before(NOON + Span::from_hours(50));
        let before = clock.now();
        std::thread::sleep(Duration::from_millis(10));
        assert!(clock.now() - before >= Span::from_secs(5), "it must not stand still");
        assert_eq!(Clock::accelerated(NOON, 0.0).real_duration(Span::from_secs(1)), secs(1));
    }

    #[tokio::test]
    async fn sleeping_ends_at_the_time_asked_for() {
        let clock = Clock::accelerated(NOON, 10_000.0);
        clock.sleep_until(NOON + Span::from_minutes(5)).await;
        assert!(clock.now() >= NOON + Span::from_minutes(5));
        clock.sleep_until(NOON).await;
    }
}
