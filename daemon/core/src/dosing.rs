//! Planning a dose of mineral conditioner: how much, what it does to the water over the next day, and
//! whether now is the time.
//!
//! A rise of pH turns ammonium into ammonia, so that a dose that is right in the morning can be wrong in
//! the afternoon. What is previewed is an upper bound: all of the dose dissolved at once, closed water,
//! each hour of the last day as it was but for the dose. The real rise is smaller and slower.

use alloc::format;
use alloc::vec::Vec;

use pondreeve_chemistry::dose::{self, Amount, Basis, Slurry};
use pondreeve_chemistry::scale::PhScale;
use pondreeve_chemistry::sulfide::h2s_fraction;
use pondreeve_chemistry::units::{Alkalinity, Celsius, Magnesium, Ph, Salinity, TotalAmmonia};

pub mod follow_up;
pub mod recovery;
mod within;

pub use within::Within;

use crate::derived::{DAY, KIT_GOOD_FOR};
use crate::effect::Flag;
use crate::quality::Seen;
use crate::said::{Said, length, said};
use crate::sunlight::Night;
use crate::time::{Span, Timestamp};
use crate::window::Window;

/// No dose above this pH. This and the limits below: common practice, no source.
pub const PH_AT_MOST: f64 = 8.5;
/// Un-ionised ammonia at its peak over the next day, mg/L as N.
pub const NH3_PEAK_AT_MOST: f64 = 0.30;
/// Un-ionised ammonia, mean of the next day, mg/L as N.
pub const NH3_MEAN_AT_MOST: f64 = 0.12;
/// Total ammonia above which pH must be below [`TAN_PH`], mg/L as N.
pub const TAN_AT_MOST: f64 = 2.0;
/// See [`TAN_AT_MOST`].
pub const TAN_PH: f64 = 8.3;
/// Oxygen, mg/L.
pub const OXYGEN_AT_LEAST: f64 = 4.0;
/// A pond is not dosed again before this.
pub const APART: Span = Span::from_hours(5 * 24);
/// Slurry in one dose while shrimp are in the pond, mg/L.
pub const IN_CROP_AT_MOST: f64 = 5.0;
/// A dose while shrimp are in the pond, where nobody says another, ppm as the lot counts them. (Common practice,
/// no source.)
pub const USUAL_PPM: f64 = 4.0;
/// The same before they are put in. (Common practice, no source.)
pub const USUAL_PPM_BEFORE_STOCKING: f64 = 20.0;
/// Solids of the usual slurry, where nobody says which, % by mass. (Common practice, no source.)
pub const USUAL_SOLIDS_PERCENT: f64 = 60.0;
/// The hours for it: pH is lowest and oxygen rises, from a quarter of an hour to three hours after
/// sunrise.
pub const HOURS_AFTER_SUNRISE: (Span, Span) = (Span::from_minutes(15), Span::from_hours(3));
/// The day's curve is gone through in steps of this.
const STEP: Span = Span::from_minutes(30);
/// pH is highest within so long before sunset. (Common practice, no source.)
const AFTERNOON: Span = Span::from_hours(6);
/// So many mornings are looked ahead.
const MORNINGS: i64 = 8;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoseAsk {
    /// How much, in the unit of the basis.
    pub dose: f64,
    /// What that counts.
    pub basis: Basis,
    /// Somebody said so: the lot, or who asks.
    pub basis_is_said: bool,
    /// The product.
    pub slurry: Slurry,
    /// Net mass of a full container, kg.
    pub container_kg: Option<f64>,
    /// Whether shrimp are in the pond.
    pub in_crop: bool,
}

