//! No flag silences danger: whatever a probe makes of low oxygen, somebody is told.

mod farm;

use farm::{Farm, at};
use pondreeve_core::effect::AlarmState;
use pondreeve_core::{Quantity, Span};
use proptest::prelude::*;

const NIGHT: i64 = 20 * 60;

/// What a probe can make of one minute of low water. None of it looks like good water.
#[derive(Debug, Clone, Copy)]
enum Said {
    Truth(f64),
    Again,
    Nothing,
    NotANumber,
    Impossible,
}

fn said() -> impl Strategy<Value = Said> {
    prop_oneof![
        6 => (-0.3..0.3_f64).prop_map(Said::Truth),
        4 => Just(Said::Again),
        2 => Just(Said::Nothing),
        1 => Just(Said::NotANumber),
        1 => Just(Said::Impossible),
    ]
}

fn is_told(farm: &Farm) -> bool {
    ["do-low-warn", "do-low-critical", "do-low-emergency", "do-blind-high", "do-blind-critical"]
        .iter()
        .any(|alarm| farm.state(&format!("p1.{alarm}")) != AlarmState::Normal)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Oxygen is at 2.5 mg/L or less from 22:00 on. Blindness is told after 10 and 20 minutes, low oxygen
    /// after at most 10: within 25 minutes something is, and it stays as long as the water is low.
    #[test]
    fn low_oxygen_is_told_whatever_the_probe_makes_of_it(
        low in 0.0..2.5_f64,
        before in prop::collection::vec(-0.4..0.4_f64, 120),
        during in prop::collection::vec(said(), 240),
    ) {
        let mut farm = Farm::start(NIGHT);
        for (minute, noise) in (NIGHT..).zip(&before) {
            farm.oxygen(minute, 5.5 + noise);
        }
        let from = NIGHT + 120;
        let mut last = low;
        for (minute, said) in (from..).zip(&during) {
            match *said {
                Said::Truth(noise) => {
                    last = (low + noise).max(0.0);
                    farm.oxygen(minute, last);
                }
                Said::Again => farm.oxygen(minute, last),
                Said::Nothing => farm.wake(minute),
                Said::NotANumber => farm.oxygen(minute, f64::NAN),
                Said::Impossible => farm.oxygen(minute, 61.0),
            }
            if minute - from >= 25 {
                prop_assert!(is_told(&farm), "nothing is told {} min after", minute - from);
            }
        }
    }
}

/// Stuck at a good value since 21:00: flat for 90 minutes fails, and failed for 20 minutes by night is
/// blindness, critical.
#[test]
fn a_probe_stuck_at_a_good_value_is_blindness_by_night() {
    let mut farm = Farm::start(NIGHT);
    for minute in NIGHT..NIGHT + 60 {
        farm.oxygen(minute, 6.0 + 0.1 * ((minute % 5) as f64));
    }
    for minute in NIGHT + 60..NIGHT + 60 + 125 {
        farm.oxygen(minute, 6.2);
    }
    let raised = farm.raised("p1.do-blind-critical");
    assert_eq!(raised.len(), 1);
    let after = raised[0] - at(NIGHT + 60);
    assert!(after >= Span::from_minutes(90) && after <= Span::from_minutes(111), "{after:?}");
    assert!(farm.flags(Quantity::DoMgL).iter().any(|flag| flag.code() == 3), "suspect after half an hour");
}
