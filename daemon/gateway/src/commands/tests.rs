//! The form of commands; what is done about them is tested with a broker and a sender of its own (`tests/e2e/commands.rs`).

use super::envelope::{Asks, number_claimed, read};

const TOPIC: &str = "pondreeve/two-herons/command/rosa";
const SECRET: &[u8] = b"0123456789abcdef0123456789abcdef";

/// `printf '%s\n%s' "$TOPIC" "$SIGNED" | openssl dgst -sha256 -hmac "$SECRET"`, OpenSSL 3.0.
const SIGNED: &str =
    r#"{"format":1,"number":17,"at":"2026-05-01T02:10:00Z","do":"acknowledge","alarm":"p1.do-low-critical"}"#;
const SUM: &str = "b88fac50b76f8d625b3ef8e6fe541cc7e45824f7a5b817c16fe53538a62845cc";

fn payload(signed: &str, sum: &str) -> Vec<u8> {
    serde_json::json!({ "signed": signed, "hmac": sum }).to_string().into_bytes()
}

fn signed(text: &str) -> Vec<u8> {
    let key = ring::hmac::Key::new(ring::hmac::HMAC_SHA256, SECRET);
    let sum = ring::hmac::sign(&key, format!("{TOPIC}\n{text}").as_bytes());
    let hex: String = sum.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    payload(text, &hex)
}

#[test]
fn what_openssl_signed_is_taken() {
    let command = read(TOPIC, &payload(SIGNED, SUM), SECRET).unwrap();
    assert_eq!((command.number, command.at_ms), (17, 1_777_601_400_000));
    assert_eq!(command.asks, Asks::Acknowledge { alarm: "p1.do-low-critical".to_owned() });
    assert_eq!(number_claimed(&payload(SIGNED, SUM)), Some(17));
}

#[test]
fn any_other_topic_text_secret_or_sum_is_refused() {
    let good = payload(SIGNED, SUM);
    let other_gateway = "pondreeve/three-herons/command/rosa";
    let changed = payload(&SIGNED.replace("critical", "warn"), SUM);
    for (topic, payload, secret) in [
        (other_gateway, &good, SECRET),
        ("pondreeve/two-herons/command/luis", &good, SECRET),
        (TOPIC, &changed, SECRET),
        (TOPIC, &good, b"0123456789abcdef0123456789abcdeX".as_slice()),
    ] {
        let refused = read(topic, payload, secret).unwrap_err();
        assert!(refused.contains("the signature does not fit"), "{refused}");
    }
    for place in 0..SUM.len() {
        let mut sum = SUM.to_owned();
        let other = if &sum[place..=place] == "0" { "1" } else { "0" };
        sum.replace_range(place..=place, other);
        assert!(read(TOPIC, &payload(SIGNED, &sum), SECRET).is_err(), "digit {place}");
    }
}

#[test]
fn unknown_and_missing_parts_are_refused_with_what_would_do() {
    let with = |rest: &str| format!(r#"{{"format":1,"number":1,"at":"2026-05-01T02:10:00Z",{rest}}}"#);
    for (text, why) in [
        (with(r#""do":"acknowledge","alarm":"a","note":"x""#), "unknown field `note`"),
        (with(r#""do":"shelve","alarm":"a""#), "unknown variant `shelve`"),
        (with(r#""do":"acknowledge""#), "`acknowledge` takes `alarm` and nothing else"),
        (
            with(r#""do":"acknowledge","alarm":"a","pond":"p1""#),
            "`acknowledge` takes `alarm` and nothing else",
        ),
        (with(r#""do":"enter","pond":"p1""#), "`enter` takes `pond` and `values`"),
        (with(r#""do":"enter","pond":"p1","values":{}"#), "1 to 16 are accepted"),
        (with(r#""do":"enter","pond":"p1","values":{"ph":"eight"}"#), "invalid type"),
        (SIGNED.replace("\"format\":1", "\"format\":2"), "format 2 is not known: accepted is 1"),
        (SIGNED.replace("2026-05-01T02:10:00Z", "yesterday"), "write RFC 3339"),
        (SIGNED.replace(":17,", ":-17,"), "invalid value"),
        (SIGNED.replace(":17,", ":0,"), "number 0 is not accepted: 1 to 9007199254740991 are"),
        (SIGNED.replace(":17,", ":9007199254740992,"), "is not accepted"),
        (SIGNED.replace(":17,", ":17,\"number\":18,"), "duplicate field `number`"),
    ] {
        let refused = read(TOPIC, &signed(&text), SECRET).unwrap_err();
        assert!(refused.contains(why), "{text}: {refused}");
    }
    for (payload, why) in [
        (b"\xff\xfe".to_vec(), "`signed` and `hmac` alone"),
        (br#"{"signed":"{}","hmac":"00"}"#.to_vec(), "64 hexadecimal digits"),
        (br#"{"signed":"{}","hmac":"00","by":"rosa"}"#.to_vec(), "unknown field `by`"),
        (payload(&"x".repeat(4_100), SUM), "4096 are accepted"),
    ] {
        let refused = read(TOPIC, &payload, SECRET).unwrap_err();
        assert!(refused.contains(why), "{refused}");
    }
}

proptest::proptest! {
    /// Whatever comes, an answer: never a panic, and never a command without the secret.
    #[test]
    fn no_bytes_are_a_command(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..300)) {
        proptest::prop_assert!(read(TOPIC, &bytes, SECRET).is_err());
        number_claimed(&bytes);
    }
}
