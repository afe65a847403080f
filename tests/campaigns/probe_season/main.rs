//! A season of probe faults and true trouble on three simulated ponds, run through the core as the daemon
//! would: which faults were caught and when, what was alarmed for nothing, and whether low oxygen was
//! told in time.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example probe_season -- [--seeds 100..110] [--dawn-round] [--days 120]
//! ```
//!
//! Seeds below 100 were looked at while tests and limits were made; 100 and on were not. A fault counts
//! from when it is 0.5 mg/L or 0.2 pH off. With `--dawn-round` somebody enters a hand meter's oxygen
//! each morning at 06:15, as on a farm.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod plan;
#[path = "../aeration_crop/pond.rs"]
#[expect(dead_code, reason = "the other campaign uses more of it")]
mod pond;
mod score;
mod season;

use std::ops::Range;

use score::Score;
use season::{SETUPS, Season};

struct Asked {
    seeds: Range<u64>,
    hand: bool,
    days: i64,
}

fn asked() -> Result<Asked, String> {
    let mut asked = Asked { seeds: 100..110, hand: false, days: pond::DAYS };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--dawn-round" => asked.hand = true,
            "--days" => {
                let days = arguments.next().and_then(|days| days.parse().ok());
                asked.days = days.filter(|days| (1..=pond::DAYS).contains(days)).ok_or("--days: 1 to 120")?;
            }
            "--seeds" => {
                let range = arguments.next().unwrap_or_default();
                let parts = range.split_once("..").and_then(|(a, b)| Some(a.parse().ok()?..b.parse().ok()?));
                asked.seeds = parts
                    .ok_or_else(|| format!("--seeds {range}: accepted is FROM..TO, such as 100..110"))?;
            }
            other => return Err(format!("{other}: accepted is --seeds FROM..TO, --days N, --dawn-round")),
        }
    }
    Ok(asked)
}

fn main() -> Result<(), String> {
    let asked = asked()?;
    println!(
        "{} days, seeds {}..{}, {}",
        asked.days,
        asked.seeds.start,
        asked.seeds.end,
        if asked.hand { "with a hand meter's oxygen each dawn" } else { "no hand readings" }
    );
    let mut all = Score::default();
    for setup in SETUPS {
        let mut score = Score::default();
        for seed in asked.seeds.clone() {
            let mut season = Season::new(setup, seed, asked.hand);
            season.run(asked.days);
            score.add(&season.score);
        }
        println!("\n== {}", setup.name);
        score.print();
        all.add(&score);
    }
    println!("\n== all ponds");
    all.print();
    Ok(())
}
