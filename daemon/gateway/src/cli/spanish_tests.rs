//! A night of the demonstration's farm, told in Spanish: whatever a technician asks, no sentence is left in English.

use std::path::Path;

use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::diary::{Count, Dose, Entry, What};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, State, Timestamp, limit_change};

use super::plain;
use crate::audit::notes::{About, Scribe};
use crate::audit::settings::Beginning;
use crate::audit::{Note, Place};
use crate::config::Farm;
use crate::console::explanation;
use crate::console::text::FarmClock;
use crate::local::said::SaidStatus;
use crate::local::status::farm_status;
use crate::local::why::why_status;
use crate::texts::recognised::audit_field;
use crate::texts::said::translated;
use crate::texts::{Choice, Words, chosen, english, own};

/// 2026-06-15, 21:00 UTC: late afternoon at the farm.
pub(super) const AFTERNOON: Timestamp = Timestamp(1_781_557_200_000);

/// Words that stand in nearly every English sentence and in no Spanish one.
const ENGLISH: [&str; 46] = [
    "the", "of", "is", "are", "was", "were", "not", "and", "with", "for", "from", "to", "it", "if", "in",
    "at", "by", "since", "probe", "water", "until", "below", "above", "night", "reading", "oxygen", "hand",
    "has", "start", "look", "day", "when", "again", "be", "this", "that", "or", "than", "unless", "without",
    "which", "nothing", "entry", "days", "treated", "accepted",
];

pub(crate) fn spanish() -> Words {
    chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()
}

/// English words of a text, with their line. Titles of publications stand in «» as they were published.
pub(crate) fn english_in(text: &str) -> Vec<String> {
    let mut own = String::new();
    let mut depth = 0;
    for letter in text.chars() {
        match letter {
            '«' => depth += 1,
            '»' => depth -= 1,
            letter if depth == 0 || letter == '\n' => own.push(letter),
            _ => {}
        }
    }
    let is_english = |line: &str| {
        let mut words = line.split(|letter: char| !letter.is_alphanumeric() && !"_-`".contains(letter));
        // A standard such as IS 13166 is no word.
        words.any(|word| word != "IS" && ENGLISH.contains(&word.to_lowercase().as_str()))
    };
    own.lines().filter(|line| is_english(line)).map(str::to_owned).collect()
}

/// The farm and what is known of it.
struct Told {
    farm: Farm,
    state: State,
    now: Timestamp,
    seq: u64,
}

impl Told {
    fn new() -> Self {
        let demo = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo/farm.toml"));
        let farm = crate::config::load(demo).unwrap();
        let mut told = Self { farm, state: State::new(), now: AFTERNOON, seq: 0 };
        told.step(Event::Started { site: told.farm.site.clone() });
        told
    }

    fn step(&mut self, event: Event) {
        let mut event = event;
        self.state.complete(&mut event, self.now);
        self.seq += 1;
        self.state.step(&Input { seq: self.seq, at: self.now, event }, &mut Vec::new());
    }

    fn record(&mut self, pond: u16, what: What) {
        let entry = Entry { number: 0, at: self.now, corrects: None, basin: None, what };
        self.step(Event::Diary { pond: PondIndex(pond), entry, by: "ana".to_owned() });
    }

    fn enter(&mut self, quantity: Quantity, value: f64) {
        let (pond, by) = (PondIndex(0), "ana".to_owned());
        self.step(Event::ManualSample { pond, quantity, value, taken_at: None, by });
    }

    /// Everything that has a probe, each two minutes for so long, as `value` has it by the hours since it began.
    fn hours(&mut self, hours: i64, value: impl Fn(Quantity, f64) -> Option<f64>) {
        for step in 0..hours * 30 {
            self.now = self.now + Span::from_minutes(2);
            let into = step as f64 / 30.0;
            let mut samples = Vec::new();
            for (position, probe) in self.farm.site.probes.iter().enumerate() {
                let probe_index = ProbeIndex(u16::try_from(position).unwrap());
                for channel in &probe.channels {
                    if let Some(value) = value(channel.quantity, into) {
                        samples.push(Sample {
                            probe: probe_index,
                            quantity: channel.quantity,
                            value,
                            channel: None,
                            taken_at: None,
                        });
                    }
                }
            }
            self.step(Event::Sweep { samples });
        }
    }

