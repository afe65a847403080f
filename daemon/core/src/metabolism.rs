//! The whole pond's production and respiration by day, from the course of its oxygen.
//!
//! ```text
//! change = production - respiration + air + aerators        mg/L, which is g O2/m3
//! ```
//!
//! After Odum (1956), "Primary production in flowing waters", Limnol. Oceanogr. 1: at night there is no
//! production, so the change less what air and aerators gave is the respiration; by day that
//! respiration goes on, and what is left is the production. The balance is that of
//! [`crate::respiration`]. Wind is not known, so air is taken as on a still night: a windy afternoon above
//! saturation loses more than is counted, and the production comes out too small by that.
//!
//! A farm day goes from sunset to sunset: the night that tells the respiration comes first, and at
//! dusk, before the night is planned, the day that it led to is complete.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use crate::respiration::{EVERY, LONGEST_STRETCH, Respiration, Tank};
use crate::said::{Said, fixed, said};
use crate::time::{Span, Timestamp};
use crate::window::{median, theil_sen};

mod open;
mod plankton;
#[cfg(test)]
mod tests;

use open::Open;
pub use plankton::{Bloom, Crash, Fall, Marks};

/// Farm days are remembered for so long.
pub const REMEMBERED: Span = Span::from_hours(14 * 24 + 12);

/// Share of the night and of the day that must have been observed. (Common practice, no source.)
pub const LEAST_SHARE: f64 = 0.75;

/// Known days from which on a trend is told. (Common practice, no source.)
const TREND_DAYS: usize = 5;

/// What one farm day made and used up.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Balance {
    /// Gross production, mg/L.
    pub production_mg_l: f64,
    /// Respiration of day and night, mg/L.
    pub respiration_mg_l: f64,
    /// Through the surface, mg/L; negative where the pond gave oxygen off.
    pub air_mg_l: f64,
    /// Through aerators, mg/L; negative where they drove oxygen out.
    pub aerators_mg_l: f64,
    /// Respiration of the night at 28 °C with ample oxygen, mg/L per hour.
    pub night_mg_l_h: f64,
    /// Lowest and highest oxygen, mg/L.
    pub do_range_mg_l: (f64, f64),
    /// Lowest and highest pH by day, where it is known.
    pub ph_range: Option<(f64, f64)>,
    /// What tells of light: mean of a light probe by day, µmol/m2/s.
    pub light_umol_m2_s: Option<f64>,
    /// What tells of light where no probe does: by how much the water warmed by day, °C.
    pub warming_c: Option<f64>,
}

impl Balance {
    /// Production less respiration, mg/L.
    pub fn net_mg_l(&self) -> f64 {
        self.production_mg_l - self.respiration_mg_l
    }
}

/// Why nothing is said of a farm day.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub enum Unknown {
    /// Usable oxygen readings cover only this share, 0 to 1, of the night or of the day.
    FewReadings(f64),
    /// It is not known which aerators ran.
    Aerators,
    /// Salt or depth moved as they do when water is exchanged.
    Exchange,
}

impl Unknown {
    /// The reason, for people.
    pub fn words(&self) -> Said {
        match self {
            Self::FewReadings(share) => said!(
                "day-few-readings",
                "usable oxygen readings cover {share} % of the night or of the day, and {least} % are needed",
                // Rounded down, so that it never reads as enough.
                share = fixed(libm::floor(share * 100.0), 0),
                least = fixed(LEAST_SHARE * 100.0, 0)
            ),
            Self::Aerators => said!("day-aerators", "it is not known which aerators ran"),
            Self::Exchange => {
                said!("day-exchange", "water was exchanged: salinity or depth moved within an hour")
            }
        }
    }
}

/// One farm day.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Day {
    /// The sunset it ended with.
    pub ended: Timestamp,
    /// What it made and used up, or why that is not known.
    pub balance: Result<Balance, Unknown>,
}

/// By how much the known days change, mg/L per day in a week.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Of the production.
    pub production_mg_l: f64,
    /// Of the respiration.
    pub respiration_mg_l: f64,
    /// Known days behind it.
    pub days: usize,
}

/// What is seen of the pond at one look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Median of the last quarter of an hour and which probe it comes from; `None` where no probe that
    /// nothing doubts has told.
    pub oxygen: Option<(u16, f64)>,
    /// When that probe was last serviced.
    pub serviced_at: Option<Timestamp>,
    /// Whether it is known of every aerator group if it runs.
    pub aerators_known: bool,
    /// pH.
    pub ph: Option<f64>,
    /// Temperature, °C.
    pub temperature_c: Option<f64>,
    /// Salinity as a probe reads it, PSU.
    pub salinity_psu: Option<f64>,
    /// Depth as a probe reads it, m.
    pub depth_m: Option<f64>,
    /// Light as a probe reads it, µmol/m2/s.
    pub light_umol_m2_s: Option<f64>,
}

