//! The un-ionised share of ammonia.

use crate::table::{Comparison, Row, rows};
use pondreeve_chemistry::ammonia;
use pondreeve_chemistry::units::{Celsius, Ph, Salinity};

fn water(row: &Row) -> (Celsius, Ph, Salinity) {
    (
        Celsius::new(row.number("t_c")).expect("in range"),
        Ph::new(row.number("ph")).expect("in range"),
        Salinity::new(row.number("sal_psu")).expect("in range"),
    )
}

#[test]
fn a_buffer_reading_uses_emerson_and_khoo() {
    let mut comparison = Comparison::default();
    for row in rows("ammonia_fraction.csv") {
        let (t, ph, s) = water(&row);
        comparison.near(
            row.id(),
            ammonia::nh3_fraction_nbs(t, ph, s),
            row.number("f_compact_free"),
            0.0,
            1e-6,
        );
    }
    comparison.finish(200);
}
