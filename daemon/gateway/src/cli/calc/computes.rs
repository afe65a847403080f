//! The computes: which fields each asks for, and what it answers.

use super::inputs::{Answer, Inputs, Range};
use jiff::Timestamp;
use jiff::civil::Date;
use pondreeve_chemistry::ammonia::DayPoint;
use pondreeve_chemistry::carbonate::Water;
use pondreeve_chemistry::conversion::{self, Basis as Counted};
use pondreeve_chemistry::dose::{self, Amount, Basis, Pond, Slurry};
use pondreeve_chemistry::formulas::{self, Formula};
use pondreeve_chemistry::oxygen::Setting;
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::struvite::Solution;
use pondreeve_chemistry::sun::SunDay;
use pondreeve_chemistry::units::{
    Celsius, DissolvedOxygen, Hectopascal, Latitude, Longitude, Ph, Salinity, TotalAmmonia, TotalSulfide,
};
use pondreeve_chemistry::{aeration, ammonia, nitrite, oxygen, struvite, sulfide, sun, trend};

/// A compute: asks for its fields, then writes its answer. `None` when a problem was noted.
type Compute = fn(&mut Inputs<'_>, &mut Answer<'_>) -> Option<()>;

/// A compute's name, what it does, and the formulas it stands on.
struct Entry {
    name: &'static str,
    compute: Compute,
    formulas: &'static [&'static Formula],
}

const ENTRIES: [Entry; 13] = [
    Entry {
        name: "oxygen_saturation",
        compute: oxygen_saturation,
        formulas: &[&formulas::OXYGEN_SATURATION],
    },
    Entry {
        name: "un_ionised_ammonia",
        compute: un_ionised_ammonia,
        formulas: &[&formulas::NH3_NBS, &formulas::NH3_TOTAL],
    },
    Entry {
        name: "hydrogen_sulfide",
        compute: hydrogen_sulfide,
        formulas: &[&formulas::H2S, &formulas::PH_SCALES],
    },
    Entry { name: "carbonate", compute: carbonate, formulas: &[&formulas::CARBONATE, &formulas::PH_SCALES] },
    Entry {
        name: "dose",
        compute: dose,
        formulas: &[&formulas::DOSE, &formulas::BRUCITE, &formulas::CARBONATE, &formulas::PH_SCALES],
    },
    Entry { name: "struvite", compute: struvite, formulas: &[&formulas::STRUVITE] },
    Entry {
        name: "aeration",
        compute: aeration,
        formulas: &[&formulas::OXYGEN_TRANSFER, &formulas::OXYGEN_SATURATION],
    },
    Entry { name: "sun", compute: sun, formulas: &[&formulas::SUN, &formulas::CLEAR_SKY] },
    Entry { name: "trend", compute: trend, formulas: &[&formulas::THEIL_SEN, &formulas::LEAST_SQUARES] },
    Entry { name: "oxygen_probe", compute: oxygen_probe, formulas: &[&formulas::OXYGEN_SATURATION] },
    Entry {
        name: "ammonia_day",
        compute: ammonia_day,
        formulas: &[&formulas::NH3_NBS, &formulas::NH3_TOTAL],
    },
    Entry { name: "nitrite_limit", compute: nitrite_limit, formulas: &[&formulas::NITRITE_LIMIT] },
    Entry { name: "convert", compute: convert, formulas: &[&formulas::CONVERSION] },
];

/// Answers a line whose fields have been read.
pub(super) fn answer(mut inputs: Inputs<'_>, out: &mut Vec<u8>) -> Result<(), String> {
    let Some(entry) = inputs.word("compute", &Names.to_string(), None, find) else {
        return Err(inputs.into_problems());
    };
    let mut answer = Answer::new(out);
    let cite = inputs.flag("cite");
    if (entry.compute)(&mut inputs, &mut answer).is_none() {
        return Err(inputs.into_problems());
    }
    if cite == Some(true) {
        answer.json("formulas", &Cited(entry.formulas));
    }
    answer.end()
}

