//! How a line is reached, and how frames travel on it.

use pondreeve_protocol::modbus::Framing;

use super::super::farm::Parity;
use super::super::{Style, from_text};
use super::SMALL;

fn told(lines: &str) -> Result<super::super::farm::Bus, String> {
    let text = SMALL.replace("device = \"/dev/ttyS1\"", lines);
    match from_text("/nowhere/farm.toml".as_ref(), text) {
        Ok(loaded) => Ok(loaded.farm.buses[0].clone()),
        Err(error) => Err(error.render(Style::Plain)),
    }
}

#[test]
fn each_framing_has_its_own_defaults() {
    let ascii = told("device = \"/dev/ttyS1\"\nframing = \"ascii\"").expect("sound");
    assert_eq!((ascii.framing, ascii.data_bits, ascii.parity), (Framing::Ascii, 7, Parity::Even));
    let plain = told("device = \"/dev/ttyS1\"").expect("sound");
    assert_eq!((plain.framing, plain.data_bits, plain.parity), (Framing::Rtu, 8, Parity::None));
    let tcp = told("server = \"[::1]:502\"\nframing = \"tcp\"").expect("sound");
    assert_eq!(
        (tcp.server.clone(), tcp.place()),
        (Some(("::1".to_owned(), 502)), "serial server ::1:502".to_owned())
    );
    let through = told("server = \"east.farm:4001\"").expect("sound");
    assert_eq!((through.framing, through.server), (Framing::Rtu, Some(("east.farm".to_owned(), 4001))));
}

#[test]
fn what_cannot_be_is_told_with_what_can() {
    for (lines, words) in [
        ("baud = 9600", "a bus without a device"),
        ("device = \"/dev/ttyS1\"\nserver = \"a:502\"", "a server beside a device"),
        ("device = \"/dev/ttyS1\"\nframing = \"tcp\"", "Modbus TCP on a device"),
        ("device = \"/dev/ttyS1\"\ndata_bits = 7", "7 data bits"),
        ("server = \"a:502\"\nparity = \"even\"", "a line setting beside `server`"),
        ("server = \"a\"", "host and port"),
        ("server = \"http://a:502\"", "host and port"),
        ("server = \"a:0\"", "host and port"),
    ] {
        let error = told(lines).expect_err(lines);
        assert!(error.contains(words), "{lines}: {error}");
    }
}

/// A mistyped speed looks like a dead probe: it is told, and taken as it stands.
#[test]
fn a_speed_that_hardly_any_probe_has_is_told() {
    let oxygen = "address = \"a\"\nprofile = \"sdi12-oxygen\"";
    let warned = |baud: u32| {
        let lines = format!("kind = \"sdi12\"\ndevice = \"/dev/ttyS7\"\nbaud = {baud}");
        let loaded = from_text("/nowhere/farm.toml".as_ref(), line_farm(&lines, oxygen)).expect("sound");
        assert_eq!(loaded.farm.lines[0].baud, baud);
        loaded.warnings.render(Style::Plain)
    };
    assert!(!warned(1_200).contains("bits/s"), "{}", warned(1_200));
    let told = warned(1_220);
    assert!(told.contains("1220 bits/s, which hardly any probe has"), "{told}");
    assert!(told.contains("did you mean 1200?"), "{told}");
    let modbus = super::changed(&[("device = \"/dev/ttyS1\"", "device = \"/dev/ttyS1\"\nbaud = 9660")]);
    assert!(super::told(&modbus).contains("did you mean 9600?"), "{}", super::told(&modbus));
}

/// A farm with one line of text and what is told of it.
fn text_line(lines: &str, probe: &str) -> Result<super::super::farm::TextLine, String> {
    let text = line_farm(lines, probe);
    match from_text("/nowhere/farm.toml".as_ref(), text) {
        Ok(loaded) => Ok(loaded.farm.lines[0].clone()),
        Err(error) => Err(error.render(Style::Plain)),
    }
}

