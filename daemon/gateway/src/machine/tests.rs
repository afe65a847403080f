//! Machines made of files, as the kernel's documentation describes them, and when a fault is told.

use std::fs;
use std::path::Path;
use std::time::Duration;

use pondreeve_core::Timestamp;
use tempfile::TempDir;

use super::judge::Judge;
use super::{Bounds, Health, Machine, Supply, TimeService};

fn put(root: &Path, path: &str, text: &str) {
    let path = root.join(path);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, text).unwrap();
}

fn health(root: &Path) -> Health {
    Machine::at(root.to_owned()).health(root)
}

#[test]
fn a_machine_that_tells_nothing_has_no_faults() {
    let root = TempDir::new().unwrap();
    let found = health(root.path());
    assert_eq!((found.temperature_c, &found.supply), (None, &Supply::Unknown));
    assert_eq!((found.time_service, found.battery_clock), (TimeService::Unknown, None));
    assert!(found.room_bytes.is_some(), "a folder lies on some disk");
    assert_eq!(Judge::new(Bounds { room_low_bytes: 0, ..Bounds::default() }).judge(&found), []);
}

#[test]
fn the_hottest_zone_counts_and_one_that_is_off_does_not() {
    let root = TempDir::new().unwrap();
    put(root.path(), "sys/class/thermal/thermal_zone0/temp", "61250\n");
    put(root.path(), "sys/class/thermal/thermal_zone1/temp", "-274000\n");
    put(root.path(), "sys/class/thermal/thermal_zone2/temp", "no number\n");
    put(root.path(), "sys/class/thermal/cooling_device0/temp", "99000\n");
    assert_eq!(health(root.path()).temperature_c, Some(61.25));
}

#[test]
fn an_under_voltage_flag_or_a_value_below_its_limit_is_a_low_supply() {
    let root = TempDir::new().unwrap();
    put(root.path(), "sys/class/hwmon/hwmon1/name", "rpi_volt\n");
    put(root.path(), "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n");
    assert_eq!(health(root.path()).supply, Supply::Good);
    put(root.path(), "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n");
    assert_eq!(health(root.path()).supply, Supply::Low("rpi_volt in0".to_owned()));
    put(root.path(), "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n");
    put(root.path(), "sys/class/hwmon/hwmon2/name", "ina2xx\n");
    put(root.path(), "sys/class/hwmon/hwmon2/in1_label", "battery\n");
    put(root.path(), "sys/class/hwmon/hwmon2/in1_min", "11500\n");
    put(root.path(), "sys/class/hwmon/hwmon2/in1_input", "11400\n");
    assert_eq!(health(root.path()).supply, Supply::Low("ina2xx battery".to_owned()));
}

#[test]
fn who_keeps_the_clock() {
    let root = TempDir::new().unwrap();
    let found = |root: &TempDir| health(root.path()).time_service;
    put(root.path(), "proc/uptime", "90000.17 100.0\n");
    fs::create_dir_all(root.path().join("run/systemd/timesync")).unwrap();
    assert_eq!(found(&root), TimeService::Waiting(Duration::from_secs_f64(90_000.17)));
    put(root.path(), "run/systemd/timesync/synchronized", "");
    assert_eq!(found(&root), TimeService::Synchronised);
    let root = TempDir::new().unwrap();
    fs::create_dir_all(root.path().join("run/chrony")).unwrap();
    assert_eq!(found(&root), TimeService::Unknown);
    put(root.path(), "var/lib/chrony/chrony.drift", "-8.3 0.1\n");
    assert_eq!(found(&root), TimeService::Synchronised);
}

#[test]
fn whose_clock_may_be_behind() {
    let wall = Timestamp(1_780_000_000_000);
    let root = TempDir::new().unwrap();
    let found = || Machine::at(root.path().to_path_buf()).clock_may_be_behind(wall);
    assert!(!found(), "nothing is known of such a machine");
    fs::create_dir_all(root.path().join("sys/class/rtc")).unwrap();
    assert!(found(), "without a battery clock");
    put(root.path(), "sys/class/rtc/rtc0/since_epoch", "1779999998\n");
    assert!(!found(), "the battery clock says the same");
    put(root.path(), "sys/class/rtc/rtc0/since_epoch", "3600\n");
    assert!(found(), "a battery clock without a battery");
    put(root.path(), "run/systemd/timesync/synchronized", "");
    assert!(!found(), "a time server has answered");
}

/// Five looks of heat, then fifteen without; what stands when the daemon starts is told at once.
#[test]
fn a_fault_must_last_and_so_must_its_end() {
    let hot = |c| Health { temperature_c: Some(c), ..Health::default() };
    let mut judge = Judge::new(Bounds::default());
    assert_eq!(judge.judge(&hot(60.0)), []);
    let told: Vec<usize> = (1..=8).map(|_| judge.judge(&hot(81.0)).len()).collect();
    assert_eq!(told, [0, 0, 0, 0, 1, 0, 0, 0]);
    assert_eq!((1..=30).map(|_| judge.judge(&hot(76.0)).len()).sum::<usize>(), 0, "not yet cool enough");
    let over: Vec<_> = (1..=15).map(|_| judge.judge(&hot(74.0))).collect();
    assert_eq!(over[13], []);
    assert_eq!(over[14], [("temperature", None)]);

    let told = Judge::new(Bounds::default()).judge(&hot(92.4));
    let [("temperature", Some(words))] = &told[..] else { panic!("{told:?}") };
    assert!(words.contains("92 °C") && words.contains("bound is 80"), "{words}");
}

#[test]
fn each_fault_says_what_to_do() {
    let worst = Health {
        temperature_c: Some(90.0),
        supply: Supply::Low("rpi_volt in0".to_owned()),
        room_bytes: Some(120_000_000),
        disk_says_used: Some(0.9),
        time_service: TimeService::Waiting(Duration::from_secs(20 * 86_400)),
        ..Health::default()
    };
    let told = Judge::new(Bounds::default()).judge(&worst);
    let lines: Vec<String> =
        told.into_iter().map(|(which, detail)| format!("{which}: {}", detail.unwrap())).collect();
    insta::assert_snapshot!(lines.join("\n"));
}
