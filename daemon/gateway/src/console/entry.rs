//! The form for readings made by hand. It takes digits, signs and movement only, so that the
//! acknowledge key works here as everywhere.

use jiff::{Timestamp, ToSpan as _};
use pondreeve_chemistry::conversion::{Basis, convert};
use pondreeve_core::Quantity;

use crate::cli::enter::basis::{accepted, kept_as, names};
use crate::local::protocol::{Ask, FarmStatus};
use crate::texts::{Words, say};

use super::keys::Key;
use super::text::{FarmClock, number};
use super::words::quantity_name;

/// A hand reading of oxygen further than this from the probe's is said at once, mg/L. (Common
/// practice, no source.)
const DIFFERENCE_MG_L: f64 = 0.5;

/// A probe's value older than this is not compared with, seconds.
const COMPARE_WITHIN_S: i64 = 900;

/// Longest text of a field.
pub(crate) const FIELD_COLUMNS: usize = 7;

/// What can be entered, in the order of the form: what is measured most often first.
pub(crate) const FIELDS: [Quantity; 22] = [
    Quantity::DoMgL,
    Quantity::TemperatureC,
    Quantity::Ph,
    Quantity::SalinityPsu,
    Quantity::TanMgL,
    Quantity::NitriteMgL,
    Quantity::NitrateMgL,
    Quantity::PhosphateMgL,
    Quantity::AlkalinityMgL,
    Quantity::SecchiCm,
    Quantity::DepthM,
    Quantity::HardnessMgL,
    Quantity::CalciumMgL,
    Quantity::MagnesiumMgL,
    Quantity::IronMgL,
    Quantity::SulfideMgL,
    Quantity::SludgePh,
    Quantity::SludgeOrpMv,
    Quantity::OrpMv,
    Quantity::TurbidityNtu,
    Quantity::ConductivityMsCm,
    Quantity::PressureHpa,
];

/// Where the cursor is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    /// On the pond.
    Pond,
    /// On the time of sampling.
    Time,
    /// On a value, by position in [`FIELDS`].
    Value(usize),
}

/// What a key led to.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Outcome {
    /// Nothing to do yet.
    Editing,
    /// Refused, with the reason and what is accepted.
    Wrong(String),
    /// Complete: send this.
    Send(Ask),
}

/// The form.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    /// Position of the pond.
    pub(crate) pond: usize,
    /// Whether a person said which pond, rather than the form assuming one.
    pub(crate) pond_chosen: bool,
    /// Cursor.
    pub(crate) place: Place,
    /// Text of each field of [`FIELDS`].
    pub(crate) values: [String; FIELDS.len()],
    /// What the kit of each field counts, by position among what is accepted; `None` until said.
    pub(crate) bases: [Option<usize>; FIELDS.len()],
    /// Text of the sampling time; empty for now.
    pub(crate) time: String,
    /// Whether the daemon has it and has not answered.
    pub(crate) sending: bool,
    /// How the hand reading differs from the probe's, where it does.
    pub(crate) difference: Option<String>,
    /// What a kit's values were converted to, where they were.
    pub(crate) converted: Option<String>,
    /// What was typed in one line, to be read back.
    pub(crate) said: String,
}

impl Entry {
    /// An empty form.
    pub(crate) fn new(pond: usize, pond_chosen: bool) -> Self {
        Self {
            pond,
            pond_chosen,
            place: if pond_chosen { Place::Value(0) } else { Place::Pond },
            values: Default::default(),
            bases: [None; FIELDS.len()],
            time: String::new(),
            sending: false,
            difference: None,
            converted: None,
            said: String::new(),
        }
    }

    /// Handles one key.
    pub(crate) fn key(&mut self, key: Key, farm: &FarmStatus, clock: FarmClock) -> Outcome {
        if self.sending {
            return Outcome::Wrong(say!(clock.words(), "sending-wait"));
        }
        match key {
            Key::Tab | Key::Down => self.place = self.moved(1),
            Key::BackTab | Key::Up => self.place = self.moved(-1),
            Key::Left | Key::Right if self.place == Place::Pond => {
                let last = farm.ponds.len().saturating_sub(1);
                self.pond = if key == Key::Left { self.pond.saturating_sub(1) } else { self.pond + 1 };
                self.pond = self.pond.min(last);
                self.pond_chosen = true;
            }
            Key::Left | Key::Right => self.place = self.across(),
            Key::Backspace => {
                if let Some(text) = self.text() {
                    text.pop();
                }
            }
            Key::Enter => return self.send(farm, clock),
            Key::Char('u') if self.turn_basis() => {}
            Key::Char(digit) if self.place == Place::Pond => {
                return self.pond_digit(digit, farm, clock.words());
            }
            // A comma is the decimal sign of half the world's number pads.
            Key::Char(character @ ('0'..='9' | '.' | ',' | '-' | ':')) => {
                if let Some(text) = self.text()
                    && text.len() < FIELD_COLUMNS
                {
                    text.push(if character == ',' { '.' } else { character });
                }
            }
            Key::Char(_) => {
                return Outcome::Wrong(say!(clock.words(), "entry-only-digits"));
            }
            _ => {}
        }
        Outcome::Editing
    }

