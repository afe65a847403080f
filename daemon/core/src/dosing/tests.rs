//! Doses planned by hand, and each reason against one.

use alloc::boxed::Box;

use super::*;

const SUNRISE: Timestamp = Timestamp(10 * 86_400_000 + 6 * 3_600_000);

fn at(hours: f64) -> Timestamp {
    SUNRISE + Span::from_millis((hours * 3_600_000.0) as i64)
}

fn seen(value: f64) -> Option<Seen> {
    Some(Seen { value, at: at(0.0), flag: Flag::Pass })
}

fn ask(dose: f64) -> DoseAsk {
    DoseAsk {
        dose,
        basis: Basis::SlurryMass,
        basis_is_said: true,
        slurry: Slurry::new(60.0, 1.53).unwrap(),
        container_kg: Some(25.0),
        in_crop: true,
    }
}

/// An hour after sunrise: pH 7.9 and 8.2 on the afternoon before, oxygen rising, kit values of the day.
fn morning() -> DoseWater<'static> {
    let mut day = Window::default();
    day.add(at(9.5 - 24.0), 8.2);
    DoseWater {
        volume_m3: 7_500.0,
        temperature_c: seen(29.0),
        salinity_psu: 18.0,
        ph: seen(7.9),
        alkalinity: seen(110.0),
        tan: seen(0.9),
        magnesium: None,
        oxygen: seen(4.8),
        running: (2, 3),
        ph_day: Some(Box::leak(Box::new(day))),
        temperature_day: None,
        last_dose: None,
        stocked: Some(at(-58.0 * 24.0)),
        disturbed: None,
        night: Night::Between { sunset: SUNRISE - Span::from_hours(12), sunrise: SUNRISE },
        now: at(1.0),
    }
}

fn words(plan: &DosePlan) -> Vec<&str> {
    plan.objections.iter().map(|objection| objection.words.english()).collect()
}

/// By hand: 4 mg/L in 7,500 m3 is 30.0 kg, at 1.53 kg/L 19.6 L, 1.2 containers of 25 kg, 2.4 mg/L of
/// Mg(OH)2, 2.4 x 100.09 / 58.32 = 4.12 mg/L of alkalinity.
#[test]
fn a_good_morning_has_no_objection() {
    let plan = plan(&ask(4.0), &morning());
    assert_eq!(words(&plan), [""; 0]);
    assert_eq!(plan.earliest, Some(at(1.0)));
    assert!((plan.amount.slurry_kg - 30.0).abs() < 1e-9 && (plan.amount.slurry_l - 19.61).abs() < 0.01);
    assert!((plan.amount.alkalinity_added_mg_l - 4.12).abs() < 0.01);
    let (containers, opened) = plan.containers.unwrap();
    assert!((containers - 1.2).abs() < 1e-9 && opened == 2.0);
    let preview = plan.preview.unwrap();
    assert!(preview.ph_after_mixing > 7.9 && preview.ph_after_mixing < 8.2, "{preview:?}");
    let [without, with] = preview.nh3.unwrap();
    assert!(with.peak_mg_l > without.peak_mg_l);
    assert!(preview.h2s_share.1 < preview.h2s_share.0, "less of it is H2S at a higher pH");
}

/// Each thing that speaks against it, alone.
#[test]
fn each_reason_is_said() {
    type Case<'a> = (&'a str, &'a dyn Fn(&mut DoseWater<'_>));
    let cases: [Case<'_>; 14] = [
        ("pH 8.60 (limit 8.5)", &|water| (water.ph, water.tan) = (seen(8.6), seen(0.1))),
        ("pH is not known", &|water| water.ph = None),
        ("the pH reading is suspect", &|water| {
            water.ph = Some(Seen { flag: Flag::Suspect, ..seen(7.9).unwrap() });
        }),
        ("TAN was tested 2 days ago", &|water| {
            water.tan = Some(Seen { at: at(-48.0), ..seen(0.9).unwrap() });
        }),
        ("alkalinity is not known", &|water| water.alkalinity = None),
        ("the temperature is not known", &|water| water.temperature_c = None),
        ("oxygen 3.9 mg/L (at least 4)", &|water| water.oxygen = seen(3.9)),
        ("oxygen is not observed", &|water| water.oxygen = None),
        ("no aerator runs", &|water| water.running = (0, 3)),
        ("dosed 4 days ago", &|water| water.last_dose = Some(at(1.0 - 96.0))),
        ("not the hour for it", &|water| water.now = at(9.5)),
        ("no pH of the last afternoon is known", &|water| water.ph_day = None),
        ("no pH of the last afternoon is known", &|water| {
            // Half an hour before sunrise: of the afternoon that tells nothing.
            let mut day = Window::default();
            day.add(at(-0.5), 7.8);
            water.ph_day = Some(Box::leak(Box::new(day)));
        }),
        ("a moult or another disturbance was entered (entry 7)", &|water| {
            water.disturbed = Some((7, at(9.0)));
        }),
    ];
    for (said, change) in cases {
        let mut water = morning();
        change(&mut water);
        let plan = plan(&ask(4.0), &water);
        assert!(plan.objections.len() == 1, "{said}: {:?}", plan.objections);
        assert!(plan.objections[0].words.contains(said), "{said}: {:?}", plan.objections);
    }
    let plan = plan(&ask(6.0), &morning());
    assert!(plan.objections[0].words.starts_with("6.0 mg/L of slurry in one dose; 5 is the most"));
    assert_eq!(plan.earliest, None, "no morning makes it less");
}

