//! What a test of total ammonia means at once: the un-ionised part now, and in the worst hour of the last day.

use jiff::{Timestamp, ToSpan as _};
use pondreeve_chemistry::ammonia::nh3_fraction_nbs;
use pondreeve_chemistry::units::{Celsius, Ph, Salinity};
use pondreeve_core::Quantity;
use pondreeve_core::ammonia_band::{PH_ERROR, TEMPERATURE_ERROR_C, half_band_mg_l};
use serde::Serialize;

use crate::console::ammonia::value_and_band;
use crate::console::text::{FarmClock, number};
use crate::local::protocol::{Ask, FarmStatus, Reply, RollUp};
use crate::texts::say;

/// Un-ionised ammonia at one time, as N.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Moment {
    /// When; of an hour its beginning.
    at: String,
    nh3_n_mg_l: f64,
    /// How far off it may be for the errors of pH and temperature.
    half_band_mg_l: f64,
    ph: f64,
    temperature_c: f64,
}

/// What a total comes to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(in crate::cli) struct Meaning {
    /// With the newest pH and temperature; none without them.
    now: Option<Moment>,
    /// The hour of the last 24 with the most; none without hours in which both were measured.
    worst_hour: Option<Moment>,
    salinity_psu: f64,
    /// No salinity is measured: fresh water, in which more is un-ionised, is taken.
    salinity_unknown: bool,
}

/// A mean of an hour.
pub(in crate::cli) type Hour = (String, f64);

impl Meaning {
    /// Of a total, mg/L as N, by what the farm's newest readings and the means of hours say.
    pub(in crate::cli) fn of(
        tan_mg_l: f64,
        farm: &FarmStatus,
        pond: &str,
        ph: &[Hour],
        warmth: &[Hour],
    ) -> Self {
        let pond = farm.ponds.iter().find(|own| own.id == pond);
        let newest = |quantity: Quantity| {
            let own = pond?.readings.iter().find(|own| own.quantity == quantity.id())?;
            // What the tests failed says nothing of the water.
            own.value.filter(|_| own.flag <= 3)
        };
        let salinity = newest(Quantity::SalinityPsu);
        let salinity_psu = salinity.unwrap_or(0.0);
        let moment = |at: &str, ph: f64, temperature_c: f64| {
            let t = Celsius::new(temperature_c).ok()?;
            let share = nh3_fraction_nbs(t, Ph::new(ph).ok()?, Salinity::new(salinity_psu).ok()?);
            let nh3_n_mg_l = tan_mg_l * share;
            let half_band_mg_l = half_band_mg_l(nh3_n_mg_l, Some(ph), Some(temperature_c), salinity_psu);
            Some(Moment { at: at.to_owned(), nh3_n_mg_l, half_band_mg_l, ph, temperature_c })
        };
        let hours = ph.iter().filter_map(|(at, ph)| {
            let (_, temperature_c) = warmth.iter().find(|(same, _)| same == at)?;
            moment(at, *ph, *temperature_c)
        });
        Self {
            now: newest(Quantity::Ph)
                .zip(newest(Quantity::TemperatureC))
                .and_then(|(ph, temperature_c)| moment(&farm.at, ph, temperature_c)),
            worst_hour: hours.max_by(|a, b| a.nh3_n_mg_l.total_cmp(&b.nh3_n_mg_l)),
            salinity_psu,
            salinity_unknown: salinity.is_none(),
        }
    }

