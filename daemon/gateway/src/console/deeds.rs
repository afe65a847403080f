//! The keys of the diary: what was done, and recording it.

use jiff::ToSpan as _;

use crate::local::diary::{DeedStatus, RecordedStatus};
use crate::local::protocol::{Ask, FarmStatus};

use super::diary::{Form, Outcome};
use super::keys::Key;
use super::text::FarmClock;
use super::ui::{Action, Page, Ui};
use crate::texts::say;

/// So far back the page goes, and so many it shows; `pondreeve record list` goes further.
const DAYS: i64 = 14;
const MOST: usize = 400;

impl Ui {
    /// From anywhere to what was done; from there to recording.
    pub(super) fn diary(&mut self, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let Some(farm) = farm.filter(|farm| live && !farm.ponds.is_empty()) else {
            self.no_daemon("said-no-diary", now_ms);
            return None;
        };
        if self.page == Page::Done {
            self.form = Some(Form::new(self.pond, self.form_pond));
            self.page = Page::Diary;
            return None;
        }
        // From a pond's own page it is plain which pond is meant.
        self.form_pond = matches!(self.page, Page::Pond | Page::Night | Page::Nights);
        self.page = Page::Done;
        self.scroll = 0;
        ask_deeds(farm)
    }

    pub(super) fn diary_key(
        &mut self,
        key: Key,
        farm: Option<&FarmStatus>,
        live: bool,
        now_ms: u64,
    ) -> Option<Action> {
        let clock = farm.map(|farm| self.clock(farm));
        let (Some(form), Some(farm), Some(clock)) = (&mut self.form, farm, clock) else {
            self.page = Page::Done;
            return None;
        };
        if key == Key::Escape {
            let is_recorded = form.recorded.is_some();
            self.form = None;
            self.page = Page::Done;
            if !is_recorded {
                self.tell("left-unrecorded", false, now_ms);
            }
            return None;
        }
        match form.key(key, farm, clock) {
            Outcome::Editing => None,
            Outcome::Wrong(why) => {
                self.say(&why, true, now_ms);
                None
            }
            Outcome::Leave => {
                self.form = None;
                self.page = Page::Done;
                None
            }
            Outcome::Send(_) if !live => {
                self.no_daemon("not-recorded", now_ms);
                None
            }
            Outcome::Send(ask) => {
                form.sending = true;
                self.tell("sending", false, now_ms);
                Some(Action::Ask(ask))
            }
        }
    }

    /// The entry is on disk. What else to ask then.
    pub(crate) fn recorded(
        &mut self,
        recorded: Box<RecordedStatus>,
        farm: Option<&FarmStatus>,
        now_ms: u64,
    ) -> Option<Action> {
        let number = recorded.entry.number.unwrap_or_default().to_string();
        self.say(&say!(self.words, "kept-as-entry", number = number), false, now_ms);
        if let Some(form) = &mut self.form {
            form.sending = false;
            form.recorded = Some(recorded);
        }
        farm.and_then(ask_deeds)
    }

    /// Amounts contradict each other.
    pub(crate) fn unsure(&mut self, message: String, now_ms: u64) {
        if let Some(form) = &mut self.form {
            form.sending = false;
            form.unsure = Some(message);
        }
        self.tell("not-recorded-yet", true, now_ms);
    }

    /// It was not recorded, or not durably.
    pub(super) fn not_recorded(&mut self, answer: Result<Option<String>, String>, now_ms: u64) {
        if let Some(form) = &mut self.form {
            form.sending = false;
        }
        let why = match answer {
            Ok(Some(warning)) => warning,
            Ok(None) => say!(self.words, "another-answer"),
            Err(why) => say!(self.words, "not-recorded", why = why),
        };
        self.say(&why, true, now_ms);
    }

    /// What was done, as the daemon told it.
    pub(crate) fn told_deeds(&mut self, deeds: Vec<DeedStatus>) {
        self.deeds = Some(deeds);
    }
}

fn ask_deeds(farm: &FarmStatus) -> Option<Action> {
    let now = FarmClock::new(&farm.at, farm.time_zone_offset_s).now()?;
    let (from, to) = (now - (DAYS * 24).hours(), now + 1.hours());
    let ask = Ask::Deeds { pond: None, from: from.to_string(), to: to.to_string(), most: MOST };
    Some(Action::Ask(ask))
}
