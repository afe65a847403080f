//! Stores that earlier versions of the program wrote, and what was put into them.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::diary::{Entry, What};
use pondreeve_core::effect::Flag;
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::{Event, Site, Timestamp};

use crate::audit::{Note, Place};

/// Where the store of a format lies, compressed.
fn folder_of(format: u64) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("src/journal/fixtures/format-{format}"))
}

/// Puts the store of a format below `folder`.
pub(super) fn unpack(format: u64, folder: &Path) -> PathBuf {
    let path = folder.join("store");
    fs::create_dir_all(path.join("blobs")).unwrap();
    unpack_folder(&folder_of(format), &path);
    path
}

fn unpack_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(|entry| entry.unwrap().path()) {
        if entry.is_dir() {
            unpack_folder(&entry, &to.join(entry.file_name().unwrap()));
        } else if entry.extension().is_some_and(|ending| ending == "gz") {
            let packed = fs::read(&entry).unwrap();
            let mut bytes = Vec::new();
            flate2::read::GzDecoder::new(&packed[..]).read_to_end(&mut bytes).unwrap();
            fs::write(to.join(entry.file_stem().unwrap()), bytes).unwrap();
        }
    }
}

/// Lines of `written.txt` of one kind, by their fields.
pub(super) fn written(format: u64, kind: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(folder_of(format).join("written.txt")).unwrap();
    let lines = text.lines().map(|line| line.split('\t').map(str::to_owned).collect::<Vec<_>>());
    lines.filter(|fields| fields[0] == kind).map(|fields| fields[1..].to_vec()).collect()
}

/// The notes of the audit trail in the fixture that ends with this position.
pub(super) fn notes_up_to(last: u64) -> Vec<Note> {
    let ends_there =
        |format: &u64| written(*format, "input").last().is_some_and(|own| own[0] == last.to_string());
    let Some(format) = [2, 3].into_iter().find(ends_there) else { return Vec::new() };
    let note = |fields: Vec<String>| {
        let place = [Place::Daemon, Place::Console, Place::Command, Place::Mqtt].into_iter();
        let [at, local, user, word, action, object, old, new, reason] =
            <[String; 9]>::try_from(fields).unwrap();
        let place = place.into_iter().find(|place| place.word() == word).unwrap();
        Note { at: Timestamp(at.parse().unwrap()), local, user, place, action, object, old, new, reason }
    };
    written(format, "noted").into_iter().map(note).collect()
}

/// The text that is longer than a page of the database may be.
pub(super) fn long() -> String {
    (1..=400).map(|number| format!("{number:04} tries, and no answer; ")).collect()
}

/// Shortened as in `written.txt`.
pub(super) fn shortened(text: &str) -> String {
    text.replace(&long(), "(400 tries)")
}

pub(super) fn or_none<T: std::fmt::Debug>(value: Option<T>) -> String {
    value.map_or("-".to_owned(), |value| format!("{value:?}"))
}

pub(super) fn flag_name(flag: Flag) -> &'static str {
    match flag {
        Flag::Pass => "pass",
        Flag::NotEvaluated => "not-evaluated",
        Flag::Suspect => "suspect",
        Flag::Fail => "fail",
        Flag::Missing => "missing",
    }
}

