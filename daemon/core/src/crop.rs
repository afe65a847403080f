//! What a crop came to: survival, yield, feed conversion, energy and money for each kilogram.
//!
//! Plain arithmetic on what was recorded. What was not recorded is `None` and makes everything that rests on
//! it `None`: nothing here takes a missing figure for zero. Whether a difference between two crops means
//! anything is not said here: like ponds differ by 10 to 20 % in yield without any treatment.

use crate::time::{Span, Timestamp};

const M2_PER_HA: f64 = 10_000.0;
const KG_PER_T: f64 = 1_000.0;
const G_PER_KG: f64 = 1_000.0;

/// What is recorded of a crop, in sums.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ledger {
    /// Water surface, m2.
    pub area_m2: Option<f64>,
    /// Shrimp stocked.
    pub stocked: Option<f64>,
    /// Shrimp harvested: counted by weight and average body weight.
    pub harvested: Option<f64>,
    /// Harvested, kg.
    pub harvested_kg: Option<f64>,
    /// Feed, kg.
    pub feed_kg: Option<f64>,
    /// Energy of the aerators, kWh.
    pub energy_kwh: Option<f64>,
    /// Money spent.
    pub cost: Option<f64>,
    /// Money taken for the harvest.
    pub revenue: Option<f64>,
    /// Days from the first stocking to the final harvest.
    pub days: Option<f64>,
}

impl Ledger {
    /// Survival, %: count out over count in.
    pub fn survival_percent(&self) -> Option<f64> {
        ratio(self.harvested, self.stocked).map(|share| 100.0 * share)
    }

    /// Yield, t/ha.
    pub fn yield_t_ha(&self) -> Option<f64> {
        ratio(Some(self.harvested_kg? / KG_PER_T), Some(self.area_ha()?))
    }

    /// Feed conversion ratio: feed given over harvest, both in kg as weighed.
    pub fn feed_conversion(&self) -> Option<f64> {
        ratio(self.feed_kg, self.harvested_kg)
    }

    /// Energy for each kg harvested, kWh/kg.
    pub fn energy_kwh_per_kg(&self) -> Option<f64> {
        ratio(self.energy_kwh, self.harvested_kg)
    }

    /// Cost of each kg harvested.
    pub fn cost_per_kg(&self) -> Option<f64> {
        ratio(self.cost, self.harvested_kg)
    }

    /// What a kg brought, as the mean of all that was harvested.
    pub fn price_per_kg(&self) -> Option<f64> {
        ratio(self.revenue, self.harvested_kg)
    }

    /// What is left: revenue less cost.
    pub fn net(&self) -> Option<f64> {
        finite(self.revenue? - self.cost?)
    }

    /// What is left of each hectare.
    pub fn net_per_ha(&self) -> Option<f64> {
        ratio(self.net(), self.area_ha())
    }

    /// What is left of each hectare and day of the crop, so that a short crop can be held against a long one.
    pub fn net_per_ha_day(&self) -> Option<f64> {
        ratio(self.net_per_ha(), self.days)
    }

    /// Shrimp stocked to the m2.
    pub fn stocked_per_m2(&self) -> Option<f64> {
        ratio(self.stocked, self.area_m2)
    }

    /// Average body weight at harvest, g.
    pub fn harvest_abw_g(&self) -> Option<f64> {
        ratio(Some(self.harvested_kg? * G_PER_KG), self.harvested)
    }

    fn area_ha(&self) -> Option<f64> {
        Some(self.area_m2? / M2_PER_HA)
    }
}

/// How many shrimp a weight is at an average body weight.
pub fn count_of(kg: f64, abw_g: f64) -> Option<f64> {
    ratio(Some(kg * G_PER_KG), Some(abw_g))
}

/// Growth between two samplings, g a day.
pub fn growth_g_per_day(earlier: (Timestamp, f64), later: (Timestamp, f64)) -> Option<f64> {
    ratio(Some(later.1 - earlier.1), Some((later.0 - earlier.0).as_hours() / 24.0))
}

/// Energy, and the time for which it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Energy {
    /// kWh.
    pub kwh: f64,
    /// So long a power was known.
    pub known: Span,
}

/// Energy from readings of a power in kW, oldest first, between two times. Each reading holds until the next,
/// but for `holds` at most: what comes after is not known, and is not counted as standing still.
pub fn energy(
    readings: impl Iterator<Item = (Timestamp, f64)>,
    from: Timestamp,
    to: Timestamp,
    holds: Span,
) -> Energy {
    let mut sum = Energy { kwh: 0.0, known: Span::ZERO };
    let mut add = |(at, kw): (Timestamp, f64), until: Timestamp| {
        let (begin, end) = (at.max(from), until.min(at + holds).min(to));
        if end > begin && kw.is_finite() {
            sum.kwh += kw * (end - begin).as_hours();
            sum.known = Span::from_millis(sum.known.as_millis().saturating_add((end - begin).as_millis()));
        }
    };
    let mut last: Option<(Timestamp, f64)> = None;
    for reading in readings {
        if let Some(last) = last {
            add(last, reading.0);
        }
        last = Some(reading);
    }
    if let Some(last) = last {
        add(last, to);
    }
    sum
}

