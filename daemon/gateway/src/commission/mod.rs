//! The check before an installation is handed over: every probe, aerator input, horn, lamp, clock, line, broker and
//! store, what was seen of each, and what only a person can say. Nothing here asks or prints; `cli/commission.rs` does.

use crate::config::Farm;
use crate::local::devices::DeviceStatus;
use crate::local::protocol::FarmStatus;

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
    pub const fn words(self) -> &'static str {
        match self {
            Self::Good => "in order",
            Self::Bad => "NOT IN ORDER",
            Self::NotChecked => "not checked",
        }
    }
}

/// One point of the sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// Heading it stands under.
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
    /// Heading its answer stands under.
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
}

/// Headings, in the order of the sheet.
pub const SECTIONS: [&str; 7] =
    ["Probes", "Aerators", "Horn and lamp", "Lines", "Brokers and destinations", "Clock", "Store"];

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
pub fn points(farm: &Farm, status: &FarmStatus, devices: &[DeviceStatus], machine: &Machine) -> Vec<Point> {
    let mut points: Vec<Point> = devices.iter().map(|own| probe(own, status)).collect();
    points.extend(aerators(farm, status));
    points.extend(outputs(farm));
    points.extend(links(farm, status));
    points.push(clock(status, machine));
    points.push(store(farm, status, machine));
    points
}

