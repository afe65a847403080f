//! The examples that the SDI-12 specification 1.4 prints, and bytes that nobody sends.

#![expect(clippy::approx_constant, reason = "the specification's own examples")]

use alloc::vec;

use proptest::prelude::*;

use super::*;

/// Sections 4.4.12.3 and 4.4.8.1: answers with the CRC that belongs to them.
#[test]
fn the_specifications_checksums_fit() {
    let answers: [(&str, &[f64]); 6] = [
        ("0+3.14OqZ", &[3.14]),
        ("0+3.14+2.718+1.414Ipz", &[3.14, 2.718, 1.414]),
        ("0+1.11+2.22+3.33+4.44+5.55+6.66I]q", &[1.11, 2.22, 3.33, 4.44, 5.55, 6.66]),
        ("0+7.77+8.88+9.99IvW", &[7.77, 8.88, 9.99]),
        ("0+3.14+2.718IWO", &[3.14, 2.718]),
        ("0AP@", &[]),
    ];
    for (text, values) in answers {
        let line = [text.as_bytes(), b"\r\n"].concat();
        assert_eq!(decode_data(&line, 0, b'0', true).as_deref(), Ok(values), "{text}");
        // Any one character changed, and it is refused.
        for place in 1..text.len() {
            let mut wrong = line.clone();
            wrong[place] ^= 0x01;
            assert!(decode_data(&wrong, 0, b'0', true).is_err(), "{text} with character {place} changed");
        }
    }
    // The catalogued check value of this CRC (CRC-16/ARC).
    assert_eq!(crc16(b"123456789"), 0xBB3D);
}

/// Sections 4.4.5 to 4.4.8.
#[test]
fn the_specifications_measurements_are_read() {
    let begun =
        |text: &[u8], command| decode_begun(text, command, b'0').map(|own| (own.ready_after_s, own.values));
    let measure = Command::Measure { number: 0, crc: false };
    for (text, told) in [(&b"00001\r\n"[..], (0, 1)), (b"00053\r\n", (5, 3)), (b"00359\r\n", (35, 9))] {
        assert_eq!(begun(text, measure), Ok(told));
    }
    assert_eq!(begun(b"0M!00101\r\n", measure), Ok((10, 1)), "behind the adapter's own echo");
    let concurrent = Command::Concurrent { number: 0, crc: true };
    assert_eq!(begun(b"001320\r\n", concurrent), Ok((13, 20)), "two digits for the count");
    assert!(matches!(begun(b"001320\r\n", measure), Err(Sdi12Error::Form { .. })));
    // What would be announced has the form of what is.
    let announce = |concurrent| Command::Announce { number: 1, concurrent };
    assert_eq!(begun(b"0IM1!00053\r\n", announce(false)), Ok((5, 3)));
    assert_eq!(begun(b"001320\r\n", announce(true)), Ok((13, 20)));
    assert_eq!(begun(b"10053\r\n", measure), Err(Sdi12Error::OtherAddress { found: b'1', asked: b'0' }));
    assert_eq!(begun(b"0005", measure), Err(Sdi12Error::NoEnd));
    assert!(is_service_request(b"0\r\n", b'0') && !is_service_request(b"1\r\n", b'0'));
    assert!(!is_service_request(b"00053\r\n", b'0'));
    assert_eq!(
        decode_data(b"\x000D0!0+3.14-2.5\r\n", 1, b'0', false).map_err(|_| ()),
        Err(()),
        "another page's echo"
    );
    assert_eq!(decode_data(b"0D0!0+3.14-2.5\r\n", 0, b'0', false), Ok(vec![3.14, -2.5]));
    assert_eq!(
        decode_data(b"\x000D0!\xff0+3.14\r\n", 0, b'0', false),
        Ok(vec![3.14]),
        "a break, its echo, noise"
    );
    assert!(is_acknowledged(b"0!0\r\n", b'0') && is_acknowledged(b"\x000\r\n", b'0'));
    assert!(!is_acknowledged(b"1\r\n", b'0') && !is_acknowledged(b"0+3.14\r\n", b'0'));
}

#[test]
fn commands_are_those_of_the_specification() {
    let text =
        |command: Command| command.encode(b'3').map(|bytes| bytes.iter().map(|b| char::from(*b)).collect());
    let measure = |number, crc| Command::Measure { number, crc };
    let concurrent = |number, crc| Command::Concurrent { number, crc };
    let describe =
        |number, concurrent, crc, position| Command::Describe { number, concurrent, crc, position };
    for (command, wanted) in [
        (Command::Acknowledge, "3!"),
        (Command::Identify, "3I!"),
        (measure(0, false), "3M!"),
        (measure(0, true), "3MC!"),
        (measure(9, false), "3M9!"),
        (measure(2, true), "3MC2!"),
        (concurrent(0, false), "3C!"),
        (concurrent(4, true), "3CC4!"),
        (Command::Data(9), "3D9!"),
        (Command::Announce { number: 1, concurrent: false }, "3IM1!"),
        (Command::Announce { number: 0, concurrent: true }, "3IC!"),
        (describe(0, false, false, 1), "3IM_001!"),
        (describe(9, false, true, 9), "3IMC9_009!"),
        (describe(0, true, true, 99), "3ICC_099!"),
        (describe(1, true, false, 12), "3IC1_012!"),
    ] {
        assert_eq!(text(command), Some(String::from(wanted)));
        assert_eq!(decode_command(wanted.as_bytes()), Some((b'3', command)), "and back");
    }
    assert_eq!((text(measure(10, false)), text(Command::Data(10))), (None, None));
    assert_eq!(text(Command::Announce { number: 10, concurrent: false }), None);
    assert_eq!((text(describe(0, false, false, 0)), text(describe(0, true, false, 100))), (None, None));
    let announced = Some((b'3', Command::Announce { number: 2, concurrent: false }));
    assert_eq!(decode_command(b"3IMC2!"), announced, "the answer is the same without a CRC");
    for not_one in [&b"3IM_01!"[..], b"3IM_0x1!", b"3IMX_001!", b"3I_001!"] {
        assert_eq!(decode_command(not_one), None);
    }
    assert_eq!(Command::Acknowledge.encode(b'?'), None, "the wild card is for one sensor alone on a line");
}

