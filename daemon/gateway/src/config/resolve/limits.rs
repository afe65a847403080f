//! Limits of a pond's alarms: the defaults of its species and stage, and what the pond changes.

use std::time::Duration;

use pondreeve_core::Span;
use pondreeve_core::site::{Limits, Threshold};
use pondreeve_core::water_limits::Water;

use super::super::raw::{RawLimits, RawLimitsFile, RawThreshold, ThresholdParts};
use super::super::reader::{At, Problems};
use super::span;

/// Reads a file of default limits; all limits and all sources must be there.
pub(super) fn from_file(raw: &RawLimitsFile, problems: &Problems) -> Option<Limits> {
    let limits = raw.limits.as_ref()?;
    let own = Own { problems, base: None };
    own.check_sources(&limits.value, limits);
    own.resolve(&limits.value, limits)
}

/// The limits of a pond: `base` with what the pond changes.
pub(super) fn for_pond(raw: Option<&At<RawLimits>>, base: &Limits, problems: &Problems) -> Option<Limits> {
    let Some(raw) = raw else { return Some(base.clone()) };
    let limits = Own { problems, base: Some(base) }.resolve(&raw.value, raw)?;
    warn_of_laxer_oxygen(&limits, base, raw, problems);
    Some(limits)
}

pub(super) struct Own<'a> {
    pub(super) problems: &'a Problems,
    /// The defaults; `None` while a file of defaults is read.
    pub(super) base: Option<&'a Limits>,
}

