//! Every parser of bytes that come from outside, in one list: what a probe, a broker, a person, a client or a damaged
//! disk may hand to this program. Whatever the bytes, a parser gives a value or an error: `tests/fuzz` sees to it.

use std::path::Path;
use std::sync::LazyLock;

use bytes::BytesMut;
use pondreeve_core::Quantity;
use pondreeve_protocol::modbus::CoilWrite;
use pondreeve_protocol::modbus::{self, Framing, ReadRequest, survey};
use pondreeve_protocol::payload::{self, Expected, Pick, PickFrom};
use pondreeve_protocol::register_map::Table;
use pondreeve_protocol::text_line::{Splitter, xor};
use pondreeve_protocol::{sdi12, senml, time};
use ring::hmac;
use rumqttc::{MqttState, Packet};

use crate::cli::{calc, replay};
use crate::commands::envelope;
use crate::config::farm::Version;
use crate::config::{Style, builtin, from_text, profile};
use crate::forward::packets;
use crate::frames;
use crate::local::{protocol, server};
use crate::texts::recognised::audit_field;
use crate::texts::{Choice, Texts, Words, chosen, own};

/// A parser under its name; the bytes are all that it is given.
pub type Parser = (&'static str, fn(&[u8]));

/// All of them.
pub const PARSERS: &[Parser] = &[
    ("modbus-rtu", modbus_rtu),
    ("modbus-ascii", modbus_ascii),
    ("modbus-tcp", modbus_tcp),
    ("sdi-12", sdi_12),
    ("text-line", text_line),
    ("capture", capture),
    ("mqtt-payload", mqtt_payload),
    ("mqtt-broker", mqtt_broker),
    ("mqtt-source", mqtt_source),
    ("signed-command", signed_command),
    ("senml", senml_json),
    ("csv-replay", replay::read_bytes),
    ("configuration", configuration),
    ("probe-profile", probe_profile),
    ("language", language),
    ("kept-sentence", kept_sentence),
    ("local-request", local_request),
    ("local-reply", local_reply),
    ("calc-lines", calc_lines),
    ("journal-batch", crate::journal::outside::batch),
    ("journal-record", crate::journal::outside::record),
    ("journal-tail", crate::journal::outside::tail),
    ("journal-chunk", crate::journal::outside::chunk),
    ("journal-shape", crate::journal::outside::shape),
    ("journal-roll-up", crate::journal::outside::roll_up),
    ("journal-outbox", crate::journal::outside::outbox),
    ("journal-day", crate::journal::outside::day),
    ("checkpoint", crate::engine::checkpoint::read_loose),
    ("backup-pieces", crate::journal::outside::backup_pieces),
    ("backup-list", crate::journal::outside::backup_list),
    ("audit-row", crate::journal::outside::audit_row),
];

const ASKED: ReadRequest = ReadRequest { unit: 11, table: Table::Holding, address: 0, count: 4 };
/// The order to a relay whose answer is looked for.
const COIL: [u8; 8] = [0x11, 0x05, 0x00, 0x03, 0xff, 0x00, 0x7e, 0xaa];

/// As it came, and with a checksum that fits: it keeps nearly every changed byte from the code behind it.
fn modbus_rtu(bytes: &[u8]) {
    rtu(bytes);
    let mut fitting = bytes.to_vec();
    fitting.extend_from_slice(&modbus::crc16(bytes).to_le_bytes());
    rtu(&fitting);
}

fn rtu(bytes: &[u8]) {
    let _ = ASKED.decode_answer(bytes);
    let _ = ASKED.find_answer(bytes);
    let _ = ASKED.explain(bytes);
    if let Some(order) = CoilWrite::decode(&COIL) {
        for echoes in [false, true] {
            let _ = order.find_answer(bytes, echoes);
            let _ = order.explain(bytes, echoes);
        }
    }
    let _ = CoilWrite::decode(bytes);
    let _ = modbus::decode_request(bytes);
    let (_, used) = modbus::take_request(bytes);
    assert!(used <= bytes.len(), "no more is taken than there is");
    let _ = survey::signs(bytes, &ASKED);
    let _ = survey::overheard(bytes);
    let _ = survey::find_identity(bytes, ASKED.unit);
}

fn framed(framing: Framing, bytes: &[u8]) {
    for frame in framing.frames(bytes, 1) {
        assert!(
            frame.start <= frame.end && frame.end <= bytes.len(),
            "a frame lies within what was received"
        );
        rtu(&frame.rtu);
    }
}

fn modbus_ascii(bytes: &[u8]) {
    framed(Framing::Ascii, bytes);
}

fn modbus_tcp(bytes: &[u8]) {
    framed(Framing::Tcp, bytes);
}

/// As it came, and as a line whose checksum fits.
fn sdi_12(bytes: &[u8]) {
    sdi_12_line(bytes);
    let mut fitting = bytes.to_vec();
    fitting.extend_from_slice(&sdi12::crc_text(sdi12::crc16(bytes)));
    fitting.extend_from_slice(b"\r\n");
    sdi_12_line(&fitting);
}

fn sdi_12_line(bytes: &[u8]) {
    use sdi12::Command;
    for number in [0, 3] {
        for crc in [false, true] {
            let _ = sdi12::decode_begun(bytes, Command::Measure { number, crc }, b'0');
            let _ = sdi12::decode_begun(bytes, Command::Concurrent { number, crc }, b'0');
            let _ = sdi12::decode_data(bytes, number, b'0', crc);
            let describe = Command::Describe { number, concurrent: true, crc, position: 1 };
            let _ = sdi12::decode_parameter(bytes, describe, b'0');
        }
    }
    let _ = sdi12::decode_command(bytes);
    if !sdi12::is_acknowledged(bytes, b'0') {
        let _ = sdi12::not_acknowledged(bytes, b'0');
    }
    let _ = sdi12::is_service_request(bytes, b'0');
    let _ = sdi12::decode_identity(bytes, b'0');
}

/// A built-in profile of any kind; each is read once.
fn built_in(name: &str) -> Option<&'static profile::Profile> {
    static READ: LazyLock<Vec<profile::Profile>> = LazyLock::new(|| {
        let names = ["optical-oxygen", "sdi12-oxygen", "text-oxygen", "text-weather"];
        names.iter().filter_map(|name| profile::parse_any(builtin::profile(name)?, name).ok()).collect()
    });
    READ.iter().find(|profile| profile.id() == name)
}