    /// As a person reads it.
    pub(in crate::cli) fn words(&self, clock: FarmClock) -> String {
        let words = clock.words();
        let told = |moment: &Moment| {
            say!(
                words,
                "meaning-moment",
                value = value_and_band(moment.nh3_n_mg_l, moment.half_band_mg_l),
                ph = number(moment.ph, 2),
                warmth = number(moment.temperature_c, 1),
            )
        };
        let now = self.now.as_ref().map(|now| say!(words, "meaning-now", told = told(now)));
        let worst = self.worst_hour.as_ref().map(|worst| {
            say!(words, "meaning-worst", at = clock.time_and_day(&worst.at), told = told(worst))
        });
        let known: Vec<String> = now.into_iter().chain(worst).collect();
        if known.is_empty() {
            return say!(words, "meaning-unknown");
        }
        let salt =
            if self.salinity_unknown { format!("{} ", say!(words, "meaning-fresh")) } else { String::new() };
        say!(
            words,
            "meaning-told",
            known = known.join("; "),
            salt = salt,
            ph = PH_ERROR.to_string(),
            warmth = TEMPERATURE_ERROR_C.to_string(),
        )
    }
}

/// Asks for the means of the last day's hours; none where the daemon has none.
pub(super) fn hours(daemon: &super::super::Daemon, pond: &str, quantity: Quantity, now: &str) -> Vec<Hour> {
    let Ok(now) = now.parse::<Timestamp>() else { return Vec::new() };
    let ask = Ask::RollUps {
        pond: pond.to_owned(),
        quantity: quantity.id().to_owned(),
        from: (now - 24.hours()).to_string(),
        to: now.to_string(),
        every: "hour".to_owned(),
    };
    match daemon.ask(ask) {
        Ok(Reply::RollUps { roll_ups, .. }) => {
            roll_ups.into_iter().filter_map(|RollUp { from, mean, .. }| Some((from, mean?))).collect()
        }
        // What was entered is entered; this only explains it.
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::plain;
    use crate::console::sample;

    fn with(quantity: &str, value: f64, farm: &mut FarmStatus) {
        let mut reading = farm.ponds[0].readings[0].clone();
        farm.ponds[0].readings.retain(|own| own.quantity != quantity);
        (reading.quantity, reading.value, reading.flag) = (quantity.to_owned(), Some(value), 1);
        farm.ponds[0].readings.push(reading);
    }

    /// Shares of fresh water at 30 C from the table of Emerson et al. 1975: 7.4 % at pH 8.0, 20.2 % at 8.5, 2.5 % at
    /// 7.5.
    #[test]
    fn a_total_is_told_as_its_un_ionised_part_with_a_band_and_the_worst_hour() {
        let mut farm = sample::normal_night();
        with("ph", 8.0, &mut farm);
        with("temperature_c", 30.0, &mut farm);
        with("salinity_psu", 0.0, &mut farm);
        let hour = |nr: usize| format!("2026-11-24T{nr:02}:00:00Z");
        let ph: Vec<Hour> =
            [7.5, 8.5, 8.0].into_iter().enumerate().map(|(nr, ph)| (hour(nr + 18), ph)).collect();
        let warmth: Vec<Hour> = (17..20).map(|nr| (hour(nr), 30.0)).collect();
        let pond = farm.ponds[0].id.clone();
        let meaning = Meaning::of(2.0, &farm, &pond, &ph, &warmth);
        let told = meaning.words(plain::clock(&farm));
        // 2 x 0.074 = 0.15; by ±0.1 pH about 21 % of it. 2 x 0.202 = 0.40.
        assert!(told.contains("now 0.15 ±0.03 mg/L at pH 8.00 and 30.0 C"), "{told}");
        assert!(
            told.contains("from Tue 24 Nov 14:00, 0.40 ±0.07 mg/L at pH 8.50")
                || told.contains("from Tue 14:00, 0.40 ±0.07 mg/L at pH 8.50"),
            "{told}"
        );
        assert!(!told.contains("fresh water"), "{told}");
        // Only hours with both count: that of pH 8.5 has none here.
        let meaning = Meaning::of(2.0, &farm, &pond, &ph, &warmth[2..2]);
        assert_eq!(meaning.worst_hour, None);
        farm.ponds[0].readings.retain(|own| own.quantity == "do_mg_l");
        let told = Meaning::of(2.0, &farm, &pond, &[], &[]).words(plain::clock(&farm));
        assert!(told.contains("cannot be told") && told.contains("Enter ph"), "{told}");
    }
}
