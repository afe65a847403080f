//! Profiles of SDI-12 sensors and of probes that send lines of text.

use pondreeve_protocol::reported::Reported;
use pondreeve_protocol::sdi12::{Command, SensorMap, VALUES_MAX};
use pondreeve_protocol::text_line::{Checksum, LineMap, Pattern};
use toml::de::{DeTable, DeValue};

use super::Walk;

const SENSOR_KEYS: &[&str] = &["id", "description", "kind", "measurement", "number", "crc", "value"];
const TEXT_KEYS: &[&str] =
    &["id", "description", "kind", "ask", "pattern", "end", "longest", "checksum", "example", "value"];

/// Keys of a value beside the one that says where it stands.
const VALUE_KEYS: &[&str] = &["channel", "scale", "offset", "unit", "no_value", "range", "loop"];

/// Longest line of text, bytes.
const LONGEST: i64 = 1_024;
/// Where the profile says nothing.
const LONGEST_DEFAULT: usize = 120;
/// Longest question or end of a line, bytes.
const SENT_MAX: usize = 64;

/// Where a profile says which value is meant.
type Places = Vec<(DePlace, Reported)>;

/// A position or the name of a capture, and where that is written.
struct DePlace {
    position: i64,
    name: String,
    offset: usize,
}

impl Walk<'_> {
    fn head(&mut self, root: &DeTable<'_>, known: &[&str]) -> (Option<String>, Option<String>) {
        self.unknown_keys(root, known);
        let accepted = "a short name of lower case letters, digits and `-`";
        let id = self.text(root, "id", Some(0), accepted);
        if let (Some(id), Some(value)) = (&id, root.get("id"))
            && !id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        {
            self.wrong(value, "id", accepted);
        }
        (id, self.text(root, "description", Some(0), "a line that says which probe it is"))
    }

    /// The tables `[[value]]`; `place` is the key that says which value of the answer each is.
    fn values(&mut self, root: &DeTable<'_>, place: &str) -> Option<Places> {
        let accepted = "at least one table `[[value]]`";
        let list = self.value(root, "value", Some(0), accepted)?;
        let items =
            list.get_ref().as_array().filter(|items| (1..=usize::from(VALUES_MAX)).contains(&items.len()));
        let Some(items) = items else {
            self.wrong(list, "value", format!("{accepted}, at most {VALUES_MAX}"));
            return None;
        };
        let known: Vec<&str> = VALUE_KEYS.iter().copied().chain([place]).collect();
        let mut values: Places = Vec::new();
        for item in items {
            let here = item.span().start;
            let Some(table) = item.get_ref().as_table() else {
                self.report(here, "a value that is not a table".into(), "tables `[[value]]`");
                continue;
            };
            self.unknown_keys(table, &known);
            let reported = self.reported(table, here);
            let (position, name) = if place == "position" {
                (self.whole(table, place, Some(here), 1..i64::from(VALUES_MAX) + 1), Some(String::new()))
            } else {
                (Some(0), self.text(table, place, Some(here), "the name of a capture of the pattern"))
            };
            let (Some(reported), Some(position), Some(name)) = (reported, position, name) else { continue };
            let offset = table.get(place).map_or(here, |value| value.span().start);
            if values.iter().any(|(_, other)| other.channel == reported.channel) {
                let offset = table.get("channel").map_or(here, |value| value.span().start);
                let found = format!("`{}` a second time", reported.channel);
                self.report(
                    offset,
                    found,
                    "each channel once in a profile: one probe has one value of a quantity",
                );
            }
            if reported.channel == super::SET_SALINITY {
                let found = format!("`{}` as a value", reported.channel);
                self.report(
                    here,
                    found,
                    "a measured quantity; settings are read from Modbus registers alone",
                );
            }
            values.push((DePlace { position, name, offset }, reported));
        }
        (values.len() == items.len()).then_some(values)
    }

    pub(super) fn sensor(&mut self, root: &DeTable<'_>) -> Option<SensorMap> {
        let (id, description) = self.head(root, SENSOR_KEYS);
        let letters = [("M", false), ("C", true)];
        let concurrent = match root.get("measurement") {
            Some(_) => self.word(root, "measurement", None, &letters),
            None => Some(false),
        };
        let number = match self.whole(root, "number", None, 0..10) {
            Some(number) => u8::try_from(number).ok(),
            None => (!root.contains_key("number")).then_some(0),
        };
        let crc = self.yes_no(root, "crc", true);
        let values = self.values(root, "position")?;
        for (index, (place, _)) in values.iter().enumerate() {
            if values.iter().take(index).any(|(other, _)| other.position == place.position) {
                let found = format!("position {} a second time", place.position);
                self.report(place.offset, found, "each position of the answer once");
            }
        }
        let (number, crc) = (number?, crc?);
        let measurement =
            if concurrent? { Command::Concurrent { number, crc } } else { Command::Measure { number, crc } };
        let positioned =
            |(place, reported): (DePlace, Reported)| Some((u8::try_from(place.position).ok()?, reported));
        let values = values.into_iter().map(positioned).collect::<Option<_>>()?;
        Some(SensorMap { id: id?, description: description?, measurement, values })
    }

    pub(super) fn lines(&mut self, root: &DeTable<'_>) -> Option<LineMap> {
        let (id, description) = self.head(root, TEXT_KEYS);
        let ask = self.sent(root, "ask");
        let end = match self.sent(root, "end") {
            Some(None) => Some(b"\r\n".to_vec()),
            other => other?,
        };
        let longest = match self.whole(root, "longest", None, 1..LONGEST + 1) {
            Some(longest) => usize::try_from(longest).ok(),
            None => (!root.contains_key("longest")).then_some(LONGEST_DEFAULT),
        };
        let checksums = [("none", Checksum::None), ("xor", Checksum::Xor)];
        let checksum = match root.get("checksum") {
            Some(_) => self.word(root, "checksum", None, &checksums),
            None => Some(Checksum::None),
        };
        let accepted = "a regular expression with named captures, such as '(?P<oxygen>\\d+\\.\\d+) mg/L'";
        let written = self.text(root, "pattern", Some(0), accepted);
        let pattern = match (written.as_deref().map(Pattern::new), root.get("pattern")) {
            (Some(Err(why)), Some(value)) => {
                self.wrong(value, "pattern", format!("{accepted} ({why})"));
                None
            }
            (Some(pattern), _) => pattern.ok(),
            (None, _) => None,
        };
        let example = self.text(
            root,
            "example",
            Some(0),
            "a line as the probe sends it, its checksum and end left out",
        );
        let values = self.values(root, "capture")?;
        let pattern = pattern?;
        let names: Vec<&str> = pattern.names().collect();
        for (place, _) in values.iter().filter(|(place, _)| !names.contains(&place.name.as_str())) {
            let accepted =
                if names.is_empty() { "none, for it names none".to_owned() } else { names.join(", ") };
            let found = format!("the capture `{}`, which the pattern does not name", place.name);
            self.report(place.offset, found, format!("a capture of the pattern: {accepted}"));
        }
        let all_named = values.iter().all(|(place, _)| names.contains(&place.name.as_str()));
        let values = values.into_iter().map(|(place, reported)| (place.name, reported)).collect();
        let (id, description, checksum) = (id?, description?, checksum?);
        let (ask, end, longest, example) = (ask?, end?, longest?, example?);
        let map = LineMap { id, description, ask, end, longest, checksum, pattern, values, example };
        // What a person has seen the probe send is the best test of what was written here.
        if all_named
            && let Err(why) =
                (LineMap { checksum: Checksum::None, ..map.clone() }).read(map.example.as_bytes())
            && let Some(value) = root.get("example")
        {
            self.wrong(value, "example", format!("a line that fits the pattern ({why})"));
            return None;
        }
        Some(map)
    }

    /// Characters that are sent or end a line: outer `None` on a problem, inner where the key is absent.
    #[expect(clippy::option_option, reason = "outer: sound or not; inner: said or not")]
    fn sent(&mut self, root: &DeTable<'_>, key: &str) -> Option<Option<Vec<u8>>> {
        let Some(value) = root.get(key) else { return Some(None) };
        match value.get_ref().as_str().filter(|text| (1..=SENT_MAX).contains(&text.len()) && text.is_ascii())
        {
            Some(text) => Some(Some(text.as_bytes().to_vec())),
            None => {
                self.wrong(
                    value,
                    key,
                    format!("1 to {SENT_MAX} ASCII characters in quotes, such as \"R\\r\""),
                );
                None
            }
        }
    }

    fn yes_no(&mut self, root: &DeTable<'_>, key: &str, default: bool) -> Option<bool> {
        match root.get(key).map(|value| (value, value.get_ref())) {
            None => Some(default),
            Some((_, DeValue::Boolean(yes))) => Some(*yes),
            Some((value, _)) => {
                self.wrong(value, key, "`true` or `false`, without quotes");
                None
            }
        }
    }
}
