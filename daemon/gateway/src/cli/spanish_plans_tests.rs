//! Services, limits, plans and trials on the demonstration's farm, answered in Spanish.

use clap::Parser as _;
use pondreeve_core::Quantity;
use pondreeve_core::dosing::recovery::Mistake;

use super::spanish_acts_tests::{Living, lines, spoken};
use super::spanish_tests::{english_in, spanish, water};
use super::{backup, calibrate, limit, plain, plan, plan_feed, speech, trial, wrong_dose};
use crate::console::text::FarmClock;
use crate::local::diary::{EntryAsk, RecordAsk};
use crate::local::dose::DoseRequest;
use crate::local::mass_balance::FeedAsk;
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::local::service::{BesideAsk, StepAsk};
use crate::local::trial::TrialAsk;
use crate::texts::english;

#[derive(clap::Parser)]
struct Calibrate {
    #[command(flatten)]
    own: calibrate::Arguments,
}

fn clock(farm: &FarmStatus) -> FarmClock {
    plain::clock(farm).read_in(spanish())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_probe_is_serviced_in_spanish() {
    let living = Living::start().await;
    living.listen().await;
    living.hours(1, water(0.1)).await;
    let socket = living.farm.local.socket.display().to_string();
    let own = Calibrate::parse_from(["calibrate", "--probe", "p1-oxygen", "--socket", &socket]).own;
    let answers = "s\n6.9\n-\n\n6,9 mg\n6.8\n\nsol\nair\n\ns\n\n";
    let walked = tokio::task::spawn_blocking(move || {
        let mut out = Vec::new();
        calibrate::walk::through(&own, &mut answers.as_bytes(), &mut out, spanish()).unwrap();
        String::from_utf8(out).unwrap()
    })
    .await
    .unwrap();
    insta::assert_snapshot!("calibrate_walk_in_spanish", spoken(walked));

    let told = |farm: &FarmStatus, id: &str| {
        let probe = farm.probes.iter().find(|own| own.id == id).unwrap();
        let mut out = String::new();
        calibrate::told_probe(&mut out, probe, clock(farm));
        lines(out)
    };
    let mut shown = told(&living.status().await, "p1-oxygen");
    let act = |act| Ask::Service { probe: "p2-ph".to_owned(), act };
    let ph = |hand| BesideAsk { quantity: "ph".to_owned(), hand, reading: None };
    let standard = |standard: &str, reading| StepAsk::Standard {
        quantity: "ph".to_owned(),
        standard: standard.to_owned(),
        reading: Some(reading),
        millivolts: Some(12.0),
        temperature_c: Some(25.0),
        salinity_psu: None,
    };
    let mut refused = living.refused(act(StepAsk::Cleaned)).await;
    refused.push_str(&living.refused(act(StepAsk::Begin { seconds: Some(5) })).await);
    for step in [
        StepAsk::Begin { seconds: Some(2_400) },
        StepAsk::Before(ph(Some(8.7))),
        StepAsk::Cleaned,
        StepAsk::After(ph(None)),
        standard("buffer7", 7.1),
        standard("buffer10", 9.2),
    ] {
        if matches!(step, StepAsk::Cleaned) {
            refused.push_str(&living.refused(act(standard("buffer7", 7.0))).await);
        }
        living.done(act(step)).await;
        shown.push_str(&told(&living.status().await, "p2-ph"));
    }
    refused.push_str(&living.refused(act(standard("buffer5", 5.0))).await);
    refused.push_str(&living.refused(act(standard("15", 5.0))).await);
    refused.push_str(&living.refused(act(StepAsk::Before(ph(None)))).await);
    let other = BesideAsk { quantity: "do_mg_l".to_owned(), hand: None, reading: None };
    refused.push_str(&living.refused(act(StepAsk::After(other))).await);
    insta::assert_snapshot!("calibrate_in_spanish", shown);
    insta::assert_snapshot!("calibrate_refused_in_spanish", spoken(refused));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn limits_are_listed_and_changed_in_spanish() {
    let living = Living::start().await;
    let change = |key: &str, value| Ask::ChangeLimit {
        pond: "p1".to_owned(),
        key: key.to_owned(),
        value,
        reason: "lo pide el asesor".to_owned(),
    };
    living.done(change("ph_high.warn", Some(8.6))).await;
    let Reply::Limits { limits } = living.ask(Ask::Limits { pond: "p1".to_owned() }).await else {
        panic!("limits are told")
    };
    let mut shown = String::new();
    limit::told(&mut shown, &limits, clock(&living.status().await));
    insta::assert_snapshot!("limit_in_spanish", lines(shown));
    let mut refused = limit::read("ph_high.warn", spanish()).unwrap_err().message + "\n";
    for (key, value) in
        [("ph_high.warm", Some(8.6)), ("luck", Some(8.6)), ("ph_high.warn", Some(-1.0)), ("tan.warn", None)]
    {
        refused.push_str(&living.refused(change(key, value)).await);
    }
    refused.push_str(&living.refused(Ask::Limits { pond: "p9".to_owned() }).await);
    insta::assert_snapshot!("limit_refused_in_spanish", spoken(refused));
}

#[test]
fn a_wrong_dose_is_mended_in_spanish() {
    let shown = lines(wrong_dose::told(Mistake::ALL.into_iter(), spanish()));
    for sentence in Mistake::ALL.into_iter().flat_map(|own| [vec![own.name()], own.steps()].concat()) {
        let words: Vec<&str> = sentence.split(' ').take(4).collect();
        assert!(!shown.contains(&words.join(" ")), "left in English: {sentence}");
    }
    insta::assert_snapshot!("wrong_dose_in_spanish", shown);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn doses_and_feed_are_planned_in_spanish() {
    let living = Living::start().await;
    let request = |change: fn(&mut DoseRequest)| {
        let mut request = DoseRequest {
            pond: "p1".to_owned(),
            dose: Some(8.0),
            lot: None,
            basis: None,
            solids_percent: None,
            slurry_density_kg_l: None,
            container_kg: Some(25.0),
            in_crop: true,
        };
        change(&mut request);
        Ask::PlanDose(request)
    };
    let mut shown = String::new();
    for step in 0..3 {
        match step {
            0 => {}
            1 => {
                living.hours(2, water(0.9)).await;
                let values =
                    [(Quantity::TanMgL, 3.5), (Quantity::AlkalinityMgL, 90.0), (Quantity::PhosphateMgL, 0.4)];
                let values = values.map(|(quantity, value)| (quantity.id().to_owned(), value)).to_vec();
                living.done(Ask::Enter { pond: "p1".to_owned(), values, at: None }).await;
            }
            _ => {
                living.pass_minutes(60 * 24 * 4);
                living.hours(1, water(0.0)).await;
            }
        }
        let plan = match living.ask(request(|_| {})).await {
            Reply::DosePlan(plan) => plan,
            other => panic!("{other:?} where a plan is due"),
        };
        assert_eq!(plan.reasons.len(), plan.reasons_said.len());
        shown.push_str(&lines(plan::told(&plan, "Heron", clock(&living.status().await))));
        shown.push('\n');
        let feed = |feed_kg| FeedAsk { pond: "p1".to_owned(), feed_kg, protein_percent: None, pore: None };
        let ask = Ask::FeedLoad(feed((step > 0).then_some(152.0)));
        let Reply::FeedLoad(load) = living.ask(ask).await else { panic!("a load is told") };
        shown.push_str(&lines(plan_feed::told(&load, spanish())));
        shown.push('\n');
    }
    insta::assert_snapshot!("plan_in_spanish", shown);
    let mut refused = String::new();
    for ask in [
        request(|ask| ask.pond = "p9".to_owned()),
        request(|ask| ask.lot = Some("M-99".to_owned())),
        request(|ask| ask.basis = Some("luck".to_owned())),
        request(|ask| ask.dose = Some(900.0)),
        request(|ask| ask.container_kg = Some(0.0)),
        Ask::FeedLoad(FeedAsk {
            pond: "p1".to_owned(),
            feed_kg: Some(0.0),
            protein_percent: None,
            pore: None,
        }),
        Ask::FeedLoad(FeedAsk {
            pond: "p1".to_owned(),
            feed_kg: None,
            protein_percent: Some(99.0),
            pore: None,
        }),
    ] {
        refused.push_str(&living.refused(ask).await);
    }
    insta::assert_snapshot!("plan_refused_in_spanish", spoken(refused));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn trials_are_fixed_in_spanish() {
    let living = Living::start().await;
    living.hours(1, water(0.1)).await;
    let fix = |change: fn(&mut TrialAsk)| {
        let mut ask = TrialAsk {
            treated: "p1".to_owned(),
            control: "p2".to_owned(),
            outcome: "dawn_minimum".to_owned(),
            wanted: None,
            method: "before_after".to_owned(),
            from: "2026-06-15T05:00:00Z".to_owned(),
            to: "2026-08-01T05:00:00Z".to_owned(),
            days_before: 14,
            days_after: 28,
            chosen_by: "asesor".to_owned(),
            reason: "por sorteo".to_owned(),
            after_first_dose: false,
            replaces: None,
        };
        change(&mut ask);
        Ask::FixTrial(Box::new(ask))
    };
    let mut shown = trial::listed(&[], &living.status().await, spanish());
    let mut refused = living.refused(fix(|ask| ask.replaces = Some(7))).await;
    assert!(matches!(living.ask(fix(|_| {})).await, Reply::Trials { .. }));
    for change in [
        (|ask| ask.outcome = "luck".to_owned()) as fn(&mut TrialAsk),
        |ask| ask.control = "p1".to_owned(),
        |ask| ask.control = "p9".to_owned(),
        |ask| (ask.outcome, ask.method) = ("tan".to_owned(), "doses".to_owned()),
        |ask| ask.days_before = 3,
        |ask| ask.to = "2026-06-20T05:00:00Z".to_owned(),
        |ask| ask.reason = String::new(),
        |_| {},
    ] {
        refused.push_str(&living.refused(fix(change)).await);
    }
    refused.push_str(&living.refused(Ask::Evidence { trial: 9 }).await);
    // A dose of the treated pond: what is fixed from now on is late.
    let entry = EntryAsk::Dose(crate::local::diary::DoseAsk { slurry_kg: Some(30.0), ..Default::default() });
    let dose = RecordAsk { pond: "p1".to_owned(), entry, at: None, corrects: None };
    assert!(matches!(living.ask(Ask::Record(Box::new(dose))).await, Reply::Recorded(_)));
    living.pass_minutes(60);
    refused.push_str(&living.refused(fix(|ask| ask.outcome = "tan".to_owned())).await);
    refused.push_str(
        &living.refused(fix(|ask| (ask.treated, ask.control) = ("p3".to_owned(), "p1".to_owned()))).await,
    );
    let late = |ask: &mut TrialAsk| (ask.replaces, ask.after_first_dose) = (Some(1), true);
    let Reply::Trials { trials } = living.ask(fix(late)).await else { panic!("it is fixed") };
    refused.push_str(&living.refused(fix(late)).await);
    let farm = living.status().await;
    shown.push_str(&trial::listed(&trials, &farm, spanish()));
    let Reply::Evidence(own) = living.ask(Ask::Evidence { trial: 2 }).await else { panic!("it is told") };
    shown.push('\n');
    shown.push_str(&super::evidence::told(&own, clock(&farm)));
    insta::assert_snapshot!("trial_in_spanish", lines(shown));
    insta::assert_snapshot!("trial_refused_in_spanish", spoken(refused));
    // English is what it was: by the catalogue, or by the daemon's own words.
    for own in trials {
        let told = trial::told(&own, plain::clock(&farm).read_in(english()));
        assert!(told.contains(&own.outcome_words) && told.contains("treated less control"), "{told}");
    }
}

/// Whoever has no daemon to ask is told so in the language that the command line, a configuration or the locale gives.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_answer_is_told_in_spanish() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("none.sock");
    let told = tokio::task::spawn_blocking(move || {
        let typed =
            ["pondreeve", "status", "--socket", socket.to_str().unwrap()].map(std::ffi::OsString::from);
        speech::begin(&typed, |name| (name == "LC_MESSAGES").then(|| "es_EC.UTF-8".to_owned()));
        let daemon = super::Daemon { socket: socket.clone() };
        let failures = [
            daemon.status().unwrap_err(),
            super::load_farm(std::path::Path::new("/nowhere/farm.toml")).unwrap_err(),
            super::report::day("ayer", "--from", &jiff::tz::TimeZone::UTC, false).unwrap_err(),
            super::export::time("ayer", "--from").unwrap_err(),
            backup::run(&backup::Arguments { folder: "x".into(), json: false, daemon: daemon.clone() })
                .unwrap_err(),
        ];
        assert!(failures[0].status == crate::exit_code::FAILED && failures[0].message.contains("none.sock"));
        failures.map(|failure| failure.message.lines().next().unwrap_or_default().to_owned())
    });
    for line in told.await.unwrap() {
        // A library says what is no time.
        let line = line.split(" (").next().unwrap_or_default();
        assert_eq!(english_in(line), Vec::<String>::new(), "{line}");
        assert!(line.contains("ningún pondreeve") || line.contains("no "), "{line}");
    }
}

/// What a check of a store or a backup may find, each sentence of the journal's own.
#[test]
fn what_is_found_in_a_store_is_told_in_spanish() {
    use crate::audit::check::Break;
    let breaks = vec![
        Break::Changed { record: 3 },
        Break::Missing { from: 4, to: 4 },
        Break::Missing { from: 4, to: 6 },
        Break::Moved { record: 7, says: "9".to_owned() },
        Break::NotFollowing { record: 8 },
        Break::CutShort { counted: 12, found: 9 },
        Break::Added { counted: 12, found: 14 },
        Break::OtherEnd { record: 12 },
        Break::NoCount,
        Break::NotAsExported { record: 2 },
    ];
    let broken = crate::audit::check::Checked { breaks, more: 2, ..Default::default() };
    let faults = [
        "hours-020601.pieces is missing",
        "hours-020602.pieces is damaged in 1 place",
        "hours-020603.pieces is damaged in 4 places",
        "hours-020604.pieces is cut short: it has 10 bytes, 20 were written",
        "files.list is missing: the backup was not finished, and files may be missing from it",
        "index.pieces cannot be read: Permission denied (os error 13)",
    ];
    let checked = crate::journal::verify::Checked {
        pieces: 10,
        inputs: 200,
        damaged: 3,
        faults: faults.map(str::to_owned).to_vec(),
        without_list: true,
        trail: broken,
    };
    let damaged = super::verify::told(&checked, spanish());
    let whole = super::verify::told(&crate::journal::verify::Checked::default(), spanish());
    insta::assert_snapshot!("verify_in_spanish", spoken(format!("{damaged}\n\n{whole}\n")));
}
