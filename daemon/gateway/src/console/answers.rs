//! What the daemon's answers do to what the person is looking at.

use super::ui::{Page, Ui};
use crate::local::protocol::Ask;
use crate::local::why::WhyStatus;
use crate::texts::say;

impl Ui {
    /// The daemon's answer to an [`Action::Ask`].
    pub(crate) fn answered(&mut self, ask: &Ask, answer: Result<Option<String>, String>, now_ms: u64) {
        let words = self.words;
        match (ask, answer) {
            (Ask::Acknowledge { id }, Ok(None)) => {
                let text = match self.acknowledging.remove(id) {
                    Some(label) => say!(words, "said-acknowledged-what", label = label),
                    None => say!(words, "said-acknowledged"),
                };
                self.say(&text, false, now_ms);
            }
            (Ask::Acknowledge { id }, Ok(Some(warning))) => {
                self.acknowledging.remove(id);
                self.say(&say!(words, "said-acknowledged-but", warning = warning), true, now_ms);
            }
            (Ask::Acknowledge { id }, Err(why)) => {
                self.acknowledging.remove(id);
                self.pending = None;
                self.say(&say!(words, "said-not-acknowledged", why = why), true, now_ms);
            }
            (Ask::Enter { .. }, Ok(warning)) => {
                let entry = self.entry.take();
                let said = entry.as_ref().map_or_else(String::new, |entry| entry.said.clone());
                let converted = entry.as_ref().and_then(|entry| entry.converted.clone());
                let difference = entry.and_then(|entry| entry.difference);
                let trouble = warning.is_some() || difference.is_some();
                let text = match (warning, difference) {
                    (Some(warning), _) => say!(words, "said-kept-but", warning = warning),
                    (None, Some(difference)) => say!(words, "said-kept-different", difference = difference),
                    (None, None) => match converted {
                        Some(converted) => {
                            say!(words, "said-kept-converted", said = said, converted = converted)
                        }
                        None => say!(words, "said-kept", said = said),
                    },
                };
                self.say(&text, trouble, now_ms);
                if self.page == Page::Entry {
                    self.page = self.back;
                }
            }
            (Ask::Enter { .. }, Err(why)) => {
                if let Some(entry) = &mut self.entry {
                    entry.sending = false;
                }
                self.say(&say!(words, "said-not-kept", why = why), true, now_ms);
            }
            (Ask::Shelve { .. } | Ask::Unshelve { .. } | Ask::Reset { .. }, answer) => {
                self.moved_aside(ask, &answer, now_ms);
            }
            (Ask::ChangeLimit { .. }, answer) => self.limit_changed(&answer, now_ms),
            (Ask::Limits { .. }, Err(why)) => {
                self.say(&say!(words, "said-no-limits", why = why), true, now_ms);
            }
            (Ask::Record(_), answer) => self.not_recorded(answer, now_ms),
            (Ask::Deeds { .. }, Err(why)) => self.say(&say!(words, "said-no-diary", why = why), true, now_ms),
            (Ask::Why { .. }, Err(why)) => {
                if self.page == Page::Why && self.why.is_none() {
                    self.page = self.back;
                }
                self.say(&say!(words, "said-not-explained", why = why), true, now_ms);
            }
            _ => {}
        }
    }

    /// The daemon explained what was asked about.
    pub(crate) fn explained(&mut self, why: Box<WhyStatus>) {
        if why.id == self.why_id {
            self.why = Some(why);
        }
    }
}
