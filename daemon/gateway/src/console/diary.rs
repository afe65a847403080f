//! The form for what was done to a pond. Digits and Enter: whatever needs words is chosen by a number, and
//! free words can be recorded with `pondreeve record note`.

mod lists;

#[cfg(test)]
pub(crate) use lists::CHOICES;
pub(crate) use lists::{DOSED, Field, KINDS, Sort, choice_key, choice_words};

use crate::local::diary::{DoseAsk, EntryAsk, RecordAsk, RecordedStatus, WaterAsk};
use crate::local::protocol::{Ask, FarmStatus};

use super::entry::read_time;
use super::keys::Key;
use super::text::FarmClock;
use crate::texts::{Words, say};

/// Longest text of a field.
const FIELD_COLUMNS: usize = 9;

/// What is chosen by its number: as the daemon keeps it, and as a person reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Choosable {
    /// As the daemon keeps it.
    pub(crate) kept: String,
    /// In the language that is spoken.
    pub(crate) read: String,
}

/// What a key led to.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Outcome {
    /// Nothing to do yet.
    Editing,
    /// Refused, with what is accepted.
    Wrong(String),
    /// Complete: send this.
    Send(Ask),
    /// Read and done with.
    Leave,
}

/// Where the cursor is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    /// On the pond.
    Pond,
    /// On the list of kinds.
    Kind,
    /// On a field of the kind.
    Field(usize),
    /// On the time.
    Time,
}

/// The form.
#[derive(Debug, Clone)]
pub(crate) struct Form {
    /// Position of the pond.
    pub(crate) pond: usize,
    /// Whether a person said which pond.
    pub(crate) pond_chosen: bool,
    /// Position of the kind, once chosen.
    pub(crate) kind: Option<usize>,
    /// The kind that Enter would take.
    pub(crate) marked: usize,
    /// Cursor.
    pub(crate) place: Place,
    /// Text of each field of the kind.
    pub(crate) texts: Vec<String>,
    /// Time of day; empty for now.
    pub(crate) time: String,
    /// Whether the daemon has it and has not answered.
    pub(crate) sending: bool,
    /// What contradicts what: Enter once more says that it is so.
    pub(crate) unsure: Option<String>,
    /// What was sent last.
    sent: Option<RecordAsk>,
    /// The entry as it was taken.
    pub(crate) recorded: Option<Box<RecordedStatus>>,
}

impl Form {
    /// An empty form.
    pub(crate) fn new(pond: usize, pond_chosen: bool) -> Self {
        Self {
            pond,
            pond_chosen,
            kind: None,
            marked: 0,
            place: if pond_chosen { Place::Kind } else { Place::Pond },
            texts: Vec::new(),
            time: String::new(),
            sending: false,
            unsure: None,
            sent: None,
            recorded: None,
        }
    }

