//! What is noted of an input: the one place that decides it.
//!
//! Noted is whatever a person does, whatever changes what alarms rest on, and whatever the gateway does to its clock,
//! its store and itself. Not noted are readings and what follows from them alone: the journal keeps those.

use jiff::tz::TimeZone;
use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::effect::{AlarmState, ServiceNews};
use pondreeve_core::evidence::Trial;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::limit_change::is_low_oxygen;
use pondreeve_core::said::said;
use pondreeve_core::service::{Adjustment, Step};
use pondreeve_core::site::{PondIndex, ProbeIndex, Site};
use pondreeve_core::view::FarmView;
use pondreeve_core::{Effect, Event, Input, Timestamp};

use super::settings::Beginning;
use super::{Note, Place};
use crate::local::status::rfc3339;

/// Writes notes for one farm.
#[derive(Debug)]
pub struct Scribe {
    zone: TimeZone,
    /// The user that this process runs as.
    user: String,
    /// What there is to note of the start, until it is.
    beginning: Option<Beginning>,
}

/// What an input is about, beside itself.
#[derive(Debug, Clone, Copy)]
pub struct About<'a> {
    /// The farm in force.
    pub site: &'a Site,
    /// What the core made of the input.
    pub effects: &'a [Effect],
    /// Where it came from.
    pub place: Place,
    /// The farm before and after it, where [`looks_at_probes`] asks for that.
    pub views: Option<(&'a FarmView, &'a FarmView)>,
}

/// Whether the notes of an event need the probes' adjustments before and after.
pub fn looks_at_probes(event: &Event) -> bool {
    matches!(event, Event::Service { step: Step::Adopt | Step::End, .. })
}

/// What is done, to what, from what, to what, why.
struct Said {
    action: &'static str,
    object: String,
    old: String,
    new: String,
    reason: String,
}

fn said(action: &'static str, object: impl Into<String>) -> Said {
    Said { action, object: object.into(), old: String::new(), new: String::new(), reason: String::new() }
}

impl Said {
    fn was(mut self, old: impl Into<String>) -> Self {
        self.old = old.into();
        self
    }

    fn now(mut self, new: impl Into<String>) -> Self {
        self.new = new.into();
        self
    }

    fn reason(mut self, reason: impl Into<String>) -> Self {
        self.reason = reason.into();
        self
    }
}

impl Scribe {
    /// For a farm whose clocks run by `zone`.
    pub fn new(zone: TimeZone, beginning: Beginning) -> Self {
        Self { zone, user: process_user(), beginning: Some(beginning) }
    }

    /// The settings to be kept with the start, before its notes are written.
    pub fn settings(&self) -> Option<&str> {
        self.beginning.as_ref().map(|beginning| beginning.settings.as_str())
    }

