//! Published frames, hand-written faults, and any bytes at all.

use alloc::vec;

use proptest::prelude::*;

use super::*;

/// Application protocol specification V1.1b3, section 6.3, with unit 17 and its CRC around it.
const HOLDING: ReadRequest = ReadRequest { unit: 0x11, table: Table::Holding, address: 0x6B, count: 3 };
const HOLDING_REQUEST: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
const HOLDING_ANSWER: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];
/// Section 6.4, with unit 1.
const INPUT: ReadRequest = ReadRequest { unit: 1, table: Table::Input, address: 8, count: 1 };
const INPUT_REQUEST: [u8; 8] = [0x01, 0x04, 0x00, 0x08, 0x00, 0x01, 0xB0, 0x08];
const INPUT_ANSWER: [u8; 7] = [0x01, 0x04, 0x02, 0x00, 0x0A, 0x39, 0x37];

#[test]
fn crc_gives_the_published_values() {
    // Serial line guide V1.02, appendix B: 02 07 is followed by 41 12.
    assert_eq!(crc16(&[0x02, 0x07]), 0x1241);
    // Check value of CRC-16/MODBUS in the catalogue of parametrised CRC algorithms.
    assert_eq!(crc16(b"123456789"), 0x4B37);
}

#[test]
fn requests_are_the_published_bytes() {
    assert_eq!(HOLDING.encode(), HOLDING_REQUEST);
    assert_eq!(INPUT.encode(), INPUT_REQUEST);
    assert_eq!(decode_request(&HOLDING_REQUEST), Some(Request::Read(HOLDING)));
    assert_eq!(decode_request(&INPUT_REQUEST), Some(Request::Read(INPUT)));
}

#[test]
fn answers_are_the_published_bytes() {
    assert_eq!(HOLDING.decode_answer(&HOLDING_ANSWER), Ok(vec![0x022B, 0, 0x64]));
    assert_eq!(INPUT.decode_answer(&INPUT_ANSWER), Ok(vec![0x000A]));
    assert_eq!(encode_registers(&HOLDING, &[0x022B, 0, 0x64]), HOLDING_ANSWER);
    assert_eq!(encode_registers(&INPUT, &[0x000A]), INPUT_ANSWER);
}

#[test]
fn an_exception_is_told_with_its_name() {
    let frame = [0x11, 0x83, 0x02, 0xC1, 0x34];
    let error = HOLDING.decode_answer(&frame).unwrap_err();
    assert_eq!(error, AnswerError::Exception(2));
    assert_eq!(alloc::format!("{error}"), "the probe refused with Modbus exception 2 (illegal data address)");
    assert_eq!(encode_exception(0x11, 3, Exception::IllegalDataAddress), frame);
}

#[test]
fn every_check_refuses_what_it_is_there_for() {
    let check = |request: &ReadRequest, frame: &[u8], expected| {
        assert_eq!(request.decode_answer(frame), Err(expected), "{frame:02x?}");
        assert_eq!(request.find_answer(frame), Found::NotYet, "{frame:02x?}");
    };
    let other_unit = ReadRequest { unit: 0x12, ..HOLDING };
    check(&other_unit, &HOLDING_ANSWER, AnswerError::OtherUnit { found: 0x11, asked: 0x12 });
    let other_table = ReadRequest { table: Table::Input, ..HOLDING };
    check(&other_table, &HOLDING_ANSWER, AnswerError::OtherFunction { found: 3, asked: 4 });
    let other_count = ReadRequest { count: 2, ..HOLDING };
    check(&other_count, &HOLDING_ANSWER, AnswerError::ByteCount { found: 6, wanted: 4 });
    let mut flipped = HOLDING_ANSWER;
    flipped[4] ^= 0x10;
    check(&HOLDING, &flipped, AnswerError::Crc { found: 0xBAC8, computed: crc16(&flipped[..9]) });
    check(&HOLDING, &HOLDING_ANSWER[..3], AnswerError::Short { found: 3, wanted: 11 });
    // A count that promises more than the frame holds, with a CRC that fits.
    let mut cut = vec![0x11, 0x03, 0x06, 0x02, 0x2B];
    push_crc(&mut cut);
    check(&HOLDING, &cut, AnswerError::ByteCount { found: 2, wanted: 6 });
}

