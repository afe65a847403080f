//! Numbers, dates, traces and diary lines as a reader sees them.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use pondreeve_core::ammonia_band::half_band_mg_l;

use super::figures::{Figure, MONEY, MONEY_PER_KG, Trace};
use super::texts::{Language, Texts};
use super::{Gathered, time};
use crate::console::ammonia::value_and_band;
use crate::console::deed_words::{deed_words, objections};
use crate::console::diary::choice_words;
use crate::local::diary::DeedStatus;

/// Narrow space that does not break, between thousands.
const THIN: char = '\u{202f}';

/// Space that does not break, between a number and its unit.
const FIRM: char = '\u{a0}';

/// Runs of numbers that are listed one by one.
const MOST_RUNS: usize = 12;

/// What a report is written with.
#[derive(Debug)]
pub(super) struct Words<'a> {
    pub(super) texts: &'a Texts,
    pub(super) zone: TimeZone,
    pub(super) currency: &'a str,
    months: Vec<String>,
}

/// A number with so many decimals, its thousands apart from 10 000 on.
pub(super) fn number(value: f64, decimals: usize) -> String {
    // A half goes up, as people round; the formatter would take it to the even digit.
    let scale = 10_f64.powi(i32::try_from(decimals).unwrap_or(9));
    let rounded = (value.abs() * scale).round() / scale;
    let text = format!("{:.decimals$}", if rounded.is_finite() { rounded } else { value.abs() });
    let (whole, rest) = text.split_once('.').map_or((text.as_str(), None), |(a, b)| (a, Some(b)));
    let mut out = String::new();
    if value < 0.0 && text.chars().any(|c| c.is_ascii_digit() && c != '0') {
        out.push('−');
    }
    for (place, digit) in whole.char_indices() {
        if place > 0 && whole.len() > 4 && (whole.len() - place).is_multiple_of(3) {
            out.push(THIN);
        }
        out.push(digit);
    }
    if let Some(rest) = rest {
        out.push('.');
        out.push_str(rest);
    }
    out
}

/// A file's or a person's word for a number that was typed: no more digits than were.
fn plain(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => text.clone(),
        serde_json::Value::Number(own) => own.as_f64().map_or_else(String::new, |value| {
            let text = format!("{value:.2}");
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        }),
        other => other.to_string(),
    }
}

/// Values of diary entries that are told in another language than the daemon's, in their order.
pub(super) const VALUES: [&str; 28] = [
    "slurry_kg",
    "slurry_l",
    "lot",
    "containers",
    "left",
    "delivered",
    "against",
    "reason",
    "item",
    "amount",
    "per",
    "kg",
    "count",
    "species",
    "size",
    "tray_left_percent",
    "grams",
    "abw_g",
    "price_per_kg",
    "volume_m3",
    "percent",
    "level_before_m",
    "level_after_m",
    "refilled_to_m",
    "ph",
    "orp_mv",
    "depth_cm",
    "words",
];

impl<'a> Words<'a> {
    pub(super) fn new(texts: &'a Texts, gathered: &'a Gathered) -> Self {
        let months = texts.get("months").split_whitespace().map(str::to_owned).collect();
        Self { texts, zone: gathered.time_zone(), currency: gathered.currency(), months }
    }

    /// Such as "17 Mar 2026".
    pub(super) fn date(&self, date: Date) -> String {
        format!("{} {}", self.short(date), date.year())
    }

    /// Such as "17 Mar".
    pub(super) fn short(&self, date: Date) -> String {
        let month = usize::try_from(date.month()).unwrap_or(1) - 1;
        format!("{} {}", date.day(), self.months.get(month).map_or("?", String::as_str))
    }

    pub(super) fn date_of(&self, at: Timestamp) -> Date {
        self.zone.to_datetime(at).date()
    }

    /// Such as "17 Mar 2026 06:05", by the farm's clock.
    pub(super) fn moment(&self, at: Timestamp) -> String {
        let local = self.zone.to_datetime(at);
        format!("{} {}", self.date(local.date()), local.strftime("%H:%M"))
    }

    /// A unit, as it follows a number.
    pub(super) fn unit(&self, unit: &str) -> String {
        let money =
            if self.currency.is_empty() { self.texts.get("unit-money") } else { self.currency.to_owned() };
        match unit {
            MONEY => money,
            MONEY_PER_KG => format!("{money}/kg"),
            "m2" => "m²".to_owned(),
            "m3" => "m³".to_owned(),
            "1/m2" => "/m²".to_owned(),
            "shrimp" => self.texts.get("unit-shrimp"),
            other => other.to_owned(),
        }
    }

    /// A value with its unit.
    pub(super) fn value(&self, value: f64, unit: &str, decimals: usize) -> String {
        let unit = self.unit(unit);
        if unit.is_empty() {
            number(value, decimals)
        } else {
            format!("{}{FIRM}{unit}", number(value, decimals))
        }
    }

