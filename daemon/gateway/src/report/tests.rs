//! The report of a crop worked out by hand, read back by a parser of its own.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::*;
use crate::console::sample;
use crate::local::protocol::LimitInForce;

mod page;

/// Days from stocking to the final harvest.
const CROP_DAYS: i64 = 105;

fn stocked_at() -> Timestamp {
    "2026-03-01T12:00:00Z".parse().unwrap()
}

fn day(day: i64) -> Timestamp {
    stocked_at() + SignedDuration::from_hours(24 * day)
}

fn deed(number: u64, pond: &str, kind: &str, at: Timestamp, values: &Value) -> DeedStatus {
    DeedStatus {
        kind: kind.to_owned(),
        number: Some(number),
        pond: Some(pond.to_owned()),
        at: at.to_string(),
        stop: None,
        recorded: at.to_string(),
        by: "day technician".to_owned(),
        corrects: None,
        superseded_by: None,
        withdrawn: None,
        refused: None,
        words: format!("{kind} <in words> & more"),
        values: serde_json::from_value(values.clone()).unwrap(),
        said: None,
    }
}

/// A pond of the worked example.
struct Example {
    id: &'static str,
    kg: f64,
    abw_g: f64,
    feed_kg: f64,
    kwh: f64,
    slurry_kg: f64,
    price: f64,
}

const TREATED: Example = Example {
    id: "p1",
    kg: 7_020.0,
    abw_g: 15.0,
    feed_kg: 9_830.0,
    kwh: 24_900.0,
    slurry_kg: 630.0,
    price: 4.60,
};
const CONTROL: Example = Example {
    id: "p2",
    kg: 6_480.0,
    abw_g: 14.4,
    feed_kg: 9_590.0,
    kwh: 26_400.0,
    slurry_kg: 0.0,
    price: 4.55,
};

impl Example {
    fn deeds(&self, first: u64) -> Vec<DeedStatus> {
        let mut numbers = first..;
        let mut deeds = Vec::new();
        let mut put = |kind: &str, at: Timestamp, values: Value| {
            deeds.push(deed(numbers.next().unwrap(), self.id, kind, at, &values));
        };
        put("price", day(-10), json!({"item": "Feed", "amount": 1.15, "per": "kg"}));
        put("price", day(-10), json!({"item": "power", "amount": 0.12, "per": "kWh"}));
        put("price", day(-10), json!({"item": "slurry", "amount": 900.0, "per": "t"}));
        put("cost", day(-2), json!({"item": "PL", "amount": 3_000.0}));
        put("stocking", day(0), json!({"count": 600_000, "species": "vannamei", "size": "PL10"}));
        for feeding in 0..CROP_DAYS {
            put("feed", day(feeding), json!({"kg": self.feed_kg / CROP_DAYS as f64}));
        }
        for dose in (0..14).filter(|_| self.slurry_kg > 0.0) {
            put("dose", day(7 * dose), json!({"slurry_kg": self.slurry_kg / 14.0, "solids_percent": 60.0}));
        }
        put("sampling", day(60), json!({"count": 80, "grams": 728.0, "abw_g": 9.1}));
        put("exchange", day(70), json!({"volume_m3": 1_000.0, "percent": 13.3}));
        put("cost", day(90), json!({"item": "labour", "amount": 3_200.0}));
        put("cost", day(91), json!({"item": "other", "amount": 5_500.0}));
        let harvest = json!({"kg": self.kg, "abw_g": self.abw_g, "price_per_kg": self.price, "final": true});
        put("harvest", day(CROP_DAYS), harvest);
        deeds
    }

    /// A quarter hour each 15 minutes: oxygen falls to 4.5 by night, once to 3.8; a day without any; pH in one.
    fn pond(&self) -> GatheredPond {
        let mut quarters = BTreeMap::new();
        for quantity in QUANTITIES {
            let every =
                (0..CROP_DAYS * 96).filter(|nr| quantity != "nh3_n_mg_l" && !(40 * 96..41 * 96).contains(nr));
            let rolled = every.map(|nr| {
                let at = stocked_at() + SignedDuration::from_mins(15 * nr);
                // Sunset near 23:15 UTC, sunrise near 11:10 at five hours west.
                let hour = (nr % 96) as f64 / 4.0;
                let by_night = (11.0..23.5).contains(&hour);
                let low = if nr / 96 == 20 { 3.8 } else { 4.5 };
                let value = match quantity {
                    "do_mg_l" if by_night => low,
                    "do_mg_l" => 9.0,
                    "temperature_c" => 29.0,
                    "ph" => 8.1,
                    _ => 18.0,
                };
                RollUp {
                    from: at.to_string(),
                    minimum: Some(value),
                    mean: Some(value),
                    maximum: Some(value),
                    usable: 15,
                    suspect: u32::from(nr == 7),
                    failed: u32::from(nr == 8),
                    missing: 0,
                }
            });
            quarters.insert(quantity, rolled.collect());
        }
        let energy = (0..CROP_DAYS).map(|nr| {
            let group = GroupEnergy {
                group: "a".to_owned(),
                kwh: self.kwh / CROP_DAYS as f64,
                known_h: 24.0,
                by: "measured".to_owned(),
            };
            (Period { from: day(nr), to: day(nr + 1) }, vec![group])
        });
        GatheredPond { id: self.id.to_owned(), quarters, energy: energy.collect() }
    }

