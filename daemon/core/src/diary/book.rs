//! What a pond's entries come to, and what contradicts them.

use alloc::vec::Vec;

use super::entry::{Basin, Entry, Kind, What};
use super::upset::upsets;
use crate::time::{Span, Timestamp};

mod agree;
mod unlikely;

/// An entry can be corrected or withdrawn for so long after it was recorded; what counts of the crop that
/// is in the pond, until that crop is out.
pub const CORRECTED_WITHIN: Span = Span::from_hours(22 * 24);

/// Entries kept in memory per pond.
pub const MOST_KEPT: usize = 1_000;

/// Water counts as moving this long after its beginning where no end was said. (Common practice, no source.)
const MOVES_FOR: Span = Span::from_hours(1);

/// Water is not let out within this long of a dose without the adviser's approval. (Common practice, no source.)
pub const KEPT_AFTER_DOSE: Span = Span::from_hours(48);

/// A pond is not dosed for so long after a storm, a moult or another disturbance. (Common practice, no source.)
const UPSET_FOR: Span = Span::from_hours(24);

/// Share of what was stocked that is taken to live where nobody has counted. (Common practice, no source:
/// survival is a guess until harvest.)
pub const GUESSED_SURVIVAL: f64 = 0.8;

/// What the core keeps of an entry.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Kept {
    number: u64,
    kind: Kind,
    recorded: Timestamp,
    at: Timestamp,
    stop: Option<Timestamp>,
    fact: Fact,
    /// The entry that took its place.
    over: Option<u64>,
}

/// What counts of it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
enum Fact {
    Nothing,
    Dose { slurry_kg: Option<f64>, mg_l: Option<f64> },
    Feed { kg: f64 },
    Water { level_m: Option<f64> },
    Sampling { abw_g: f64 },
    Stocking { count: f64, abw_g: Option<f64> },
    Mortality { count: Option<f64>, kg: Option<f64> },
    Harvest { kg: f64, abw_g: Option<f64>, is_final: bool },
    Disturbance,
    Cost { amount: f64, item: u64 },
}

impl Fact {
    fn of(entry: &Entry) -> Self {
        match &entry.what {
            What::Dose(dose) => Self::Dose {
                slurry_kg: dose.kg(),
                mg_l: entry.basin.and_then(|basin| {
                    dose.strength(pondreeve_chemistry::dose::Basis::SlurryMass, basin.volume_m3())
                }),
            },
            What::Feed(feed) => Self::Feed { kg: feed.kg },
            What::Drain(water) => Self::Water { level_m: water.level_now_m(true) },
            What::Exchange(water) => Self::Water { level_m: water.level_now_m(false) },
            What::Sampling(sample) => Self::Sampling { abw_g: sample.abw_g() },
            What::Stocking(own) => Self::Stocking { count: f64::from(own.count), abw_g: own.abw_g },
            What::Mortality(dead) => Self::Mortality { count: dead.count.map(f64::from), kg: dead.kg },
            What::Harvest(taken) => {
                Self::Harvest { kg: taken.kg, abw_g: taken.abw_g, is_final: taken.is_final }
            }
            What::Disturbance(_) => Self::Disturbance,
            What::Weather { words } | What::Note { words } if upsets(words) => Self::Disturbance,
            What::Cost { item, amount } => Self::Cost { amount: *amount, item: unlikely::item(item) },
            What::Sludge(_)
            | What::Count(_)
            | What::Weather { .. }
            | What::Price { .. }
            | What::Note { .. }
            | What::Withdrawal { .. } => Self::Nothing,
        }
    }

    /// Whether it counts for as long as the crop is in the pond.
    const fn is_of_crop(&self) -> bool {
        matches!(
            self,
            Self::Sampling { .. } | Self::Stocking { .. } | Self::Mortality { .. } | Self::Harvest { .. }
        )
    }
}

/// The entries of one pond that the core still needs, in the order in which they were recorded.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Book {
    kept: Vec<Kept>,
}

/// The crop in a pond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crop {
    /// When it was first stocked.
    pub stocked_at: Timestamp,
    /// Day of culture; the day of stocking is 0.
    pub day: i64,
    /// Stocked in all.
    pub stocked: f64,
    /// Average body weight, g, as last sampled, harvested or stocked, and when.
    pub abw_g: Option<(f64, Timestamp)>,
    /// Harvested so far, kg.
    pub harvested_kg: f64,
    /// Harvested so far, as far as weights tell how many.
    pub harvested: f64,
    /// Found dead so far, as far as weights tell how many.
    pub dead: f64,
}

impl Crop {
    /// Shrimp in the pond if all live that were not harvested or found dead.
    pub fn alive_at_most(&self) -> f64 {
        (self.stocked - self.harvested - self.dead).max(0.0)
    }

    /// Weight of these, kg.
    pub fn biomass_at_most_kg(&self) -> Option<f64> {
        Some(self.alive_at_most() * self.abw_g?.0 / 1_000.0)
    }

