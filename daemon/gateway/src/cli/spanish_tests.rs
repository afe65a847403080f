//! A night of the demonstration's farm, told in Spanish: whatever a technician asks, no sentence is left in English.

use std::path::Path;

use pondreeve_core::diary::{Count, Dose, Entry, What};
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Span, State, Timestamp};

use super::plain;
use crate::config::Farm;
use crate::console::explanation;
use crate::console::text::FarmClock;
use crate::local::status::farm_status;
use crate::local::why::why_status;
use crate::texts::{Choice, Words, chosen};

/// 2026-06-15, 21:00 UTC: late afternoon at the farm.
const AFTERNOON: Timestamp = Timestamp(1_781_557_200_000);

/// Words that stand in nearly every English sentence and in no Spanish one.
const ENGLISH: [&str; 32] = [
    "the", "of", "is", "are", "was", "were", "not", "and", "with", "for", "from", "to", "it", "if", "in",
    "at", "by", "since", "probe", "water", "until", "below", "above", "night", "reading", "oxygen", "hand",
    "has", "start", "look", "day", "when",
];

fn spanish() -> Words {
    chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()
}

/// English words of a text, with their line.
pub(crate) fn english_in(text: &str) -> Vec<String> {
    let is_english = |line: &str| {
        let mut words = line.split(|letter: char| !letter.is_alphanumeric() && !"_-`".contains(letter));
        // A standard such as IS 13166 is no word.
        words.any(|word| word != "IS" && ENGLISH.contains(&word.to_lowercase().as_str()))
    };
    text.lines().filter(|line| is_english(line)).map(str::to_owned).collect()
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
            let mut why = why_status(&self.state.why(&id).unwrap(), &self.farm, &[], self.now);
            // Who published a limit is told as the table of limits has it.
            why.limit_source = None;
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
fn water(fall: f64) -> impl Fn(Quantity, f64) -> Option<f64> {
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
