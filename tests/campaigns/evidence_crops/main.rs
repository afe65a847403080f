//! How often an effect is seen where there is none, and how often a true one is found: by the verdicts of
//! pondreeve and by the usual test beside them.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example evidence_crops -- [--crops 2000]
//! ```
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod crop;
#[expect(dead_code, reason = "the short version uses more of it")]
mod score;

use crop::{Control, Truth};
use score::{Score, after_doses, before_after};

fn crops() -> Result<u64, String> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.as_slice() {
        [] => Ok(2_000),
        [flag, count] if flag == "--crops" => {
            count.parse().map_err(|_| format!("--crops {count}: accepted is a number, such as 2000"))
        }
        _ => Err(format!("{args:?}: accepted is nothing, or --crops COUNT")),
    }
}

fn line(what: &str, control: Control, score: &Score) {
    let share = |count: u32, of: u32| 100.0 * f64::from(count) / f64::from(of.max(1));
    println!(
        "{what:34} {:8} {:>7.1} {:>7.1} {:>7.1} {:>7.1} {:>7.1}",
        control.name(),
        share(score.ours, score.crops),
        share(score.right_sign, score.crops),
        share(score.usual, score.crops),
        share(score.covered, score.intervals),
        f64::from(score.doses) / f64::from(score.crops.max(1)),
    );
}

/// Why doses did not count, a crop.
fn losses(control: Control, score: &Score) {
    let each = score.lost.iter().map(|(why, count)| {
        format!("{:.1} {}", f64::from(*count) / f64::from(score.crops.max(1)), why.words())
    });
    println!("  of 12 doses, {} control: {}", control.name(), each.collect::<Vec<_>>().join("; "));
}

fn main() -> Result<(), String> {
    let crops = crops()?;
    let seeds = || 10_000..10_000 + crops;
    println!("{crops} made-up crops a line, lowest oxygen of the night; shares in %");
    println!(
        "{:34} {:8} {:>7} {:>7} {:>7} {:>7} {:>7}",
        "true effect, what is compared", "control", "said", "right", "usual", "covered", "doses"
    );
    for control in Control::ALL {
        line("none, before and after", control, &before_after(control, Truth::Nothing, seeds()));
    }
    for control in Control::ALL {
        line("none, days after 12 doses", control, &after_doses(control, Truth::Nothing, 12, seeds()));
    }
    for control in Control::ALL {
        let found = after_doses(control, Truth::Bounce(0.5), 12, seeds());
        line("+0.5 mg/L, days after 12 doses", control, &found);
        losses(control, &found);
    }
    for size in [0.5, 1.0] {
        for control in Control::ALL {
            let what = format!("+{size:.1} mg/L, before and after");
            line(&what, control, &before_after(control, Truth::Step(size), seeds()));
        }
    }
    println!(
        "said: something other than \"Not enough evidence\", either sign; right: with the sign looked for;\n\
         usual: what the test for independent days finds at 5 %; covered: the truth lies in our interval of 95 %;\n\
         doses: of 12 that count after light, aeration, services and missing days"
    );
    Ok(())
}
