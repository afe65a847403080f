//! The crop report: one self-contained page, with the CSV of its tables, from what the daemon keeps.
//!
//! ```text
//! daemon ─▶ gathered ─▶ days, books ─▶ figures ─┬─▶ page (HTML with plots)
//!           (cli/report)                        ├─▶ tables (CSV)
//!                                               └─▶ --json
//! ```
//! Nothing here judges: flags, limits and roll-ups come from the daemon, arithmetic from
//! [`pondreeve_core::crop`]. What was not recorded is said to be so, never counted as zero; a [`Figure`] knows
//! what it rests on. Treated against control is told by [`evidence`]; no statistics are made here.

pub mod books;
pub mod days;
pub mod evidence;
pub mod figures;
mod page;
mod parts;
mod plots;
pub mod rank;
pub mod tables;
#[cfg(test)]
mod tests;
pub mod texts;

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::local::diary::DeedStatus;
use crate::local::protocol::{
    AlarmLoadStatus, FactsStatus, FarmStatus, GroupEnergy, PondFacts, PondStatus, RollUp,
};

pub use books::Book;
pub use days::Day;
pub use evidence::DidItHelp;
pub use figures::{Figure, Trace};
pub use page::html;
pub use texts::{Language, Texts};

/// Quantities that a report shows by the day.
pub const QUANTITIES: [&str; 5] = ["do_mg_l", "temperature_c", "ph", "salinity_psu", "nh3_n_mg_l"];

/// A day, or a quantity's day, counts as lost below this share of valid quarter hours. (Common practice, no
/// source.)
pub const VALID_SHARE: f64 = 0.9;

/// A stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// From this time on.
    pub from: Timestamp,
    /// Up to this time.
    pub to: Timestamp,
}

impl Period {
    /// Whether a time lies in it.
    pub fn has(&self, at: Timestamp) -> bool {
        self.from <= at && at < self.to
    }
}

/// A record of the audit trail, in the fields of its export.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditLine {
    /// Its number.
    pub record: u64,
    /// RFC 3339, UTC.
    pub at: String,
    /// Who.
    pub user: String,
    /// Where.
    pub place: String,
    /// What was done.
    pub action: String,
    /// To what.
    pub object: String,
    /// What it was.
    pub old: String,
    /// What it is.
    pub new: String,
    /// Why.
    pub reason: String,
}

/// What the daemon told.
#[derive(Debug, Clone)]
pub struct Gathered {
    /// The farm now.
    pub farm: FarmStatus,
    /// The farm as configured.
    pub facts: FactsStatus,
    /// What the report covers.
    pub period: Period,
    /// Ponds that it covers, in the order of the configuration.
    pub ponds: Vec<GatheredPond>,
    /// What people did to these ponds and to the farm, oldest first, from long enough before the period to have
    /// the whole crop.
    pub deeds: Vec<DeedStatus>,
    /// Alarm measures.
    pub alarm_load: AlarmLoadStatus,
    /// Records of the audit trail in the period.
    pub audit: Vec<AuditLine>,
    /// Number and hash of its newest record.
    pub audit_head: (u64, String),
    /// What is known of a treatment.
    pub did_it_help: DidItHelp,
}

/// What the daemon told of one pond.
#[derive(Debug, Clone, Default)]
pub struct GatheredPond {
    /// Id.
    pub id: String,
    /// Quarter-hour roll-ups by quantity, oldest first, of the period.
    pub quarters: BTreeMap<&'static str, Vec<RollUp>>,
    /// Energy by stretches of a day or less, oldest first, from the beginning of the crop or of the period,
    /// whichever is earlier.
    pub energy: Vec<(Period, Vec<GroupEnergy>)>,
}

impl Gathered {
    /// The farm's time zone.
    pub fn time_zone(&self) -> TimeZone {
        let named = self.facts.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok());
        named.unwrap_or_else(|| {
            let offset = jiff::tz::Offset::from_seconds(self.farm.time_zone_offset_s);
            offset.map_or(TimeZone::UTC, TimeZone::fixed)
        })
    }

    /// A pond as configured.
    pub fn facts_of(&self, id: &str) -> Option<&PondFacts> {
        self.facts.ponds.iter().find(|pond| pond.id == id)
    }

    /// A pond as it is now.
    pub fn status_of(&self, id: &str) -> Option<&PondStatus> {
        self.farm.ponds.iter().find(|pond| pond.id == id)
    }

    /// How money is written; empty where the configuration does not say.
    pub fn currency(&self) -> &str {
        self.facts.currency.as_deref().unwrap_or("")
    }
}

/// What a report says of one pond.
#[derive(Debug, Clone)]
pub struct PondReport {
    /// Id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Its days in the period, by the sun.
    pub days: Vec<Day>,
    /// Its diary, summed up.
    pub book: Book,
    /// Every figure.
    pub figures: Vec<Figure>,
}

impl PondReport {
    /// A figure by its id.
    pub fn figure(&self, id: &str) -> Option<&Figure> {
        self.figures.iter().find(|figure| figure.id == id)
    }

    /// The value of a figure, where it is known.
    pub fn value(&self, id: &str) -> Option<f64> {
        self.figure(id)?.value
    }
}

/// Works everything out.
pub fn work_out(gathered: &Gathered) -> Vec<PondReport> {
    let ponds = gathered.ponds.iter().filter_map(|pond| {
        let facts = gathered.facts_of(&pond.id)?;
        let days = days::days(gathered, pond);
        let book = books::book(gathered, pond, facts);
        let figures = figures::figures(gathered, pond, facts, &days, &book);
        Some(PondReport { id: pond.id.clone(), name: facts.name.clone(), days, book, figures })
    });
    ponds.collect()
}

/// A time of the daemon's; the start of 1970 where it is none, which it never is.
pub(crate) fn time(text: &str) -> Timestamp {
    text.parse().unwrap_or_default()
}
