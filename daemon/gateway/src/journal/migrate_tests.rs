//! A store that an earlier version wrote is carried over, whatever moment the power is cut at.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Timestamp};
use tempfile::TempDir;

use super::store::Journal;

const NOW: Timestamp = Timestamp(1_780_000_000_000);

fn old_store(folder: &Path) -> PathBuf {
    super::fixtures::unpack(1, folder)
}

/// What the fixture was written from, but for the farm in its first input.
fn written() -> Vec<Input> {
    let mut inputs = Vec::new();
    let mut at = NOW.as_millis();
    let mut put = |ms: i64, event: Event| {
        at += ms;
        inputs.push(Input { seq: inputs.len() as u64 + 2, at: Timestamp(at), event });
    };
    for minute in 0..300_i64 {
        for probe in 0..2_u16 {
            let do_mg_l = 4.0 + f64::from((minute * 37 % 101) as i32) / 100.0 + f64::from(probe);
            let celsius = f64::from(28.25_f32 + minute as f32 / 300.0);
            let taken_at = Some(Timestamp(NOW.as_millis() + minute * 60_000 - 1_500));
            let probe = ProbeIndex(probe);
            let samples = vec![
                Sample { probe, quantity: Quantity::DoMgL, channel: None, value: do_mg_l, taken_at: None },
                Sample {
                    probe,
                    quantity: Quantity::TemperatureC,
                    channel: Some(1),
                    value: celsius,
                    taken_at,
                },
            ];
            put(7 + minute % 5, Event::Sweep { samples });
        }
        put(59_000, Event::Tick);
        let by = "ana".to_owned();
        match minute % 60 {
            10 => put(5, Event::Acknowledge { alarm: format!("p1.alarm-{minute}"), by }),
            20 => {
                let fault = ProbeFault::Undecodable("half a frame".to_owned());
                put(5, Event::ProbeFault { probe: ProbeIndex(1), fault });
            }
            30 => {
                let (pond, quantity) = (PondIndex(0), Quantity::TanMgL);
                put(5, Event::ManualSample { pond, quantity, value: 0.35, taken_at: None, by });
            }
            40 => {
                let detail = (minute % 120 == 40).then(|| "refused".to_owned());
                put(5, Event::GatewayFault { part: GatewayPart::Broker, which: "shed".to_owned(), detail });
            }
            _ => {}
        }
    }
    let odd = Sample {
        probe: ProbeIndex(9),
        quantity: Quantity::Ph,
        channel: None,
        value: f64::NAN,
        taken_at: None,
    };
    put(5, Event::Sweep { samples: vec![odd] });
    put(5, Event::Stopped);
    inputs
}

fn check(path: &Path) -> Vec<String> {
    let (mut journal, notes) = Journal::open(path, NOW).unwrap();
    let mut found = Vec::new();
    let reading = journal.read(NOW, &mut |input| found.push(input));
    assert_eq!((reading.inputs, reading.damaged, reading.missing), (923, 0, 0));
    let Event::Started { site } = &found[0].event else { panic!("{:?}", found[0]) };
    assert_eq!((found[0].seq, site.ponds[0].id.as_str()), (1, "pond"));
    let bits = |inputs: &[Input]| inputs.iter().map(|input| format!("{input:?}")).collect::<Vec<_>>();
    assert!(bits(&found[1..]) == bits(&written()));
    assert_eq!(journal.left_out(), BTreeSet::from([17, 400]));
    notes
}

#[test]
fn a_store_of_format_1_is_carried_over_whole() {
    let folder = TempDir::new().unwrap();
    let path = old_store(folder.path());
    let notes = check(&path);
    assert!(
        notes.len() == 1 && notes[0].contains("923 inputs") && notes[0].contains("format-1"),
        "{notes:?}"
    );
    let aside: Vec<_> = fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("store.format-1-"))
        .collect();
    assert_eq!(aside.len(), 1);
    assert!(check(&path).is_empty(), "the second time nothing is left to do");
}

/// The moments between the steps of the exchange, as a power cut leaves them.
#[test]
fn a_cut_in_the_middle_of_carrying_over_costs_nothing() {
    let folder = TempDir::new().unwrap();
    // Half made beside it.
    let path = old_store(&folder.path().join("a"));
    fs::create_dir_all(path.with_extension("making")).unwrap();
    fs::write(path.with_extension("making").join("db"), b"half").unwrap();
    assert_eq!(check(&path).len(), 1);
    // The old one moved, the new one not yet in its place.
    let path = old_store(&folder.path().join("b"));
    fs::rename(&path, path.with_extension("before")).unwrap();
    assert_eq!(check(&path).len(), 1);
    // The new one in its place, the old one not yet aside.
    let path = old_store(&folder.path().join("c"));
    check(&path);
    let aside = fs::read_dir(path.parent().unwrap()).unwrap().map(|entry| entry.unwrap().path());
    let aside = aside.into_iter().find(|path| path.to_string_lossy().contains("format-1")).unwrap();
    fs::rename(aside, path.with_extension("before")).unwrap();
    assert!(check(&path).is_empty());
    assert!(!path.with_extension("before").exists());
}
