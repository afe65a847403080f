//! What speaks for tonight's low, and how much each is believed at first.
//!
//! Most skill is memory: the coming low resembles the last one. The terms say by how much tonight
//! should differ from it, each in mg/L and zero on a night like the last ones, so that their weighted
//! sum is a correction that can be read out one by one.

use crate::regression::Terms;

/// What this evening and the pond's memory say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Witnesses {
    /// Oxygen now, mg/L.
    pub(super) oxygen_mg_l: f64,
    /// Mean oxygen of the last half hour, mg/L.
    pub(super) half_hour_mg_l: f64,
    /// Since sunset.
    pub(super) hours_seen: f64,
    pub(super) hours_left: f64,
    /// Where the straight line through the last two hours leads at sunrise, mg/L.
    pub(super) line_mg_l: Option<f64>,
    /// Where an exponential course through all of the evening leads at sunrise, mg/L.
    pub(super) exponential_mg_l: Option<f64>,
    /// Where what the pond has used up this evening, drawn towards the usual, leads under the aerators that run,
    /// mg/L.
    pub(super) balance_mg_l: Option<f64>,
    /// Whether a timer switches some of them.
    pub(super) has_timers: bool,
    /// Where a usual fall in ponds leads at sunrise, mg/L.
    pub(super) usual_mg_l: f64,
    /// Mean oxygen of the ten hours before sunset, mg/L.
    pub(super) day_mg_l: Option<f64>,
    pub(super) saturation_mg_l: Option<f64>,
    pub(super) memory: Option<Memory>,
}

/// What recent nights say at the same hour; "usual" is a mean in which a night counts less the longer
/// ago it is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Memory {
    pub(super) last_low: f64,
    pub(super) usual_low: f64,
    pub(super) mean_low: f64,
    /// From this hour to the low, mg/L.
    pub(super) last_fall: Option<f64>,
    pub(super) usual_fall: Option<f64>,
    /// What is left at the low of the oxygen at this hour.
    pub(super) usual_share: Option<f64>,
    pub(super) last_saturation: Option<f64>,
    pub(super) usual_saturation: Option<f64>,
    pub(super) last_day: Option<f64>,
    pub(super) nights: usize,
    /// How long ago the last one was: 1 for last night, more where nights went unseen.
    pub(super) nights_ago: usize,
}

/// Shipped weights of the terms, in the order of [`Witnesses::terms`], so many hours after sunset. A
/// colder or saltier pond holds more oxygen and keeps more by dawn; a day that made more starts the
/// night higher; the later the hour, the more the usual fall from now on tells, as so many mg/L and as a share of what is there. (Our own choice: they
/// are round, not fitted to a site, and the pond's own nights move them.)
pub(super) fn shipped(phase: usize) -> Terms {
    let late = (phase as f64 / 12.0).min(1.0);
    [0.05, 0.12, 0.2, 0.25, 0.1, 0.1 + 0.1 * late, 0.0, 0.05, 0.02, 0.1 + 0.1 * late]
}

/// The usual fall in an hour as a share of present oxygen, while nothing is known of a pond:
/// 0.3 mg/L per hour at 7 mg/L, the upper end of semi-intensive earthen ponds (Dalla Santa & Vinatea
/// 2007, Aquacult. Eng., sediment and water respiration, worked out for 1 m of water with shrimp).
pub(super) const USUAL_SHARE_PER_HOUR: f64 = 0.045;

/// The usual fall is believed like so many hours of a pond's first evening. (Our own choice: the first
/// hours of an evening fall faster than the rest of the night.)
const USUAL_HOURS: f64 = 4.0;

/// Standard error to expect of a pond of which nothing is known: a little for the probe and the spot,
/// more the longer the night still is. (Our own choice; the pond's own errors replace it.)
pub(super) fn shipped_error(hours_left: f64) -> f64 {
    0.3 + 0.11 * hours_left.max(0.0)
}

/// No term speaks for more than this, mg/L: a spike that slipped through must not carry the night.
const FURTHEST_MG_L: f64 = 6.0;