fn text_line(bytes: &[u8]) {
    for name in ["text-oxygen", "text-weather"] {
        let Some(profile::Profile::Text(map)) = built_in(name) else { continue };
        let _ = map.read(bytes);
        let _ = map.read(&[bytes, format!("*{:02X}", xor(bytes)).as_bytes()].concat());
        let mut splitter = Splitter::new(&map.end, map.longest, false);
        for some in bytes.chunks(7) {
            for line in splitter.take(some) {
                assert!(line.len() <= map.longest, "no line is longer than it may be");
                let _ = map.read(&line);
            }
        }
    }
}

fn capture(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let Ok(captured) = frames::parse(text) else { return };
    for name in ["optical-oxygen", "sdi12-oxygen", "text-oxygen"] {
        let Some(profile) = built_in(name) else { continue };
        let _ = frames::read(&captured, profile, None);
    }
}

/// As it comes, and as what somebody with the secret signed.
fn signed_command(bytes: &[u8]) {
    const SECRET: &[u8] = b"a secret of the harness";
    const TOPIC: &str = "pondreeve/g1/command/ana";
    let _ = envelope::read(TOPIC, bytes, SECRET);
    let _ = envelope::number_claimed(bytes);
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let key = hmac::Key::new(hmac::HMAC_SHA256, SECRET);
    let sum = hmac::sign(&key, format!("{TOPIC}\n{text}").as_bytes());
    let sum: String = sum.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    let message = serde_json::json!({ "signed": text, "hmac": sum }).to_string();
    let _ = envelope::read(TOPIC, message.as_bytes(), SECRET);
}

