//! The examples of RFC 8428, and what it does not allow.

use alloc::vec;

use super::*;

fn resolved(json: &str) -> Result<Vec<Resolved>, SenmlError> {
    decode(&serde_json::from_str(json).expect("test JSON"))
}

fn number(name: &str, unit: Option<&str>, value: f64, time: Option<SenmlTime>) -> Resolved {
    Resolved {
        name: name.to_string(),
        unit: unit.map(ToString::to_string),
        value: SenmlValue::Number(value),
        time,
    }
}

#[test]
fn the_examples_of_the_rfc_are_resolved() {
    // RFC 8428 section 5.1.1.
    assert_eq!(
        resolved(r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#).unwrap(),
        [number("urn:dev:ow:10e2073a01080063", Some("Cel"), 23.1, None)]
    );
    // Section 5.1.2, second example (shortened), resolved as section 5.1.4 does.
    let pack = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},
        {"n":"current","t":-4,"v":1.3}]"#;
    assert_eq!(
        resolved(pack).unwrap(),
        [
            number(
                "urn:dev:ow:10e2073a0108006:voltage",
                Some("V"),
                120.1,
                Some(SenmlTime::Absolute(1.276020076001e9))
            ),
            number(
                "urn:dev:ow:10e2073a0108006:current",
                Some("A"),
                1.2,
                Some(SenmlTime::Absolute(1.276020071001e9))
            ),
            number(
                "urn:dev:ow:10e2073a0108006:current",
                Some("A"),
                1.3,
                Some(SenmlTime::Absolute(1.276020072001e9))
            ),
        ]
    );
    // Section 5.1.7, a boolean and a sum without a value, in the same form.
    let kinds = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"on","vb":true},{"n":"label","vs":"Machine Room"},
                    {"n":"energy","s":1.5},{"n":"nfc","vd":"aGkgCg"}]"#;
    let values: Vec<SenmlValue> = resolved(kinds).unwrap().into_iter().map(|r| r.value).collect();
    assert_eq!(
        values,
        [
            SenmlValue::Boolean(true),
            SenmlValue::Text("Machine Room".into()),
            SenmlValue::Other,
            SenmlValue::Other
        ]
    );
}

#[test]
fn base_values_relative_times_and_records_of_base_fields_alone() {
    let pack = r#"[{"bn":"a","bv":20,"bt":-60},{"v":1.5},{"v":2,"t":-10}]"#;
    assert_eq!(
        resolved(pack).unwrap(),
        [
            number("a", None, 21.5, Some(SenmlTime::Relative(-60.0))),
            number("a", None, 22.0, Some(SenmlTime::Relative(-70.0)))
        ]
    );
    assert_eq!(resolved(r#"[{"n":"a","v":1,"later":true}]"#).unwrap().len(), 1, "unknown fields may stand");
}

#[test]
fn what_the_rfc_does_not_allow_is_placed() {
    for (pack, expected) in [
        (r#"{"n":"a","v":1}"#, "SenML record 1, `pack`: found an object; accepted is an array of records"),
        (r"[7]", "SenML record 1, `record`: found a number; accepted is an object"),
        (r#"[{"n":"a","v":1},{"n":"b","v":"1"}]"#, "SenML record 2, `v`: found text; accepted is a number"),
        (
            r#"[{"n":"a","v":1,"vs":"x"}]"#,
            "SenML record 1, `v` and `vs`: found two values; accepted is one value",
        ),
        (
            r#"[{"v":1}]"#,
            "SenML record 1, `n`: found ``; accepted is a name of letters, digits and `- : . / _` that begins with a letter or digit",
        ),
        (
            r#"[{"n":"a","v":1,"x_":2}]"#,
            "SenML record 1, `x_`: found a field that must be understood; accepted is no such field",
        ),
        (
            r#"[{"n":"a","v":1,"bver":11}]"#,
            "SenML record 1, `bver`: found 11; accepted is a version up to 10",
        ),
    ] {
        assert_eq!(resolved(pack).unwrap_err().to_string(), expected);
    }
    let many = Value::Array(vec![serde_json::json!({"n":"a","v":1}); RECORDS_MAX + 1]);
    assert!(decode(&many).unwrap_err().found.contains("4097 records"));
}

#[test]
fn a_pack_is_encoded_field_by_field() {
    let pack = Pack(vec![
        Record {
            base_name: Some("pondreeve/tidewick/p1/".into()),
            base_time: Some(1_772_341_920.0),
            name: Some("do_mg_l".into()),
            unit: Some("mg/L".into()),
            value: Some(6.25),
            ..Record::default()
        },
        Record { name: Some("aerating".into()), boolean: Some(true), time: Some(-60.0), ..Record::default() },
    ]);
    assert_eq!(
        pack.encode().unwrap(),
        r#"[{"bn":"pondreeve/tidewick/p1/","bt":1772341920.0,"n":"do_mg_l","u":"mg/L","v":6.25},{"n":"aerating","vb":true,"t":-60.0}]"#
    );
}

#[test]
fn a_pack_that_json_cannot_carry_is_refused() {
    let with =
        |record: Record| Pack(vec![Record { name: Some("a".into()), ..Record::default() }, record]).encode();
    let nan = Record { name: Some("b".into()), value: Some(f64::NAN), ..Record::default() };
    assert_eq!(
        with(nan).unwrap_err().to_string(),
        "SenML record 2, `v`: found NaN; accepted is a finite number"
    );
    let name = Record { name: Some("Río".into()), value: Some(1.0), ..Record::default() };
    assert!(with(name).unwrap_err().to_string().starts_with("SenML record 2, `n`: found `Río`"));
}
