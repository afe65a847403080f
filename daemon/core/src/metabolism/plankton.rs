//! Whether the plankton has crashed, or blooms, by the pond's own recent days.
//!
//! Every figure here is common practice without a source; they were set on simulated seasons so that a
//! false notice stays rare, since it costs trust.

use alloc::vec::Vec;

use super::{Balance, Metabolism, median_of};
use crate::respiration::EVERY;
use crate::time::{Span, Timestamp};
use crate::window::median;

/// Known days that a day is compared with.
const USUAL_DAYS: usize = 7;
/// Known days from which on another pond's fall or rise says something of the weather.
const WITNESS_DAYS: usize = 3;
/// A usual production below this is too small to tell a fall by, mg/L in a day.
const LEAST_USUAL_MG_L: f64 = 3.0;
/// Below this share of the usual the production has collapsed, and below the second on a bright day with
/// a night that speaks for it too.
const COLLAPSED: [f64; 2] = [0.5, 0.6];
/// From this share on it has come back.
const BACK: f64 = 0.7;
/// It fell like that of the other ponds unless it is below this share of theirs.
const ALIKE: f64 = 0.6;
/// Dead plankton rots: the night's respiration against the usual, with which a collapse is a crash.
const ROTS: f64 = 1.15;
/// Below this share of the usual respiration it is the probe that says less of everything.
const DULLED_PROBE: f64 = 0.85;
/// pH is measured by another probe. Where it rises by more than this share of the usual by day, it is
/// not the production that fell.
const PH_RISE: f64 = 0.6;
/// A disc that vanishes much deeper than the day before shows itself that the plankton is gone. Then less of a
/// fall is enough, against the usual and against the other ponds', a smaller difference of the rise of pH, and
/// days enough for a usual: nobody need wait for the night to speak.
const CLEARED: f64 = 0.7;
/// See [`CLEARED`].
const CLEARED_ALIKE: f64 = 0.75;
/// See [`CLEARED`].
const CLEARED_PH_RISE: f64 = 0.85;
/// Light, against the usual, below which the day was dark and from which on it was bright.
const LIGHT: [f64; 2] = [0.4, 0.75];
/// The same of the warming of the water by day. A third less light already halves it, since what the
/// water gives off stays the same.
const WARMING: [f64; 2] = [0.3, 0.6];
/// Usual warming too small to tell light by, °C.
const LEAST_WARMING_C: f64 = 0.5;
/// After so long what was found is the pond's new way.
const STANDS_FOR: Span = Span::from_hours(7 * 24);

/// Days over which a bloom is seen to have come.
const RISEN_DAYS: usize = 3;
/// Production of each of those days against the usual of those before; and none of those before made as
/// much, or it is a return from dull days.
const RISEN: f64 = 1.4;
/// The same of the swing of oxygen.
const SWING_RISEN: f64 = 1.25;
/// Light, and warming, against the usual, above which bright weather explains a rise.
const BRIGHTER: [f64; 2] = [1.2, 1.3];
/// Below this rise it is no more than growth.
const RISE_OVER: f64 = 1.15;
/// Oxygen of an afternoon that blooms, mg/L: near 170 % of saturation in warm brackish water.
const BLOOM_HIGH_MG_L: f64 = 12.0;

/// A production that collapsed.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Crash {
    /// When it was found.
    pub since: Timestamp,
    /// Production of the newest known day, mg/L.
    pub production_mg_l: f64,
    /// Usual production before it, mg/L.
    pub usual_mg_l: f64,
    /// The night's respiration against the usual, 1 for as usual.
    pub night_share: f64,
    /// The rise of pH by day against the usual, where it is known.
    pub ph_share: Option<f64>,
    /// Production of the farm's other ponds against their usual, where it is known.
    pub others_share: Option<f64>,
    /// Whether the disc vanished much deeper than the day before.
    pub has_cleared: bool,
}

/// A production that rose for days.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Bloom {
    /// When it was found.
    pub since: Timestamp,
    /// Production of the last days, mg/L in a day.
    pub production_mg_l: f64,
    /// Production of the days before, mg/L in a day.
    pub usual_mg_l: f64,
    /// Lowest and highest oxygen of the newest known day, mg/L.
    pub do_range_mg_l: (f64, f64),
}

/// A pond's newest day against its own days before: what other ponds tell of the weather.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Fall {
    /// The sunset it ended with.
    pub ended: Timestamp,
    /// Production against the usual.
    pub share: f64,
}

