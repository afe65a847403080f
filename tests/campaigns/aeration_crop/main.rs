//! A crop under three ways of running the same aerators: the farm's timers from dusk to dawn, a
//! controller that switches everything on below one oxygen value and off above another, and a person
//! who follows the advice. Prints energy, hours of low oxygen and starts.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example aeration_crop -- [--seeds 100..120] [--pond earthen]
//! ```
//!
//! Seeds 1 to 9 were looked at while the plan was made; 100 and on were not.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

#[expect(dead_code, reason = "the other campaign uses more of it")]
mod pond;
mod watched;
mod ways;

use std::ops::Range;

use pond::{DAYS, KINDS};
use watched::{NightScore, Watched};
use ways::{Follower, Outcome, Threshold, Timers, run};

const ACCEPTED: &str = "--seeds FROM..TO, such as 100..120, and --pond with what its name begins with";

/// The seeds, and what the names of the ponds begin with.
fn asked() -> Result<(Range<u64>, String), String> {
    let (mut seeds, mut pond) = (100..120, String::new());
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let value = words.next().ok_or_else(|| format!("{word}: accepted is {ACCEPTED}"))?;
        let range =
            || Some(value.split_once("..")?).and_then(|(a, b)| Some(a.parse().ok()?..b.parse().ok()?));
        match (word.as_str(), range()) {
            ("--seeds", Some(range)) => seeds = range,
            ("--pond", _) if KINDS.iter().any(|kind| kind.name.starts_with(&value)) => pond = value,
            _ => return Err(format!("{word} {value}: accepted is {ACCEPTED}")),
        }
    }
    Ok((seeds, pond))
}

fn main() -> Result<(), String> {
    let (seeds, pond) = asked()?;
    let kinds = KINDS.iter().copied().filter(|kind| kind.name.starts_with(&pond));
    println!(
        "{DAYS}-day crops, seeds {}..{}; kWh, hours and starts are means of a crop",
        seeds.start, seeds.end
    );
    println!(
        "{:16} {:22} {:>8} {:>7} {:>8} {:>8} {:>7} {:>7}",
        "pond", "way", "kWh", "share", "h < 4", "h < 3", "lowest", "starts"
    );
    let mut totals = [Outcome::default(); 4];
    for kind in kinds.clone() {
        let mut sums = [Outcome { lowest_mg_l: f64::INFINITY, ..Outcome::default() }; 4];
        let mut alarms = [0_u32; 3];
        let mut forecast = NightScore::default();
        for seed in seeds.clone() {
            let mut follower = Follower::new(&kind);
            let mut watched = Watched::new(Timers { from_day: 0 }, Follower::new(&kind));
            let outcomes = [
                run(kind, seed, 0..DAYS, &mut watched),
                run(kind, seed, 0..DAYS, &mut Timers { from_day: 30 }),
                run(kind, seed, 0..DAYS, &mut Threshold),
                run(kind, seed, 0..DAYS, &mut follower),
            ];
            for (sum, outcome) in sums.iter_mut().zip(outcomes) {
                sum.kwh += outcome.kwh;
                sum.hours_below_4 += outcome.hours_below_4;
                sum.hours_below_3 += outcome.hours_below_3;
                sum.starts += outcome.starts;
                sum.lowest_mg_l = sum.lowest_mg_l.min(outcome.lowest_mg_l);
            }
            forecast.add(watched.score());
            for (sum, count) in alarms.iter_mut().zip(follower.alarms) {
                *sum += count;
            }
        }
        print(kind.name, &sums, seeds.clone().count() as f64);
        let crops = seeds.clone().count() as f64;
        let [critical, high, medium] = alarms.map(|count| f64::from(count) / crops);
        println!(
            "{:16} alarms a crop under the advice: {critical:.1} critical, {high:.1} high, {medium:.1} medium",
            ""
        );
        println!(
            "{:16} forecast 2 h after sunset under timers: off by {:.2} mg/L in the mean (last night's low {:.2}), \
             {:.0} % inside the 80 % interval of {:.2} mg/L",
            "",
            forecast.error_mg_l / forecast.nights,
            forecast.last_low_error_mg_l / forecast.nights,
            100.0 * forecast.inside_80 / forecast.nights,
            forecast.width_mg_l / forecast.nights,
        );
        for (total, sum) in totals.iter_mut().zip(sums) {
            total.kwh += sum.kwh;
            total.hours_below_4 += sum.hours_below_4;
            total.hours_below_3 += sum.hours_below_3;
            total.starts += sum.starts;
        }
    }
    print("all", &totals, (seeds.count() * kinds.count()) as f64);
    Ok(())
}

fn print(name: &str, sums: &[Outcome; 4], crops: f64) {
    let ways = ["timers, every night", "timers, from day 30", "on below 4, off above 5", "advice"];
    for (way, sum) in ways.iter().zip(sums) {
        println!(
            "{name:16} {way:22} {:8.0} {:6.0}% {:8.1} {:8.2} {:7.2} {:7.0}",
            sum.kwh / crops,
            100.0 * sum.kwh / sums[0].kwh,
            sum.hours_below_4 / crops,
            sum.hours_below_3 / crops,
            sum.lowest_mg_l,
            f64::from(sum.starts) / crops,
        );
    }
}
