//! Points that are in order and points that are not, and the sheet that tells of them.

use super::sheet::{Head, html, text};
use super::*;
use crate::cli::{english_in, spanish};
use crate::config::from_text;
use crate::texts::english;

const FARM: &str = r#"
[farm]
name = "Two <Herons>"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.0
longitude = -80.0
[store]
path = "store"
[local]
socket = "sock"
[[pond]]
id = "p1"
name = "North"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
aerator = [{ id = "a", power_kw = 4.5, sae_kg_kwh = 1.2 }]
[[bus]]
id = "east"
device = "/dev/ttyS1"
[[bus.probe]]
id = "p1-oxygen"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "1m"
[annunciation]
horn = { label = "siren", command = { program = "/bin/true" } }
"#;

fn device(good: u64, polls: u64, time_outs: u64) -> DeviceStatus {
    DeviceStatus {
        probe: "p1-oxygen".to_owned(),
        pond: Some("p1".to_owned()),
        link: "east".to_owned(),
        polls,
        good_polls: good,
        answers: good,
        time_outs,
        checksum_errors: 0,
        wrong_addresses: 0,
        exceptions: 0,
        garbled: 0,
        latency_p50_ms: Some(31.0),
        latency_p95_ms: Some(42.0),
        last_good: Some("2026-11-28T20:00:00Z".to_owned()),
        readings: vec![("do_mg_l".to_owned(), Some(6.42), 1, 3)],
    }
}

fn status(farm: &Farm) -> FarmStatus {
    let ponds: Vec<serde_json::Value> = farm
        .site
        .ponds
        .iter()
        .map(|pond| {
            serde_json::json!({
                "id": pond.id, "name": pond.name, "readings": [], "derived": [], "forecast": null,
                "no_forecast": null, "advice": null, "sunset": null, "sunrise": null, "do_low_mg_l": [4.0, 3.0, 2.0],
                "aerators": [{ "id": "a", "on": null, "stopped": false, "power_kw": 4.5 }],
            })
        })
        .collect();
    let whole = serde_json::json!({
        "at": "2026-11-28T20:00:00Z", "time_zone_offset_s": -18_000, "farm": farm.name, "gateway": "g1",
        "version": "0.1.0", "horn": false, "ponds": ponds, "alarms": [], "waiting_to_forward": 0,
        "faults": [{ "part": "bus east", "detail": "no such device", "since": "2026-11-28T19:00:00Z" }],
    });
    serde_json::from_value(whole).expect("a status")
}

fn machine() -> Machine {
    let now = "2026-11-28T20:00:02Z".parse::<jiff::Timestamp>().expect("a time");
    Machine { now_s: now.as_second(), clock_kept: Some(true), store_free: Some(5_000_000_000) }
}

fn farm() -> Farm {
    from_text("/nowhere/farm.toml".as_ref(), FARM.to_owned()).map(|loaded| loaded.farm).expect("sound")
}

fn head(farm: &Farm) -> Head {
    Head {
        farm: farm.name.clone(),
        gateway: "g1".to_owned(),
        version: "0.1.0".to_owned(),
        configuration: "/etc/pondreeve/farm.toml".to_owned(),
        at: "2026-11-28 15:00 (-05:00)".to_owned(),
    }
}

fn verdict_of(points: &[Point], start: &str) -> (Verdict, String) {
    let point = points.iter().find(|own| own.name.starts_with(start)).unwrap_or_else(|| panic!("{start}"));
    (point.verdict, point.seen.clone())
}

#[test]
fn what_is_seen_is_told_and_judged() {
    let farm = farm();
    let told = |device: DeviceStatus, machine: &Machine| {
        points(&farm, &status(&farm), &[device], machine, english())
    };
    let good = told(device(20, 20, 0), &machine());
    let (verdict, seen) = verdict_of(&good, "p1-oxygen");
    assert_eq!(verdict, Verdict::Good);
    assert_eq!(seen, "do_mg_l 6.42 (good, 3 s old); 20 of 20 polls good; answers within 42 ms");
    assert_eq!(verdict_of(&good, "bus east"), (Verdict::Bad, "no such device".to_owned()));
    assert_eq!(verdict_of(&good, "group a").0, Verdict::NotChecked, "nothing tells of it");
    assert_eq!(verdict_of(&good, "lamp").0, Verdict::NotChecked);
    assert_eq!(verdict_of(&good, "clock").0, Verdict::Good);
    assert_eq!(verdict_of(&good, "store").0, Verdict::Good);
    assert_eq!(verdict_of(&told(device(0, 4, 12), &machine()), "p1-oxygen").0, Verdict::Bad, "silent");
    assert_eq!(verdict_of(&told(device(18, 20, 2), &machine()), "p1-oxygen").0, Verdict::Bad, "a tenth lost");
    let late = Machine { now_s: machine().now_s + 120, clock_kept: Some(true), store_free: Some(1_000) };
    let bad = told(device(20, 20, 0), &late);
    assert_eq!((verdict_of(&bad, "clock").0, verdict_of(&bad, "store").0), (Verdict::Bad, Verdict::Bad));
}

