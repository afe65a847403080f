//! Treated against control, against statsmodels and scipy.

use pondreeve_core::evidence::bounce::Aside;
use pondreeve_core::evidence::student::{beyond, two_sided};
use pondreeve_core::evidence::{Baci, Periods, Series, baci, bounce};

use crate::table::{Comparison, rows};

#[test]
fn student_s_t_equals_scipy() {
    let mut comparison = Comparison::default();
    for row in rows("student.csv") {
        let degrees = row.number("degrees");
        let what = format!("{degrees} degrees");
        comparison.near(&what, beyond(row.number("chance"), degrees), row.number("beyond"), 0.0, 1e-9);
        comparison.near(&what, two_sided(row.number("t"), degrees), row.number("two_sided"), 0.0, 1e-9);
    }
    comparison.finish(90);
}

/// The ponds of a series.
fn ponds(id: &str) -> (Series, Series) {
    let all = rows("evidence_series.csv");
    let own = || all.iter().filter(|row| row.text("series_id") == id);
    let of = |column: &str| {
        Series::new(own().map(|row| (row.number("day") as i64, row.number(column))).collect::<Vec<_>>())
    };
    (of("treated"), of("control"))
}

fn cells(found: &Baci) -> [(&'static str, f64); 13] {
    [
        ("estimate", found.interval.estimate),
        ("naive_error", found.naive.interval.standard_error),
        ("naive_low", found.naive.interval.low),
        ("naive_high", found.naive.interval.high),
        ("naive_chance", found.naive.chance),
        ("correlation_found", found.correlation_found),
        ("correlation", found.correlation),
        ("effective_before", found.before.effective),
        ("effective_after", found.after.effective),
        ("standard_error", found.interval.standard_error),
        ("low", found.interval.low),
        ("high", found.interval.high),
        ("shift_chance", found.shift_chance),
    ]
}

#[test]
fn before_and_after_equal_statsmodels_and_scipy() {
    let mut comparison = Comparison::default();
    for row in rows("evidence.csv") {
        let (treated, control) = ponds(row.text("id"));
        let last = treated.days().last().map_or(0, |own| own.day);
        let periods = Periods::around(100, row.number("first_dose") as i64, last);
        let found = baci(&treated, &control, &periods, 1).expect("an interval");
        for (column, got) in cells(&found) {
            comparison.near(&format!("{} {column}", row.id()), got, row.number(column), 1e-9, 1e-8);
        }
    }
    comparison.finish(8 * 13);
}

#[test]
fn days_after_doses_equal_scipy() {
    let mut comparison = Comparison::default();
    for row in rows("evidence_doses.csv") {
        let (treated, control) = ponds(row.text("id"));
        let doses: Vec<i64> =
            row.text("doses").split_whitespace().map(|day| day.parse().expect("a day")).collect();
        let found = bounce(&treated, &control, &doses, &Aside::default(), (100, 400));
        let (interval, naive) = (found.interval.expect("an interval"), found.naive.expect("a test"));
        for (column, got) in [
            ("mean", interval.estimate),
            ("low", interval.low),
            ("high", interval.high),
            ("naive_chance", naive.chance),
        ] {
            comparison.near(&format!("{} {column}", row.id()), got, row.number(column), 1e-9, 1e-8);
        }
    }
    comparison.finish(8 * 4);
}
