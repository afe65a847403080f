//! The report of a crop worked out by hand, read back by a parser of its own.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use scraper::{ElementRef, Html, Selector};
use serde_json::{Value, json};

use super::texts::NO_TEXT;
use super::*;
use crate::console::sample;
use crate::local::protocol::LimitInForce;

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

/// A worked example by hand: total ammonia 0.92 to 0.71 treated, 0.88 to 0.95 control, 14 and 28 days.
fn trial() -> evidence::Trial {
    let date = |day: i8| jiff::civil::date(2026, 4, day);
    evidence::Trial {
        treated: "p1".to_owned(),
        control: "p2".to_owned(),
        outcome: "tan".to_owned(),
        compared: "before_after".to_owned(),
        words: "total ammonia".to_owned(),
        unit: "mg/L".to_owned(),
        decimals: 2,
        effect: Some(evidence::Effect { estimate: -0.28, low: -0.6, high: 0.05 }),
        usual: None,
        wording: evidence::Wording::NotEnoughEvidence,
        reasons: vec!["the interval spans zero".to_owned()],
        days_known: [14, 28],
        days_lost: 3,
        confounders: vec!["the control's plankton crashed".to_owned()],
        chosen_by: "adviser".to_owned(),
        method: vec!["(treated after - before) - (control after - before)".to_owned()],
        caution: "20 % of pairs where neither was touched".to_owned(),
        treated_days: vec![(date(1), 0.92), (date(2), 0.71)],
        control_days: vec![(date(1), 0.88), (date(2), 0.95)],
    }
}

/// Size, interval, days lost, what differed and who chose the control stand beside the wording, on two pages.
#[test]
fn a_trial_is_told_with_its_interval_and_its_doubts() {
    let mut gathered = gathered();
    gathered.did_it_help = DidItHelp::Trials(vec![trial()]);
    let page = html(&gathered, &work_out(&gathered), &Texts::new(Language::En)).unwrap();
    assert!(!page.contains(NO_TEXT), "{}", page.split(NO_TEXT).nth(1).unwrap_or_default());
    let html = Html::parse_document(&page);
    assert!(html.errors.is_empty(), "{:?}", html.errors);
    let first = words(&select(&html, "#first .wording")[0]);
    assert!(
        first.contains("(TAN) (before and after the first dose, treated less control): Not enough evidence"),
        "{first}"
    );
    let told = words(&select(&html, "#help")[0]);
    for part in [
        "−0.28 mg/L (−0.60 to 0.05)",
        "Not enough evidence",
        "14 before, 28 after",
        "adviser",
        "crashed",
        "spans zero",
        "20 % of pairs",
        "cannot be computed",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    assert!(!told.contains("No trial was fixed") && !told.to_lowercase().contains("proved"), "{told}");
    assert_eq!(select(&html, "#help svg").len(), 1);
}

fn page(language: Language) -> String {
    let gathered = gathered();
    html(&gathered, &work_out(&gathered), &Texts::new(language)).unwrap()
}

fn select<'a>(html: &'a Html, selector: &str) -> Vec<ElementRef<'a>> {
    html.select(&Selector::parse(selector).unwrap()).collect()
}

fn words(element: &ElementRef<'_>) -> String {
    element.text().collect::<String>()
}

#[test]
fn the_page_stands_alone_and_is_sound_in_both_languages() {
    for language in [Language::En, Language::Es] {
        let page = page(language);
        assert!(!page.contains(NO_TEXT), "{}", page.split(NO_TEXT).nth(1).unwrap_or_default());
        assert!(!page.contains("http:") && !page.contains("https:"), "loads something");
        assert!(!page.contains("<script") && !page.contains("url(") && !page.contains("@import"));
        let html = Html::parse_document(&page);
        assert!(html.errors.is_empty(), "{:?}", html.errors);
        let loads = select(&html, "[src], link, iframe, object, embed, [style]");
        assert!(loads.is_empty(), "not self-contained: {:?}", loads.first().map(ElementRef::html));
        assert!(select(&html, "a").iter().all(|own| own.attr("href").is_some_and(|to| to.starts_with('#'))));
        let tables = select(&html, "table");
        assert!(tables.len() > 10, "{}", tables.len());
        for table in tables {
            let in_it = |selector: &str| table.select(&Selector::parse(selector).unwrap()).count();
            assert_eq!((in_it("caption"), in_it("thead tr")), (1, 1), "{}", table.html());
            assert!(in_it("thead th[scope=col]") >= 2 && in_it("th:not([scope])") == 0, "{}", table.html());
            assert_eq!(in_it("tbody tr"), in_it("tbody th[scope=row]"), "each row is named");
        }
        let ids: Vec<&str> = select(&html, "[id]").iter().filter_map(|own| own.attr("id")).collect();
        let unique: BTreeSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), unique.len(), "an id twice: {ids:?}");
        assert!(select(&html, "a").iter().all(|own| unique.contains(&own.attr("href").unwrap()[1..])));
        let mut level = 0;
        for heading in select(&html, "h1, h2, h3, h4") {
            let own: usize = heading.value().name()[1..].parse().unwrap();
            assert!(own <= level + 1, "{} skips a level", words(&heading));
            level = own;
        }
        let plots = select(&html, "svg");
        assert!(plots.len() >= 14, "{}", plots.len());
        for svg in plots {
            let named = |selector: &str| svg.select(&Selector::parse(selector).unwrap()).next().is_some();
            assert!(named("title") && named("desc") && svg.attr("role") == Some("img"));
        }
        assert_eq!(select(&html, "html")[0].attr("lang"), Some(language.code()));
    }
}