fn mqtt_broker(bytes: &[u8]) {
    for version in [Version::Four, Version::Five] {
        let mut left = BytesMut::from(bytes);
        while let Ok(Some(_)) = packets::take(&mut left, version) {}
    }
}

/// What the client library reads of a broker, for readings and for commands.
fn mqtt_source(bytes: &[u8]) {
    const LARGEST_TAKEN_BYTES: usize = 128 * 1024;
    let mut state = MqttState::new(10, true);
    let mut left = BytesMut::from(bytes);
    while let Ok(packet) = Packet::read(&mut left, LARGEST_TAKEN_BYTES) {
        if state.handle_incoming_packet(packet).is_err() {
            break;
        }
    }
}

fn mqtt_payload(bytes: &[u8]) {
    let from = [
        PickFrom::Bare,
        PickFrom::Json { pointer: "/do".to_owned(), time: Some("/time".to_owned()) },
        PickFrom::Json { pointer: "/water/0/a~1b".to_owned(), time: None },
        PickFrom::Senml { name: "p1:do".to_owned() },
    ];
    let channel = Quantity::DoMgL.id();
    let picks = from.map(|from| Pick { channel: channel.to_owned(), from, scale: 1.5, offset: -0.25 });
    for picks in [&picks[..1], &picks[1..]] {
        let decoded = payload::decode(bytes, picks, |_| Some(Expected { unit: "mg/L", switch: true }));
        assert!(decoded.values.iter().all(|value| value.value.is_finite()), "a reading is a number");
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = time::parse_rfc3339(text);
        let _ = payload::check_pointer(text);
    }
}

fn senml_json(bytes: &[u8]) {
    let Ok(json) = serde_json::from_slice(bytes) else { return };
    if let Ok(records) = senml::decode(&json) {
        let _ = senml::by_name(&records);
    }
}

fn configuration(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match from_text(Path::new("/nowhere/farm.toml"), text) {
        Ok(loaded) => drop(loaded.warnings.render(Style::Plain)),
        Err(error) => drop(error.render(Style::Plain)),
    }
}

fn probe_profile(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let Ok(map) = profile::parse(text, "fuzz.toml") else { return };
    let _ = map.plan();
    for register in &map.registers {
        for words in [[0; 4], [0x7fc0; 4], [u16::MAX; 4]] {
            let _ = register.decode(&words[..usize::from(register.number.registers()).min(4)]);
        }
    }
}

/// A farm's own texts, each shown.
fn language(bytes: &[u8]) {
    let Ok(source) = std::str::from_utf8(bytes) else { return };
    let texts = Texts::of("xx", &[source]);
    for key in own::keys(source).0.keys() {
        let _ = texts.fill(key, &[("pond", "p1".into()), ("minutes", 12.5.into())]);
    }
}

/// English that the journal or the trail kept, as somebody with Spanish is told it.
fn kept_sentence(bytes: &[u8]) {
    static SPANISH: LazyLock<Option<Words>> = LazyLock::new(|| {
        let spanish = Choice { language: Some("es".to_owned()), ..Choice::default() };
        chosen(&spanish).ok()
    });
    let (Ok(text), Some(words)) = (std::str::from_utf8(bytes), *SPANISH) else { return };
    let _ = audit_field(words, text);
}

fn local_request(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let _ = server::parse(text);
}

fn local_reply(bytes: &[u8]) {
    let _ = serde_json::from_slice::<protocol::Reply>(bytes);
}

fn calc_lines(bytes: &[u8]) {
    let mut out = Vec::new();
    let _ = calc::run(bytes, &mut out);
    let lines = out.iter().filter(|byte| **byte == b'\n').count();
    let asked = bytes.split(|byte| *byte == b'\n').count();
    assert!(lines <= asked, "{lines} answers to {asked} lines");
}
