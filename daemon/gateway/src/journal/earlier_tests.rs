//! Stores that the programs of formats 2 and 3 wrote come up with all that was put into them, in whatever state a
//! power cut left them on the way.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use pondreeve_core::effect::AlarmState;
use pondreeve_core::{Effect, Event, Input, Quantity, Span, State, Timestamp};
use tempfile::TempDir;

use super::archive::salvage;
use super::database::{FORMAT, Store};
use super::fixtures::{flag_name, line_of, or_none, shortened, unpack, written};
use super::keys::{kind, parts};
use super::record::BatchWriter;
use super::rollup::Level;
use super::sealed::LONGEST;
use super::trail::SettingsBefore;
use super::verify::verify;
use super::{Commit, From, Journal, Query};

const EARLIER: [u64; 2] = [2, 3];

/// After all that is in the fixtures.
const NOW: Timestamp = Timestamp(1_780_000_000_000);

fn number<T: std::str::FromStr<Err: std::fmt::Debug>>(text: &str) -> T {
    text.parse().unwrap()
}

fn inputs_of(journal: &mut Journal, from: From) -> Vec<Input> {
    let mut found = Vec::new();
    let reading = journal.read_from(from, NOW, &mut |input| found.push(input));
    assert_eq!((reading.damaged, reading.missing, reading.partial), (0, 0, false), "{reading:?}");
    found
}

/// Looks for everything that was put into the store of a format; what the journal says of its opening.
fn check(path: &Path, format: u64) -> Vec<String> {
    let (mut journal, notes) = Journal::open(path, NOW).unwrap();
    check_open(&mut journal, format);
    notes
}

fn check_open(journal: &mut Journal, format: u64) {
    let expected = written(format, "input");
    let found = inputs_of(journal, From::Start);
    for (found, expected) in found.iter().zip(&expected) {
        let own = format!("{}\t{}\t{}", found.seq, found.at.as_millis(), line_of(&found.event));
        assert_eq!(own, expected.join("\t"));
    }
    assert!(found.len() >= expected.len() && expected.len() > 280, "{} inputs", found.len());
    let left_out: BTreeSet<u64> = written(format, "left-out").iter().map(|own| number(&own[0])).collect();
    assert_eq!((journal.left_out(), left_out.len()), (left_out.clone(), 2));
    check_readings(journal, format);
    check_trail(journal, format);
    check_alarm(&found[..expected.len()]);
    // A cache of another build.
    assert_eq!(journal.checkpoint(), None);
    // Nothing waits, and numbers begin with 1: neither format had an outbox.
    let outbox = journal.take_outbox();
    assert_eq!((outbox.waiting.len(), outbox.last), (0, 0));
    // What the core must know however long ago it was: services, entries and the farm that they belong to.
    let lasting = |name: &str| ["service", "diary", "started"].contains(&name);
    let end: i64 = number(&expected.last().unwrap()[1]);
    let mut of_old =
        expected.iter().filter(|own| lasting(&own[2]) && number::<i64>(&own[1]) < end - 12 * 3_600_000);
    let found = inputs_of(journal, From::Lasting(Span::from_hours(12)));
    let found: BTreeSet<u64> = found.iter().map(|own| own.seq).collect();
    // A farm that comes again is in force already.
    assert!(
        of_old.all(|own| found.contains(&number(&own[0])) || (own[2] == "started" && own[0] != "1")),
        "{found:?}"
    );
}

fn check_readings(journal: &Journal, format: u64) {
    let kept = written(format, "kept");
    assert!(kept.len() > 500);
    let (first, last) = (NOW - Span::from_hours(24 * 30), NOW);
    let query = |pond: &str, quantity: &str| {
        let quantity = Quantity::from_id(quantity).unwrap();
        Query { pond: pond.to_owned(), quantity, from: first, to: last }
    };
    for series in kept.chunk_by(|a, b| a[..2] == b[..2]) {
        let mut found = Vec::new();
        let answered =
            journal.query(&query(&series[0][0], &series[0][1]), &mut |own| found.push(own.clone()));
        assert_eq!(answered.unwrap().damaged, 0);
        let found = found.iter().map(|own| {
            let (raw, value) = (or_none(own.raw), or_none(own.value));
            let flag = own.flag.map_or("-", flag_name);
            vec![own.at.as_millis().to_string(), own.probe.clone(), raw, value, flag.to_owned()]
        });
        let expected = series.iter().map(|own| own[2..].to_vec());
        assert_eq!(found.collect::<Vec<_>>(), expected.collect::<Vec<_>>(), "{:?}", &series[0][..2]);
    }
    let days = written(format, "day");
    for own in &days {
        let from = Timestamp(number(&own[2]));
        let mut found = Vec::new();
        let query = Query { from, to: from + Span::from_hours(24), ..query(&own[0], &own[1]) };
        journal.rolled(&query, Level::Day, &mut |rolled| found.push(*rolled)).unwrap();
        let [found] = found[..] else { panic!("{own:?}: {found:?}") };
        // Roll-ups are kept with two digits more than are shown.
        for (found, expected) in [(found.minimum, &own[3]), (found.mean, &own[4]), (found.maximum, &own[5])] {
            assert!((found.unwrap() - number::<f64>(expected)).abs() < 0.001, "{own:?}: {found:?}");
        }
        let counts = [found.usable, found.suspect, found.failed, found.missing];
        assert_eq!(counts.map(|count| count.to_string())[..], own[6..], "{own:?}");
    }
    assert!(days.len() > 10);
}