#[test]
fn what_is_no_value_is_refused_and_named() {
    for wrong in ["0+", "0+1+", "03.14", "0+1.2.3", "0+12345678", "0+1e3", "0+nan", "0+1 ", "0-X+2.5"] {
        let line = [wrong.as_bytes(), b"\r\n"].concat();
        assert!(matches!(decode_data(&line, 0, b'0', false), Err(Sdi12Error::Form { .. })), "{wrong}");
    }
    assert_eq!(decode_data(b"0\r\n", 0, b'0', false), Ok(Vec::new()), "an aborted measurement");
}

/// Section 4.4.2: widths of 2, 8, 6 and 3 characters, and up to 13 more.
#[test]
fn a_sensor_says_what_it_is() {
    let told = decode_identity(b"114BENCHINCPH-ONE2.5SERIAL0001\r\n", b'1').map(|own| (own.version, own));
    let (version, sensor) = told.expect("sound");
    assert_eq!((version, alloc::format!("{sensor}")), (14, String::from("BENCHINC PH-ONE 2.5 SERIAL0001")));
    for wrong in [
        &b"114BENCHINCPH-ONE2.\r\n"[..],
        b"1xxBENCHINCPH-ONE2.5\r\n",
        b"114BENCHINCPH-ONE2.512345678901234\r\n",
    ] {
        assert!(decode_identity(wrong, b'1').is_err());
    }
}

/// Section 6.2.4, as it stands there, the CRC included.
#[test]
fn the_specifications_descriptions_of_values_are_read() {
    let plain = Command::Describe { number: 0, concurrent: false, crc: false, position: 1 };
    let with_crc = Command::Describe { number: 0, concurrent: true, crc: true, position: 1 };
    let told = |line: &[u8], command| {
        decode_parameter(line, command, b'0')
            .map(|own| own.map(|own| (own.code, own.unit, own.more.join("|"))))
    };
    let text = |code: &str, unit: &str, more: &str| {
        Ok(Some((String::from(code), String::from(unit), String::from(more))))
    };
    assert_eq!(
        told(b"0,PR,mm,precipitation rate per day;\r\n", plain),
        text("PR", "mm", "precipitation rate per day")
    );
    let long = b"0,CU,degrees C,average air temperature,calibration data,40,1235;@|e\r\n";
    assert_eq!(
        told(long, with_crc),
        text("CU", "degrees C", "average air temperature|calibration data|40|1235")
    );
    assert_eq!(told(b"0IM_001!0,field1,field2,field3;\r\n", plain), text("field1", "field2", "field3"));
    // Without a unit a single space is recommended.
    assert_eq!(told(b"0,WP, ;\r\n", plain), text("WP", "", ""));
    // No such value: the address alone, with the CRC of section 4.4.8.1 where one was asked for.
    assert_eq!((told(b"0\r\n", plain), told(b"0AP@\r\n", with_crc)), (Ok(None), Ok(None)));
    for place in 1..long.len() - 2 {
        let mut wrong = long.to_vec();
        wrong[place] ^= 0x01;
        assert!(told(&wrong, with_crc).is_err(), "character {place} changed");
    }
    for wrong in [
        &b"0,WO;\r\n"[..],
        b"0,WO,mg/L\r\n",
        b"0+6.42\r\n",
        b"00012\r\n",
        b"0,,mg/L;\r\n",
        b"1,WO,mg/L;\r\n",
        b"0,WO,mg/L;x;\r\n",
    ] {
        assert!(told(wrong, plain).is_err(), "{wrong:?}");
    }
}

proptest! {
    #[test]
    fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..100), address: u8, page: u8) {
        let _ = decode_data(&bytes, page, address, true);
        let _ = decode_data(&bytes, page, address, false);
        let _ = decode_begun(&bytes, Command::Concurrent { number: page, crc: true }, address);
        let _ = decode_identity(&bytes, address);
        let _ = is_service_request(&bytes, address);
        let crc = page % 2 == 0;
        let describe = Command::Describe { number: page, concurrent: crc, crc, position: page };
        let _ = decode_parameter(&bytes, describe, address);
        let _ = decode_command(&bytes);
    }
}
