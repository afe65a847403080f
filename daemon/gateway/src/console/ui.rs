//! What the person is looking at, and what each key does. Knows nothing of terminals or sockets.

use std::collections::BTreeMap;

use crate::local::protocol::{AlarmStatus, Ask, FarmStatus};
use crate::local::why::WhyStatus;

use crate::local::diary::DeedStatus;

use super::diary::Form;
use super::entry::{Entry, Outcome};
use super::keys::Key;
use super::limits::LimitForm;
use super::shelving::Shelving;
use super::text::FarmClock;
use super::words::alarm_name;
use crate::texts::{Words, english, say};

/// A key that would acknowledge does nothing for this long after the alarm on top changed, so that an
/// alarm is never acknowledged by a press that was meant for the one before, or by a key held down.
/// (Common practice, no source: about the time a person takes to see a change and stop.)
pub(crate) const READ_FIRST_MS: u64 = 700;

/// How long a notice stays.
const NOTICE_MS: u64 = 20_000;

/// While a critical alarm stands unacknowledged, the terminal's bell repeats this often.
const BELL_EVERY_MS: u64 = 60_000;

/// Which page is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Page {
    /// The whole farm.
    Farm,
    /// One pond.
    Pond,
    /// Tonight's oxygen of one pond.
    Night,
    /// The last nights of one pond.
    Nights,
    /// All alarms.
    Alarms,
    /// Entering readings by hand.
    Entry,
    /// Why an alarm or an advice says what it says.
    Why,
    /// Putting an alarm aside.
    Shelving,
    /// Limits of a pond, and changing one.
    Limits,
    /// What was done.
    Done,
    /// Recording what was done.
    Diary,
    /// Keys, signs and cautions.
    Help,
}

/// What the shell must do after a key.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Action {
    /// Leave the console.
    Leave,
    /// Draw everything again.
    Redraw,
    /// Ask the daemon; the answer comes back through [`Ui::answered`].
    Ask(Ask),
}

/// An occurrence of an alarm: the same id raised again is another one.
type Occurrence = (String, String);

/// The person's side of the console.
#[derive(Debug)]
pub(crate) struct Ui {
    /// The language that is spoken.
    pub(crate) words: Words,
    /// Shown page.
    pub(crate) page: Page,
    /// Position of the chosen pond.
    pub(crate) pond: usize,
    /// Id of the alarm marked on the alarm page; the one on top if none.
    pub(crate) marked: Option<String>,
    /// What is explained on the page of reasons, once the daemon has answered.
    pub(crate) why: Option<Box<WhyStatus>>,
    /// What that page is about.
    pub(super) why_id: String,
    /// First row shown of the help page or of the page of reasons.
    pub(crate) scroll: usize,
    /// Reading being entered.
    pub(crate) entry: Option<Entry>,
    /// Alarm being put aside.
    pub(crate) shelving: Option<Shelving>,
    /// Limits of a pond.
    pub(crate) limits: Option<LimitForm>,
    /// What was done, once the daemon has told it.
    pub(crate) deeds: Option<Vec<DeedStatus>>,
    /// What is being recorded.
    pub(crate) form: Option<Form>,
    /// Whether the form is about the pond whose page was open.
    pub(super) form_pond: bool,
    /// Answer to the last thing done.
    pub(crate) notice: Option<Notice>,
    /// Where the entry page and the page of reasons go back to.
    pub(super) back: Page,
    top: Option<Occurrence>,
    top_since_ms: u64,
    /// The alarm whose acknowledgement is on its way, until the farm shows it.
    pub(super) pending: Option<String>,
    /// Words for each, by id, until it is answered, which may be after the farm has shown it.
    pub(super) acknowledging: BTreeMap<String, String>,
    unacknowledged: Vec<Occurrence>,
    bell_ms: u64,
}

/// A line of answer to the person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Notice {
    /// What is said.
    pub(crate) text: String,
    /// Whether something did not work.
    pub(crate) trouble: bool,
    until_ms: u64,
}

impl Default for Ui {
    fn default() -> Self {
        Self {
            words: english(),
            page: Page::Farm,
            pond: 0,
            marked: None,
            why: None,
            why_id: String::new(),
            scroll: 0,
            entry: None,
            shelving: None,
            limits: None,
            deeds: None,
            form: None,
            form_pond: false,
            notice: None,
            back: Page::Farm,
            top: None,
            top_since_ms: 0,
            pending: None,
            acknowledging: BTreeMap::new(),
            unacknowledged: Vec::new(),
            bell_ms: 0,
        }
    }
}

/// Whether somebody must still acknowledge it.
pub(crate) fn needs_acknowledging(alarm: &AlarmStatus) -> bool {
    alarm.awaits_acknowledgement()
}

