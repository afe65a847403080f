//! Oxygen transfer in the field.

use crate::table::{Comparison, rows};
use crate::water;
use pondreeve_chemistry::aeration::{self, Correction};

#[test]
fn transfer_demand_and_power_equal_the_reference() {
    let mut comparison = Comparison::default();
    for row in rows("aeration.csv") {
        let correction =
            Correction::new(row.number("alpha"), row.number("beta"), row.number("theta")).expect("in range");
        let ratio = aeration::otr_over_sotr(
            &correction,
            water::temperature(&row),
            water::salinity(&row),
            water::pressure(&row),
            water::oxygen(&row),
        );
        comparison.near(row.id(), ratio, row.number("otr_over_sotr"), 1e-6, 1e-6);
        comparison.near(row.id(), ratio * row.number("sotr_kg_h"), row.number("otr_kg_h"), 1e-6, 1e-6);
        let field = ratio * row.number("sae_kg_kwh");
        comparison.near(row.id(), field, row.number("field_ae_kg_kwh"), 1e-6, 1e-6);
        let demand = aeration::demand_kg_h(row.number("oxygen_demand_mgL_h"), row.number("volume_m3"));
        comparison.near(row.id(), demand, row.number("demand_kg_h"), 1e-6, 1e-6);
        let power = aeration::power_to_hold_kw(demand, field);
        comparison.same(row.id(), &power.is_some(), &row.maybe("power_to_hold_kw").is_some());
        if let (Some(power), Some(expected)) = (power, row.maybe("power_to_hold_kw")) {
            comparison.near(row.id(), power, expected, 1e-6, 1e-5);
        }
    }
    comparison.finish(550);
}

/// Worked by hand from the formula: to lift 7500 m³ by 1.7 mg/L in six hours at 0.44 kg/kWh takes 4.8 kW.
#[test]
fn lifting_a_pond_takes_the_power_worked_out_by_hand() {
    let power = aeration::power_to_lift_kw(1.7, 7500.0, 6.0, 0.44).expect("below saturation");
    assert!((power - 4.83).abs() < 0.01, "{power}");
    assert_eq!(aeration::power_to_lift_kw(1.7, 7500.0, 0.0, 0.44), None);
    assert_eq!(aeration::power_to_hold_kw(1.0, -0.1), None);
}
