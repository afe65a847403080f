//! The QARTOD tests against ioos-qc, flag for flag, on hand-made and random series.
//!
//! Where the two differ, the manuals are followed, and each kind of difference is named here; a cell
//! that differs in any other way fails the test.
//!
//! - Rate of change: the library passes the first value and a value after a missing one, and knows no
//!   fail. There is nothing to compare with, so ours is "not evaluated".
//! - Flat line: the library demands a spread strictly below the tolerance, so that a tolerance of 0
//!   never flags; the manual's EPS is included. The library counts readings of the median interval;
//!   ours counts time, so that a gap within a flat stretch makes it longer, not shorter. The library
//!   passes the first values of a series whatever they are.
//! - Gap: the library flags the reading after the silence, once it has come; the manual's test is about
//!   data that are late. Ours is a reading without a value when it falls due, before the next has come.

use std::collections::BTreeMap;

use pondreeve_core::effect::{Flag, Test};
use pondreeve_core::quality::watch::Around;
use pondreeve_core::quality::{ChannelState, checks, gross_range, merge};
use pondreeve_core::site::{Channel, PondIndex, ProbeIndex, QualityLimits};
use pondreeve_core::{Quantity, Span, Timestamp};

use crate::table::{Row, rows};

struct Series {
    limits: Row,
    points: Vec<Row>,
}

fn all() -> BTreeMap<String, Series> {
    let mut all: BTreeMap<String, Series> = rows("qartod_params.csv")
        .into_iter()
        .map(|limits| (limits.text("series_id").to_owned(), Series { limits, points: Vec::new() }))
        .collect();
    for row in rows("qartod.csv") {
        let series = all.get_mut(row.text("series_id")).expect("limits for each series");
        series.points.push(row);
    }
    assert!(all.len() >= 39 && all.values().all(|series| !series.points.is_empty()));
    all
}

impl Series {
    fn limit(&self, name: &str) -> f64 {
        self.limits.number(name)
    }

    fn values(&self) -> Vec<Option<f64>> {
        self.points.iter().map(|row| row.maybe("value")).collect()
    }

    fn times(&self) -> Vec<i64> {
        self.points.iter().map(|row| ms(row.text("time_utc"))).collect()
    }

    fn library(&self, test: &str) -> Vec<u8> {
        self.points.iter().map(|row| row.number(test) as u8).collect()
    }
}

fn ms(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().expect("a time").as_millisecond()
}

/// Compares one test on every series; `explained` says why a cell may differ. Answers how many do.
fn compare(
    column: &str,
    ours: impl Fn(&Series, usize) -> u8,
    explained: impl Fn(&Series, usize, u8, u8) -> bool,
) -> (usize, usize) {
    let (mut cells, mut differ) = (0, 0);
    for (name, series) in &all() {
        for (place, library) in series.library(column).into_iter().enumerate() {
            let own = ours(series, place);
            cells += 1;
            if own != library {
                differ += 1;
                assert!(
                    explained(series, place, own, library),
                    "{name} row {place} ({}): {column} ours {own}, library {library}",
                    series.points[place].id()
                );
            }
        }
    }
    (cells, differ)
}

#[test]
fn gross_range_is_the_librarys() {
    let ours = |series: &Series, place: usize| {
        let Some(value) = series.values()[place] else { return Flag::Missing.code() };
        let limits = QualityLimits {
            fail: (series.limit("fail_min"), series.limit("fail_max")),
            suspect: (series.limit("suspect_min"), series.limit("suspect_max")),
            ..QualityLimits::for_quantity(Quantity::DoMgL)
        };
        gross_range(&limits, value).code()
    };
    let (cells, differ) = compare("flag_gross_range", ours, |_, _, _, _| false);
    assert!(cells > 1_000 && differ == 0);
}

#[test]
fn spike_is_the_librarys() {
    let ours = |series: &Series, place: usize| {
        let values = series.values();
        let limits = (series.limit("spike_suspect"), series.limit("spike_fail"));
        let before = place.checked_sub(1).and_then(|before| values[before]);
        match (before, values[place], values.get(place + 1).copied().flatten()) {
            (_, None, _) => Flag::Missing.code(),
            (Some(before), Some(value), Some(after)) => checks::spike(before, value, after, limits).code(),
            _ => Flag::NotEvaluated.code(),
        }
    };
    let (_, differ) = compare("flag_spike", ours, |_, _, _, _| false);
    assert_eq!(differ, 0);
}

