//! Who was called, beside the alarm.

use super::*;
use crate::console::text::FarmClock;
use crate::console::words::{called_words, horn_test_words};

#[test]
fn the_panel_says_who_was_called_and_who_is_next() {
    insta::assert_snapshot!(Shown::of(sample::people_called()).text());
}

#[test]
fn what_came_of_calls_and_tests_is_said_plainly() {
    let farm = sample::people_called();
    let clock = FarmClock::new(&farm.at, farm.time_zone_offset_s);
    let mut alarm = farm.alarms[0].clone();
    alarm.called[1].outcome = Some("failed".to_owned());
    alarm.called[1].why = Some("out of credit".to_owned());
    alarm.called[0].times = 3;
    alarm.next_call = None;
    assert_eq!(
        called_words(&alarm, clock).as_deref(),
        Some("technician on shift 02:11, 3 times, second person 02:14 NOT REACHED: out of credit")
    );
    alarm.called.clear();
    assert_eq!(called_words(&alarm, clock), None);
    let mut test = farm.horn_test.clone().unwrap();
    assert_eq!(horn_test_words(&test, clock), "test 17:00: it answered");
    (test.outcome, test.why) = ("left-out".to_owned(), Some("an alarm was sounding".to_owned()));
    assert_eq!(horn_test_words(&test, clock), "test 17:00 left out: an alarm was sounding");
    (test.outcome, test.why) = ("failed".to_owned(), Some("no answer".to_owned()));
    assert_eq!(horn_test_words(&test, clock), "TEST 17:00 FAILED: no answer");
}
