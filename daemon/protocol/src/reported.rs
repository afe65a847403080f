//! A number that a probe reports, and what it stands for: scale, offset, the marks for "no value" and the range in
//! which the number means anything. Registers and texts have this in common.

use alloc::string::String;
use alloc::vec::Vec;

/// Currents of a 4–20 mA loop that carry a measurement, mA (NAMUR NE 43): what is below or above is the mark of a
/// broken loop or of a transmitter that reports its own failure.
pub const LOOP_MA: (f64, f64) = (3.8, 20.5);

/// What a raw number stands for.
#[derive(Debug, Clone, PartialEq)]
pub struct Reported {
    /// What it holds: a quantity id.
    pub channel: String,
    /// Multiplied with the raw number.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// Unit after scaling, for people.
    pub unit: String,
    /// Raw numbers that mean "no value", such as -9999.
    pub no_value: Vec<f64>,
    /// Raw numbers outside are no measurement, such as the current of a broken loop.
    pub range: Option<(f64, f64)>,
}

/// Why a number is no value.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoValue {
    /// The probe's own mark for it.
    #[error("the probe says it has no value (raw {0})")]
    Marked(f64),
    /// Below the range that carries a measurement.
    #[error("under range: raw {raw} is below {lowest}, as of a broken loop or a probe without power")]
    UnderRange {
        /// The number.
        raw: f64,
        /// The lowest that means something.
        lowest: f64,
    },
    /// Above the range that carries a measurement.
    #[error(
        "over range: raw {raw} is above {highest}, as of a shorted loop or a probe that reports its failure"
    )]
    OverRange {
        /// The number.
        raw: f64,
        /// The highest that means something.
        highest: f64,
    },
    /// Not a finite number.
    #[error("{0} is no finite number")]
    NotFinite(f64),
}

/// Whether a raw number is a value at all.
///
/// # Errors
/// Why not.
pub fn check(raw: f64, no_value: &[f64], range: Option<(f64, f64)>) -> Result<(), NoValue> {
    if !raw.is_finite() {
        return Err(NoValue::NotFinite(raw));
    }
    if no_value.contains(&raw) {
        return Err(NoValue::Marked(raw));
    }
    match range {
        Some((lowest, _)) if raw < lowest => Err(NoValue::UnderRange { raw, lowest }),
        Some((_, highest)) if raw > highest => Err(NoValue::OverRange { raw, highest }),
        _ => Ok(()),
    }
}

impl Reported {
    /// The value that a raw number stands for.
    ///
    /// # Errors
    /// It stands for none.
    pub fn value(&self, raw: f64) -> Result<f64, NoValue> {
        check(raw, &self.no_value, self.range)?;
        let value = raw * self.scale + self.offset;
        if value.is_finite() { Ok(value) } else { Err(NoValue::NotFinite(value)) }
    }

    /// The raw number of a value, as a probe of this kind would send it.
    pub fn raw(&self, value: f64) -> f64 {
        (value - self.offset) / self.scale
    }
}

/// What scale and offset turn a raw number into a value, where `to_ma` turns it into the current of a loop that
/// means `low` at 4 mA and `high` at 20 mA; with the range of raw numbers that carry a measurement.
pub fn loop_scaling(to_ma: f64, low: f64, high: f64) -> (f64, f64, (f64, f64)) {
    let per_ma = (high - low) / 16.0;
    let ends = (LOOP_MA.0 / to_ma, LOOP_MA.1 / to_ma);
    let range = if ends.0 <= ends.1 { ends } else { (ends.1, ends.0) };
    (per_ma * to_ma, low - 4.0 * per_ma, range)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A level gauge of 0 to 3 m behind a converter that counts microamperes: worked out by hand.
    #[test]
    fn a_loop_is_scaled_and_a_broken_one_is_no_level() {
        let (scale, offset, range) = loop_scaling(0.001, 0.0, 3.0);
        let level = Reported {
            channel: "depth_m".into(),
            scale,
            offset,
            unit: "m".into(),
            no_value: Vec::new(),
            range: Some(range),
        };
        for (raw, metres) in [(4_000.0, 0.0), (12_000.0, 1.5), (20_000.0, 3.0), (3_800.0, -0.0375)] {
            let found = level.value(raw).expect("a level");
            assert!((found - metres).abs() < 1e-9, "{raw}: {found}");
            assert!((level.raw(metres) - raw).abs() < 1e-6);
        }
        for (raw, under) in
            [(0.0, true), (3_600.0, true), (3_799.0, true), (20_501.0, false), (22_000.0, false)]
        {
            match level.value(raw) {
                Err(NoValue::UnderRange { .. }) if under => {}
                Err(NoValue::OverRange { .. }) if !under => {}
                other => panic!("{raw}: {other:?}"),
            }
        }
        assert!(level.value(f64::NAN).is_err());
    }
}