impl Witnesses {
    /// What the terms correct, mg/L: last night's low, or in a pond's first night what this evening and
    /// a usual fall lead to.
    pub(super) fn base_mg_l(&self) -> f64 {
        let Some(memory) = self.memory else {
            let seen = self.hours_seen.max(0.0);
            let course = |own| self.usual_mg_l + (own - self.usual_mg_l) * seen / (seen + USUAL_HOURS);
            let evening = self.exponential_mg_l.map_or(self.usual_mg_l, course);
            return self.balance_mg_l.unwrap_or(evening);
        };
        memory.last_low
    }

    /// The terms, mg/L; zero where it is not known.
    pub(super) fn terms(&self) -> Terms {
        let Some(memory) = self.memory else { return Terms::default() };
        let base = memory.last_low;
        let over = |value: Option<f64>, than: Option<f64>| Some(value? - than?);
        let terms = [
            Some(memory.usual_low - base),
            Some(memory.mean_low - base),
            over(self.saturation_mg_l, memory.usual_saturation),
            over(self.saturation_mg_l, memory.last_saturation),
            over(self.day_mg_l, memory.last_day),
            memory.usual_fall.map(|fall| self.half_hour_mg_l - fall - base),
            over(memory.last_fall, memory.usual_fall),
            self.exponential_mg_l.map(|low| low - base),
            self.line_mg_l.map(|low| low - base),
            memory.usual_share.map(|share| self.half_hour_mg_l * share - base),
        ];
        terms.map(|term| {
            term.filter(|term| term.is_finite()).unwrap_or(0.0).clamp(-FURTHEST_MG_L, FURTHEST_MG_L)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn like_last_night() -> Witnesses {
        Witnesses {
            oxygen_mg_l: 7.0,
            half_hour_mg_l: 7.0,
            hours_seen: 4.0,
            hours_left: 10.0,
            line_mg_l: Some(4.0),
            exponential_mg_l: Some(4.0),
            balance_mg_l: None,
            has_timers: false,
            usual_mg_l: 4.5,
            day_mg_l: Some(9.0),
            saturation_mg_l: Some(6.6),
            memory: Some(Memory {
                last_low: 4.0,
                usual_low: 4.0,
                mean_low: 4.0,
                last_fall: Some(3.0),
                usual_fall: Some(3.0),
                usual_share: Some(4.0 / 7.0),
                last_saturation: Some(6.6),
                usual_saturation: Some(6.6),
                last_day: Some(9.0),
                nights: 5,
                nights_ago: 1,
            }),
        }
    }

    #[test]
    fn a_night_like_the_last_ones_has_nothing_to_correct() {
        let witnesses = like_last_night();
        assert_eq!(witnesses.base_mg_l(), 4.0);
        assert_eq!(witnesses.terms(), Terms::default());
    }

    #[test]
    fn what_is_not_known_says_nothing_and_a_spike_not_everything() {
        let unknown = Witnesses {
            saturation_mg_l: None,
            day_mg_l: Some(f64::NAN),
            exponential_mg_l: None,
            line_mg_l: Some(80.0),
            ..like_last_night()
        };
        assert_eq!(unknown.terms(), [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, FURTHEST_MG_L, 0.0]);
    }

    #[test]
    fn a_first_night_rests_on_the_evening_and_a_usual_fall() {
        let first = Witnesses { memory: None, ..like_last_night() };
        assert_eq!(first.base_mg_l(), 4.25);
        assert_eq!(
            Witnesses { balance_mg_l: Some(3.0), ..first }.base_mg_l(),
            3.0,
            "it is drawn to the usual itself"
        );
        assert_eq!(first.terms(), Terms::default());
    }

    #[test]
    fn shipped_each_unit_of_warmth_and_of_a_dull_day_lowers_the_forecast() {
        let warm = Witnesses { saturation_mg_l: Some(6.1), ..like_last_night() };
        let dull = Witnesses { day_mg_l: Some(7.0), ..like_last_night() };
        for (night, expected) in [(warm, -0.5 * (0.2 + 0.25)), (dull, -2.0 * 0.1)] {
            let sum: f64 = shipped(2).iter().zip(night.terms()).map(|(weight, term)| weight * term).sum();
            assert!((sum - expected).abs() < 1e-12, "{sum}");
        }
    }
}