    /// Goes on to the next thing the kit may count. `false` where the cursor is on no kit's value.
    fn turn_basis(&mut self) -> bool {
        let Place::Value(field) = self.place else { return false };
        let Some((quantity, basis)) = FIELDS.get(field).zip(self.bases.get_mut(field)) else { return false };
        let known = accepted(*quantity).len();
        if known > 0 {
            *basis = Some(basis.map_or(0, |chosen| (chosen + 1) % known));
        }
        known > 0
    }

    /// What the kit of a field counts, once that was said.
    pub(crate) fn basis(&self, field: usize) -> Option<Basis> {
        accepted(*FIELDS.get(field)?).get((*self.bases.get(field)?)?).copied()
    }

    fn pond_digit(&mut self, digit: char, farm: &FarmStatus, words: Words) -> Outcome {
        let chosen = digit.to_digit(10).map_or(0, |digit| digit as usize);
        if (1..=farm.ponds.len()).contains(&chosen) {
            self.pond = chosen - 1;
            self.pond_chosen = true;
            self.place = Place::Value(0);
            return Outcome::Editing;
        }
        Outcome::Wrong(say!(words, "entry-choose-pond", last = farm.ponds.len().min(9)))
    }

    fn text(&mut self) -> Option<&mut String> {
        match self.place {
            Place::Pond => None,
            Place::Time => Some(&mut self.time),
            Place::Value(field) => self.values.get_mut(field),
        }
    }

    fn moved(&self, by: isize) -> Place {
        let count = FIELDS.len() + 2;
        let here = match self.place {
            Place::Pond => 0,
            Place::Time => 1,
            Place::Value(field) => field + 2,
        };
        match (here + count).saturating_add_signed(by) % count {
            0 => Place::Pond,
            1 => Place::Time,
            field => Place::Value(field - 2),
        }
    }

    /// The field beside this one: the form has two columns.
    fn across(&self) -> Place {
        let half = FIELDS.len() / 2;
        match self.place {
            Place::Value(field) if field >= half => Place::Value(field - half),
            Place::Value(field) => Place::Value(field + half),
            other => other,
        }
    }

    /// Every value as it was typed: who entered it must find the slip of a finger.
    fn read_back(&self, pond: &str, words: Words) -> String {
        let typed = FIELDS.iter().zip(&self.values).filter(|(_, text)| !text.is_empty());
        let typed: Vec<String> = typed
            .map(|(quantity, text)| {
                let name = quantity_name(words, quantity.id());
                format!("{name} {text} {}", quantity.unit()).trim_end().to_owned()
            })
            .collect();
        format!("{} {}", pond.to_uppercase(), typed.join(", "))
    }