/// What a person reads is what a program reads, to the digits shown.
#[test]
fn the_page_says_what_the_json_says() {
    let reports = work_out(&gathered());
    let figures: BTreeMap<String, Value> = reports
        .iter()
        .flat_map(|report| &report.figures)
        .map(|figure| (format!("{}.{}", figure.pond, figure.id), serde_json::to_value(figure).unwrap()))
        .collect();
    let page = page(Language::Es);
    let html = Html::parse_document(&page);
    let cells = select(&html, "[data-figure]");
    let shown: BTreeSet<&str> = cells.iter().filter_map(|cell| cell.attr("data-figure")).collect();
    assert_eq!(shown.len(), figures.len(), "each figure is on the page");
    for cell in cells {
        let id = cell.attr("data-figure").unwrap();
        let (figure, text) = (&figures[id], words(&cell));
        let number: String = text.chars().take_while(|c| !c.is_alphabetic()).collect();
        let number = number.replace('\u{202f}', "").replace('−', "-");
        let number: String =
            number.chars().take_while(|c| c.is_ascii_digit() || matches!(c, '.' | '-')).collect();
        match figure["value"].as_f64() {
            Some(value) => {
                let half = 0.5 * 10_f64.powi(-(figure["decimals"].as_i64().unwrap() as i32));
                let read: f64 = number.parse().unwrap_or_else(|_| panic!("{id}: {text}"));
                assert!((read - value).abs() <= half + 1e-9, "{id}: {text} is not {value}");
            }
            None => assert!(number.is_empty() && cell.attr("class") == Some("unknown"), "{id}: {text}"),
        }
    }
}

/// What a person reads of a pond: read it when it changes.
#[test]
fn a_pond_in_words() {
    let mut told = String::new();
    for language in [Language::En, Language::Es] {
        let page = page(language);
        let html = Html::parse_document(&page);
        for selector in [
            "#first .lead",
            "#first ol.ranked li",
            "#first .wording",
            "#first table.side tbody tr",
            "#p1 > p",
            "#p1 table.figures tbody tr",
            "#p1 table.costs tbody tr",
            "#p1 table.numbers tbody tr",
        ] {
            for element in select(&html, selector) {
                let each = Selector::parse("th, td").unwrap();
                let cells: Vec<String> = element.select(&each).map(|cell| words(&cell)).collect();
                let text = if cells.is_empty() { words(&element) } else { cells.join(" | ") };
                let _ = writeln!(told, "{}", text.split_whitespace().collect::<Vec<_>>().join(" "));
            }
        }
        told.push('\n');
    }
    insta::assert_snapshot!(told);
}

/// Every text that the sources ask for is there, and none stands there in vain.
#[test]
fn no_text_is_missing_and_none_is_idle() {
    let sources = [
        include_str!("page.rs"),
        include_str!("page/lists.rs"),
        include_str!("page/drawn.rs"),
        include_str!("parts.rs"),
        include_str!("rank.rs"),
        include_str!("evidence.rs"),
        include_str!("figures.rs"),
        include_str!("templates/report.html"),
    ]
    .concat();
    let texts = Texts::new(Language::En);
    let keys: Vec<&str> = Language::En
        .source()
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_lowercase()))
        .filter_map(|line| Some(line.split_once(" = ")?.0))
        .collect();
    // Keys that are put together: from the id of a figure, a reason, a quantity, a kind, a trial's outcome.
    let made = [
        "figure-",
        "formula-",
        "missing-",
        "quantity-",
        "value-",
        "deed-",
        "cost-",
        "caution-",
        "alarms-",
        "outcome-",
        "compared-",
    ];
    for key in &keys {
        let is_made = made.iter().any(|begin| key.starts_with(begin));
        assert!(is_made || sources.contains(&format!("\"{key}\"")), "{key} is asked for nowhere");
    }
    let reports = work_out(&gathered());
    for figure in &reports[0].figures {
        let id = figure.id;
        let is_of_all = id.starts_with("valid_") || id.starts_with("days_lost_");
        for begin in ["figure-", "formula-"] {
            assert!(is_of_all || texts.has(&format!("{begin}{id}")), "{begin}{id} is missing");
        }
    }
    for kind in ["feed", "seed", "power", "slurry", "other"] {
        assert!(texts.has(&format!("cost-{kind}")), "{kind}");
    }
    for name in parts::VALUES {
        assert!(texts.has(&format!("value-{name}")), "{name}");
    }
    let reasons =
        include_str!("figures.rs").split('"').filter(|word| word.contains('-') && !word.contains(' '));
    for reason in reasons.filter(|word| {
        ["no-", "not-", "one-", "energy-gaps", "feed-gaps"].iter().any(|begin| word.starts_with(begin))
            || word.ends_with("-unpriced")
    }) {
        assert!(texts.has(&format!("missing-{reason}")), "missing-{reason}");
    }
}
