//! Limits to start from. An adviser must be able to change each of them; none is a guarantee.

use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

use crate::call::CallPlan;
use crate::compensation::Compensation;
use crate::quantity::Quantity;
use crate::site::{Channel, Limits, Pond, PondIndex, Probe, QualityLimits, Site, Threshold};
use crate::time::Span;
use crate::water_limits::WaterLimits;

const fn threshold(limit: f64, deadband: f64, on_min: i64, off_min: i64) -> Threshold {
    Threshold {
        limit,
        deadband,
        on_delay: Span::from_minutes(on_min),
        off_delay: Span::from_minutes(off_min),
    }
}

impl Limits {
    /// Penaeid shrimp in grow-out. Delays and deadbands: common practice, no source, throughout.
    ///
    /// - Oxygen: penaeids want a daily minimum above 3 mg/L for feed and growth (Boyd, "Dissolved
    ///   oxygen concentrations in pond aquaculture"); 3 to 4 for hours is stress, below 1 for hours
    ///   kills; keep above 2 (Kramer 1975); avoidance at 1.5 to 2 (Renaud 1986). The choice of 4, 3
    ///   and 2: common practice.
    /// - Fall of 1.5 mg/L in 30 min, forecast 4 and 3: common practice, no source.
    /// - No oxygen data at night for 10 and 20 min: common practice, no source; missing oxygen data
    ///   is treated as low oxygen.
    /// - pH: best 7 to 9, bloom ponds 7.5 to 9.5 in a day, lethal below 4 or above 10 (Boyd & Fast
    ///   1992, as quoted in a university shrimp course); the limits: common practice.
    /// - Un-ionised ammonia, 24-h mean: 0.12 is the "safety level" of P. vannamei juveniles at 15 PSU
    ///   (Lin & Chen 2001, JEMBE 259:109-119); 0.05 stays below the half-growth 0.070 of P. monodon
    ///   post-larvae (Aquacult. Fish. Manage., about 1991).
    /// - Un-ionised ammonia, peak of the day: 0.15 and 0.40 for a few hours, worked out from the 24-h
    ///   LC50 of 2.8 to 3.0 of the same 2001 study; weak.
    pub fn grow_out() -> Self {
        Self {
            do_low_mg_l: [
                threshold(4.0, 0.4, 10, 15),
                threshold(3.0, 0.4, 5, 15),
                threshold(2.0, 0.4, 1, 15),
            ],
            do_forecast_mg_l: [4.0, 3.0],
            do_fall_30min_mg_l: 1.5,
            do_blind_after: [Span::from_minutes(10), Span::from_minutes(20)],
            ph_low: [threshold(7.2, 0.1, 20, 30), threshold(6.8, 0.1, 20, 30)],
            ph_high: [threshold(8.8, 0.1, 20, 30), threshold(9.2, 0.1, 20, 30)],
            nh3_mean_mg_l: [threshold(0.05, 0.01, 0, 0), threshold(0.12, 0.024, 0, 0)],
            nh3_peak_mg_l: [threshold(0.15, 0.03, 0, 0), threshold(0.40, 0.08, 0, 0)],
            water: WaterLimits::grow_out(),
        }
    }

    /// Post-larvae, up to about day 30 of culture, and P. monodon below 1 g: as [`Limits::grow_out`]
    /// with ammonia tightened to 0.03 (growth limit 0.032 of P. monodon post-larvae, Aquacult. Fish.
    /// Manage., about 1991) and 0.06 (half the grow-out limit: common practice, no source).
    pub fn post_larvae() -> Self {
        Self {
            nh3_mean_mg_l: [threshold(0.03, 0.006, 0, 0), threshold(0.06, 0.012, 0, 0)],
            water: WaterLimits::post_larvae(),
            ..Self::grow_out()
        }
    }
}

impl QualityLimits {
    /// Common practice, no source, for samples each minute; check against two weeks of readings of
    /// the site. Salinity's suspect range is the whole of what shrimp are grown in: narrow it to the
    /// site's usual value ± 8 PSU. Oxygen is serviced weekly, pH each fortnight, salinity monthly. Quantities without customary limits get the range in which a value
    /// is conceivable at all.
    pub fn for_quantity(quantity: Quantity) -> Self {
        use Quantity as Q;
        let conceivable = quantity.conceivable();
        let (fail, suspect, stale_min, missing_min) = match quantity {
            Q::DoMgL => ((0.0, 25.0), (0.2, 20.0), 3, 10),
            Q::TemperatureC => ((5.0, 45.0), (18.0, 37.0), 10, 30),
            Q::Ph => ((2.0, 12.0), (6.5, 9.8), 10, 30),
            Q::SalinityPsu => ((0.0, 60.0), (0.0, 50.0), 10, 60),
            Q::PressureHpa => ((800.0, 1100.0), (850.0, 1050.0), 30, 180),
            Q::AeratorOn | Q::AeratorKw => (conceivable, conceivable, 3, 10),
            Q::TanMgL
            | Q::NitriteMgL
            | Q::NitrateMgL
            | Q::PhosphateMgL
            | Q::AlkalinityMgL
            | Q::HardnessMgL
            | Q::CalciumMgL
            | Q::MagnesiumMgL
            | Q::IronMgL
            | Q::SulfideMgL
            | Q::SecchiCm => (conceivable, conceivable, 48 * 60, 7 * 24 * 60),
            _ => (conceivable, conceivable, 10, 60),
        };
        let none = Self {
            fail,
            suspect,
            stale_after: Span::from_minutes(stale_min),
            missing_after: Span::from_minutes(missing_min),
            spike: None,
            rate_per_h: None,
            flat_line: None,
            climatology: None,
            attenuated_share: None,
            pinned_below: None,
            neighbour: None,
            service_every: None,
        };
        let flat = |tolerance, suspect_min, fail_min| {
            Some((tolerance, Span::from_minutes(suspect_min), Span::from_minutes(fail_min)))
        };
        match quantity {
            Q::DoMgL => Self {
                spike: Some((0.8, 2.0)),
                rate_per_h: Some(3.0),
                flat_line: flat(0.01, 30, 90),
                climatology: Some((4.0, 3.0)),
                attenuated_share: Some(0.2),
                pinned_below: Some(0.5),
                neighbour: Some(1.0),
                service_every: Some(Span::from_hours(7 * 24)),
                ..none
            },
            Q::TemperatureC => Self {
                spike: Some((0.5, 1.5)),
                rate_per_h: Some(2.0),
                flat_line: flat(0.01, 180, 480),
                climatology: Some((4.0, 3.0)),
                neighbour: Some(0.7),
                ..none
            },
            Q::Ph => Self {
                spike: Some((0.15, 0.4)),
                rate_per_h: Some(0.5),
                flat_line: flat(0.01, 180, 480),
                climatology: Some((4.0, 0.3)),
                neighbour: Some(0.4),
                service_every: Some(Span::from_hours(14 * 24)),
                ..none
            },
            Q::SalinityPsu => Self {
                spike: Some((1.0, 3.0)),
                rate_per_h: Some(2.0),
                flat_line: flat(0.01, 720, 2_880),
                climatology: Some((4.0, 5.0)),
                neighbour: Some(2.0),
                service_every: Some(Span::from_hours(30 * 24)),
                ..none
            },
            _ => none,
        }
    }

