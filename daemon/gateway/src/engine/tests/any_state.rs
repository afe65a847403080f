//! States of any kind go through a checkpoint's bytes and go on as if they had not.

use proptest::prelude::*;

use super::*;

fn event(kind: u8, bits: u64, small: i32) -> Event {
    match kind {
        0 => oxygen(f64::from_bits(bits)),
        1..=5 => oxygen(f64::from(small % 1_500) / 100.0),
        6 => Event::ManualSample {
            pond: PondIndex(0),
            quantity: Quantity::TanMgL,
            value: f64::from(small % 50) / 10.0,
            taken_at: None,
            by: "ana".to_owned(),
        },
        7 => Event::Acknowledge { alarm: "pond.do-low-critical".to_owned(), by: "ana".to_owned() },
        8 => Event::Stopped,
        _ => Event::GatewayFault {
            part: GatewayPart::Bus,
            which: "a".to_owned(),
            detail: (small % 2 == 0).then(|| "gone".to_owned()),
        },
    }
}

/// Ten days of a reading each five minutes: what is remembered of farm days, and the one that is on.
#[test]
fn farm_days_go_on_from_their_bytes() {
    let site = farm(Path::new("/")).site;
    let (mut lived, mut effects) = (State::new(), Vec::new());
    lived.step(&Input { seq: 1, at: EVENING, event: Event::Started { site } }, &mut effects);
    let mut resumed: Option<State> = None;
    for step in 1..10 * 288_u32 {
        let at = EVENING + Span::from_minutes(i64::from(step) * 5);
        let value = 7.0 + 3.0 * (f64::from(step) / 288.0 * std::f64::consts::TAU).sin();
        let input = Input { seq: u64::from(step) + 1, at, event: oxygen(value) };
        if step == 2_000 {
            let bytes = postcard::to_stdvec(&lived).unwrap();
            resumed = Some(postcard::from_bytes(&bytes).unwrap());
        }
        lived.step(&input, &mut effects);
        if let Some(state) = &mut resumed {
            state.step(&input, &mut Vec::new());
        }
    }
    assert!(lived.view().ponds[0].turnover.is_some(), "farm days were closed");
    assert!(resumed.unwrap() == lived);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Wherever a state is written and read again, it is the same and goes on the same.
    #[test]
    fn goes_on_from_its_bytes(
        steps in proptest::collection::vec((0_u8..10, any::<u64>(), 0_i32..100_000, 1_i64..4_000), 1..120),
        cut in 0_usize..120,
    ) {
        let site = farm(Path::new("/")).site;
        let mut at = EVENING;
        let mut inputs = vec![Input { seq: 1, at, event: Event::Started { site } }];
        for (kind, bits, small, seconds) in steps {
            at = at + Span::from_secs(seconds);
            inputs.push(Input { seq: inputs.len() as u64 + 1, at, event: event(kind, bits, small) });
        }
        let (mut lived, mut effects) = (State::new(), Vec::new());
        let mut resumed: Option<(State, Vec<Effect>)> = None;
        for (place, input) in inputs.iter().enumerate() {
            if place == cut % inputs.len() {
                let bytes = postcard::to_stdvec(&lived).unwrap();
                let again: State = postcard::from_bytes(&bytes).unwrap();
                prop_assert!(again == lived);
                resumed = Some((again, effects.clone()));
            }
            lived.step(input, &mut effects);
            if let Some((state, effects)) = &mut resumed {
                state.step(input, effects);
            }
        }
        let (state, same) = resumed.unwrap();
        prop_assert!(state == lived);
        // Debug prints NaN as itself, which comparing does not.
        prop_assert_eq!(format!("{same:?}"), format!("{effects:?}"));
    }
}
