//! Alarms as they are said over the socket, and how much they ask of people.

use pondreeve_core::alarm_load::{LoadReport, STALE_AFTER};
use pondreeve_core::view::AlarmView;
use serde::{Deserialize, Serialize};

use super::calls::{CalledStatus, NextCallStatus};
use super::said::SaidStatus;
use super::status::rfc3339;

/// An alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmStatus {
    /// Id, to acknowledge it by.
    pub id: String,
    /// Pond id, if it is about one.
    pub pond: Option<String>,
    /// Name.
    pub name: String,
    /// 1 critical, 2 high, 3 medium.
    pub priority: u8,
    /// `normal`, `unacknowledged`, `acknowledged`, `returned-unacknowledged`, `latched-unacknowledged`,
    /// `latched-acknowledged`, `shelved`, `suppressed-by-design` or `out-of-service`.
    pub state: String,
    /// When it was raised.
    pub raised_at: String,
    /// When its state last changed.
    pub changed_at: String,
    /// One line.
    pub message: String,
    /// What the message is made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Box<SaidStatus>>,
    /// Who acknowledged.
    pub acknowledged_by: Option<String>,
    /// Who was called for it, in the order of the first call.
    #[serde(default)]
    pub called: Vec<CalledStatus>,
    /// Who is called next unless somebody acknowledges.
    #[serde(default)]
    pub next_call: Option<NextCallStatus>,
    /// Until when, by whom and why it is shelved, where it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shelf: Option<ShelfStatus>,
    /// Id of the alarm that tells of its cause, where it is suppressed by design.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub root: Option<String>,
    /// Further alarms that are counted in this one.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub inside: u64,
}

/// An alarm that somebody put aside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShelfStatus {
    /// It comes back by itself then, RFC 3339, UTC.
    pub until: String,
    /// Who put it aside.
    pub by: String,
    /// Why.
    pub reason: String,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
const fn is_zero(count: &u64) -> bool {
    *count == 0
}

impl AlarmStatus {
    /// Whether it announces nothing: shelved, suppressed by design or out of service.
    pub fn is_held(&self) -> bool {
        matches!(self.state.as_str(), "shelved" | "suppressed-by-design" | "out-of-service")
    }

    /// Whether its condition is so now and tells: neither over and only not acknowledged or reset, nor held.
    pub fn is_standing(&self) -> bool {
        matches!(self.state.as_str(), "unacknowledged" | "acknowledged")
    }

    /// Whether somebody has yet to say that it was seen.
    pub fn awaits_acknowledgement(&self) -> bool {
        matches!(self.state.as_str(), "unacknowledged" | "returned-unacknowledged" | "latched-unacknowledged")
    }
}

/// How much the alarms ask of whoever is on watch, over the last thirty days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmLoadStatus {
    /// From when on something is known, RFC 3339, UTC.
    pub from: String,
    /// Until when.
    pub to: String,
    /// Days in between.
    pub days: f64,
    /// Raised in all.
    pub raised: u64,
    /// Of these critical, high, medium.
    pub raised_by_priority: [u64; 3],
    /// Of these from sunset to two hours after sunrise.
    pub raised_by_night: u64,
    /// Mean in ten minutes.
    pub raised_per_10_min: f64,
    /// Mean in a day.
    pub raised_per_day: f64,
    /// Mean in a night.
    pub raised_per_night: f64,
    /// Most within any ten minutes.
    pub most_in_10_min: u64,
    /// Share of the ten-minute periods with more than ten, 0 to 1.
    pub flooded_share: f64,
    /// Since when a flood lasts.
    pub flood_since: Option<String>,
    /// Share of the ten most frequent, 0 to 1.
    pub most_frequent_share: f64,
    /// The ten most frequent.
    pub most_frequent: Vec<FrequentAlarm>,
    /// Ids of those raised three times or more within half an hour.
    pub chattering: Vec<String>,
    /// Ids of those that have stood for more than a day.
    pub stale: Vec<String>,
    /// Ids of those that are shelved now.
    pub shelved: Vec<String>,
    /// How often an alarm was shelved.
    pub shelvings: u64,
    /// Median time until an alarm was acknowledged, seconds.
    pub acknowledged_after_s: Option<i64>,
}

/// One alarm that is raised often.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FrequentAlarm {
    /// Its id.
    pub id: String,
    /// 1 critical, 2 high, 3 medium.
    pub priority: u8,
    /// How often it was raised.
    pub raised: u64,
}

/// The measures as they are said, with what stands now.
pub(super) fn load_status(load: &LoadReport, now: &[AlarmView]) -> AlarmLoadStatus {
    let per = |count: usize, times: f64| if times > 0.0 { count as f64 / times } else { 0.0 };
    let ids = |wanted: &dyn Fn(&&AlarmView) -> bool| {
        now.iter().filter(wanted).map(|alarm| alarm.id.clone()).collect::<Vec<_>>()
    };
    let frequent: usize = load.frequent.iter().map(|own| own.raised).sum();
    // A measure over less than a day says little; it is not blown up to one.
    let days = load.days.max(1.0);
    AlarmLoadStatus {
        from: rfc3339(load.from),
        to: rfc3339(load.to),
        days: load.days,
        raised: load.raised as u64,
        raised_by_priority: load.by_priority.map(|count| count as u64),
        raised_by_night: load.by_night as u64,
        raised_per_10_min: per(load.raised, days * 144.0),
        raised_per_day: per(load.raised, days),
        raised_per_night: per(load.by_night, days),
        most_in_10_min: load.most_in_10_min as u64,
        flooded_share: load.flooded_share,
        flood_since: load.flood_since.map(rfc3339),
        most_frequent_share: per(frequent, load.raised as f64),
        most_frequent: load
            .frequent
            .iter()
            .map(|own| FrequentAlarm {
                id: own.id.clone(),
                priority: own.priority.number(),
                raised: own.raised as u64,
            })
            .collect(),
        chattering: load.chattering.clone(),
        stale: ids(&|alarm| alarm.state.is_standing() && load.to - alarm.raised_at > STALE_AFTER),
        shelved: ids(&|alarm| alarm.shelf.is_some()),
        shelvings: load.shelvings as u64,
        acknowledged_after_s: load.acknowledged_after.map(|span| span.as_millis() / 1_000),
    }
}
