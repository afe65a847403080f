//! Drafts of profiles for what no known profile fits: all that can be seen is in them, and what a number means is
//! left to the person who has the manual.

use std::fmt::Write as _;

use pondreeve_core::quantity::Quantity;
use pondreeve_protocol::text_line::xor;

use super::{Heard, Measured, letters, meaning};

/// Stands where only a person knows the quantity.
const SAY: &str = "SAY-WHICH-QUANTITY";

/// The same of a unit.
const SAY_UNIT: &str = "SAY-WHICH-UNIT";

/// Whether a draft leaves nothing to be said by a person.
pub(super) fn is_whole(draft: &str) -> bool {
    !draft.contains(SAY) && !draft.contains(SAY_UNIT)
}

/// A profile of a sensor that gives these values.
pub(super) fn of_sensor(id: &str, description: &str, measured: &Measured) -> String {
    let command = letters(measured.command);
    let crc = command.get(1..2) == Some("C");
    let letter = command.get(..1).unwrap_or("M");
    let mut text = head(id, description, "sdi12");
    let _ = writeln!(text, "measurement = \"{letter}\"");
    if measured.number() > 0 {
        let _ = writeln!(text, "number = {}", measured.number());
    }
    if !crc {
        text.push_str("crc = false\n");
    }
    let values = measured.looks.last().cloned().unwrap_or_default();
    for (place, value) in values.iter().enumerate() {
        let told = measured.told.get(place);
        let says =
            told.map_or_else(String::new, |own| format!("; the sensor calls it {}", meaning::words(own)));
        let quantity = told.and_then(meaning::quantity);
        // Of what has no unit of its own the quantity says it.
        let unit = told
            .and_then(meaning::unit)
            .or_else(|| quantity.map(Quantity::unit).filter(|unit| unit.is_empty()));
        let _ = write!(
            text,
            "\n# value {number} read {value}{says}\n[[value]]\nchannel = \"{channel}\"\nposition = {number}\nunit = \"{unit}\"\n",
            number = place + 1,
            channel = quantity.map_or(SAY, Quantity::id),
            unit = unit.unwrap_or(SAY_UNIT),
        );
    }
    text
}

/// A profile of a probe that sends such lines; `None` for a line without a number.
pub(super) fn of_lines(id: &str, heard: &Heard) -> Option<String> {
    let line = heard.lines.last()?;
    let line = std::str::from_utf8(line).ok()?;
    let (body, has_checksum) = match line.rsplit_once('*') {
        Some((body, check))
            if u8::from_str_radix(check, 16) == Ok(xor(body.as_bytes())) && check.len() == 2 =>
        {
            (body, true)
        }
        _ => (line, false),
    };
    let (pattern, numbers) = pattern(body);
    if numbers.is_empty() {
        return None;
    }
    let mut text = head(id, "lines of text: say of what", "text");
    if let Some(ask) = &heard.asked {
        let _ = writeln!(text, "ask = {}", quoted(ask));
    }
    if heard.end != b"\r\n" {
        let _ = writeln!(text, "end = {}", quoted(&heard.end));
    }
    if has_checksum {
        text.push_str("checksum = \"xor\"\n");
    }
    let _ = writeln!(text, "pattern = '{pattern}'");
    let _ = writeln!(text, "example = {}", quoted(body.as_bytes()));
    for (place, number) in numbers.iter().enumerate() {
        let _ = write!(
            text,
            "\n# v{place} read {number}\n[[value]]\nchannel = \"{SAY}\"\ncapture = \"v{place}\"\nunit = \"{SAY_UNIT}\"\n",
            place = place + 1
        );
    }
    Some(text)
}

fn head(id: &str, description: &str, kind: &str) -> String {
    let description = quoted(description.as_bytes());
    format!("id = \"{id}\"\ndescription = {description}\nkind = \"{kind}\"\n")
}

/// As TOML writes it: a line may hold anything.
fn quoted(bytes: &[u8]) -> String {
    toml::Value::String(String::from_utf8_lossy(bytes).into_owned()).to_string()
}

