//! Oxygen at saturation.

use crate::table::{Comparison, Row, rows};
use pondreeve_chemistry::oxygen;
use pondreeve_chemistry::units::{Celsius, Hectopascal, Salinity};

fn water(row: &Row) -> (Celsius, Salinity, Hectopascal) {
    (
        Celsius::new(row.number("t_c")).expect("in range"),
        Salinity::new(row.number("sal_psu")).expect("in range"),
        Hectopascal::new(row.number("p_hpa")).expect("in range"),
    )
}

#[test]
fn saturation_equals_benson_and_krause_and_stays_by_garcia_and_gordon() {
    let mut comparison = Comparison::default();
    for row in rows("oxygen_solubility.csv") {
        let (t, s, p) = water(&row);
        let got = oxygen::saturation_mg_l(t, s, p);
        comparison.near(row.id(), got, row.number("do_sat_bk84_mgL"), 1e-5, 0.0);
        comparison.near(row.id(), got, row.number("do_sat_gg92_mgL"), 0.005, 0.0);
    }
    comparison.finish(400);
}