/// A pond as it is now, as far as it is known.
#[derive(Debug, Clone, Copy)]
pub struct DoseWater<'a> {
    /// Present volume, m3.
    pub volume_m3: f64,
    /// °C.
    pub temperature_c: Option<Seen>,
    /// PSU.
    pub salinity_psu: f64,
    /// Present pH.
    pub ph: Option<Seen>,
    /// Test kit, mg/L as CaCO3.
    pub alkalinity: Option<Seen>,
    /// Test kit, mg/L as N.
    pub tan: Option<Seen>,
    /// Test kit, mg/L.
    pub magnesium: Option<Seen>,
    /// Present oxygen, mg/L.
    pub oxygen: Option<Seen>,
    /// Aerator groups known to run, and how many there are.
    pub running: (usize, usize),
    /// pH of the last day.
    pub ph_day: Option<&'a Window>,
    /// Temperature of the last day.
    pub temperature_day: Option<&'a Window>,
    /// When the pond was last dosed.
    pub last_dose: Option<Timestamp>,
    /// When the crop that is in the pond was stocked, where the diary knows of one.
    pub stocked: Option<Timestamp>,
    /// A storm, a moult or another disturbance that was entered: its entry, and until when it counts.
    pub disturbed: Option<(u64, Timestamp)>,
    /// The farm's night.
    pub night: Night,
    /// Now.
    pub now: Timestamp,
}

/// What the dose does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preview {
    /// pH now.
    pub ph_now: f64,
    /// pH after mixing, upper bound.
    pub ph_after_mixing: f64,
    /// pH once the water is in balance with air, a day or more later.
    pub ph_after_air: f64,
    /// The same without the dose.
    pub ph_after_air_without_dose: f64,
    /// Brucite stops dissolving before the dose is gone, at this pH.
    pub ph_where_dissolving_stops: Option<f64>,
    /// Alkalinity before, mg/L as CaCO3.
    pub alkalinity_mg_l: f64,
    /// Un-ionised ammonia over a day like the last one, mg/L as N, without and with the dose.
    pub nh3: Option<[Nh3Day; 2]>,
    /// Share of sulfide that is hydrogen sulfide, before and after mixing.
    pub h2s_share: (f64, f64),
    /// How many hours of the last day's pH stand behind the ammonia's mean and peak.
    pub hours_known: f64,
}

/// Un-ionised ammonia over a day, mg/L as N.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nh3Day {
    /// Mean.
    pub mean_mg_l: f64,
    /// Highest.
    pub peak_mg_l: f64,
}

/// Why not, or not now.
#[derive(Debug, Clone, PartialEq)]
pub struct Objection {
    /// In a few words.
    pub words: Said,
    /// Whether it can be over by itself at another hour or on another day.
    pub passes: bool,
}

/// The plan.
#[derive(Debug, Clone, PartialEq)]
pub struct DosePlan {
    /// Water it is reckoned on, m3.
    pub volume_m3: f64,
    /// What to weigh out.
    pub amount: Amount,
    /// Containers it takes, and how many must be opened.
    pub containers: Option<(f64, f64)>,
    /// What it does; `None` where too little is known.
    pub preview: Option<Preview>,
    /// Why not, or not now; empty where nothing speaks against it.
    pub objections: Vec<Objection>,
    /// The first morning on which nothing known now would speak against it.
    pub earliest: Option<Timestamp>,
    /// Where predicted ammonia speaks against it: what would keep that inside the limits.
    pub within: Option<Within>,
}

