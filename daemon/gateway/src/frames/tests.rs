//! Captures written by hand. The SDI-12 answer is one that the specification prints; the checksum of Modbus is held
//! against published frames where it is made, in `protocol`.

use super::*;
use crate::config::{builtin, profile};

fn builtin_profile(name: &str) -> Profile {
    profile::parse_any(builtin::profile(name).expect("built in"), name).expect("sound")
}

fn told(text: &str, name: &str, address: Option<u8>) -> Vec<String> {
    let reads = read(&parse(text).expect("a capture"), &builtin_profile(name), address).expect("its kind");
    let words = |read: Read| match read.outcome {
        Ok((values, problems)) => {
            let values: Vec<String> = values.iter().map(|(name, value)| format!("{name}={value}")).collect();
            format!("{} {}: {} {}", read.at, read.asked, values.join(" "), problems.join("; "))
                .trim_end()
                .to_owned()
        }
        Err(why) => format!("{} {}: {why}", read.at, read.asked),
    };
    reads.into_iter().map(words).collect()
}

/// pH 7.86 from unit 12; no answer of unit 13; unit 12 again with a bit flipped; a refusal.
#[test]
fn modbus_is_read_again() {
    let crc = |bytes: &[u8]| -> String {
        let mut frame = bytes.to_vec();
        frame.extend(modbus::crc16(bytes).to_le_bytes());
        frame.iter().map(|byte| format!(" {byte:02X}")).collect()
    };
    let ask = |unit: u8| crc(&[unit, 3, 0, 0, 0, 1]);
    let text = format!(
        "# pondreeve capture 1 rtu line east\n1 >{}\n1 <{}\n2 >{}\n3 >{}\n3 < 0C 03 02 13 12 00 00\n4 >{}\n4 <{}\n",
        ask(12),
        crc(&[12, 3, 2, 0x03, 0x12]),
        ask(13),
        ask(12),
        ask(12),
        crc(&[12, 0x83, 2]),
    );
    let all = told(&text, "glass-ph", None);
    assert_eq!(all.len(), 4, "{all:#?}");
    assert!(all[0].starts_with("1 unit 12, 1 holding registers from 0: ph=7.86"), "{}", all[0]);
    assert_eq!(all[1], "2 unit 13, 1 holding registers from 0: no answer");
    assert!(all[2].contains("checksum"), "{}", all[2]);
    assert!(all[3].contains("refused with exception 2"), "{}", all[3]);
    assert_eq!(told(&text, "glass-ph", Some(13)).len(), 1);
    let sensor = builtin_profile("sdi12-oxygen");
    assert!(read(&parse(&text).unwrap(), &sensor, None).unwrap_err().contains("speaks rtu"));
}

/// `0+3.14+2.718IWO` is an answer of the specification (section 4.4.12.3, with its CRC).
#[test]
fn sdi12_is_read_again() {
    let hex = |text: &str| -> String { text.bytes().map(|byte| format!(" {byte:02X}")).collect() };
    let text = format!(
        "# pondreeve capture 1 sdi12 line west\n1 >{}\n1 <{}\n2 <{}\n3 >{}\n3 <{}\n4 >{}\n",
        hex("0MC!"),
        hex("00012\r\n"),
        hex("0\r\n"),
        hex("0D0!"),
        hex("0+3.14+2.718IWO\r\n"),
        hex("0MC!"),
    );
    assert_eq!(
        told(&text, "sdi12-oxygen", None),
        ["1 address 0: do_mg_l=3.14 temperature_c=2.718", "4 address 0: no answer"]
    );
}

#[test]
fn lines_are_read_again_and_what_is_no_capture_is_told() {
    let hex = |text: &str| -> String { text.bytes().map(|byte| format!(" {byte:02X}")).collect() };
    let text = format!("1 >{}\n1 <{}\n1 <{}\n", hex("R\r"), hex("OX 6.42 mg/"), hex("L 28.9 C\r\n"));
    assert_eq!(told(&text, "text-oxygen", None), ["1 asked: do_mg_l=6.42 temperature_c=28.9"]);
    // Lines that came by themselves, each when it ended; a value that cannot be is none.
    let weather = |hpa: &str| {
        let line = format!("$WX,{hpa},223");
        hex(&format!("{line}*{:02X}\r\n", pondreeve_protocol::text_line::xor(line.as_bytes())))
    };
    let (first, second) = (weather("1009.1"), weather("2009.1"));
    let (begun, ended) = first.split_at(12);
    assert_eq!(
        told(&format!("1 < 0D 0A{begun}\n2 <{ended}\n3 <{second}\n"), "text-weather", None),
        [
            "2 listened to: pressure_hpa=1009.1 par_umol_m2_s=223",
            "3 listened to: par_umol_m2_s=223 pressure_hpa would be 2009.1 hPa, which cannot be",
        ]
    );
    for wrong in ["1 > 1", "1 ? 11", "1", "1 > zz", "1 > 0102"] {
        assert!(parse(wrong).unwrap_err().starts_with("line 1: found"), "{wrong}");
    }
}
