//! Did it help? What the evidence says of a treated pond beside its control, as the report tells it.
//!
//! The figures are made elsewhere; here is only the form in which they are told, and the wording levels.

use jiff::civil::Date;
use pondreeve_core::said::said;
use serde::Serialize;

use crate::local::evidence::{
    DayStatus, DifferedStatus, EffectStatus, EvidenceSaid, EvidenceStatus, PeriodStatus,
};
use crate::local::said::{PutInStatus, SaidStatus};

/// What is known of a treatment.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub enum DidItHelp {
    /// No trial was fixed before the first dose, so nothing can be said, whatever the plots look like.
    #[default]
    NoTrial,
    /// What each trial came to.
    Trials(Vec<Trial>),
}

/// How strongly something may be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wording {
    /// The interval spans zero, data have gaps, or no interval can be computed.
    NotEnoughEvidence,
    /// The right sign, an interval without zero, confounders balanced, one pair.
    ConsistentWithAnEffect,
    /// Three pairs or crops and more with the same sign.
    Supported,
    /// The other sign, with an interval without zero.
    Contradicted,
}

impl Wording {
    /// Key of its words.
    pub const fn key(self) -> &'static str {
        match self {
            Self::NotEnoughEvidence => "wording-not-enough",
            Self::ConsistentWithAnEffect => "wording-consistent",
            Self::Supported => "wording-supported",
            Self::Contradicted => "wording-contradicted",
        }
    }
}

/// An estimate with its interval of 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Effect {
    /// Its size, in the unit of the outcome.
    pub estimate: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What one outcome of one trial came to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Pond id.
    pub treated: String,
    /// Pond id.
    pub control: String,
    /// Id of what was to change, as fixed before the first dose.
    pub outcome: String,
    /// Id of how it is compared.
    pub compared: String,
    /// Both in English, for what the page has no words for.
    pub words: String,
    /// Unit of the outcome.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// Size of the change and its interval; absent where none can be computed.
    pub effect: Option<Effect>,
    /// What the usual test says, which takes days for independent: shown, never acted on.
    pub usual: Option<Effect>,
    /// What may be said.
    pub wording: Wording,
    /// Why no more.
    pub reasons: Vec<SaidStatus>,
    /// Days with a value of both ponds, before and after.
    pub days_known: [usize; 2],
    /// Days that could not be used.
    pub days_lost: usize,
    /// What else differed between the ponds, or was done to one of them.
    pub confounders: Vec<SaidStatus>,
    /// Who chose the control.
    pub chosen_by: String,
    /// How it was worked out, with sources.
    pub method: Vec<SaidStatus>,
    /// Said beside a result of a single pair; empty where there are several.
    pub caution: SaidStatus,
    /// Outcome of the treated pond by day.
    pub treated_days: Vec<(Date, f64)>,
    /// Outcome of its control.
    pub control_days: Vec<(Date, f64)>,
}

impl Wording {
    /// By the id that the daemon tells; what it does not know says the least.
    fn of(level: &str) -> Self {
        match level {
            "consistent_with_an_effect" => Self::ConsistentWithAnEffect,
            "supported" => Self::Supported,
            "contradicted" => Self::Contradicted,
            _ => Self::NotEnoughEvidence,
        }
    }
}

impl From<&EffectStatus> for Effect {
    fn from(told: &EffectStatus) -> Self {
        Self { estimate: told.estimate, low: told.low, high: told.high }
    }
}