    fn facts(&self, name: &str) -> PondFacts {
        PondFacts {
            id: self.id.to_owned(),
            name: name.to_owned(),
            species: "vannamei".to_owned(),
            stage: "grow-out".to_owned(),
            style: Some("lined".to_owned()),
            area_m2: 5_000.0,
            depth_m: 1.5,
            like: None,
            limits: vec![LimitInForce {
                key: "ph_high.warn".to_owned(),
                value: "8.2".to_owned(),
                source: Some("common practice".to_owned()),
            }],
        }
    }
}

/// Both ponds of the worked example. The first has a name that a page must not take for its own.
fn gathered() -> Gathered {
    let mut farm = sample::normal_night();
    farm.ponds.retain(|pond| matches!(pond.id.as_str(), "p1" | "p2"));
    farm.at = day(CROP_DAYS).to_string();
    let deeds = [TREATED.deeds(1), CONTROL.deeds(501)].concat();
    Gathered {
        farm,
        facts: FactsStatus {
            latitude_deg: -3.4,
            longitude_deg: -80.2,
            time_zone: None,
            currency: Some("cu".to_owned()),
            energy_price_per_kwh: None,
            raw_days: 365,
            ponds: vec![TREATED.facts("Heron<script>alert(1)</script>"), CONTROL.facts("Ibis")],
        },
        period: Period { from: stocked_at(), to: day(CROP_DAYS) + SignedDuration::from_secs(60) },
        ponds: vec![TREATED.pond(), CONTROL.pond()],
        deeds,
        alarm_load: AlarmLoadStatus {
            from: day(75).to_string(),
            to: day(105).to_string(),
            days: 30.0,
            raised: 60,
            raised_by_priority: [3, 9, 48],
            raised_by_night: 18,
            raised_per_10_min: 0.01,
            raised_per_day: 2.0,
            raised_per_night: 0.6,
            most_in_10_min: 4,
            flooded_share: 0.0,
            flood_since: None,
            most_frequent_share: 0.55,
            most_frequent: Vec::new(),
            chattering: vec!["p1.probe-fault.p1-oxygen".to_owned()],
            stale: Vec::new(),
            shelved: Vec::new(),
            shelvings: 0,
            acknowledged_after_s: Some(190),
        },
        audit: vec![AuditLine {
            record: 7,
            at: day(3).to_string(),
            user: "adviser".to_owned(),
            place: "daemon".to_owned(),
            action: "setting".to_owned(),
            object: "ponds.p1.limits.ph_high.warn.limit".to_owned(),
            old: "8.8".to_owned(),
            new: "8.2".to_owned(),
            reason: String::new(),
        }],
        audit_head: (9, "ab".repeat(32)),
        did_it_help: DidItHelp::NoTrial,
    }
}

/// The figures of the worked example, printed with as many digits as there.
#[test]
fn the_worked_example_comes_out_of_diary_and_readings() {
    let reports = work_out(&gathered());
    let expected = [
        ("survival_percent", 78.0, 75.0, 0.05),
        ("yield_t_ha", 14.0, 13.0, 0.05),
        ("feed_kg", 9_830.0, 9_590.0, 1e-6),
        ("feed_conversion", 1.40, 1.48, 0.005),
        ("kwh", 24_900.0, 26_400.0, 1e-6),
        ("kwh_per_kg", 3.55, 4.07, 0.005),
        ("cost", 26_560.0, 25_897.0, 0.5),
        ("cost_per_kg", 3.78, 4.00, 0.005),
        ("price_per_kg", 4.60, 4.55, 1e-9),
        ("net", 5_733.0, 3_588.0, 0.5),
    ];
    for (id, treated, control, within) in expected {
        for (report, wanted) in reports.iter().zip([treated, control]) {
            let value =
                report.value(id).unwrap_or_else(|| panic!("{} {id}: {:?}", report.id, report.figure(id)));
            assert!((value - wanted).abs() <= within + 1e-6, "{} {id}: {value}, not {wanted}", report.id);
        }
    }
    assert_eq!((reports[0].value("dose_kg"), reports[1].value("dose_kg")), (Some(630.0), None));
    assert_eq!(reports[1].figure("dose_kg").unwrap().not_known, Some("not-recorded"));
    assert_eq!(reports[0].value("dose_solids_kg"), Some(378.0));
}