/// The alarm the acknowledge key is about: the most urgent one that still stands, before any that has
/// returned to normal.
pub(crate) fn top_unacknowledged(farm: &FarmStatus) -> Option<&AlarmStatus> {
    farm.alarms
        .iter()
        .find(|alarm| alarm.state == "unacknowledged")
        .or_else(|| farm.alarms.iter().find(|alarm| needs_acknowledging(alarm)))
}

/// The alarm the overview tells about in full.
pub(crate) fn top_alarm(farm: &FarmStatus) -> Option<&AlarmStatus> {
    // Of those acknowledged and equally urgent, what is there stands before what may come.
    let standing = farm.alarms.iter().filter(|alarm| !alarm.is_held());
    top_unacknowledged(farm)
        .or_else(|| standing.min_by_key(|alarm| (alarm.priority, alarm.id.contains(".do-forecast"))))
}

fn occurrence(alarm: &AlarmStatus) -> Occurrence {
    (alarm.id.clone(), alarm.raised_at.clone())
}

impl Ui {
    /// At the beginning, in this language.
    pub(crate) fn speaking(words: Words) -> Self {
        Self { words, ..Self::default() }
    }

    /// Takes in a new state of the farm. Says whether the bell should sound.
    pub(crate) fn heard(&mut self, farm: &FarmStatus, now_ms: u64) -> bool {
        self.pond = self.pond.min(farm.ponds.len().saturating_sub(1));
        self.follow_top(farm, now_ms);
        if self
            .pending
            .as_ref()
            .is_some_and(|id| !farm.alarms.iter().any(|alarm| alarm.id == *id && needs_acknowledging(alarm)))
        {
            self.pending = None;
        }
        let now: Vec<_> = farm.alarms.iter().filter(|alarm| needs_acknowledging(alarm)).collect();
        let loud = |alarm: &AlarmStatus| alarm.priority <= 2 && alarm.state == "unacknowledged";
        let new = now.iter().any(|alarm| loud(alarm) && !self.unacknowledged.contains(&occurrence(alarm)));
        let critical = now.iter().any(|alarm| loud(alarm) && alarm.priority == 1);
        let again = critical && now_ms.saturating_sub(self.bell_ms) >= BELL_EVERY_MS;
        self.unacknowledged =
            now.into_iter().filter(|alarm| alarm.state == "unacknowledged").map(occurrence).collect();
        if new || again {
            self.bell_ms = now_ms;
        }
        new || again
    }

    /// Passing of time. Says whether something to be drawn changed.
    pub(crate) fn tick(&mut self, now_ms: u64) -> bool {
        let over = self.notice.as_ref().is_some_and(|notice| now_ms >= notice.until_ms);
        if over {
            self.notice = None;
        }
        over
    }

    /// Whether the acknowledgement of this alarm is on its way.
    pub(crate) fn is_pending(&self, id: &str) -> bool {
        self.pending.as_ref().is_some_and(|pending| pending == id)
    }

    /// The daemon is heard again: what was said about its absence is over.
    pub(crate) fn reconnected(&mut self) {
        self.notice = None;
    }

    /// Shows a line of the catalogue for a while.
    pub(super) fn tell(&mut self, key: &str, trouble: bool, now_ms: u64) {
        self.say(&self.words.get(key), trouble, now_ms);
    }

    /// Why something was not done: no daemon answers.
    pub(super) fn no_daemon(&mut self, key: &str, now_ms: u64) {
        let why = say!(self.words, "no-daemon");
        self.say(&say!(self.words, key, why = why), true, now_ms);
    }

    /// The farm's clock, read out in the language that is spoken.
    pub(super) fn clock(&self, farm: &FarmStatus) -> FarmClock {
        FarmClock::new(&farm.at, farm.time_zone_offset_s).read_in(self.words)
    }

    /// Shows a line for a while.
    pub(crate) fn say(&mut self, text: &str, trouble: bool, now_ms: u64) {
        self.notice =
            Some(Notice { text: text.trim_end().to_owned(), trouble, until_ms: now_ms + NOTICE_MS });
    }

    fn follow_top(&mut self, farm: &FarmStatus, now_ms: u64) {
        let top = self.target(farm).map(occurrence);
        if top != self.top {
            self.top = top;
            self.top_since_ms = now_ms;
        }
    }

