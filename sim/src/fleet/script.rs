//! What a gateway has to say: its messages by their place in the row, made anew each time they are needed.

use jiff::Timestamp;
use pondreeve_protocol::senml::{Pack, Record};
use sim::noise::Noise;

/// An alarm transition in each so many intervals.
const ALARM_EACH: u64 = 8;

/// Name, unit, middle and daily swing of what is summarised.
const QUANTITIES: [(&str, &str, f64, f64); 6] = [
    ("do_mg_l", "mg/L", 5.5, 2.2),
    ("temperature_c", "Cel", 28.5, 1.4),
    ("ph", "pH", 8.1, 0.3),
    ("salinity_psu", "", 18.0, 0.1),
    ("do_saturation_percent", "/100", 78.0, 30.0),
    ("nh3_n_mg_l", "mg/L", 0.03, 0.02),
];

const STATES: [&str; 3] = ["normal", "unacknowledged", "acknowledged"];

/// Messages of one interval, on average.
pub(super) fn per_interval(ponds: u32) -> f64 {
    f64::from(ponds) + 1.0 / ALARM_EACH as f64
}

/// All that a gateway ever says.
#[derive(Debug, Clone)]
pub(super) struct Script {
    pub(super) gateway: String,
    stream: u64,
    noise: Noise,
    ponds: u64,
    every_ms: i64,
    begins_ms: i64,
    /// Everything is handed out so much after it is due.
    later_ms: i64,
    /// In which of the intervals its alarms come.
    phase: u64,
}

/// One message.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Message {
    pub(super) topic: String,
    pub(super) payload: String,
}

impl Script {
    pub(super) fn new(seed: u64, gateway: u32, ponds: u32, every_ms: i64, begins_ms: i64) -> Self {
        let gateway = format!("fleet-{gateway:05}");
        let stream = Noise::stream(&gateway);
        let noise = Noise::new(seed);
        Self {
            gateway,
            stream,
            noise,
            ponds: u64::from(ponds),
            every_ms,
            begins_ms,
            later_ms: 0,
            phase: stream % ALARM_EACH,
        }
    }

    /// The same messages, each handed out so much later.
    pub(super) fn later_by(self, later_ms: i64) -> Self {
        Self { later_ms, ..self }
    }

    /// Messages of the intervals before one.
    fn before(&self, interval: u64) -> u64 {
        interval * self.ponds + (interval + ALARM_EACH - 1 - self.phase) / ALARM_EACH
    }

    /// So many messages there are by this time.
    pub(super) fn due(&self, at_ms: i64) -> u64 {
        let over = (at_ms - self.later_ms - self.begins_ms).max(0) / self.every_ms;
        self.before(over.unsigned_abs())
    }

    /// When the next ones come.
    pub(super) fn next_ms(&self, at_ms: i64) -> i64 {
        let begins_ms = self.begins_ms + self.later_ms;
        begins_ms + ((at_ms - begins_ms).max(0) / self.every_ms + 1) * self.every_ms
    }

    /// The message at a place of the row, counted from 0.
    pub(super) fn message(&self, place: u64) -> anyhow::Result<Message> {
        let mut interval = place / (self.ponds + 1);
        while self.before(interval + 1) <= place {
            interval += 1;
        }
        let within = place - self.before(interval);
        let ends_ms = self.begins_ms + (interval as i64 + 1) * self.every_ms;
        // As a gateway does it: above any number that an earlier store can have given.
        let number = self.begins_ms.unsigned_abs() + place;
        if within < self.ponds {
            self.summary(number, within, interval, ends_ms)
        } else {
            Ok(self.alarm(number, interval / ALARM_EACH, ends_ms))
        }
    }

