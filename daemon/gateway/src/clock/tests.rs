//! The clock by a script: steps, sets, a year that no battery clock should say.

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

/// The battery clock says 2066, whether from the start or all at once, until it is set.
#[test]
fn a_clock_that_is_decades_ahead_is_not_followed() {
    let decades = Span::from_hours(40 * 365 * 24);
    let journal = NOON + Span::from_hours(500);
    for is_wrong_at_start in [true, false] {
        let (script, _) = Script::at(NOON);
        if is_wrong_at_start {
            script.set(decades);
        }
        let clock = Clock::reading(Made(script.clone(), NOON));
        clock.not_before(journal);
        script.set(if is_wrong_at_start { Span::ZERO } else { decades });
        script.pass(secs(3_600));
        assert_eq!(clock.now(), journal + Span::from_hours(1), "an alarm's delay takes as long as ever");
        assert_eq!(clock.trust(), Trust::Beyond(NOON + decades + Span::from_hours(1)));
        // A time server answers.
        script.set(Span::from_millis(Span::from_hours(599).as_millis() - decades.as_millis()));
        assert_eq!((clock.now(), clock.trust()), (NOON + Span::from_hours(600), Trust::Good));
    }
}

/// Whoever runs one program for decades has readings up to now.
#[test]
fn a_clock_is_believed_that_goes_on_from_the_newest_reading() {
    let years = Span::from_hours(30 * 365 * 24);
    let (script, _) = Script::at(NOON + years);
    let clock = Clock::reading(Made(script.clone(), NOON));
    assert_eq!((clock.now(), clock.trust()), (NOON, Trust::Beyond(NOON + years)));
    clock.not_before(NOON + years - Span::from_hours(3));
    assert_eq!((clock.now(), clock.trust()), (NOON + years, Trust::Good));
    script.pass(secs(60));
    assert_eq!((clock.now(), clock.trust()), (NOON + years + Span::from_minutes(1), Trust::Good));
}

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

    fn made(&self) -> Option<Timestamp> {
        Some(self.1)
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

/// Switched on after hours, where it was switched off: a node knows better, until somebody sets the clock.
#[test]
fn a_clock_that_nobody_has_set_may_be_behind() {
    let (script, clock) = Script::at(NOON);
    let three_hours = Span::from_hours(3);
    clock.not_before(NOON + Span::from_secs(30));
    clock.note_dated_ahead(three_hours);
    assert_eq!(
        (clock.trust(), clock.may_be_behind()),
        (Trust::Ahead(Span::from_secs(30)), false),
        "a battery kept it"
    );
    clock.doubt(true);
    assert_eq!((clock.trust(), clock.may_be_behind()), (Trust::Late(Span::from_secs(30)), true));
    clock.note_dated_ahead(Span::from_hours(21 * 365 * 24));
    assert_eq!(clock.trust(), Trust::Late(Span::from_secs(30)), "that is the sender's clock");
    clock.note_dated_ahead(three_hours);
    assert_eq!(clock.trust(), Trust::Behind(three_hours));
    script.pass(secs(3_601));
    assert_eq!(clock.trust(), Trust::Late(Span::from_secs(30)), "nobody has said so for an hour");
    clock.note_dated_ahead(three_hours);
    clock.doubt(false);
    assert_eq!(clock.trust(), Trust::Ahead(Span::from_secs(30)), "a time server answered");
    clock.doubt(true);
    clock.note_dated_ahead(three_hours);
    script.set(three_hours);
    assert_eq!((clock.trust(), clock.may_be_behind()), (Trust::Good, false));
    clock.doubt(true);
    assert!(!clock.may_be_behind(), "it was seen to be set");
    let free = Clock::accelerated(NOON, 60.0);
    free.not_before(NOON + three_hours);
    free.doubt(true);
    assert!(!free.may_be_behind());
}

/// A machine in a machine has no battery clock either, and the right time.
#[test]
fn a_clock_that_went_on_while_the_gateway_was_off_is_believed() {
    let off = |newest: Span, up: Option<u64>| {
        let (script, clock) = Script::at(NOON);
        script.up(up.map(secs));
        clock.doubt(true);
        clock.not_before(NOON + newest);
        clock.may_be_behind()
    };
    assert!(!off(Span::from_secs(-60), None));
    assert!(!off(Span::from_secs(-60), Some(30)), "off for half a minute");
    assert!(
        off(Span::from_secs(-10), Some(30)),
        "what was read ten seconds ago was read before the start, half a minute ago"
    );
    assert!(!off(Span::from_secs(-10), Some(50_000)), "the daemon alone was started again");
    assert!(off(Span::from_secs(10), Some(50_000)), "what was read is yet to come");
}

/// It goes on from what a file kept, half an hour before the newest reading: the true time is later, and no delay of an
/// alarm takes twice as long in the hour after a power cut.
#[test]
fn a_clock_that_nobody_has_set_is_not_waited_for() {
    let (script, clock) = Script::at(NOON);
    clock.doubt(true);
    let half_an_hour = Span::from_minutes(30);
    clock.not_before(NOON + half_an_hour);
    script.pass(secs(600));
    assert_eq!(clock.now(), NOON + half_an_hour + Span::from_minutes(10));
    assert_eq!(clock.trust(), Trust::Late(half_an_hour));
    script.set(Span::from_hours(3));
    assert_eq!((clock.now(), clock.trust()), (script.wall(), Trust::Good));
    // Set back by hand: that is waited for.
    script.set(Span::from_minutes(-10));
    assert_eq!(clock.trust(), Trust::Ahead(Span::from_minutes(10)));
}