/// One night of 105 fell to 3.8, one day was not seen at all; suspect and failed readings are counted.
#[test]
fn nights_gaps_and_readings_left_out_are_counted() {
    let reports = work_out(&gathered());
    let own = &reports[0];
    assert_eq!((own.value("dawn_min_lowest"), own.value("dusk_peak_highest")), (Some(3.8), Some(9.0)));
    assert_eq!((own.value("nights_below_warn"), own.value("nights_below_critical")), (Some(1.0), Some(0.0)));
    // A day of the store is half of two days of the farm, which begin at 05:00 UTC and not at noon.
    assert_eq!(own.value("days_lost_do_mg_l"), Some(2.0));
    let Some(Trace::Readings { left_out, usable, .. }) = own.figure("valid_do_mg_l").unwrap().from.first()
    else {
        panic!("{:?}", own.figure("valid_do_mg_l"));
    };
    assert_eq!((*left_out, *usable), (2, 15 * 104 * 96));
    assert_eq!(own.figure("nh3_peak_mg_l").unwrap().not_known, Some("no-tan"));
    assert_eq!(own.days.len(), 106);
}

/// What is not there is told, and what rests on it is not.
#[test]
fn nothing_missing_passes_for_zero() {
    let mut gathered = gathered();
    gathered.deeds.retain(|deed| deed.kind != "harvest" && deed.values.get("item") != Some(&json!("PL")));
    // The motors were not seen in the last 15 of 105 days.
    gathered.ponds[0].energy.iter_mut().skip(90).for_each(|(_, groups)| groups[0].known_h = 0.0);
    let reports = work_out(&gathered);
    let why = |report: &PondReport, id: &str| report.figure(id).unwrap().not_known;
    for (id, wanted) in [
        ("survival_percent", "not-harvested-yet"),
        ("net", "not-harvested-yet"),
        ("kwh", "energy-gaps"),
        ("cost", "seed-unpriced"),
        ("found_dead", "not-recorded"),
        ("drained_m3", "not-recorded"),
    ] {
        assert_eq!(why(&reports[0], id), Some(wanted), "{id}");
        assert_eq!(reports[0].value(id), None, "{id}");
    }
    assert!((reports[1].value("kwh").unwrap() - 26_400.0).abs() < 1e-6);
    gathered.deeds.clear();
    let reports = work_out(&gathered);
    for id in ["stocked", "feed_kg", "kwh", "cost", "net", "crop_days"] {
        assert_eq!(reports[0].value(id), None, "{id}");
    }
}

/// Feed that was recorded in the last ten days only makes no feed conversion, and no cost.
#[test]
fn feed_of_a_part_of_the_crop_makes_no_ratio() {
    let mut gathered = gathered();
    gathered.deeds.retain(|deed| deed.kind != "feed" || time(&deed.at) > day(95));
    let report = &work_out(&gathered)[0];
    assert!(report.value("feed_kg").is_some_and(|kg| (800.0..900.0).contains(&kg)));
    for id in ["feed_conversion", "cost", "cost_per_kg", "net"] {
        assert_eq!(report.figure(id).unwrap().not_known, Some("feed-gaps"), "{id}");
    }
    assert!(report.value("survival_percent").is_some());
}

/// Superseded and withdrawn entries count nowhere.
#[test]
fn corrections_take_the_place_of_what_they_correct() {
    let mut gathered = gathered();
    let feed = gathered.deeds.iter_mut().find(|deed| deed.kind == "feed").unwrap();
    let kg = feed.values["kg"].as_f64().unwrap();
    feed.superseded_by = Some(900);
    let reports = work_out(&gathered);
    assert!((reports[0].value("feed_kg").unwrap() - (9_830.0 - kg)).abs() < 1e-6);
}

/// What is over and waits only for an acknowledgement or a reset does not stand.
#[test]
fn alarms_that_are_over_are_not_counted_as_standing() {
    let mut gathered = gathered();
    let alarm = sample::critical_alarm().alarms[0].clone();
    gathered.farm.alarms = ["returned-unacknowledged", "latched-unacknowledged", "latched-acknowledged"]
        .into_iter()
        .map(|state| {
            let mut own = alarm.clone();
            (own.pond, own.state) = (Some("p1".to_owned()), state.to_owned());
            own
        })
        .collect();
    let critical = |gathered: &Gathered| {
        let ranked = rank::ranked(gathered, &work_out(gathered));
        let reasons = ranked.iter().flat_map(|own| &own.reasons);
        reasons.filter(|reason| reason.key == "reason-critical").map(|reason| reason.count).sum::<f64>()
    };
    assert_eq!(critical(&gathered), 0.0);
    let mut standing = alarm;
    (standing.pond, standing.state) = (Some("p1".to_owned()), "acknowledged".to_owned());
    gathered.farm.alarms.push(standing);
    assert_eq!(critical(&gathered), 1.0);
}
