//! A season of probe faults and true trouble on three simulated ponds, run through the core as the daemon
//! would: which faults were caught and when, what was alarmed for nothing, and whether low oxygen was
//! told in time.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example probe_season -- [--seeds 100..110] [--dawn-round] [--days 120] [--truth FILE]
//! ```
//!
//! Seeds below 100, 100 to 109 and 200 to 209 were looked at while tests and limits were made; 300 to 309 were not, and
//! the README's figures are theirs. For the notices of plankton 400 to 412 and 500 to 509 were looked at,
//! 420 to 429 were not. Before the next change is judged, take others. A fault counts
//! from when it is 0.5 mg/L or 0.2 pH off. With `--dawn-round` somebody enters a hand meter's oxygen
//! each morning at 06:15, as on a farm. `--truth` writes what truly happened as JSON lines.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod farm;
mod plan;
mod plankton;
#[path = "../aeration_crop/pond.rs"]
#[expect(dead_code, reason = "the other campaign uses more of it")]
mod pond;
mod score;
mod season;
mod water;

use std::io::Write as _;
use std::ops::Range;

use farm::SETUPS;
use score::Score;
use season::Season;

struct Asked {
    seeds: Range<u64>,
    hand: bool,
    days: i64,
    truth: Option<std::fs::File>,
}

fn asked() -> Result<Asked, String> {
    let mut asked = Asked { seeds: 100..110, hand: false, days: pond::DAYS, truth: None };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--dawn-round" => asked.hand = true,
            "--truth" => {
                let path = arguments.next().ok_or("--truth: accepted is a path")?;
                let made = std::fs::File::create(&path);
                asked.truth =
                    Some(made.map_err(|error| format!("--truth {path} cannot be written: {error}"))?);
            }
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
            other => {
                return Err(format!(
                    "{other}: accepted is --seeds FROM..TO, --days N, --dawn-round, --truth FILE"
                ));
            }
        }
    }
    Ok(asked)
}

fn main() -> Result<(), String> {
    let mut asked = asked()?;
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
            let mut season = Season::new(setup, seed, asked.hand, 0);
            season.run(asked.days);
            score.add(&season.score);
            if let Some(file) = &mut asked.truth {
                for mut line in season.truth() {
                    line["pond"] = setup.name.into();
                    line["seed"] = seed.into();
                    writeln!(file, "{line}").map_err(|error| format!("--truth: {error}"))?;
                }
            }
        }
        println!("\n== {}", setup.name);
        score.print();
        all.add(&score);
    }
    println!("\n== all ponds");
    all.print();
    Ok(())
}
