//! What a dose is planned from.

use super::{PondState, Scene};
use crate::derived::{DAY, KIT_GOOD_FOR};
use crate::diary::{Basin, Book};
use crate::dosing::{DoseAsk, DosePlan, DoseWater, plan};
use crate::effect::Flag;
use crate::mass_balance::{PoreWater, StruviteLook, struvite_look};
use crate::quality::Seen;
use crate::quantity::Quantity;
use crate::site::Pond;
use crate::time::Timestamp;

impl PondState {
    /// Plans a dose for the pond as it is now, with the water that is in it and what was last given.
    pub(crate) fn plan_dose(&self, scene: &Scene<'_>, pond: &Pond, ask: &DoseAsk, basin: Basin) -> DosePlan {
        self.plan_dose_at(scene, pond, ask, basin, scene.now)
    }

    /// The same for a dose at a time a little while ago, with the water as it is now.
    pub(crate) fn plan_dose_at(
        &self,
        scene: &Scene<'_>,
        pond: &Pond,
        ask: &DoseAsk,
        basin: Basin,
        at: Timestamp,
    ) -> DosePlan {
        let water = self.water(scene, pond);
        let window = |quantity| self.channels(scene, quantity).map(|(_, state)| &state.window).next();
        // Where the probe was silent all day, or there is none, what people read counts.
        let by_probe = window(Quantity::Ph).filter(|day| day.mean(scene.now - DAY, scene.now).is_some());
        let book = scene.diary.book(&pond.id);
        plan(
            ask,
            &DoseWater {
                volume_m3: basin.volume_m3(),
                temperature_c: water.temperature_c,
                salinity_psu: water.salinity_psu,
                ph: self.present(scene, Quantity::Ph),
                alkalinity: self.newest(scene, Quantity::AlkalinityMgL),
                tan: self.tan,
                magnesium: self.kit(scene, Quantity::MagnesiumMgL),
                oxygen: self.oxygen(scene).0,
                running: (
                    self.aerators_on.iter().filter(|on| **on == Some(true)).count(),
                    self.aerators_on.len(),
                ),
                ph_day: Some(by_probe.unwrap_or(self.follow_up.ph_by_hand())),
                temperature_day: window(Quantity::TemperatureC),
                last_dose: book.and_then(Book::last_dose).map(|dose| dose.at).filter(|last| *last <= at),
                stocked: book
                    .and_then(|book| book.crop(scene.now, scene.site.longitude_deg))
                    .map(|crop| crop.stocked_at),
                disturbed: book.and_then(|book| book.disturbed(at)),
                night: scene.night,
                now: at,
            },
        )
    }

    /// Renews what the doses ask for, and takes the pH there is now: one that somebody read, or one of a probe that
    /// passes its tests.
    pub(super) fn follow_doses(&mut self, scene: &Scene<'_>, pond: &Pond) {
        self.follow_up.renew((scene.site, pond), scene.diary, self.since, scene.now);
        let by_probe = self.channels(scene, Quantity::Ph).filter_map(|(_, state)| state.seen);
        let by_probe = by_probe.filter(|seen| seen.flag == Flag::Pass).max_by_key(|seen| seen.at);
        let by_hand = self.hand.get(&Quantity::Ph).copied();
        for seen in [by_hand, by_probe].into_iter().flatten() {
            self.follow_up.take_ph(seen.value, seen.at);
        }
    }

    /// How the pond's water stands with struvite, and its alkalinity by the newest kit value.
    pub(crate) fn struvite(&self, scene: &Scene<'_>, pond: &Pond) -> (Option<StruviteLook>, Option<f64>) {
        let water = self.water(scene, pond);
        let kit = |quantity| self.kit(scene, quantity).map(|seen| seen.value);
        let look = || {
            let kits = (self.kit_tan(scene)?, kit(Quantity::PhosphateMgL)?);
            struvite_look(
                water.temperature_c?.value,
                water.salinity_psu,
                self.present(scene, Quantity::Ph)?.value,
                kits,
                kit(Quantity::MagnesiumMgL),
            )
        };
        (look(), self.newest(scene, Quantity::AlkalinityMgL).map(|seen| seen.value))
    }

    /// Keeps a pH that somebody read, also one that is entered late.
    pub(crate) fn note_ph_by_hand(&mut self, seen: Seen) {
        self.follow_up.note_hand(seen.value, seen.at);
    }

    /// How the pore water of the pond's sludge stands with struvite.
    pub(crate) fn pore_struvite(
        &self,
        scene: &Scene<'_>,
        pond: &Pond,
        pore: PoreWater,
    ) -> Option<StruviteLook> {
        let water = self.water(scene, pond);
        let magnesium = self.kit(scene, Quantity::MagnesiumMgL).map(|seen| seen.value);
        let own = (pore.tan_mg_l, pore.phosphate_mg_l);
        struvite_look(water.temperature_c?.value, water.salinity_psu, pore.ph, own, magnesium)
    }

    /// Total ammonia by a kit that is not too old.
    fn kit_tan(&self, scene: &Scene<'_>) -> Option<f64> {
        self.tan.filter(|seen| scene.now - seen.at <= KIT_GOOD_FOR).map(|seen| seen.value)
    }

    /// The newest value of a probe or a test kit, however old.
    fn newest(&self, scene: &Scene<'_>, quantity: Quantity) -> Option<Seen> {
        let probes = self.channels(scene, quantity).filter_map(|(_, state)| state.seen);
        probes.chain(self.hand.get(&quantity).copied()).max_by_key(|seen| seen.at)
    }
}
