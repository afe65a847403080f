//! Limits changed by a person while the program runs: which can be, what is refused, and what stays loud.
//!
//! A change holds over the configuration, also across starts, until somebody takes it back or the configuration
//! itself is given another value for that limit: the newest decision counts.

use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;

use crate::alarm_set::CONDITIONS;
use crate::said::{Said, said};
use crate::site::{Limits, Threshold};
use crate::time::Timestamp;
use crate::water_limits::Water;

/// A limit of low oxygen below these stays loud as long as it holds, mg/L: warn, critical, emergency; warn and critical
/// of the forecast likewise. A daily
/// minimum above 3 for feed and growth (Boyd); above 2 (Kramer 1975); below 1 for hours kills (Boyd).
pub const OXYGEN_FLOOR_MG_L: [f64; 3] = [3.0, 2.0, 1.0];

/// A limit of low oxygen below this would be as good as none, mg/L, and is refused: half of shrimp die within
/// eight hours near 0.8 (Wu, Lam & Wan 2002).
pub const LEAST_OXYGEN_MG_L: f64 = 0.8;

/// A fall of oxygen by more than this in half an hour hardly comes about, so the alarm would be off, mg/L: twice the
/// default. (Common practice, no source.)
const MOST_FALL_MG_L: f64 = 3.0;

/// A reason is cut here.
const LONGEST_REASON: usize = 400;

/// Keys of limits that are no single limits of the water.
const OWN_KEYS: [&str; 14] = [
    "do_low_mg_l.warn",
    "do_low_mg_l.critical",
    "do_low_mg_l.emergency",
    "do_forecast.warn_mg_l",
    "do_forecast.critical_mg_l",
    "do_fall_30min_mg_l",
    "ph_low.warn",
    "ph_low.critical",
    "ph_high.warn",
    "ph_high.critical",
    "nh3_mean_mg_l.warn",
    "nh3_mean_mg_l.critical",
    "nh3_peak_mg_l.warn",
    "nh3_peak_mg_l.critical",
];

/// One limit that a person changed.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct LimitChange {
    /// Id of the pond.
    pub pond: String,
    /// Key of the limit in the pond's table `limits`.
    pub key: String,
    /// What the configuration says.
    pub configured: f64,
    /// What holds instead.
    pub value: f64,
    /// Since when.
    pub at: Timestamp,
    /// Who changed it.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// Keys of everything that can be changed.
pub fn keys() -> impl Iterator<Item = &'static str> {
    OWN_KEYS.into_iter().chain(Water::ALL.into_iter().map(Water::key))
}

/// Whether a key is about low oxygen, which is never laxer silently.
pub fn is_low_oxygen(key: &str) -> bool {
    ["do_low_mg_l", "do_forecast", "do_fall_30min_mg_l"].iter().any(|own| key.starts_with(own))
}

/// What a person calls a limit: the name of the alarm that it belongs to. Empty for a key that is none.
pub fn name_of(key: &str) -> &'static str {
    if let Some(water) = Water::ALL.into_iter().find(|water| water.key() == key) {
        return water.name();
    }
    let (table, level) = key.split_once('.').unwrap_or((key, ""));
    let kind = match table {
        "do_low_mg_l" => "do-low",
        "do_forecast" => "do-forecast",
        "do_fall_30min_mg_l" => "do-falling",
        "ph_low" => "ph-low",
        "ph_high" => "ph-high",
        "nh3_mean_mg_l" => "nh3-mean",
        "nh3_peak_mg_l" => "nh3-peak",
        _ => return "",
    };
    let level = level.trim_end_matches("_mg_l");
    let is_it =
        |suffix: &str| suffix.strip_prefix(kind).is_some_and(|rest| rest.trim_start_matches('-') == level);
    let named = CONDITIONS.iter().find(|(_, suffix, ..)| is_it(suffix));
    named.map_or("", |(_, _, name, _)| name)
}

/// What holds for a key.
pub fn value_of(limits: &Limits, key: &str) -> Option<f64> {
    let mut limits = limits.clone();
    place(&mut limits, key).map(|own| *own)
}