/// Plans a dose.
pub fn plan(ask: &DoseAsk, water: &DoseWater<'_>) -> DosePlan {
    let amount = Amount::of(ask.dose, ask.basis, ask.slurry, water.volume_m3);
    let preview = preview(amount.solids_mg_l, water, 0.0);
    let mut objections = Vec::new();
    let mut object = |words: Said, passes: bool| objections.push(Objection { words, passes });
    if !ask.basis_is_said {
        let basis = said!(
            "against-no-basis",
            "what {dose} ppm counts is not said: name the lot, or the basis by its label",
            dose = format!("{}", ask.dose)
        );
        object(basis, false);
    }
    stale(water, &mut object);
    let slurry_mg_l = amount.slurry_kg / water.volume_m3 * 1_000.0;
    if let Some(stocked) = water.stocked.filter(|_| !ask.in_crop) {
        let shrimp = said!(
            "against-stocked",
            "by the diary shrimp were stocked {ago} ago: this is no dose before stocking",
            ago = length(water.now - stocked)
        );
        object(shrimp, false);
    }
    // Arithmetic may leave a five a little above five.
    if (ask.in_crop || water.stocked.is_some()) && slurry_mg_l > IN_CROP_AT_MOST * (1.0 + 1e-9) {
        object(
            said!(
                "against-strength",
                "{strength} mg/L of slurry in one dose; {most} is the most while shrimp are in the pond",
                strength = format!("{slurry_mg_l:.1}"),
                most = format!("{IN_CROP_AT_MOST:.0}")
            ),
            false,
        );
    }
    if let Some(ph) = water.ph.filter(|ph| ph.value > PH_AT_MOST) {
        let ph = said!(
            "against-ph",
            "pH {ph} (limit {limit})",
            ph = format!("{:.2}", ph.value),
            limit = format!("{PH_AT_MOST:.1}")
        );
        object(ph, true);
    }
    if let (Some(tan), Some(ph)) = (water.tan, water.ph)
        && tan.value > TAN_AT_MOST
        && ph.value > TAN_PH
    {
        object(
            said!(
                "against-tan",
                "TAN {tan} mg/L at pH {ph} (above {most} only below pH {below})",
                tan = format!("{:.1}", tan.value),
                ph = format!("{:.2}", ph.value),
                most = format!("{TAN_AT_MOST:.0}"),
                below = format!("{TAN_PH:.1}")
            ),
            true,
        );
    }
    if water.tan.is_some_and(|tan| tan.value > NH3_MEAN_AT_MOST) && !knows_afternoon(water) {
        object(
            said!(
                "against-no-afternoon",
                "no pH of the last afternoon is known, when ammonia peaks: read it then, or have a probe"
            ),
            false,
        );
    }
    if let Some([_, with]) = preview.and_then(|preview| preview.nh3) {
        if with.peak_mg_l > NH3_PEAK_AT_MOST {
            object(
                said!(
                    "against-nh3-peak",
                    "predicted peak NH3-N {value} mg/L (limit {limit})",
                    value = format!("{:.2}", with.peak_mg_l),
                    limit = format!("{NH3_PEAK_AT_MOST:.2}")
                ),
                false,
            );
        }
        if with.mean_mg_l > NH3_MEAN_AT_MOST {
            object(
                said!(
                    "against-nh3-mean",
                    "predicted mean NH3-N {value} mg/L (limit {limit})",
                    value = format!("{:.2}", with.mean_mg_l),
                    limit = format!("{NH3_MEAN_AT_MOST:.2}")
                ),
                false,
            );
        }
    }
    match water.oxygen {
        Some(seen) if seen.value < OXYGEN_AT_LEAST => {
            let oxygen = said!(
                "against-oxygen",
                "oxygen {oxygen} mg/L (at least {least})",
                oxygen = format!("{:.1}", seen.value),
                least = format!("{OXYGEN_AT_LEAST:.0}")
            );
            object(oxygen, true);
        }
        Some(_) => {}
        None => object(said!("stopped-oxygen-unseen", "oxygen is not observed"), true),
    }
    match water.running {
        (0, 0) => object(said!("against-no-aerator", "no aerator is known that could mix it"), false),
        (0, _) => {
            object(said!("against-none-runs", "no aerator runs that would mix it: start some first"), true);
        }
        _ => {}
    }
    if let Some(last) = water.last_dose.filter(|&last| water.now - last < APART) {
        let dosed = said!(
            "against-apart",
            "dosed {ago} ago (at least {apart} apart)",
            ago = length(water.now - last),
            apart = length(APART)
        );
        object(dosed, true);
    }
    if let Some((number, _)) = water.disturbed.filter(|(_, until)| water.now < *until) {
        let disturbed = said!(
            "against-disturbed",
            "a storm, a moult or another disturbance was entered (entry {number})",
            number = format!("{number}")
        );
        object(disturbed, true);
    }
    if !is_hour(water.night, water.now) {
        object(
            said!(
                "against-hour",
                "not the hour for it: from sunrise to three hours after, pH is lowest and oxygen rises"
            ),
            true,
        );
    }
    let morning = |own: &[Objection]| {
        own.iter().all(|own| own.passes).then(|| earliest(water, own.is_empty())).flatten()
    };
    let within = within::within(ask, water, preview.as_ref(), &objections, morning);
    let earliest = morning(&objections);
    let containers = ask.container_kg.and_then(|net_kg| amount.containers(net_kg).ok());
    DosePlan { volume_m3: water.volume_m3, amount, containers, preview, objections, earliest, within }
}

