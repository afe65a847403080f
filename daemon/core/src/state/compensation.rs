//! The water that an oxygen probe's compensation reckons with.

use alloc::vec::Vec;

use super::State;
use crate::compensation::{Compensation, Factors, SalinitySetting};
use crate::derived::Water;
use crate::effect::Flag;
use crate::input::Sample;
use crate::quality::{AHEAD_TOLERANCE, Seen};
use crate::quantity::Quantity;
use crate::site::{PondIndex, Site};
use crate::time::{Span, Timestamp};
use crate::window::{Bin, Window, median};

/// Salt and warmth change slowly: the newest sound value of so long counts. (Common practice, no source.)
const GOOD_FOR: Span = Span::from_hours(24);

/// A salinity setting is held against the water anew once that has changed by so much, PSU: an alarm must
/// not come and go with a probe's last digit.
const SALINITY_MOVED_PSU: f64 = 1.0;

/// The middle of the last hour of readings within a day, so that one odd reading does not move oxygen.
fn settled(window: &Window, now: Timestamp) -> Option<f64> {
    // A probe with a clock of its own may be a little ahead.
    let to = now + AHEAD_TOLERANCE;
    let newest = window.between(now - GOOD_FOR, to).next_back()?.at();
    let mut values: Vec<f64> = window.between(newest - Span::from_hours(1), to).map(Bin::mean).collect();
    median(&mut values)
}

impl State {
    /// The water of a pond's probes: its last hour of sound readings within a day; salinity else as last entered
    /// by hand, else as configured. A doubted reading does not count, since salt read too low makes oxygen
    /// read too high. Pressure is the usual one of the place.
    fn probe_water(&self, site: &Site, index: PondIndex) -> Option<Water> {
        let pond = site.ponds.get(usize::from(index.0))?;
        let newest = |quantity: Quantity| {
            site.probes
                .iter()
                .zip(&self.probes)
                .filter(|(probe, _)| probe.pond == Some(index))
                .flat_map(|(probe, known)| probe.channels.iter().zip(&known.channels))
                .filter(|(channel, state)| channel.quantity == quantity && !state.is_contradicted(quantity))
                .find_map(|(_, state)| settled(&state.window, self.now))
        };
        let hand =
            self.ponds.get(usize::from(index.0)).and_then(|known| known.hand.get(&Quantity::SalinityPsu));
        let salinity_psu = newest(Quantity::SalinityPsu).or(hand.map(|seen| seen.value));
        Some(Water {
            temperature_c: newest(Quantity::TemperatureC).map(|value| Seen {
                value,
                at: self.now,
                flag: Flag::Pass,
            }),
            salinity_psu: salinity_psu.unwrap_or(pond.salinity_psu),
            salinity_flag: salinity_psu.map_or(Flag::NotEvaluated, |_| Flag::Pass),
            pressure_hpa: site.pressure_hpa,
            pressure_flag: Flag::NotEvaluated,
        })
    }

    /// What a sample is multiplied with before it is judged; `None` where it counts as it is.
    pub(super) fn factors(&self, site: &Site, pond: PondIndex, sample: &Sample) -> Option<Factors> {
        let probe = site.probes.get(usize::from(sample.probe.0))?;
        let channel = probe.channels.iter().find(|channel| channel.quantity == sample.quantity)?;
        let own = channel.compensation;
        (own != Compensation::default()).then_some(())?;
        Some(own.factors(&self.probe_water(site, pond)?))
    }

    /// Holds the salinity a probe is set to against the water as it is now.
    pub(super) fn look_at_setting(&mut self, position: usize) {
        let known = self.probes.get(position).and_then(|probe| probe.setting);
        let (Some(setting), Some(site)) = (known, &self.site) else { return };
        let pond = site.probes.get(position).and_then(|probe| probe.pond);
        let Some(water) = pond.and_then(|pond| self.probe_water(site, pond)) else { return };
        if setting.water_psu.is_some_and(|was| libm::fabs(water.salinity_psu - was) < SALINITY_MOVED_PSU) {
            return;
        }
        if let Some(probe) = self.probes.get_mut(position) {
            probe.setting = Some(SalinitySetting { water_psu: Some(water.salinity_psu), ..setting });
        }
    }
}
