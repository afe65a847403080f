//! Commands that come in over MQTT.

use std::collections::HashMap;
use std::time::Duration;

use super::super::farm::Destination;
use super::super::raw::{RawCommands, RawPerson};
use super::super::words::quoted;
use super::Resolver;
use crate::commands::{Deed, Person, Settings};

/// Long enough for a link that blinks and two clocks that differ, short enough that what was said is still true.
const WINDOW: Duration = Duration::from_secs(300);

/// More than somebody types.
const MOST_PER_MINUTE: u32 = 10;

impl Resolver<'_> {
    pub(super) fn commands(
        &self,
        raw: &RawCommands,
        destinations: &[Destination],
        gateway: &str,
    ) -> Option<Settings> {
        let mut taken = HashMap::new();
        let people = raw.person.iter().flat_map(|list| &list.value).map(|at| {
            if let Some(id) = &at.value.id {
                self.claim(&mut taken, id, "person");
            }
            self.person(&at.value)
        });
        let people: Vec<Option<Person>> = people.collect();
        if let Some(list) = raw.person.as_ref().filter(|list| list.value.is_empty()) {
            let found = "commands that nobody may send";
            self.problems.push(self.problems.about(list, found, "at least one `[[commands.person]]`"));
            return None;
        }
        let at = raw.destination.as_ref()?;
        let Some(destination) = destinations.iter().find(|own| own.id == at.value) else {
            let known: Vec<&str> = destinations.iter().map(|own| own.id.as_str()).collect();
            let found = format!("the destination {}", quoted(&at.value));
            let accepted = format!("the id of a `[[destination]]`: {}", known.join(", "));
            self.problems.push(self.problems.about(at, found, accepted));
            return None;
        };
        let mut from = destination.clone();
        from.address.client_id = format!("pondreeve-{gateway}-{}-commands", destination.id);
        for turn in 0..from.nodes() {
            let node = from.node(turn);
            self.claim_client(at, &node.host, i64::from(node.port), &node.client_id);
        }
        Some(Settings {
            from,
            window: raw.window.as_ref().map_or(WINDOW, |at| at.value),
            most_per_minute: raw
                .most_per_minute
                .as_ref()
                .map_or(MOST_PER_MINUTE, |at| u32::try_from(at.value).unwrap_or(MOST_PER_MINUTE)),
            people: people.into_iter().collect::<Option<_>>()?,
        })
    }

    fn person(&self, raw: &RawPerson) -> Option<Person> {
        let file = raw.key_file.as_ref()?;
        let key_file = self.absolute(&file.value);
        self.warn_if_unreadable(file, &key_file, "the secret, as guarded as a password, and nothing else");
        let may = match &raw.may {
            Some(list) => list.value.iter().map(|at| at.value).collect(),
            None => vec![Deed::Enter, Deed::Acknowledge],
        };
        Some(Person { id: raw.id.as_ref()?.value.clone(), key_file, may })
    }
}