impl Own<'_> {
    fn resolve(&self, raw: &RawLimits, at: &At<RawLimits>) -> Option<Limits> {
        let base = self.base;
        let low = raw.do_low_mg_l.as_ref().map(|at| &at.value);
        let levels = |raw: Option<ThresholdParts<'_>>, base: Option<Threshold>, key: &str| {
            self.threshold(raw, base, at, key)
        };
        let do_low_mg_l = [
            levels(
                low.and_then(|l| l.warn.as_ref()).map(parts),
                base.map(|b| b.do_low_mg_l[0]),
                "do_low_mg_l.warn",
            ),
            levels(
                low.and_then(|l| l.critical.as_ref()).map(parts),
                base.map(|b| b.do_low_mg_l[1]),
                "do_low_mg_l.critical",
            ),
            levels(
                low.and_then(|l| l.emergency.as_ref()).map(parts),
                base.map(|b| b.do_low_mg_l[2]),
                "do_low_mg_l.emergency",
            ),
        ];
        let two = |warn: Option<ThresholdParts<'_>>,
                   critical: Option<ThresholdParts<'_>>,
                   base: Option<[Threshold; 2]>,
                   key: &str| {
            let warn = self.threshold(warn, base.map(|b| b[0]), at, &format!("{key}.warn"));
            let critical = self.threshold(critical, base.map(|b| b[1]), at, &format!("{key}.critical"));
            Some([warn?, critical?])
        };
        macro_rules! pair {
            ($field:ident) => {{
                let raw = raw.$field.as_ref().map(|at| &at.value);
                two(
                    raw.and_then(|r| r.warn.as_ref()).map(parts),
                    raw.and_then(|r| r.critical.as_ref()).map(parts),
                    base.map(|b| b.$field),
                    stringify!($field),
                )
            }};
        }
        let ph_low = pair!(ph_low);
        let ph_high = pair!(ph_high);
        let nh3_mean_mg_l = pair!(nh3_mean_mg_l);
        let nh3_peak_mg_l = pair!(nh3_peak_mg_l);

        let forecast = raw.do_forecast.as_ref().map(|at| &at.value);
        let forecast_at = |index: usize, key: &str| {
            let own = match index {
                0 => forecast.and_then(|f| f.warn_mg_l.as_ref()),
                _ => forecast.and_then(|f| f.critical_mg_l.as_ref()),
            };
            self.own_or_base(own.map(|at| at.value), base.map(|b| b.do_forecast_mg_l[index]), at, key)
        };
        let do_forecast_mg_l =
            [forecast_at(0, "do_forecast.warn_mg_l"), forecast_at(1, "do_forecast.critical_mg_l")];
        let fall = raw.do_fall_30min_mg_l.as_ref().and_then(|at| at.value.limit.as_ref());
        let do_fall_30min_mg_l = self.own_or_base(
            fall.map(|at| at.value),
            base.map(|b| b.do_fall_30min_mg_l),
            at,
            "do_fall_30min_mg_l.limit",
        );
        let blind = raw.do_blind.as_ref().map(|at| &at.value);
        let blind_at = |own: Option<&At<Duration>>, index: usize, key: &str| {
            self.own_or_base(own.map(|at| span(at.value)), base.map(|b| b.do_blind_after[index]), at, key)
        };
        let do_blind_after = [
            blind_at(blind.and_then(|b| b.high_after.as_ref()), 0, "do_blind.high_after"),
            blind_at(blind.and_then(|b| b.critical_after.as_ref()), 1, "do_blind.critical_after"),
        ];

        let water = self.water(raw, at);
        let limits = Limits {
            do_low_mg_l: all(do_low_mg_l)?,
            do_forecast_mg_l: all(do_forecast_mg_l)?,
            do_fall_30min_mg_l: do_fall_30min_mg_l?,
            do_blind_after: all(do_blind_after)?,
            ph_low: ph_low?,
            ph_high: ph_high?,
            nh3_mean_mg_l: nh3_mean_mg_l?,
            nh3_peak_mg_l: nh3_peak_mg_l?,
            water: water?,
        };
        self.in_order(&limits, raw, at).then_some(limits)
    }

    pub(super) fn own_or_base<T>(
        &self,
        own: Option<T>,
        base: Option<T>,
        at: &At<RawLimits>,
        key: &str,
    ) -> Option<T> {
        let found = own.or(base);
        let path = format!("{}.{key}", at.path);
        // A limit that is there but cannot be read has been told of already.
        if found.is_none() && !self.problems.any_about(&path) {
            let place = At { path, ..at.with(()) };
            self.problems.push(self.problems.about(
                &place,
                "no such limit",
                "every limit, in a file of defaults",
            ));
        }
        found
    }

    pub(super) fn threshold(
        &self,
        raw: Option<ThresholdParts<'_>>,
        base: Option<Threshold>,
        at: &At<RawLimits>,
        key: &str,
    ) -> Option<Threshold> {
        let limit = raw.and_then(|raw| raw.limit);
        let delay = |own: Option<&At<Duration>>, base: Option<Span>, name: &str| {
            self.own_or_base(own.map(|at| span(at.value)), base, at, &format!("{key}.{name}"))
        };
        let found = Threshold {
            limit: self.own_or_base(
                limit.map(|at| at.value),
                base.map(|b| b.limit),
                at,
                &format!("{key}.limit"),
            )?,
            deadband: self.own_or_base(
                raw.and_then(|raw| raw.deadband).map(|at| at.value),
                base.map(|b| b.deadband),
                at,
                &format!("{key}.deadband"),
            )?,
            on_delay: delay(raw.and_then(|raw| raw.on_delay), base.map(|b| b.on_delay), "on_delay")?,
            off_delay: delay(raw.and_then(|raw| raw.off_delay), base.map(|b| b.off_delay), "off_delay")?,
        };
        Some(found)
    }

    /// Reports limits that contradict one another.
    fn in_order(&self, limits: &Limits, raw: &RawLimits, at: &At<RawLimits>) -> bool {
        let of = |list: &[Threshold]| list.iter().map(|t| t.limit).collect::<Vec<_>>();
        let blind: Vec<f64> =
            limits.do_blind_after.iter().map(|span| span.as_millis() as f64 / 60_000.0).collect();
        macro_rules! place {
            ($field:ident) => {
                raw.$field.as_ref().map_or_else(|| at.with(()), |own| own.with(()))
            };
        }
        let checks: [(&str, Vec<f64>, bool, At<()>); 7] = [
            ("do_low_mg_l", of(&limits.do_low_mg_l), false, place!(do_low_mg_l)),
            ("do_forecast", limits.do_forecast_mg_l.to_vec(), false, place!(do_forecast)),
            ("do_blind (minutes)", blind, true, place!(do_blind)),
            ("ph_low", of(&limits.ph_low), false, place!(ph_low)),
            ("ph_high", of(&limits.ph_high), true, place!(ph_high)),
            ("nh3_mean_mg_l", of(&limits.nh3_mean_mg_l), true, place!(nh3_mean_mg_l)),
            ("nh3_peak_mg_l", of(&limits.nh3_peak_mg_l), true, place!(nh3_peak_mg_l)),
        ];
        let mut sound = true;
        for (name, values, ascending, place) in checks {
            let ordered = values.is_sorted_by(|a, b| if ascending { a < b } else { a > b });
            if !ordered {
                sound = false;
                let shown: Vec<String> = values.iter().map(ToString::to_string).collect();
                let accepted = if ascending {
                    "rising values: warn, then critical"
                } else {
                    "falling values: warn, then critical, then emergency"
                };
                let found =
                    format!("{name} limits out of order: {} (with the defaults filled in)", shown.join(", "));
                self.problems.push(self.problems.about(&place, found, accepted));
            }
        }
        if limits.ph_low[0].limit >= limits.ph_high[0].limit {
            sound = false;
            let found = format!(
                "low pH limit {} not below high pH limit {}",
                limits.ph_low[0].limit, limits.ph_high[0].limit
            );
            self.problems.push(self.problems.about(
                &at.with(()),
                found,
                "a gap between them, in which no alarm stands",
            ));
        }
        sound
    }

    /// Every default names its source; reported where the limit itself stands.
    fn check_sources(&self, raw: &RawLimits, at: &At<RawLimits>) {
        let need = |table: Option<At<()>>, source: Option<&At<String>>, key: String| {
            if source.is_none() {
                let place = table.unwrap_or_else(|| at.with(()));
                let place = At { path: format!("{}.{key}.source", at.path), ..place };
                let accepted = "where the limit comes from: a publication, or \"common practice, no source\"";
                self.problems.push(self.problems.about(&place, "no source", accepted));
            }
        };
        macro_rules! levels {
            ($field:ident: $($level:ident),+) => { $(
                let table = raw.$field.as_ref().and_then(|at| at.value.$level.as_ref());
                let source = table.and_then(|at| at.value.source.as_ref());
                need(table.map(|at| at.with(())), source, format!("{}.{}", stringify!($field), stringify!($level)));
            )+ };
        }
        levels!(do_low_mg_l: warn, critical, emergency);
        levels!(ph_low: warn, critical);
        levels!(ph_high: warn, critical);
        levels!(nh3_mean_mg_l: warn, critical);
        levels!(nh3_peak_mg_l: warn, critical);
        macro_rules! single {
            ($($field:ident),+) => { $(
                let table = raw.$field.as_ref();
                let source = table.and_then(|at| at.value.source.as_ref());
                need(table.map(|at| at.with(())), source, stringify!($field).to_owned());
            )+ };
        }
        single!(do_forecast, do_fall_30min_mg_l, do_blind, tan_safe_mg_l, nitrite_safe_mg_l);
        for water in Water::ALL {
            let parts = raw.water(water.key());
            need(parts.map(|own| own.at.clone()), parts.and_then(|own| own.source), water.key().to_owned());
        }
    }
}

