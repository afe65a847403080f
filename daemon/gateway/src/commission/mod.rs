//! The check before an installation is handed over: every probe, aerator input, horn, lamp, clock, line, broker and
//! store, what was seen of each, and what only a person can say. Nothing here asks or prints; `cli/commission.rs` does.

use crate::config::Farm;
use crate::local::devices::DeviceStatus;
use crate::local::protocol::FarmStatus;
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

pub mod sheet;

#[cfg(test)]
mod tests;

/// What came of one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// In order.
    Good,
    /// Not in order.
    Bad,
    /// Nobody looked.
    NotChecked,
}

impl Verdict {
    /// As the sheet says it.
    pub fn told(self, words: Words) -> String {
        match self {
            Self::Good => say!(words, "sheet-good"),
            Self::Bad => say!(words, "sheet-bad"),
            Self::NotChecked => say!(words, "sheet-not-checked"),
        }
    }
}

/// One point of the sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// Key of the heading it stands under.
    pub section: &'static str,
    /// What was looked at.
    pub name: String,
    /// What was seen, in plain words.
    pub seen: String,
    /// What came of it.
    pub verdict: Verdict,
}

/// What only a person can say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// Key of the heading its answer stands under.
    pub section: &'static str,
    /// What it is about.
    pub name: String,
    /// Asked so that "yes" is in order.
    pub text: String,
    /// What is to be done meanwhile, if the program does it.
    pub act: Option<Act>,
}

/// What the program does for a question. The only outputs are the horn's and the lamp's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Sound the horn for a moment.
    Horn,
    /// Light the lamp for a moment.
    Lamp,
}

impl Act {
    /// As the daemon calls it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Horn => "horn",
            Self::Lamp => "lamp",
        }
    }

    /// As people call it.
    pub fn told(self, words: Words) -> String {
        match self {
            Self::Horn => say!(words, "sheet-horn"),
            Self::Lamp => say!(words, "sheet-lamp"),
        }
    }
}

/// Keys of the headings, in the order of the sheet.
pub const SECTIONS: [&str; 7] = [
    "sheet-probes",
    "sheet-aerators",
    "sheet-outputs",
    "sheet-lines",
    "sheet-brokers",
    "sheet-clock",
    "sheet-store",
];

/// Clocks further apart than this are not in order, s: advice and night alarms go by sunset.
const CLOCK_APART_S: i64 = 60;

/// Free room below which a store is not in order, bytes.
const FREE_AT_LEAST: u64 = 256 * 1_024 * 1_024;

/// What the machine that the check runs on knows by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Machine {
    /// Its time, s since 1970.
    pub now_s: i64,
    /// Whether its clock is kept right by a time server or a receiver; `None` where that cannot be told.
    pub clock_kept: Option<bool>,
    /// Free bytes where the store is.
    pub store_free: Option<u64>,
}

/// What can be seen without a person.
pub fn points(
    farm: &Farm,
    status: &FarmStatus,
    devices: &[DeviceStatus],
    machine: &Machine,
    words: Words,
) -> Vec<Point> {
    let mut points: Vec<Point> = devices.iter().map(|own| probe(own, status, words)).collect();
    points.extend(aerators(farm, status, words));
    points.extend(outputs(farm, words));
    points.extend(links(farm, status, words));
    points.push(clock(status, machine, words));
    points.push(store(farm, status, machine, words));
    points
}

/// What became of the questions to a probe that gave nothing: where to look first.
fn why_nothing(own: &DeviceStatus, words: Words) -> String {
    let told =
        |count: u64, tell: fn(Words, String) -> String| (count > 0).then(|| tell(words, count.to_string()));
    let all = [
        told(own.time_outs, |words, count| say!(words, "sheet-why-silent", count = count)),
        told(own.checksum_errors, |words, count| say!(words, "sheet-why-checksum", count = count)),
        told(own.wrong_addresses, |words, count| say!(words, "sheet-why-address", count = count)),
        told(own.exceptions, |words, count| say!(words, "sheet-why-refused", count = count)),
        told(own.garbled, |words, count| say!(words, "sheet-why-garbled", count = count)),
        told(own.answers, |words, count| say!(words, "sheet-why-no-value", count = count)),
    ];
    let all: Vec<String> = all.into_iter().flatten().collect();
    if all.is_empty() { String::new() } else { format!(": {}", all.join("; ")) }
}