    /// Weight at [`GUESSED_SURVIVAL`], kg: a guess.
    pub fn biomass_guess_kg(&self) -> Option<f64> {
        let alive = (self.stocked * GUESSED_SURVIVAL - self.harvested).clamp(0.0, self.alive_at_most());
        Some(alive * self.abw_g?.0 / 1_000.0)
    }
}

/// Feed of one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feeding {
    /// kg.
    pub kg: f64,
    /// In so many meals.
    pub meals: usize,
}

/// The newest dose.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct LastDose {
    /// Its entry.
    pub number: u64,
    /// When it began.
    pub at: Timestamp,
    /// When all of it was in, as far as that was said.
    pub stop: Timestamp,
    /// Slurry, kg.
    pub slurry_kg: Option<f64>,
    /// Slurry in the pond's water, mg/L.
    pub mg_l: Option<f64>,
}

impl LastDose {
    /// Whether water let out at a time would take the dose with it.
    pub fn is_fresh(&self, at: Timestamp) -> bool {
        at >= self.at && at - self.stop <= KEPT_AFTER_DOSE
    }
}

/// The day of a time by the sun at a longitude, counted from 1970.
pub fn local_day(at: Timestamp, longitude_deg: f64) -> i64 {
    let offset_ms = libm::round(longitude_deg * 240_000.0) as i64;
    at.as_millis().saturating_add(offset_ms).div_euclid(86_400_000)
}

impl Book {
    fn valid(&self) -> impl Iterator<Item = &Kept> + Clone {
        self.kept.iter().filter(|kept| kept.over.is_none())
    }

    /// Whether an entry is known here.
    pub fn knows(&self, number: u64) -> bool {
        self.kept.iter().any(|kept| kept.number == number)
    }

    /// Takes an entry that was accepted.
    pub fn take(&mut self, entry: &Entry, recorded: Timestamp) {
        if let Some(corrected) = entry.corrects
            && let Some(kept) = self.kept.iter_mut().find(|kept| kept.number == corrected)
        {
            kept.over = Some(entry.number);
        }
        self.kept.push(Kept {
            number: entry.number,
            kind: entry.what.kind(),
            recorded,
            at: entry.at,
            stop: entry.what.stop(),
            fact: Fact::of(entry),
            over: None,
        });
        self.forget(recorded);
    }

    /// Lets go of what is not needed any more.
    fn forget(&mut self, now: Timestamp) {
        let ended = ended_before(self.valid(), now);
        let last_dose = self.last_dose().map(|dose| dose.number);
        let level = self.level().map(|(_, number)| number);
        let stays = |kept: &Kept| {
            now - kept.recorded <= CORRECTED_WITHIN
                || (kept.over.is_none()
                    && ((kept.fact.is_of_crop() && ended.is_none_or(|ended| kept.at >= ended))
                        || Some(kept.number) == last_dose
                        || Some(kept.number) == level))
        };
        self.kept.retain(stays);
        while self.kept.len() > MOST_KEPT {
            let first = self.kept.iter().position(|kept| !kept.fact.is_of_crop()).unwrap_or(0);
            self.kept.remove(first);
        }
    }

    /// The crop that is in the pond at a time; days by the sun at the longitude.
    pub fn crop(&self, now: Timestamp, longitude_deg: f64) -> Option<Crop> {
        crop_of(self.valid(), now, longitude_deg)
    }

    /// Whether the pond is known to be empty: its crop was harvested, and nothing was stocked since.
    pub fn is_harvested(&self, now: Timestamp) -> bool {
        ended_before(self.valid(), now).is_some() && crop_of(self.valid(), now, 0.0).is_none()
    }

    /// Feed of the day of `now`, by the sun at the longitude.
    pub fn feed_today(&self, now: Timestamp, longitude_deg: f64) -> Feeding {
        let today = local_day(now, longitude_deg);
        let meals = self.valid().filter_map(|kept| match kept.fact {
            Fact::Feed { kg } if local_day(kept.at, longitude_deg) == today => Some(kg),
            _ => None,
        });
        meals.fold(Feeding { kg: 0.0, meals: 0 }, |sum, kg| Feeding {
            kg: sum.kg + kg,
            meals: sum.meals.saturating_add(1),
        })
    }

    /// Feed of the last seven whole days: the mean of those with feed, kg a day, and how many these were.
    pub fn feed_of_week(&self, now: Timestamp, longitude_deg: f64) -> Option<(f64, usize)> {
        let today = local_day(now, longitude_deg);
        let mut days: Vec<i64> = Vec::new();
        let mut kg = 0.0;
        for kept in self.valid() {
            let day = local_day(kept.at, longitude_deg);
            if let Fact::Feed { kg: own } = kept.fact
                && (today.saturating_sub(7)..today).contains(&day)
            {
                kg += own;
                if !days.contains(&day) {
                    days.push(day);
                }
            }
        }
        (!days.is_empty()).then(|| (kg / days.len() as f64, days.len()))
    }

