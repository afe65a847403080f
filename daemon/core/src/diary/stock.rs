//! Containers of slurry: what was counted, held against what doses used.
//!
//! A lot stands in one place for all ponds, so doses of all ponds draw on it. The first count of a lot is where the
//! reckoning starts; a count that agrees, or whose difference somebody explains, is where it goes on from. One that
//! does not is no new start: a recount, a corrected dose or one entered afterwards may mend it.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::book::{CORRECTED_WITHIN, KEPT_AFTER_DOSE};
use super::dose::MISMATCH;
use super::entry::{Entry, What};
use crate::said::{Said, said, tenth};
use crate::time::Timestamp;

/// So much of a container a count may be off: nobody can tell the part left in an opened drum better. (Common
/// practice, no source.)
pub const COUNT_TOLERANCE: f64 = 0.5;

/// Lines kept for the whole farm.
const MOST_LINES: usize = 1_000;

/// A dose or a count.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Line {
    number: u64,
    pond: String,
    recorded: Timestamp,
    at: Timestamp,
    lot: Option<String>,
    container_kg: Option<f64>,
    fact: Fact,
}

#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
enum Fact {
    Dose { kg: Option<f64>, emptied: Option<f64>, mismatch: Option<Said> },
    Count { left: f64, delivered: f64, is_explained: bool },
}

/// What is known of the farm's containers.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Stock {
    /// In the order in which they were recorded; without those whose place another entry has taken.
    lines: Vec<Line>,
}

/// A count that does not fit what doses used.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Disagreement {
    /// Which lot.
    pub lot: Option<String>,
    /// Entry of the count.
    pub number: u64,
    /// When that was.
    pub counted_at: Timestamp,
    /// Containers found.
    pub left: f64,
    /// Containers at the count it is held against.
    pub before: f64,
    /// Delivered in between.
    pub delivered: f64,
    /// Containers that the doses in between used.
    pub used: f64,
    /// These doses, with their ponds.
    pub doses: Vec<(u64, String)>,
    /// Slurry in a full container, kg, where the newest that says so says so.
    pub container_kg: Option<f64>,
}

impl Disagreement {
    /// Containers gone beyond what doses used; negative where fewer are gone.
    pub fn excess(&self) -> f64 {
        self.before + self.delivered - self.left - self.used
    }
}

/// What speaks against what was recorded of a pond's doses.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Odd {
    /// A count.
    Count(Disagreement),
    /// The amounts of one dose contradict each other, and somebody said that it was so.
    Dose {
        /// Its entry.
        number: u64,
        /// What contradicts what.
        words: Said,
        /// It is told until then.
        until: Timestamp,
    },
}

impl Stock {
    /// Takes an entry that was accepted.
    pub fn take(&mut self, pond: &str, entry: &Entry, recorded: Timestamp) {
        self.lines.retain(|line| Some(line.number) != entry.corrects);
        let (lot, container_kg, fact) = match &entry.what {
            What::Dose(dose) => {
                let fact = Fact::Dose { kg: dose.kg(), emptied: dose.containers, mismatch: dose.mismatch() };
                (&dose.lot, dose.container_kg, fact)
            }
            What::Count(count) => {
                let fact = Fact::Count {
                    left: count.left,
                    delivered: count.delivered.unwrap_or(0.0),
                    is_explained: count.reason.is_some(),
                };
                (&count.lot, count.container_kg, fact)
            }
            _ => return,
        };
        self.lines.push(Line {
            number: entry.number,
            pond: String::from(pond),
            recorded,
            at: entry.at,
            lot: lot.clone(),
            container_kg,
            fact,
        });
        self.forget(recorded);
    }

    /// Lets go of what can no longer be corrected and lies before the count that the reckoning goes on from.
    fn forget(&mut self, now: Timestamp) {
        let starts: Vec<(Option<String>, Timestamp)> = self
            .lots()
            .into_iter()
            .filter_map(|lot| Some((lot.cloned(), self.reckon(lot).start?.at)))
            .collect();
        self.lines.retain(|line| {
            let start = starts.iter().find(|(lot, _)| *lot == line.lot).map(|(_, at)| *at);
            now - line.recorded <= CORRECTED_WITHIN || start.is_some_and(|start| line.at >= start)
        });
        let beyond = self.lines.len().saturating_sub(MOST_LINES);
        self.lines.drain(..beyond);
    }

    fn lots(&self) -> Vec<Option<&String>> {
        let mut lots: Vec<Option<&String>> = Vec::new();
        for line in &self.lines {
            if !lots.contains(&line.lot.as_ref()) {
                lots.push(line.lot.as_ref());
            }
        }
        lots
    }

