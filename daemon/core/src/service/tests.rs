//! Fouling, drift, spread and health against hand arithmetic.

use proptest::prelude::*;

use super::*;

fn at(hours: i64) -> Timestamp {
    Timestamp(1_800_000_000_000) + Span::from_hours(hours)
}

fn beside(reading: f64, hand: Option<f64>) -> Beside {
    Beside { quantity: Quantity::DoMgL, reading, hand, at: at(0) }
}

fn standard(quantity: Quantity, expected: f64, reading: f64) -> InStandard {
    InStandard { quantity, expected, reading, millivolts: None }
}

fn near(seen: f64, by_hand: f64) {
    assert!((seen - by_hand).abs() < 5e-4, "{seen}, by hand {by_hand}");
}

#[test]
fn fouling_is_what_cleaning_changed_less_what_the_water_did() {
    // Cleaning brought 4.1 to 5.3; the hand meter went from 5.0 to 5.2 meanwhile.
    near(fouling(beside(4.1, Some(5.0)), beside(5.3, Some(5.2))), 1.0);
    // Without a hand meter the water is taken to have stood still.
    near(fouling(beside(4.1, None), beside(5.3, Some(5.2))), 1.2);
}

#[test]
fn the_correction_rises_from_the_last_service_to_this_one() {
    let service = Serviced {
        quantity: Quantity::DoMgL,
        from: at(0),
        to: at(200),
        fouling: 1.0,
        drift: -0.3,
        adopted: None,
        rejected: false,
    };
    near(service.correction(at(0)).unwrap(), 0.0);
    near(service.correction(at(50)).unwrap(), 0.175);
    near(service.correction(at(100)).unwrap(), 0.35);
    near(service.correction(at(200)).unwrap(), 0.7);
    assert_eq!(service.correction(at(-1)), None);
    assert_eq!(service.correction(at(201)), None);
}

#[test]
fn one_standard_sets_the_gain_and_two_set_both() {
    let mut session = Session::begin(at(0), RETURNS_AFTER, "technician");
    session.standards = alloc::vec![standard(Quantity::DoMgL, 7.56, 7.86)];
    let one = session.adjustment(Quantity::DoMgL).unwrap();
    near(one.gain, 0.9618);
    near(one.shift, 0.0);
    // 7.00 read as 7.10 and 10.01 as 9.90: 3.01 / 2.80, and 7.00 less 1.075 times 7.10.
    session.standards = alloc::vec![standard(Quantity::Ph, 10.01, 9.90), standard(Quantity::Ph, 7.00, 7.10)];
    let two = session.adjustment(Quantity::Ph).unwrap();
    near(two.gain, 1.075);
    near(two.shift, -0.6325);
    near(two.of(7.10), 7.00);
    near(two.of(9.90), 10.01);
    // Zero oxygen read as 0.2, saturation as 7.2 instead of 7.56: 7.56 / 7.0.
    session.standards =
        alloc::vec![standard(Quantity::DoMgL, 0.0, 0.2), standard(Quantity::DoMgL, 7.56, 7.2)];
    let both = session.adjustment(Quantity::DoMgL).unwrap();
    near(both.gain, 1.08);
    near(both.shift, -0.216);
    // One pH buffer alone shifts.
    session.standards = alloc::vec![standard(Quantity::Ph, 7.00, 7.15)];
    let shift = session.adjustment(Quantity::Ph).unwrap();
    near(shift.gain, 1.0);
    near(shift.shift, -0.15);
}

#[test]
fn a_later_adjustment_comes_after_the_earlier() {
    let first = Adjustment { gain: 2.0, shift: 1.0 };
    let second = Adjustment { gain: 0.5, shift: -0.25 };
    near(second.after(&first).of(3.0), 0.5 * (2.0 * 3.0 + 1.0) - 0.25);
    assert_eq!(Adjustment::default().of(0.123_456_789), 0.123_456_789, "nothing is rounded without one");
}

#[test]
fn an_electrode_is_judged_by_its_slope_and_its_offset() {
    near(nernst_mv_per_ph(25.0), 59.16);
    // 58.16 at 20 C: 59.16 x 293.15 / 298.15.
    near(nernst_mv_per_ph(20.0), 58.1679);
    let good = health(
        Quantity::Ph,
        &[standard(Quantity::Ph, 7.00, 7.10), standard(Quantity::Ph, 10.01, 9.90)],
        25.0,
    )
    .unwrap();
    // 2.80 / 3.01, and 0.10 of 59.16 mV at pH 7.
    near(good.slope_percent, 93.0233);
    near(good.offset_mv.unwrap(), -5.916);
    assert!(good.is_good);
    let mv = |expected, millivolts| InStandard {
        quantity: Quantity::Ph,
        expected,
        reading: expected,
        millivolts: Some(millivolts),
    };
    // 35 mV at pH 7, 205 mV at pH 4: 170 / 3 = 56.67 mV, 95.8 % of Nernst; the offset is too large.
    let worn = health(Quantity::Ph, &[mv(7.0, 35.0), mv(4.0, 205.0)], 25.0).unwrap();
    near(worn.slope_percent, 95.7854);
    near(worn.offset_mv.unwrap(), 35.0);
    assert!(!worn.is_good);
    // 50 mV per pH: 84.5 %.
    assert!(!health(Quantity::Ph, &[mv(7.0, 0.0), mv(4.0, 150.0)], 25.0).unwrap().is_good);
    assert_eq!(health(Quantity::Ph, &[mv(7.0, 0.0)], 25.0), None, "one buffer tells no slope");
    let cap = health(Quantity::DoMgL, &[standard(Quantity::DoMgL, 7.56, 5.9)], 25.0).unwrap();
    near(cap.slope_percent, 78.0423);
    assert!(!cap.is_good);
}