/// Limits of low oxygen that are below [`OXYGEN_FLOOR_MG_L`]: level, limit and floor.
pub fn below_floor(limits: &Limits) -> impl Iterator<Item = (&'static str, f64, f64)> {
    let measured = limits.do_low_mg_l.iter().map(|own| own.limit);
    let levels = ["warn", "critical", "emergency"].into_iter().zip(measured).zip(OXYGEN_FLOOR_MG_L);
    let forecast = ["forecast warn", "forecast critical"].into_iter().zip(limits.do_forecast_mg_l);
    let all = levels.chain(forecast.zip(OXYGEN_FLOOR_MG_L));
    all.map(|((level, limit), floor)| (level, limit, floor)).filter(|(_, limit, floor)| limit < floor)
}

fn place<'a>(limits: &'a mut Limits, key: &str) -> Option<&'a mut f64> {
    fn at<'a>(list: &'a mut [Threshold], level: &str) -> Option<&'a mut f64> {
        let position = ["warn", "critical", "emergency"].iter().position(|own| *own == level)?;
        list.get_mut(position).map(|own| &mut own.limit)
    }
    if let Some(position) = Water::ALL.iter().position(|water| water.key() == key) {
        return limits.water.thresholds.get_mut(position).map(|own| &mut own.limit);
    }
    let (table, level) = key.split_once('.').unwrap_or((key, ""));
    match table {
        "do_low_mg_l" => at(&mut limits.do_low_mg_l, level),
        "ph_low" => at(&mut limits.ph_low, level),
        "ph_high" => at(&mut limits.ph_high, level),
        "nh3_mean_mg_l" => at(&mut limits.nh3_mean_mg_l, level),
        "nh3_peak_mg_l" => at(&mut limits.nh3_peak_mg_l, level),
        "do_fall_30min_mg_l" if level.is_empty() => Some(&mut limits.do_fall_30min_mg_l),
        "do_forecast" => {
            let [warn, critical] = &mut limits.do_forecast_mg_l;
            match level {
                "warn_mg_l" => Some(warn),
                "critical_mg_l" => Some(critical),
                _ => None,
            }
        }
        _ => None,
    }
}

/// The limits with one of them changed.
///
/// # Errors
/// With what cannot be and what would have been accepted.
pub fn changed(limits: &Limits, key: &str, value: f64) -> Result<Limits, Said> {
    let mut new = limits.clone();
    let Some(own) = place(&mut new, key) else {
        let known: Vec<&str> = keys().collect();
        return Err(said!(
            "refused-no-limit",
            "{key} is no limit that can be changed: accepted are {known}",
            key = format!("{key:?}"),
            known = known.join(", ")
        ));
    };
    if !value.is_finite() || value <= 0.0 || value > 10_000.0 {
        return Err(said!(
            "refused-limit-value",
            "the limit of \"{limit}\" cannot be {value}: a number above 0 is accepted",
            limit = name_of(key),
            value = format!("{value}")
        ));
    }
    if ["do_low_mg_l", "do_forecast"].iter().any(|own| key.starts_with(own)) && value < LEAST_OXYGEN_MG_L {
        return Err(said!(
            "refused-limit-oxygen",
            "a limit of \"{limit}\" at {value} would switch the alarm of low oxygen off: {least} mg/L or more is accepted",
            limit = name_of(key),
            value = format!("{value}"),
            least = format!("{LEAST_OXYGEN_MG_L}")
        ));
    }
    if key == "do_fall_30min_mg_l" && value > MOST_FALL_MG_L {
        return Err(said!(
            "refused-limit-fall",
            "a limit of \"{limit}\" at {value} would switch the alarm off: up to {most} mg/L is accepted",
            limit = name_of(key),
            value = format!("{value}"),
            most = format!("{MOST_FALL_MG_L}")
        ));
    }
    *own = value;
    in_order(&new).map(|()| new)
}

