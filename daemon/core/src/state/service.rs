//! Steps of a probe's service, and what a probe says of its settings.

use alloc::format;
use alloc::vec::Vec;

use super::State;
use crate::compensation::SalinitySetting;
use crate::effect::Effect;
use crate::input::Event;
use crate::pond::Scene;
use crate::quantity::Quantity;
use crate::said::said;
use crate::service::Step;
use crate::site::ProbeIndex;
use crate::time::Timestamp;

impl State {
    /// Fills in what a step of a service leaves to the probe's newest reading at `now`, so that the input
    /// says everything by itself: who reads it years later need not have the readings beside it. An entry of
    /// the diary gets its number and the pond as it is, if it is acceptable; a trial its number.
    pub fn complete(&self, event: &mut Event, now: Timestamp) {
        if let Event::Diary { pond, entry, .. } = event {
            return self.complete_entry(*pond, entry, now);
        }
        if let Event::Trial { trial, .. } = event {
            return self.complete_trial(trial, now);
        }
        let Event::Service { probe, step, .. } = event else { return };
        let position = usize::from(probe.0);
        let configured = self.site.as_ref().and_then(|site| site.probes.get(position));
        let Some((configured, known)) = configured.zip(self.probes.get(position)) else { return };
        let in_pond = !matches!(step, Step::Standard { .. });
        if let Step::Before { quantity, reading, .. }
        | Step::After { quantity, reading, .. }
        | Step::Standard { quantity, reading, .. } = step
        {
            *reading = reading.or_else(|| known.reads_now(configured, *quantity, in_pond, now));
        }
    }

    /// Takes over what an earlier life knew of the services of probes that are in both farms.
    pub fn take_over_services(&mut self, earlier: &Self) {
        let (Some(site), Some(was)) = (&self.site, &earlier.site) else { return };
        for (probe, state) in site.probes.iter().zip(&mut self.probes) {
            let mut before = was.probes.iter().zip(&earlier.probes);
            if let Some((old, known)) = before.find(|(old, _)| old.id == probe.id) {
                state.take_over_services(probe, old, known);
            }
        }
    }

    pub(super) fn take_setting(&mut self, index: ProbeIndex, salinity_psu: f64, effects: &mut Vec<Effect>) {
        let position = usize::from(index.0);
        let (lowest, highest) = Quantity::SalinityPsu.conceivable();
        if !(salinity_psu.is_finite() && (lowest..=highest).contains(&salinity_psu)) {
            let reason = format!(
                "took a salinity setting of {salinity_psu} from probe number {position}; {lowest} to {highest} PSU is accepted"
            );
            return self.refuse_plainly(reason, effects);
        }
        match self.probes.get_mut(position) {
            Some(probe) => {
                probe.setting = Some(SalinitySetting { set_psu: salinity_psu, water_psu: None });
            }
            None => {
                let reason = format!(
                    "took a setting of probe number {position}; the farm has {} probes",
                    self.probes.len()
                );
                return self.refuse_plainly(reason, effects);
            }
        }
        self.look_at_setting(position);
        self.settle_probe(position, effects);
    }

    pub(super) fn take_service(
        &mut self,
        index: ProbeIndex,
        step: &Step,
        by: &str,
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now;
        let position = usize::from(index.0);
        let (Some(site), Some(probe)) = (&self.site, self.probes.get_mut(position)) else {
            let reason = format!(
                "took a service step for probe number {position}; the farm has {} probes",
                self.probes.len()
            );
            return self.refuse_plainly(reason, effects);
        };
        let id = site.probes.get(position).map_or("", |probe| probe.id.as_str());
        if let Err(reason) = probe.take_service((site, index), step, by, now, effects) {
            let reason = said!("refused-service", "servicing probe {probe}: {why}", probe = id, why = reason);
            return self.refuse(reason, effects);
        }
        self.settle_probe(position, effects);
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let pond = site.probes.get(position).and_then(|probe| probe.pond);
        let scene = Scene {
            site,
            probes: &self.probes,
            night,
            now,
            falls: &self.falls,
            power_lost: self.power.lost(),
            diary: &self.diary,
        };
        if let Some(pond) = pond.and_then(|pond| self.ponds.get_mut(usize::from(pond.0))) {
            pond.settle(&scene, effects);
        }
    }
}