#[test]
fn standards_are_worth_what_tables_print() {
    near(buffer_ph(Buffer::Seven, 25.0).unwrap(), 7.00);
    near(buffer_ph(Buffer::Ten, 30.0).unwrap(), 9.97);
    near(buffer_ph(Buffer::Seven, 27.5).unwrap(), 6.995);
    near(buffer_ph(Buffer::Four, 40.0).unwrap(), 4.03);
    assert_eq!(buffer_ph(Buffer::Seven, 41.0), None);
    assert_eq!(buffer_ph(Buffer::Seven, f64::NAN), None);
    // Benson & Krause 1984 at 30 C and sea level: 7.56 in fresh water, 6.77 at 20 PSU.
    assert!((air_saturated_mg_l(30.0, 0.0, 1013.25).unwrap() - 7.56).abs() < 0.005);
    assert!((air_saturated_mg_l(30.0, 20.0, 1013.25).unwrap() - 6.77).abs() < 0.005);
    assert_eq!(air_saturated_mg_l(50.0, 0.0, 1013.25), None);
}

#[test]
fn readings_too_far_off_are_rejected_and_not_corrected() {
    for (quantity, error, value, rejected) in [
        (Quantity::DoMgL, 2.1, 5.0, true),
        (Quantity::DoMgL, -1.9, 5.0, false),
        // Of 12 mg/L a fifth is 2.4.
        (Quantity::DoMgL, 2.3, 12.0, false),
        (Quantity::DoMgL, 2.5, 12.0, true),
        (Quantity::Ph, 2.1, 8.0, true),
        (Quantity::SalinityPsu, 5.9, 20.0, false),
        (Quantity::SalinityPsu, -6.1, 20.0, true),
    ] {
        assert_eq!(is_rejected(quantity, error, value), rejected, "{} {error} of {value}", quantity.id());
    }
    assert!(should_adjust(Quantity::DoMgL, 0.31, 5.0) && !should_adjust(Quantity::DoMgL, 0.3, 5.0));
    assert!(
        should_adjust(Quantity::SalinityPsu, 0.7, 20.0) && !should_adjust(Quantity::SalinityPsu, 0.5, 20.0)
    );
}

fn refusal(session: &mut Session, step: Step) -> crate::said::Said {
    let before = session.clone();
    let refused = session.take(&step, at(1), |_| Some(7.0)).unwrap_err();
    assert_eq!(*session, before, "a refused step changes nothing");
    refused
}

#[test]
fn a_dirty_probe_is_not_calibrated_and_nonsense_is_not_adopted() {
    let quantity = Quantity::DoMgL;
    let mut session = Session::begin(at(0), RETURNS_AFTER, "technician");
    let in_air =
        |reading| Step::Standard { quantity, expected: 7.56, reading: Some(reading), millivolts: None };
    assert!(refusal(&mut session, in_air(7.3)).starts_with("a dirty probe is not calibrated"));
    assert!(refusal(&mut session, Step::After { quantity, hand: None, reading: None }).contains("clean it"));
    assert!(refusal(&mut session, Step::Adopt).starts_with("there is nothing to adopt"));
    session.take(&Step::Cleaned, at(1), |_| None).unwrap();
    assert!(
        refusal(&mut session, Step::Before { quantity, hand: None, reading: None })
            .contains("cleaned already")
    );
    let warm = Step::Standard {
        quantity: Quantity::TemperatureC,
        expected: 25.0,
        reading: Some(25.4),
        millivolts: None,
    };
    assert!(refusal(&mut session, warm).contains("checked, not adjusted"));
    let far = Step::After { quantity, hand: Some(900.0), reading: None };
    assert!(refusal(&mut session, far).contains("is accepted"));
    // Less than half the oxygen, or a probe that reads more than twice of it.
    session.take(&in_air(20.0), at(1), |_| None).unwrap();
    assert!(refusal(&mut session, Step::Adopt).contains("right unit"));
    session.take(&in_air(7.3), at(1), |_| None).unwrap();
    session.take(&Step::Adopt, at(1), |_| None).unwrap();
    assert!(refusal(&mut session, Step::Adopt).contains("adopted already"));
    // From then on it reads adjusted values, which stand beside nothing that was read before.
    for late in [in_air(7.5), Step::After { quantity, hand: None, reading: Some(5.1) }, Step::Cleaned] {
        assert!(refusal(&mut session, late).contains("put it back into the pond and end"), "{late:?}");
    }
}

proptest! {
    /// Whatever was found, nothing is corrected at the service before and everything at this one.
    #[test]
    fn the_spread_ends_where_it_must(fouling in -3.0..3.0_f64, drift in -3.0..3.0_f64, hours in 1_i64..5_000) {
        let service = Serviced {
            quantity: Quantity::Ph, from: at(0), to: at(hours), fouling, drift, adopted: None, rejected: false,
        };
        prop_assert_eq!(service.correction(at(0)), Some(0.0));
        prop_assert!((service.correction(at(hours)).unwrap() - (fouling + drift)).abs() < 1e-12);
    }
}