fn find(name: &str) -> Option<&'static Entry> {
    ENTRIES.iter().find(|entry| entry.name == name)
}

/// The names of all computes, for a message.
struct Names;

impl std::fmt::Display for Names {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("one of")?;
        for (index, entry) in ENTRIES.iter().enumerate() {
            write!(f, "{}{}", if index == 0 { " " } else { ", " }, entry.name)?;
        }
        Ok(())
    }
}

/// Formulas as JSON, each with all that a sceptical chemist asks for.
struct Cited(&'static [&'static Formula]);

impl serde::Serialize for Cited {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.0.iter().map(|formula| {
            std::collections::BTreeMap::from([
                ("id", formula.id),
                ("formula", formula.formula),
                ("source", formula.source),
                ("range", formula.range),
                ("accuracy", formula.accuracy),
            ])
        }))
    }
}

fn ph_scale(inputs: &mut Inputs<'_>) -> Option<PhScale> {
    inputs.word("ph_scale", "\"nbs\" or \"total\"", Some(PhScale::Nbs), PhScale::from_name)
}

fn oxygen_saturation(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, s, p) =
        (inputs.required::<Celsius>(), inputs.required::<Salinity>(), inputs.required::<Hectopascal>());
    let oxygen = inputs.maybe::<DissolvedOxygen>();
    inputs.settled()?;
    let (t, s, p) = (t?, s?, p?);
    answer.number("do_saturation_mg_l", oxygen::saturation_mg_l(t, s, p));
    if let Some(oxygen) = oxygen? {
        answer.number("do_saturation_percent", oxygen::percent(oxygen, t, s, p));
    }
    Some(())
}

fn un_ionised_ammonia(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, ph, s) = (inputs.required::<Celsius>(), inputs.required::<Ph>(), inputs.required::<Salinity>());
    let (scale, tan) = (ph_scale(inputs), inputs.maybe::<TotalAmmonia>());
    let ph_error = inputs.maybe_number(Range { field: "ph_error", unit: "", low: 0.0, high: 2.0 });
    let t_error =
        inputs.maybe_number(Range { field: "temperature_error_c", unit: "°C", low: 0.0, high: 10.0 });
    inputs.settled()?;
    let (t, ph, s, scale, tan) = (t?, ph?, s?, scale?, tan?);
    let share = ammonia::nh3_fraction(t, ph, s, scale);
    answer.number("nh3_fraction", share);
    if let Some(tan) = tan {
        answer.number("nh3_n_mg_l", share * tan.get());
    }
    let (ph_error, t_error) = (ph_error?, t_error?);
    if ph_error.is_some() || t_error.is_some() {
        let band = ammonia::band(t, ph, s, scale, ph_error.unwrap_or(0.0), t_error.unwrap_or(0.0));
        let band = inputs.checked(band)?;
        answer.number("nh3_fraction_low", band.low);
        answer.number("nh3_fraction_high", band.high);
        if let Some(tan) = tan {
            answer.number("nh3_n_mg_l_low", band.low * tan.get());
            answer.number("nh3_n_mg_l_high", band.high * tan.get());
        }
    }
    answer.text("ph_scale", scale.name());
    Some(())
}

fn hydrogen_sulfide(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, ph, s) = (inputs.required::<Celsius>(), inputs.required::<Ph>(), inputs.required::<Salinity>());
    let (scale, total) = (ph_scale(inputs), inputs.maybe::<TotalSulfide>());
    inputs.settled()?;
    let (t, ph, s, scale) = (t?, ph?, s?, scale?);
    let share = sulfide::h2s_fraction(t, ph, s, scale);
    answer.number("h2s_fraction", share);
    if let Some(total) = total? {
        answer.number("h2s_s_mg_l", share * total.get());
    }
    answer.text("ph_scale", scale.name());
    Some(())
}

