//! Payloads as nodes send them, and as they should not.

use alloc::vec;

use proptest::prelude::*;

use super::*;

fn expected(channel: &str) -> Option<Expected<'static>> {
    match channel {
        "do_mg_l" => Some(Expected { unit: "mg/L", switch: false }),
        "temperature_c" => Some(Expected { unit: "°C", switch: false }),
        "aerator_on" => Some(Expected { unit: "", switch: true }),
        _ => None,
    }
}

fn pick(channel: &str, from: PickFrom) -> Pick {
    Pick { channel: channel.to_string(), from, scale: 1.0, offset: 0.0 }
}

fn json(pointer: &str, time: Option<&str>) -> PickFrom {
    PickFrom::Json { pointer: pointer.to_string(), time: time.map(ToString::to_string) }
}

fn senml(name: &str) -> PickFrom {
    PickFrom::Senml { name: name.to_string() }
}

#[track_caller]
fn value(payload: &str, pick: Pick) -> (f64, Option<PickedTime>) {
    let decoded = decode(payload.as_bytes(), &[pick], expected);
    assert_eq!(decoded.problems, [], "{payload}");
    (decoded.values[0].value, decoded.values[0].time)
}

#[track_caller]
fn problem(payload: &[u8], pick: Pick) -> String {
    let decoded = decode(payload, &[pick], expected);
    assert_eq!((decoded.values, decoded.problems.len()), (vec![], 1), "{payload:?}");
    decoded.problems[0].to_string()
}

#[test]
fn bare_numbers_are_read() {
    for (payload, expected) in
        [("6.42", 6.42), (" 6.42\r\n", 6.42), ("-1", -1.0), ("+0.5", 0.5), ("65e-1", 6.5), (".5", 0.5)]
    {
        assert_eq!(value(payload, pick("do_mg_l", PickFrom::Bare)).0, expected);
    }
    let mut scaled = pick("do_mg_l", PickFrom::Bare);
    (scaled.scale, scaled.offset) = (0.01, 1.0);
    assert_eq!(value("642", scaled).0, 642.0 * 0.01 + 1.0);
}

#[test]
fn what_is_not_a_bare_number_is_refused_with_what_stood_there() {
    for payload in ["", "NaN", "nan", "inf", "-infinity", "1e999", "6,42", "6.42 mg/L", "0x10", "1_0", "e"] {
        let text = problem(payload.as_bytes(), pick("do_mg_l", PickFrom::Bare));
        let found =
            alloc::format!("payload: found `{payload}`; accepted is one finite number, such as `6.42`");
        assert_eq!(text, found);
    }
    assert_eq!(
        problem(&[b'6', 0xFF, b'4'], pick("do_mg_l", PickFrom::Bare)),
        "payload: found byte 0xff at position 1; accepted is text in UTF-8"
    );
    let long = "7 ".repeat(500_000);
    let text = problem(long.as_bytes(), pick("do_mg_l", PickFrom::Bare));
    assert!(text.len() < 300, "a message about a large payload is short: {}", text.len());
    let escape = problem(b"\x1b[2J", pick("do_mg_l", PickFrom::Bare));
    assert!(!escape.contains('\x1b'), "{escape:?} must not steer a terminal");
}

/// RFC 6901, section 5: the document and some of its pointers.
const RFC_6901: &str = r#"{"foo": ["bar", 9], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"#;

#[test]
fn json_pointers_find_what_the_rfc_says() {
    for (pointer, expected) in [
        ("/", 0.0),
        ("/a~1b", 1.0),
        ("/c%d", 2.0),
        ("/e^f", 3.0),
        ("/g|h", 4.0),
        ("/i\\j", 5.0),
        ("/k\"l", 6.0),
        ("/ ", 7.0),
        ("/m~0n", 8.0),
        ("/foo/1", 9.0),
    ] {
        assert_eq!(check_pointer(pointer), Ok(()));
        assert_eq!(value(RFC_6901, pick("do_mg_l", json(pointer, None))).0, expected, "{pointer}");
    }
    assert_eq!(value("4.5", pick("do_mg_l", json("", None))).0, 4.5, "the whole document");
    assert!(check_pointer("foo").is_err() && check_pointer("/a~2").is_err() && check_pointer("/a~").is_err());
}

