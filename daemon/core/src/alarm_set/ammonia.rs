//! Un-ionised ammonia against its limits: half of them while shrimp are short of oxygen.

use super::side;
use crate::alarm::Sight;
use crate::quality::Seen;
use crate::site::Threshold;

/// Below this the limits of un-ionised ammonia count half, mg/L. Ammonia grows more toxic below 55 % of saturation,
/// 3.7 mg/L, and twice as toxic at 27 % (Wajsbrot and others 1990, on P. semisulcatus). Half from the first of
/// these on: common practice.
pub const SHORT_OF_OXYGEN_MG_L: f64 = 3.7;

/// Oxygen must be so far above before the whole limits count again, mg/L. (Common practice, no source.)
const OXYGEN_DEADBAND_MG_L: f64 = 0.4;

/// Whether half the limits count. Where oxygen is not observed, the whole ones.
pub(super) fn is_short(oxygen: Option<Seen>) -> bool {
    oxygen.is_some_and(|seen| seen.value < SHORT_OF_OXYGEN_MG_L)
}

/// Half of a limit, with its deadband in proportion.
pub(super) fn halved(threshold: Threshold) -> Threshold {
    Threshold { limit: threshold.limit / 2.0, deadband: threshold.deadband / 2.0, ..threshold }
}

/// What is seen of ammonia. Just above 3.7 mg/L of oxygen, what only half the limit held against it is neither
/// raised nor cleared, so that oxygen that wavers there does not make the alarm chatter.
pub(super) fn sight(threshold: Threshold, value: f64, oxygen: Option<Seen>) -> Sight {
    let half = side(halved(threshold), false, value);
    if is_short(oxygen) {
        return half;
    }
    match side(threshold, false, value) {
        Sight::Clear
            if half != Sight::Clear
                && oxygen.is_some_and(|seen| seen.value < SHORT_OF_OXYGEN_MG_L + OXYGEN_DEADBAND_MG_L) =>
        {
            Sight::Deadband
        }
        whole => whole,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::effect::Flag;
    use crate::site::Limits;
    use crate::time::Timestamp;

    /// Limit of the mean 0.12 mg/L, deadband 0.024: halved 0.06 and 0.012.
    #[test]
    fn half_the_limit_counts_while_shrimp_are_short_of_oxygen() {
        let limit = Limits::grow_out().nh3_mean_mg_l[1];
        let at = |value: f64| Some(Seen { value, at: Timestamp(0), flag: Flag::Pass });
        for (ammonia, oxygen, expected) in [
            (0.07, at(5.0), Sight::Clear),
            (0.07, at(3.7), Sight::Deadband),
            (0.07, at(3.69), Sight::Beyond),
            (0.07, at(4.09), Sight::Deadband),
            (0.07, at(4.11), Sight::Clear),
            (0.07, None, Sight::Clear),
            (0.049, at(3.0), Sight::Deadband),
            (0.048, at(3.0), Sight::Clear),
            (0.048, at(3.8), Sight::Clear),
            (0.121, at(6.0), Sight::Beyond),
            (0.121, None, Sight::Beyond),
        ] {
            assert_eq!(sight(limit, ammonia, oxygen), expected, "{ammonia} mg/L at oxygen {oxygen:?}");
        }
    }
}