/// A pattern in which each number of a line is a capture with as many digits behind the point, and the numbers. A digit
/// within a word is none.
fn pattern(line: &str) -> (String, Vec<String>) {
    let (mut pattern, mut numbers) = (String::new(), Vec::new());
    let mut rest = line;
    let mut before = ' ';
    while let Some(first) = rest.chars().next() {
        let number = number_at(rest).filter(|_| !before.is_ascii_alphanumeric() && before != '.');
        if let Some(length) = number {
            let (digits, after) = rest.split_at(length);
            numbers.push(digits.to_owned());
            let decimals = digits.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            let fraction = if decimals == 0 { String::new() } else { format!(r"\.\d{{{decimals}}}") };
            let _ = write!(pattern, r"(?P<v{}>[+-]?\d{{1,5}}{fraction})", numbers.len());
            before = '0';
            rest = after;
            continue;
        }
        if !first.is_ascii_alphanumeric()
            && !matches!(first, ' ' | ',' | ';' | ':' | '=' | '/' | '%' | '_' | '\'')
        {
            pattern.push('\\');
        }
        match first {
            // A literal string of TOML has no way to say it.
            '\'' => pattern.push_str(r"\x27"),
            '\t' => {
                pattern.pop();
                pattern.push_str(r"\t");
            }
            other => pattern.push(other),
        }
        before = first;
        rest = rest.get(first.len_utf8()..).unwrap_or_default();
    }
    (pattern, numbers)
}

/// The length of a number at the beginning of a text.
fn number_at(text: &str) -> Option<usize> {
    let sign = usize::from(text.starts_with(['+', '-']));
    let digits = |from: usize| text.bytes().skip(from).take_while(u8::is_ascii_digit).count();
    let whole = digits(sign);
    if whole == 0 || whole > 5 {
        return None;
    }
    let point = sign + whole;
    let decimals = if text.as_bytes().get(point) == Some(&b'.') { digits(point + 1) } else { 0 };
    let end = if decimals == 0 { point } else { point + 1 + decimals };
    // What a letter follows at once is no number of its own, but a unit may.
    Some(end)
}

#[cfg(test)]
mod tests {
    use pondreeve_protocol::sdi12::Command;

    use super::super::super::Setting;
    use super::*;
    use crate::config::profile::{self, Profile};

    fn heard(line: &str, asked: Option<&str>) -> Heard {
        Heard {
            setting: Setting::parse("9600").unwrap(),
            asked: asked.map(|ask| ask.as_bytes().to_vec()),
            lines: vec![line.as_bytes().to_vec()],
            end: b"\n".to_vec(),
            guesses: Vec::new(),
            others: Vec::new(),
        }
    }

    /// A person has said what each value is.
    fn filled_in(draft: &str) -> Profile {
        let quantities =
            [("do_mg_l", "mg/L"), ("temperature_c", "Cel"), ("ph", "pH"), ("salinity_psu", "PSU")];
        let mut draft = draft.to_owned();
        for (channel, unit) in quantities {
            draft = draft.replacen(SAY, channel, 1).replacen("SAY-WHICH-UNIT", unit, 1);
        }
        profile::parse_any(&draft, "draft").unwrap_or_else(|problems| panic!("{problems:?}\n{draft}"))
    }

    #[test]
    fn a_draft_reads_the_line_it_was_made_of_once_the_quantities_are_said() {
        for (line, asked, values) in [
            ("OX 6.42 mg/L 28.9 C", Some("R\r"), &[6.42, 28.9][..]),
            ("$WX,1011.3,1450*13", None, &[1_011.3, 1_450.0]),
            ("D=+7.86pH;T1=28.9'C [ok]", None, &[7.86, 28.9]),
            ("(3)\t-4.4 | 12", None, &[3.0, -4.4, 12.0]),
        ] {
            let draft = of_lines("new-1", &heard(line, asked)).unwrap();
            let Profile::Text(map) = filled_in(&draft) else { panic!("{draft}") };
            let read = map.read(line.as_bytes()).unwrap_or_else(|why| panic!("{why}\n{draft}"));
            let read: Vec<f64> = read.into_iter().map(|(_, value)| value.unwrap()).collect();
            assert_eq!(read, values, "{draft}");
        }
        assert_eq!(of_lines("new-1", &heard("READY", None)), None);
    }

    #[test]
    fn a_draft_of_a_sensor_asks_as_it_was_asked() {
        let looks = vec![vec![6.42, 28.9]];
        for (command, crc) in [
            (Command::Measure { number: 0, crc: true }, true),
            (Command::Concurrent { number: 0, crc: false }, false),
            (Command::Measure { number: 3, crc: true }, true),
        ] {
            let measured =
                Measured { command, announced: 2, ready_after_s: 0, looks: looks.clone(), told: Vec::new() };
            let Profile::Sensor(map) = filled_in(&of_sensor("sensor-1", "ACME X", &measured)) else {
                panic!()
            };
            assert_eq!((map.measurement, map.has_crc(), map.values.len()), (command, crc, 2));
        }
    }
}