    /// The alarm that the acknowledge key is about on this page.
    fn target<'a>(&self, farm: &'a FarmStatus) -> Option<&'a AlarmStatus> {
        let marked = self.marked.as_ref().filter(|_| self.page == Page::Alarms);
        match marked {
            Some(id) => farm.alarms.iter().find(|alarm| alarm.id == *id),
            None => top_unacknowledged(farm),
        }
    }

    /// Handles one key. `live` says whether the state shown is the present one.
    pub(crate) fn key(
        &mut self,
        key: Key,
        farm: Option<&FarmStatus>,
        live: bool,
        now_ms: u64,
    ) -> Option<Action> {
        match key {
            Key::Interrupt => return Some(Action::Leave),
            Key::Redraw | Key::Resized => return Some(Action::Redraw),
            Key::Char('a') => return self.acknowledge(farm, live, now_ms),
            _ => {}
        }
        match self.page {
            Page::Entry => return self.entry_key(key, farm, live, now_ms),
            Page::Shelving => return self.shelving_key(key, live, now_ms),
            Page::Limits => return self.limits_key(key, live, now_ms),
            Page::Diary => return self.diary_key(key, farm, live, now_ms),
            _ => {}
        }
        match key {
            Key::Char(' ') | Key::Enter => return self.acknowledge(farm, live, now_ms),
            Key::Char('q') => return Some(Action::Leave),
            Key::Char('?' | 'h') => {
                self.scroll = 0;
                self.page = if self.page == Page::Help { Page::Farm } else { Page::Help };
            }
            Key::Char('e') => self.open_entry(farm, now_ms),
            Key::Char('s') => return self.shelve(farm, live, now_ms),
            Key::Char('r') => return self.reset(farm, live, now_ms),
            Key::Char('d') => return self.diary(farm, live, now_ms),
            Key::Char('l') => return self.open_limits(farm, live, now_ms),
            Key::Char('w') => return self.ask_why(farm, live, now_ms),
            Key::Char('n') => {
                self.page = if self.page == Page::Night { Page::Nights } else { Page::Night };
            }
            Key::Escape if matches!(self.page, Page::Night | Page::Nights) => self.page = Page::Pond,
            Key::Escape if self.page == Page::Why => self.page = self.back,
            Key::Char(digit @ '1'..='9') => self.choose_pond(digit, farm, now_ms),
            Key::Char('0') | Key::Escape => self.page = Page::Farm,
            Key::Tab => self.turn(&[Page::Farm, Page::Pond, Page::Alarms, Page::Help]),
            Key::BackTab => self.turn(&[Page::Help, Page::Alarms, Page::Pond, Page::Farm]),
            Key::Up | Key::Char('k') => self.step(farm, -1),
            Key::Down | Key::Char('j') => self.step(farm, 1),
            Key::PageUp => self.step(farm, -10),
            Key::PageDown => self.step(farm, 10),
            Key::Right if self.page == Page::Farm => self.page = Page::Pond,
            Key::Left if self.page == Page::Pond => self.page = Page::Farm,
            _ => {}
        }
        if let Some(farm) = farm {
            self.follow_top(farm, now_ms);
        }
        None
    }

    fn acknowledge(&mut self, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let Some(farm) = farm.filter(|_| live) else {
            self.tell("not-acknowledged-no-daemon", true, now_ms);
            return None;
        };
        let Some(alarm) = self.target(farm) else {
            self.tell("nothing-to-acknowledge", false, now_ms);
            return None;
        };
        if !needs_acknowledging(alarm) {
            let by = alarm.acknowledged_by.clone().unwrap_or_else(|| say!(self.words, "somebody"));
            self.say(&say!(self.words, "already-acknowledged", by = by), false, now_ms);
            return None;
        }
        if self.is_pending(&alarm.id) {
            self.tell("acknowledgement-under-way", false, now_ms);
            return None;
        }
        let seen = self.top.as_ref() == Some(&occurrence(alarm));
        if !seen || now_ms.saturating_sub(self.top_since_ms) < READ_FIRST_MS {
            self.tell("another-on-top", true, now_ms);
            return None;
        }
        let place = match alarm.pond.as_deref() {
            Some(pond) => pond.to_uppercase(),
            None if alarm.id.starts_with("farm.") => say!(self.words, "place-farm").to_uppercase(),
            None => say!(self.words, "place-gateway").to_uppercase(),
        };
        let label = format!("{place}, {}", alarm_name(self.words, alarm));
        self.say(&say!(self.words, "acknowledging", label = &label), false, now_ms);
        self.pending = Some(alarm.id.clone());
        self.acknowledging.insert(alarm.id.clone(), label);
        Some(Action::Ask(Ask::Acknowledge { id: alarm.id.clone() }))
    }

    fn choose_pond(&mut self, digit: char, farm: Option<&FarmStatus>, now_ms: u64) {
        let ponds = farm.map_or(0, |farm| farm.ponds.len());
        let chosen = digit.to_digit(10).map_or(0, |digit| digit as usize);
        if (1..=ponds).contains(&chosen) {
            self.pond = chosen - 1;
            // From night to night: the same page of another pond.
            if !matches!(self.page, Page::Night | Page::Nights) {
                self.page = Page::Pond;
            }
        } else {
            self.say(
                &say!(self.words, "no-such-pond", digit = digit.to_string(), ponds = ponds),
                false,
                now_ms,
            );
        }
    }

    fn open_entry(&mut self, farm: Option<&FarmStatus>, now_ms: u64) {
        if farm.is_none_or(|farm| farm.ponds.is_empty()) {
            self.tell("no-farm-yet", true, now_ms);
            return;
        }
        self.back = self.page;
        // From a pond's own page it is plain which pond is meant; elsewhere it must be said.
        let chosen = matches!(self.page, Page::Pond | Page::Night | Page::Nights);
        self.entry = Some(Entry::new(self.pond, chosen));
        self.page = Page::Entry;
    }

    /// Asks why: about the alarm that the page shows on top or marks, else about the pond's advice.
    fn ask_why(&mut self, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let farm = farm?;
        if !live {
            self.no_daemon("cannot-ask-why", now_ms);
            return None;
        }
        let pond = farm.ponds.get(self.pond).map(|pond| pond.id.clone());
        let of_pond = || {
            let of_it = |alarm: &&AlarmStatus| alarm.pond == pond;
            farm.alarms.iter().find(of_it).map(|alarm| alarm.id.clone()).or_else(|| pond.clone())
        };
        let id = match self.page {
            Page::Why => Some(self.why_id.clone()),
            Page::Pond | Page::Night | Page::Nights => of_pond(),
            Page::Alarms => farm.alarms.get(self.marked_position(farm)).map(|alarm| alarm.id.clone()),
            _ => top_alarm(farm).map(|alarm| alarm.id.clone()).or(pond),
        };
        let Some(id) = id else {
            self.tell("nothing-to-explain", false, now_ms);
            return None;
        };
        if self.page != Page::Why {
            self.back = self.page;
            self.why = None;
            self.scroll = 0;
        }
        self.page = Page::Why;
        self.why_id = id.clone();
        Some(Action::Ask(Ask::Why { id }))
    }

    fn entry_key(&mut self, key: Key, farm: Option<&FarmStatus>, live: bool, now_ms: u64) -> Option<Action> {
        let clock = farm.map(|farm| self.clock(farm));
        let (Some(entry), Some(farm), Some(clock)) = (&mut self.entry, farm, clock) else {
            self.page = self.back;
            return None;
        };
        if key == Key::Escape {
            self.entry = None;
            self.page = self.back;
            self.tell("left-unsent", false, now_ms);
            return None;
        }
        match entry.key(key, farm, clock) {
            Outcome::Editing => None,
            Outcome::Wrong(why) => {
                self.say(&why, true, now_ms);
                None
            }
            Outcome::Send(_) if !live => {
                self.tell("not-sent-no-daemon", true, now_ms);
                None
            }
            Outcome::Send(ask) => {
                entry.sending = true;
                self.tell("sending", false, now_ms);
                Some(Action::Ask(ask))
            }
        }
    }

    fn turn(&mut self, order: &[Page]) {
        let here = order.iter().position(|page| *page == self.page).unwrap_or(order.len() - 1);
        self.page = order.get((here + 1) % order.len()).copied().unwrap_or(Page::Farm);
        self.scroll = 0;
        self.marked = None;
    }

    fn step(&mut self, farm: Option<&FarmStatus>, by: isize) {
        let Some(farm) = farm else {
            self.scroll = self.scroll.saturating_add_signed(by);
            return;
        };
        match self.page {
            Page::Farm | Page::Pond | Page::Night | Page::Nights => {
                self.pond = self.pond.saturating_add_signed(by).min(farm.ponds.len().saturating_sub(1));
            }
            Page::Alarms => {
                let here = self.marked_position(farm).saturating_add_signed(by);
                let here = here.min(farm.alarms.len().saturating_sub(1));
                self.marked = farm.alarms.get(here).map(|alarm| alarm.id.clone());
            }
            Page::Help | Page::Why | Page::Done => self.scroll = self.scroll.saturating_add_signed(by),
            Page::Entry | Page::Shelving | Page::Diary | Page::Limits => {}
        }
    }

    /// Position of the marked alarm in the list.
    pub(crate) fn marked_position(&self, farm: &FarmStatus) -> usize {
        let id = self.marked.as_deref().or_else(|| top_alarm(farm).map(|alarm| alarm.id.as_str()));
        farm.alarms.iter().position(|alarm| Some(alarm.id.as_str()) == id).unwrap_or(0)
    }
}
