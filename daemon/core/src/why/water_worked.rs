//! The arithmetic behind the water's conditions: from which readings, of when, a swing, a change or a share comes.

use alloc::format;
use alloc::vec::Vec;

use pondreeve_chemistry::formulas::{Formula, H2S, NITRITE_LIMIT};

use super::Worked;
use crate::alarm_set::Facts;
use crate::alarm_set::marks::Marks;
use crate::pond::{PondState, Scene};
use crate::quantity::Quantity;
use crate::said::{Said, fixed, length, said, tenth};
use crate::site::Pond;
use crate::time::{Span, Timestamp};
use crate::water_limits::Water;
use crate::window::{Bin, Window};

impl PondState {
    /// The numbers behind one of the water's conditions, where it is more than a reading beside its limit.
    pub(super) fn water_worked(
        &self,
        scene: &Scene<'_>,
        pond: &Pond,
        water: Water,
        facts: &Facts<'_>,
    ) -> Vec<Worked> {
        let Some(marks) = facts.marks else { return Vec::new() };
        let window = |quantity| self.channels(scene, quantity).map(|(_, state)| &state.window).next();
        let of_temperature = |hours, piece| {
            window(Quantity::TemperatureC)
                .and_then(|own| change(own, scene.now, Span::from_hours(hours), Span::from_minutes(piece)))
        };
        let worked = match water {
            Water::PhSwing => window(Quantity::Ph).and_then(|own| swing(own, scene.now)),
            Water::TemperatureChangeHour => of_temperature(1, 5),
            Water::TemperatureChangeHalfDay => of_temperature(12, 30),
            Water::SalinityChangeWarn | Water::SalinityChangeCritical => salinity(marks),
            Water::Layered => layers(marks),
            Water::SecchiChange => marks.disc.map(|disc| {
                plain(said!(
                    "worked-disc",
                    "{now} - {before} = {change} cm",
                    now = fixed(disc.now_cm, 0),
                    before = fixed(disc.before_cm, 0),
                    change = format!("{:+.0}", disc.now_cm - disc.before_cm)
                ))
            }),
            Water::H2sWarn | Water::H2sCritical => self.sulfide(scene, pond, marks),
            Water::NitriteWarn | Water::NitriteCritical => {
                let limit = water.threshold(&pond.limits.water, Some(marks)).limit;
                Some(by_formula(
                    said!(
                        "worked-nitrite",
                        "limit at {psu} PSU: {limit} mg/L",
                        psu = tenth(marks.assumed_psu),
                        limit = fixed(limit, 2)
                    ),
                    &NITRITE_LIMIT,
                ))
            }
            _ => None,
        };
        worked.into_iter().collect()
    }

    fn sulfide(&self, scene: &Scene<'_>, pond: &Pond, marks: &Marks) -> Option<Worked> {
        let water = self.water(scene, pond);
        let (total, ph) = (self.kit(scene, Quantity::SulfideMgL)?, self.present(scene, Quantity::Ph)?);
        let (value, temperature) = (marks.h2s?.0, water.temperature_c?);
        let share = (total.value > 0.0).then(|| value / total.value)?;
        Some(by_formula(
            said!(
                "worked-sulfide",
                "sulfide {total} mg/L x share {share} at pH {ph}, {temperature} C, {salinity} PSU = {value} mg/L",
                total = fixed(total.value, 3),
                share = fixed(share, 4),
                ph = fixed(ph.value, 2),
                temperature = tenth(temperature.value),
                salinity = tenth(water.salinity_psu),
                value = fixed(value, 4)
            ),
            &H2S,
        ))
    }
}

fn plain(text: Said) -> Worked {
    Worked { text, formula: None, method: None }
}

fn by_formula(text: Said, formula: &'static Formula) -> Worked {
    Worked { text, formula: Some(formula), method: None }
}

/// Highest and lowest pH of the last day, with their times.
fn swing(window: &Window, now: Timestamp) -> Option<Worked> {
    let day = || window.between(now - Span::from_hours(24), now);
    let by_value = |a: &&Bin, b: &&Bin| a.mean().total_cmp(&b.mean());
    let (high, low) = (day().max_by(by_value)?, day().min_by(by_value)?);
    Some(Worked {
        text: said!(
            "worked-swing",
            "highest {high} ({since_high} ago) - lowest {low} ({since_low} ago) = {swing}, of the last 24 h",
            high = fixed(high.mean(), 2),
            since_high = length(now - high.at()),
            low = fixed(low.mean(), 2),
            since_low = length(now - low.at()),
            swing = fixed(high.mean() - low.mean(), 2)
        ),
        formula: None,
        method: Some(said!("method-minutes", "means of minutes")),
    })
}

/// The newest piece of a stretch and the piece that is furthest from it, as the alarm takes them.
fn change(window: &Window, now: Timestamp, span: Span, piece: Span) -> Option<Worked> {
    let blocks = window.blocks(now - span, now, piece);
    let (_, last) = *blocks.last()?;
    let away = |value: f64| libm::fabs(last - value);
    let (hours, then) = blocks.iter().copied().max_by(|a, b| away(a.1).total_cmp(&away(b.1)))?;
    let at = now - span + Span::from_millis((hours * 3_600_000.0) as i64);
    Some(Worked {
        text: said!(
            "worked-change",
            "{now} - {then} ({ago} ago) = {change} C",
            now = fixed(last, 2),
            then = fixed(then, 2),
            ago = length(now - at),
            change = format!("{:+.2}", last - then)
        ),
        formula: None,
        method: Some(said!("method-pieces", "means of pieces of {piece}", piece = length(piece))),
    })
}

fn salinity(marks: &Marks) -> Option<Worked> {
    let (now, change) = (marks.salinity_psu?, marks.salinity_change_psu?);
    Some(Worked {
        text: said!(
            "worked-salinity",
            "{now} now, {before} 24 to 12 h ago: {change} PSU",
            now = tenth(now),
            before = tenth(now - change),
            change = format!("{change:+.1}")
        ),
        formula: None,
        method: Some(said!("method-middles", "middles of the readings of each time")),
    })
}

fn layers(marks: &Marks) -> Option<Worked> {
    let layers = marks.layers?;
    let below = if layers.is_measured_below {
        said!("worked-bottom", "at the bottom")
    } else {
        said!("worked-earlier", "on top 24 to 12 h ago")
    };
    Some(plain(said!(
        "worked-layers",
        "{below_psu} {below} - {surface} on top = {difference} PSU",
        below_psu = tenth(layers.below_psu),
        below = below,
        surface = tenth(layers.surface_psu),
        difference = tenth(layers.below_psu - layers.surface_psu)
    )))
}