    /// Every id that can be asked about, each told in Spanish.
    fn explained(&self) -> Vec<(String, String)> {
        let known = self.state.why("none of them").unwrap_err();
        let ids = known.ponds.into_iter().chain(known.open).chain(known.calm);
        ids.map(|id| {
            let why = why_status(&self.state.why(&id).unwrap(), &self.farm, &[], self.now);
            let clock = FarmClock::new(&why.at, why.time_zone_offset_s).read_in(spanish());
            let lines: Vec<String> =
                explanation::lines(&why, clock, 80).into_iter().map(|line| line.text).collect();
            (id, lines.join("\n"))
        })
        .collect()
    }

    fn check(&self, when: &str) {
        for (id, told) in self.explained() {
            assert_eq!(english_in(&told), Vec::<String>::new(), "{when}: why {id}\n{told}");
            assert!(!told.contains('⟨'), "{when}: why {id}\n{told}");
        }
        let farm = farm_status(&self.state.view(), &self.farm, self.now, 0);
        let told = plain::status(&farm, spanish());
        assert_eq!(english_in(&told), Vec::<String>::new(), "{when}: status\n{told}");
        assert!(!told.contains('⟨'), "{when}: status\n{told}");
    }
}

/// A pond's ordinary water, and oxygen that falls from 7 mg/L by `fall` in an hour.
pub(super) fn water(fall: f64) -> impl Fn(Quantity, f64) -> Option<f64> {
    move |quantity, hours| {
        let stir = 0.02 * (hours * 31.0).sin();
        Some(match quantity {
            Quantity::DoMgL => (7.0 - fall * hours).max(0.4) + stir,
            Quantity::TemperatureC => 29.0 - 0.1 * hours + stir,
            Quantity::Ph => 8.9 - 0.05 * hours + stir,
            Quantity::SalinityPsu => 18.0 + stir,
            Quantity::PressureHpa => 1_009.0 + stir,
            Quantity::DepthM => 1.2 + stir / 100.0,
            Quantity::AeratorOn => 1.0,
            Quantity::AeratorKw => 4.2,
            Quantity::ParUmolM2S => 10.0 + stir,
            _ => return None,
        })
    }
}

#[test]
fn a_night_s_explanations_and_status_are_in_spanish() {
    let mut told = Told::new();
    told.check("before anything came");
    told.step(Event::GatewayFault {
        part: GatewayPart::Bus,
        which: "bus0".to_owned(),
        detail: Some("/dev/ttyUSB0".to_owned()),
    });
    told.record(
        0,
        What::Dose(Dose {
            slurry_kg: Some(30.0),
            containers: Some(2.0),
            container_kg: Some(25.0),
            lot: Some("M-17".to_owned()),
            solids_percent: Some(60.0),
            density_kg_l: Some(1.53),
            is_confirmed: true,
            ..Dose::default()
        }),
    );
    let left = |left: f64| {
        What::Count(Count {
            lot: Some("M-18".to_owned()),
            left,
            delivered: None,
            container_kg: Some(25.0),
            reason: None,
        })
    };
    told.record(0, left(20.0));
    told.now = told.now + Span::from_minutes(5);
    told.record(0, left(12.0));
    told.enter(Quantity::TanMgL, 3.5);
    told.enter(Quantity::NitriteMgL, 6.0);
    told.enter(Quantity::AlkalinityMgL, 40.0);
    told.enter(Quantity::SecchiCm, 15.0);
    told.enter(Quantity::SulfideMgL, 0.5);
    told.enter(Quantity::IronMgL, 2.0);
    told.hours(5, water(0.9));
    told.check("as the oxygen falls");
    let why = told.explained();
    let of = |wanted: &str| why.iter().find(|(id, _)| id == wanted).map(|(_, told)| told.clone()).unwrap();
    insta::assert_snapshot!("why_oxygen_in_spanish", of("p1.do-low-critical"));
    insta::assert_snapshot!("why_advice_in_spanish", of("p1"));
    insta::assert_snapshot!("why_doses_in_spanish", of("p1.dose-count"));
    // An aerator stops, the oxygen sticks, the mast and a buoy fall silent.
    told.enter(Quantity::DoMgL, 5.9);
    told.hours(1, |quantity, hours| match quantity {
        Quantity::AeratorKw => Some(if hours > 0.3 { 0.0 } else { 4.2 }),
        Quantity::AeratorOn => Some(if hours > 0.3 { 0.0 } else { 1.0 }),
        Quantity::DoMgL => Some(2.5),
        Quantity::Ph => None,
        other => water(0.0)(other, hours),
    });
    told.check("as everything stops");
    told.step(Event::ProbeFault { probe: ProbeIndex(1), fault: ProbeFault::Silent });
    told.hours(2, |_, _| None);
    told.check("as nothing comes");
    told.hours(9, water(0.0));
    told.check("in the morning");
}

