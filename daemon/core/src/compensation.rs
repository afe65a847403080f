//! Salinity and pressure for oxygen, where the probe does not take them into account itself.
//!
//! A probe that measures how full of oxygen the water is turns that into mg/L by the solubility at the
//! salinity it is set to. In water of another salinity it is off by the ratio of the two solubilities:
//! one left at 0 PSU reads 12 % too high at 20 PSU and 30 C, the unsafe side. One that was set in air
//! under another pressure than it was told is off by the ratio of the pressures, and stays so: mg/L does not
//! follow the barometer afterwards, so it is the usual pressure of the place that counts, not the hour's.
//! Done once: by the probe or here, as the configuration says.

use pondreeve_chemistry::oxygen::saturation_mg_l;
use pondreeve_chemistry::units::{Celsius, Hectopascal, Salinity};

use crate::derived::Water;
use crate::said::{Said, fixed, said, tenth};

/// What an oxygen probe assumes; `None` where it takes the true value into account itself.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Compensation {
    /// The salinity it is set to, PSU.
    pub assumed_salinity_psu: Option<f64>,
    /// The air pressure it was told when it was set in air here, hPa.
    pub assumed_pressure_hpa: Option<f64>,
}

/// What an oxygen reading is multiplied by.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Factors {
    /// In the pond.
    pub pond: f64,
    /// In a standard: without the salt, which is the pond's. The air is the same, and a probe that was told
    /// another pressure must not be set right for it twice.
    pub standard: f64,
}

impl Factors {
    /// Leaves a reading as it is.
    pub const NONE: Self = Self { pond: 1.0, standard: 1.0 };
}

/// Temperature taken where none is known: the factor moves by less than 1 % from 20 to 35 C.
const ASSUMED_C: f64 = 28.0;

/// A setting this far from the water's salinity is wrong, PSU: 2 % of oxygen. (Common practice, no
/// source.)
pub const SETTING_OFF_PSU: f64 = 3.0;

/// The salinity a probe says it is set to, beside that of the water it was in.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct SalinitySetting {
    /// What it says, PSU.
    pub set_psu: f64,
    /// The water, as known when it was last looked at, PSU; `None` for a probe in no pond.
    pub water_psu: Option<f64>,
}

/// Beyond the formula's reach the nearest end of it counts: the ratio is then nearly right, and to stop
/// compensating at 45 PSU would let oxygen jump up by a fifth.
fn solubility(temperature_c: f64, salinity_psu: f64, pressure_hpa: f64) -> Option<f64> {
    let value = saturation_mg_l(
        Celsius::new(temperature_c.clamp(Celsius::LOWEST, Celsius::HIGHEST)).ok()?,
        Salinity::new(salinity_psu.clamp(Salinity::LOWEST, Salinity::HIGHEST)).ok()?,
        Hectopascal::new(pressure_hpa.clamp(Hectopascal::LOWEST, Hectopascal::HIGHEST)).ok()?,
    );
    (value.is_finite() && value > 0.0).then_some(value)
}

impl Compensation {
    /// What the probe's oxygen is multiplied by: the solubility in this water over that it assumed. 1
    /// where it compensates itself, or where a figure is no number.
    pub fn factor(&self, water: &Water) -> f64 {
        if *self == Self::default() {
            return 1.0;
        }
        let temperature_c = water.temperature_c.map_or(ASSUMED_C, |seen| seen.value);
        let assumed = solubility(
            temperature_c,
            self.assumed_salinity_psu.unwrap_or(water.salinity_psu),
            self.assumed_pressure_hpa.unwrap_or(water.pressure_hpa),
        );
        let here = solubility(temperature_c, water.salinity_psu, water.pressure_hpa);
        here.zip(assumed).map_or(1.0, |(here, assumed)| here / assumed)
    }

    /// The factors in the pond and in a standard.
    pub fn factors(&self, water: &Water) -> Factors {
        let air = Self { assumed_salinity_psu: None, ..*self };
        Factors { pond: self.factor(water), standard: air.factor(water) }
    }