fn carbonate(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, ph, s) = (inputs.required::<Celsius>(), inputs.required::<Ph>(), inputs.required::<Salinity>());
    let (alkalinity, tan, scale) = (inputs.required(), inputs.maybe::<TotalAmmonia>(), ph_scale(inputs));
    inputs.settled()?;
    let (t, ph, s, scale) = (t?, ph?, s?, scale?);
    let water = Water::new(t, s, alkalinity?, tan?.unwrap_or(TotalAmmonia::NONE));
    let carbonate = inputs.checked(water.at_ph(scale.to_total(ph, t, s)))?;
    answer.number("dic_umol_kg", carbonate.dic_umol_kg);
    answer.number("co2_mg_l", carbonate.co2_mg_l);
    answer.number("pco2_uatm", carbonate.pco2_uatm);
    answer.number("dic_mg_l", carbonate.dic_mg_l);
    answer.text("ph_scale", scale.name());
    Some(())
}

const VOLUME: Range = Range { field: "volume_m3", unit: "m3", low: 0.001, high: 1e9 };
const AREA: Range = Range { field: "area_m2", unit: "m2", low: 0.001, high: 1e8 };
const DEPTH: Range = Range { field: "depth_m", unit: "m", low: 0.001, high: 100.0 };

/// Volume, from itself or from area and depth; both may be given where they say the same.
fn volume(inputs: &mut Inputs<'_>) -> Option<f64> {
    let (area, depth) = (inputs.maybe_number(AREA), inputs.maybe_number(DEPTH));
    let volume = inputs.maybe_number(VOLUME);
    match (area?, depth?, volume?) {
        (None, None, Some(volume)) => Some(volume),
        (Some(area), Some(depth), None) => Some(dose::volume_m3(area, depth)),
        (Some(area), Some(depth), Some(volume)) => {
            let product = dose::volume_m3(area, depth);
            if (product - volume).abs() <= 0.005 * volume {
                return Some(volume);
            }
            inputs.problem(format_args!(
                "volume_m3 is {volume}, but area_m2 times depth_m is {product}: accepted is one of the two"
            ));
            None
        }
        (Some(_), None, _) => {
            inputs.problem(format_args!("depth_m is missing beside area_m2, accepted is {DEPTH}"));
            None
        }
        (None, Some(_), _) => {
            inputs.problem(format_args!("area_m2 is missing beside depth_m, accepted is {AREA}"));
            None
        }
        (None, None, None) => {
            inputs.problem(format_args!(
                "volume_m3 is missing, accepted is {VOLUME}, or area_m2 and depth_m in its place"
            ));
            None
        }
    }
}