#[test]
fn an_answer_is_found_behind_echo_noise_and_another_units_answer() {
    let other = encode_registers(&ReadRequest { unit: 9, ..HOLDING }, &[7, 7, 7]);
    let line = [&HOLDING_REQUEST[..], &[0x00, 0xFF, 0x11], &other, &HOLDING_ANSWER].concat();
    let start = line.len() - HOLDING_ANSWER.len();
    assert_eq!(
        HOLDING.find_answer(&line),
        Found::Registers { registers: vec![0x022B, 0, 0x64], start, end: line.len() }
    );
    assert_eq!(HOLDING.find_answer(&line[..line.len() - 1]), Found::NotYet);
    assert_eq!(HOLDING.find_answer(&HOLDING_REQUEST), Found::NotYet, "an echo is no answer");
}

#[test]
fn a_slave_answers_what_it_has_and_refuses_the_rest() {
    let register = |table, address| match (table, address) {
        (Table::Holding, 0x6B) => Some(0x022B),
        (Table::Holding, 0x6C) => Some(0),
        (Table::Holding, 0x6D) => Some(0x64),
        _ => None,
    };
    assert_eq!(answer(&Request::Read(HOLDING), register), HOLDING_ANSWER);
    let refusal = |request, code| {
        let frame = answer(&request, register);
        assert_eq!(frame[2], code, "{frame:02x?}");
        assert!(crc_fits(&frame));
    };
    refusal(Request::Read(ReadRequest { count: 4, ..HOLDING }), 2);
    refusal(Request::Read(ReadRequest { address: u16::MAX, count: 2, ..HOLDING }), 2);
    refusal(Request::Read(ReadRequest { count: 0, ..HOLDING }), 3);
    refusal(Request::Read(ReadRequest { count: 126, ..HOLDING }), 3);
    refusal(Request::Other { unit: 17, function: 6 }, 1);
}

#[test]
fn a_slave_finds_requests_in_a_stream() {
    let line = [&[0x00, 0xFF][..], &HOLDING_REQUEST, &INPUT_REQUEST[..5]].concat();
    assert_eq!(take_request(&line), (Some(Request::Read(HOLDING)), 10));
    assert_eq!(take_request(&line[10..]), (None, 0), "the rest may still come");
    // Function 16 carries its own length: application protocol specification, section 6.12.
    let mut write = vec![0x11, 0x10, 0x00, 0x01, 0x00, 0x02, 0x04, 0x00, 0x0A, 0x01, 0x02];
    push_crc(&mut write);
    assert_eq!(take_request(&write), (Some(Request::Other { unit: 0x11, function: 16 }), 13));
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), count in any::<u16>()) {
        let request = ReadRequest { count, ..HOLDING };
        let _ = request.decode_answer(&bytes);
        let _ = request.find_answer(&bytes);
        let _ = request.explain(&bytes);
        let _ = decode_request(&bytes);
        let (_, taken) = take_request(&bytes);
        prop_assert!(taken <= bytes.len());
    }

    #[test]
    fn one_or_two_flipped_bits_never_pass(first in 0..88_usize, second in 0..88_usize) {
        let mut frame = HOLDING_ANSWER;
        frame[first / 8] ^= 1 << (first % 8);
        if second != first {
            frame[second / 8] ^= 1 << (second % 8);
        }
        let passed = matches!(HOLDING.find_answer(&frame), Found::Registers { .. });
        prop_assert!(!passed);
    }

    #[test]
    fn noise_in_front_does_not_hide_the_answer(
        noise in prop::collection::vec(any::<u8>(), 0..64),
        registers in prop::collection::vec(any::<u16>(), 3),
    ) {
        let line = [noise, encode_registers(&HOLDING, &registers)].concat();
        match HOLDING.find_answer(&line) {
            Found::Registers { registers: found, .. } => prop_assert_eq!(found, registers),
            other => prop_assert!(false, "{:?}", other),
        }
    }
}
