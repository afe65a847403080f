//! Numbers in every order, and plans of requests.

use alloc::format;
use alloc::string::ToString;

use proptest::prelude::*;

use super::*;

const ORDERS: [WordOrder; 4] = [WordOrder::Abcd, WordOrder::Cdab, WordOrder::Badc, WordOrder::Dcba];
const NUMBERS: [Number; 5] = [Number::I16, Number::U16, Number::I32, Number::U32, Number::F32];

fn register(table: Table, address: u16, number: Number, order: WordOrder) -> Register {
    Register {
        channel: "do_mg_l".to_string(),
        table,
        address,
        number,
        order,
        scale: 1.0,
        offset: 0.0,
        unit: "mg/L".to_string(),
        no_value: Vec::new(),
        range: None,
    }
}

fn decode(number: Number, order: WordOrder, words: &[u16]) -> f64 {
    register(Table::Input, 0, number, order).decode(words).unwrap()
}

#[test]
fn numbers_are_read_in_every_order() {
    // 123456.0 as IEEE 754 single precision is 47 F1 20 00 (IEEE 754 by hand: 1.8837890625 × 2^16).
    assert_eq!(decode(Number::F32, WordOrder::Abcd, &[0x47F1, 0x2000]), 123_456.0);
    assert_eq!(decode(Number::F32, WordOrder::Cdab, &[0x2000, 0x47F1]), 123_456.0);
    assert_eq!(decode(Number::F32, WordOrder::Badc, &[0xF147, 0x0020]), 123_456.0);
    assert_eq!(decode(Number::F32, WordOrder::Dcba, &[0x0020, 0xF147]), 123_456.0);
    // −2 in two's complement.
    assert_eq!(decode(Number::I16, WordOrder::Abcd, &[0xFFFE]), -2.0);
    assert_eq!(decode(Number::I16, WordOrder::Badc, &[0xFEFF]), -2.0);
    assert_eq!(decode(Number::U16, WordOrder::Abcd, &[0xFFFE]), 65_534.0);
    assert_eq!(decode(Number::I32, WordOrder::Abcd, &[0xFFFF, 0xFFFE]), -2.0);
    assert_eq!(decode(Number::I32, WordOrder::Cdab, &[0xFFFE, 0xFFFF]), -2.0);
    assert_eq!(decode(Number::U32, WordOrder::Abcd, &[0x0001, 0x0002]), 65_538.0);
    assert_eq!(decode(Number::U32, WordOrder::Dcba, &[0x0200, 0x0100]), 65_538.0);
}

#[test]
fn scale_and_offset_are_applied_and_marks_for_no_value_are_not_values() {
    let mut ph = register(Table::Holding, 0, Number::U16, WordOrder::Abcd);
    (ph.scale, ph.offset, ph.no_value) = (0.01, -1.0, [65_535.0].into());
    assert_eq!(ph.decode(&[886]), Ok(886.0 * 0.01 - 1.0));
    assert_eq!(ph.decode(&[65_535]), Err(ValueError::NoValue { raw: 65_535.0 }));
    assert_eq!(ph.decode(&[]), Err(ValueError::NotRead { address: 0 }));
}

#[test]
fn nan_and_infinity_are_refused() {
    let float = register(Table::Input, 0, Number::F32, WordOrder::Abcd);
    for words in [[0x7FC0, 0], [0xFFC0, 1], [0x7F80, 0], [0xFF80, 0]] {
        let error = float.decode(&words).unwrap_err();
        assert!(matches!(error, ValueError::NotFinite { .. }), "{words:04x?}");
        assert!(format!("{error}").contains("not a finite number"));
    }
    let mut huge = float;
    huge.scale = f64::MAX;
    assert!(huge.decode(&[0x47F1, 0x2000]).is_err(), "scaling may not lead to infinity either");
}

#[test]
fn values_beyond_the_coding_are_not_sent() {
    for (number, value) in
        [(Number::U16, -1.0), (Number::U16, 65_536.0), (Number::I16, 32_768.0), (Number::F32, 1e39)]
    {
        let error = register(Table::Input, 0, number, WordOrder::Abcd).encode(value);
        assert!(matches!(error, Err(ValueError::DoesNotFit { .. })), "{number:?} {value}");
    }
    assert!(register(Table::Input, 0, Number::U16, WordOrder::Abcd).encode(f64::NAN).is_err());
}

