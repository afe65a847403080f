//! The tables of a report as CSV, for whoever works on: names and ids are the same in every language.

use super::figures::Trace;
use super::{Gathered, PondReport, QUANTITIES};

/// A table: its name, which ends the file's, and its rows, the first being the header.
pub type Table = (&'static str, Vec<Vec<String>>);

fn shown(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

fn strings(row: &[&str]) -> Vec<String> {
    row.iter().map(|cell| (*cell).to_owned()).collect()
}

/// Every table.
pub fn tables(gathered: &Gathered, reports: &[PondReport]) -> Vec<Table> {
    vec![
        ("figures", figures(reports)),
        ("days", days(reports)),
        ("completeness", completeness(reports)),
        ("growth", growth(reports)),
        ("costs", costs(reports)),
        ("diary", diary(gathered)),
        ("audit", audit(gathered)),
        ("alarms", alarms(gathered)),
        ("limits", limits(gathered)),
    ]
}

fn figures(reports: &[PondReport]) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&["pond", "figure", "value", "unit", "not_known", "from"])];
    for figure in reports.iter().flat_map(|report| &report.figures) {
        let from: Vec<String> = figure.from.iter().map(traced).filter(|text| !text.is_empty()).collect();
        rows.push(vec![
            figure.pond.clone(),
            figure.id.to_owned(),
            shown(figure.value),
            figure.unit.to_owned(),
            figure.not_known.unwrap_or_default().to_owned(),
            from.join("; "),
        ]);
    }
    rows
}

fn traced(trace: &Trace) -> String {
    match trace {
        Trace::Diary { entries } if entries.is_empty() => String::new(),
        Trace::Diary { entries } => {
            format!("diary {}", entries.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "))
        }
        Trace::Readings { quantity, from, to, usable, left_out } => {
            format!("readings {quantity} {from} {to} usable {usable} left out {left_out}")
        }
        Trace::Motors { from, to, known_percent } => format!("motors {from} {to} known {known_percent:.1} %"),
        Trace::Figures { ids } => format!("figures {}", ids.join(" ")),
        Trace::Configuration { key } => format!("configuration {key}"),
    }
}

fn days(reports: &[PondReport]) -> Vec<Vec<String>> {
    let mut header = strings(&[
        "pond",
        "date",
        "dawn_min_do_mg_l",
        "dawn_valid_share",
        "dusk_peak_do_mg_l",
        "dusk_valid_share",
    ]);
    for quantity in QUANTITIES {
        header.extend(["low", "mean", "high", "valid_share"].map(|what| format!("{quantity}_{what}")));
    }
    header.extend(strings(&["kwh", "kwh_known_share", "feed_kg"]));
    let mut rows = vec![header];
    for report in reports {
        for day in &report.days {
            let mut row = vec![
                report.id.clone(),
                day.date.to_string(),
                shown(day.dawn_min),
                shown(day.dawn_seen.share()),
                shown(day.dusk_peak),
                shown(day.dusk_seen.share()),
            ];
            for quantity in QUANTITIES {
                let range = day.ranges.get(quantity);
                row.push(shown(range.map(|range| range.low)));
                row.push(shown(range.map(|range| range.mean)));
                row.push(shown(range.map(|range| range.high)));
                row.push(shown(day.seen.get(quantity).and_then(super::days::Seen::share)));
            }
            row.extend([shown(day.kwh), shown(Some(day.kwh_known)), shown(day.feed_kg)]);
            rows.push(row);
        }
    }
    rows
}

fn completeness(reports: &[PondReport]) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&[
        "pond",
        "date",
        "quantity",
        "quarters",
        "valid_quarters",
        "usable",
        "suspect",
        "failed",
        "missing",
    ])];
    for report in reports {
        for (day, (quantity, seen)) in
            report.days.iter().flat_map(|day| day.seen.iter().map(move |own| (day, own)))
        {
            let mut row = vec![report.id.clone(), day.date.to_string(), (*quantity).to_owned()];
            let counts = [seen.quarters, seen.valid, seen.usable, seen.suspect, seen.failed, seen.missing];
            row.extend(counts.map(|count| count.to_string()));
            rows.push(row);
        }
    }
    rows
}

