//! Did it help? What the evidence says of a treated pond beside its control, as the report tells it.
//!
//! The figures are made elsewhere; here is only the form in which they are told, and the wording levels.

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

/// What one outcome of one trial came to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Pond id.
    pub treated: String,
    /// Pond id.
    pub control: String,
    /// What was to change, as fixed before the first dose.
    pub outcome: String,
    /// Estimate of the change, in the unit of the outcome.
    pub estimate: Option<f64>,
    /// 95 % interval.
    pub interval: Option<(f64, f64)>,
    /// Unit of both.
    pub unit: String,
    /// What may be said.
    pub wording: Wording,
    /// Days that could not be used.
    pub days_lost: u32,
    /// What else differed between the ponds.
    pub confounders: Vec<String>,
    /// Who chose the control.
    pub chosen_by: String,
    /// How it was worked out, with sources.
    pub method: String,
}
