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
