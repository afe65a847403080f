//! The pond's own looks at what it makes and uses up, night and day.

use alloc::vec::Vec;

use super::{PondState, Scene};
use crate::alarm_set::ample_mg_l;
use crate::metabolism::{Look, Marks};
use crate::quantity::Quantity;
use crate::respiration::EVERY;
use crate::site::Pond;
use crate::sunlight::Night;
use crate::time::{Span, Timestamp};
use crate::water_limits::Water;
use crate::window::{Bin, Window, median};

/// A disc that vanishes so many times as deep as the day before shows that most of the plankton is gone: what
/// dims the light is in proportion to one over its depth. (Common practice, no source.)
const CLEARED: f64 = 1.5;

impl PondState {
    /// Each quarter of an hour, night and day, takes up what the water has made or used up.
    pub(super) fn turn_over(&mut self, scene: &Scene<'_>, pond: &Pond) {
        let now = scene.now;
        let Night::Between { sunset, sunrise } = scene.night else {
            self.turnover_due = None;
            return;
        };
        // Counted from that sunset, before it as after it, so that one look falls on it.
        let steps = (now - sunset).as_millis().div_euclid(EVERY.as_millis()).saturating_add(1);
        let next = sunset + Span::from_millis(steps.saturating_mul(EVERY.as_millis()));
        if self.turnover_due.is_some_and(|due| due <= now) {
            let look = self.look_at_water(scene, pond);
            let tank = self.tank(scene, pond);
            self.metabolism.look(now, Some((sunset, sunrise)), &look, tank.as_ref(), &self.respiration);
            let [ph_high, _] = pond.limits.ph_high;
            let clearing = pond.limits.water.of(Water::SecchiChange).limit;
            let marks = Marks {
                ph_high: ph_high.limit,
                ample_mg_l: ample_mg_l(&pond.limits),
                has_cleared: self.disc_change(now).is_some_and(|disc| {
                    disc.now_cm - disc.before_cm > clearing && disc.now_cm > CLEARED * disc.before_cm
                }),
            };
            let own = usize::from(self.index.0);
            let others = scene.falls.iter().enumerate().filter(|&(place, _)| place != own);
            self.metabolism.judge(now, marks, others.filter_map(|(_, fall)| *fall));
        }
        self.turnover_due = Some(next);
    }

    fn look_at_water(&self, scene: &Scene<'_>, pond: &Pond) -> Look {
        let now = scene.now;
        // One stray reading must not pass for oxygen made: the middle one, not the mean.
        let recent = |quantity| {
            self.channels(scene, quantity).find_map(|(_, state)| middle(&state.window, now - EVERY, now))
        };
        let sound = self.own_channels(scene).find_map(|(probe, channel, state)| {
            let speaks = channel.quantity == Quantity::DoMgL
                && state.doubt.is_none()
                && !state.is_contradicted(Quantity::DoMgL);
            let value = speaks.then(|| middle(&state.window, now - EVERY, now)).flatten()?;
            Some((probe, value, state.serviced_at))
        });
        Look {
            oxygen: sound.map(|(probe, value, _)| (probe, value)),
            serviced_at: sound.and_then(|(_, _, at)| at),
            aerators_known: pond.aerators.is_empty() || self.aerators_on.iter().all(Option::is_some),
            ph: recent(Quantity::Ph),
            temperature_c: recent(Quantity::TemperatureC),
            salinity_psu: recent(Quantity::SalinityPsu),
            depth_m: recent(Quantity::DepthM),
            light_umol_m2_s: recent(Quantity::ParUmolM2S),
        }
    }
}

/// Median minute between two times.
fn middle(window: &Window, from: Timestamp, to: Timestamp) -> Option<f64> {
    let mut values: Vec<f64> = window.between(from, to).map(Bin::mean).collect();
    median(&mut values)
}
