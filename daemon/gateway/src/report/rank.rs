//! Which pond needs attention first, and why: by rules that the page prints, from alarms and figures.

use super::{Gathered, PondReport};

/// Something that speaks for looking at a pond.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// Key of its words.
    pub key: &'static str,
    /// How many, or how much; for the words.
    pub count: f64,
    /// How much it weighs against other ponds.
    pub weight: f64,
}

/// One pond's place.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// Position among the reports.
    pub place: usize,
    /// What speaks for it, weightiest first.
    pub reasons: Vec<Reason>,
}

impl Ranked {
    fn weight(&self) -> f64 {
        self.reasons.iter().map(|reason| reason.weight).sum()
    }
}

/// Ponds, the one that needs attention most first. Each rule outweighs any number of those below it that a
/// report can have.
pub fn ranked(gathered: &Gathered, reports: &[PondReport]) -> Vec<Ranked> {
    let mut all: Vec<Ranked> = reports
        .iter()
        .enumerate()
        .map(|(place, report)| Ranked { place, reasons: reasons(gathered, report) })
        .collect();
    all.sort_by(|a, b| b.weight().total_cmp(&a.weight()).then(a.place.cmp(&b.place)));
    all
}

fn reasons(gathered: &Gathered, report: &PondReport) -> Vec<Reason> {
    let standing = |priority: u8| {
        let own = gathered.farm.alarms.iter().filter(|alarm| alarm.pond.as_deref() == Some(&report.id));
        own.filter(|alarm| alarm.is_standing() && alarm.priority == priority).count() as f64
    };
    let value = |id: &str| report.value(id).unwrap_or(0.0);
    let counted = [
        ("reason-critical", standing(1), 1e9),
        ("reason-high", standing(2), 1e6),
        ("reason-below-critical", value("nights_below_critical"), 1e4),
        ("reason-below-warn", value("nights_below_warn"), 1e2),
        ("reason-medium", standing(3), 10.0),
        ("reason-days-lost", value("days_lost_do_mg_l"), 1.0),
    ];
    let found = counted.into_iter().filter(|(_, count, _)| *count > 0.0);
    found.map(|(key, count, each)| Reason { key, count, weight: count * each }).collect()
}
