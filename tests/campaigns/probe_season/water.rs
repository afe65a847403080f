//! What the water alarms said, beside what the water truly was.

use pondreeve_core::Quantity;

use super::pond::START_MS;
use super::season::{DAY_MS, MINUTE_MS, Season};

impl Season {
    pub(super) fn water_alarm(&mut self, id: &str, message: &str) {
        let truth = self.pond.water.do_mg_l;
        let limit = match id {
            "p1.do-low-warn" => 4.0,
            "p1.do-low-critical" => 3.0,
            "p1.do-low-emergency" => 2.0,
            // A fall is false where oxygen is plentiful all the same.
            _ => 5.0,
        };
        let failing =
            self.sensors.iter().any(|own| own.quantity == Quantity::DoMgL && own.is_near(self.at_ms));
        if truth > limit + 0.7 && failing {
            self.score.false_water_alarms += 1;
            self.score.false_without_suspect += u64::from(!message.contains("suspect"));
            if !message.contains("suspect") {
                let faults: Vec<&str> = self
                    .sensors
                    .iter()
                    .filter(|own| own.quantity == Quantity::DoMgL)
                    .filter_map(|own| own.now.as_ref())
                    .filter(|planned| planned.fault.from_ms <= self.at_ms)
                    .map(|planned| super::plan::KINDS[planned.kind])
                    .collect();
                let during = if faults.is_empty() { "no fault".to_owned() } else { faults.join("+") };
                *self.score.unsuspect_by.entry(format!("{id} during {during}")).or_default() += 1;
                if self.trace {
                    println!(
                        "PLAIN day {:.2} true {truth:.2} {message}",
                        (self.at_ms - START_MS) as f64 / DAY_MS as f64
                    );
                }
            }
        }
    }

    /// True oxygen below 3 mg/L for five minutes must have been told by then.
    pub(super) fn watch_truth(&mut self, at_ms: i64) {
        let truth = self.pond.water.do_mg_l;
        let told = self.standing.iter().any(|id| {
            matches!(
                id.as_str(),
                "p1.do-low-critical" | "p1.do-low-emergency" | "p1.do-blind-high" | "p1.do-blind-critical"
            )
        });
        // A little below the limit: a sound probe that reads 0.1 too high is sound.
        if truth < 2.85 {
            let since = *self.low_since.get_or_insert(at_ms);
            self.told |= told;
            // Allowed: the on-delay, what noise takes, and one reading of a slow probe.
            let allowed = (5 + 3 + self.setup.every_min) * MINUTE_MS;
            self.low_hidden |=
                self.sensors.iter().any(|own| own.quantity == Quantity::DoMgL && own.is_near(at_ms));
            if at_ms - since == allowed {
                let place = usize::from(self.low_hidden);
                self.score.low_events[place] += 1;
                self.score.low_told[place] += u64::from(self.told);
                if self.trace && !self.told {
                    println!(
                        "UNTOLD day {:.2} true {truth:.2} hidden {} standing {:?} reads {:?}",
                        (at_ms - START_MS) as f64 / DAY_MS as f64,
                        self.low_hidden,
                        self.standing,
                        self.state.view().ponds[0]
                            .latest
                            .iter()
                            .map(|l| (l.quantity.id(), l.value, l.flag))
                            .collect::<Vec<_>>()
                    );
                }
            }
        } else if truth > 3.4 {
            (self.low_since, self.told, self.low_hidden) = (None, false, false);
        }
    }
}
