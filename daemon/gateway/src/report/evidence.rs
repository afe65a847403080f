//! Did it help? What the evidence says of a treated pond beside its control, as the report tells it.
//!
//! The figures are made elsewhere; here is only the form in which they are told, and the wording levels.

use jiff::civil::Date;
use serde::Serialize;

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
    /// What was to change, as fixed before the first dose.
    pub outcome: String,
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
    /// Why no more, in English.
    pub reasons: Vec<String>,
    /// Days with a value of both ponds, before and after.
    pub days_known: [usize; 2],
    /// Days that could not be used.
    pub days_lost: usize,
    /// What else differed between the ponds, or was done to one of them, in English.
    pub confounders: Vec<String>,
    /// Who chose the control.
    pub chosen_by: String,
    /// How it was worked out, with sources, in English.
    pub method: Vec<String>,
    /// Said beside a result of a single pair, in English; empty where there are several.
    pub caution: String,
    /// Outcome of the treated pond by day.
    pub treated_days: Vec<(Date, f64)>,
    /// Outcome of its control.
    pub control_days: Vec<(Date, f64)>,
}
