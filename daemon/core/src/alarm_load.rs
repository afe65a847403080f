//! How much the alarms ask of whoever is on watch: the measures that ANSI/ISA-18.2 and EEMUA 191 give for
//! an alarm system (figures from public summaries of both), over the last thirty days.
//!
//! What is counted is what was announced: an alarm raised, not one that is shelved or counted within
//! another, nor one that sounds again.

use alloc::collections::VecDeque;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

use crate::effect::{AlarmChange, AlarmState, Effect, Priority};
use crate::time::{Span, Timestamp};

/// The measures are taken over this.
pub const PERIOD: Span = Span::from_hours(30 * 24);

/// Events remembered: 300 a day, far more than anybody could answer. Beyond that the oldest go.
const MOST: usize = 9_000;

/// Names remembered.
const MOST_NAMES: usize = 4_096;

/// More alarms than this within [`WINDOW`] are a flood, until there are fewer than [`FLOOD_ENDS`].
const FLOOD: usize = 10;
/// See [`FLOOD`].
const FLOOD_ENDS: usize = 5;
/// Ten minutes.
const WINDOW: Span = Span::from_minutes(10);

/// Raised so often within [`CHATTER_WITHIN`] an alarm chatters. The standard's three times a minute cannot
/// happen here, where delays are minutes. (Common practice, no source.)
const CHATTER: usize = 3;
/// See [`CHATTER`].
const CHATTER_WITHIN: Span = Span::from_minutes(30);

/// An alarm that stands longer than this is stale.
pub const STALE_AFTER: Span = Span::from_hours(24);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
enum What {
    Raised { by_night: bool },
    Acknowledged,
    Shelved,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
struct Entry {
    at: Timestamp,
    name: u16,
    what: What,
}

/// What was announced, acknowledged and shelved.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct AlarmLoad {
    names: Vec<(String, Priority)>,
    log: VecDeque<Entry>,
    since: Option<Timestamp>,
    flood_since: Option<Timestamp>,
}

/// One alarm that is raised often.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frequent {
    /// Its id.
    pub id: String,
    /// Its priority.
    pub priority: Priority,
    /// How often it was raised.
    pub raised: usize,
    /// Most within half an hour; three and more is chattering.
    pub most_in_30_min: usize,
}

/// The measures.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadReport {
    /// From when on something is known, at most thirty days back.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// Raised in all.
    pub raised: usize,
    /// By priority: critical, high, medium.
    pub by_priority: [usize; 3],
    /// Of these by night, when one person is on watch.
    pub by_night: usize,
    /// Days from `from` to `to`.
    pub days: f64,
    /// Most raised within any ten minutes.
    pub most_in_10_min: usize,
    /// Share of the ten-minute periods with more than ten, 0 to 1.
    pub flooded_share: f64,
    /// Since when a flood lasts.
    pub flood_since: Option<Timestamp>,
    /// The ten that were raised most often, most often first.
    pub frequent: Vec<Frequent>,
    /// Ids of those that were raised three times or more within half an hour.
    pub chattering: Vec<String>,
    /// Median time until an alarm was acknowledged, where any was.
    pub acknowledged_after: Option<Span>,
    /// How often an alarm was shelved.
    pub shelvings: usize,
}

impl AlarmLoad {
    /// Something is known from now on, if nothing was.
    pub fn begin(&mut self, now: Timestamp) {
        self.since.get_or_insert(now);
    }