fn check_trail(journal: &Journal, format: u64) {
    let (expected, rows) = (written(format, "noted"), journal.trail_rows(1).unwrap());
    let fields = |own: &crate::audit::Row| own.fields().unwrap();
    let found: Vec<Vec<String>> = rows.iter().map(|(_, row)| fields(row)[2..10].to_vec()).collect();
    assert_eq!(found, expected.iter().map(|own| own[1..].to_vec()).collect::<Vec<_>>());
    let Some([records, hash]) = written(format, "trail").first().map(|own| [own[0].clone(), own[1].clone()])
    else {
        // Before there was an audit trail, the farm was all that a start could compare with.
        assert_eq!((format, journal.trail().records), (2, 0));
        assert!(matches!(journal.settings_before(), SettingsBefore::Site(text) if text.contains("pond-2")));
        return;
    };
    assert_eq!((journal.trail().records.to_string(), journal.trail().hash.to_string()), (records, hash));
    let SettingsBefore::Noted(settings) = journal.settings_before() else { panic!("no settings") };
    assert_eq!(shortened(&settings), written(format, "settings")[0][0]);
}

/// Oxygen is at 0.9 mg/L for three hours, and ana acknowledges what is told of it.
fn check_alarm(inputs: &[Input]) {
    let (mut state, mut effects) = (State::new(), Vec::new());
    inputs.iter().for_each(|input| state.step(input, &mut effects));
    let id = "pond.do-low-critical";
    let acknowledged = inputs.iter().find_map(|input| match &input.event {
        Event::Acknowledge { alarm, .. } if alarm == id => Some(input.at),
        _ => None,
    });
    let changes = effects.iter().filter_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.id == id => Some(change),
        _ => None,
    });
    let changes: Vec<_> = changes.map(|own| (own.state, own.by.as_deref(), Some(own.at))).collect();
    let place = changes.iter().position(|own| *own == (AlarmState::Acknowledged, Some("ana"), acknowledged));
    assert!(place.is_some_and(|place| changes[place - 1].0 == AlarmState::Unacknowledged), "{changes:?}");
}

/// What is in the database's trees now is as today's format has it.
fn check_form(path: &Path) {
    let store = Store::open(path).unwrap();
    assert_eq!(store.format, FORMAT);
    for tree in ["sealed", "parts"] {
        let longest = store.db.open_tree(tree).unwrap().iter().map(|entry| entry.unwrap().1.len()).max();
        assert!(longest.is_some_and(|longest| longest <= LONGEST), "{tree}: {longest:?}");
    }
    assert!(store.db.open_tree("parts").unwrap().len() > 8);
}

#[test]
fn they_come_up_whole_and_stay_so() {
    for format in EARLIER {
        let folder = TempDir::new().unwrap();
        let path = unpack(format, folder.path());
        assert_eq!(Store::open(&path).unwrap().format, format);
        assert_eq!(check(&path, format), Vec::<String>::new(), "nothing was damaged, and nothing is told");
        check_form(&path);
        assert_eq!(check(&path, format), Vec::<String>::new());
        // In its place: nothing was set aside.
        let beside = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name());
        assert_eq!(beside.collect::<BTreeSet<_>>(), BTreeSet::from(["store".into(), "store.lock".into()]));
    }
}

/// Format 2 had no days' files. They are made as the store goes on, and hold all that the database lets go of.
#[test]
fn their_days_get_files_as_they_go_on() {
    for format in EARLIER {
        let folder = TempDir::new().unwrap();
        let path = unpack(format, folder.path());
        let days = |path: &Path| fs::read_dir(path.join("days")).map_or(0, Iterator::count);
        assert_eq!(days(&path), if format == 2 { 0 } else { 2 });
        let (mut journal, _) = Journal::open(&path, NOW).unwrap();
        journal.pace.most_hours = 1;
        let mut seq = number::<u64>(&written(format, "input").last().unwrap()[0]);
        for hour in 0..14 {
            seq += 1;
            let at = NOW + Span::from_hours(hour);
            let mut batch = BatchWriter::new(seq, at);
            batch.input(&Input { seq, at, event: Event::Tick });
            let batches = vec![(seq, batch.finish()).into()];
            journal.commit(&Commit { batches, ..Commit::default() }, NOW).unwrap();
            journal.upkeep(NOW);
        }
        // The last of the fixture's three days was over more than six hours ago, too.
        assert_eq!(days(&path), 3);
        check_open(&mut journal, format);
        drop(journal);
        check(&path, format);
        check_form(&path);
    }
}