fn dose(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let volume = volume(inputs);
    let basis =
        inputs.word("basis", "\"slurry_mass\", \"solids_mass\" or \"slurry_volume\"", None, Basis::from_name);
    let unit = basis.map_or("mg/L or mL/m3", Basis::unit);
    let amount = inputs.number(Range { field: "dose", unit, low: 0.0, high: 200.0 });
    let percent = inputs.number(Range { field: "solids_percent", unit: "%", low: 1.0, high: 100.0 });
    let density = inputs.number(Range { field: "slurry_density_kg_l", unit: "kg/L", low: 0.9, high: 2.4 });
    let (t, ph, s) = (inputs.required::<Celsius>(), inputs.required::<Ph>(), inputs.required::<Salinity>());
    let (alkalinity, tan, magnesium) = (inputs.required(), inputs.maybe(), inputs.maybe());
    let scale = ph_scale(inputs);
    inputs.settled()?;
    let slurry = inputs.checked(Slurry::new(percent?, density?))?;
    let (volume, scale) = (volume?, scale?);
    let amount = Amount::of(amount?, basis?, slurry, volume);
    let pond = Pond {
        temperature: t?,
        salinity: s?,
        ph: ph?,
        scale,
        alkalinity: alkalinity?,
        tan: tan?,
        magnesium: magnesium?,
    };
    let effect = inputs.checked(dose::effect(&pond, amount.solids_mg_l))?;
    answer.number("volume_m3", volume);
    answer.number("slurry_kg", amount.slurry_kg);
    answer.number("slurry_l", amount.slurry_l);
    answer.number("solids_mg_l", amount.solids_mg_l);
    answer.number("alkalinity_added_mg_l", amount.alkalinity_added_mg_l);
    answer.number("magnesium_added_mg_l", amount.magnesium_added_mg_l);
    answer.number("ph_after_mixing", effect.ph_after_mixing);
    answer.number("ph_after_air", effect.ph_after_air);
    answer.number("ph_after_air_without_dose", effect.ph_after_air_without_dose);
    answer.flag("solubility_limited", effect.solubility_limited);
    answer.maybe("ph_where_dissolving_stops", effect.ph_where_dissolving_stops);
    answer.number("co2_mg_l_before", effect.co2_mg_l_before);
    answer.number("co2_mg_l_after_mixing", effect.co2_mg_l_after_mixing);
    if let Some(nh3) = effect.nh3 {
        answer.number("nh3_n_mg_l_before", nh3.before_mg_l);
        answer.number("nh3_n_mg_l_after_mixing", nh3.after_mixing_mg_l);
        answer.number("nh3_n_mg_l_after_air", nh3.after_air_mg_l);
    }
    answer.text("ph_scale", scale.name());
    Some(())
}

fn struvite(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, ph, s) = (inputs.required::<Celsius>(), inputs.required::<Ph>(), inputs.required::<Salinity>());
    let (magnesium, tan, phosphate) = (inputs.required(), inputs.required(), inputs.required());
    let scale = ph_scale(inputs);
    inputs.settled()?;
    let (t, ph, s, scale) = (t?, ph?, s?, scale?);
    let saturation = struvite::saturation(&Solution {
        temperature: t,
        salinity: s,
        ph: scale.to_free(ph, t, s),
        magnesium: magnesium?,
        tan: tan?,
        phosphate: phosphate?,
    });
    answer.maybe("saturation_index", saturation.index);
    answer.number("struvite_mg_l_at_most", saturation.at_most_mg_l);
    answer.number("struvite_mg_l_if_all_reacted", saturation.if_all_reacted_mg_l);
    answer.text("ph_scale", scale.name());
    Some(())
}

fn aeration(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let mut ask = |field, unit, low, high| inputs.number(Range { field, unit, low, high });
    let sotr = ask("sotr_kg_h", "kg/h", 0.0, 10_000.0);
    let sae = ask("sae_kg_kwh", "kg/kWh", 0.0, 20.0);
    let (alpha, beta, theta) =
        (ask("alpha", "", 0.0, 2.0), ask("beta", "", 0.0, 1.2), ask("theta", "", 1.0, 1.1));
    let (t, s, p) = (inputs.required(), inputs.required(), inputs.required());
    let oxygen = inputs.required();
    let mut maybe = |field, unit, low, high| inputs.maybe_number(Range { field, unit, low, high });
    let respiration = maybe("oxygen_demand_mg_l_h", "mg/L/h", 0.0, 100.0);
    let volume = maybe(VOLUME.field, VOLUME.unit, VOLUME.low, VOLUME.high);
    let hours = maybe("hours", "h", 0.0, 10_000.0);
    if let (Some(Some(_)), Some(None)) = (respiration, volume) {
        inputs
            .problem(format_args!("volume_m3 is missing beside oxygen_demand_mg_l_h, accepted is {VOLUME}"));
    }
    inputs.settled()?;
    let correction = inputs.checked(aeration::Correction::new(alpha?, beta?, theta?))?;
    let ratio = aeration::otr_over_sotr(&correction, t?, s?, p?, oxygen?);
    let field_efficiency = sae? * ratio;
    answer.number("otr_kg_h", sotr? * ratio);
    answer.number("otr_over_sotr", ratio);
    answer.number("field_ae_kg_kwh", field_efficiency);
    if let (Some(respiration), Some(volume)) = (respiration?, volume?) {
        let demand = aeration::demand_kg_h(respiration, volume);
        let power = aeration::power_to_hold_kw(demand, field_efficiency);
        answer.number("demand_kg_h", demand);
        answer.maybe("power_to_hold_kw", power);
        if let Some(hours) = hours? {
            answer.maybe("energy_to_hold_kwh", power.map(|kw| kw * hours));
        }
    }
    Some(())
}

