//! The pond's looks at its water beyond oxygen and pH: temperature, salt and what test kits say.

use alloc::vec::Vec;

use super::{PondState, Scene};
use crate::alarm_set::marks::{DISC_BESIDE, DiscChange, Layers, Marks};
use crate::derived;
use crate::quality::{ChannelState, Seen};
use crate::quantity::Quantity;
use crate::site::{Layer, Pond};
use crate::time::{Span, Timestamp};
use crate::window::{Bin, Window, median};

/// The water is looked at this often; a test kit's value when it is entered.
const EVERY: Span = Span::from_minutes(5);

/// A reading counts as the present one this long.
const PRESENT: Span = Span::from_minutes(45);

impl PondState {
    /// Notes what a person has entered, or what a kit's column of a recording says: it is judged at once.
    pub(crate) fn note_entry(&mut self, quantity: Quantity, seen: Seen) {
        let is_newest = |known: &Seen| known.at < seen.at;
        if quantity == Quantity::SecchiCm && self.disc.is_none_or(|known| is_newest(&known)) {
            let beside = |known: &Seen| seen.at - known.at <= DISC_BESIDE;
            self.disc_before = self.disc.replace(seen).filter(beside);
        }
        self.marks_due = None;
    }

    /// Whether fresh water was found on top at the last look, by 1 PSU and more. (Common practice, no source.)
    pub(crate) fn is_layered(&self) -> bool {
        self.marks.layers.is_some_and(|layers| layers.below_psu - layers.surface_psu >= 1.0)
    }

    /// Looks at the water, if that is due.
    pub(super) fn look_at_marks(&mut self, scene: &Scene<'_>, pond: &Pond) {
        if self.marks_due.is_some_and(|due| due > scene.now) {
            return;
        }
        self.marks = self.marks_now(scene, pond);
        self.marks_due = Some(scene.now + EVERY);
    }

    fn marks_now(&self, scene: &Scene<'_>, pond: &Pond) -> Marks {
        let now = scene.now;
        let usable = |quantity: Quantity| {
            self.present(scene, quantity).filter(|seen| seen.flag.is_usable()).map(|seen| seen.value)
        };
        let window =
            |quantity: Quantity| self.channels(scene, quantity).map(|(_, state)| &state.window).next();
        let highest = self
            .channels(scene, Quantity::DoMgL)
            .filter_map(|(channel, state)| state.present(channel, now))
            .filter(|seen| seen.flag.is_usable())
            .map(|seen| seen.value)
            .max_by(f64::total_cmp);
        let water = self.water(scene, pond);
        let saturation = derived::oxygen_saturation(&water).filter(|(_, flag)| flag.is_usable());
        let sulfide = self.kit(scene, Quantity::SulfideMgL).zip(self.present(scene, Quantity::Ph));
        let ph_swing = self
            .derived
            .get(&Quantity::PhSwing)
            .filter(|swing| swing.flag.is_usable() && now - swing.at <= PRESENT);
        Marks {
            oxygen_mg_l: highest,
            oxygen_percent: highest.zip(saturation).map(|(value, (full, _))| 100.0 * value / full),
            ph_swing: ph_swing.map(|swing| swing.value),
            temperature_c: usable(Quantity::TemperatureC),
            temperature_hour_c: window(Quantity::TemperatureC)
                .and_then(|window| change(window, now, Span::from_hours(1), Span::from_minutes(5))),
            temperature_half_day_c: window(Quantity::TemperatureC)
                .and_then(|window| change(window, now, Span::from_hours(12), Span::from_minutes(30))),
            salinity_psu: usable(Quantity::SalinityPsu),
            salinity_change_psu: window(Quantity::SalinityPsu)
                .and_then(|window| Some(newest(window, now)? - half_day_ago(window, now)?)),
            assumed_psu: water.salinity_psu,
            layers: self.layers(scene),
            tan: self.kit(scene, Quantity::TanMgL),
            nitrite: self.kit(scene, Quantity::NitriteMgL),
            alkalinity: self.kit(scene, Quantity::AlkalinityMgL),
            secchi: self.kit(scene, Quantity::SecchiCm),
            disc: self.disc_change(now),
            phosphate: self.kit(scene, Quantity::PhosphateMgL),
            iron: self.kit(scene, Quantity::IronMgL),
            h2s: sulfide.and_then(|(sulfide, ph)| derived::hydrogen_sulfide_now(sulfide, ph, &water)),
            sludge_ph: self.kit(scene, Quantity::SludgePh),
            at: now,
        }
    }

    /// Two discs of a day and the next. Once the newest is older than a day there is no change any more.
    pub(super) fn disc_change(&self, now: Timestamp) -> Option<DiscChange> {
        let newest = self.disc?;
        let before = self.disc_before.filter(|_| now - newest.at <= DISC_BESIDE);
        Some(DiscChange {
            before_cm: before.map_or(newest.value, |before| before.value),
            now_cm: newest.value,
        })
    }

    /// Salt at the surface, of a probe that hangs there, and below it.
    fn layers(&self, scene: &Scene<'_>) -> Option<Layers> {
        let now = scene.now;
        let at = |layer: Layer, quantity: Quantity| {
            self.own_channels(scene)
                .find(move |(_, channel, _)| channel.quantity == quantity && channel.layer == Some(layer))
                .map(|(_, _, state)| state)
        };
        let recent = |state: &ChannelState| newest(&state.window, now);
        let surface = at(Layer::Surface, Quantity::SalinityPsu)?;
        let surface_psu = recent(surface)?;
        let bottom_psu = at(Layer::Bottom, Quantity::SalinityPsu).and_then(recent);
        let temperatures = at(Layer::Surface, Quantity::TemperatureC)
            .and_then(recent)
            .zip(at(Layer::Bottom, Quantity::TemperatureC).and_then(recent));
        Some(Layers {
            surface_psu,
            below_psu: bottom_psu.or_else(|| half_day_ago(&surface.window, now))?,
            is_measured_below: bottom_psu.is_some(),
            cooler_c: temperatures.map(|(surface, bottom)| bottom - surface),
        })
    }
}

/// Middle of the newest three minutes with readings, so that one stray reading is no change.
fn newest(window: &Window, now: Timestamp) -> Option<f64> {
    let mut values: Vec<f64> = window.between(now - PRESENT, now).rev().take(3).map(Bin::mean).collect();
    median(&mut values)
}

/// Middle of the readings of 24 to 12 hours ago: half a day of them, so that what lasts a few hours is not
/// taken for the usual.
fn half_day_ago(window: &Window, now: Timestamp) -> Option<f64> {
    middle(window, now - Span::from_hours(24), now - Span::from_hours(12))
}

fn middle(window: &Window, from: Timestamp, to: Timestamp) -> Option<f64> {
    let mut values: Vec<f64> = window.between(from, to).map(Bin::mean).collect();
    median(&mut values)
}

/// The newest piece of a stretch less the highest or the lowest piece of it, whichever is further.
fn change(window: &Window, now: Timestamp, span: Span, piece: Span) -> Option<f64> {
    let blocks = window.blocks(now - span, now, piece);
    let (_, last) = *blocks.last()?;
    blocks
        .iter()
        .map(|(_, value)| last - value)
        .max_by(|a, b| libm::fabs(*a).total_cmp(&libm::fabs(*b)))
        .filter(|change| change.is_finite())
}
