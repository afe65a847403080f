//! The keys that put an alarm aside, take it back, and check it off.

use crate::local::protocol::{AlarmStatus, Ask, FarmStatus};

use super::keys::Key;
use super::shelving::{Outcome, Shelving};
use super::ui::{Action, Page, Ui, top_alarm};
use crate::texts::say;

impl Ui {
    /// The alarm that a key on this page is about: the marked one on the alarm page, else that on top.
    fn about<'a>(&self, farm: &'a FarmStatus) -> Option<&'a AlarmStatus> {
        match self.page {
            Page::Alarms => farm.alarms.get(self.marked_position(farm)),
            _ => top_alarm(farm),
        }
    }

    /// Opens the form, or takes back at once what is shelved.
    pub(super) fn shelve(&mut self, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let farm = self.heard_now(farm, live, "cannot-shelve", now_ms)?;
        let Some(alarm) = self.about(farm) else {
            self.tell("no-alarm-to-shelve", false, now_ms);
            return None;
        };
        match alarm.state.as_str() {
            "shelved" => return Some(Action::Ask(Ask::Unshelve { id: alarm.id.clone() })),
            "suppressed-by-design" | "out-of-service" => {
                let is_inside = alarm.root.is_some();
                self.tell(if is_inside { "silent-inside" } else { "silent-out" }, false, now_ms);
                return None;
            }
            _ => {}
        }
        self.shelving = Some(Shelving::new(alarm));
        self.back = self.page;
        self.page = Page::Shelving;
        None
    }

    /// Checks off a latched alarm.
    pub(super) fn reset(&mut self, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let farm = self.heard_now(farm, live, "cannot-reset", now_ms)?;
        let latched = |alarm: &&AlarmStatus| alarm.state == "latched-acknowledged";
        let chosen = self.about(farm).filter(latched);
        let Some(alarm) = chosen.or_else(|| farm.alarms.iter().find(latched)) else {
            let key = if farm.alarms.iter().any(|alarm| alarm.state == "latched-unacknowledged") {
                "acknowledge-first"
            } else {
                "none-to-reset"
            };
            self.tell(key, false, now_ms);
            return None;
        };
        Some(Action::Ask(Ask::Reset { id: alarm.id.clone() }))
    }

    fn heard_now<'a>(
        &mut self,
        farm: Option<&'a FarmStatus>,
        live: bool,
        refusal: &str,
        now_ms: u64,
    ) -> Option<&'a FarmStatus> {
        let farm = farm.filter(|_| live);
        if farm.is_none() {
            self.no_daemon(refusal, now_ms);
        }
        farm
    }

    pub(super) fn shelving_key(&mut self, key: Key, live: bool, now_ms: u64) -> Option<Action> {
        let words = self.words;
        let Some(form) = &mut self.shelving else {
            self.page = self.back;
            return None;
        };
        if key == Key::Escape {
            self.shelving = None;
            self.page = self.back;
            self.tell("left-unshelved", false, now_ms);
            return None;
        }
        match form.key(key, words) {
            Outcome::Editing => None,
            Outcome::Wrong(why) => {
                self.say(&why, true, now_ms);
                None
            }
            Outcome::Send(_) if !live => {
                self.no_daemon("not-shelved", now_ms);
                None
            }
            Outcome::Send(ask) => {
                form.sending = true;
                self.tell("sending", false, now_ms);
                Some(Action::Ask(ask))
            }
        }
    }

    /// The daemon's answer.
    pub(super) fn moved_aside(&mut self, ask: &Ask, answer: &Result<Option<String>, String>, now_ms: u64) {
        let (done, not) = match ask {
            Ask::Shelve { .. } => ("shelved", "not-shelved"),
            Ask::Unshelve { .. } => ("taken-back", "not-taken-back"),
            _ => ("checked-off", "not-reset"),
        };
        let text = match answer {
            Ok(None) => self.words.get(done),
            Ok(Some(warning)) => {
                format!("{} {}", self.words.get(done), say!(self.words, "but", warning = warning))
            }
            Err(why) => say!(self.words, not, why = why),
        };
        if matches!(ask, Ask::Shelve { .. }) {
            if answer.is_ok() {
                self.shelving = None;
                if self.page == Page::Shelving {
                    self.page = self.back;
                }
            } else if let Some(form) = &mut self.shelving {
                form.sending = false;
            }
        }
        self.say(&text, !matches!(answer, Ok(None)), now_ms);
    }
}