/// What is known of a pond's production and respiration.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Metabolism {
    open: Option<Open>,
    /// When oxygen was last seen, by which probe, and what it was.
    last: Option<(Timestamp, u16, f64)>,
    /// Oldest first.
    days: VecDeque<Day>,
    /// Whether the newest day is still to be judged.
    unjudged: bool,
    crash: Option<Crash>,
    bloom: Option<Bloom>,
}

impl Metabolism {
    /// Looks at the water at `now`. `night` is the sunset and sunrise of the night that is on or was last,
    /// where one is known. A new sunset closes the farm day before.
    pub fn look(
        &mut self,
        now: Timestamp,
        night: Option<(Timestamp, Timestamp)>,
        look: &Look,
        tank: Option<&Tank>,
        aeration: &Respiration,
    ) {
        self.take(now, look, tank, aeration);
        let Some((sunset, sunrise)) = night.filter(|&(sunset, _)| sunset <= now) else { return };
        if self.open.as_ref().is_some_and(|open| open.sunset == sunset) {
            return;
        }
        if let Some(open) = self.open.take() {
            // A farm that was away for more than a day has no such day.
            if sunset - open.sunset < Span::from_hours(30) {
                self.days.push_back(Day { ended: sunset, balance: open.close(sunset) });
                self.unjudged = true;
            }
        }
        while self.days.front().is_some_and(|day| sunset - day.ended > REMEMBERED) {
            self.days.pop_front();
        }
        // Who begins to watch in the middle of a night does not know that night.
        self.open = Some(Open::new(sunset, sunrise));
    }

    /// Adds the stretch since the last look to the farm day.
    fn take(&mut self, now: Timestamp, look: &Look, tank: Option<&Tank>, aeration: &Respiration) {
        let Some(open) = &mut self.open else {
            self.last = look.oxygen.map(|(probe, oxygen)| (now, probe, oxygen));
            return;
        };
        open.see(now, look);
        // A probe that reports each half hour has nothing for every second look.
        let Some((probe, oxygen)) = look.oxygen else { return };
        let before = self.last.replace((now, probe, oxygen));
        let (Some((then, same, was)), Some(tank)) = (before, tank) else { return };
        let is_whole = same == probe
            && now > then
            && now - then <= LONGEST_STRETCH
            && look.serviced_at.is_none_or(|at| at < then - EVERY);
        if !is_whole {
            return;
        }
        // The values stand for the middle of their quarter hours.
        let half = Span::from_millis(EVERY.as_millis() / 2);
        let sotr = aeration.mean_sotr(then - half, now - half).filter(|_| look.aerators_known);
        open.add(then, now, (was, oxygen), tank, sotr);
    }

    /// Farm days, oldest first.
    pub fn days(&self) -> impl DoubleEndedIterator<Item = &Day> {
        self.days.iter()
    }

    /// The days whose balance is known, oldest first.
    fn known(&self) -> impl DoubleEndedIterator<Item = (Timestamp, &Balance)> {
        self.days.iter().filter_map(|day| Some((day.ended, day.balance.as_ref().ok()?)))
    }

    /// Slopes over the remembered days by Theil-Sen; `None` for fewer than five known ones.
    pub fn trend(&self) -> Option<Trend> {
        let newest = self.days.back()?.ended;
        let slope = |value: fn(&Balance) -> f64| {
            let points: Vec<(f64, f64)> = self
                .known()
                .map(|(ended, balance)| ((ended - newest).as_hours() / (7.0 * 24.0), value(balance)))
                .collect();
            theil_sen(&points).map(|(slope, _)| slope)
        };
        let days = self.known().count();
        if days < TREND_DAYS {
            return None;
        }
        Some(Trend {
            production_mg_l: slope(|balance| balance.production_mg_l)?,
            respiration_mg_l: slope(|balance| balance.respiration_mg_l)?,
            days,
        })
    }
}

/// Median of something about some balances.
fn median_of(balances: &[&Balance], value: impl Fn(&Balance) -> Option<f64>) -> Option<f64> {
    let mut values: Vec<f64> = balances.iter().filter_map(|balance| value(balance)).collect();
    median(&mut values)
}
