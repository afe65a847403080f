//! An explanation as it is said over the socket.

use pondreeve_chemistry::formulas::Formula;
use pondreeve_core::Timestamp;
use pondreeve_core::limit_change::LimitChange;
use pondreeve_core::why::{Why, Witness, Worked};
use serde::{Deserialize, Serialize};

use super::limits::source;
use super::said::SaidStatus;
use super::status::rfc3339;
use crate::config::Farm;

/// Why an alarm stands or does not, or what a pond's advice rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WhyStatus {
    /// What was asked about.
    pub id: String,
    /// Farm time now.
    pub at: String,
    /// Offset of the farm's local time from UTC, seconds.
    pub time_zone_offset_s: i32,
    /// Pond id, if it is about one.
    pub pond: Option<String>,
    /// Its name.
    pub name: String,
    /// 1 critical, 2 high, 3 medium; of an alarm.
    pub priority: Option<u8>,
    /// State of an alarm.
    pub state: Option<String>,
    /// Since when it stands.
    pub since: Option<String>,
    /// What it says now.
    pub says: String,
    /// What makes it true.
    pub raised_when: String,
    /// What would clear it.
    pub clears_when: String,
    /// Where its limit comes from.
    pub limit_source: Option<String>,
    /// The readings that count.
    pub inputs: Vec<InputStatus>,
    /// The formulas with the numbers put in.
    pub formulas: Vec<WorkedStatus>,
    /// What the forecast assumed.
    pub forecast: Vec<String>,
    /// Sensor or water.
    pub verdict: Option<VerdictStatus>,
    /// Whether somebody may have to go out to the water.
    pub at_the_water: bool,
    /// What the sentences are made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Box<WhySaid>>,
}

/// The sentences of an explanation with what they are made of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WhySaid {
    /// Its name; of an alarm in English alone, since its id tells it.
    pub name: SaidStatus,
    /// What it says now.
    pub says: SaidStatus,
    /// What makes it true.
    pub raised_when: SaidStatus,
    /// What would clear it.
    pub clears_when: SaidStatus,
    /// Of each formula the numbers, what it was applied to, who published it.
    pub formulas: Vec<(SaidStatus, Option<SaidStatus>, Option<SaidStatus>)>,
    /// What the forecast assumed.
    pub forecast: Vec<SaidStatus>,
    /// What the clues say together, and each of them.
    pub verdict: Option<(SaidStatus, Vec<SaidStatus>)>,
}

/// A reading that counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputStatus {
    /// Quantity id.
    pub quantity: String,
    /// Unit as a person reads it.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// Probe id; absent for what a person entered.
    pub probe: Option<String>,
    /// The value, if there is one that may warn.
    pub value: Option<f64>,
    /// QARTOD flag.
    pub flag: u8,
    /// Tests that disliked it: name, flag, what that says.
    pub disliked: Vec<(String, u8, String)>,
    /// When it was measured.
    pub at: Option<String>,
    /// Its age, seconds.
    pub age_s: Option<i64>,
}

/// A formula with its numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkedStatus {
    /// The numbers.
    pub text: String,
    /// The formula.
    pub formula: Option<String>,
    /// Who published it.
    pub source: Option<String>,
    /// What it was applied to.
    pub of: Option<String>,
}

/// What the clues say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerdictStatus {
    /// Probe id.
    pub probe: String,
    /// `probe`, `water` or `unsure`.
    pub leaning: String,
    /// In words.
    pub line: String,
    /// Above zero speaks for a fault of the probe, below for the water.
    pub score: i16,
    /// Each clue: kind, what was noticed, points.
    pub clues: Vec<(String, String, i16)>,
    /// What to do.
    pub what_to_do: String,
}

