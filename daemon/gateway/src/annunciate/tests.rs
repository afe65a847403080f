//! A horn that is a program which writes down what it was told, and one that fails while a file is there.

use std::path::Path;
use std::time::Duration;

use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::{Event, Timestamp};
use tokio::sync::mpsc;

use super::driver::Driver;
use super::switch::{Knob, Switch};
use super::test::{daily, once};
use crate::clock::Clock;
use crate::config::annunciation::{Command, DrivenBy, Gpio, HornTestPlan, Output};
use crate::inbox::Incoming;

const SOON: Duration = Duration::from_secs(20);

/// Writes `on` and `off` to `told`, and fails while there is a file `broken`.
fn horn(folder: &Path) -> (Knob, mpsc::Receiver<Incoming>, mpsc::Sender<Incoming>) {
    let script = format!(
        "cd '{}'; if [ -e broken ]; then echo jammed >&2; exit 1; fi; echo $1 >> told",
        folder.display()
    );
    let arguments = vec!["-c".to_owned(), script, "horn".to_owned()];
    let command = Command { program: "/bin/sh".into(), arguments, timeout: SOON };
    let output = Output { label: "siren".to_owned(), by: DrivenBy::Command(command) };
    let (inbox, events) = mpsc::channel(64);
    let (knob, switch) = Switch::new(Driver::new(output, &[], "horn"), "", inbox.clone());
    tokio::spawn(switch.keep());
    (knob, events, inbox)
}

fn told(folder: &Path) -> String {
    std::fs::read_to_string(folder.join("told")).unwrap_or_default()
}

async fn confirmed(knob: &Knob, on: bool) {
    assert_eq!(tokio::time::timeout(SOON, knob.confirmed(on)).await, Ok(true));
}

/// The next word about the horn.
async fn next_fault(events: &mut mpsc::Receiver<Incoming>) -> Option<String> {
    let incoming = tokio::time::timeout(SOON, events.recv()).await.unwrap().unwrap();
    let Event::GatewayFault { part: GatewayPart::Horn, which, detail } = incoming.event else {
        panic!("{incoming:?}")
    };
    assert_eq!(which, "");
    detail
}

#[tokio::test]
async fn it_is_switched_until_it_works_and_the_fault_is_told_once_and_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let (knob, mut events, _inbox) = horn(folder.path());
    knob.turn(false);
    confirmed(&knob, false).await;
    assert_eq!(next_fault(&mut events).await, None, "the first word, whatever was remembered");
    std::fs::write(folder.path().join("broken"), "").unwrap();
    knob.turn(true);
    let fault = next_fault(&mut events).await.unwrap();
    assert!(
        fault.starts_with("the horn (siren) could not be switched on, so nobody may notice an alarm")
            && fault.contains("jammed"),
        "{fault}"
    );
    // Several attempts later still one telling.
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert!(events.try_recv().is_err());
    std::fs::remove_file(folder.path().join("broken")).unwrap();
    confirmed(&knob, true).await;
    assert_eq!(next_fault(&mut events).await, None);
    assert_eq!(told(folder.path()), "off\non\n");
}

#[tokio::test]
async fn a_test_sounds_for_a_moment_fails_with_the_horn_and_gives_way_to_an_alarm() {
    let folder = tempfile::tempdir().unwrap();
    let (knob, _events, _inbox) = horn(folder.path());
    knob.turn(false);
    confirmed(&knob, false).await;
    let sound = Duration::from_millis(100);
    assert_eq!(once(&knob, sound).await, Outcome::Done);
    assert_eq!(told(folder.path()), "off\non\noff\n");

    std::fs::write(folder.path().join("broken"), "").unwrap();
    let Outcome::Failed(why) = once(&knob, sound).await else { panic!("it cannot have worked") };
    assert!(why.contains("jammed"), "{why}");
    std::fs::remove_file(folder.path().join("broken")).unwrap();
    confirmed(&knob, false).await;

    knob.turn(true);
    confirmed(&knob, true).await;
    assert_eq!(once(&knob, sound).await, Outcome::LeftOut("an alarm was sounding".to_owned()));
    assert!(told(folder.path()).ends_with("on\n"), "it goes on sounding: {}", told(folder.path()));
}

#[tokio::test]
async fn an_alarm_that_comes_during_the_test_goes_on_sounding() {
    let folder = tempfile::tempdir().unwrap();
    let (knob, _events, _inbox) = horn(folder.path());
    knob.turn(false);
    confirmed(&knob, false).await;
    let alarm = async {
        confirmed(&knob, true).await;
        knob.turn(true);
    };
    let (outcome, ()) = tokio::join!(once(&knob, Duration::from_millis(300)), alarm);
    assert_eq!(outcome, Outcome::Done);
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert!(!told(folder.path()).ends_with("off\n"), "{}", told(folder.path()));
}

#[tokio::test]
async fn the_daily_test_comes_at_its_hour_and_is_reported() {
    let folder = tempfile::tempdir().unwrap();
    let (knob, mut events, inbox) = horn(folder.path());
    knob.turn(false);
    confirmed(&knob, false).await;
    assert_eq!(next_fault(&mut events).await, None);
    // 16:59:59.5 on the farm.
    let start: jiff::Timestamp = "2026-11-28T21:59:59.5Z".parse().unwrap();
    let clock = Clock::accelerated(Timestamp(start.as_millisecond()), 1.0);
    let plan = HornTestPlan { at: jiff::civil::time(17, 0, 0, 0), sound: Duration::from_millis(100) };
    let zone = jiff::tz::TimeZone::fixed(jiff::tz::offset(-5));
    let testing = tokio::spawn(daily(knob, plan, zone, clock, inbox));
    let report = tokio::time::timeout(SOON, events.recv()).await.unwrap().unwrap();
    assert_eq!(report.event, Event::Carried { what: Carried::HornTest, outcome: Outcome::Done });
    assert_eq!(told(folder.path()), "off\non\noff\n");
    testing.abort();
}

#[tokio::test]
async fn a_line_of_a_chip_that_is_not_there_is_told_with_its_name() {
    let gpio = Gpio { chip: "/dev/gpiochip-of-nobody".into(), line: 17, active_low: true };
    let output = Output { label: "red lamp".to_owned(), by: DrivenBy::Gpio(gpio) };
    let why = Driver::new(output, &[], "lamp").set(true, true).await.unwrap_err();
    assert!(
        why.starts_with("the lamp (red lamp) could not be switched on")
            && why.contains("line 17 of /dev/gpiochip-of-nobody"),
        "{why}"
    );
}
