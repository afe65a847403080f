//! Steps of a probe's service, and what a probe says of its settings.

use alloc::format;
use alloc::vec::Vec;

use super::State;
use crate::compensation::SalinitySetting;
use crate::effect::Effect;
use crate::pond::Scene;
use crate::quantity::Quantity;
use crate::service::Step;
use crate::site::ProbeIndex;

impl State {
    pub(super) fn take_setting(&mut self, index: ProbeIndex, salinity_psu: f64, effects: &mut Vec<Effect>) {
        let position = usize::from(index.0);
        let (lowest, highest) = Quantity::SalinityPsu.conceivable();
        if !(salinity_psu.is_finite() && (lowest..=highest).contains(&salinity_psu)) {
            let reason = format!(
                "took a salinity setting of {salinity_psu} from probe number {position}; {lowest} to {highest} PSU is accepted"
            );
            return self.refuse(reason, effects);
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
                return self.refuse(reason, effects);
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
            return self.refuse(reason, effects);
        };
        let id = site.probes.get(position).map_or("", |probe| probe.id.as_str());
        if let Err(reason) = probe.take_service((site, index), step, by, now, effects) {
            let reason = format!("servicing probe {id}: {reason}");
            return self.refuse(reason, effects);
        }
        self.settle_probe(position, effects);
        let (Some(site), Some(night)) = (&self.site, self.night) else { return };
        let pond = site.probes.get(position).and_then(|probe| probe.pond);
        let scene = Scene { site, probes: &self.probes, night, now };
        if let Some(pond) = pond.and_then(|pond| self.ponds.get_mut(usize::from(pond.0))) {
            pond.settle(&scene, effects);
        }
    }
}