fn probe(own: &DeviceStatus, status: &FarmStatus, words: Words) -> Point {
    let place = own.pond.as_deref().and_then(|id| status.ponds.iter().find(|pond| pond.id == id));
    let place =
        place.map_or_else(|| say!(words, "sheet-all-ponds"), |pond| format!("{} ({})", pond.id, pond.name));
    let name = say!(words, "sheet-probe", probe = &own.probe, place = place, link = &own.link);
    if own.good_polls == 0 {
        let why = match own.polls {
            0 => say!(words, "sheet-not-heard"),
            polls => {
                say!(words, "sheet-gave-nothing", polls = polls.to_string(), why = why_nothing(own, words))
            }
        };
        return Point { section: SECTIONS[0], name, seen: why, verdict: Verdict::Bad };
    }
    let mut seen: Vec<String> = own
        .readings
        .iter()
        .map(|(quantity, value, flag, age_s)| match value {
            Some(value) => say!(
                words,
                "sheet-value",
                quantity = quantity,
                value = format!("{value:.2}"),
                flag = flag_words(words, *flag),
                age = age_s.to_string(),
            ),
            None => say!(words, "sheet-no-value", quantity = quantity, flag = flag_words(words, *flag)),
        })
        .collect();
    let (good, polls) = (own.good_polls.to_string(), own.polls.to_string());
    seen.push(say!(words, "sheet-polls", good = good, polls = polls));
    if let Some(ms) = own.latency_p95_ms {
        seen.push(say!(words, "sheet-answers", ms = format!("{:.0}", ms.ceil().max(1.0))));
    }
    let troubles = [
        (own.time_outs, say!(words, "sheet-time-outs")),
        (own.checksum_errors, say!(words, "sheet-checksums")),
        (own.wrong_addresses, say!(words, "sheet-addresses")),
        (own.exceptions, say!(words, "sheet-exceptions")),
        (own.garbled, say!(words, "sheet-garbled")),
    ];
    let requests = own.answers + troubles.iter().map(|(count, _)| count).sum::<u64>();
    seen.extend(troubles.iter().filter(|(count, _)| *count > 0).map(|(count, how)| format!("{count} {how}")));
    let usable = own.readings.iter().all(|(_, value, ..)| value.is_some());
    // One request in twenty lost is a line to look at: a termination, a shield, a loose screw (common practice, no
    // source).
    let lost = requests - own.answers;
    let verdict = if usable && lost * 20 <= requests { Verdict::Good } else { Verdict::Bad };
    Point { section: SECTIONS[0], name, seen: seen.join("; "), verdict }
}

/// What a QARTOD flag means.
fn flag_words(words: Words, flag: u8) -> String {
    match flag {
        1 => say!(words, "sheet-flag-good"),
        2 => say!(words, "sheet-flag-not-judged"),
        3 => say!(words, "sheet-flag-suspect"),
        4 => say!(words, "sheet-flag-failed"),
        _ => say!(words, "sheet-flag-missing"),
    }
}

fn aerators(farm: &Farm, status: &FarmStatus, words: Words) -> Vec<Point> {
    let ponds = farm.site.ponds.iter().zip(&status.ponds);
    let all = ponds.flat_map(|(configured, pond)| {
        pond.aerators.iter().enumerate().map(move |(index, group)| {
            let told = farm.site.probes.iter().flat_map(|probe| {
                let here = probe.pond.and_then(|own| farm.site.ponds.get(usize::from(own.0)));
                let here = here.is_some_and(|own| own.id == configured.id);
                probe.channels.iter().filter(move |own| here && own.aerator.map(usize::from) == Some(index))
            });
            let name = say!(words, "sheet-group", group = &group.id, pond = &pond.id, name = &pond.name);
            let (seen, verdict) = match (told.count(), group.on) {
                (0, _) => (say!(words, "sheet-group-untold"), Verdict::NotChecked),
                (_, Some(true)) => {
                    (say!(words, "sheet-group-runs", kw = group.power_kw.to_string()), Verdict::Good)
                }
                (_, Some(false)) => (say!(words, "sheet-group-stands"), Verdict::Good),
                (_, None) => (say!(words, "sheet-group-not-yet"), Verdict::Bad),
            };
            Point { section: SECTIONS[1], name, seen, verdict }
        })
    });
    all.collect()
}

fn outputs(farm: &Farm, words: Words) -> Vec<Point> {
    let heard = &farm.annunciation;
    let missing = [(Act::Horn, heard.horn.is_none()), (Act::Lamp, heard.lamp.is_none())];
    let told = missing.into_iter().filter(|(_, missing)| *missing).map(|(which, _)| Point {
        section: SECTIONS[2],
        name: which.told(words),
        seen: say!(words, "sheet-no-output"),
        verdict: Verdict::NotChecked,
    });
    told.collect()
}

fn links(farm: &Farm, status: &FarmStatus, words: Words) -> Vec<Point> {
    let lines = farm.buses.iter().map(|own| (SECTIONS[3], "sheet-bus", own.id.as_str(), own.place()));
    let text = farm.lines.iter().map(|own| (SECTIONS[3], "sheet-line", own.id.as_str(), own.place()));
    let reached = |host: &str, port: u16| format!("{host}:{port}");
    let brokers = farm.brokers.iter().map(|own| {
        (SECTIONS[4], "sheet-broker", own.id.as_str(), reached(&own.address.host, own.address.port))
    });
    let destinations = farm.destinations.iter().map(|own| {
        (SECTIONS[4], "sheet-destination", own.id.as_str(), reached(&own.address.host, own.address.port))
    });
    let all = lines.chain(text).chain(brokers).chain(destinations).map(|(section, what, id, place)| {
        // A part's name ends with the id of what it is about.
        let fault = status.faults.iter().find(|own| own.part.split_whitespace().last() == Some(id));
        let (seen, verdict) = match fault {
            Some(fault) => (recognised(words, &fault.detail), Verdict::Bad),
            None => (say!(words, "sheet-no-fault", place = place), Verdict::Good),
        };
        Point { section, name: format!("{} {id}", words.get(what)), seen, verdict }
    });
    all.collect()
}

