//! The report of a season that went through the daemon's own pipeline: engine, journal, local socket, command.

#![allow(missing_docs, unreachable_pub, reason = "a test of several files")]

mod season;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn report(socket: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(pondreeve_tests::program("pondreeve"));
    command.arg("report").args(arguments).arg("--socket").arg(socket).env_remove("PONDREEVE_SOCKET");
    command.output().expect("the program runs")
}

fn figures(output: &Output) -> BTreeMap<(String, String), Value> {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout.clone()).expect("UTF-8");
    let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
    let keyed = lines.map(|own| {
        let name = |key: &str| own[key].as_str().expect("a name").to_owned();
        ((name("pond"), name("id")), own)
    });
    keyed.collect()
}

/// Where pages are left for people to look at.
fn folder() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report");
    std::fs::create_dir_all(&folder).expect("a folder below target");
    folder
}

/// The ten days of the demo farm. What is asked of the figures is known from the causes that the season is made of
/// and from what its people entered, not from the program.
#[test]
fn the_ten_days_make_a_report() {
    let season = season::Season::run();
    let told = figures(&report(&season.socket, &["--json"]));
    let value = |pond: &str, id: &str| {
        let figure = &told[&(pond.to_owned(), id.to_owned())];
        figure["value"].as_f64()
    };
    // 30 kg on days 1 and 8 into P1; 120 kg by mistake into P3; none into the control.
    assert_eq!(
        (value("p1", "dose_kg"), value("p3", "dose_kg"), value("p2", "dose_kg")),
        (Some(60.0), Some(120.0), None)
    );
    // Four meals of 38 kg on each of ten days, one typed as 380 and corrected.
    assert!((value("p1", "feed_kg").expect("fed") - 1_520.0).abs() < 1e-6, "{:?}", value("p1", "feed_kg"));
    // 80 shrimp of 720 g, then 80 of 824 g nine days later: 1.3 g.
    assert!((value("p1", "growth_g_day").expect("two samples") - 1.3 / 9.0).abs() < 0.001);
    // 0.2 m of 5 000 m2.
    assert_eq!(value("p1", "exchanged_m3").map(f64::round), Some(1_000.0));
    // P4 was harvested: 2 150 kg at 18.6 g of 150 000 stocked, on one hectare.
    assert!((value("p4", "survival_percent").expect("harvested") - 77.06).abs() < 0.01);
    assert!((value("p4", "yield_t_ha").expect("harvested") - 2.15).abs() < 1e-9);
    // Its motors were seen in ten of 92 days, so that its energy is not known.
    assert_eq!(told[&("p4".to_owned(), "kwh_per_kg".to_owned())]["not_known"], "energy-gaps");
    assert!(value("p4", "kwh_known_percent").is_some_and(|share| (9.0..12.0).contains(&share)));
    // Feed was recorded for ten days of 92: no ratio is made of it.
    assert_eq!(told[&("p4".to_owned(), "feed_conversion".to_owned())]["not_known"], "feed-gaps");
    // The crops of the others are in the ponds.
    assert_eq!(told[&("p1".to_owned(), "survival_percent".to_owned())]["not_known"], "not-harvested-yet");
    // P1 fell to about 4.0 when a feeder tripped, P4 to about 2.6 under the rain.
    assert!(
        value("p4", "dawn_min_lowest").is_some_and(|low| low < 3.2),
        "{:?}",
        value("p4", "dawn_min_lowest")
    );
    assert!(value("p1", "dawn_min_lowest").is_some_and(|low| (3.4..4.4).contains(&low)));

    // A trial that is fixed after the first dose is told, and is no evidence.
    let mut fix = Command::new(pondreeve_tests::program("pondreeve"));
    fix.args(["trial", "fix", "--treated", "p1", "--control", "p2", "--outcome", "dawn_minimum"]);
    fix.args(["--method", "before_after", "--from", "2026-02-20", "--to", "2026-04-10"]);
    fix.args(["--by", "adviser", "--reason", "like ponds of one lot", "--after-first-dose", "--socket"]);
    let fixed = fix.arg(&season.socket).env_remove("PONDREEVE_SOCKET").output().expect("the program runs");
    assert!(fixed.status.success(), "{}", String::from_utf8_lossy(&fixed.stderr));

    for (language, name) in [("en", "season.html"), ("es", "temporada.html")] {
        let page = folder().join(name);
        let out = page.to_str().expect("UTF-8");
        let days = ["--from", "2026-03-17", "--to", "2026-03-26"];
        let made = report(&season.socket, &[&["--language", language, "--out", out], &days[..]].concat());
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let listed = String::from_utf8(made.stdout).expect("UTF-8");
        assert_eq!(listed.lines().count(), 10, "the page and nine tables: {listed}");
        for file in listed.lines() {
            assert!(std::fs::metadata(file).is_ok_and(|file| file.len() > 40), "{file}");
        }
        let text = std::fs::read_to_string(&page).expect("written");
        assert!(!text.contains("http:") && !text.contains("https:") && !text.contains('⟨'));
        let told = if language == "en" { "Not enough evidence." } else { "No hay evidencia suficiente." };
        let helped = text.split("id=\"help\"").nth(1).and_then(|rest| rest.split("</section>").next());
        assert!(helped.is_some_and(|part| part.contains(told) && part.contains("<svg")), "{helped:?}");
    }
    days_are_in_the_table(&folder().join("season-days.csv"));
    anybody_can_read(&folder());
    mistakes_are_told(&season.socket);
}