#[test]
fn json_that_has_no_number_there_is_refused() {
    for (payload, found) in [
        (r#"{"do": null}"#, "null"),
        (r#"{"do": "6.4"}"#, "the text `6.4`"),
        (r#"{"do": true}"#, "true or false"),
        (r#"{"do": [6.4]}"#, "an array"),
        (r#"{"d0": 6.4}"#, "nothing there in `{\"d0\":6.4}`"),
    ] {
        let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", None)));
        assert!(text.starts_with(&alloc::format!("JSON pointer `/do`: found {found}; ")), "{text}");
    }
    for payload in [r#"{"do": NaN}"#, r#"{"do": 1e999}"#, r#"{"do": 6.4"#, "", "{'do': 6.4}"] {
        let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", None)));
        assert!(text.contains("accepted is JSON (RFC 8259), without NaN"), "{text}");
    }
    let deep = "[".repeat(100_000);
    let text = problem(deep.as_bytes(), pick("do_mg_l", json("/0", None)));
    assert!(text.contains("recursion limit"), "{text}");
}

#[test]
fn json_times_are_read_as_text_seconds_or_milliseconds() {
    let time = |stamp: &str| {
        let payload = alloc::format!(r#"{{"do": 6.4, "at": {stamp}}}"#);
        value(&payload, pick("do_mg_l", json("/do", Some("/at")))).1
    };
    // 2026-03-01T05:12:00Z is 1772341920 by GNU date.
    assert_eq!(time("\"2026-03-01T05:12:00Z\""), Some(PickedTime::UnixMs(1_772_341_920_000)));
    assert_eq!(time("1772341920"), Some(PickedTime::UnixMs(1_772_341_920_000)));
    assert_eq!(time("1772341920.25"), Some(PickedTime::UnixMs(1_772_341_920_250)));
    assert_eq!(time("1772341920250"), Some(PickedTime::UnixMs(1_772_341_920_250)));
    for stamp in ["null", "-5", "\"yesterday\"", "1e300", "\"2026-03-01T05:12:00\""] {
        let payload = alloc::format!(r#"{{"do": 6.4, "at": {stamp}}}"#);
        let text = problem(payload.as_bytes(), pick("do_mg_l", json("/do", Some("/at"))));
        assert!(text.starts_with("JSON pointer `/at`: found "), "{text}");
    }
    problem(br#"{"do": 6.4}"#, pick("do_mg_l", json("/do", Some("/at"))));
}

#[test]
fn one_bad_value_does_not_lose_the_others() {
    let picks = [
        pick("do_mg_l", json("/do", None)),
        pick("temperature_c", json("/t", None)),
        pick("aerator_on", json("/on", None)),
        pick("colour", json("/do", None)),
    ];
    let decoded = decode(br#"{"do": 6.4, "t": null, "on": true}"#, &picks, expected);
    let values: Vec<(usize, f64)> = decoded.values.iter().map(|v| (v.pick, v.value)).collect();
    assert_eq!(values, [(0, 6.4), (2, 1.0)]);
    assert_eq!(decoded.problems.len(), 2);
}

#[test]
fn senml_values_come_in_the_channels_unit() {
    let pack = r#"[{"bn":"p3:","bt":1772341920,"n":"do","u":"kg/m3","v":0.0064},
                   {"n":"temp","u":"K","v":302.15,"t":-5},{"n":"wheel","vb":true},{"n":"bare","v":7}]"#;
    let (oxygen, time) = value(pack, pick("do_mg_l", senml("p3:do")));
    assert!((oxygen - 6.4).abs() < 1e-12, "{oxygen}");
    assert_eq!(time, Some(PickedTime::UnixMs(1_772_341_920_000)));
    let (temperature, time) = value(pack, pick("temperature_c", senml("p3:temp")));
    assert!((temperature - 29.0).abs() < 1e-9);
    assert_eq!(time, Some(PickedTime::UnixMs(1_772_341_915_000)));
    assert_eq!(value(pack, pick("aerator_on", senml("p3:wheel"))).0, 1.0);
    assert_eq!(value(pack, pick("do_mg_l", senml("p3:bare"))).0, 7.0);
}

#[test]
fn senml_in_a_wrong_unit_or_under_another_name_is_refused() {
    let pack = br#"[{"n":"do","u":"Cel","v":6.4},{"n":"text","vs":"ok"}]"#;
    let text = problem(pack, pick("do_mg_l", senml("do")));
    assert!(text.starts_with("SenML record `do`: found the unit `Cel`; accepted is `mg/L`"), "{text}");
    let text = problem(pack, pick("do_mg_l", senml("oxygen")));
    assert_eq!(text, "SenML pack: found only do, text; accepted is a record named `oxygen`");
    let text = problem(pack, pick("do_mg_l", senml("text")));
    assert!(text.contains("the text `ok`"), "{text}");
    let text = problem(br#"[{"n":"do","v":"6.4"}]"#, pick("do_mg_l", senml("do")));
    assert_eq!(text, "SenML record 1, `v`: found text; accepted is a number");
}

#[test]
fn a_series_in_one_pack_gives_every_value() {
    let pack = br#"[{"bn":"do","bt":1772341920,"v":6.4},{"t":60,"v":6.3},{"t":120,"v":6.2}]"#;
    let decoded = decode(pack, &[pick("do_mg_l", senml("do"))], expected);
    let values: Vec<f64> = decoded.values.iter().map(|v| v.value).collect();
    assert_eq!(values, [6.4, 6.3, 6.2]);
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic_and_every_value_is_finite(
        bytes in prop_oneof![
            prop::collection::vec(any::<u8>(), 0..200),
            "[\\[\\]{}\":,a-z0-9.eE+-]{0,80}".prop_map(String::into_bytes),
            (any::<f64>(), any::<f64>(), "[a-z/%]{0,5}")
                .prop_map(|(v, t, u)| alloc::format!(r#"[{{"n":"a","v":{v},"t":{t},"u":"{u}"}}]"#).into_bytes()),
        ],
        pointer in ".{0,12}",
    ) {
        let picks = [
            pick("do_mg_l", PickFrom::Bare),
            pick("temperature_c", json(&pointer, Some(&pointer))),
            pick("do_mg_l", senml("a")),
        ];
        for value in decode(&bytes, &picks, expected).values {
            prop_assert!(value.value.is_finite());
        }
    }
}