    /// Notes what changed, `by_night` saying whether it is night.
    pub fn note<'a>(&mut self, now: Timestamp, by_night: bool, effects: impl Iterator<Item = &'a Effect>) {
        self.begin(now);
        for effect in effects {
            if let Effect::AlarmChanged(change) = effect {
                self.take(change, by_night);
            }
        }
        while self.log.front().is_some_and(|entry| entry.at < now - PERIOD) || self.log.len() > MOST {
            self.log.pop_front();
        }
        if self.flood_since.is_some() || !self.log.is_empty() {
            let recent = self.raised().rev().take_while(|entry| entry.at > now - WINDOW).count();
            match self.flood_since {
                None if recent > FLOOD => self.flood_since = Some(now),
                Some(_) if recent < FLOOD_ENDS => self.flood_since = None,
                _ => {}
            }
        }
    }

    /// Since when a flood lasts; its end is noticed with the next thing that happens.
    pub fn flood_since(&self) -> Option<Timestamp> {
        self.flood_since
    }

    fn take(&mut self, change: &AlarmChange, by_night: bool) {
        let what = match (change.previous_state, change.state) {
            (AlarmState::Acknowledged, AlarmState::Unacknowledged) => return,
            (_, AlarmState::Unacknowledged) => What::Raised { by_night },
            (
                AlarmState::Unacknowledged
                | AlarmState::ReturnedUnacknowledged
                | AlarmState::LatchedUnacknowledged,
                AlarmState::Acknowledged | AlarmState::Normal | AlarmState::LatchedAcknowledged,
            ) if change.by.is_some() => What::Acknowledged,
            (_, AlarmState::Shelved) => What::Shelved,
            _ => return,
        };
        let known = self.names.iter().position(|(id, _)| *id == change.id);
        let place = match known {
            Some(place) => place,
            None if self.names.len() < MOST_NAMES => {
                self.names.push((change.id.clone(), change.priority));
                self.names.len() - 1
            }
            None => return,
        };
        let Ok(name) = u16::try_from(place) else { return };
        self.log.push_back(Entry { at: change.at, name, what });
    }

    fn raised(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.log.iter().filter(|entry| matches!(entry.what, What::Raised { .. }))
    }

    /// The measures at `now`.
    pub fn report(&self, now: Timestamp) -> LoadReport {
        let from = self.since.unwrap_or(now).max(now - PERIOD);
        let within = |entry: &&Entry| entry.at >= from;
        let raised: Vec<&Entry> = self.raised().filter(within).collect();
        let times: Vec<Timestamp> = raised.iter().map(|entry| entry.at).collect();
        let periods = (now - from).as_millis() / WINDOW.as_millis() + 1;
        let mut counts: Vec<(i64, usize)> = Vec::new();
        for at in &times {
            let period = at.as_millis().div_euclid(WINDOW.as_millis());
            match counts.last_mut() {
                Some((known, count)) if *known == period => *count += 1,
                _ => counts.push((period, 1)),
            }
        }
        let flooded = counts.iter().filter(|(_, count)| *count > FLOOD).count();
        let mut by_priority = [0; 3];
        for entry in &raised {
            let place = match self.names.get(usize::from(entry.name)).map(|(_, priority)| *priority) {
                Some(Priority::Critical) => 0,
                Some(Priority::High) => 1,
                _ => 2,
            };
            if let Some(count) = by_priority.get_mut(place) {
                *count += 1;
            }
        }
        let mut frequent: Vec<Frequent> = self
            .names
            .iter()
            .zip(0_u16..)
            .filter_map(|((id, priority), name)| {
                let own: Vec<Timestamp> =
                    raised.iter().filter(|entry| entry.name == name).map(|entry| entry.at).collect();
                (!own.is_empty()).then(|| Frequent {
                    id: id.clone(),
                    priority: *priority,
                    raised: own.len(),
                    most_in_30_min: most_within(&own, CHATTER_WITHIN),
                })
            })
            .collect();
        frequent.sort_by(|a, b| b.raised.cmp(&a.raised).then_with(|| a.id.cmp(&b.id)));
        let chatters = |own: &&Frequent| own.most_in_30_min >= CHATTER;
        let chattering = frequent.iter().filter(chatters).map(|own| own.id.clone()).collect();
        frequent.truncate(10);
        LoadReport {
            from,
            to: now,
            raised: raised.len(),
            by_priority,
            by_night: raised.iter().filter(|entry| entry.what == What::Raised { by_night: true }).count(),
            days: (now - from).as_millis() as f64 / Span::from_hours(24).as_millis() as f64,
            most_in_10_min: most_within(&times, WINDOW),
            flooded_share: flooded as f64 / periods as f64,
            flood_since: self.flood_since,
            frequent,
            chattering,
            acknowledged_after: self.median_acknowledgement(from),
            shelvings: self.log.iter().filter(within).filter(|entry| entry.what == What::Shelved).count(),
        }
    }

    fn median_acknowledgement(&self, from: Timestamp) -> Option<Span> {
        let mut open: Vec<Option<Timestamp>> = vec![None; self.names.len()];
        let mut waits: Vec<Span> = Vec::new();
        for entry in &self.log {
            let Some(open) = open.get_mut(usize::from(entry.name)) else { continue };
            match entry.what {
                // Raised anew before anybody said a word: the wait began with the first.
                What::Raised { .. } => *open = Some(open.unwrap_or(entry.at)),
                What::Acknowledged => {
                    if let Some(since) = open.take().filter(|&since| since >= from) {
                        waits.push(entry.at - since);
                    }
                }
                What::Shelved => *open = None,
            }
        }
        waits.sort_unstable();
        waits.get(waits.len() / 2).copied()
    }
}