#[test]
fn a_person_is_asked_and_only_horn_and_lamp_are_switched() {
    let farm = farm();
    let questions = questions(&farm, english());
    let names: Vec<&str> = questions.iter().map(|own| own.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "p1-oxygen hangs in p1",
            "group a of p1 is told right",
            "horn \u{201c}siren\u{201d}",
            "clock against a telephone"
        ]
    );
    let acts: Vec<Option<Act>> = questions.iter().map(|own| own.act).collect();
    assert_eq!(acts, [None, None, Some(Act::Horn), None]);
    let horn = &questions[2];
    assert_eq!(answered(horn, Some(&Ok(())), Some(true), english()).verdict, Verdict::Good);
    assert_eq!(
        answered(horn, Some(&Ok(())), Some(false), english()).verdict,
        Verdict::Bad,
        "a relay is no horn"
    );
    assert_eq!(answered(horn, Some(&Ok(())), None, english()).verdict, Verdict::NotChecked);
    assert_eq!(
        answered(horn, Some(&Err("no answer".to_owned())), Some(true), english()).verdict,
        Verdict::Bad
    );
}

#[test]
fn the_sheet_is_whole_in_text_and_on_a_page() {
    let farm = farm();
    let mut all = points(&farm, &status(&farm), &[device(20, 20, 0)], &machine(), english());
    all.extend(questions(&farm, english()).iter().map(|own| answered(own, None, None, english())));
    let head = head(&farm);
    let sheet = text(&head, &all, english());
    assert!(sheet.lines().all(|line| line.chars().count() <= 80), "{sheet}");
    for wanted in
        ["Taken over by", "Date and signature", "[NOT IN ORDER] bus east", "nobody in the pond while"]
    {
        assert!(sheet.contains(wanted), "{wanted}: {sheet}");
    }
    let page = html(&head, &all, english()).expect("a page");
    let parsed = scraper::Html::parse_document(&page);
    assert!(parsed.errors.is_empty(), "{:?}", parsed.errors);
    let rows = scraper::Selector::parse("tbody tr").expect("a selector");
    assert_eq!(parsed.select(&rows).count(), all.len() + 2, "a row for each point, two signatures");
    assert!(page.contains("Two &#60;Herons&#62;") || page.contains("Two &lt;Herons&gt;"), "{page}");
    for outside in ["http:", "https:", "<script", "src=", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn the_sheet_is_in_the_farm_s_language() {
    let mut farm = farm();
    farm.name = "Dos Garzas".to_owned();
    let status = |detail: &str| {
        let mut status = status(&farm);
        status.faults[0].detail = detail.to_owned();
        status
    };
    let lost = "serial port /dev/ttyS1 cannot be opened: No such file or directory (not plugged in, or held by another \
                program); the probes of bus east are not read until it can";
    let mut all = Vec::new();
    let now = machine();
    for machine in [
        now.clone(),
        Machine { clock_kept: Some(false), store_free: Some(1_000), ..now.clone() },
        Machine { clock_kept: None, store_free: None, ..now },
    ] {
        for device in [device(0, 0, 0), device(0, 4, 12), device(18, 20, 2)] {
            all.extend(points(&farm, &status(lost), &[device], &machine, spanish()));
        }
    }
    for on in [None, Some(true), Some(false)] {
        let mut status = status(lost);
        status.ponds[0].aerators[0].on = on;
        all.extend(aerators(&farm, &status, spanish()));
    }
    for question in questions(&farm, spanish()) {
        for (carried, answer) in [
            (None, None),
            (Some(Ok(())), Some(true)),
            (Some(Ok(())), Some(false)),
            (Some(Err("os error 13".to_owned())), None),
        ] {
            all.push(answered(&question, carried.as_ref(), answer, spanish()));
        }
    }
    let sheet = text(&head(&farm), &all, spanish());
    assert!(sheet.lines().all(|line| line.chars().count() <= 80), "{sheet}");
    assert_eq!(english_in(&sheet), Vec::<String>::new(), "{sheet}");
    assert!(!sheet.contains('⟨'), "{sheet}");
    let page = html(&head(&farm), &all, spanish()).expect("a page");
    let parsed = scraper::Html::parse_document(&page);
    let body = scraper::Selector::parse("main").expect("a selector");
    let shown: Vec<&str> = parsed.select(&body).flat_map(|main| main.text()).collect();
    assert_eq!(english_in(&shown.join("")), Vec::<String>::new());
    assert!(page.contains("<html lang=\"es\">") && !page.contains('⟨'), "{page}");
}

/// Which wire to look at first depends on what became of the questions.
#[test]
fn a_probe_that_gave_nothing_says_what_became_of_the_questions() {
    let why = |change: fn(&mut DeviceStatus)| {
        let mut own = device(0, 6, 0);
        change(&mut own);
        why_nothing(&own, english())
    };
    assert_eq!(why(|_| {}), "");
    assert_eq!(why(|own| own.time_outs = 18), ": no answer in time 18");
    assert_eq!(
        why(|own| (own.checksum_errors, own.wrong_addresses) = (3, 2)),
        ": wrong checksum 3; another address 2"
    );
    // A broken 4-20 mA loop: the converter answers, the current carries no measurement.
    let loop_broken = why(|own| own.answers = 6);
    assert!(loop_broken.starts_with(": answers with no value 6 (under or over range"), "{loop_broken}");
}
