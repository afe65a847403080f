//! What speaks for how far oxygen will still fall, and how much each is believed at first.

use alloc::format;
use alloc::string::String;

use crate::regression::Terms;

/// What this evening and the pond's memory say of the fall still to come, each in mg/L.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Witnesses {
    pub(super) oxygen_mg_l: f64,
    pub(super) hours_left: f64,
    pub(super) line: f64,
    pub(super) exponential: f64,
    pub(super) usual: f64,
    pub(super) memory: Option<Memory>,
    pub(super) deficit: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Memory {
    pub(super) mean_fall: f64,
    pub(super) last_fall: f64,
    pub(super) mean_low: f64,
    pub(super) last_low: f64,
    pub(super) nights: usize,
}

/// Shipped weights of the terms, in the order of [`Witnesses::terms`], so many hours after sunset:
/// they say that the coming low resembles the last lows, corrected by how tonight compares. The later
/// the hour, the more the present oxygen and the usual fall from this hour on count, and the less the
/// level of the last lows. (Our own choice, not fitted to any site; the pond's nights move them.)
pub(super) fn shipped(phase: usize) -> Terms {
    let late = (phase as f64 / 12.0).min(1.0);
    let evening = 0.05 + 0.05 * late;
    let fall = 0.10 + 0.40 * late;
    let level = 1.0 - evening - fall;
    [0.5 * evening, 0.5 * evening, 0.0, 0.7 * fall, 0.3 * fall, 0.3 * level, 0.7 * level, 0.0, 0.0]
}

/// The usual fall in an hour as a share of present oxygen, while nothing is known of a pond:
/// 0.3 mg/L per hour at 7 mg/L, the upper end of semi-intensive earthen ponds (Dalla Santa & Vinatea
/// 2007, Aquacult. Eng., sediment and water respiration, worked out for 1 m of water with shrimp).
pub(super) const USUAL_SHARE_PER_HOUR: f64 = 0.045;

/// Standard error to expect of a pond of which nothing is known: a little for the probe and the spot,
/// more the longer the night still is. (Our own choice; the pond's own errors replace it.)
pub(super) fn shipped_error(hours_left: f64) -> f64 {
    0.3 + 0.11 * hours_left.max(0.0)
}

impl Witnesses {
    fn evening(&self) -> f64 {
        0.5 * (self.exponential + self.usual)
    }

    pub(super) fn terms(&self) -> Terms {
        let evening = self.evening();
        let (mean_fall, last_fall, over_mean, over_last) =
            self.memory.map_or((evening, evening, evening, evening), |memory| {
                let over = |low: f64| self.oxygen_mg_l - low;
                (memory.mean_fall, memory.last_fall, over(memory.mean_low), over(memory.last_low))
            });
        [
            self.line.min(self.oxygen_mg_l),
            self.exponential,
            self.usual,
            mean_fall,
            last_fall,
            over_mean,
            over_last,
            self.deficit,
            1.0,
        ]
    }
}

pub(super) fn basis(witnesses: &Witnesses) -> String {
    let low = |fall: f64| (witnesses.oxygen_mg_l - fall).max(0.0);
    let evening = format!(
        "this evening's straight line leads to {:.1} mg/L at sunrise, its exponential course to {:.1}",
        low(witnesses.line),
        low(witnesses.exponential),
    );
    match witnesses.memory {
        Some(memory) => format!(
            "{evening}; last night's low was {:.1}, the mean low of {} nights {:.1}, after a fall of {:.1} from this hour on",
            memory.last_low, memory.nights, memory.mean_low, memory.mean_fall,
        ),
        None => format!(
            "{evening}; no night of this pond is known yet, so a usual fall of {:.1} mg/L stands in",
            witnesses.usual
        ),
    }
}