/// What happened, in the words of `written.txt`.
pub(super) fn line_of(event: &Event) -> String {
    let ms = |at: Option<Timestamp>| or_none(at.map(Timestamp::as_millis));
    match event {
        Event::Started { site } => format!("started\t{}", farm(site)),
        Event::SiteChanged { site } => format!("site-changed\t{}", farm(site)),
        Event::Stopped => "stopped".to_owned(),
        Event::Tick => "tick".to_owned(),
        Event::Sweep { samples } => {
            let sample = |own: &Sample| {
                let (channel, taken_at) = (or_none(own.channel), ms(own.taken_at));
                format!("\t{} {} {channel} {:?} {taken_at}", own.probe.0, own.quantity.id(), own.value)
            };
            format!("sweep{}", samples.iter().map(sample).collect::<String>())
        }
        Event::ProbeFault { probe, fault } => {
            let fault = match fault {
                ProbeFault::Silent => "silent".to_owned(),
                ProbeFault::Exception(code) => format!("exception {code}"),
                ProbeFault::Undecodable(detail) => format!("undecodable {detail}"),
                other => format!("{other:?}"),
            };
            format!("probe-fault\t{}\t{fault}", probe.0)
        }
        Event::ManualSample { pond, quantity, value, taken_at, by } => {
            format!("manual\t{}\t{}\t{value:?}\t{}\t{by}", pond.0, quantity.id(), ms(*taken_at))
        }
        Event::ProbeSetting { probe, salinity_psu } => format!("setting\t{}\t{salinity_psu:?}", probe.0),
        Event::Service { probe, step, by } => format!("service\t{}\t{}\t{by}", probe.0, step_of(step)),
        Event::Acknowledge { alarm, by } => format!("acknowledge\t{alarm}\t{by}"),
        Event::GatewayFault { part, which, detail } => {
            let part = match part {
                GatewayPart::Bus => "bus",
                GatewayPart::Broker => "broker",
                _ => "other",
            };
            format!("gateway-fault\t{part}\t{which}\t{}", detail.as_deref().map_or("-".to_owned(), shortened))
        }
        Event::ClockStepped { from, to } => format!("clock\t{}\t{}", from.as_millis(), to.as_millis()),
        Event::Shelve { alarm, length, reason, by } => {
            format!("shelve\t{alarm}\t{}\t{reason}\t{by}", length.as_millis())
        }
        Event::Unshelve { alarm, by } => format!("unshelve\t{alarm}\t{by}"),
        Event::Reset { alarm, by } => format!("reset\t{alarm}\t{by}"),
        Event::Carried { what, outcome } => {
            let what = match what {
                Carried::HornTest => "horn-test".to_owned(),
                Carried::Call { step, asked_at } => format!("call {step} {}", asked_at.as_millis()),
            };
            let outcome = match outcome {
                Outcome::Done => "done".to_owned(),
                Outcome::LeftOut(why) => format!("left out: {why}"),
                Outcome::Failed(why) => format!("failed: {why}"),
            };
            format!("carried\t{what}\t{outcome}")
        }
        Event::Diary { pond, entry, by } => format!("diary\t{}\t{}\t{by}", pond.0, entry_of(entry)),
        other => format!("{other:?}"),
    }
}

fn farm(site: &Site) -> String {
    let ponds = site.ponds.iter().map(|pond| format!("{} {:?}", pond.id, pond.area_m2));
    let probes = site.probes.iter().map(|probe| {
        let pond = probe.pond.and_then(|pond| site.ponds.get(usize::from(pond.0)));
        format!("{} {}", probe.id, pond.map_or("-", |pond| &pond.id))
    });
    let (ponds, probes) = (ponds.collect::<Vec<_>>().join(", "), probes.collect::<Vec<_>>().join(", "));
    format!("{:?}\t{:?}\t{probes}\t{ponds}", site.latitude_deg, site.longitude_deg)
}

fn step_of(step: &Step) -> String {
    match *step {
        Step::Begin { length } => format!("begin {}", length.as_millis()),
        Step::Before { quantity, hand, reading } => {
            format!("before {} {} {}", quantity.id(), or_none(hand), or_none(reading))
        }
        Step::After { quantity, hand, reading } => {
            format!("after {} {} {}", quantity.id(), or_none(hand), or_none(reading))
        }
        Step::Cleaned => "cleaned".to_owned(),
        Step::Standard { quantity, expected, reading, millivolts } => {
            format!("standard {} {expected:?} {} {}", quantity.id(), or_none(reading), or_none(millivolts))
        }
        Step::Adopt => "adopt".to_owned(),
        Step::End => "end".to_owned(),
    }
}

fn entry_of(entry: &Entry) -> String {
    let Entry { number, at, corrects, basin, what } = entry;
    let basin = basin.map(|own| format!("{:?} {:?} {}", own.area_m2, own.depth_m, own.is_measured));
    let what = match what {
        What::Dose(own) => {
            let lot = own.lot.as_deref().unwrap_or("-");
            format!("dose {} {} {lot}", or_none(own.slurry_kg), or_none(own.containers))
        }
        What::Feed(own) => format!("feed {:?} {}", own.kg, or_none(own.tray_left_percent)),
        What::Note { words } => format!("note {}", shortened(words)),
        What::Withdrawal { reason } => format!("withdrawal {reason}"),
        other => format!("{other:?}"),
    };
    let (at, basin) = (at.as_millis(), basin.unwrap_or("-".to_owned()));
    format!("{number}\t{at}\t{}\t{basin}\t{what}", or_none(*corrects))
}
