//! A step between two readings that stays: the water of a pond does not do so, a bubble under a cap, a
//! probe lifted out, a shifted cable does. Not a QARTOD test: those look at a step only while it happens.

use super::{Around, Watch};
use crate::effect::Flag;
use crate::site::QualityLimits;
use crate::time::{Span, Timestamp};

/// Only readings this near to one another show a step; in longer times water moves far.
const NEAR: Span = Span::from_minutes(10);
/// A step is this many times a suspect spike. (Common practice, no source.)
const OF_A_SPIKE: f64 = 1.5;
/// And so many times the channel's own scatter.
const SIGMAS: f64 = 12.0;
/// It stays while readings keep this share of it.
const STAYS: f64 = 0.6;
/// So many readings must have kept it.
const KEPT: u8 = 4;
/// After this long the water may well have come to where the probe stands. (Common practice, no source.)
const FORGOTTEN_AFTER: Span = Span::from_hours(12);

/// A step that may stay, or does.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Step {
    at: Timestamp,
    from: f64,
    by: f64,
    kept: u8,
}

impl Watch {
    /// A hand meter agrees: whatever stepped, it was the water.
    pub fn found_right(&mut self) {
        self.step = None;
    }

    /// Whether the newest reading stands beyond a step.
    pub(super) fn stepped(
        &mut self,
        limits: &QualityLimits,
        at: Timestamp,
        value: f64,
        around: &Around,
    ) -> Flag {
        let Some((spike, _)) = limits.spike else { return Flag::NotEvaluated };
        let Some(&(last_at, last)) = self.recent.back() else { return Flag::NotEvaluated };
        let least = (OF_A_SPIKE * spike).max(SIGMAS * self.scatter.0);
        if let Some(step) = &mut self.step {
            let kept = (value - step.from) * step.by >= STAYS * step.by * step.by;
            if !kept || at - step.at > FORGOTTEN_AFTER {
                self.step = None;
            } else {
                step.kept = step.kept.saturating_add(1);
                return if step.kept >= KEPT { Flag::Suspect } else { Flag::Pass };
            }
        }
        let by = value - last;
        if at - last_at <= NEAR && !around.stirred && libm::fabs(by) >= least {
            self.step = Some(Step { at, from: last, by, kept: 0 });
        }
        Flag::Pass
    }
}
