//! Restlessness: a probe that jumps about far more than it usually does. Not a QARTOD test; a loose
//! plug, a ground loop or a bubble that comes and goes shows so, in readings of which none fails alone.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use super::{RATE_OVER, Watch};
use crate::effect::Flag;
use crate::quality::history::hour_of;
use crate::site::QualityLimits;
use crate::time::{Span, Timestamp};
use crate::window::median;

/// Hours of which the usual scatter is known.
const HOURS: usize = 7 * 24;
/// So many hours must be known before anything is unusual.
const LEAST_HOURS: usize = 24;
/// Scatter this many times the usual is restless. (Common practice, no source.)
const TIMES: f64 = 6.0;
/// And it must be this share of a suspect spike at least, for a fast and for a slow probe.
const OF_A_SPIKE: (f64, f64) = (0.25, 0.5);
/// For a slow probe also this share of a usual day's range: lively water is no loose plug. (Chosen on a
/// tidal slough's and a lagoon's recordings, in which nothing was restless.)
const OF_A_DAY: f64 = 0.2;
/// Once restless it must calm down to this share of the limit.
const CALM: f64 = 0.7;

/// Scatter of the last days, one value an hour.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Restlessness {
    hours: VecDeque<f32>,
    hour: Option<i64>,
    usual: Option<f64>,
    is_on: bool,
}

impl Watch {
    /// Judges the newest readings together, for a probe that reports once in `every`.
    pub(super) fn restless(&mut self, limits: &QualityLimits, at: Timestamp, every: Option<Span>) -> Flag {
        let (Some((spike, _)), Some(every)) = (limits.spike, every) else { return Flag::NotEvaluated };
        let scatter = self.scatter_of_newest();
        let day = OF_A_DAY * self.of_the_day(every);
        let own = &mut self.restlessness;
        let Some(usual) = own.usual else {
            own.note(at, scatter);
            return Flag::NotEvaluated;
        };
        // Water moves further between the readings of a slow probe.
        let share = if every >= RATE_OVER { OF_A_SPIKE.1 } else { OF_A_SPIKE.0 };
        let slow = libm::sqrt((every.as_hours() * 12.0).max(1.0));
        let most = (TIMES * usual).max(share * spike * slow).max(day);
        own.is_on = scatter.is_some_and(|scatter| scatter > if own.is_on { CALM * most } else { most });
        if own.is_on {
            return Flag::Suspect;
        }
        own.note(at, scatter);
        Flag::Pass
    }

    /// Robust scatter of a reading about its neighbours, of the newest sixteen.
    fn scatter_of_newest(&self) -> Option<f64> {
        const NEWEST: usize = 16;
        if self.recent.len() < NEWEST {
            return None;
        }
        let values: Vec<f64> =
            self.recent.iter().skip(self.recent.len() - NEWEST).map(|&(_, value)| value).collect();
        let mut bends: Vec<f64> = values
            .windows(3)
            .filter_map(|three| match three {
                [a, b, c] => Some(libm::fabs(b - (a + c) / 2.0)),
                _ => None,
            })
            .collect();
        median(&mut bends).map(|bend| 1.4826 * bend)
    }
}

impl Restlessness {
    /// Keeps a calm hour's scatter.
    fn note(&mut self, at: Timestamp, scatter: Option<f64>) {
        let hour = hour_of(at);
        let Some(scatter) = scatter.filter(|_| self.hour != Some(hour)) else { return };
        self.hour = Some(hour);
        if self.hours.len() >= HOURS {
            self.hours.pop_front();
        }
        self.hours.push_back(scatter as f32);
        let mut known: Vec<f64> = self.hours.iter().map(|&scatter| f64::from(scatter)).collect();
        self.usual = (known.len() >= LEAST_HOURS).then(|| median(&mut known)).flatten();
    }

    /// Bytes held.
    pub(super) fn size_bytes(&self) -> usize {
        self.hours.capacity() * size_of::<f32>()
    }
}