    /// Goes through a lot from its first count to its newest.
    fn reckon(&self, lot: Option<&String>) -> Reckoning<'_> {
        let mut own: Vec<&Line> = self.lines.iter().filter(|line| line.lot.as_ref() == lot).collect();
        // What was done and what was counted at one time: the count came afterwards.
        own.sort_by_key(|line| (line.at, matches!(line.fact, Fact::Count { .. }), line.number));
        let mut reckoning = Reckoning::default();
        let mut start_left = 0.0;
        let (mut delivered, mut used) = (0.0, Some(0.0));
        let mut doses: Vec<(u64, String)> = Vec::new();
        let mut container_kg = own.iter().find_map(|line| line.container_kg);
        for line in own {
            container_kg = line.container_kg.or(container_kg);
            match &line.fact {
                Fact::Dose { kg, emptied, .. } => {
                    let containers = kg.zip(container_kg).map(|(kg, each)| kg / each).or(*emptied);
                    used = used.zip(containers).map(|(used, own)| used + own);
                    doses.push((line.number, line.pond.clone()));
                }
                Fact::Count { left, delivered: came, is_explained } => {
                    if reckoning.start.is_some() {
                        delivered += came;
                    }
                    let odd = reckoning.start.zip(used).map(|(_, used)| Disagreement {
                        lot: line.lot.clone(),
                        number: line.number,
                        counted_at: line.at,
                        left: *left,
                        before: start_left,
                        delivered,
                        used,
                        doses: doses.clone(),
                        container_kg,
                    });
                    let tolerance = |odd: &Disagreement| (MISMATCH * odd.used).max(COUNT_TOLERANCE);
                    let odd = odd.filter(|odd| odd.excess().abs() > tolerance(odd) && !is_explained);
                    if odd.is_none() {
                        reckoning.start = Some(line);
                        start_left = *left;
                        (delivered, used) = (0.0, Some(0.0));
                        doses.clear();
                    }
                    reckoning.odd = odd.map(|odd| (line, odd));
                }
            }
        }
        reckoning.left = reckoning.start.and(used).map(|used| start_left + delivered - used);
        reckoning.container_kg = container_kg;
        reckoning
    }

    /// Whether a dose takes no more than is left of its lot: by the count that the reckoning goes on from, and the
    /// doses since. Where a count does not fit, nothing is known to be left, and that is told by itself.
    ///
    /// # Errors
    /// How much is left, and what would have been accepted.
    pub fn has_enough(&self, entry: &Entry) -> Result<(), Said> {
        let What::Dose(dose) = &entry.what else { return Ok(()) };
        let others = Self {
            lines: self.lines.iter().filter(|line| Some(line.number) != entry.corrects).cloned().collect(),
        };
        let reckoning = others.reckon(dose.lot.as_ref());
        let container_kg = dose.container_kg.or(reckoning.container_kg);
        let taken = dose.kg().zip(container_kg).map(|(kg, each)| kg / each).or(dose.containers);
        let (Some(start), Some(left), Some(taken)) = (reckoning.start, reckoning.left, taken) else {
            return Ok(());
        };
        let is_known = reckoning.odd.is_none() && entry.at >= start.at && !dose.is_confirmed;
        if !is_known || taken <= left + (MISMATCH * taken).max(COUNT_TOLERANCE) {
            return Ok(());
        }
        Err(said!(
            "refused-not-in-stock",
            "it takes {taken} containers of {lot}, but by the count of entry {count} and the doses since {left} are left; accepted are up to {left}, a count first with what was delivered, or the same once it is confirmed that it was so",
            taken = tenth(taken),
            lot = lot_said(dose.lot.as_ref()),
            count = format!("{}", start.number),
            left = tenth(left.max(0.0))
        ))
    }

    /// What speaks against what was recorded of a pond: the newest count there that does not fit, or a dose whose
    /// amounts contradict each other, until a count has settled it or two days have passed.
    pub fn odd(&self, pond: &str, now: Timestamp) -> Option<Odd> {
        let reckonings: Vec<(Option<&String>, Reckoning<'_>)> =
            self.lots().into_iter().map(|lot| (lot, self.reckon(lot))).collect();
        let counts = reckonings.iter().filter_map(|(_, reckoning)| reckoning.odd.as_ref());
        let count = counts.filter(|(line, _)| line.pond == pond).max_by_key(|(_, odd)| odd.counted_at);
        if let Some((_, odd)) = count {
            return Some(Odd::Count(odd.clone()));
        }
        let doses = self.lines.iter().filter_map(|line| match &line.fact {
            Fact::Dose { mismatch: Some(words), .. } if line.pond == pond => Some((line, words)),
            _ => None,
        });
        let unsettled = doses.filter(|(line, _)| {
            let start = reckonings.iter().find(|(lot, _)| *lot == line.lot.as_ref());
            start.and_then(|(_, reckoning)| reckoning.start).is_none_or(|start| start.at < line.at)
        });
        let (line, words) = unsettled.max_by_key(|(line, _)| line.at)?;
        let until = line.at + KEPT_AFTER_DOSE;
        (now < until).then(|| Odd::Dose { number: line.number, words: words.clone(), until })
    }
}

/// What a lot's counts come to.
#[derive(Debug, Default)]
struct Reckoning<'a> {
    /// The count from which it goes on.
    start: Option<&'a Line>,
    /// The newest count, where it does not fit.
    odd: Option<(&'a Line, Disagreement)>,
    /// Containers left by it and the doses since, where these are known in containers.
    left: Option<f64>,
    /// Slurry in a full container, kg, as last said.
    container_kg: Option<f64>,
}

/// A lot as it is told.
pub fn lot_said(lot: Option<&String>) -> Said {
    lot.map_or_else(|| said!("lot-slurry", "slurry"), |lot| said!("lot-named", "lot {lot}", lot = lot))
}