    fn summary(&self, number: u64, pond: u64, interval: u64, ends_ms: i64) -> anyhow::Result<Message> {
        let base = format!("pondreeve/{}/p{}", self.gateway, pond + 1);
        let record = |name: String, unit: &str, value: f64| Record {
            name: Some(name),
            unit: Some(unit).filter(|unit| !unit.is_empty()).map(str::to_owned),
            value: Some(value),
            ..Record::default()
        };
        let mut records = vec![
            Record {
                base_name: Some(format!("{base}/")),
                base_time: Some(ends_ms as f64 / 1_000.0),
                ..record("sequence".to_owned(), "count", number as f64)
            },
            record("interval".to_owned(), "s", self.every_ms as f64 / 1_000.0),
            record("format".to_owned(), "", 1.0),
        ];
        let day = std::f64::consts::TAU * (ends_ms.rem_euclid(86_400_000) as f64 / 86_400_000.0);
        for ((id, unit, middle, swing), own) in QUANTITIES.into_iter().zip(1_u64..) {
            let chance = self.noise.unit(self.stream ^ (pond << 8 | own), interval as i64);
            let mean = middle + swing * (day.sin() + (chance - 0.5) * 0.4);
            let spread = swing * 0.1 * chance;
            let rounded = |value: f64| (value.max(0.0) * 10_000.0).round() / 10_000.0;
            for (statistic, value) in [
                ("mean", mean),
                ("minimum", mean - spread),
                ("maximum", mean + spread),
                ("last", mean + spread * (chance - 0.5)),
            ] {
                records.push(record(format!("{id}/{statistic}"), unit, rounded(value)));
            }
            records.push(record(format!("{id}/usable"), "count", 90.0));
            records.push(record(format!("{id}/doubtful"), "count", f64::from(u8::from(chance > 0.97))));
        }
        for priority in ["critical", "high", "medium"] {
            records.push(record(format!("alarms/{priority}"), "count", 0.0));
        }
        Ok(Message { topic: format!("{base}/summary"), payload: Pack(records).encode()? })
    }

    fn alarm(&self, number: u64, nth: u64, at_ms: i64) -> Message {
        let state = |nth: u64| STATES.get((nth % 3) as usize).copied().unwrap_or("normal");
        let pond = nth / 3 % self.ponds + 1;
        let at = Timestamp::from_millisecond(at_ms).unwrap_or_default();
        let said = serde_json::json!({
            "sequence": number, "format": 1, "gateway": self.gateway, "pond": format!("p{pond}"),
            "at": at.to_string(), "id": format!("p{pond}.do-low-high"), "name": "Oxygen low", "priority": 2,
            "state": state(nth + 1), "previous_state": state(nth),
            "message": format!("Pond {pond}: oxygen is at 3.4 mg/L, below 3.5 mg/L"),
            "by": (nth % 3 == 1).then_some("technician"),
        });
        Message { topic: format!("pondreeve/{}/alarm", self.gateway), payload: said.to_string() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BEGINS: i64 = 1_772_323_200_000;

    #[test]
    fn every_place_of_the_row_is_one_message_and_numbers_have_no_gap() {
        let script = Script::new(7, 3, 4, 900_000, BEGINS);
        let all: Vec<Message> = (0..330).map(|place| script.message(place).unwrap()).collect();
        let alarms = all.iter().filter(|message| message.topic.ends_with("/alarm")).count();
        assert_eq!(alarms, 10);
        let mut numbers = Vec::new();
        for message in &all {
            let said: serde_json::Value = serde_json::from_str(&message.payload).unwrap();
            let number = if said.is_array() { &said[0]["v"] } else { &said["sequence"] };
            numbers.push(number.as_f64().unwrap() as u64);
        }
        let first = BEGINS.unsigned_abs();
        assert_eq!(numbers, (first..first + 330).collect::<Vec<u64>>());
        // Each transition follows on the one before.
        let mut state = "normal".to_owned();
        for message in all.iter().filter(|message| message.topic.ends_with("/alarm")) {
            let said: serde_json::Value = serde_json::from_str(&message.payload).unwrap();
            assert_eq!(said["previous_state"], state.as_str());
            state = said["state"].as_str().unwrap().to_owned();
        }
    }

    #[test]
    fn what_is_due_is_what_was_said_by_then() {
        let script = Script::new(7, 12, 20, 900_000, BEGINS);
        assert_eq!((script.due(BEGINS), script.due(BEGINS + 899_999)), (0, 0));
        // A day: 96 intervals of 20 ponds, an alarm in each eighth.
        assert_eq!(script.due(BEGINS + 86_400_000), 96 * 20 + 12);
        assert_eq!(script.next_ms(BEGINS + 1), BEGINS + 900_000);
        let later = script.clone().later_by(60_000);
        assert_eq!(
            (later.due(BEGINS + 959_999), later.due(BEGINS + 960_000)),
            (0, script.due(BEGINS + 900_000))
        );
        assert_eq!(later.next_ms(BEGINS + 900_000), BEGINS + 960_000);
        assert_eq!(later.message(0).unwrap(), script.message(0).unwrap());
        assert_eq!(script.message(4_321).unwrap(), script.message(4_321).unwrap());
    }
}