#[test]
fn rate_of_change_is_the_librarys_but_for_what_has_nothing_before_it() {
    let has_before = |series: &Series, place: usize| {
        place.checked_sub(1).is_some_and(|before| series.values()[before].is_some())
    };
    let ours = |series: &Series, place: usize| {
        let (values, times) = (series.values(), series.times());
        let Some(value) = values[place] else { return Flag::Missing.code() };
        let Some(before) = place.checked_sub(1).and_then(|before| values[before]) else {
            return Flag::NotEvaluated.code();
        };
        let seconds = (times[place] - times[place - 1]) as f64 / 1_000.0;
        let limits = (series.limit("roc_suspect_per_s"), f64::INFINITY);
        checks::rate_of_change(value - before, seconds, limits).code()
    };
    let explained = |series: &Series, place: usize, ours: u8, library: u8| {
        !has_before(series, place) && (ours, library) == (2, 1)
    };
    let (cells, differ) = compare("flag_rate_of_change", ours, explained);
    assert!(differ > 0 && differ * 5 < cells, "{differ} of {cells}");
}

/// The longest stretch that ends here and stays within the tolerance: its spread and its length, ms.
fn stretch(series: &Series, place: usize, tolerance: f64) -> (f64, i64) {
    let (values, times) = (series.values(), series.times());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut from = place;
    for (earlier, value) in values[..=place].iter().enumerate().rev() {
        let Some(value) = value else { continue };
        if high.max(*value) - low.min(*value) > tolerance {
            break;
        }
        (low, high, from) = (low.min(*value), high.max(*value), earlier);
    }
    (high - low, times[place] - times[from])
}

#[test]
fn flat_line_is_the_librarys_but_for_tolerance_gaps_and_the_first_values() {
    // The library subtracts decimals that are not exact; so do we, and forgive the last bit.
    const LAST_BIT: f64 = 1e-9;
    let ours = |series: &Series, place: usize| {
        if series.values()[place].is_none() {
            return Flag::Missing.code();
        }
        let tolerance = series.limit("flat_tolerance") + LAST_BIT;
        let (spread, lasted) = stretch(series, place, tolerance);
        let after = |name: &str| (series.limit(name) * 1_000.0) as i64;
        checks::flat_line(spread, tolerance, lasted, (after("flat_suspect_s"), after("flat_fail_s"))).code()
    };
    let explained = |series: &Series, place: usize, ours: u8, library: u8| {
        let tolerance = series.limit("flat_tolerance");
        let times = series.times();
        let steps: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let uneven = steps.iter().any(|step| *step != steps[0]);
        let missing = series.values()[..=place].iter().any(Option::is_none);
        let (spread, _) = stretch(series, place, tolerance + LAST_BIT);
        // Longer by the manual's band, by the time of a gap, or across a missing value.
        ours > library && (spread >= tolerance - LAST_BIT || uneven || missing)
            // Counted in readings, a stretch with a gap or a missing value can also come out longer.
            || library > ours && (uneven || missing)
    };
    let (cells, differ) = compare("flag_flat_line", ours, explained);
    assert!(differ * 20 < cells, "{differ} of {cells}");
}

/// A silence that the library flags once it is over has been reported by ours before.
#[test]
fn a_gap_is_reported_before_it_is_over() {
    let mut gaps = 0;
    for (name, series) in &all() {
        let limit = Span::from_millis((series.limit("gap_fail_h") * 3_600_000.0) as i64);
        let quality = QualityLimits {
            stale_after: Span::from_millis(limit.as_millis() / 2),
            missing_after: Span::from_millis(limit.as_millis() + 1),
            ..QualityLimits::for_quantity(Quantity::DoMgL)
        };
        let channel = Channel { quality, ..Channel::uncorrected(Quantity::DoMgL) };
        let whose = (Some(PondIndex(0)), ProbeIndex(0));
        let library = series.library("flag_time_gap");
        let times = series.times();
        let mut state = ChannelState::new(Timestamp(times[0]));
        for place in 0..times.len() {
            let now = Timestamp(times[place]);
            let mut reported = false;
            while let Some(due) = state.deadline(&quality).filter(|due| *due <= now) {
                let silence = state.fall_silent(&channel, whose, due).expect("it is due");
                reported |= silence.flag == Flag::Missing;
                assert!(due <= now && silence.value.is_none());
            }
            // The library copies the second flag to the first value.
            if place > 0 {
                assert_eq!(reported, library[place] == Flag::Fail.code(), "{name} row {place}");
                gaps += usize::from(reported);
            }
            let _ = state.judge(&channel, whose, 5.0, Some(now), (now, now), &Around::default());
        }
    }
    assert!(gaps >= 3, "{gaps} gaps");
}

#[test]
fn flags_merge_as_the_librarys() {
    let columns = ["flag_gross_range", "flag_spike", "flag_rate_of_change", "flag_flat_line"];
    let ours = |series: &Series, place: usize| {
        let flags: Vec<(Test, Flag)> = columns
            .iter()
            .map(|column| {
                let flag = match series.library(column)[place] {
                    1 => Flag::Pass,
                    2 => Flag::NotEvaluated,
                    3 => Flag::Suspect,
                    4 => Flag::Fail,
                    _ => Flag::Missing,
                };
                (Test::GrossRange, flag)
            })
            .collect();
        merge(&flags).code()
    };
    let (_, differ) = compare("flag_compare", ours, |_, _, _, _| false);
    assert_eq!(differ, 0);
}