    /// What is wrong with the salinity a probe says it is set to, in water of `pond_psu`.
    pub fn complaint(&self, set_psu: f64, pond_psu: f64) -> Option<Said> {
        let should = self.assumed_salinity_psu.unwrap_or(pond_psu);
        let allowed = if self.assumed_salinity_psu.is_some() { 0.5 } else { SETTING_OFF_PSU };
        if libm::fabs(set_psu - should) <= allowed {
            return None;
        }
        let off = solubility(ASSUMED_C, set_psu, 1013.25)
            .zip(solubility(ASSUMED_C, should, 1013.25))
            .map(|(set, should)| 100.0 * (set / should - 1.0))?;
        let way = if off > 0.0 {
            said!("misset-high", "high, the unsafe side")
        } else {
            said!("misset-low", "low, the safe side")
        };
        let expected = if self.assumed_salinity_psu.is_some() {
            said!("misset-configured", "{psu} PSU, as the configuration says,", psu = tenth(should))
        } else {
            said!("misset-pond", "the {psu} PSU of its pond", psu = tenth(should))
        };
        Some(said!(
            "probe-misset",
            "is set to a salinity of {psu} PSU instead of {expected} and reads oxygen {off} % too {way}: set the probe, or say probe_salinity_psu = {psu} in its calibration",
            psu = tenth(set_psu),
            expected = expected,
            off = fixed(libm::fabs(off), 0),
            way = way
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::effect::Flag;
    use crate::quality::Seen;
    use crate::time::Timestamp;

    fn water(temperature_c: f64, salinity_psu: f64, pressure_hpa: f64) -> Water {
        Water {
            temperature_c: Some(Seen { value: temperature_c, at: Timestamp(0), flag: Flag::Pass }),
            salinity_psu,
            salinity_flag: Flag::Pass,
            pressure_hpa,
            pressure_flag: Flag::Pass,
        }
    }

    /// Saturation at 30 C and sea level by Benson & Krause 1984: 7.56 in fresh water, 7.15 at 10 PSU, 6.77 at
    /// 20, 6.41 at 30.
    #[test]
    fn a_probe_left_at_fresh_water_is_brought_to_the_ponds_salinity() {
        let fresh = Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: None };
        for (salinity, saturation) in [(0.0, 7.56), (10.0, 7.15), (20.0, 6.77), (30.0, 6.41)] {
            let factor = fresh.factor(&water(30.0, salinity, 1013.25));
            assert!((factor - saturation / 7.56).abs() < 0.0015, "{salinity}: {factor}");
        }
        assert_eq!(Compensation::default().factor(&water(30.0, 20.0, 1013.25)), 1.0, "never twice");
    }

    /// About 1 % per 10 hPa.
    #[test]
    fn a_probe_set_under_another_pressure_is_brought_to_the_ponds() {
        let sea = Compensation { assumed_salinity_psu: None, assumed_pressure_hpa: Some(1013.25) };
        let factor = sea.factor(&water(30.0, 20.0, 1003.25));
        assert!((factor - 0.99).abs() < 0.001, "{factor}");
    }

    #[test]
    fn a_wrong_setting_is_told_with_its_side() {
        let own = Compensation::default();
        let told = own.complaint(0.0, 20.0).unwrap();
        // 7.56 / 6.77 at 30 C is 12 %; at 28 C as well.
        assert!(told.contains("set to a salinity of 0.0 PSU instead of the 20.0 PSU of its pond"), "{told}");
        assert!(told.contains("12 % too high, the unsafe side"), "{told}");
        assert!(own.complaint(35.0, 20.0).unwrap().contains("too low, the safe side"));
        assert_eq!(own.complaint(18.0, 20.0), None);
        let here = Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: None };
        assert_eq!(here.complaint(0.0, 20.0), None, "corrected here, as configured");
        assert!(here.complaint(20.0, 20.0).unwrap().contains("as the configuration says"));
    }

    /// In water a little too salt or too warm for the formula the compensation must not be dropped: oxygen
    /// would jump up, to the unsafe side.
    #[test]
    fn beyond_the_reach_of_the_formula_its_end_counts() {
        let fresh = Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: None };
        let factor = |t, s| fresh.factor(&water(t, s, 1013.25));
        assert_eq!(factor(30.0, 46.0), factor(30.0, 45.0));
        assert_eq!(factor(41.0, 20.0), factor(40.0, 20.0));
        assert!(factor(30.0, 46.0) < factor(30.0, 30.0));
        for (t, s, p) in [(f64::NAN, 20.0, 1013.0), (30.0, f64::NAN, 1013.0)] {
            assert_eq!(fresh.factor(&water(t, s, p)), 1.0);
        }
        assert_eq!(
            Compensation { assumed_salinity_psu: Some(f64::NAN), ..fresh }.factor(&water(30.0, 20.0, 1013.0)),
            1.0
        );
    }

    #[test]
    fn without_a_temperature_it_is_right_within_one_percent_in_warm_water() {
        let fresh = Compensation { assumed_salinity_psu: Some(0.0), assumed_pressure_hpa: None };
        let unknown = fresh.factor(&Water { temperature_c: None, ..water(0.0, 20.0, 1013.25) });
        for celsius in [20.0, 25.0, 30.0, 35.0] {
            let known = fresh.factor(&water(celsius, 20.0, 1013.25));
            assert!((known / unknown - 1.0).abs() < 0.01, "{celsius}: {known} {unknown}");
        }
    }
}