/// From which values on oxygen and pH of a day are those of a bloom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Marks {
    /// pH that is high, as for the alarm.
    pub ph_high: f64,
    /// Oxygen above which a night is no cause for haste, mg/L.
    pub ample_mg_l: f64,
    /// Whether the disc vanished much deeper than the day before.
    pub has_cleared: bool,
}

/// How a day was lit, against the usual.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sky {
    Bright,
    Dull,
    Dark,
    Unknown,
}

impl Metabolism {
    /// The newest farm day, if it is known, and at most seven known ones before it.
    fn newest(&self) -> Option<(Timestamp, &Balance, Vec<&Balance>)> {
        let newest = self.days.back()?;
        let balance = newest.balance.as_ref().ok()?;
        let before = self.known().rev().skip(1).take(USUAL_DAYS).map(|(_, balance)| balance).collect();
        Some((newest.ended, balance, before))
    }

    /// Production of the newest farm day against the days before, for the other ponds.
    pub fn fall(&self) -> Option<Fall> {
        let (ended, newest, before) = self.newest()?;
        if before.len() < WITNESS_DAYS {
            return None;
        }
        let usual = production(&before)?;
        (usual >= LEAST_USUAL_MG_L).then(|| Fall { ended, share: newest.production_mg_l / usual })
    }

    /// The crash that stands.
    pub fn crash(&self) -> Option<Crash> {
        self.crash
    }

    /// The bloom that stands.
    pub fn bloom(&self) -> Option<Bloom> {
        self.bloom
    }

    /// Judges the newest farm day a quarter of an hour after its end, when the farm's other ponds have
    /// closed theirs, and once more at sunrise, when the night after it is known.
    pub fn judge(&mut self, now: Timestamp, marks: Marks, others: impl Iterator<Item = Fall>) {
        let dawn = self.open.as_ref().is_some_and(|open| open.is_dawn(now));
        let dusk = self.unjudged && self.days.back().is_some_and(|day| now > day.ended);
        if !(dawn || dusk) {
            return;
        }
        self.unjudged = false;
        let over = |since: Timestamp| now - since > STANDS_FOR;
        let made = self.newest().map(|(_, newest, _)| newest.production_mg_l);
        match &mut self.crash {
            Some(crash) => {
                crash.production_mg_l = made.unwrap_or(crash.production_mg_l);
                if crash.production_mg_l >= BACK * crash.usual_mg_l || over(crash.since) {
                    self.crash = None;
                }
            }
            None => self.crash = self.find_crash(now, marks.has_cleared, others),
        }
        match &mut self.bloom {
            Some(bloom) => {
                bloom.production_mg_l = made.unwrap_or(bloom.production_mg_l);
                if bloom.production_mg_l < RISE_OVER * bloom.usual_mg_l || over(bloom.since) {
                    self.bloom = None;
                }
            }
            None if dusk => self.bloom = self.find_bloom(now, marks),
            None => {}
        }
    }

    fn find_crash(
        &self,
        now: Timestamp,
        has_cleared: bool,
        others: impl Iterator<Item = Fall>,
    ) -> Option<Crash> {
        let (ended, newest, before) = self.newest()?;
        if before.len() < if has_cleared { WITNESS_DAYS } else { USUAL_DAYS } {
            return None;
        }
        let usual = production(&before)?;
        let share = newest.production_mg_l / usual;
        let [collapsed, collapsed_bright] = COLLAPSED;
        let (most, alike, ph_rise) = if has_cleared {
            (CLEARED, CLEARED_ALIKE, CLEARED_PH_RISE)
        } else {
            (collapsed_bright, ALIKE, PH_RISE)
        };
        if usual < LEAST_USUAL_MG_L || share >= most {
            return None;
        }
        // Other days of the same end: the sun sets for all ponds of a farm at once.
        let mut others: Vec<f64> = others.filter(|fall| fall.ended == ended).map(|fall| fall.share).collect();
        let others_share = median(&mut others);
        if others_share.is_some_and(|others| share >= alike * others) {
            return None;
        }
        let usual_night = median_of(&before, |day| Some(day.night_mg_l_h))?;
        let after = self.open.as_ref().and_then(super::Open::night_mg_l_h);
        let night = after.map_or(newest.night_mg_l_h, |after| after.max(newest.night_mg_l_h));
        let night_share = night / usual_night;
        let usual_rise = median_of(&before, Balance::ph_rise).filter(|&was| was > 0.0);
        let ph_share = newest.ph_rise().zip(usual_rise).map(|(is, was)| is / was);
        let ph_agrees = ph_share.is_none_or(|share| share < ph_rise);
        let rots = night_share >= ROTS;
        let sky = sky(newest, &before);
        // A dark day lowers the production and not the night's respiration; where other ponds made as
        // usual it was not dark.
        let was_lit = others_share.is_some() || sky == Sky::Bright;
        let was_dark = others_share.is_none() && sky == Sky::Dark;
        let is_crash = if has_cleared {
            // One pond alone may have had no more than clouds.
            others_share.is_some() || (share < collapsed_bright && !was_dark)
        } else if share >= collapsed {
            rots && sky == Sky::Bright
        } else {
            (rots && !was_dark) || (ph_share.is_some() && night_share >= DULLED_PROBE && was_lit)
        };
        (usual_night > 0.0 && ph_agrees && is_crash).then_some(Crash {
            since: now,
            production_mg_l: newest.production_mg_l,
            usual_mg_l: usual,
            night_share,
            ph_share,
            others_share,
            has_cleared,
        })
    }