/// TAN 2.2 mg/L at pH 8.4: both rules of ammonia.
#[test]
fn ammonia_speaks_against_it() {
    let mut water = morning();
    (water.tan, water.ph) = (seen(2.2), seen(8.4));
    let plan = plan(&ask(4.0), &water);
    let said = words(&plan).join("; ");
    assert!(said.contains("TAN 2.2 mg/L at pH 8.40 (above 2 only below pH 8.3)"), "{said}");
    assert!(said.contains("predicted peak NH3-N") && said.contains("predicted mean NH3-N"), "{said}");
}

/// The afternoon's pH of the day before makes the peak, not the morning's.
#[test]
fn the_days_curve_makes_the_peak() {
    let mut day = Window::default();
    for minute in (0..24 * 60).step_by(10) {
        let hour = f64::from(minute) / 60.0;
        // Lowest at sunrise, highest nine hours later.
        let ph = 8.25 - 0.45 * libm::cos((hour - 1.0) / 24.0 * core::f64::consts::TAU);
        day.add(at(1.0 - 24.0) + Span::from_minutes(i64::from(minute)), ph);
    }
    let mut water = morning();
    (water.ph_day, water.tan) = (Some(&day), seen(0.6));
    let plan = plan(&ask(4.0), &water);
    let preview = plan.preview.unwrap();
    assert!((preview.hours_known - 24.0).abs() < 0.6, "{preview:?}");
    let [without, with] = preview.nh3.unwrap();
    assert!(without.peak_mg_l > 1.5 * without.mean_mg_l, "{without:?}");
    assert!(with.mean_mg_l > without.mean_mg_l && with.peak_mg_l < 0.30, "{with:?}");
    assert_eq!(words(&plan), [""; 0]);
}

/// Whether shrimp are in the pond the diary says, not who asks; and what ppm count is asked, not guessed.
#[test]
fn shrimp_in_the_pond_and_an_unsaid_basis_speak_against_it() {
    let before = DoseAsk { in_crop: false, ..ask(20.0) };
    let said = plan(&before, &morning());
    let said = words(&said).join("; ");
    assert!(said.contains("by the diary shrimp were stocked 58 days ago: this is no dose before"), "{said}");
    assert!(said.contains("20.0 mg/L of slurry in one dose; 5 is the most"), "{said}");
    let empty = DoseWater { stocked: None, tan: seen(0.1), ..morning() };
    assert_eq!(words(&plan(&before, &empty)), [""; 0]);
    let unsaid = DoseAsk { basis_is_said: false, ..ask(4.0) };
    let said = plan(&unsaid, &morning());
    assert_eq!(words(&said), ["what 4 ppm counts is not said: name the lot, or the basis by its label"]);
}

/// 5 mg/L is accepted in a pond of any size; 5 x 1,173.7 / 1,000 / 1,173.7 x 1,000 comes out above 5 in binary.
#[test]
fn five_is_not_more_than_five() {
    let volumes = (1..2_000).map(|step| f64::from(step) * 7.7);
    let above: Vec<f64> = volumes.clone().filter(|v| 5.0 * v / 1_000.0 / v * 1_000.0 > 5.0).collect();
    assert!(!above.is_empty(), "the trap is there");
    for volume_m3 in volumes {
        let water = DoseWater { volume_m3, tan: seen(0.1), ..morning() };
        assert_eq!(words(&plan(&ask(5.0), &water)), [""; 0], "{volume_m3}");
    }
}

#[test]
fn the_earliest_good_morning_is_said() {
    // Afternoon: the next morning, a quarter of an hour after sunrise.
    let mut water = morning();
    water.night = Night::Between { sunset: at(12.0), sunrise: at(24.0) };
    water.now = at(9.5);
    let when = |water: &DoseWater<'_>| plan(&ask(4.0), water).earliest;
    assert_eq!(when(&water), Some(at(24.25)));
    // Dosed yesterday morning: the fifth morning after that.
    water.last_dose = Some(at(0.5 - 24.0));
    assert_eq!(when(&water), Some(at(96.25 + 24.0)));
    // Upset until the morning after: the day after that.
    (water.last_dose, water.disturbed) = (None, Some((7, at(30.0))));
    assert_eq!(when(&water), Some(at(48.25)));
    // Before a kit value is there, no morning can be named.
    water.tan = None;
    assert_eq!(when(&water), None);
}