fn parts<T: RawThreshold>(at: &At<T>) -> ThresholdParts<'_> {
    at.value.parts()
}

fn all<T, const N: usize>(values: [Option<T>; N]) -> Option<[T; N]> {
    let found: Vec<T> = values.into_iter().flatten().collect();
    found.try_into().ok()
}

/// A pond may have laxer oxygen limits than its species and stage, but never silently.
fn warn_of_laxer_oxygen(limits: &Limits, base: &Limits, raw: &At<RawLimits>, problems: &Problems) {
    let mut laxer: Vec<String> = Vec::new();
    for (name, (own, base)) in
        ["warn", "critical", "emergency"].iter().zip(limits.do_low_mg_l.iter().zip(&base.do_low_mg_l))
    {
        if own.limit < base.limit {
            laxer.push(format!("low oxygen {name} at {} instead of {} mg/L", own.limit, base.limit));
        }
        if own.on_delay > base.on_delay {
            let minutes = |span: Span| span.as_millis() as f64 / 60_000.0;
            laxer.push(format!(
                "low oxygen {name} after {} instead of {} min",
                minutes(own.on_delay),
                minutes(base.on_delay)
            ));
        }
    }
    for (name, (own, base)) in
        ["warn", "critical"].iter().zip(limits.do_forecast_mg_l.iter().zip(&base.do_forecast_mg_l))
    {
        if own < base {
            laxer.push(format!("forecast {name} at {own} instead of {base} mg/L"));
        }
    }
    if limits.do_fall_30min_mg_l > base.do_fall_30min_mg_l {
        laxer.push(format!(
            "fall in 30 min at {} instead of {} mg/L",
            limits.do_fall_30min_mg_l, base.do_fall_30min_mg_l
        ));
    }
    for (name, (own, base)) in
        ["high", "critical"].iter().zip(limits.do_blind_after.iter().zip(&base.do_blind_after))
    {
        if own > base {
            laxer.push(format!("missing oxygen data {name} alarm later than the default"));
        }
    }
    if !laxer.is_empty() {
        problems.push(
            problems
                .about(
                    raw,
                    format!("oxygen limits laxer than the defaults: {}", laxer.join("; ")),
                    "as it is, if an adviser decided it",
                )
                .as_warning(),
        );
    }
}