    fn find_bloom(&self, now: Timestamp, marks: Marks) -> Option<Bloom> {
        let (_, newest, _) = self.newest()?;
        let all: Vec<&Balance> = self.known().rev().map(|(_, balance)| balance).collect();
        let (recent, earlier) = all.split_at_checked(RISEN_DAYS)?;
        if all.len() < USUAL_DAYS {
            return None;
        }
        let usual = production(earlier)?;
        let most = earlier.iter().map(|day| day.production_mg_l).fold(usual, f64::max);
        let swing = |day: &Balance| day.do_range_mg_l.1 - day.do_range_mg_l.0;
        let usual_swing = median_of(earlier, |day| Some(swing(day)))?;
        // Each of the last days, not just one.
        let has_risen = usual >= LEAST_USUAL_MG_L
            && recent.iter().all(|day| day.production_mg_l >= (RISEN * usual).max(most))
            && recent.iter().all(|day| swing(day) >= SWING_RISEN * usual_swing);
        let more = |value: fn(&Balance) -> Option<f64>, by: f64| {
            median_of(recent, value)
                .zip(median_of(earlier, value).filter(|&was| was > 0.0))
                .map(|(is, was)| is > by * was)
        };
        let [light, warming] = BRIGHTER;
        let is_brighter = more(|day| day.light_umol_m2_s, light)
            .or_else(|| more(|day| day.warming_c, warming))
            .unwrap_or(false);
        let (low, high) = newest.do_range_mg_l;
        let is_high =
            high >= BLOOM_HIGH_MG_L || newest.ph_range.is_some_and(|(_, high)| high >= marks.ph_high);
        (has_risen && !is_brighter && is_high && low <= marks.ample_mg_l).then_some(Bloom {
            since: now,
            production_mg_l: production(recent)?,
            usual_mg_l: usual,
            do_range_mg_l: newest.do_range_mg_l,
        })
    }
}

impl super::Open {
    /// Whether `now` is the first look at or after sunrise.
    fn is_dawn(&self, now: Timestamp) -> bool {
        now >= self.sunrise() && now - self.sunrise() < EVERY
    }
}

impl Balance {
    /// By how much pH moved by day, where it is known.
    fn ph_rise(&self) -> Option<f64> {
        self.ph_range.map(|(low, high)| high - low)
    }
}

fn production(balances: &[&Balance]) -> Option<f64> {
    median_of(balances, |balance| Some(balance.production_mg_l))
}

/// How the newest day was lit, by a light probe, else by how much the water warmed.
fn sky(newest: &Balance, before: &[&Balance]) -> Sky {
    let tell = |share: f64, [dark, bright]: [f64; 2]| match share {
        share if share < dark => Sky::Dark,
        share if share < bright => Sky::Dull,
        _ => Sky::Bright,
    };
    let usual_light = median_of(before, |day| day.light_umol_m2_s).filter(|&was| was > 0.0);
    if let Some((is, was)) = newest.light_umol_m2_s.zip(usual_light) {
        return tell(is / was, LIGHT);
    }
    newest
        .warming_c
        .zip(median_of(before, |day| day.warming_c))
        .filter(|&(_, was)| was >= LEAST_WARMING_C)
        .map_or(Sky::Unknown, |(is, was)| tell(is / was, WARMING))
}