/// As the socket tells it.
pub fn why_status(why: &Why, farm: &Farm, changes: &[LimitChange], now: Timestamp) -> WhyStatus {
    let instant = jiff::Timestamp::from_millisecond(now.as_millis()).unwrap_or_default();
    let pond = why.pond.and_then(|pond| farm.site.ponds.get(usize::from(pond.0)));
    let source = why.limit_key.zip(why.pond).and_then(|(key, pond)| source(farm, changes, pond, key));
    WhyStatus {
        id: why.id.clone(),
        at: rfc3339(now),
        time_zone_offset_s: farm.time_zone.to_offset(instant).seconds(),
        pond: pond.map(|pond| pond.id.clone()),
        name: why.name.english().to_owned(),
        priority: why.alarm.map(|(priority, _)| priority.number()),
        state: why.alarm.map(|(_, state)| state.id().to_owned()),
        since: why.since.map(rfc3339),
        says: why.says.english().to_owned(),
        raised_when: why.raised_when.english().to_owned(),
        clears_when: why.clears_when.english().to_owned(),
        limit_source: source,
        inputs: why.inputs.iter().map(|witness| input(witness, now)).collect(),
        formulas: why.worked.iter().map(worked).collect(),
        forecast: why.forecast.iter().map(|line| line.english().to_owned()).collect(),
        verdict: why.verdict.map(|verdict| VerdictStatus {
            probe: farm
                .site
                .probes
                .get(usize::from(verdict.probe.0))
                .map_or_else(String::new, |probe| probe.id.clone()),
            leaning: verdict.leaning().id().to_owned(),
            line: verdict.line().into(),
            score: verdict.score,
            clues: verdict
                .clues()
                .map(|clue| {
                    let kind = clue.sign.kind().says().to_owned();
                    (kind, clue.sign.says(verdict.quantity).into(), clue.points)
                })
                .collect(),
            what_to_do: verdict.leaning().what_to_do().to_owned(),
        }),
        at_the_water: why.at_the_water,
        said: Some(Box::new(said(why))),
    }
}

fn said(why: &Why) -> WhySaid {
    let formula = |worked: &Worked| {
        let source = worked.formula.map(|formula| SaidStatus {
            key: source_key(formula),
            english: formula.source.to_owned(),
            with: Vec::new(),
        });
        ((&worked.text).into(), worked.method.as_ref().map(SaidStatus::from), source)
    };
    WhySaid {
        name: (&why.name).into(),
        says: (&why.says).into(),
        raised_when: (&why.raised_when).into(),
        clears_when: (&why.clears_when).into(),
        formulas: why.worked.iter().map(formula).collect(),
        forecast: why.forecast.iter().map(SaidStatus::from).collect(),
        verdict: why.verdict.map(|verdict| {
            let clues = verdict.clues().map(|clue| (&clue.sign.says(verdict.quantity)).into());
            ((&verdict.line()).into(), clues.collect())
        }),
    }
}

/// Key of who published a formula, in the catalogue.
pub(crate) fn source_key(formula: &Formula) -> String {
    format!("source-{}", formula.id.replace('_', "-"))
}

fn input(witness: &Witness, now: Timestamp) -> InputStatus {
    InputStatus {
        quantity: witness.quantity.id().to_owned(),
        unit: witness.quantity.unit().to_owned(),
        decimals: witness.quantity.decimals(),
        probe: witness.probe.clone(),
        value: witness.value,
        flag: witness.flag.code(),
        disliked: witness
            .disliked
            .iter()
            .map(|(test, flag)| (test.id().to_owned(), flag.code(), test.complaint().to_owned()))
            .collect(),
        at: witness.at.map(rfc3339),
        age_s: witness.at.map(|at| (now - at).as_millis().max(0) / 1_000),
    }
}

fn worked(worked: &Worked) -> WorkedStatus {
    WorkedStatus {
        text: worked.text.english().to_owned(),
        formula: worked.formula.map(|formula| formula.formula.to_owned()),
        source: worked.formula.map(|formula| formula.source.to_owned()),
        of: worked.method.as_ref().map(|of| of.english().to_owned()),
    }
}