    /// The value of a figure, or why there is none.
    pub(super) fn figure(&self, figure: &Figure) -> String {
        match (figure.value, figure.not_known) {
            // Its pH may be off: no more digits than are known, and by how much.
            (Some(value), _) if figure.id.ends_with("nh3_peak_mg_l") => {
                let half = half_band_mg_l(value, None, None, 0.0);
                format!("{}{FIRM}{}", value_and_band(value, half), self.unit(figure.unit))
            }
            (Some(value), _) => self.value(value, figure.unit, figure.decimals),
            (None, why) => self.texts.get(&format!("missing-{}", why.unwrap_or("not-recorded"))),
        }
    }

    /// What a figure is called.
    pub(super) fn name(&self, id: &str) -> String {
        for (begin, key) in [("valid_", "figure-valid"), ("days_lost_", "figure-days_lost")] {
            if let Some(quantity) = id.strip_prefix(begin) {
                return self.texts.fill(key, &[("quantity", &self.quantity(quantity))]);
            }
        }
        self.texts.get(&format!("figure-{id}"))
    }

    /// What a quantity is called.
    pub(super) fn quantity(&self, id: &str) -> String {
        self.texts.get(&format!("quantity-{id}"))
    }

    /// What a figure rests on.
    pub(super) fn from(&self, traces: &[Trace]) -> String {
        let told: Vec<String> = traces.iter().filter_map(|trace| self.trace(trace)).collect();
        told.join("; ")
    }

    fn trace(&self, trace: &Trace) -> Option<String> {
        Some(match trace {
            Trace::Diary { entries } if entries.is_empty() => return None,
            Trace::Diary { entries } => self.entries(entries),
            Trace::Readings { quantity, usable, left_out, .. } => self.texts.fill(
                "from-readings",
                &[
                    ("quantity", quantity),
                    ("usable", &number(f64::from(*usable), 0)),
                    ("left_out", &number(f64::from(*left_out), 0)),
                ],
            ),
            Trace::Motors { known_percent, .. } => {
                self.texts.fill("from-motors", &[("percent", &number(*known_percent, 0))])
            }
            Trace::Figures { ids } => {
                let names: Vec<String> = ids.iter().map(|id| self.name(id)).collect();
                self.texts.fill("from-figures", &[("figures", &names.join(", "))])
            }
            Trace::Configuration { key } => self.texts.fill("from-configuration", &[("key", key)]),
        })
    }

    /// Entries by their numbers, or how many where they are too many to list.
    fn entries(&self, entries: &[u64]) -> String {
        let listed = runs(entries);
        if let (Some(first), Some(last)) = (entries.first(), entries.last())
            && listed.split(',').count() > MOST_RUNS
        {
            let [count, first, last] = [entries.len() as u64, *first, *last].map(|number| number.to_string());
            return self
                .texts
                .fill("from-diary-many", &[("count", &count), ("first", &first), ("last", &last)]);
        }
        self.texts.fill("from-diary", &[("entries", &listed)])
    }

    /// A deed in one line, and whether it is in English though the report is not.
    pub(super) fn deed(&self, deed: &DeedStatus) -> (String, bool) {
        if self.texts.language == Language::En {
            return (deed.words.clone(), false);
        }
        let of_diary = deed.number.is_some();
        let told = VALUES.iter().filter_map(|name| {
            let value = deed.values.get(*name)?;
            let words = self.texts.words();
            let value = match *name {
                "against" => objections(words, &plain(value)),
                _ => choice_words(words, &plain(value)),
            };
            Some(format!("{} {value}", self.texts.get(&format!("value-{name}"))))
        });
        let told: Vec<String> = told.filter(|_| of_diary).collect();
        if !told.is_empty() {
            return (told.join(", "), false);
        }
        let is_translated = deed.said.is_some() || deed.kind == "reading";
        (deed_words(self.texts.words(), deed), !is_translated)
    }

    /// What became of an entry.
    pub(super) fn fate(&self, deed: &DeedStatus) -> String {
        if let Some(reason) = &deed.refused {
            return self.texts.fill("deed-refused", &[("reason", reason)]);
        }
        match (&deed.withdrawn, deed.superseded_by) {
            (Some(reason), _) => self.texts.fill("deed-withdrawn", &[("reason", reason)]),
            (None, Some(number)) => self.texts.fill("deed-superseded", &[("number", &number.to_string())]),
            _ => String::new(),
        }
    }

    /// When a deed was done.
    pub(super) fn done(&self, deed: &DeedStatus) -> String {
        self.moment(time(&deed.at))
    }
}

/// Numbers in runs: "3, 5–9".
fn runs(numbers: &[u64]) -> String {
    let mut runs: Vec<(u64, u64)> = Vec::new();
    for &number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let told: Vec<String> = runs
        .iter()
        .map(|(first, last)| if first == last { first.to_string() } else { format!("{first}–{last}") })
        .collect();
    told.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_they_are_printed() {
        assert_eq!((number(5_732.5, 0), number(5_733.5, 0)), ("5733".to_owned(), "5734".to_owned()));
        assert_eq!(number(26_559.5, 1), "26\u{202f}559.5");
        assert_eq!(number(-1_234_567.0, 0), "−1\u{202f}234\u{202f}567");
        assert_eq!(number(-0.04, 1), "0.0");
    }

    #[test]
    fn entries_stand_in_runs() {
        assert_eq!(runs(&[3, 5, 6, 7, 9]), "3, 5–7, 9");
        assert_eq!(runs(&[]), "");
    }
}
