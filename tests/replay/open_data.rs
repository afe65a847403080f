//! Real lagoons, creeks and rivers through `pondreeve replay`.
//!
//! The data sets stay where they are: `PONDREEVE_OPEN_DATA` names the folder (see README.md beside this
//! file). Without it nothing here runs, and `tests/all.sh` says so. What is checked is what the files
//! themselves say: how many values they hold, that nights are nights, that nothing is lost.
#![allow(dead_code, unreachable_pub, reason = "parts of a program, not a library")]

#[path = "../campaigns/night_score/measures.rs"]
mod measures;
#[path = "../campaigns/night_score/nights.rs"]
mod nights;
#[path = "../campaigns/night_score/recording.rs"]
mod recording;
#[path = "../campaigns/night_score/rivals.rs"]
mod rivals;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use pondreeve_tests::program;

#[derive(serde::Deserialize)]
struct Site {
    file: String,
    lat: f64,
    lon: f64,
}

fn sites() -> Option<(PathBuf, Vec<Site>)> {
    let folder = PathBuf::from(std::env::var_os("PONDREEVE_OPEN_DATA")?);
    let mut reader = csv::Reader::from_path(folder.join("sites.csv"))
        .unwrap_or_else(|e| panic!("PONDREEVE_OPEN_DATA names {}, but sites.csv: {e}", folder.display()));
    let sites = reader.deserialize().map(|row| row.expect("sites.csv")).collect();
    Some((folder, sites))
}

/// Counts the filled cells of each quantity, independently of the program.
fn filled(path: &Path) -> BTreeMap<String, usize> {
    let mut reader = csv::Reader::from_path(path).expect("data file");
    let header = reader.headers().expect("header").clone();
    let mut counts = BTreeMap::new();
    for row in reader.records() {
        for (name, cell) in header.iter().zip(&row.expect("row")) {
            if !cell.is_empty() {
                *counts.entry(name.to_owned()).or_insert(0) += 1;
            }
        }
    }
    counts
}

#[test]
fn every_value_of_every_open_data_set_comes_through_once() {
    let Some((folder, sites)) = sites() else { return };
    assert!(!sites.is_empty());
    for site in sites {
        let path = folder.join(&site.file);
        let filled = filled(&path);
        let out = Command::new(program("pondreeve"))
            .args(["replay", "--latitude", &site.lat.to_string(), "--longitude", &site.lon.to_string()])
            .arg(&path)
            .output()
            .expect("replay runs");
        let complaints = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{}: {complaints}", site.file);

        let mut readings: BTreeMap<String, usize> = BTreeMap::new();
        let mut nights: BTreeMap<String, usize> = BTreeMap::new();
        let text = String::from_utf8(out.stdout).expect("UTF-8");
        for line in text.lines() {
            let value: serde_json::Value =
                serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"));
            let at: jiff::Timestamp = value["at"].as_str().expect("at").parse().expect("RFC 3339");
            match value["kind"].as_str().expect("kind") {
                "reading" if !value["raw"].is_null() => {
                    *readings.entry(value["quantity"].as_str().expect("quantity").to_owned()).or_insert(0) +=
                        1;
                }
                "forecast" => {
                    let time = |key: &str| -> jiff::Timestamp {
                        value[key].as_str().expect("a time").parse().expect("RFC 3339")
                    };
                    let number = |key: &str| value[key].as_f64().expect("a number");
                    assert!(time("sunset") <= at && at <= time("sunrise"), "{line}");
                    assert!(number("low_80") <= number("do_min_mg_l"), "{line}");
                    assert!(number("do_min_mg_l") <= number("high_80"), "{line}");
                    assert!(number("low_80") >= 0.0, "{line}");
                    for probability in value["probability_below"].as_object().expect("by limit").values() {
                        assert!(
                            (0.0..=1.0).contains(&probability.as_f64().expect("a probability")),
                            "{line}"
                        );
                    }
                    *nights.entry(value["sunset"].to_string()).or_insert(0) += 1;
                }
                _ => {}
            }
        }
        for quantity in ["do_mg_l", "temperature_c", "salinity_psu", "ph", "depth_m", "turbidity_ntu"] {
            if let Some(&wanted) = filled.get(quantity) {
                let got = readings.get(quantity).copied().unwrap_or(0);
                assert_eq!(got, wanted, "{}: {quantity}", site.file);
            }
        }
        // Nearly every night with data must have been forecast; the shortest file has 60 nights.
        assert!(nights.len() >= 50, "{}: only {} nights were forecast", site.file, nights.len());
    }
}