fn line_farm(lines: &str, probe: &str) -> String {
    format!(
        "{SMALL}\n[[line]]\nid = \"l\"\n{lines}\n[[line.probe]]\nid = \"x\"\npond = \"p1\"\npoll_every = \"1m\"\n{probe}\n"
    )
}

#[test]
fn a_line_of_text_has_the_settings_of_what_is_spoken() {
    use super::super::farm::{LineKind, Spoken, Wake};
    let sdi12 = "kind = \"sdi12\"\ndevice = \"/dev/ttyS7\"";
    let oxygen = "address = \"a\"\nprofile = \"sdi12-oxygen\"";
    let line = text_line(sdi12, oxygen).expect("sound");
    assert_eq!(
        (line.kind, line.baud, line.data_bits, line.parity),
        (LineKind::Sdi12, 1_200, 7, Parity::Even)
    );
    assert_eq!((line.wake, line.probes[0].retries), (Wake::Break, 2));
    assert!(matches!(line.probes[0].spoken, Spoken::Sensor(b'a', _)));
    let through = text_line("kind = \"sdi12\"\nserver = \"a:4001\"", oxygen).expect("sound");
    assert_eq!(through.wake, Wake::Adapter);
    let text = "kind = \"text\"\ndevice = \"/dev/ttyS7\"";
    let line = text_line(text, "profile = \"text-oxygen\"").expect("sound");
    assert_eq!((line.baud, line.data_bits, line.parity), (9_600, 8, Parity::None));
    for (lines, probe, words) in [
        (sdi12, "profile = \"sdi12-oxygen\"", "an SDI-12 sensor without an address"),
        (sdi12, "address = \"12\"\nprofile = \"sdi12-oxygen\"", "the address \"12\""),
        (sdi12, "address = \"?\"\nprofile = \"sdi12-oxygen\"", "the address \"?\""),
        (sdi12, "address = \"1\"\nprofile = \"optical-oxygen\"", "which is for Modbus"),
        (sdi12, "address = \"1\"\nprofile = \"text-oxygen\"", "which is for lines of text"),
        (text, "address = \"1\"\nprofile = \"text-oxygen\"", "an address on a line of text"),
        ("kind = \"text\"", "profile = \"text-oxygen\"", "a line without a device"),
        ("kind = \"spoken\"\ndevice = \"/dev/ttyS7\"", "profile = \"text-oxygen\"", "spoken"),
        ("kind = \"sdi12\"\nserver = \"a:4001\"\nwake = \"break\"", oxygen, "on a serial server"),
        ("kind = \"text\"\nwake = \"break\"\ndevice = \"/dev/ttyS7\"", "profile = \"text-oxygen\"", "`wake`"),
        (text, "profile = \"text-oxygen\"\ntimeout = \"30s\"", "waits for"),
        (text, "profile = \"text-oxygen\"\naerator = \"a\"", "`text-oxygen` reports none"),
    ] {
        let error = text_line(lines, probe).expect_err(words);
        assert!(error.contains(words), "{words}: {error}");
    }
    let twice = "address = \"1\"\nprofile = \"sdi12-oxygen\"\n[[line.probe]]\nid = \"y\"\npond = \"p1\"\n\
                 poll_every = \"1m\"\naddress = \"1\"\nprofile = \"sdi12-oxygen\"";
    assert!(text_line(sdi12, twice).expect_err("twice").contains("a second time on this line"));
    let taken = text_line("kind = \"sdi12\"\ndevice = \"/dev/ttyS1\"", oxygen).expect_err("the bus has it");
    assert!(taken.contains("the device /dev/ttyS1 a second time"), "{taken}");
    let modbus = SMALL.replace("profile = \"optical-oxygen\"", "profile = \"sdi12-oxygen\"");
    let error = from_text("/nowhere/farm.toml".as_ref(), modbus).map(|_| ()).expect_err("another kind");
    assert!(error.render(Style::Plain).contains("which is for SDI-12"));
}
