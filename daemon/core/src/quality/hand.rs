//! A hand reading held against a probe: a check of reason, never a calibration.

use alloc::vec;
use alloc::vec::Vec;

use super::{gross_range, merge, syntax};
use crate::effect::{Flag, Reading, Test};
use crate::quantity::Quantity;
use crate::site::{PondIndex, QualityLimits};
use crate::time::Timestamp;

/// A hand reading beside a probe's.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct HandCheck {
    /// When the water was sampled by hand.
    pub at: Timestamp,
    /// What the hand meter read.
    pub hand: f64,
    /// What the probe read then.
    pub probe: f64,
    /// Whether the hand reading before, too, was off by more than is worth a look, and to the same side.
    pub again: bool,
}

impl HandCheck {
    /// In the unit of the quantity; `None` where hand meters are not held against probes.
    ///
    /// Difference that is worth a look, and difference at which one of the two is wrong: 0.5 mg/L and
    /// 1 mg/L of oxygen, 0.2 and 0.5 of pH, 0.5 and 1.5 C, 1 and 3 PSU. (Common practice, no source.)
    pub fn allowed(quantity: Quantity) -> Option<(f64, f64)> {
        match quantity {
            Quantity::DoMgL => Some((0.5, 1.0)),
            Quantity::Ph => Some((0.2, 0.5)),
            Quantity::TemperatureC => Some((0.5, 1.5)),
            Quantity::SalinityPsu => Some((1.0, 3.0)),
            _ => None,
        }
    }

    /// Whether the probe must be wrong: far off once, or off to the same side twice running.
    pub fn contradicts(&self, quantity: Quantity) -> bool {
        let off = libm::fabs(self.hand - self.probe);
        Self::allowed(quantity).is_some_and(|(look, wrong)| off > wrong || (self.again && off > look))
    }

    /// Whether a check after this one that is off as well would be so again.
    pub fn repeats(&self, quantity: Quantity, later: f64) -> bool {
        let off = self.hand - self.probe;
        Self::allowed(quantity)
            .is_some_and(|(look, _)| libm::fabs(off) > look && libm::fabs(later) > look && off * later > 0.0)
    }

    /// Whether they are as near as two meters are.
    pub fn agrees(&self, quantity: Quantity) -> bool {
        Self::allowed(quantity).is_some_and(|(look, _)| libm::fabs(self.hand - self.probe) <= look)
    }
}

/// Judges what a person entered: syntax and gross range only.
pub fn judge_entry(
    pond: PondIndex,
    quantity: Quantity,
    value: f64,
    at: Timestamp,
    limits: Option<&QualityLimits>,
) -> Reading {
    let mut tests: Vec<(Test, Flag)> = vec![(Test::Syntax, syntax(quantity, value))];
    if let Some(limits) = limits {
        tests.push((Test::GrossRange, gross_range(limits, value)));
    }
    let flag = merge(&tests);
    Reading { pond: Some(pond), probe: None, quantity, at, raw: Some(value), value: Some(value), flag, tests }
}