/// 30 °C, 20 PSU, alkalinity 120, pH 8.0 all day: 4.0 mg/L of solids make NH3 1.6 times as much by the table of the
/// trade, 12 mg/L 2.9 times. Of TAN 6.5 % is NH3 (Bell 2008), so that 1.1 mg/L of it come to 0.072 mg/L, and with
/// 4.0 mg/L to 0.115; the mean may be 0.12.
fn closed_water(tan: f64, ph: f64) -> DoseWater<'static> {
    let mut day = Window::default();
    for minute in (0..24 * 60).step_by(10) {
        day.add(at(1.0 - 24.0) + Span::from_minutes(minute), ph);
    }
    DoseWater {
        temperature_c: seen(30.0),
        salinity_psu: 20.0,
        ph: seen(ph),
        alkalinity: seen(120.0),
        tan: seen(tan),
        ph_day: Some(Box::leak(Box::new(day))),
        stocked: None,
        ..morning()
    }
}

#[test]
fn the_largest_dose_inside_the_limits_is_named() {
    let ask = |dose| DoseAsk { basis: Basis::SolidsMass, in_crop: false, ..ask(dose) };
    let water = closed_water(1.1, 8.0);
    let plan = plan(&ask(12.0), &water);
    assert!(words(&plan).iter().all(|own| own.starts_with("predicted ")), "{:?}", words(&plan));
    assert_eq!(plan.earliest, None, "of the dose that was asked for");
    let within = plan.within.unwrap();
    assert!((within.dose.unwrap() - 4.0).abs() <= 0.5, "{within:?}");
    assert_eq!(within.earliest, Some(at(1.0)), "that one now");
    // 0.12 / (2.9 x 0.065) = 0.64, as good as a table with two digits is.
    assert!((within.tan_at_most_mg_l - 0.6).abs() < 0.11, "{within:?}");
    // 0.072 x 2.9 is 1.74 times what may be: the logarithm of it is 0.24; and by the table half a unit lower before is
    // 0.35 lower after, so that it takes more than that before.
    let lower = within.ph_lower_by.unwrap();
    assert!(lower > 0.24 / 0.7 && lower < 1.0, "{within:?}");
    let by_ph = |lower| super::plan(&ask(12.0), &closed_water(1.1, 8.0 - lower)).within.is_none();
    assert!(by_ph(lower) && !by_ph(lower - 0.06));
    // What is named passes; a step more does not.
    let again = |dose| super::plan(&ask(dose), &water).objections.len();
    assert_eq!((again(within.dose.unwrap()), again(within.dose.unwrap() + 0.5)), (0, 1));
}

/// 2.5 mg/L of TAN are 0.165 mg/L of NH3 without any dose; inside the limits nothing is named; and in a crop no more
/// than 5 mg/L of slurry, 3 of solids, are.
#[test]
fn no_dose_at_all_and_no_need_for_less() {
    let over = plan(&ask(4.0), &closed_water(2.5, 8.0)).within.unwrap();
    assert_eq!((over.dose, over.earliest), (None, None));
    assert!(plan(&ask(4.0), &closed_water(0.5, 8.0)).within.is_none());
    let crop = DoseAsk { basis: Basis::SolidsMass, ..ask(12.0) };
    let crop = plan(&crop, &DoseWater { stocked: Some(at(-58.0 * 24.0)), ..closed_water(1.1, 8.0) });
    let within = crop.within.unwrap();
    assert_eq!((within.dose, within.earliest), (Some(3.0), Some(at(1.0))), "{:?}", words(&crop));
    // Dosed half an hour after sunrise yesterday: a quarter of an hour after it five days later is too soon.
    let late = DoseWater { last_dose: Some(at(0.5 - 24.0)), ..closed_water(1.1, 8.0) };
    let late = DoseWater { night: Night::Between { sunset: at(12.0), sunrise: at(24.0) }, ..late };
    let asked = DoseAsk { basis: Basis::SolidsMass, in_crop: false, ..ask(12.0) };
    assert_eq!(plan(&asked, &late).within.unwrap().earliest, Some(at(120.25)));
}

/// The afternoon's peak binds: 0.9 mg/L of TAN at pH 8.9, where 30 to 40 % is NH3, is 0.27 to 0.36 alone.
#[test]
fn the_peak_binds_as_well_as_the_mean() {
    let mut day = Window::default();
    for minute in (0..24 * 60).step_by(10) {
        let ph = if minute < 120 { 8.9 } else { 7.8 };
        day.add(at(8.0 - 24.0) + Span::from_minutes(minute), ph);
    }
    let water = DoseWater {
        ph_day: Some(&day),
        tan: seen(0.9),
        ph: seen(7.8),
        now: at(1.0),
        ..closed_water(0.9, 8.0)
    };
    let asked = DoseAsk { basis: Basis::SolidsMass, in_crop: false, ..ask(20.0) };
    let plan = plan(&asked, &water);
    assert!(words(&plan).iter().any(|own| own.starts_with("predicted peak")), "{:?}", words(&plan));
    let dose = plan.within.unwrap().dose;
    // 0.9 x 0.3 x 1.1 is 0.30: by the table pH 8.5 rises so with less than 2.4 mg/L, pH 9 with less than 4.
    assert!(dose.is_none_or(|dose| dose < 4.0), "{dose:?}");
}