    /// What is noted of an input; mostly nothing.
    pub fn notes(&mut self, input: &Input, about: &About<'_>) -> Vec<Note> {
        let mut notes = self.of_time(about.site, about.effects);
        let probe = |index: ProbeIndex| probe_id(about.site, index);
        let (by, told) = match &input.event {
            Event::Sweep { .. }
            | Event::ProbeFault { .. }
            | Event::ProbeSetting { .. }
            | Event::NodeSaid { .. }
            | Event::Tick => return notes,
            Event::Started { .. } => (None, self.beginning.take().map(started).unwrap_or_default()),
            Event::SiteChanged { .. } => (None, vec![said("configuration", "while running")]),
            Event::Stopped => (None, vec![said("stop", "pondreeve").was(env!("CARGO_PKG_VERSION"))]),
            Event::ManualSample { pond, quantity, value, taken_at, by } => {
                let object = format!("{}/{}", pond_id(about.site, *pond), quantity.id());
                let sampled: Option<String> =
                    taken_at.map(|at| said!("audit-sampled", "sampled {at}", at = rfc3339(at)).into());
                (
                    Some(by),
                    vec![
                        said("hand reading", object)
                            .now(value.to_string())
                            .reason(sampled.unwrap_or_default()),
                    ],
                )
            }
            Event::Service { probe: index, step, by } => {
                let mut told = vec![service(&probe(*index), step)];
                told.extend(adjusted(&probe(*index), *index, about.views));
                (Some(by), told)
            }
            Event::Diary { pond, entry, by } => {
                let object = said!(
                    "audit-entry-of",
                    "{pond}/entry {number}",
                    pond = pond_id(about.site, *pond),
                    number = entry.number.to_string()
                );
                let corrected =
                    |number: u64| said!("audit-entry", "entry {number}", number = number.to_string());
                let old: String = entry.corrects.map(|number| corrected(number).into()).unwrap_or_default();
                let told = said("diary", object).was(old).now(crate::local::diary::line(entry));
                let at = rfc3339(entry.at);
                let why = match &entry.what {
                    pondreeve_core::diary::What::Dose(dose) => dose.reason.as_ref(),
                    _ => None,
                };
                let happened = match why {
                    Some(why) => {
                        said!("audit-happened-why", "happened {at}; why: {why}", at = at, why = why)
                    }
                    None => said!("audit-happened", "happened {at}", at = at),
                };
                (Some(by), vec![told.reason(happened)])
            }
            Event::Trial { trial, by } => (Some(by), vec![fixed(trial)]),
            Event::LimitChange { pond, key, value, reason, by } => {
                let word = if is_low_oxygen(key) { "low-oxygen limit" } else { "limit" };
                let told = said(word, format!("{}/{key}", pond_id(about.site, *pond))).reason(reason.clone());
                let change = about.effects.iter().find_map(|effect| match effect {
                    Effect::LimitChanged(change) => Some(change),
                    _ => None,
                });
                let told = match (change, value) {
                    (Some(change), None) => {
                        let new = change.new.to_string();
                        let new = said!("audit-as-configured", "{value} as configured", value = new);
                        told.was(change.old.to_string()).now(new)
                    }
                    (Some(change), Some(_)) => told.was(change.old.to_string()).now(change.new.to_string()),
                    (None, value) => told.now(value.map(|value| value.to_string()).unwrap_or_default()),
                };
                (Some(by), vec![told])
            }
            Event::Acknowledge { alarm, by } => {
                (Some(by), vec![on_alarm("acknowledge", alarm, about.effects)])
            }
            Event::Shelve { alarm, reason, by, .. } => {
                let told = on_alarm("shelve", alarm, about.effects);
                let until = about.effects.iter().find_map(|effect| match effect {
                    Effect::AlarmChanged(change) if change.id == *alarm => change.shelf.as_ref(),
                    _ => None,
                });
                let told = match until {
                    Some(shelf) => {
                        let until = rfc3339(shelf.until);
                        told.now(said!("audit-shelved-until", "shelved until {until}", until = until))
                    }
                    None => told,
                };
                (Some(by), vec![told.reason(reason.clone())])
            }
            Event::Unshelve { alarm, by } => (Some(by), vec![on_alarm("unshelve", alarm, about.effects)]),
            Event::Reset { alarm, by } => (Some(by), vec![on_alarm("reset", alarm, about.effects)]),
            Event::GatewayFault { part, which, detail } => (None, own_fault(*part, which, detail.as_deref())),
            Event::Carried { what, outcome } => (None, vec![carried(what, outcome)]),
            Event::ClockStepped { from, to } => {
                let by_ms = to.as_millis().saturating_sub(from.as_millis());
                let told = said("clock step", "wall clock").was(rfc3339(*from)).now(rfc3339(*to));
                let seconds = format!("{:.1}", by_ms as f64 / 1_000.0);
                (None, vec![told.reason(said!("audit-by-seconds", "by {seconds} s", seconds = seconds))])
            }
        };
        let refused = about.effects.iter().find_map(|effect| match effect {
            Effect::Refused { reason, .. } => Some(reason),
            _ => None,
        });
        let told = told.into_iter().map(|told| match refused {
            Some(reason) => Said { new: "refused".to_owned(), reason: reason.english().to_owned(), ..told },
            None => told,
        });
        notes.extend(told.map(|told| self.note(input.at, by.map(String::as_str), about.place, told)));
        notes
    }

    /// What is noted of the passing of time: a probe that nobody put back comes back by itself, and so does
    /// a shelved alarm.
    pub fn of_time(&self, site: &Site, effects: &[Effect]) -> Vec<Note> {
        let told = effects.iter().filter_map(|effect| match effect {
            Effect::Service(change) if change.by.is_none() && matches!(change.what, ServiceNews::Back) => {
                let told = said("return to service", probe_id(site, change.probe)).was("out of service");
                let why = said!("audit-back-by-itself", "by itself: its time out of service was over");
                let told = told.now("in service").reason(why);
                Some((change.at, told))
            }
            Effect::AlarmChanged(change)
                if change.previous_state == AlarmState::Shelved && change.by.is_none() =>
            {
                let told = said("unshelve", change.id.clone()).was("shelved").now(change.state.id());
                let why = said!("audit-unshelved-by-itself", "by itself: its time on the shelf was over");
                Some((change.at, told.reason(why)))
            }
            _ => None,
        });
        told.map(|(at, told)| self.note(at, None, Place::Daemon, told)).collect()
    }