    fn send(&mut self, farm: &FarmStatus, clock: FarmClock) -> Outcome {
        let words = clock.words();
        let Some(pond) = farm.ponds.get(self.pond).filter(|_| self.pond_chosen) else {
            self.place = Place::Pond;
            return Outcome::Wrong(say!(words, "which-pond-arrows", last = farm.ponds.len().min(9)));
        };
        let mut values = Vec::new();
        let mut converted = Vec::new();
        for (field, (quantity, text)) in FIELDS.iter().zip(&self.values).enumerate() {
            if text.is_empty() {
                continue;
            }
            match read_value(*quantity, text, words) {
                Ok(value) => {
                    let Some(kept) = kept_as(*quantity) else {
                        values.push((quantity.id().to_owned(), value));
                        continue;
                    };
                    // One mg/L of nitrite as NO2 is 0.30 as N: never guessed.
                    let Some(basis) = self.basis(field) else {
                        self.place = Place::Value(field);
                        return Outcome::Wrong(say!(
                            words,
                            "entry-what-kit",
                            name = quantity_name(words, quantity.id()),
                            bases = names(*quantity, &format!(" {} ", say!(words, "or"))),
                        ));
                    };
                    let stored = convert(value, basis, kept).unwrap_or(value);
                    if basis != kept {
                        converted.push(say!(
                            words,
                            "entry-converted",
                            text = text,
                            from = basis.name(),
                            stored = number(stored, 2),
                            to = kept.name(),
                        ));
                    }
                    values.push((quantity.id().to_owned(), stored));
                }
                Err(why) => {
                    self.place = Place::Value(field);
                    return Outcome::Wrong(why);
                }
            }
        }
        if values.is_empty() {
            return Outcome::Wrong(say!(words, "entry-nothing-typed"));
        }
        let at = match read_time(&self.time, clock, &say!(words, "entry-sampled-at")) {
            Ok(at) => at,
            Err(why) => {
                self.place = Place::Time;
                return Outcome::Wrong(why);
            }
        };
        self.converted = (!converted.is_empty()).then(|| converted.join("; "));
        self.difference = None;
        self.said = self.read_back(&pond.id, words);
        let by_hand = values.iter().find(|(id, _)| id == Quantity::DoMgL.id()).map(|(_, value)| *value);
        let by_probe = pond.readings.iter().find(|reading| reading.quantity == Quantity::DoMgL.id());
        if let (Some(hand), Some(probe), None) = (by_hand, by_probe, &at)
            && let Some(value) = probe.value.filter(|_| probe.age_s <= COMPARE_WITHIN_S)
            && (hand - value).abs() > DIFFERENCE_MG_L
        {
            self.difference = Some(say!(
                words,
                "entry-different",
                pond = pond.id.to_uppercase(),
                hand = number(hand, 2),
                probe = number(value, 2),
            ));
        } else if let (Some(_), Some(value), None) = (by_hand, by_probe.and_then(|probe| probe.value), &at) {
            self.said.push_str(&say!(words, "entry-probe-reads", value = number(value, 2)));
        }
        Outcome::Send(Ask::Enter { pond: pond.id.clone(), values, at })
    }
}

/// Reads a typed value.
fn read_value(quantity: Quantity, text: &str, words: Words) -> Result<f64, String> {
    let (low, high) = quantity.conceivable();
    let accepted = say!(
        words,
        "entry-accepted",
        low = low.to_string(),
        high = high.to_string(),
        unit = quantity.unit(),
    );
    let (name, accepted) = (quantity_name(words, quantity.id()), accepted.trim_end());
    match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        Ok(value) => {
            Err(say!(words, "entry-cannot-be", name = name, value = value.to_string(), accepted = accepted))
        }
        Err(_) => Err(say!(words, "entry-no-number", name = name, text = text, accepted = accepted)),
    }
}

/// Reads a typed farm-local time of day as the last such moment, RFC 3339; `None` for now. A refusal begins with
/// the field's label.
pub(super) fn read_time(text: &str, clock: FarmClock, label: &str) -> Result<Option<String>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let words = clock.words();
    let wrong = || say!(words, "entry-no-time", label = label, text = text);
    let (hour, minute) = text.split_once(':').ok_or_else(wrong)?;
    let hour: i8 = hour.parse().map_err(|_| wrong())?;
    let minute: i8 = minute.parse().map_err(|_| wrong())?;
    let time = jiff::civil::Time::new(hour, minute, 0, 0).map_err(|_| wrong())?;
    let now = clock.now().ok_or_else(|| say!(words, "entry-no-clock"))?;
    let today = clock.offset().to_datetime(now).date().to_datetime(time);
    let mut at: Timestamp = clock.offset().to_timestamp(today).map_err(|_| wrong())?;
    if at > now {
        at = at.checked_sub(24.hours()).map_err(|_| wrong())?;
    }
    Ok(Some(at.to_string()))
}

#[cfg(test)]
mod tests {
    use super::super::sample;
    use super::*;

    fn clock() -> FarmClock {
        // 02:14 on the farm.
        FarmClock::new("2026-11-25T07:14:00Z", -5 * 3_600)
    }

    fn type_in(entry: &mut Entry, keys: &str) -> Outcome {
        let farm = sample::normal_night();
        let mut outcome = Outcome::Editing;
        for character in keys.chars() {
            let key = match character {
                '\n' => Key::Enter,
                '\t' => Key::Tab,
                '<' => Key::Backspace,
                other => Key::Char(other),
            };
            outcome = entry.key(key, &farm, clock());
        }
        outcome
    }