impl From<&EvidenceStatus> for Trial {
    fn from(told: &EvidenceStatus) -> Self {
        let own = &told.trial;
        // A daemon that does not say what its sentences are made of is told as it speaks.
        let said = told.said.as_deref();
        let all = |english: &[String], of: fn(&EvidenceSaid) -> &Vec<SaidStatus>| -> Vec<SaidStatus> {
            said.map_or_else(|| english.iter().map(|own| plain(own)).collect(), |said| of(said).clone())
        };
        let mut reasons = all(&told.reasons, |said| &said.reasons);
        reasons.extend(told.earlier.iter().map(|before| {
            let trial = before.trial.to_string();
            SaidStatus::from(&said!(
                "evidence-took-place",
                "it took the place of trial {trial}, fixed on {day}",
                trial = trial,
                day = &before.fixed_at
            ))
        }));
        let whys: Vec<String> = told.doses_lost.iter().map(|lost| lost.why.clone()).collect();
        let whys = all(&whys, |said| &said.doses_lost);
        reasons.extend(told.doses_lost.iter().zip(whys).map(|(lost, why)| SaidStatus {
            key: "evidence-dose-lost".to_owned(),
            english: format!("the dose of {} does not count: {}", lost.day, lost.why),
            with: vec![
                ("day".to_owned(), PutInStatus::Text(lost.day.clone())),
                ("why".to_owned(), PutInStatus::Said(why)),
            ],
        }));
        reasons.extend(told.together.iter().map(|all| {
            let numbers: Vec<String> = all.trials.iter().map(ToString::to_string).collect();
            let level = SaidStatus {
                key: format!("level-{}", all.level.replace('_', "-")),
                english: all.verdict.clone(),
                with: Vec::new(),
            };
            SaidStatus {
                key: "evidence-together".to_owned(),
                english: format!("trials {} together: {}", numbers.join(", "), all.verdict),
                with: vec![
                    ("trials".to_owned(), PutInStatus::Text(numbers.join(", "))),
                    ("level".to_owned(), PutInStatus::Said(level)),
                ],
            }
        }));
        let factors: Vec<String> = told.differed.iter().map(|own| own.words.clone()).collect();
        let factors = all(&factors, |said| &said.differed);
        let unlike = told.differed.iter().zip(factors).filter(|(own, _)| own.balanced != Some(true));
        let unlike = unlike.map(|(own, factor)| differed(own, factor));
        let lost = |period: &PeriodStatus| period.days.saturating_sub(period.known);
        Self {
            treated: own.treated.clone(),
            control: own.control.clone(),
            outcome: own.outcome.clone(),
            compared: own.method.clone(),
            words: format!("{} ({})", own.outcome_words, own.method_words),
            unit: told.unit.clone(),
            decimals: told.decimals,
            effect: told.effect.as_ref().map(Effect::from),
            usual: told.usual.as_ref().map(Effect::from),
            wording: Wording::of(&told.level),
            reasons,
            days_known: [told.before.known, told.after.known],
            days_lost: lost(&told.before) + lost(&told.after),
            confounders: unlike.chain(all(&told.noted, |said| &said.noted)).collect(),
            chosen_by: format!("{}: {}", own.chosen_by, own.reason),
            method: all(&told.formulas, |said| &said.formulas),
            caution: said.map_or_else(|| plain(&told.caution), |said| said.caution.clone()),
            treated_days: days(&told.treated_days),
            control_days: days(&told.control_days),
        }
    }
}

fn days(told: &[DayStatus]) -> Vec<(Date, f64)> {
    told.iter().filter_map(|own| Some((own.day.parse().ok()?, own.value))).collect()
}

/// A sentence in English alone.
fn plain(english: &str) -> SaidStatus {
    SaidStatus { key: String::new(), english: english.to_owned(), with: Vec::new() }
}

/// What differed, with its numbers: before and after in either pond, where they are known.
fn differed(own: &DifferedStatus, factor: SaidStatus) -> SaidStatus {
    let shown = |value: Option<f64>| match value {
        None => SaidStatus::from(&said!("differed-unknown", "not known")),
        Some(value) => plain(&format!("{value:.2}")),
    };
    let [[a, b], [c, d]] = [own.treated, own.control].map(|pair| pair.map(shown));
    let english = format!(
        "{} (treated {} then {}, control {} then {} {})",
        own.words, a.english, b.english, c.english, d.english, own.unit
    );
    let unit = if own.unit.is_empty() { String::new() } else { format!(" {}", own.unit) };
    let mut with: Vec<(String, PutInStatus)> =
        [("factor", factor), ("before", a), ("after", b), ("control_before", c), ("control_after", d)]
            .map(|(name, said)| (name.to_owned(), PutInStatus::Said(said)))
            .into();
    with.push(("unit".to_owned(), PutInStatus::Text(unit)));
    SaidStatus { key: "differed".to_owned(), english: english.replace(" )", ")"), with }
}
