//! The relay board on the demo's serial line: horn and lamp hang on it, and the plain lines tell when they change.

use std::sync::{Arc, Mutex, PoisonError};

use pondreeve::config::Farm;
use pondreeve::config::annunciation::{DrivenBy, Output, Relay};
use pondreeve_protocol::modbus::CoilWrite;
use sim::pace::Pace;

use super::notebook::Notebook;

/// One of the board's contacts.
#[derive(Debug)]
struct Contact {
    relay: Relay,
    label: String,
    /// What is said when it is switched on and off.
    words: (&'static str, &'static str),
    is_on: bool,
    /// Of a horn: when it is tested each day, milliseconds from the farm's midnight.
    tested_at_ms: Option<i64>,
}

/// How long after the time of its test a horn that sounds, while no alarm has been heard of, is taken for tested. Of the
/// farm's time: at the demo's speed the daemon is some minutes late.
const TEST_WITHIN_MS: i64 = 15 * 60_000;

/// The boards of a farm.
#[derive(Debug, Clone)]
pub(crate) struct Board(Arc<Mutex<Vec<Contact>>>);

impl Board {
    /// With the contacts that the configuration names.
    pub(crate) fn of(farm: &Farm) -> Self {
        let contact = |output: &Option<Output>, words| {
            let Output { label, by: DrivenBy::Relay(relay) } = output.as_ref()? else { return None };
            Some(Contact {
                relay: relay.clone(),
                label: label.clone(),
                words,
                is_on: false,
                tested_at_ms: None,
            })
        };
        let mut horn = contact(&farm.annunciation.horn, ("SOUNDS", "is silent"));
        if let (Some(horn), Some(test)) = (&mut horn, farm.annunciation.horn_test) {
            let minutes = i64::from(test.at.hour()) * 60 + i64::from(test.at.minute());
            horn.tested_at_ms = Some(minutes * 60_000);
        }
        let lamp = contact(&farm.annunciation.lamp, ("is lit", "is dark"));
        Self(Arc::new(Mutex::new(horn.into_iter().chain(lamp).collect())))
    }

    /// Switches a coil of the boards on a bus. Whether the board has it; `None` where there is no board of that
    /// address.
    pub(crate) fn switch(&self, bus: &str, write: &CoilWrite, told: &Told) -> Option<bool> {
        let mut contacts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut of_board = contacts
            .iter_mut()
            .filter(|own| own.relay.bus_id == bus && own.relay.unit == write.unit)
            .peekable();
        of_board.peek()?;
        let Some(contact) = of_board.find(|own| own.relay.coil == write.coil) else { return Some(false) };
        let is_on = write.on != contact.relay.inverted;
        if is_on != contact.is_on {
            contact.is_on = is_on;
            let (on, off) = contact.words;
            let of_test = if is_on && contact.tested_at_ms.is_some_and(|at_ms| told.is_test(at_ms)) {
                ": its daily test"
            } else {
                ""
            };
            told.say(&format!("{} {}{of_test}", contact.label, if is_on { on } else { off }));
        }
        Some(true)
    }
}

/// Where changes are told, and at what time.
#[derive(Debug, Clone)]
pub(crate) struct Told(pub(crate) Option<Notebook>, pub(crate) Pace);

impl Told {
    fn is_test(&self, tested_at_ms: i64) -> bool {
        self.0.as_ref().is_some_and(|notebook| {
            let late_ms = (notebook.of_day_ms(self.1.now_ms()) - tested_at_ms).rem_euclid(86_400_000);
            late_ms < TEST_WITHIN_MS && notebook.with(|seen| seen.alarms.is_empty())
        })
    }

    fn say(&self, text: &str) {
        if let Some(notebook) = &self.0 {
            notebook.say(self.1.now_ms(), &format!("(the {text})"));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// By the clock, and only while no alarm is known that it could sound for.
    #[test]
    fn a_horn_that_sounds_at_its_time_is_said_to_be_tested() {
        let told = |minutes: i64, alarms: usize| {
            let notebook = Notebook::new(-5 * 3_600_000, false);
            notebook.with(|seen| {
                seen.alarms.extend((0..alarms).map(|n| (format!("p{n}.do-low-warn"), Default::default())));
            });
            let now_ms = (22 * 60 + minutes) * 60_000;
            Told(Some(notebook), Pace::new(move || now_ms, 1.0)).is_test(17 * 3_600_000)
        };
        assert_eq!(
            [told(0, 0), told(14, 0), told(15, 0), told(-1, 0), told(4, 1)],
            [true, true, false, false, false]
        );
    }

    /// The demo's board has the address 60, the horn on coil 0 and the lamp on coil 1.
    #[test]
    fn the_demo_farm_has_a_board_with_horn_and_lamp() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/demo/farm.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let farm = pondreeve::config::from_text(&path, text).unwrap().farm;
        let board = Board::of(&farm);
        let told = Told(None, Pace::new(|| 0, 1.0));
        let switch = |unit, coil, on| board.switch("bus0", &CoilWrite { unit, coil, on }, &told);
        assert_eq!(switch(60, 0, true), Some(true));
        assert_eq!(switch(60, 1, true), Some(true));
        assert_eq!(switch(60, 2, true), Some(false), "no such coil");
        assert_eq!(switch(11, 0, true), None, "a probe, no board");
        let on: Vec<bool> = board.0.lock().unwrap().iter().map(|own| own.is_on).collect();
        assert_eq!(on, [true, true]);
    }
}