/// Limits of several levels must follow one another.
fn in_order(limits: &Limits) -> Result<(), Said> {
    let of = |list: &[Threshold]| list.iter().map(|own| own.limit).collect::<Vec<f64>>();
    let mut lists = alloc::vec![
        ("do_low_mg_l.warn", of(&limits.do_low_mg_l), true),
        ("do_forecast.warn_mg_l", limits.do_forecast_mg_l.to_vec(), true),
        ("ph_low.warn", of(&limits.ph_low), true),
        ("ph_high.warn", of(&limits.ph_high), false),
        ("nh3_mean_mg_l.warn", of(&limits.nh3_mean_mg_l), false),
        ("nh3_peak_mg_l.warn", of(&limits.nh3_peak_mg_l), false),
    ];
    for water in Water::ALL {
        if let Some(graver) = water.graver() {
            let pair = [water, graver].map(|own| limits.water.of(own).limit).to_vec();
            lists.push((water.key(), pair, water.is_below()));
        }
    }
    for (first, values, falls) in lists {
        let sound = values.is_sorted_by(|one, next| if falls { one > next } else { one < next });
        if !sound {
            let shown: Vec<String> = values.iter().map(f64::to_string).collect();
            let order = if falls {
                said!("refused-each-below", "each below the one before")
            } else {
                said!("refused-each-above", "each above the one before")
            };
            return Err(said!(
                "refused-limit-order",
                "the limits of \"{limit}\" and what is graver would be {values}: {order} is accepted, in this order",
                limit = name_of(first),
                values = shown.join(", "),
                order = order
            ));
        }
    }
    let gap = limits.ph_low.first().zip(limits.ph_high.first());
    if gap.is_some_and(|(low, high)| low.limit >= high.limit) {
        return Err(said!("refused-limit-ph", "the low limit of pH would not be below the high one"));
    }
    Ok(())
}

/// A reason as it is kept; `None` where there is none.
pub(crate) fn reason(text: &str) -> Option<String> {
    let text: String = text.trim().chars().take(LONGEST_REASON).collect();
    (!text.is_empty()).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_has_a_place_and_reads_back() {
        let limits = Limits::grow_out();
        for key in keys() {
            let now = value_of(&limits, key).unwrap_or_else(|| panic!("{key}"));
            let nudged = now * 1.001;
            assert_ne!(name_of(key), "", "{key}");
            let new = changed(&limits, key, nudged).unwrap_or_else(|why| panic!("{key}: {why}"));
            assert_eq!(value_of(&new, key), Some(nudged), "{key}");
        }
        assert!(changed(&limits, "do_blind", 1.0).unwrap_err().contains("do_low_mg_l.warn"));
    }

    /// Limits 4, 3 and 2 mg/L.
    #[test]
    fn what_would_switch_an_alarm_off_or_contradicts_is_refused() {
        let limits = Limits::grow_out();
        for (key, value, part) in [
            ("do_low_mg_l.emergency", 0.5, "switch the alarm of low oxygen off"),
            ("do_low_mg_l.critical", 4.5, "4, 4.5, 2"),
            ("do_low_mg_l.warn", f64::NAN, "above 0"),
            ("do_low_mg_l.warn", -1.0, "above 0"),
            ("do_fall_30min_mg_l", 4.0, "up to 3"),
            ("do_forecast.critical_mg_l", 0.1, "switch the alarm of low oxygen off"),
            ("ph_low.warn", 9.0, "pH"),
            ("tan_mg_l.warn", 9.0, "\"Total ammonia high\" and what is graver would be 9, 4"),
        ] {
            let why = changed(&limits, key, value).unwrap_err();
            assert!(why.contains(part), "{key} = {value}: {why}");
        }
        let new = changed(&limits, "do_low_mg_l.emergency", 0.9).unwrap();
        assert_eq!(below_floor(&new).collect::<Vec<_>>(), [("emergency", 0.9, 1.0)]);
        assert_eq!(below_floor(&limits).count(), 0);
        let new = changed(&limits, "do_forecast.critical_mg_l", 1.0).unwrap();
        assert_eq!(below_floor(&new).collect::<Vec<_>>(), [("forecast critical", 1.0, 2.0)]);
    }
}
