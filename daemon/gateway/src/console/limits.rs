//! Changing a limit of the chosen pond: mark it, type the value, Enter, and a digit says why and sends it.

use crate::local::limits::LimitStatus;
use crate::local::protocol::{Ask, FarmStatus};

use super::keys::Key;
use super::ui::{Action, Page, Ui};
use crate::texts::{Words, say};

/// Why limits are changed, as the daemon keeps it. Whatever else there is can be said with `pondreeve limit`.
pub(crate) const REASONS: [&str; 5] = [
    "the adviser said so",
    "the crop or its size has changed",
    "the water of this pond is usually so",
    "for the time of a treatment or repair",
    "the last change was a mistake",
];

/// Key of a reason by its place.
pub(crate) fn reason_key(place: usize) -> String {
    format!("limit-reason-{}", place + 1)
}

/// A reason as a person reads it: one of [`REASONS`] in their language, else as it was given.
pub(crate) fn reason_words(words: Words, reason: &str) -> String {
    let place = REASONS.iter().position(|own| *own == reason);
    place.map_or_else(|| reason.to_owned(), |place| words.get(&reason_key(place)))
}

/// Longest text of a value.
const VALUE_COLUMNS: usize = 9;

/// The form.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LimitForm {
    /// Pond id.
    pub(crate) pond: String,
    /// The limits, once the daemon has told them.
    pub(crate) limits: Option<Vec<LimitStatus>>,
    /// Position of the marked one.
    pub(crate) marked: usize,
    /// What was typed.
    pub(crate) value: String,
    /// Whether the reason is asked for.
    pub(crate) asks_why: bool,
    /// Whether the daemon has it and has not answered.
    pub(crate) sending: bool,
}

impl LimitForm {
    /// The marked limit.
    pub(crate) fn chosen(&self) -> Option<&LimitStatus> {
        self.limits.as_ref()?.get(self.marked)
    }

    fn moved(&mut self, by: isize) {
        let last = self.limits.as_ref().map_or(0, |limits| limits.len().saturating_sub(1));
        self.marked = self.marked.saturating_add_signed(by).min(last);
        self.value.clear();
        self.asks_why = false;
    }
}

impl Ui {
    /// Opens the limits of the chosen pond.
    pub(super) fn open_limits(
        &mut self,
        farm: Option<&FarmStatus>,
        live: bool,
        now_ms: u64,
    ) -> Option<Action> {
        let Some(pond) = farm.filter(|_| live).and_then(|farm| farm.ponds.get(self.pond)) else {
            self.no_daemon("said-no-limits", now_ms);
            return None;
        };
        self.back = if self.page == Page::Limits { Page::Pond } else { self.page };
        self.page = Page::Limits;
        let form = LimitForm {
            pond: pond.id.clone(),
            limits: None,
            marked: 0,
            value: String::new(),
            asks_why: false,
            sending: false,
        };
        self.limits = Some(form);
        Some(Action::Ask(Ask::Limits { pond: pond.id.clone() }))
    }

    pub(super) fn limits_key(&mut self, key: Key, live: bool, now_ms: u64) -> Option<Action> {
        let Some(form) = &mut self.limits else {
            self.page = self.back;
            return None;
        };
        let wrong = match key {
            Key::Escape if form.asks_why => {
                form.asks_why = false;
                return None;
            }
            Key::Escape => {
                self.limits = None;
                self.page = self.back;
                return None;
            }
            _ if form.sending => "sending-wait",
            Key::Up | Key::Down | Key::Tab | Key::PageUp | Key::PageDown => {
                form.moved(match key {
                    Key::Up => -1,
                    Key::PageUp => -10,
                    Key::PageDown => 10,
                    _ => 1,
                });
                return None;
            }
            Key::Char(digit) if form.asks_why => {
                let reason = digit.to_digit(10).and_then(|own| REASONS.get((own as usize).checked_sub(1)?));
                match (reason, form.chosen()) {
                    (Some(_), Some(_)) if !live => {
                        self.no_daemon("not-changed", now_ms);
                        return None;
                    }
                    (Some(reason), Some(own)) => {
                        let value = if form.value.is_empty() { None } else { form.value.parse().ok() };
                        let ask = Ask::ChangeLimit {
                            pond: form.pond.clone(),
                            key: own.key.clone(),
                            value,
                            reason: (*reason).to_owned(),
                        };
                        form.sending = true;
                        self.tell("sending", false, now_ms);
                        return Some(Action::Ask(ask));
                    }
                    _ => "limit-press-why",
                }
            }
            Key::Char(character @ ('0'..='9' | '.' | ',')) => {
                if form.value.len() < VALUE_COLUMNS {
                    form.value.push(if character == ',' { '.' } else { character });
                }
                return None;
            }
            Key::Backspace => {
                form.value.pop();
                form.asks_why = false;
                return None;
            }
            Key::Enter => match form.chosen() {
                Some(own) if form.value.is_empty() && own.changed.is_none() => "limit-type-first",
                Some(_) if !form.value.is_empty() && form.value.parse::<f64>().is_err() => "limit-no-number",
                Some(_) => {
                    form.asks_why = true;
                    return None;
                }
                None => "limit-none-marked",
            },
            _ => "only-digits",
        };
        self.tell(wrong, true, now_ms);
        None
    }

    /// The daemon told the limits.
    pub(crate) fn told_limits(&mut self, limits: Vec<LimitStatus>) {
        if let Some(form) = &mut self.limits {
            form.marked = form.marked.min(limits.len().saturating_sub(1));
            form.limits = Some(limits);
        }
    }

    /// The daemon's answer to a change. Asks for the limits anew.
    pub(super) fn limit_changed(&mut self, answer: &Result<Option<String>, String>, now_ms: u64) {
        if let Some(form) = &mut self.limits {
            form.sending = false;
            form.asks_why = false;
            if answer.is_ok() {
                form.value.clear();
                form.limits = None;
            }
        }
        let text = match answer {
            Ok(None) => say!(self.words, "limit-changed"),
            Ok(Some(warning)) => say!(self.words, "limit-changed-but", warning = warning),
            Err(why) => say!(self.words, "not-changed", why = why),
        };
        self.say(&text, !matches!(answer, Ok(None)), now_ms);
    }
}
