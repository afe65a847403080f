//! What a night's aeration took, beside the farm's habit of running everything from dusk to dawn, and
//! whether advice to start was followed: told by the motors, not by anybody's word.

use alloc::collections::VecDeque;
use alloc::vec::Vec;

use crate::effect::{Advice, AdviceAction};
use crate::site::Pond;
use crate::sunlight::{LOW_UNTIL, Night};
use crate::time::{Span, Timestamp};

/// Nights kept.
const NIGHTS: usize = 14;

/// Advice to start counts as followed if the motors turn within this time. (Common practice, no source.)
const FOLLOWED_WITHIN: Span = Span::from_minutes(30);

/// One night's aeration.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct AerationNight {
    /// Its start.
    pub sunset: Timestamp,
    /// Energy of the groups that were known to run from sunset to an hour after sunrise, kWh.
    pub kwh: f64,
    /// Energy of every group from sunset to sunrise, kWh.
    pub habit_kwh: f64,
    /// Times at which starting something was advised.
    pub asked: u32,
    /// How many of them the motors followed within half an hour.
    pub followed: u32,
}

/// The meter.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct EnergyMeter {
    night: Option<AerationNight>,
    /// Nights that are over, newest last.
    pub past: VecDeque<AerationNight>,
    until: Option<Timestamp>,
    counted_to: Option<Timestamp>,
    running_kw: f64,
    /// Groups that were last asked for, when they are due, and whether it is open.
    asked: Option<(Vec<u16>, Timestamp, bool)>,
}

impl EnergyMeter {
    /// Counts what ran until `now`.
    pub fn count_to(&mut self, now: Timestamp) {
        let (Some(night), Some(until)) = (&mut self.night, self.until) else { return };
        let from = self.counted_to.unwrap_or(night.sunset).max(night.sunset);
        let to = now.min(until);
        if to > from {
            night.kwh += self.running_kw * (to - from).as_hours();
            self.counted_to = Some(to);
        }
    }

    /// Takes up the farm's night and what runs from now on.
    pub fn settle(&mut self, now: Timestamp, farm_night: Night, pond: &Pond, on: &[Option<bool>]) {
        self.count_to(now);
        if let Night::Between { sunset, sunrise } = farm_night
            && (sunset..sunrise + LOW_UNTIL).contains(&now)
            && self.night.is_none_or(|night| night.sunset != sunset)
        {
            self.close();
            let all_kw: f64 = pond.aerators.iter().map(|group| group.power_kw).sum();
            let habit_kwh = all_kw * (sunrise - sunset).as_hours();
            self.night = Some(AerationNight { sunset, kwh: 0.0, habit_kwh, asked: 0, followed: 0 });
            self.until = Some(sunrise + LOW_UNTIL);
            self.counted_to = Some(now);
        }
        if self.until.is_some_and(|until| now >= until) {
            self.close();
        }
        let running = pond.aerators.iter().zip(on).filter(|(_, on)| **on == Some(true));
        self.running_kw = running.map(|(group, _)| group.power_kw).sum();
        self.check(now, on);
    }

    fn close(&mut self) {
        if let Some(night) = self.night.take() {
            self.past.push_back(night);
            while self.past.len() > NIGHTS {
                self.past.pop_front();
            }
        }
        self.until = None;
        self.asked = None;
    }

    /// Notes what is advised; the same groups asked for again are the same request.
    pub fn advise(&mut self, advice: &Advice) {
        if !matches!(advice.action, AdviceAction::StartNow | AdviceAction::StartAt)
            || advice.aerators.is_empty()
        {
            self.asked = None;
            return;
        }
        let due = advice.start.unwrap_or(advice.at);
        match &mut self.asked {
            Some((groups, known, open)) if *groups == advice.aerators => {
                if *open {
                    *known = due.min(*known).max(advice.at);
                }
            }
            asked => *asked = Some((advice.aerators.clone(), due, true)),
        }
    }