/// Every sentence about a fault of the gateway itself, with what it may hold: faults of the system, and each other.
fn troubles() -> Vec<String> {
    let (keys, _) = own::keys(&crate::texts::ENGLISH);
    let all = keys.iter().filter(|(key, _)| key.starts_with("trouble-"));
    let told = all.map(|(key, names)| {
        let put_in = |name: &str| match name {
            "why" | "error" | "cause" | "reason" => "Permission denied (os error 13)".to_owned(),
            "trouble" => english().get("trouble-disk-full"),
            "by" if key.starts_with("trouble-not-") => "line 4 of /dev/gpiochip0".to_owned(),
            "name" if key.starts_with("trouble-not-") => "the horn (yard)".to_owned(),
            "told" => "no answer within 400ms".to_owned(),
            "what" => english().get("trouble-reader-gone"),
            _ => "7".to_owned(),
        };
        let arguments: Vec<(&str, _)> =
            names.iter().map(|name| (name.as_str(), put_in(name).into())).collect();
        english().fill(key, &arguments)
    });
    told.collect()
}

#[test]
fn what_is_wrong_with_the_gateway_is_told_in_spanish() {
    let mut told = Told::new();
    let all = troubles();
    assert!(all.len() > 70, "{}", all.len());
    let parts = [
        GatewayPart::Store,
        GatewayPart::Bus,
        GatewayPart::Broker,
        GatewayPart::Forward,
        GatewayPart::Horn,
        GatewayPart::Call,
        GatewayPart::Machine,
        GatewayPart::Quarantine,
        GatewayPart::Clock,
    ];
    for some in all.chunks(18) {
        let fault = |told: &mut Told, place: usize, detail: Option<String>| {
            let part = parts[place % parts.len()];
            told.step(Event::GatewayFault { part, which: format!("x{place}"), detail });
        };
        for (place, detail) in some.iter().enumerate() {
            fault(&mut told, place, Some(detail.clone()));
        }
        told.check("as parts of the gateway fail");
        let status = plain::status(&farm_status(&told.state.view(), &told.farm, told.now, 0), spanish());
        assert!(status.matches("Equipo:").count() >= some.len(), "{status}");
        for place in 0..some.len() {
            fault(&mut told, place, None);
        }
        told.check("as they are well again");
    }
}

#[test]
fn refused_limits_are_named_in_spanish() {
    let limits = pondreeve_core::site::Limits::grow_out();
    let mut refused = 0;
    for key in limit_change::keys() {
        for value in [-1.0, 0.3, 3.5, 9_999.0] {
            let Err(why) = limit_change::changed(&limits, key, value) else { continue };
            let told = translated(spanish(), &SaidStatus::from(&why));
            assert_eq!(english_in(&told), Vec::<String>::new(), "{told}");
            assert!(!told.contains('⟨') && !told.contains(key), "{told}");
            assert!(!told.contains(limit_change::name_of(key)) || told.contains("pH"), "{told}");
            refused += 1;
        }
    }
    assert!(refused > 60, "{refused}");
}