/// Most of these times, in order, within any stretch of `span`.
fn most_within(times: &[Timestamp], span: Span) -> usize {
    let mut most = 0;
    let mut first = 0;
    for (place, &at) in times.iter().enumerate() {
        while times.get(first).is_some_and(|&start| start <= at - span) {
            first += 1;
        }
        most = most.max(place + 1 - first);
    }
    most
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    fn change(id: &str, minutes: i64, from: AlarmState, to: AlarmState, by: Option<&str>) -> Effect {
        Effect::AlarmChanged(AlarmChange {
            pond: None,
            at: at(minutes),
            id: id.into(),
            name: id.into(),
            priority: if id.starts_with('c') { Priority::Critical } else { Priority::Medium },
            state: to,
            previous_state: from,
            message: String::new(),
            by: by.map(String::from),
            shelf: None,
            root: None,
        })
    }

    fn raise(load: &mut AlarmLoad, id: &str, minutes: i64) {
        let effect = change(id, minutes, AlarmState::Normal, AlarmState::Unacknowledged, None);
        load.note(at(minutes), false, [effect].iter());
    }

    /// Worked out by hand: over two days, a at 0, 10 and 29 min, b at 100, c at 1440, a again at 2000.
    #[test]
    fn two_days_are_measured() {
        let mut load = AlarmLoad::default();
        for (id, minutes) in [("a", 0), ("a", 10), ("a", 29), ("b", 100), ("c", 1_440), ("a", 2_000)] {
            raise(&mut load, id, minutes);
        }
        let acknowledge = change("b", 130, AlarmState::Unacknowledged, AlarmState::Acknowledged, Some("x"));
        let again = change("b", 140, AlarmState::Acknowledged, AlarmState::Unacknowledged, None);
        let c = change("c", 1_450, AlarmState::Unacknowledged, AlarmState::Acknowledged, Some("x"));
        load.note(at(2_000), true, [acknowledge, again, c].iter());
        let report = load.report(at(2_880));
        assert_eq!((report.raised, report.by_priority, report.by_night), (6, [1, 0, 5], 0));
        assert!((report.days - 2.0).abs() < 1e-9);
        assert_eq!(report.most_in_10_min, 1);
        assert_eq!(report.chattering, ["a"], "three within half an hour");
        assert_eq!((report.frequent[0].id.as_str(), report.frequent[0].raised), ("a", 4));
        // b waited 30 min, c 10 min: of two the later half counts.
        assert_eq!(report.acknowledged_after, Some(Span::from_minutes(30)));
        assert_eq!(report.flooded_share, 0.0);
    }

    #[test]
    fn a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() {
        let mut load = AlarmLoad::default();
        for minute in 0..10 {
            raise(&mut load, "a", minute);
        }
        assert_eq!(load.flood_since(), None, "ten");
        raise(&mut load, "b", 9);
        assert_eq!(load.flood_since(), Some(at(9)));
        load.note(at(14), false, [].iter());
        assert_eq!(load.flood_since(), Some(at(9)), "6 of the last ten minutes");
        load.note(at(16), false, [].iter());
        assert_eq!(load.flood_since(), None);
        let report = load.report(at(16));
        assert_eq!((report.most_in_10_min, report.raised), (11, 11));
        // Two periods have begun; one of them had more than ten.
        assert!((report.flooded_share - 0.5).abs() < 1e-9);
    }

    #[test]
    fn what_is_older_than_thirty_days_is_forgotten_and_the_rest_is_bounded() {
        let mut load = AlarmLoad::default();
        raise(&mut load, "a", 0);
        raise(&mut load, "b", 30 * 1_440 + 1);
        let report = load.report(at(30 * 1_440 + 1));
        assert_eq!((report.raised, report.frequent[0].id.as_str()), (1, "b"));
        for minute in 0..20_000 {
            raise(&mut load, "c", 40 * 1_440 + minute / 100);
        }
        assert_eq!(load.log.len(), MOST);
    }
}