/// The one file whose own QA says what is wrong in it: of the values it rejects, how many fail here, and of
/// those that fail here, how many it rejects. The QA columns are the answer key and go nowhere else:
/// `replay` names them on standard error and reads on.
#[test]
fn what_a_lagoons_own_checks_rejected_fails_here_too() {
    let Some((folder, sites)) = sites() else { return };
    let (mut judged, mut passed, mut false_fails, mut false_doubts) = (false, 0_u32, 0_u32, 0_u32);
    for site in sites {
        let path = folder.join(&site.file);
        let mut reader = csv::Reader::from_path(&path).expect("data file");
        let header = reader.headers().expect("header").clone();
        let column = |name: &str| header.iter().position(|known| known == name);
        let (Some(qa), Some(oxygen)) = (column("do_qa"), column("do_mg_l")) else { continue };
        let verdicts: BTreeMap<String, String> = reader
            .records()
            .map(|row| row.expect("row"))
            .filter(|row| !row[oxygen].is_empty())
            .map(|row| (row[0].to_owned(), row[qa].to_owned()))
            .collect();
        let out = Command::new(program("pondreeve"))
            .args(["replay", "--only", "reading", "--salinity-psu", "25"])
            .args(["--latitude", &site.lat.to_string(), "--longitude", &site.lon.to_string()])
            .arg(&path)
            .output()
            .expect("replay runs");
        let (mut hits, mut misses, mut rejected) = (0_u32, 0_u32, 0_u32);
        for line in String::from_utf8(out.stdout).expect("UTF-8").lines() {
            let value: serde_json::Value = serde_json::from_str(line).expect("JSON");
            if value["quantity"] != "do_mg_l" || value["raw"].is_null() {
                continue;
            }
            let flag = value["flag"].as_u64().expect("flag");
            let verdict = &verdicts[value["at"].as_str().expect("at")];
            let is_rejected = verdict == "-3";
            rejected += u32::from(is_rejected);
            hits += u32::from(is_rejected && flag == 4);
            misses += u32::from(!is_rejected && flag == 4);
            if matches!(verdict.as_str(), "0" | "4" | "5") {
                passed += 1;
                false_fails += u32::from(flag == 4);
                false_doubts += u32::from(flag == 3);
            }
        }
        if rejected > 1_000 {
            judged = true;
            let (recall, precision) =
                (f64::from(hits) / f64::from(rejected), f64::from(hits) / f64::from(hits + misses));
            println!("{}: {rejected} rejected, recall {recall:.3}, precision {precision:.3}", site.file);
            assert!(recall >= 0.85 && precision >= 0.85, "recall {recall}, precision {precision}");
        }
    }
    assert!(judged, "one file holds what its source rejected");
    println!(
        "of {passed} values that their sources pass, {false_fails} fail here and {false_doubts} are suspect"
    );
    assert!(false_fails * 100 < passed && false_doubts * 50 < passed);
}

/// Two hours after sunset, as a mean over the sites: nearer than last night's low, and far nearer than the
/// two-point line; about four nights in five inside the 80 % interval; and no worse for what a lagoon's own
/// checks rejected.
#[test]
fn the_night_is_forecast_better_than_by_memory_or_by_a_line() {
    let Some((folder, _)) = sites() else { return };
    let (mut ours, mut last_low, mut two_points, mut cases) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut compared = 0;
    for (path, place) in recording::places(&folder).expect("sites.csv") {
        let recording = recording::Recording::read(&path).expect("a recording");
        let [mut scores, ..] = nights::score(&place, &recording, &recording).nights;
        scores.retain(|night| !night.is_new);
        let error = |said: &dyn Fn(&nights::Scored) -> f64| {
            measures::mean(scores.iter().map(|night| (said(night) - night.ours.came_mg_l).abs()))
        };
        assert!(scores.len() >= 50, "{}: {} nights", place.site, scores.len());
        let own = error(&|night| night.ours.said_mg_l);
        ours.push(own);
        last_low.push(error(&|night| night.rivals[rivals::LAST_LOW]));
        two_points.push(error(&|night| night.rivals[rivals::TWO_POINTS]));
        cases.extend(scores.iter().map(|night| night.ours));
        if recording.holds_rejected() && place.site == "zekes_basin" {
            compared += 1;
            let [mut cleaned, ..] = nights::score(&place, &recording, &recording.cleaned()).nights;
            cleaned.retain(|night| scores.iter().any(|logged| logged.sunset == night.sunset));
            let cleaned =
                measures::mean(cleaned.iter().map(|it| (it.ours.said_mg_l - it.ours.came_mg_l).abs()));
            assert!(own < 1.1 * cleaned, "{own} on what was logged, {cleaned} cleaned");
        }
    }
    let sites = |errors: &[f64]| measures::mean(errors.iter().copied());
    let (ours, last_low, two_points) = (sites(&ours), sites(&last_low), sites(&two_points));
    assert!(ours < 0.95 * last_low, "{ours} mg/L, last night's low {last_low}");
    assert!(ours < 0.5 * two_points, "{ours} mg/L, two-point line {two_points}");
    let measures = measures::measure(&cases).expect("nights");
    assert!((0.76..=0.84).contains(&measures.covered), "{measures:?}");
    assert_eq!(compared, 1, "the file as it was logged is there");
}