/// What people do and what the gateway does to itself, as the audit trail has it, in English as ever, and as it is shown.
#[test]
fn the_audit_trail_is_shown_in_spanish_and_kept_as_it_was() {
    let mut told = Told::new();
    let beginning = Beginning {
        begins: Some("a new store".to_owned()),
        version_before: Some("0.0.1".to_owned()),
        ..Beginning::default()
    };
    let mut scribe = Scribe::new(told.farm.time_zone.clone(), beginning);
    let by = || "ana".to_owned();
    let alarm = || "p1.do-low-critical".to_owned();
    let step = |step| Event::Service { probe: ProbeIndex(0), step, by: by() };
    let quantity = Quantity::DoMgL;
    let entry = Entry {
        number: 4,
        at: told.now,
        corrects: Some(3),
        basin: None,
        what: What::Note { words: "aguaje".to_owned() },
    };
    let fault = |part, detail: &str| Event::GatewayFault {
        part,
        which: String::new(),
        detail: Some(detail.to_owned()),
    };
    let limit = |value| Event::LimitChange {
        pond: PondIndex(0),
        key: "do_low_mg_l.critical".to_owned(),
        value,
        reason: "lo pide el asesor".to_owned(),
        by: by(),
    };
    let carried = |what, outcome| Event::Carried { what, outcome };
    let call = || Carried::Call { step: "turno".to_owned(), asked_at: AFTERNOON };
    let events = vec![
        Event::Started { site: told.farm.site.clone() },
        Event::ManualSample { pond: PondIndex(0), quantity, value: 5.5, taken_at: Some(told.now), by: by() },
        step(Step::Begin { length: Span::from_minutes(30) }),
        step(Step::Before { quantity, hand: Some(5.1), reading: Some(5.4) }),
        step(Step::Cleaned),
        step(Step::After { quantity, hand: None, reading: Some(5.2) }),
        step(Step::Standard { quantity, expected: 8.0, reading: Some(7.9), millivolts: Some(12.0) }),
        step(Step::End),
        Event::Diary { pond: PondIndex(0), entry, by: by() },
        limit(Some(0.3)),
        limit(Some(3.2)),
        limit(None),
        Event::Acknowledge { alarm: alarm(), by: by() },
        Event::Shelve {
            alarm: alarm(),
            length: Span::from_minutes(30),
            reason: "prueba".to_owned(),
            by: by(),
        },
        Event::Unshelve { alarm: alarm(), by: by() },
        Event::Reset { alarm: alarm(), by: by() },
        fault(GatewayPart::Clock, &english().get("trouble-given-up")),
        fault(GatewayPart::Store, &english().get("trouble-writer-gone")),
        carried(Carried::HornTest, Outcome::Done),
        carried(call(), Outcome::Failed("it ended with exit status: 1".to_owned())),
        Event::ClockStepped { from: told.now, to: told.now + Span::from_minutes(3) },
        Event::Stopped,
    ];
    let mut notes = Vec::new();
    for event in events {
        let mut event = event;
        told.now = told.now + Span::from_minutes(1);
        told.state.complete(&mut event, told.now);
        told.seq += 1;
        let input = Input { seq: told.seq, at: told.now, event };
        let mut effects = Vec::new();
        told.state.step(&input, &mut effects);
        let about = About { site: &told.farm.site, effects: &effects, place: Place::Console, views: None };
        notes.extend(scribe.notes(&input, &about));
    }
    let kept =
        |note: &Note| [&note.action, &note.object, &note.old, &note.new, &note.reason].map(String::clone);
    let english: Vec<String> = notes.iter().map(|note| kept(note).join(" | ")).collect();
    let shown: Vec<String> =
        notes.iter().map(|note| kept(note).map(|field| audit_field(spanish(), &field)).join(" | ")).collect();
    insta::assert_snapshot!("audit_trail_as_kept", english.join("\n"));
    insta::assert_snapshot!("audit_trail_in_spanish", shown.join("\n"));
    for line in &shown {
        assert_eq!(english_in(line), Vec::<String>::new(), "{line}");
    }
}
