//! What was caught, what was missed, what was alarmed for nothing.

use std::collections::BTreeMap;

use pondreeve_core::Quantity;

use super::plan::KINDS;

/// One fault that mattered.
#[derive(Debug, Clone, Copy)]
pub struct Caught {
    pub kind: usize,
    pub quantity: Quantity,
    /// Hours until its readings were doubted, if they were.
    pub doubted_h: Option<f64>,
    /// By which test.
    pub test: Option<&'static str>,
    /// Hours until the probe's alarm.
    pub alarmed_h: Option<f64>,
}

#[derive(Debug, Clone, Default)]
pub struct Score {
    pub pond_days: f64,
    pub faults: Vec<Caught>,
    pub good: u64,
    pub good_doubted: u64,
    pub probe_alarms: u64,
    pub false_probe_alarms: u64,
    pub false_by: BTreeMap<String, u64>,
    pub unsuspect_by: BTreeMap<String, u64>,
    pub false_water_alarms: u64,
    pub false_without_suspect: u64,
    /// True low oxygen with sound oxygen probes, and with one that fails or has just failed.
    pub low_events: [u64; 2],
    pub low_told: [u64; 2],
    /// True plankton crashes, those noticed within two days, and those noticed later.
    pub crashes: [u64; 3],
    pub false_crash_notices: u64,
    pub bloom_notices: u64,
    /// Farm days, and those whose balance was known.
    pub farm_days: [u64; 2],
}

fn percent(part: u64, whole: u64) -> String {
    if whole == 0 { "-".to_owned() } else { format!("{:.1} %", 100.0 * part as f64 / whole as f64) }
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = ((sorted.len() as f64 - 1.0) * share).round().max(0.0) as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

impl Score {
    pub fn add(&mut self, other: &Self) {
        self.pond_days += other.pond_days;
        self.faults.extend(&other.faults);
        self.good += other.good;
        self.good_doubted += other.good_doubted;
        self.probe_alarms += other.probe_alarms;
        self.false_probe_alarms += other.false_probe_alarms;
        for (what, count) in &other.false_by {
            *self.false_by.entry(what.clone()).or_default() += count;
        }
        for (what, count) in &other.unsuspect_by {
            *self.unsuspect_by.entry(what.clone()).or_default() += count;
        }
        self.false_water_alarms += other.false_water_alarms;
        self.false_without_suspect += other.false_without_suspect;
        for place in 0..2 {
            self.low_events[place] += other.low_events[place];
            self.low_told[place] += other.low_told[place];
            self.farm_days[place] += other.farm_days[place];
        }
        for (own, other) in self.crashes.iter_mut().zip(other.crashes) {
            *own += other;
        }
        self.false_crash_notices += other.false_crash_notices;
        self.bloom_notices += other.bloom_notices;
    }

    /// Share of the faults that mattered for at least an hour and were doubted or alarmed within six, or
    /// within what they lasted.
    pub fn caught_share(&self, quantity: Quantity) -> f64 {
        let own: Vec<&Caught> = self.faults.iter().filter(|own| own.quantity == quantity).collect();
        own.iter().filter(|own| own.in_time()).count() as f64 / own.len().max(1) as f64
    }

    pub fn false_probe_alarms_per_month(&self) -> f64 {
        30.0 * self.false_probe_alarms as f64 / self.pond_days.max(1.0)
    }

    pub fn print(&self) {
        for quantity in [Quantity::DoMgL, Quantity::Ph] {
            println!("\n{}: faults that mattered", quantity.id());
            println!(
                "{:10} {:>5} {:>11} {:>11} {:>9} {:>9}  first doubted by",
                "kind", "count", "doubted 6h", "alarmed 6h", "median h", "95 % h"
            );
            for (kind, name) in KINDS.iter().enumerate() {
                let own: Vec<&Caught> =
                    self.faults.iter().filter(|own| own.quantity == quantity && own.kind == kind).collect();
                if own.is_empty() {
                    continue;
                }
                let doubted = own.iter().filter(|own| own.in_time()).count() as u64;
                let alarmed = own.iter().filter(|own| own.alarmed_h.is_some_and(|h| h <= 6.0)).count() as u64;
                let mut delays: Vec<f64> = own.iter().filter_map(|own| own.first_h()).collect();
                delays.sort_by(f64::total_cmp);
                let mut by: BTreeMap<&str, u64> = BTreeMap::new();
                for test in own.iter().filter_map(|own| own.test) {
                    *by.entry(test).or_default() += 1;
                }
                let mut by: Vec<(&str, u64)> = by.into_iter().collect();
                by.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
                let by: Vec<String> =
                    by.iter().take(3).map(|(test, count)| format!("{test} {count}")).collect();
                let whole = own.len() as u64;
                println!(
                    "{name:10} {whole:>5} {:>11} {:>11} {:>9.2} {:>9.2}  {}",
                    percent(doubted, whole),
                    percent(alarmed, whole),
                    quantile(&delays, 0.5),
                    quantile(&delays, 0.95),
                    by.join(", ")
                );
            }
            let whole = self.faults.iter().filter(|own| own.quantity == quantity).count();
            println!("all        {whole:>5} {:>10.1} %", 100.0 * self.caught_share(quantity));
        }
        let weeks = self.pond_days / 7.0;
        println!(
            "\nfalse probe alarms: {:.2} a pond-month ({} of {} alarms)",
            self.false_probe_alarms_per_month(),
            self.false_probe_alarms,
            self.probe_alarms
        );
        for (what, count) in &self.false_by {
            println!("  {count:>4} {what}");
        }
        println!(
            "good readings doubted: {} ({:.1} a pond-week)",
            percent(self.good_doubted, self.good),
            self.good_doubted as f64 / weeks
        );
        for (place, what) in ["with sound oxygen probes", "with one that fails"].iter().enumerate() {
            println!(
                "true oxygen below 3 mg/L {what}: told in time {} of {}",
                self.low_told[place], self.low_events[place]
            );
        }
        let [crashes, soon, later] = self.crashes;
        println!(
            "plankton crashes: noticed within two days {soon} of {crashes}, later {later}; notices without one {}; bloom notices (no season has a bloom) {}; farm days known {}",
            self.false_crash_notices,
            self.bloom_notices,
            percent(self.farm_days[1], self.farm_days[0]),
        );
        println!(
            "low-oxygen alarms in good water: {}, of them without the word suspect {}",
            self.false_water_alarms, self.false_without_suspect
        );
        for (what, count) in &self.unsuspect_by {
            println!("  {count:>4} {what}");
        }
    }
}

impl Caught {
    fn first_h(&self) -> Option<f64> {
        match (self.doubted_h, self.alarmed_h) {
            (Some(doubted), Some(alarmed)) => Some(doubted.min(alarmed)),
            (doubted, alarmed) => doubted.or(alarmed),
        }
    }

    pub fn in_time(&self) -> bool {
        self.first_h().is_some_and(|hours| hours <= 6.0)
    }
}