/// A cut after any of the long values was taken apart, before the new format is noted.
#[test]
fn a_cut_while_they_are_brought_up_costs_nothing() {
    for format in EARLIER {
        let long = {
            let folder = TempDir::new().unwrap();
            let store = Store::open(&unpack(format, folder.path())).unwrap();
            let sealed = store.db.open_tree("sealed").unwrap();
            sealed.iter().filter(|entry| entry.as_ref().unwrap().1.len() > LONGEST).count()
        };
        assert!(long >= 5, "{long} long values");
        for apart in 1..=long {
            let folder = TempDir::new().unwrap();
            let path = unpack(format, folder.path());
            let store = Store::open(&path).unwrap();
            let sealed = store.db.open_tree("sealed").unwrap();
            let whole = sealed.iter().map(Result::unwrap).filter(|(_, value)| value.len() > LONGEST);
            for (key, value) in whole.take(apart).collect::<Vec<_>>() {
                store.sealed.insert(key, value).unwrap();
            }
            store.db.flush().unwrap();
            drop((sealed, store));
            assert_eq!(Store::open(&path).unwrap().format, format);
            assert_eq!(check(&path, format), Vec::<String>::new(), "{apart} of {long}");
            check_form(&path);
        }
    }
}

/// The database fails while it is brought up, as where an earlier cut tore it: what can be read is carried over,
/// with tail, second copy and days.
#[test]
fn torn_ones_are_mended() {
    for format in EARLIER {
        let folder = TempDir::new().unwrap();
        let path = unpack(format, folder.path());
        super::opening::FAILS_ONCE.set(true);
        let notes = check(&path, format);
        assert!(notes.len() == 1 && notes[0].contains("what could be read was carried over"), "{notes:?}");
        check_form(&path);
        assert_eq!(check(&path, format), Vec::<String>::new());
    }
}

/// Their second copy is read, too.
#[test]
fn what_their_database_lost_is_put_back_from_their_copy() {
    for format in EARLIER {
        let folder = TempDir::new().unwrap();
        let path = unpack(format, folder.path());
        let store = Store::open(&path).unwrap();
        let sealed = store.db.open_tree("sealed").unwrap();
        let of_hours = sealed.iter().keys().map(Result::unwrap);
        let of_hours = of_hours.filter_map(|found| parts(&found).map(|(hour, of, ..)| (hour, of, found)));
        let chunks: Vec<_> = of_hours.filter(|(_, of, _)| *of == kind::CHUNK).collect();
        let (last, ..) = chunks.last().unwrap();
        let lost: Vec<_> = chunks.iter().filter(|(hour, ..)| *hour > last - 3).collect();
        lost.iter().for_each(|(_, _, found)| drop(sealed.remove(found).unwrap()));
        assert!(lost.len() >= 3, "{}", lost.len());
        let told = format!("had lost {} sealed pieces", lost.len());
        store.db.flush().unwrap();
        drop((sealed, store));
        let notes = check(&path, format);
        assert!(notes.len() == 1 && notes[0].contains(&told), "{notes:?}");
        assert_eq!(check(&path, format), Vec::<String>::new());
    }
}

/// Neither needs to be brought up for it.
#[test]
fn they_are_verified_and_salvaged_as_they_are() {
    for format in EARLIER {
        let folder = TempDir::new().unwrap();
        let path = unpack(format, folder.path());
        let inputs = written(format, "input").len() as u64;
        let checked = verify(&path, None).unwrap();
        assert_eq!((checked.inputs, checked.damaged), (inputs, 0), "{checked:?}");
        let trail = (checked.trail.is_whole(), checked.trail.head.records);
        assert_eq!(trail, (true, written(format, "noted").len() as u64));
        let to = folder.path().join("salvaged");
        let salvaged = salvage(&path, &to).unwrap();
        assert_eq!((salvaged.inputs, salvaged.damaged), (inputs, 0), "{salvaged:?}");
        assert_eq!(Store::open(&path).unwrap().format, format, "the one that is read stays as it is");
        check_form(&to);
        assert_eq!(check(&to, format), Vec::<String>::new());
    }
}