fn ratio(over: Option<f64>, under: Option<f64>) -> Option<f64> {
    let under = under.filter(|under| *under > 0.0)?;
    finite(over? / under)
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A worked example by hand: 0.5 ha, 600 000 stocked; feed 1.15 a kg, larvae 3 000, power 0.12 a kWh, labour
    /// 3 200, other 5 500.
    fn ledger(kg: f64, abw_g: f64, feed_kg: f64, kwh: f64, slurry: f64, price: f64) -> Ledger {
        let cost = feed_kg * 1.15 + 3_000.0 + kwh * 0.12 + slurry + 3_200.0 + 5_500.0;
        Ledger {
            area_m2: Some(5_000.0),
            stocked: Some(600_000.0),
            harvested: count_of(kg, abw_g),
            harvested_kg: Some(kg),
            feed_kg: Some(feed_kg),
            energy_kwh: Some(kwh),
            cost: Some(cost),
            revenue: Some(kg * price),
            days: Some(105.0),
        }
    }

    /// As far as it is printed in the worked example.
    fn told(value: Option<f64>, decimals: i32) -> f64 {
        let scale = libm::pow(10.0, f64::from(decimals));
        libm::round(value.unwrap() * scale) / scale
    }

    #[test]
    fn the_treated_pond_of_the_worked_example() {
        // 630 kg of slurry at 0.90.
        let own = ledger(7_020.0, 15.0, 9_830.0, 24_900.0, 630.0 * 0.90, 4.60);
        assert_eq!(told(own.survival_percent(), 1), 78.0);
        assert_eq!(told(own.yield_t_ha(), 1), 14.0);
        assert_eq!(told(own.feed_conversion(), 2), 1.40);
        assert_eq!(told(own.energy_kwh_per_kg(), 2), 3.55);
        // 26 559.50 and 5 732.50 by hand, printed as 26 560 and 5 733.
        assert!((own.cost.unwrap() - 26_559.5).abs() < 1e-6);
        assert_eq!(told(own.cost_per_kg(), 2), 3.78);
        assert_eq!(told(own.price_per_kg(), 2), 4.60);
        assert!((own.net().unwrap() - 5_732.5).abs() < 1e-6);
        assert_eq!(told(own.harvest_abw_g(), 1), 15.0);
        assert_eq!(told(own.stocked_per_m2(), 0), 120.0);
        // 5 732.50 on half a hectare, in 105 days.
        assert_eq!(told(own.net_per_ha(), 0), 11_465.0);
        assert_eq!(told(own.net_per_ha_day(), 1), 109.2);
    }

    #[test]
    fn the_control_pond_of_the_worked_example() {
        let own = ledger(6_480.0, 14.4, 9_590.0, 26_400.0, 0.0, 4.55);
        assert_eq!(told(own.survival_percent(), 1), 75.0);
        assert_eq!(told(own.yield_t_ha(), 1), 13.0);
        assert_eq!(told(own.feed_conversion(), 2), 1.48);
        assert_eq!(told(own.energy_kwh_per_kg(), 2), 4.07);
        // 25 896.50 and 3 587.50 by hand, printed as 25 897 and 3 588.
        assert!((own.cost.unwrap() - 25_896.5).abs() < 1e-6);
        assert_eq!(told(own.cost_per_kg(), 2), 4.00);
        assert!((own.net().unwrap() - 3_587.5).abs() < 1e-6);
    }

    #[test]
    fn what_was_not_recorded_is_not_zero() {
        let own = Ledger { feed_kg: None, cost: None, ..ledger(7_020.0, 15.0, 0.0, 0.0, 0.0, 4.6) };
        assert_eq!((own.feed_conversion(), own.cost_per_kg(), own.net()), (None, None, None));
        assert_eq!(own.net_per_ha_day(), None);
        let nothing_out = Ledger { harvested_kg: Some(0.0), ..own };
        assert_eq!((nothing_out.energy_kwh_per_kg(), nothing_out.price_per_kg()), (None, None));
        assert_eq!(Ledger::default().survival_percent(), None);
    }

    /// 8.9 g on day 58 and 10.3 g on day 65: 0.2 g a day.
    #[test]
    fn growth_is_by_the_day() {
        let day = |day: i64| Timestamp(0) + Span::from_hours(24 * day);
        let growth = growth_g_per_day((day(58), 8.9), (day(65), 10.3)).unwrap();
        assert!((growth - 0.2).abs() < 1e-9);
        assert_eq!(growth_g_per_day((day(58), 8.9), (day(58), 9.0)), None);
    }

    /// 4 kW from 00:00 told each quarter, silent from 01:00 on, 2 kW from 03:00: held for 15 minutes at most, so
    /// 5 quarters of 4 kW and, up to 04:00, 1 quarter of 2 kW.
    #[test]
    fn silence_is_not_known_and_not_standing_still() {
        let at = |minutes: i64| Timestamp(0) + Span::from_minutes(minutes);
        let readings = [(0, 4.0), (15, 4.0), (30, 4.0), (45, 4.0), (60, 4.0), (180, 2.0)];
        let readings = readings.into_iter().map(|(minute, kw)| (at(minute), kw));
        let energy = energy(readings, at(0), at(240), Span::from_minutes(15));
        assert!((energy.kwh - 5.5).abs() < 1e-9, "{energy:?}");
        assert_eq!(energy.known, Span::from_minutes(90));
    }
}
