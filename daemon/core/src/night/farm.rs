//! What a pond takes over from the other ponds of its farm: the weights that its own nights then amend.

use alloc::vec::Vec;
use core::array::from_fn;

use super::witness::shipped;
use super::{COURSE_HOURS, NightState};
use crate::pond::PondState;
use crate::regression::Terms;

/// The shipped weights count like so many nights of other ponds. (Our own choice: as many as they count
/// against a pond's own.)
const SHIPPED_NIGHTS: f64 = 15.0;

/// Weights times nights, and nights, summed over ponds for an hour.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    weights: Terms,
    nights: f64,
}

impl NightState {
    fn learnt(&self, phase: usize) -> Sum {
        let Some(rule) = self.rules.get(phase) else { return Sum::default() };
        let nights = rule.nights();
        Sum { weights: rule.weights().map(|weight| weight * nights), nights }
    }

    /// What is believed of an hour before this pond's own nights have said anything.
    pub(super) fn prior(&self, phase: usize) -> Terms {
        self.prior.get(phase).copied().unwrap_or_else(|| shipped(phase))
    }

    /// The weights of an hour: the mean over it and the hours before and after it that have learnt. Neighbouring hours
    /// see nearly the same night, so that their mean is steadier and as apt.
    pub(super) fn weights(&self, phase: usize) -> Terms {
        let Some(own) = self.rules.get(phase) else { return self.prior(phase) };
        let around = [phase.checked_sub(1), phase.checked_add(1)].into_iter().flatten();
        let around = around.filter_map(|hour| self.rules.get(hour)).filter(|rule| rule.nights() > 0.0);
        let (mut sum, mut hours) = (*own.weights(), 1.0);
        for rule in around {
            sum = from_fn(|term| at(&sum, term) + at(rule.weights(), term));
            hours += 1.0;
        }
        sum.map(|weight| weight / hours)
    }

    /// Whether other ponds have taught it something.
    pub(super) fn has_farm(&self) -> bool {
        !self.prior.is_empty()
    }
}

/// After a morning on which a pond learnt: gives each pond what the others know.
pub(crate) fn share(ponds: &mut [PondState]) {
    if !ponds.iter().any(|pond| pond.night.has_learnt) {
        return;
    }
    let mut nights: Vec<&mut NightState> = ponds.iter_mut().map(|pond| &mut pond.night).collect();
    share_nights(&mut nights);
}

fn share_nights(ponds: &mut [&mut NightState]) {
    for night in ponds.iter_mut() {
        night.has_learnt = false;
    }
    if ponds.len() < 2 {
        return;
    }
    let farm: Vec<Sum> = (0..COURSE_HOURS)
        .map(|phase| {
            ponds.iter().map(|night| night.learnt(phase)).fold(Sum::default(), |a, b| Sum {
                weights: from_fn(|term| at(&a.weights, term) + at(&b.weights, term)),
                nights: a.nights + b.nights,
            })
        })
        .collect();
    if farm.iter().all(|sum| sum.nights <= 0.0) {
        return;
    }
    for night in ponds {
        let prior = farm.iter().enumerate().map(|(phase, all)| {
            let own = night.learnt(phase);
            let nights = (all.nights - own.nights).max(0.0);
            let shipped = shipped(phase);
            from_fn(|term| {
                let others = at(&all.weights, term) - at(&own.weights, term);
                (others + SHIPPED_NIGHTS * at(&shipped, term)) / (nights + SHIPPED_NIGHTS)
            })
        });
        night.prior = prior.collect();
    }
}

fn at(terms: &Terms, place: usize) -> f64 {
    terms.get(place).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::regression::{Lesson, Regression, TERMS};

    /// A pond whose lows rise by 0.8 for each mg/L of the third term, learnt over so many nights.
    fn taught(nights: i32) -> NightState {
        let mut rules: Vec<Regression> =
            (0..COURSE_HOURS).map(|phase| Regression::new(&shipped(phase))).collect();
        for (phase, rule) in rules.iter_mut().enumerate() {
            for night in 0..nights {
                let mut terms = Terms::default();
                terms[2] = f64::from(night % 7 - 3) * 0.5;
                let outcome = 0.8 * terms[2];
                let told = rule.estimate(&terms);
                rule.learn(&shipped(phase), &Lesson { terms, outcome, told, doubt: 1.0, shipped_error: 0.5 });
            }
        }
        NightState { rules, has_learnt: true, ..NightState::default() }
    }

    #[test]
    fn a_new_pond_takes_over_what_the_others_have_learnt() {
        let (mut old, mut new) = (taught(90), NightState::default());
        let learnt = old.rules[2].weights()[2];
        assert!(learnt > 0.6, "{learnt}");
        share_nights(&mut [&mut old, &mut new]);
        // 90 nights, the older ones counting less: (1 - 0.995^90) / 0.005 = 72.6, beside 15 as shipped.
        let expected = (72.6 * learnt + 15.0 * 0.2) / 87.6;
        assert!((new.prior(2)[2] - expected).abs() < 1e-3, "{} for {expected}", new.prior(2)[2]);
        assert!(new.has_farm() && !new.has_learnt && !old.has_learnt);
        // The only pond that knows something hears nothing but what was shipped.
        for (own, shipped) in old.prior(2).iter().zip(shipped(2)) {
            assert!((own - shipped).abs() < 1e-12);
        }
    }

    #[test]
    fn an_hour_is_told_with_the_hours_beside_it_that_have_learnt() {
        let mut pond = taught(40);
        pond.rules[7] = Regression::new(&[1.0; TERMS]);
        let learnt = |phase: usize| pond.rules[phase].weights()[2];
        assert!((pond.weights(3)[2] - (learnt(2) + learnt(3) + learnt(4)) / 3.0).abs() < 1e-12);
        // Nothing was learnt at seven hours.
        assert!((pond.weights(6)[2] - (learnt(5) + learnt(6)) / 2.0).abs() < 1e-12);
        assert!((pond.weights(0)[2] - (learnt(0) + learnt(1)) / 2.0).abs() < 1e-12);
        assert_eq!(NightState::default().weights(4), shipped(4));
    }

    #[test]
    fn a_pond_alone_keeps_what_was_shipped() {
        let mut alone = taught(20);
        share_nights(&mut [&mut alone]);
        assert!(!alone.has_farm());
        assert_eq!(alone.prior(5), shipped(5));
    }
}