/// First and last date answered: the sun's equations are made for these centuries.
const DATES: (Date, Date) = (Date::constant(1900, 1, 1), Date::constant(2100, 12, 31));

fn sun(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (latitude, longitude) = (inputs.required::<Latitude>(), inputs.required::<Longitude>());
    let date = inputs.word("date", "a date from 1900-01-01 to 2100-12-31 as YYYY-MM-DD", None, plain_date);
    let clear_sky = inputs.flag("clear_sky");
    inputs.settled()?;
    let (latitude, longitude) = (latitude?.get(), longitude?.get());
    let day = i64::from((date? - Date::constant(1970, 1, 1)).get_days());
    let noon = sun::solar_noon_ms(longitude, day);
    match sun::sun_day(latitude, longitude, day) {
        SunDay::Normal { sunrise_ms, sunset_ms } => {
            answer.text("state", "normal");
            time(answer, "sunrise", sunrise_ms);
            time(answer, "sunset", sunset_ms);
            answer.number("day_length_min", (sunset_ms - sunrise_ms) as f64 / 60_000.0);
        }
        polar => {
            let day = polar == SunDay::PolarDay;
            answer.text("state", if day { "polar_day" } else { "polar_night" });
            answer.null("sunrise");
            answer.null("sunset");
            answer.number("day_length_min", if day { 1440.0 } else { 0.0 });
        }
    }
    time(answer, "solar_noon", noon);
    if clear_sky? {
        answer.number("clear_sky_par_mol_m2_day", sun::clear_sky_par_mol_m2_day(latitude, longitude, day));
    }
    Some(())
}

/// A date written as YYYY-MM-DD and in no other way.
fn plain_date(text: &str) -> Option<Date> {
    let plain = text.len() == 10 && text.bytes().all(|byte| byte == b'-' || byte.is_ascii_digit());
    let date = if plain { text.parse::<Date>().ok()? } else { return None };
    if date >= DATES.0 && date <= DATES.1 { Some(date) } else { None }
}

/// A time to the nearest second, in UTC.
fn time(answer: &mut Answer<'_>, field: &'static str, ms: i64) {
    match Timestamp::from_second((ms + 500).div_euclid(1000)) {
        Ok(time) => answer.json(field, &time),
        // Further than any date accepted above can reach.
        Err(_) => answer.null(field),
    }
}

fn trend(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (x, y) = (inputs.numbers("x"), inputs.numbers("y"));
    inputs.settled()?;
    let trend = inputs.checked(trend::trend(&x?, &y?))?;
    answer.number("theil_sen_slope", trend.theil_sen_slope);
    answer.number("theil_sen_low_95", trend.theil_sen_low_95);
    answer.number("theil_sen_high_95", trend.theil_sen_high_95);
    answer.number("least_squares_slope", trend.least_squares_slope);
    answer.number("theil_sen_intercept", trend.theil_sen_intercept);
    answer.number("least_squares_intercept", trend.least_squares_intercept);
    answer.maybe("least_squares_slope_error", trend.least_squares_slope_error);
    answer.maybe("kendall_tau_b", trend.kendall_tau_b);
    Some(())
}