    /// Widens the gap limits for a probe that reports only once in `every`: one missed report is
    /// not yet stale (1.5 intervals), two are not yet missing (2.5 intervals). Never narrows them.
    #[must_use]
    pub fn reporting_every(self, every: Span) -> Self {
        let half = Span::from_millis(every.as_millis() / 2);
        let widened = |limit: Span, whole: i64| {
            limit.max(Span::from_millis(
                every.as_millis().saturating_mul(whole).saturating_add(half.as_millis()),
            ))
        };
        Self {
            stale_after: widened(self.stale_after, 1),
            missing_after: widened(self.missing_after, 2),
            ..self
        }
    }
}

impl Channel {
    /// A channel that needs no correction, with the default quality limits.
    pub fn uncorrected(quantity: Quantity) -> Self {
        Self {
            quantity,
            aerator: None,
            layer: None,
            calibration_slope: 1.0,
            calibration_offset: 0.0,
            compensation: Compensation::default(),
            quality: QualityLimits::for_quantity(quantity),
        }
    }
}

/// Chance of oxygen falling below its forecast limit that an aeration plan accepts: one night in ten.
/// (Common practice, no source.)
pub const AERATION_RISK: f64 = 0.1;

impl Site {
    /// One pond `pond` with one probe `recorded` that reports the given quantities once in `every`:
    /// what recorded readings need when there is no configuration. Limits are
    /// [`Limits::grow_out`], pressure is that of the sea level, there are no aerators. Water of
    /// any temperature and oxygen is expected, since recordings are not only from shrimp ponds: only
    /// the impossible is suspect.
    pub fn single_pond(
        latitude_deg: f64,
        longitude_deg: f64,
        salinity_psu: f64,
        quantities: &[Quantity],
        every: Span,
    ) -> Self {
        let channels: Vec<Channel> = quantities
            .iter()
            .map(|&quantity| {
                let mut quality = QualityLimits::for_quantity(quantity).reporting_every(every);
                match quantity {
                    Quantity::TemperatureC => (quality.fail, quality.suspect) = ((-5.0, 45.0), (-2.0, 40.0)),
                    Quantity::DoMgL => quality.suspect = (0.0, quality.suspect.1),
                    Quantity::Ph => quality.suspect = (4.0, 11.0),
                    _ => {}
                }
                Channel { quality, ..Channel::uncorrected(quantity) }
            })
            .collect();
        Self {
            gateway: String::from("replay"),
            latitude_deg,
            longitude_deg,
            pressure_hpa: 1013.25,
            ponds: vec![Pond {
                id: String::from("pond"),
                name: String::from("Pond"),
                area_m2: 5_000.0,
                depth_m: 1.5,
                salinity_psu,
                aerators: Vec::new(),
                limits: Limits::grow_out(),
                aeration_risk: AERATION_RISK,
                dose_every: None,
                like: None,
            }],
            probes: vec![Probe {
                id: String::from("recorded"),
                pond: Some(PondIndex(0)),
                link: String::new(),
                node: None,
                channels,
            }],
            summary_every: Span::from_hours(1),
            energy_price: None,
            calls: CallPlan::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_probe_is_not_called_missing_between_two_reports() {
        let quality = QualityLimits::for_quantity(Quantity::DoMgL);
        assert_eq!(quality.reporting_every(Span::from_minutes(1)), quality);
        let slow = quality.reporting_every(Span::from_minutes(30));
        assert_eq!(slow.stale_after, Span::from_minutes(45));
        assert_eq!(slow.missing_after, Span::from_minutes(75));
    }

    #[test]
    fn limits_are_ordered() {
        for limits in [Limits::grow_out(), Limits::post_larvae()] {
            assert!(limits.do_low_mg_l.is_sorted_by(|a, b| a.limit > b.limit));
            assert!(limits.ph_low.is_sorted_by(|a, b| a.limit > b.limit));
            assert!(limits.ph_high.is_sorted_by(|a, b| a.limit < b.limit));
            assert!(limits.nh3_mean_mg_l.is_sorted_by(|a, b| a.limit < b.limit));
        }
    }
}