/// Whether a pH of the last day's afternoon is known: from six hours before sunset on it is highest. Where the sun
/// does not rise and set, any pH of the day will do.
fn knows_afternoon(water: &DoseWater<'_>) -> bool {
    let Some(day) = water.ph_day else { return false };
    let from = water.now - DAY;
    match water.night {
        Night::Between { sunset, .. } => {
            [sunset, sunset - DAY, sunset - DAY - DAY].into_iter().any(|sunset| {
                let (start, end) = ((sunset - AFTERNOON).max(from), sunset.min(water.now));
                start < end && day.mean(start, end).is_some()
            })
        }
        Night::Never { .. } | Night::Always { .. } => day.mean(from, water.now).is_some(),
    }
}

/// What must be measured first.
fn stale(water: &DoseWater<'_>, object: &mut impl FnMut(Said, bool)) {
    match water.ph {
        None => object(said!("against-no-ph", "pH is not known: measure it"), false),
        Some(ph) if ph.flag == Flag::Suspect => {
            object(
                said!("against-ph-suspect", "the pH reading is suspect: check it with a second meter"),
                false,
            );
        }
        Some(_) => {}
    }
    let names = [said!("water-alkalinity", "alkalinity"), Said::plain("TAN")];
    for (name, seen) in names.into_iter().zip([water.alkalinity, water.tan]) {
        match seen {
            None => object(said!("against-untested", "{name} is not known: test it", name = name), false),
            Some(seen) if water.now - seen.at > KIT_GOOD_FOR => object(
                said!(
                    "against-old-test",
                    "{name} was tested {ago} ago (at most {most})",
                    name = name,
                    ago = length(water.now - seen.at),
                    most = length(KIT_GOOD_FOR)
                ),
                false,
            ),
            Some(_) => {}
        }
    }
    if water.temperature_c.is_none() {
        object(said!("against-no-temperature", "the temperature is not known: measure it"), false);
    }
}