/// Both pages open in Chromium, wide, narrow and on paper, ask for nothing, and axe-core finds nothing wrong with them; it
/// does with one that does not say its language.
fn anybody_can_read(folder: &Path) {
    let pages = ["season.html", "temporada.html"].map(|name| folder.join(name));
    assert_eq!(pondreeve_tests::look_at(folder, &[&pages[0], &pages[1]]), "");
    let spoilt = folder.join("spoilt.html");
    let page =
        std::fs::read_to_string(&pages[0]).expect("written").replacen("<html lang=\"en\">", "<html>", 1);
    std::fs::write(&spoilt, page).expect("written");
    let said = pondreeve_tests::look_at(folder, &[&spoilt]);
    assert!(said.contains("html-has-lang"), "{said}");
}

/// Ten days of four ponds; energy of each day that is no more than all motors could use.
fn days_are_in_the_table(path: &Path) {
    let mut reader = csv::Reader::from_path(path).expect("a table");
    let header = reader.headers().expect("a header").clone();
    let column = |name: &str| header.iter().position(|own| own == name).unwrap_or_else(|| panic!("{name}"));
    let (kwh, pond) = (column("kwh"), column("pond"));
    let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().expect("rows");
    assert_eq!(rows.len(), 40);
    for row in rows.iter().filter(|row| &row[pond] == "p1") {
        let kwh: f64 = row[kwh].parse().expect("motors were seen each day");
        assert!((0.0..=11.2 * 24.0).contains(&kwh), "{row:?}");
    }
    let all: f64 = rows.iter().filter_map(|row| row[kwh].parse::<f64>().ok()).sum();
    assert!(all > 100.0, "{all} kWh of all ponds in ten days");
}

fn mistakes_are_told(socket: &Path) {
    for (arguments, words) in [
        (&["--out", "/nowhere/at/all/r.html"] as &[&str], "/nowhere/at/all/r.html"),
        (&["--out", "report.pdf"], "report.html"),
        (&["--from", "2026-03-20", "--to", "2026-03-18", "--json"], "--from"),
        (&["--from", "last week", "--json"], "2026-03-17"),
        (&["--pond", "p9", "--json"], "accepted is p1"),
        (&[], "--out"),
    ] {
        let output = report(socket, arguments);
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        let status = if words.starts_with("/nowhere") { 1 } else { 2 };
        assert_eq!(output.status.code(), Some(status), "{arguments:?}: {message}");
        assert!(message.contains(words), "{arguments:?}: {message}");
    }
}