    /// The newest dose.
    pub fn last_dose(&self) -> Option<LastDose> {
        let doses = self.valid().filter_map(|kept| match kept.fact {
            Fact::Dose { slurry_kg, mg_l } => {
                let stop = kept.stop.unwrap_or(kept.at);
                Some(LastDose { number: kept.number, at: kept.at, stop, slurry_kg, mg_l })
            }
            _ => None,
        });
        doses.max_by_key(|dose| dose.at)
    }

    /// Whether a storm, a moult or another disturbance counts at a time: its entry, and until when. A day from
    /// when it was over, or from when it was entered to have been.
    pub fn disturbed(&self, now: Timestamp) -> Option<(u64, Timestamp)> {
        let own = self.valid().filter(|kept| kept.fact == Fact::Disturbance && kept.at <= now);
        let until = own.map(|kept| (kept.number, kept.stop.unwrap_or(kept.at) + UPSET_FOR));
        until.filter(|(_, until)| now < *until).max_by_key(|(_, until)| *until)
    }

    /// Mean depth after water was last let out or in, m, and when that was; with the entry's number.
    fn level(&self) -> Option<((f64, Timestamp), u64)> {
        let moves = self.valid().filter_map(|kept| match kept.fact {
            Fact::Water { level_m: Some(level) } => {
                Some(((level, kept.stop.unwrap_or(kept.at)), kept.number))
            }
            _ => None,
        });
        moves.max_by_key(|((_, at), _)| *at)
    }

    /// Mean depth after water was last let out or in, m, and when that was.
    pub fn level_m(&self) -> Option<(f64, Timestamp)> {
        self.level().map(|(level, _)| level)
    }

    /// Whether water is let out or in at `now`, or was within `span` before.
    pub fn water_moves_within(&self, now: Timestamp, span: Span) -> bool {
        self.valid().any(|kept| {
            let ends = kept.stop.unwrap_or(kept.at + MOVES_FOR);
            matches!(kept.fact, Fact::Water { .. }) && kept.at <= now && now <= ends + span
        })
    }
}

/// The newest final harvest up to a time.
fn ended_before<'a>(kept: impl Iterator<Item = &'a Kept>, now: Timestamp) -> Option<Timestamp> {
    let finals = kept.filter(|kept| matches!(kept.fact, Fact::Harvest { is_final: true, .. }));
    finals.map(|kept| kept.at).filter(|&at| at <= now).max()
}

fn crop_of<'a>(
    valid: impl Iterator<Item = &'a Kept> + Clone,
    now: Timestamp,
    longitude_deg: f64,
) -> Option<Crop> {
    let ended = ended_before(valid.clone(), now);
    let mut own: Vec<&Kept> =
        valid.filter(|kept| kept.at <= now && ended.is_none_or(|ended| kept.at > ended)).collect();
    own.sort_by_key(|kept| kept.at);
    let mut crop: Option<Crop> = None;
    for kept in own {
        let at = kept.at;
        match (kept.fact, &mut crop) {
            (Fact::Stocking { count, abw_g }, Some(crop)) => {
                crop.stocked += count;
                crop.abw_g = crop.abw_g.or(abw_g.map(|abw| (abw, at)));
            }
            (Fact::Stocking { count, abw_g }, None) => {
                crop = Some(Crop {
                    stocked_at: at,
                    day: local_day(now, longitude_deg).saturating_sub(local_day(at, longitude_deg)),
                    stocked: count,
                    abw_g: abw_g.map(|abw| (abw, at)),
                    harvested_kg: 0.0,
                    harvested: 0.0,
                    dead: 0.0,
                });
            }
            (Fact::Sampling { abw_g }, Some(crop)) => crop.abw_g = Some((abw_g, at)),
            (Fact::Mortality { count, kg }, Some(crop)) => {
                let by_weight = || Some(kg? * 1_000.0 / crop.abw_g?.0);
                crop.dead += count.or_else(by_weight).unwrap_or(0.0);
            }
            (Fact::Harvest { kg, abw_g, .. }, Some(crop)) => {
                crop.abw_g = abw_g.map(|abw| (abw, at)).or(crop.abw_g);
                crop.harvested_kg += kg;
                crop.harvested += crop.abw_g.map_or(0.0, |(abw, _)| kg * 1_000.0 / abw);
            }
            _ => {}
        }
    }
    crop
}

/// The pond at a time: its depth by the newest of what was measured and what an entry says, within a day of
/// it.
pub fn basin(
    area_m2: f64,
    configured_m: f64,
    measured: Option<(f64, Timestamp)>,
    said: Option<(f64, Timestamp)>,
    now: Timestamp,
) -> Basin {
    let usable = |&(depth, at): &(f64, Timestamp)| {
        let apart = (now - at).as_millis().saturating_abs();
        depth > 0.0 && depth.is_finite() && apart <= Span::from_hours(24).as_millis()
    };
    let newest = [measured.filter(usable), said.filter(usable)].into_iter().flatten().max_by_key(|own| own.1);
    match newest {
        Some((depth_m, _)) => Basin { area_m2, depth_m, is_measured: true },
        None => Basin { area_m2, depth_m: configured_m, is_measured: false },
    }
}
