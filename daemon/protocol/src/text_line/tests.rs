//! Lines as they are printed in descriptions of NMEA 0183, hand-made ones, and bytes that nobody sends.

use alloc::vec;

use proptest::prelude::*;

use super::*;

fn reported(channel: &str, scale: f64) -> Reported {
    Reported {
        channel: channel.into(),
        scale,
        offset: 0.0,
        unit: String::new(),
        no_value: vec![-99.0],
        range: None,
    }
}

fn map(pattern: &str, checksum: Checksum, values: &[(&str, &str)]) -> LineMap {
    LineMap {
        id: "x".into(),
        description: String::new(),
        ask: Some(b"R\r".to_vec()),
        end: b"\r\n".to_vec(),
        longest: 60,
        checksum,
        pattern: Pattern::new(pattern).expect("sound"),
        values: values.iter().map(|(name, channel)| ((*name).into(), reported(channel, 1.0))).collect(),
        example: String::new(),
    }
}

#[test]
fn a_simulated_probe_writes_what_is_read() {
    let mut map = map(
        r"\$OX,(?P<ox>-?\d+\.\d+);(?P<temp>\d+)",
        Checksum::Xor,
        &[("temp", "temperature_c"), ("ox", "do_mg_l")],
    );
    map.example = "$OX,6.42;29".into();
    let line = map.write(&[("do_mg_l", 10.257), ("temperature_c", 7.4)]).expect("it fits");
    assert_eq!(line, b"$OX,10.26;7*1C\r\n", "checksum worked out by hand");
    let values = map.read(line.strip_suffix(b"\r\n").expect("its end"));
    assert_eq!(values, Ok(vec![("temperature_c".into(), Ok(7.0)), ("do_mg_l".into(), Ok(10.26))]));
    map.example = "OX".into();
    assert_eq!(map.write(&[]), None);
}

/// Sentences with their checksums, as commonly printed to explain NMEA 0183.
#[test]
fn known_checksums_fit() {
    for (text, check) in [
        ("$GPGLL,5300.97914,N,00259.98174,E,125926,A", 0x28),
        ("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    ] {
        assert_eq!(xor(text.as_bytes()), check, "{text}");
    }
}

#[test]
fn a_line_is_read_whole_or_not_at_all() {
    let map = map(
        r"OX (?P<ox>[+-]?\d+\.\d\d) (?P<temp>\d+\.\d)",
        Checksum::None,
        &[("ox", "do_mg_l"), ("temp", "temperature_c")],
    );
    let read = |line: &[u8]| map.read(line).ok().map(|v| v.into_iter().filter_map(|(_, v)| v.ok()).collect());
    assert_eq!(read(b"OX 6.42 28.9"), Some(vec![6.42, 28.9]));
    assert_eq!(read(b"R\rOX 6.42 28.9"), Some(vec![6.42, 28.9]), "behind the adapter's own echo");
    for wrong in [
        &b"OX 6.42 28"[..],
        b"X 6.42 28.9",
        b"OX 6.42 28.9 7",
        b"\xffOX 6.42 28.9",
        b"OX 6.4 28.9",
        b"",
        b"OX 6.42 28.9\nOX 6.42 28.9",
    ] {
        assert!(matches!(map.read(wrong), Err(LineError::NoMatch(_))), "{wrong:?}");
    }
    assert!(matches!(map.read(&[b'7'; 61]), Err(LineError::TooLong(60))));
}

#[test]
fn one_wrong_character_never_passes_the_checksum() {
    let map = map(r"\$OX,(?P<ox>\d+\.\d+)", Checksum::Xor, &[("ox", "do_mg_l")]);
    let text = b"$OX,6.42";
    let line = [&text[..], alloc::format!("*{:02X}", xor(text)).as_bytes()].concat();
    assert_eq!(map.read(&line), Ok(vec![("do_mg_l".into(), Ok(6.42))]));
    for place in 0..line.len() {
        for bit in 0..8 {
            let mut wrong = line.clone();
            wrong[place] ^= 1 << bit;
            let found = map.read(&wrong);
            // Lower case digits of a checksum are the same digits.
            let same = wrong.eq_ignore_ascii_case(&line) && place > text.len();
            assert!(found.is_err() || same, "{wrong:?}: {found:?}");
        }
    }
    assert!(matches!(map.read(b"$OX,6.42"), Err(LineError::NoChecksum(_))));
}

#[test]
fn a_mark_is_no_value_and_an_absent_capture_none_either() {
    let map = map(
        r"(?P<ox>-?\d+)(?:;(?P<temp>\d+))?",
        Checksum::None,
        &[("ox", "do_mg_l"), ("temp", "temperature_c")],
    );
    assert_eq!(map.read(b"6"), Ok(vec![("do_mg_l".into(), Ok(6.0))]));
    assert_eq!(map.read(b"-99;7").map(|v| v[0].1), Ok(Err(NoValue::Marked(-99.0))));
    let words = Pattern::new(r"(?P<ox>\w+)").expect("sound");
    assert!(LineMap { pattern: words, ..map }.read(b"nan").is_err());
    assert!(Pattern::new("(").is_err() && Pattern::new(r"(?:a{9999}){9999}").is_err());
}

#[test]
fn what_is_cut_is_no_line() {
    let feed = |splitter: &mut Splitter, bytes: &[u8]| -> Vec<String> {
        splitter.take(bytes).iter().map(|line| String::from_utf8_lossy(line).into_owned()).collect()
    };
    let mut listened = Splitter::new(b"\r\n", 10, false);
    assert_eq!(feed(&mut listened, b"42\r\n6.42\r"), [""; 0], "begun before anybody listened");
    assert_eq!(feed(&mut listened, b"\n6.4"), ["6.42"]);
    listened.silence();
    assert_eq!(feed(&mut listened, b"3\r\n6.44\r\n"), ["6.44"], "the rest of a cut line");
    assert_eq!(feed(&mut listened, b"01234567890123\r\n6.45\r\n"), ["6.45"], "too long");
    for byte in [&b"0"[..]; 40] {
        assert_eq!(feed(&mut listened, byte), [""; 0]);
    }
    assert_eq!(feed(&mut listened, b"\r\n6.46\r\n"), ["6.46"]);
    let mut asked = Splitter::new(b"\r\n", 10, true);
    assert_eq!(feed(&mut asked, b"6.42\r\n"), ["6.42"]);
}

proptest! {
    #[test]
    fn any_bytes_are_survived(
        chunks in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..40), 0..20),
        end in proptest::collection::vec(any::<u8>(), 0..3),
    ) {
        let map = map(r"(?P<ox>[^,]*),?.*", Checksum::None, &[("ox", "do_mg_l")]);
        let mut splitter = Splitter::new(&end, 30, false);
        for chunk in chunks {
            for line in splitter.take(&chunk) {
                prop_assert!(line.len() <= 30);
                let _ = map.read(&line);
            }
            prop_assert!(splitter.received.len() <= 80);
        }
    }
}