    fn note(&self, at: Timestamp, by: Option<&str>, place: Place, told: Said) -> Note {
        let Said { action, object, old, new, reason } = told;
        let user = by.map_or_else(|| self.user.clone(), str::to_owned);
        Note {
            at,
            local: local_time(at, &self.zone),
            user,
            place,
            action: action.to_owned(),
            object,
            old,
            new,
            reason,
        }
    }
}

/// RFC 3339 with the farm's offset.
pub fn local_time(at: Timestamp, zone: &TimeZone) -> String {
    let at = jiff::Timestamp::from_millisecond(at.as_millis()).unwrap_or_default();
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// The name of the user that this process runs as, or the number.
pub fn process_user() -> String {
    let uid = nix::unistd::geteuid();
    match nix::unistd::User::from_uid(uid) {
        Ok(Some(user)) => user.name,
        _ => format!("user {uid}"),
    }
}

fn started(beginning: Beginning) -> Vec<Said> {
    let Beginning { begins, version_before, changes, salvaged, settings: _ } = beginning;
    let version = env!("CARGO_PKG_VERSION");
    let mut told = Vec::new();
    if let Some(reason) = begins {
        told.push(said("trail begins", "store").reason(reason));
    }
    told.push(said("start", "pondreeve").now(version));
    if let Some(before) = version_before.filter(|before| before != version) {
        told.push(said("software version", "pondreeve").was(before).now(version));
    }
    if let Some(salvaged) = salvaged {
        told.push(said("store", "salvage").now("made from another").reason(salvaged));
    }
    for change in changes {
        let action = if change.is_low_oxygen { "low-oxygen limit" } else { "setting" };
        told.push(said(action, change.key).was(change.old).now(change.new));
    }
    told
}

/// A trial in one line, so that a later one can be held against it.
fn fixed(trial: &Trial) -> Said {
    let number =
        |number: u64| String::from(said!("audit-trial", "trial {number}", number = number.to_string()));
    let told = said!(
        "audit-trial-plan",
        "{treated} against {control}, {outcome} should {wanted}, {method}, {from} to {to}, at least {before} days before and {after} after, ponds chosen by {chosen_by}",
        treated = &trial.treated,
        control = &trial.control,
        outcome = trial.outcome.id(),
        wanted = trial.wanted.id(),
        method = trial.method.id(),
        from = rfc3339(trial.from),
        to = rfc3339(trial.to),
        before = trial.days_before.to_string(),
        after = trial.days_after.to_string(),
        chosen_by = &trial.chosen_by
    );
    let told = match trial.is_late {
        true => said!("audit-trial-late", "{trial}, chosen after the first dose", trial = told),
        false => told,
    };
    said("trial", number(trial.number))
        .was(trial.replaces.map(number).unwrap_or_default())
        .now(told)
        .reason(trial.reason.clone())
}

fn on_alarm(action: &'static str, alarm: &str, effects: &[Effect]) -> Said {
    let change = effects.iter().find_map(|effect| match effect {
        Effect::AlarmChanged(change) if change.id == alarm => Some(change),
        _ => None,
    });
    let told = said(action, alarm);
    match change {
        Some(change) => told.was(change.previous_state.id()).now(change.state.id()),
        None => told,
    }
}

fn service(probe: &str, step: &Step) -> Said {
    match step {
        Step::Begin { length } => {
            said("out of service", probe).was("in service").now("out of service").reason(said!(
                "audit-returns",
                "returns by itself after {minutes} min",
                minutes = (length.as_millis() / 60_000).to_string()
            ))
        }
        Step::End => said("return to service", probe).was("out of service").now("in service"),
        Step::Cleaned => said("service step", probe).now("cleaned"),
        Step::Adopt => said("service step", probe).now("adopt the adjustment"),
        Step::Before { quantity, hand, reading } | Step::After { quantity, hand, reading } => {
            let read = match step {
                Step::Before { .. } => said!("audit-read-before", "read before cleaning"),
                _ => said!("audit-read-after", "read after cleaning"),
            };
            said("service step", format!("{probe}/{}", quantity.id()))
                .now(read)
                .reason(values(*hand, *reading, None))
        }
        Step::Standard { quantity, expected, reading, millivolts } => {
            let standard = expected.to_string();
            said("service step", format!("{probe}/{}", quantity.id()))
                .now(said!("audit-read-standard", "read in a standard of {standard}", standard = standard))
                .reason(values(None, *reading, *millivolts))
        }
    }
}

/// What was read of whom.
fn values(hand: Option<f64>, reading: Option<f64>, millivolts: Option<f64>) -> String {
    let text = |value: f64| value.to_string();
    let (hand, reading, millivolts) = (hand.map(text), reading.map(text), millivolts.map(text));
    let told = match (hand, reading, millivolts) {
        (Some(hand), None, _) => said!("audit-by-hand", "by hand {hand}", hand = hand),
        (None, Some(reading), None) => said!("audit-by-probe", "by the probe {reading}", reading = reading),
        (Some(hand), Some(reading), _) => said!(
            "audit-by-hand-and-probe",
            "by hand {hand}, by the probe {reading}",
            hand = hand,
            reading = reading
        ),
        (None, Some(reading), Some(millivolts)) => said!(
            "audit-by-probe-mv",
            "by the probe {reading}, mV {millivolts}",
            reading = reading,
            millivolts = millivolts
        ),
        (None, None, Some(millivolts)) => return format!("mV {millivolts}"),
        (None, None, None) => return String::new(),
    };
    told.into()
}

/// Adjustments of a probe that are not what they were.
fn adjusted(probe: &str, index: ProbeIndex, views: Option<(&FarmView, &FarmView)>) -> Vec<Said> {
    let Some((before, after)) = views else { return Vec::new() };
    let channels = |view: &FarmView| {
        let own = view.probes.iter().find(|own| own.probe == index);
        own.map(|own| own.channels.iter().map(|one| (one.quantity, one.adjustment)).collect::<Vec<_>>())
            .unwrap_or_default()
    };
    let (before, after) = (channels(before), channels(after));
    let words = |own: Adjustment| {
        let (gain, shift) = (own.gain.to_string(), own.shift.to_string());
        said!("audit-adjustment", "gain {gain} shift {shift}", gain = gain, shift = shift)
    };
    let changed = after.into_iter().filter_map(|(quantity, new)| {
        let old =
            before.iter().find(|(known, _)| *known == quantity).map_or(Adjustment::default(), |own| own.1);
        let object = format!("{probe}/{}", quantity.id());
        (old != new).then(|| said("calibration", object).was(words(old)).now(words(new)))
    });
    changed.collect()
}

/// A call of a person, or the horn's test.
fn carried(what: &Carried, outcome: &Outcome) -> Said {
    let told = match what {
        Carried::HornTest => said("horn test", "horn"),
        Carried::Call { step, asked_at } => {
            said("call", step.as_str()).was(said!("audit-asked", "asked {at}", at = rfc3339(*asked_at)))
        }
    };
    match outcome {
        Outcome::Done => told.now("done"),
        Outcome::LeftOut(why) => told.now("left out").reason(why.clone()),
        Outcome::Failed(why) => told.now("failed").reason(why.clone()),
    }
}

/// Of the gateway's own faults: what became of the store, of the clock, and inputs that were set aside.
fn own_fault(part: GatewayPart, which: &str, detail: Option<&str>) -> Vec<Said> {
    let (action, object) = match part {
        GatewayPart::Store => ("store", if which.is_empty() { "keeping" } else { which }),
        GatewayPart::Clock => ("clock", "trust"),
        GatewayPart::Quarantine => ("input set aside", which),
        GatewayPart::Horn => ("horn", if which.is_empty() { "sound" } else { which }),
        GatewayPart::Call => ("calling", which),
        GatewayPart::Machine => ("machine", which),
        GatewayPart::Bus | GatewayPart::Broker | GatewayPart::Forward => return Vec::new(),
    };
    vec![
        said(action, object)
            .now(if detail.is_some() { "fault" } else { "over" })
            .reason(detail.unwrap_or("")),
    ]
}

fn pond_id(site: &Site, index: PondIndex) -> String {
    site.ponds.get(usize::from(index.0)).map_or_else(|| format!("pond {}", index.0), |pond| pond.id.clone())
}

fn probe_id(site: &Site, index: ProbeIndex) -> String {
    site.probes
        .get(usize::from(index.0))
        .map_or_else(|| format!("probe {}", index.0), |probe| probe.id.clone())
}