    /// By hand from the atomic weights of N and O: 1.2 mg/L as NO2 is 0.365 as N.
    #[test]
    fn what_a_kit_counts_is_asked_and_never_guessed() {
        let mut entry = Entry::new(0, true);
        entry.place = Place::Value(5);
        let Outcome::Wrong(why) = type_in(&mut entry, "1.2\n") else { panic!("sent unasked") };
        assert!(why.contains("what does the kit count? Press u until it says N or NO2"), "{why}");
        let Outcome::Send(Ask::Enter { values, .. }) = type_in(&mut entry, "uu\n") else {
            panic!("not sent")
        };
        assert_eq!(values[0].0, "nitrite_mg_l");
        assert!((values[0].1 - 0.3654).abs() < 2e-4, "{values:?}");
        assert_eq!(entry.converted.as_deref(), Some("1.2 as NO2 is 0.37 as N"));
        // As N it is kept as it is.
        let mut entry = Entry::new(0, true);
        entry.place = Place::Value(4);
        let Outcome::Send(Ask::Enter { values, .. }) = type_in(&mut entry, "0.8u\n") else {
            panic!("not sent")
        };
        assert_eq!((values[0].1, entry.converted), (0.8, None));
    }

    #[test]
    fn one_hand_reading_takes_two_presses_beyond_its_digits() {
        let mut entry = Entry::new(0, false);
        let Outcome::Send(Ask::Enter { pond, values, at }) = type_in(&mut entry, "24.6\n") else {
            panic!("not sent")
        };
        assert_eq!((pond.as_str(), at), ("p2", None));
        assert_eq!(values, [("do_mg_l".to_owned(), 4.6)]);
    }

    #[test]
    fn several_values_and_a_comma_and_a_slip_of_the_finger() {
        let mut entry = Entry::new(2, true);
        let Outcome::Send(Ask::Enter { pond, values, .. }) = type_in(&mut entry, "4,67<\t29.1\t8.1\n") else {
            panic!("not sent")
        };
        assert_eq!(pond, "p3");
        let expected = [("do_mg_l", 4.6), ("temperature_c", 29.1), ("ph", 8.1)];
        assert_eq!(values, expected.map(|(id, value)| (id.to_owned(), value)));
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_is_accepted_and_nothing_is_lost() {
        let mut entry = Entry::new(0, true);
        let Outcome::Wrong(why) = type_in(&mut entry, "4.6\t\t81\n") else { panic!("sent") };
        assert!(why.contains("pH 81") && why.contains("0 to 14"), "{why}");
        assert_eq!(entry.place, Place::Value(2));
        assert_eq!(entry.values[0], "4.6");
        let mut entry = Entry::new(0, true);
        let Outcome::Wrong(why) = type_in(&mut entry, "4.6.1\n") else { panic!("sent") };
        assert!(why.contains("no number"), "{why}");
        let Outcome::Wrong(why) = type_in(&mut Entry::new(0, true), "\n") else { panic!("sent") };
        assert!(why.contains("Nothing typed"), "{why}");
    }

    #[test]
    fn the_pond_must_be_said() {
        let mut entry = Entry::new(0, false);
        let Outcome::Wrong(why) = type_in(&mut entry, "\t\t4.6\n") else { panic!("sent") };
        assert!(why.contains("Which pond"), "{why}");
        assert_eq!(entry.place, Place::Pond);
        let Outcome::Wrong(why) = type_in(&mut entry, "9") else { panic!("accepted") };
        assert!(why.contains("1 to 4"), "{why}");
    }

    #[test]
    fn a_time_of_day_is_the_last_such_time_on_the_farm() {
        assert_eq!(read_time("", clock(), "At"), Ok(None));
        assert_eq!(read_time("01:50", clock(), "At"), Ok(Some("2026-11-25T06:50:00Z".to_owned())));
        // Later than now, so yesterday evening.
        assert_eq!(read_time("18:30", clock(), "At"), Ok(Some("2026-11-24T23:30:00Z".to_owned())));
        for wrong in ["24:00", "12:60", "1230", ":", "-1:30"] {
            assert!(read_time(wrong, clock(), "At").is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_reading_far_from_the_probes_is_said() {
        let mut entry = Entry::new(0, true);
        assert!(matches!(type_in(&mut entry, "1.0\n"), Outcome::Send(_)));
        let said = entry.difference.unwrap();
        assert!(said.contains("P1 oxygen by hand 1.00, probe 6.12 mg/L"), "{said}");
    }
}
