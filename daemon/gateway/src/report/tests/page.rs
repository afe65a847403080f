//! The page: sound, complete and the same in both languages, with what a trial came to.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use scraper::{ElementRef, Html, Selector};
use serde_json::json;

use super::super::texts::NO_TEXT;
use super::*;
use crate::local::said::{PutInStatus, SaidStatus};

fn told(key: &str, english: &str) -> SaidStatus {
    let with = vec![("item".to_owned(), PutInStatus::Text("cal".to_owned()))];
    SaidStatus { key: key.to_owned(), english: english.to_owned(), with }
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
        reasons: vec![told("evidence-spans-zero", "the interval spans zero")],
        days_known: [14, 28],
        days_lost: 3,
        confounders: vec![told("noted-cost", "the control's plankton crashed")],
        chosen_by: "adviser".to_owned(),
        method: vec![told("method-other-days", "(treated after - before) - (control after - before)")],
        caution: told("evidence-caution", "20 % of pairs where neither was touched"),
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
        include_str!("../page.rs"),
        include_str!("../page/lists.rs"),
        include_str!("../page/drawn.rs"),
        include_str!("../parts.rs"),
        include_str!("../rank.rs"),
        include_str!("../evidence.rs"),
        include_str!("../figures.rs"),
        include_str!("../templates/report.html"),
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
        include_str!("../figures.rs").split('"').filter(|word| word.contains('-') && !word.contains(' '));
    for reason in reasons.filter(|word| {
        ["no-", "not-", "one-", "energy-gaps", "feed-gaps"].iter().any(|begin| word.starts_with(begin))
            || word.ends_with("-unpriced")
    }) {
        assert!(texts.has(&format!("missing-{reason}")), "missing-{reason}");
    }
}

/// What a reader of Spanish reads: every element but those that are marked as English.
fn in_spanish(html: &Html) -> String {
    let mut text = String::new();
    for node in html.tree.nodes() {
        let Some(own) = node.value().as_text() else { continue };
        let marks = node.ancestors().filter_map(ElementRef::wrap);
        let mut marks = marks.filter_map(|element| {
            let is_code = matches!(element.value().name(), "style" | "script");
            if is_code { Some("en") } else { element.attr("lang") }
        });
        if marks.next() == Some("es") {
            text.push_str(own.trim());
            text.push('\n');
        }
    }
    text
}

/// The audit trail and the sources of limits are told as they were written, and say so; no other sentence of English
/// is left, and the trial's own are not among them.
#[test]
fn a_spanish_report_has_no_english_sentence() {
    let mut gathered = gathered();
    gathered.did_it_help = DidItHelp::Trials(vec![trial()]);
    let mut shelved = deed(901, "p1", "shelving", day(80), &json!({}));
    shelved.number = None;
    shelved.words = "p1.ph-high-warn put aside for 30 min: adviser has agreed to it".to_owned();
    shelved.said = Some(Box::new(SaidStatus {
        key: "deed-shelved".to_owned(),
        english: shelved.words.clone(),
        with: [("alarm", "p1.ph-high-warn"), ("minutes", "30"), ("reason", "adviser has agreed to it")]
            .map(|(name, text)| (name.to_owned(), PutInStatus::Text(text.to_owned())))
            .into(),
    }));
    gathered.deeds.push(shelved);
    gathered.deeds.push(deed(902, "p1", "weather", day(81), &json!({ "words": "part cloud" })));
    let page = html(&gathered, &work_out(&gathered), &Texts::new(Language::Es)).unwrap();
    let html = Html::parse_document(&page);
    assert_eq!(select(&html, "html")[0].attr("lang"), Some("es"));
    assert!(select(&html, "#help [lang=en]").is_empty(), "{}", words(&select(&html, "#help")[0]));
    let told = words(&select(&html, "#help")[0]);
    for part in
        ["No hay evidencia suficiente", "el intervalo incluye el cero", "costo: cal", "154 pares", "al lado:"]
    {
        assert!(told.contains(part), "{part}: {told}");
    }
    // Who recorded it is told by name.
    let read = in_spanish(&html).replace("day technician", "");
    assert!(
        read.contains("p1.ph-high-warn por 30 min: el asesor está de acuerdo")
            && read.contains("algo nublado"),
        "{read}"
    );
    let left = crate::cli::english_in(&read);
    assert_eq!(left, Vec::<String>::new());
}