    /// Fields of the kind that was chosen.
    pub(crate) fn fields(&self) -> &'static [Field] {
        self.kind.and_then(|kind| KINDS.get(kind)).map_or(&[], |(_, fields)| fields)
    }

    /// What can be chosen in a field.
    pub(crate) fn options(sort: Sort, farm: &FarmStatus, words: Words) -> Vec<Choosable> {
        match sort {
            Sort::Choice((list, options)) => options
                .iter()
                .enumerate()
                .map(|(place, option)| Choosable {
                    kept: (*option).to_owned(),
                    read: words.get(&choice_key(list, place)),
                })
                .collect(),
            Sort::Lot => {
                let lots = farm.lots.iter().take(9);
                lots.map(|lot| Choosable { kept: lot.clone(), read: lot.clone() }).collect()
            }
            Sort::Number | Sort::Time => Vec::new(),
        }
    }

    /// Handles one key.
    pub(crate) fn key(&mut self, key: Key, farm: &FarmStatus, clock: FarmClock) -> Outcome {
        let words = clock.words();
        if self.sending {
            return Outcome::Wrong(say!(words, "sending-wait"));
        }
        if self.recorded.is_some() {
            return match (key, self.asks_reason()) {
                (Key::Enter | Key::Char(' '), _) => Outcome::Leave,
                (Key::Char(digit), true) => self.give_reason(digit, words),
                _ => Outcome::Editing,
            };
        }
        if key != Key::Enter && self.unsure.take().is_some() {
            // What is typed now changes what was asked about.
        }
        match (self.place, key) {
            (Place::Pond, Key::Char(digit)) => return self.choose_pond(digit, farm, words),
            (Place::Pond, Key::Left | Key::Right) => {
                let last = farm.ponds.len().saturating_sub(1);
                let by = if key == Key::Left { -1 } else { 1 };
                self.pond = self.pond.saturating_add_signed(by).min(last);
                self.pond_chosen = true;
            }
            (Place::Kind, Key::Char(digit)) => return self.choose_kind(digit, words),
            (Place::Kind, Key::Enter) => self.take_kind(self.marked),
            (Place::Kind, Key::Up) => self.marked = self.marked.saturating_sub(1),
            (Place::Kind, Key::Down | Key::Tab) => self.marked = (self.marked + 1).min(KINDS.len() - 1),
            (Place::Kind, _) => {}
            (_, Key::Enter) => return self.send(farm, clock),
            (_, Key::Tab | Key::Down) => self.place = self.moved(1),
            (_, Key::BackTab | Key::Up) => self.place = self.moved(-1),
            (_, Key::Backspace) => {
                if let Some(text) = self.text() {
                    text.pop();
                }
            }
            (_, Key::Char(character)) => return self.typed(character, farm, words),
            _ => {}
        }
        Outcome::Editing
    }

    /// Whether a dose was taken that something speaks against, and nobody has said yet why it was given.
    pub(crate) fn asks_reason(&self) -> bool {
        self.recorded.as_ref().is_some_and(|recorded| recorded.wants_reason)
    }

    /// Puts the same dose with its reason in the place of the one that was taken.
    fn give_reason(&mut self, digit: char, words: Words) -> Outcome {
        let (_, reasons) = DOSED;
        let chosen = digit.to_digit(10).and_then(|digit| reasons.get((digit as usize).checked_sub(1)?));
        let Some(reason) = chosen else {
            return Outcome::Wrong(say!(words, "diary-choose-one", last = reasons.len()));
        };
        let number = self.recorded.as_ref().and_then(|recorded| recorded.entry.number);
        let (Some(number), Some(mut ask)) = (number, self.sent.clone()) else { return Outcome::Editing };
        ask.corrects = Some(number);
        if let EntryAsk::Dose(dose) = &mut ask.entry {
            dose.reason = Some((*reason).to_owned());
        }
        Outcome::Send(Ask::Record(Box::new(ask)))
    }

    fn typed(&mut self, character: char, farm: &FarmStatus, words: Words) -> Outcome {
        let chosen = match self.place {
            Place::Field(field) => {
                self.fields().get(field).map(|(.., sort)| Self::options(*sort, farm, words))
            }
            _ => None,
        };
        let options = chosen.filter(|options| !options.is_empty());
        if let Some(options) = options {
            let known =
                character.to_digit(10).is_some_and(|digit| (1..=options.len()).contains(&(digit as usize)));
            if !known {
                return Outcome::Wrong(say!(words, "diary-choose-one", last = options.len()));
            }
            if let Some(text) = self.text() {
                *text = character.to_string();
            }
            return Outcome::Editing;
        }
        if !matches!(character, '0'..='9' | '.' | ',' | '-' | ':') {
            return Outcome::Wrong(say!(words, "only-digits"));
        }
        if let Some(text) = self.text()
            && text.len() < FIELD_COLUMNS
        {
            // A comma is the decimal sign of half the world's number pads.
            text.push(if character == ',' { '.' } else { character });
        }
        Outcome::Editing
    }

    fn choose_pond(&mut self, digit: char, farm: &FarmStatus, words: Words) -> Outcome {
        let chosen = digit.to_digit(10).map_or(0, |digit| digit as usize);
        if (1..=farm.ponds.len()).contains(&chosen) {
            self.pond = chosen - 1;
            self.pond_chosen = true;
            self.place = if self.kind.is_some() { Place::Field(0) } else { Place::Kind };
            return Outcome::Editing;
        }
        Outcome::Wrong(say!(words, "which-pond-arrows", last = farm.ponds.len().min(9)))
    }

    fn choose_kind(&mut self, digit: char, words: Words) -> Outcome {
        match digit.to_digit(10) {
            Some(0) => self.take_kind(9),
            Some(digit) => self.take_kind(digit as usize - 1),
            None => return Outcome::Wrong(say!(words, "diary-what")),
        }
        Outcome::Editing
    }

    fn take_kind(&mut self, kind: usize) {
        self.kind = Some(kind);
        self.marked = kind;
        self.texts = vec![String::new(); self.fields().len()];
        self.place = Place::Field(0);
    }

    fn text(&mut self) -> Option<&mut String> {
        match self.place {
            Place::Pond | Place::Kind => None,
            Place::Time => Some(&mut self.time),
            Place::Field(field) => self.texts.get_mut(field),
        }
    }

    fn moved(&self, by: isize) -> Place {
        let fields = self.fields().len();
        let count = fields + 2;
        let here = match self.place {
            Place::Pond | Place::Kind => 0,
            Place::Field(field) => field + 1,
            Place::Time => fields + 1,
        };
        match (here + count).saturating_add_signed(by) % count {
            0 => Place::Pond,
            place if place > fields => Place::Time,
            place => Place::Field(place - 1),
        }
    }

    fn send(&mut self, farm: &FarmStatus, clock: FarmClock) -> Outcome {
        let Some(pond) = farm.ponds.get(self.pond).filter(|_| self.pond_chosen) else {
            self.place = Place::Pond;
            return Outcome::Wrong(say!(clock.words(), "which-pond", last = farm.ponds.len().min(9)));
        };
        let at = match read_time(&self.time, clock, &say!(clock.words(), "diary-at")) {
            Ok(at) => at,
            Err(why) => {
                self.place = Place::Time;
                return Outcome::Wrong(why);
            }
        };
        match self.entry(farm, clock) {
            Ok(entry) => {
                let ask = RecordAsk { pond: pond.id.clone(), entry, at, corrects: None };
                self.sent = Some(ask.clone());
                Outcome::Send(Ask::Record(Box::new(ask)))
            }
            Err((field, why)) => {
                self.place = Place::Field(field);
                Outcome::Wrong(why)
            }
        }
    }

    /// What the fields say; else which field is wrong, and what it takes.
    fn entry(&self, farm: &FarmStatus, clock: FarmClock) -> Result<EntryAsk, (usize, String)> {
        let text = |field: usize| self.texts.get(field).map_or("", String::as_str);
        let words = clock.words();
        let label =
            |field: usize| self.fields().get(field).map_or_else(String::new, |(label, ..)| words.get(label));
        let maybe = |field: usize| match text(field) {
            "" => Ok(None),
            own => own
                .parse::<f64>()
                .map(Some)
                .map_err(|_| (field, say!(words, "diary-no-number", label = label(field), text = own))),
        };
        let needed = |field: usize| {
            maybe(field)?.ok_or_else(|| (field, say!(words, "diary-type-number", label = label(field))))
        };
        let count = |field: usize, times: f64| {
            let number = needed(field)? * times;
            if number.fract().abs() < 1e-9 && (1.0..=f64::from(u32::MAX)).contains(&number) {
                Ok(number as u32)
            } else {
                Err((field, say!(words, "diary-whole-number", label = label(field))))
            }
        };
        let chosen = |field: usize| {
            let fields = self.fields().get(field);
            let options = fields.map_or_else(Vec::new, |(.., sort)| Self::options(*sort, farm, words));
            let place = text(field).parse::<usize>().ok().and_then(|place| place.checked_sub(1));
            place.and_then(|place| options.get(place)).map(|chosen| chosen.kept.clone())
        };
        let must_choose = |field: usize| {
            chosen(field).ok_or_else(|| (field, say!(words, "diary-choose-number", label = label(field))))
        };
        let stop = |field: usize| read_time(text(field), clock, &label(field)).map_err(|why| (field, why));
        let water = || {
            Ok(WaterAsk {
                level_before_m: maybe(0)?,
                level_after_m: maybe(1)?,
                refilled_to_m: maybe(2)?,
                volume_m3: maybe(3)?,
                stop: stop(4)?,
                ph: None,
            })
        };
        let kind = self.kind.and_then(|kind| KINDS.get(kind)).map_or("", |(id, _)| id);
        Ok(match kind {
            "feed" => EntryAsk::Feed { kg: needed(0)?, tray_left_percent: maybe(1)? },
            "dose" => EntryAsk::Dose(DoseAsk {
                slurry_kg: maybe(0)?,
                slurry_l: maybe(1)?,
                containers: maybe(2)?,
                lot: chosen(3),
                stop: stop(4)?,
                confirm_mismatch: self.unsure.is_some(),
                ..DoseAsk::default()
            }),
            "drain" => EntryAsk::Drain(water()?),
            "exchange" => EntryAsk::Exchange(water()?),
            "sampling" => EntryAsk::Sampling { count: count(0, 1.0)?, grams: needed(1)? },
            "mortality" => {
                let counted = if text(0).is_empty() { None } else { Some(count(0, 1.0)?) };
                EntryAsk::Mortality { count: counted, kg: maybe(1)? }
            }
            "harvest" => EntryAsk::Harvest {
                kg: needed(0)?,
                abw_g: maybe(1)?,
                price_per_kg: maybe(2)?,
                is_final: must_choose(3)?.starts_with("final"),
            },
            "weather" => EntryAsk::Weather { words: must_choose(0)? },
            "note" => EntryAsk::Note { words: must_choose(0)? },
            "sludge" => {
                EntryAsk::Sludge { ph: maybe(0)?, orp_mv: maybe(1)?, depth_cm: maybe(2)?, method: chosen(3) }
            }
            "count" => EntryAsk::Count {
                left: needed(0)?,
                delivered: maybe(1)?,
                lot: chosen(2),
                container_kg: None,
                reason: chosen(3),
            },
            "stocking" => EntryAsk::Stocking {
                count: count(0, 1_000.0)?,
                species: None,
                lot: None,
                size: None,
                abw_g: maybe(1)?,
            },
            "cost" => EntryAsk::Cost { item: must_choose(0)?, amount: needed(1)? },
            "price" => {
                let item = must_choose(0)?;
                let per = if item == "power" { "kWh" } else { "kg" }.to_owned();
                EntryAsk::Price { item, amount: needed(1)?, per }
            }
            _ => return Err((0, say!(words, "diary-what"))),
        })
    }
}