fn probe(own: &DeviceStatus, status: &FarmStatus) -> Point {
    let place = own.pond.as_deref().and_then(|id| status.ponds.iter().find(|pond| pond.id == id));
    let place = place.map_or_else(|| "all ponds".to_owned(), |pond| format!("{} ({})", pond.id, pond.name));
    let name = format!("{} in {place}, on {}", own.probe, own.link);
    if own.good_polls == 0 {
        let polls = own.polls;
        let why = if polls == 0 {
            "was not heard of yet".to_owned()
        } else {
            format!("gave nothing in {polls} polls")
        };
        return Point { section: SECTIONS[0], name, seen: why, verdict: Verdict::Bad };
    }
    let mut seen: Vec<String> = own
        .readings
        .iter()
        .map(|(quantity, value, flag, age_s)| match value {
            Some(value) => format!("{quantity} {value:.2} ({}, {age_s} s old)", flag_words(*flag)),
            None => format!("{quantity} no usable value ({})", flag_words(*flag)),
        })
        .collect();
    seen.push(format!("{} of {} polls good", own.good_polls, own.polls));
    if let Some(ms) = own.latency_p95_ms {
        seen.push(format!("answers within {:.0} ms", ms.ceil().max(1.0)));
    }
    let troubles = [
        (own.time_outs, "without an answer"),
        (own.checksum_errors, "with a wrong checksum"),
        (own.wrong_addresses, "answered by another address"),
        (own.exceptions, "refused"),
        (own.garbled, "garbled"),
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
const fn flag_words(flag: u8) -> &'static str {
    match flag {
        1 => "good",
        2 => "not judged yet",
        3 => "suspect",
        4 => "failed its tests",
        _ => "missing",
    }
}

fn aerators(farm: &Farm, status: &FarmStatus) -> Vec<Point> {
    let ponds = farm.site.ponds.iter().zip(&status.ponds);
    let all = ponds.flat_map(|(configured, pond)| {
        pond.aerators.iter().enumerate().map(move |(index, group)| {
            let told = farm.site.probes.iter().flat_map(|probe| {
                let here = probe.pond.and_then(|own| farm.site.ponds.get(usize::from(own.0)));
                let here = here.is_some_and(|own| own.id == configured.id);
                probe.channels.iter().filter(move |own| here && own.aerator.map(usize::from) == Some(index))
            });
            let name = format!("group {} of {} ({})", group.id, pond.id, pond.name);
            let (seen, verdict) = match (told.count(), group.on) {
                (0, _) => ("no probe tells whether it runs".to_owned(), Verdict::NotChecked),
                (_, Some(true)) => (format!("runs, {} kW", group.power_kw), Verdict::Good),
                (_, Some(false)) => ("stands still, as its probe says".to_owned(), Verdict::Good),
                (_, None) => ("its probe has not told yet whether it runs".to_owned(), Verdict::Bad),
            };
            Point { section: SECTIONS[1], name, seen, verdict }
        })
    });
    all.collect()
}

fn outputs(farm: &Farm) -> Vec<Point> {
    let heard = &farm.annunciation;
    let missing = [("horn", heard.horn.is_none()), ("lamp", heard.lamp.is_none())];
    let told = missing.into_iter().filter(|(_, missing)| *missing).map(|(which, _)| Point {
        section: SECTIONS[2],
        name: which.to_owned(),
        seen: "none is configured: alarms are seen on the screen alone, and by those who are called"
            .to_owned(),
        verdict: Verdict::NotChecked,
    });
    told.collect()
}

fn links(farm: &Farm, status: &FarmStatus) -> Vec<Point> {
    let lines = farm.buses.iter().map(|own| (SECTIONS[3], "bus", own.id.as_str(), own.place()));
    let text = farm.lines.iter().map(|own| (SECTIONS[3], "line", own.id.as_str(), own.place()));
    let reached = |host: &str, port: u16| format!("{host}:{port}");
    let brokers = farm
        .brokers
        .iter()
        .map(|own| (SECTIONS[4], "broker", own.id.as_str(), reached(&own.address.host, own.address.port)));
    let destinations = farm.destinations.iter().map(|own| {
        (SECTIONS[4], "destination", own.id.as_str(), reached(&own.address.host, own.address.port))
    });
    let all = lines.chain(text).chain(brokers).chain(destinations).map(|(section, what, id, place)| {
        // A part's name ends with the id of what it is about.
        let fault = status.faults.iter().find(|own| own.part.split_whitespace().last() == Some(id));
        let (seen, verdict) = match fault {
            Some(fault) => (fault.detail.clone(), Verdict::Bad),
            None => (format!("{place}: no fault"), Verdict::Good),
        };
        Point { section, name: format!("{what} {id}"), seen, verdict }
    });
    all.collect()
}

fn clock(status: &FarmStatus, machine: &Machine) -> Point {
    let told = status.at.parse::<jiff::Timestamp>().map_or(0, jiff::Timestamp::as_second);
    let apart = (told - machine.now_s).abs();
    let kept = match machine.clock_kept {
        Some(true) => "kept right by a time server or a receiver",
        Some(false) => "NOT kept right by anything: it will drift, and a power cut may set it back",
        None => "nothing tells whether anything keeps it right",
    };
    let seen = format!("farm time {} (UTC), {apart} s from this machine's; {kept}", status.at);
    let verdict = match machine.clock_kept {
        _ if apart > CLOCK_APART_S => Verdict::Bad,
        Some(false) => Verdict::Bad,
        Some(true) | None => Verdict::Good,
    };
    Point { section: SECTIONS[5], name: "clock".to_owned(), seen, verdict }
}

fn store(farm: &Farm, status: &FarmStatus, machine: &Machine) -> Point {
    let fault =
        status.faults.iter().find(|own| own.part.starts_with("store") || own.part.starts_with("disk"));
    let free = machine
        .store_free
        .map_or_else(|| "free room not known".to_owned(), |bytes| format!("{} MB free", bytes / 1_000_000));
    let place = farm.store.path.display();
    let (seen, verdict) = match fault {
        Some(fault) => (format!("{place}: {}; {free}", fault.detail), Verdict::Bad),
        None if machine.store_free.is_some_and(|bytes| bytes < FREE_AT_LEAST) => {
            (format!("{place}: only {free}"), Verdict::Bad)
        }
        None => (format!("{place}: takes readings, {free}"), Verdict::Good),
    };
    Point { section: SECTIONS[6], name: "store".to_owned(), seen, verdict }
}

/// What a person is asked. No question has anybody step into water or near a live motor.
pub fn questions(farm: &Farm) -> Vec<Question> {
    let mut all = Vec::new();
    for probe in &farm.site.probes {
        let Some(pond) = probe.pond.and_then(|pond| farm.site.ponds.get(usize::from(pond.0))) else {
            continue;
        };
        let is_oxygen = probe.channels.iter().any(|own| own.quantity == pondreeve_core::Quantity::DoMgL);
        if is_oxygen {
            all.push(Question {
                section: SECTIONS[0],
                name: format!("{} hangs in {}", probe.id, pond.id),
                text: format!(
                    "Lift probe {} out of pond {} ({}) for a minute, from the bank. Does `pondreeve status` show oxygen \
                     change in {}, and in no other pond?",
                    probe.id, pond.id, pond.name, pond.id
                ),
                act: None,
            });
        }
    }
    for pond in &farm.site.ponds {
        for group in &pond.aerators {
            all.push(Question {
                section: SECTIONS[1],
                name: format!("group {} of {} is told right", group.id, pond.id),
                text: format!(
                    "Switch aerator group {} of pond {} ({}) off and on at its own panel, nobody in the water. Does \
                     `pondreeve status` show that group, and no other, stop and run?",
                    group.id, pond.id, pond.name
                ),
                act: None,
            });
        }
    }
    let outputs = [
        (
            farm.annunciation.horn.as_ref(),
            Act::Horn,
            "Did the horn sound just now, and is it heard where people sleep?",
        ),
        (farm.annunciation.lamp.as_ref(), Act::Lamp, "Was the lamp lit just now?"),
    ];
    for (output, act, text) in outputs {
        if let Some(output) = output {
            all.push(Question {
                section: SECTIONS[2],
                name: format!("{} \u{201c}{}\u{201d}", act.id(), output.label),
                text: text.to_owned(),
                act: Some(act),
            });
        }
    }
    all.push(Question {
        section: SECTIONS[5],
        name: "clock against a telephone".to_owned(),
        text: "Does the farm time shown above agree with a telephone, to the minute?".to_owned(),
        act: None,
    });
    all
}

/// The point that an answer makes: yes, no, or nobody said.
pub fn answered(question: &Question, carried: Option<&Result<(), String>>, answer: Option<bool>) -> Point {
    let told = match carried {
        Some(Ok(())) => "switched for a moment, confirmed; ",
        Some(Err(_)) | None => "",
    };
    let (seen, verdict) = match (carried, answer) {
        (Some(Err(why)), _) => (format!("could not be tested: {why}"), Verdict::Bad),
        (_, Some(true)) => (format!("{told}seen by a person"), Verdict::Good),
        (_, Some(false)) => (format!("{told}a person says no"), Verdict::Bad),
        (_, None) => (format!("{told}{}", question.text), Verdict::NotChecked),
    };
    Point { section: question.section, name: question.name.clone(), seen, verdict }
}