fn clock(status: &FarmStatus, machine: &Machine, words: Words) -> Point {
    let told = status.at.parse::<jiff::Timestamp>().map_or(0, jiff::Timestamp::as_second);
    let apart = (told - machine.now_s).abs();
    let kept = match machine.clock_kept {
        Some(true) => say!(words, "sheet-clock-kept"),
        Some(false) => say!(words, "sheet-clock-not-kept"),
        None => say!(words, "sheet-clock-unknown"),
    };
    let seen = say!(words, "sheet-clock-seen", at = &status.at, apart = apart.to_string(), kept = kept);
    let verdict = match machine.clock_kept {
        _ if apart > CLOCK_APART_S => Verdict::Bad,
        Some(false) => Verdict::Bad,
        Some(true) | None => Verdict::Good,
    };
    Point { section: SECTIONS[5], name: say!(words, "sheet-the-clock"), seen, verdict }
}

fn store(farm: &Farm, status: &FarmStatus, machine: &Machine, words: Words) -> Point {
    let fault =
        status.faults.iter().find(|own| own.part.starts_with("store") || own.part.starts_with("disk"));
    let free = match machine.store_free {
        None => say!(words, "sheet-free-unknown"),
        Some(bytes) => say!(words, "sheet-free", mb = (bytes / 1_000_000).to_string()),
    };
    let place = farm.store.path.display().to_string();
    let (seen, verdict) = match fault {
        Some(fault) => (format!("{place}: {}; {free}", recognised(words, &fault.detail)), Verdict::Bad),
        None if machine.store_free.is_some_and(|bytes| bytes < FREE_AT_LEAST) => {
            (say!(words, "sheet-store-full", place = place, free = free), Verdict::Bad)
        }
        None => (say!(words, "sheet-store-good", place = place, free = free), Verdict::Good),
    };
    Point { section: SECTIONS[6], name: say!(words, "sheet-the-store"), seen, verdict }
}

/// What a person is asked. No question has anybody step into water or near a live motor.
pub fn questions(farm: &Farm, words: Words) -> Vec<Question> {
    let mut all = Vec::new();
    for probe in &farm.site.probes {
        let Some(pond) = probe.pond.and_then(|pond| farm.site.ponds.get(usize::from(pond.0))) else {
            continue;
        };
        let is_oxygen = probe.channels.iter().any(|own| own.quantity == pondreeve_core::Quantity::DoMgL);
        if is_oxygen {
            all.push(Question {
                section: SECTIONS[0],
                name: say!(words, "sheet-hangs", probe = &probe.id, pond = &pond.id),
                text: say!(words, "sheet-lift", probe = &probe.id, pond = &pond.id, name = &pond.name),
                act: None,
            });
        }
    }
    for pond in &farm.site.ponds {
        for group in &pond.aerators {
            all.push(Question {
                section: SECTIONS[1],
                name: say!(words, "sheet-told-right", group = &group.id, pond = &pond.id),
                text: say!(words, "sheet-switch", group = &group.id, pond = &pond.id, name = &pond.name),
                act: None,
            });
        }
    }
    let outputs = [
        (farm.annunciation.horn.as_ref(), Act::Horn, say!(words, "sheet-did-it-sound")),
        (farm.annunciation.lamp.as_ref(), Act::Lamp, say!(words, "sheet-was-it-lit")),
    ];
    for (output, act, text) in outputs {
        if let Some(output) = output {
            all.push(Question {
                section: SECTIONS[2],
                name: format!("{} \u{201c}{}\u{201d}", act.told(words), output.label),
                text,
                act: Some(act),
            });
        }
    }
    all.push(Question {
        section: SECTIONS[5],
        name: say!(words, "sheet-telephone"),
        text: say!(words, "sheet-does-it-agree"),
        act: None,
    });
    all
}

/// The point that an answer makes: yes, no, or nobody said.
pub fn answered(
    question: &Question,
    carried: Option<&Result<(), String>>,
    answer: Option<bool>,
    words: Words,
) -> Point {
    let (seen, verdict) = match (carried, answer) {
        (Some(Err(why)), _) => (say!(words, "sheet-not-tested", why = recognised(words, why)), Verdict::Bad),
        (_, Some(true)) => (say!(words, "sheet-seen"), Verdict::Good),
        (_, Some(false)) => (say!(words, "sheet-says-no"), Verdict::Bad),
        (_, None) => (question.text.clone(), Verdict::NotChecked),
    };
    let seen = match carried {
        Some(Ok(())) => say!(words, "sheet-switched", seen = seen),
        Some(Err(_)) | None => seen,
    };
    Point { section: question.section, name: question.name.clone(), seen, verdict }
}
