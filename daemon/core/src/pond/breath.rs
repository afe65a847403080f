//! The pond's respiration, learnt by night, and the plan that follows from it.

use super::{PondState, Scene};
use crate::alarm_set::Facts;
use crate::night::Aeration;
use crate::quantity::Quantity;
use crate::respiration::{EVERY, Tank};
use crate::schedule::{Candidate, Plan, Task, plan};
use crate::site::Pond;
use crate::sunlight::{LOW_UNTIL, Night};
use crate::time::{Span, Timestamp};

impl PondState {
    /// Notes what runs, and each quarter of an hour of the night looks at what the water has used up.
    pub(super) fn breathe(&mut self, scene: &Scene<'_>, pond: &Pond) {
        let now = scene.now;
        if let Some(sotr_kg_h) = self.running_sotr(pond) {
            self.respiration.run(now, sotr_kg_h);
        }
        let Night::Between { sunset, sunrise } = scene.night else {
            self.look_due = None;
            return;
        };
        let next = if now < sunset {
            Some(sunset)
        } else {
            let steps = (now - sunset).as_millis().div_euclid(EVERY.as_millis()).saturating_add(1);
            Some(sunset + Span::from_millis(steps.saturating_mul(EVERY.as_millis())))
        }
        .filter(|&next| next <= sunrise);
        let is_due = self.look_due.is_some_and(|due| due <= now);
        if is_due && now >= sunset && now <= sunrise {
            let window = self.channels(scene, Quantity::DoMgL).map(|(_, state)| &state.window).next();
            let oxygen = window.and_then(|window| window.mean(now - EVERY, now));
            let tank = self.tank(scene, pond);
            // A probe that reports each half hour has nothing for every second look.
            if oxygen.is_some() {
                self.respiration.look(now, sunset, oxygen, tank.as_ref());
            }
        }
        self.look_due = next;
    }

    /// Standard rate of what is known to run, kg/h; `None` where nothing is known of any group.
    fn running_sotr(&self, pond: &Pond) -> Option<f64> {
        if !pond.aerators.is_empty() && self.aerators_on.iter().all(Option::is_none) {
            return None;
        }
        let running = pond.aerators.iter().zip(&self.aerators_on).filter(|(_, on)| **on == Some(true));
        Some(running.map(|(group, _)| group.power_kw * group.sae_kg_kwh).sum())
    }

    /// For the forecast: what runs, where the pond has aerators of which something is known.
    pub(super) fn aeration<'a>(&'a self, scene: &Scene<'_>, pond: &'a Pond) -> Option<Aeration<'a>> {
        let sotr_kg_h = self.running_sotr(pond).filter(|_| !pond.aerators.is_empty())?;
        Some(Aeration {
            tank: self.tank(scene, pond)?,
            respiration: &self.respiration,
            sotr_kg_h,
            groups: &pond.aerators,
            on: &self.aerators_on,
        })
    }

    /// How long until oxygen is below `limit_mg_l` if no aerator runs: `None` where that is not known,
    /// `Some(None)` where it does not fall so low before sunrise.
    pub(crate) fn left_without_aerators(
        &self,
        scene: &Scene<'_>,
        pond: &Pond,
        limit_mg_l: f64,
    ) -> Option<Option<Span>> {
        let now = scene.now;
        let mut do_mg_l = self.oxygen(scene).0?.value;
        if do_mg_l < limit_mg_l {
            return Some(Some(Span::ZERO));
        }
        let tank = self.tank(scene, pond)?;
        let ahead = self.respiration.ahead()?;
        let sunrise = self.night.sunrise().filter(|_| self.night.is_on(now))?;
        let hours = EVERY.as_millis() as f64 / 3_600_000.0;
        let mut at = now;
        // At most a polar night's day of quarters.
        for _ in 0..96 {
            if at >= sunrise {
                break;
            }
            do_mg_l = tank.after(do_mg_l, ahead.at(at, &tank)?.mg_l_h, 0.0, hours);
            at = at + EVERY;
            if do_mg_l < limit_mg_l {
                return Some(Some(at - now));
            }
        }
        Some(None)
    }

    pub(super) fn tank(&self, scene: &Scene<'_>, pond: &Pond) -> Option<Tank> {
        Tank::new(pond.area_m2, pond.depth_m, &self.water(scene, pond))
    }

    /// The cheapest safe plan for the rest of the night; `None` by day, or where the respiration or the
    /// oxygen is not known.
    pub(super) fn plan_night(&self, scene: &Scene<'_>, pond: &Pond, facts: &Facts<'_>) -> Option<Plan> {
        let now = scene.now;
        let sunrise: Timestamp = self.night.sunrise().filter(|_| self.night.is_on(now))?;
        let do_mg_l = facts.oxygen?.value;
        let tank = self.tank(scene, pond)?;
        let groups: alloc::vec::Vec<Candidate> = pond
            .aerators
            .iter()
            .zip(0_u16..)
            .filter(|(_, group)| *group >= 64 || facts.stopped & (1 << group) == 0)
            .map(|(configured, group)| Candidate {
                group,
                power_kw: configured.power_kw,
                sotr_kg_h: configured.power_kw * configured.sae_kg_kwh,
                must_run: configured.must_run,
                timer_on: configured.timer.and_then(|timer| {
                    let runs = self.aerators_on.get(usize::from(group)).copied().flatten() == Some(true);
                    // Off although its timer is on: somebody switched it off, or it tripped.
                    let on = if timer.is_on(now) { runs.then_some(now) } else { timer.next_on(now) };
                    on.filter(|&on| timer.stays_on(on, sunrise + LOW_UNTIL))
                }),
            })
            .collect();
        let ahead = self.respiration.ahead()?;
        let [hold_mg_l, _] = pond.limits.do_forecast_mg_l;
        plan(&Task {
            now,
            sunrise,
            do_mg_l,
            tank,
            rate: &|at| ahead.at(at, &tank),
            groups: &groups,
            hold_mg_l,
            risk: pond.aeration_risk,
        })
    }
}
