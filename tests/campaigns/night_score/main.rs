//! Scores the night's forecast on recordings, beside six simple rivals on the same nights.
//!
//! ```text
//! cargo run --release -p pondreeve-tests --example night_score -- [FOLDER]
//! ```
//!
//! FOLDER, or `PONDREEVE_OPEN_DATA`, holds `sites.csv` (file, site, kind, lat, lon, utc_offset_h,
//! first_month, last_month, alarm_do_mg_l) and the files it names, each with `time_utc` and `do_mg_l`, and
//! `temperature_c`, `salinity_psu`, `ph` where it has them. What is forecast is the lowest oxygen that lasts
//! about an hour between sunset and sunrise + 1 h. Where a file says which oxygen it rejects (`do_qa`), the
//! daemon is fed everything all the same, and only what came, and what the rivals see, leaves that out;
//! what its source only suspects (1) counts as having come. A night is one of the sun's, whether or not the
//! daemon forecast it; the first seven of a recording are scored apart.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod measures;
mod nights;
mod recording;
#[expect(dead_code, reason = "the test of recordings uses more of it")]
mod rivals;

use std::collections::BTreeMap;
use std::path::PathBuf;

use anyhow::{Context as _, Result};
use measures::{Case, mean, measure};
use nights::{Scored, Scores, WHENS, score};
use recording::{Recording, places};

fn main() -> Result<()> {
    let folder: PathBuf = std::env::args_os()
        .nth(1)
        .or_else(|| std::env::var_os("PONDREEVE_OPEN_DATA"))
        .context("which recordings? Accepted is a folder with a sites.csv, or PONDREEVE_OPEN_DATA naming it")?
        .into();
    println!(
        "mean error, bias, 90th percentile of error and width in mg/L; hits and false alarms at a chance of 50 % \
         of falling below the site's limit"
    );
    println!(
        "{:20} {:10} {:>6} {:>4} {:>5} {:>5} {:>5} {:>6} {:>5} {:>5} {:>5} {:>5} {:>6} | {}",
        "site",
        "when",
        "nights",
        "none",
        "error",
        "bias",
        "p90",
        "in 80%",
        "width",
        "hits",
        "false",
        "AUC",
        "hits10",
        rivals::NAMES.map(|name| format!("{name:>10}")).join(" "),
    );
    let (mut pooled, mut kinds) = (Scores::default(), BTreeMap::<String, Scores>::new());
    let (mut by_site, mut names) = (Vec::new(), Vec::new());
    let mut notes = Vec::new();
    for (path, place) in places(&folder)? {
        let recording = Recording::read(&path)?;
        let scores = score(&place, &recording, &recording);
        print(&place.site, &scores);
        if recording.holds_rejected() {
            let cleaned = score(&place, &recording, &recording.cleaned());
            for (when, (raw, cleaned)) in WHENS.iter().zip(scores.nights.iter().zip(&cleaned.nights)) {
                // On the nights that have both: where a probe is in doubt only the cleaned has a forecast.
                let (raw, cleaned) = (error_of(raw, cleaned), error_of(cleaned, raw));
                notes.push(format!(
                    "{}, {when}: {raw:.3} mg/L on what was logged, {cleaned:.3} without what its own check \
                     rejected: {:.2} times",
                    place.site,
                    raw / cleaned
                ));
            }
        }
        pooled.add(&scores);
        kinds.entry(place.kind.clone()).or_default().add(&scores);
        by_site.push(scores);
        names.push(place.site);
    }
    for (kind, scores) in kinds.iter().filter(|_| kinds.len() < by_site.len()) {
        print(kind, scores);
    }
    print("all nights", &pooled);
    for (slot, when) in WHENS.iter().enumerate() {
        let of = |error: &dyn Fn(&Scored) -> f64| {
            mean(by_site.iter().filter_map(|site| {
                let nights: Vec<&Scored> = old(&site.nights[slot]).collect();
                (!nights.is_empty()).then(|| mean(nights.iter().map(|night| error(night))))
            }))
        };
        let rival = |place: usize| of(&|night| (night.rivals[place] - night.ours.came_mg_l).abs());
        println!(
            "mean of the sites    {when:10} error {:.3}; {}",
            of(&|night| (night.ours.said_mg_l - night.ours.came_mg_l).abs()),
            rivals::NAMES
                .iter()
                .enumerate()
                .map(|(place, name)| format!("{name} {:.3}", rival(place)))
                .collect::<Vec<_>>()
                .join(", "),
        );
    }
    println!("first seven nights of a recording, sunset+2h, error beside that of the two-point line:");
    for (name, scores) in names.iter().zip(&by_site).chain([(&"all sites".to_owned(), &pooled)]) {
        print_new(name, &scores.nights[0]);
    }
    for (when, reasons) in WHENS.iter().zip(&pooled.without) {
        for (reason, count) in reasons {
            println!("nights without a forecast, {when}: {count}, {reason}");
        }
    }
    for note in notes {
        println!("{note}");
    }
    Ok(())
}

/// Without those that are there only because the pond was new.
fn old(nights: &[Scored]) -> impl Iterator<Item = &Scored> {
    nights.iter().filter(|night| !night.is_new)
}

/// How a new pond fared.
fn print_new(name: &str, nights: &[Scored]) {
    let new: Vec<&Scored> = nights.iter().filter(|night| night.is_new).collect();
    let error = |said: &dyn Fn(&Scored) -> f64| {
        mean(new.iter().map(|night| (said(night) - night.ours.came_mg_l).abs()))
    };
    let own = error(&|night| night.ours.said_mg_l);
    let line = error(&|night| night.rivals[rivals::TWO_POINTS]);
    println!("{name:20} {:3} nights, {own:.2} and {line:.2} mg/L: {:.2} times", new.len(), own / line);
}

/// Mean error on the nights that `others` has too.
fn error_of(nights: &[Scored], others: &[Scored]) -> f64 {
    let shared = old(nights).filter(|night| others.iter().any(|other| other.sunset == night.sunset));
    mean(shared.map(|night| (night.ours.said_mg_l - night.ours.came_mg_l).abs()))
}

fn print(name: &str, scores: &Scores) {
    for (slot, when) in WHENS.iter().enumerate() {
        let nights: Vec<&Scored> = old(&scores.nights[slot]).collect();
        let cases: Vec<Case> = nights.iter().map(|night| night.ours).collect();
        let Some(measures) = measure(&cases) else {
            println!("{name:20} {when:10}      0 {:4}", scores.without[slot].values().sum::<usize>());
            continue;
        };
        let rivals = (0..rivals::NAMES.len()).map(|place| {
            format!("{:10.2}", mean(nights.iter().map(|it| (it.rivals[place] - it.ours.came_mg_l).abs())))
        });
        let percent = |share: Option<f64>| share.map_or("-".to_owned(), |it| format!("{:.0}%", 100.0 * it));
        println!(
            "{:20} {when:10} {:6} {:4} {:5.2} {:5.2} {:5.2} {:5.0}% {:5.2} {:>5} {:>5} {:>5} {:>6} | {}",
            name.chars().take(20).collect::<String>(),
            measures.nights,
            scores.without[slot].values().sum::<usize>(),
            measures.mean_error,
            measures.bias,
            measures.error_p90,
            100.0 * measures.covered,
            measures.width,
            percent(measures.hits),
            percent(measures.false_alarms),
            measures.auc.map_or("-".to_owned(), |auc| format!("{auc:.2}")),
            percent(measures.hits_at_tenth),
            rivals.collect::<Vec<_>>().join(" "),
        );
    }
}