fn oxygen_probe(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (t, oxygen) = (inputs.required::<Celsius>(), inputs.required::<DissolvedOxygen>());
    let (s, p) = (inputs.required::<Salinity>(), inputs.required::<Hectopascal>());
    let set = (inputs.named::<Salinity>("set_salinity_psu"), inputs.named::<Hectopascal>("set_pressure_hpa"));
    inputs.settled()?;
    let (t, s, p, oxygen) = (t?, s?, p?, oxygen?);
    let truth = oxygen::compensate(
        oxygen,
        t,
        Setting { salinity: set.0?, pressure: set.1? },
        Setting { salinity: s, pressure: p },
    );
    answer.number("do_mg_l", truth);
    answer.number("do_saturation_percent", 100.0 * truth / oxygen::saturation_mg_l(t, s, p));
    Some(())
}

fn ammonia_day(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let (hours, t, ph) = (inputs.numbers("hours"), inputs.numbers("temperature_c"), inputs.numbers("ph"));
    let (s, tan, scale) = (inputs.required::<Salinity>(), inputs.maybe::<TotalAmmonia>(), ph_scale(inputs));
    inputs.settled()?;
    let (hours, t, ph, scale) = (hours?, t?, ph?, scale?);
    if hours.len() != t.len() || hours.len() != ph.len() {
        inputs.problem(format_args!(
            "hours, temperature_c and ph have {}, {} and {} values, accepted is as many of each",
            hours.len(),
            t.len(),
            ph.len()
        ));
        return None;
    }
    let mut points = Vec::with_capacity(hours.len());
    for ((hour, t), ph) in hours.into_iter().zip(t).zip(ph) {
        let (temperature, ph) = (inputs.checked(Celsius::new(t))?, inputs.checked(Ph::new(ph))?);
        points.push(DayPoint { hour, temperature, ph });
    }
    let day = inputs.checked(ammonia::day_share(&points, s?, scale))?;
    answer.number("nh3_fraction_mean", day.mean);
    answer.number("nh3_fraction_peak", day.peak);
    answer.number("peak_hour", day.peak_hour);
    answer.number("hours_covered", day.hours);
    if let Some(tan) = tan? {
        answer.number("nh3_n_mg_l_mean", day.mean * tan.get());
        answer.number("nh3_n_mg_l_peak", day.peak * tan.get());
    }
    answer.text("ph_scale", scale.name());
    Some(())
}

fn nitrite_limit(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    let salinity = inputs.maybe::<Salinity>();
    let chloride =
        inputs.maybe_number(Range { field: "chloride_mg_l", unit: "mg/L", low: 0.0, high: 26_000.0 });
    inputs.settled()?;
    let limit = match (salinity?, chloride?) {
        (Some(s), None) => nitrite::limit(s),
        (None, Some(chloride)) => nitrite::limit_by_chloride(chloride),
        _ => {
            inputs
                .problem("accepted is one of salinity_psu (0 to 45 PSU) and chloride_mg_l (0 to 26000 mg/L)");
            return None;
        }
    };
    answer.number("nitrite_safe_mg_l", limit.safe_mg_l);
    answer.number("nitrite_warn_mg_l", limit.warn_mg_l);
    answer.number("nitrite_critical_mg_l", limit.critical_mg_l);
    answer.text(
        "support",
        match limit.support {
            nitrite::Support::Measured => "measured",
            nitrite::Support::Estimated => "estimated",
            nitrite::Support::Held => "held",
        },
    );
    Some(())
}

fn convert(inputs: &mut Inputs<'_>, answer: &mut Answer<'_>) -> Option<()> {
    const BASES: &str =
        "\"N\", \"NH3\", \"NH4\", \"NO2\", \"NO3\", \"P\", \"PO4\", \"P2O5\", \"S\", \"H2S\" or \"SO4\"";
    let value = inputs.number(Range { field: "value_mg_l", unit: "mg/L", low: 0.0, high: 1e6 });
    let from = inputs.word("from", BASES, None, Counted::from_name);
    let to = inputs.word("to", BASES, None, Counted::from_name);
    inputs.settled()?;
    let converted = inputs.checked(conversion::convert(value?, from?, to?))?;
    answer.number("value_mg_l", converted);
    Some(())
}