fn growth(reports: &[PondReport]) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&["pond", "time_utc", "abw_g", "entry"])];
    for report in reports {
        for (at, abw, entry) in &report.book.weights {
            let entry = entry.map(|entry| entry.to_string()).unwrap_or_default();
            rows.push(vec![report.id.clone(), at.to_string(), abw.to_string(), entry]);
        }
    }
    rows
}

fn costs(reports: &[PondReport]) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&["pond", "kind", "item", "amount", "by", "entries"])];
    for report in reports {
        for line in &report.book.costs {
            rows.push(vec![
                report.id.clone(),
                line.kind.id().to_owned(),
                line.item.clone(),
                line.amount.to_string(),
                if line.is_priced { "price" } else { "record" }.to_owned(),
                line.entries.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "),
            ]);
        }
    }
    rows
}

fn diary(gathered: &Gathered) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&[
        "at_utc",
        "recorded_utc",
        "pond",
        "number",
        "kind",
        "by",
        "superseded_by",
        "withdrawn",
        "words",
        "values",
    ])];
    for deed in &gathered.deeds {
        let count = |number: Option<u64>| number.map(|number| number.to_string()).unwrap_or_default();
        rows.push(vec![
            deed.at.clone(),
            deed.recorded.clone(),
            deed.pond.clone().unwrap_or_default(),
            count(deed.number),
            deed.kind.clone(),
            deed.by.clone(),
            count(deed.superseded_by),
            deed.withdrawn.clone().unwrap_or_default(),
            deed.words.clone(),
            serde_json::to_string(&deed.values).unwrap_or_default(),
        ]);
    }
    rows
}

fn audit(gathered: &Gathered) -> Vec<Vec<String>> {
    let mut rows =
        vec![strings(&["record", "time_utc", "user", "place", "action", "object", "old", "new", "reason"])];
    for line in &gathered.audit {
        rows.push(vec![
            line.record.to_string(),
            line.at.clone(),
            line.user.clone(),
            line.place.clone(),
            line.action.clone(),
            line.object.clone(),
            line.old.clone(),
            line.new.clone(),
            line.reason.clone(),
        ]);
    }
    rows
}

fn alarms(gathered: &Gathered) -> Vec<Vec<String>> {
    let load = &gathered.alarm_load;
    let mut rows = vec![strings(&["measure", "value"])];
    let mut put = |name: &str, value: String| rows.push(vec![name.to_owned(), value]);
    let [critical, high, medium] = load.raised_by_priority;
    put("from", load.from.clone());
    put("to", load.to.clone());
    put("days", load.days.to_string());
    put("raised", load.raised.to_string());
    put("raised_critical", critical.to_string());
    put("raised_high", high.to_string());
    put("raised_medium", medium.to_string());
    put("raised_per_day", load.raised_per_day.to_string());
    put("raised_per_night", load.raised_per_night.to_string());
    put("raised_per_10_min", load.raised_per_10_min.to_string());
    put("most_in_10_min", load.most_in_10_min.to_string());
    put("flooded_share", load.flooded_share.to_string());
    put("most_frequent_share", load.most_frequent_share.to_string());
    put("chattering", load.chattering.join(" "));
    put("stale", load.stale.join(" "));
    put("shelved", load.shelved.join(" "));
    put("shelvings", load.shelvings.to_string());
    let after = load.acknowledged_after_s.map(|after| after.to_string());
    put("acknowledged_after_s", after.unwrap_or_default());
    rows
}

fn limits(gathered: &Gathered) -> Vec<Vec<String>> {
    let mut rows = vec![strings(&["pond", "limit", "value", "source"])];
    let covered = |id: &str| gathered.ponds.iter().any(|pond| pond.id == id);
    for pond in gathered.facts.ponds.iter().filter(|pond| covered(&pond.id)) {
        for limit in &pond.limits {
            let source = limit.source.clone().unwrap_or_default();
            rows.push(vec![pond.id.clone(), limit.key.clone(), limit.value.clone(), source]);
        }
    }
    rows
}