    fn check(&mut self, now: Timestamp, on: &[Option<bool>]) {
        let Some((groups, due, open)) = &mut self.asked else { return };
        if !*open || now < *due {
            return;
        }
        let turn = groups.iter().all(|&group| on.get(usize::from(group)).copied().flatten() == Some(true));
        if !turn && now < *due + FOLLOWED_WITHIN {
            return;
        }
        *open = false;
        if let Some(night) = &mut self.night {
            night.asked = night.asked.saturating_add(1);
            night.followed = night.followed.saturating_add(u32::from(turn));
        }
    }

    /// The night that is on.
    pub fn tonight(&self) -> Option<AerationNight> {
        self.night
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::defaults::AERATION_RISK;
    use crate::site::{AeratorGroup, Limits, PondIndex};
    use alloc::string::String;
    use alloc::vec;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    fn pond() -> Pond {
        let group = |id: &str, power_kw| AeratorGroup {
            id: String::from(id),
            power_kw,
            sae_kg_kwh: 1.2,
            must_run: false,
            timer: None,
        };
        Pond {
            id: String::from("p1"),
            name: String::from("Heron"),
            area_m2: 5_000.0,
            depth_m: 1.5,
            salinity_psu: 18.0,
            aerators: vec![group("a", 4.0), group("b", 2.0)],
            limits: Limits::grow_out(),
            aeration_risk: AERATION_RISK,
            dose_every: None,
            like: None,
        }
    }

    fn start(minute: i64, groups: &[u16]) -> Advice {
        Advice {
            pond: PondIndex(0),
            at: at(minute),
            action: AdviceAction::StartNow,
            aerators: groups.to_vec(),
            start: Some(at(minute)),
            stop: None,
            kwh: 0.0,
            reason: crate::said::Said::default(),
        }
    }

    /// Night of 10 h. a (4 kW) runs from 2 h to 5 h, b (2 kW) from 4 h to 11.5 h, of which an hour after
    /// sunrise counts: 12 + 14 = 26 kWh, against 60 kWh by habit (worked out by hand).
    #[test]
    fn a_night_is_metered_and_compared() {
        let (mut meter, pond) = (EnergyMeter::default(), pond());
        let night = Night::Between { sunset: at(0), sunrise: at(600) };
        for (minute, on) in [
            (0, [Some(false), Some(false)]),
            (120, [Some(true), Some(false)]),
            (240, [Some(true), Some(true)]),
            (300, [Some(false), Some(true)]),
            (690, [Some(false), Some(false)]),
        ] {
            meter.settle(at(minute), night, &pond, &on);
        }
        let past = meter.past.back().unwrap();
        assert!((past.kwh - 26.0).abs() < 1e-9 && (past.habit_kwh - 60.0).abs() < 1e-9, "{past:?}");
        assert_eq!(meter.tonight(), None);
        // By day the farm's night is still the one that ended, until sunset: it is not begun again.
        for minute in (691..1_400).step_by(13) {
            meter.settle(at(minute), night, &pond, &[Some(false), Some(true)]);
        }
        assert_eq!((meter.past.len(), meter.tonight()), (1, None));
        assert!((meter.past[0].kwh - 26.0).abs() < 1e-9);
    }

    #[test]
    fn advice_is_followed_by_motors_and_not_by_words() {
        let (mut meter, pond) = (EnergyMeter::default(), pond());
        let night = Night::Between { sunset: at(0), sunrise: at(600) };
        let off = [Some(false), Some(false)];
        meter.settle(at(0), night, &pond, &off);
        meter.advise(&start(60, &[0]));
        meter.settle(at(75), night, &pond, &[Some(true), Some(false)]);
        // The same request said again half an hour later is not another one.
        meter.advise(&start(90, &[0]));
        meter.settle(at(130), night, &pond, &[Some(true), Some(false)]);
        meter.advise(&start(200, &[1]));
        meter.settle(at(231), night, &pond, &[Some(true), Some(false)]);
        let tonight = meter.tonight().unwrap();
        assert_eq!((tonight.asked, tonight.followed), (2, 1));
    }
}