/// What a dose does, were pH lower by so much all day.
fn preview(solids_mg_l: f64, water: &DoseWater<'_>, lower: f64) -> Option<Preview> {
    let salinity = Salinity::new(water.salinity_psu).ok()?;
    let alkalinity = Alkalinity::new(water.alkalinity?.value).ok()?;
    let pond = |temperature_c: f64, ph: f64| {
        Some(dose::Pond {
            temperature: Celsius::new(temperature_c).ok()?,
            salinity,
            ph: Ph::new(ph).ok()?,
            scale: PhScale::Nbs,
            alkalinity,
            tan: water.tan.and_then(|tan| TotalAmmonia::new(tan.value).ok()),
            magnesium: water.magnesium.and_then(|seen| Magnesium::new(seen.value).ok()),
        })
    };
    let (temperature_now, ph_now) = (water.temperature_c?.value, water.ph?.value - lower);
    let now = pond(temperature_now, ph_now)?;
    let effect = dose::effect(&now, solids_mg_l).ok()?;
    let h2s = |ph: f64| Some(h2s_fraction(now.temperature, Ph::new(ph).ok()?, salinity, PhScale::Nbs));
    // Each half hour of the last day as it was, without and with the dose; the present one as well, since
    // the dose goes into it.
    let mut days = [(0.0, 0.0_f64); 2];
    let mut count = 0.0;
    let mut note = |nh3: dose::UnIonised, weight: f64| {
        for (day, value) in days.iter_mut().zip([nh3.before_mg_l, nh3.after_mixing_mg_l]) {
            day.0 += weight * value;
            day.1 = day.1.max(value);
        }
        count += weight;
    };
    let from = water.now - DAY;
    let mut hours_known = 0.0;
    for (hour, ph) in water.ph_day.map(|day| day.blocks(from, water.now, STEP)).unwrap_or_default() {
        let middle = from + Span::from_millis((hour * 3_600_000.0) as i64);
        let around = water.temperature_day.and_then(|day| day.mean(middle - STEP, middle + STEP));
        let then = pond(around.unwrap_or(temperature_now), ph - lower);
        if let Some(nh3) = then.and_then(|then| dose::effect(&then, solids_mg_l).ok()?.nh3) {
            note(nh3, 1.0);
            hours_known += STEP.as_hours();
        }
    }
    if let Some(nh3) = effect.nh3 {
        note(nh3, if hours_known > 0.0 { 0.0 } else { 1.0 });
    }
    let nh3 = (count > 0.0 && water.tan.is_some())
        .then(|| days.map(|(sum, peak)| Nh3Day { mean_mg_l: sum / count, peak_mg_l: peak }));
    Some(Preview {
        ph_now,
        ph_after_mixing: effect.ph_after_mixing,
        ph_after_air: effect.ph_after_air,
        ph_after_air_without_dose: effect.ph_after_air_without_dose,
        ph_where_dissolving_stops: effect.ph_where_dissolving_stops,
        alkalinity_mg_l: alkalinity.get(),
        nh3,
        h2s_share: (h2s(ph_now)?, h2s(effect.ph_after_mixing)?),
        hours_known,
    })
}

/// Sunrise of the night that is on or comes next, or of the one before.
fn sunrises(night: Night) -> Option<Timestamp> {
    match night {
        Night::Between { sunrise, .. } => Some(sunrise),
        Night::Never { .. } | Night::Always { .. } => None,
    }
}

/// Whether it is the hour for a dose. Where the sun does not rise and set any hour is.
fn is_hour(night: Night, now: Timestamp) -> bool {
    let Some(sunrise) = sunrises(night) else { return true };
    let (from, to) = HOURS_AFTER_SUNRISE;
    // The night counts as on for two hours after its sunrise; a day's length is near enough for the rest.
    [sunrise, sunrise - DAY].into_iter().any(|sunrise| now >= sunrise + from && now <= sunrise + to)
}

/// The first time, now or in one of the coming mornings, at which nothing known now speaks against it: pH as
/// it was at that hour of the last day, long enough after the last dose.
fn earliest(water: &DoseWater<'_>, is_now: bool) -> Option<Timestamp> {
    if is_now {
        return Some(water.now);
    }
    let sunrise = sunrises(water.night)?;
    let (from, _) = HOURS_AFTER_SUNRISE;
    (-1..MORNINGS)
        .map(|morning| sunrise + Span::from_millis(morning * DAY.as_millis()) + from)
        .filter(|&at| at > water.now)
        .find(|&at| {
            let apart = water.last_dose.is_none_or(|last| at - last >= APART)
                && water.disturbed.is_none_or(|(_, until)| until <= at);
            // The same hour within the last day.
            let days = (at - water.now).as_millis().div_euclid(DAY.as_millis()) + 1;
            let then = at - Span::from_millis(days * DAY.as_millis());
            let ph = water.ph_day.and_then(|day| day.mean(then - STEP, then + STEP));
            let most = if water.tan.is_some_and(|tan| tan.value > TAN_AT_MOST) { TAN_PH } else { PH_AT_MOST };
            apart && ph.is_none_or(|ph| ph <= most)
        })
}

#[cfg(test)]
mod tests;