fn plan(registers: &[(Table, u16, Number)], gap: u16) -> Vec<(Table, u16, u16, usize)> {
    let registers =
        registers.iter().map(|&(table, at, number)| register(table, at, number, WordOrder::Abcd)).collect();
    let map = RegisterMap { id: "x".into(), description: "y".into(), registers, gap };
    let blocks = map.plan().unwrap();
    blocks.iter().map(|block| (block.table, block.address, block.count, block.serves.len())).collect()
}

#[test]
fn neighbours_are_read_together_and_gaps_only_when_allowed() {
    use Number::{F32, U16};
    use Table::{Holding, Input};
    let map = [(Input, 4, F32), (Input, 0, F32), (Input, 2, U16), (Holding, 3, U16), (Input, 100, U16)];
    assert_eq!(plan(&map, 0), [(Holding, 3, 1, 1), (Input, 0, 3, 2), (Input, 4, 2, 1), (Input, 100, 1, 1)]);
    assert_eq!(plan(&map, 1), [(Holding, 3, 1, 1), (Input, 0, 6, 3), (Input, 100, 1, 1)]);
    assert_eq!(plan(&[(Input, 0, U16), (Input, 125, U16)], 200), [(Input, 0, 1, 1), (Input, 125, 1, 1)]);
    assert_eq!(plan(&[(Input, 0, U16), (Input, 124, U16)], 200), [(Input, 0, 125, 2)]);
    assert_eq!(plan(&[(Input, 65_534, F32)], 0), [(Input, 65_534, 2, 1)]);
    assert_eq!(plan(&[(Input, 5, F32), (Input, 5, U16)], 0), [(Input, 5, 2, 2)], "one inside another");
}

#[test]
fn a_number_past_the_last_register_is_an_error() {
    let past = register(Table::Input, 65_535, Number::F32, WordOrder::Abcd);
    let map = RegisterMap { id: "x".into(), description: "y".into(), registers: [past].into(), gap: 0 };
    assert_eq!(
        map.plan().unwrap_err().to_string(),
        "`do_mg_l` at register 65535 needs 2 registers, the last register is 65535"
    );
}

proptest! {
    #[test]
    fn any_words_give_a_finite_value_or_an_error(
        words in prop::collection::vec(any::<u16>(), 0..4),
        (number, order) in (0..5_usize, 0..4_usize),
        (scale, offset) in (any::<f64>(), any::<f64>()),
    ) {
        let mut register = register(Table::Input, 0, NUMBERS[number], ORDERS[order]);
        (register.scale, register.offset) = (scale, offset);
        if let Ok(value) = register.decode(&words) {
            prop_assert!(value.is_finite());
        }
    }

    #[test]
    fn what_a_simulated_probe_sends_is_read_back_to_its_resolution(
        value in -300.0..20.0_f64,
        (number, order) in (0..5_usize, 0..4_usize),
    ) {
        let mut register = register(Table::Input, 0, NUMBERS[number], ORDERS[order]);
        (register.scale, register.offset) = (0.01, -300.0);
        let words = register.encode(value).unwrap();
        prop_assert_eq!(words.len(), usize::from(register.number.registers()));
        let back = register.decode(&words).unwrap();
        prop_assert!((back - value).abs() <= 0.005 + 1e-4, "{} {}", back, value);
    }

    #[test]
    fn every_register_is_served_once_from_within_its_block(
        addresses in prop::collection::vec((any::<bool>(), any::<u16>(), 0..5_usize), 1..40),
        gap in 0..100_u16,
    ) {
        let registers: Vec<Register> = addresses
            .iter()
            .map(|&(input, address, number)| {
                let table = if input { Table::Input } else { Table::Holding };
                register(table, address.min(65_534), NUMBERS[number], WordOrder::Abcd)
            })
            .collect();
        let map = RegisterMap { id: "x".into(), description: "y".into(), registers, gap };
        let blocks = map.plan().unwrap();
        let mut served = alloc::vec![0; map.registers.len()];
        for block in &blocks {
            prop_assert!((1..=REGISTERS_MAX).contains(&block.count));
            prop_assert!(u32::from(block.address) + u32::from(block.count) <= 65_536);
            let answer = alloc::vec![0_u16; usize::from(block.count)];
            for &i in &block.serves {
                served[i] += 1;
                prop_assert_eq!(block.table, map.registers[i].table);
                prop_assert!(block.words(&map.registers[i], &answer).is_some());
            }
        }
        prop_assert!(served.iter().all(|&times| times == 1));
    }
}
