//! What was noticed of the plankton, beside what it truly did.

use super::pond::START_MS;
use super::season::{DAY_MS, Season};

/// A crash noticed within this of its beginning was noticed in time.
const IN_TIME_MS: i64 = 2 * DAY_MS;

impl Season {
    pub(super) fn plankton_notice(&mut self, notice: &str, at_ms: i64, message: &str) {
        if notice == "bloom" {
            self.score.bloom_notices += 1;
        } else {
            self.crash_notices.push(at_ms);
        }
        if self.trace {
            println!("NOTICE day {:.2} {message}", (at_ms - START_MS) as f64 / DAY_MS as f64);
        }
    }

    /// What a farm day was found to have made, for looking at.
    pub(super) fn look_at_day(&mut self) {
        let view = self.state.view();
        let Some(day) = view.ponds.first().and_then(|pond| pond.turnover) else { return };
        self.score.farm_days[0] += 1;
        self.score.farm_days[1] += u64::from(day.balance.is_ok());
        if self.trace {
            let crashed = self.crashes().any(|(from, until)| (from..until).contains(&self.at_ms));
            let at = (day.ended.as_millis() - START_MS) as f64 / DAY_MS as f64;
            println!("DAY {at:.2} crashed {crashed} {:?}", day.balance);
        }
    }

    fn crashes(&self) -> impl Iterator<Item = (i64, i64)> + use<> {
        let all = self.pond.events().into_iter();
        all.filter(|&(event, ..)| event == "crash").map(|(_, from, until)| (from, until))
    }

    /// Crashes that begin while another lasts are one.
    pub(super) fn count_crashes(&mut self) {
        let mut merged: Vec<(i64, i64)> = Vec::new();
        for (from, until) in self.crashes().filter(|&(from, _)| from + IN_TIME_MS <= self.at_ms) {
            match merged.last_mut() {
                Some((_, end)) if from <= *end + DAY_MS => *end = until.max(*end),
                _ => merged.push((from, until)),
            }
        }
        for &(from, until) in &merged {
            // The farm day in which it ends is judged after it.
            let noticed = self.crash_notices.iter().find(|&&at| (from..until + DAY_MS).contains(&at));
            self.score.crashes[0] += 1;
            match noticed {
                Some(&at) if at - from <= IN_TIME_MS => self.score.crashes[1] += 1,
                Some(_) => self.score.crashes[2] += 1,
                None => {}
            }
        }
        let is_true = |at: i64| merged.iter().any(|&(from, until)| (from..until + DAY_MS).contains(&at));
        self.score.false_crash_notices +=
            self.crash_notices.iter().filter(|&&at| !is_true(at)).count() as u64;
    }
}
