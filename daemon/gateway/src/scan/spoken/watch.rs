//! SDI-12 sensors that were found, watched for a while.

use std::time::Duration;

use pondreeve_protocol::sdi12::Command;
use tokio::time::{Instant, sleep_until};

use super::super::watch::{EVERY, Look, add, progress};
use super::{Outcome, Sensor, Stop, Walk};
use crate::config::profile::Profile;

impl Walk<'_> {
    /// Has what was found measure again and again: as the profile that fits best says, else what gives the most values.
    pub(super) async fn watch(&mut self, outcome: &mut Outcome, length: Duration) -> Result<(), Stop> {
        let until = Instant::now() + length;
        while Instant::now() < until && !(self.is_over)() {
            let next = Instant::now() + EVERY;
            let mut look = Look::new();
            for sensor in &outcome.sensors {
                let Some(command) = measurement(sensor) else { continue };
                let values = self.asked(sensor.address).once(self, command).await?;
                let values = values.ok().and_then(|(_, values)| values).unwrap_or_default();
                look.extend(named(sensor, &values));
            }
            if look.is_empty() {
                return Ok(());
            }
            add(&mut outcome.watched, look);
            (self.tell)(progress(&outcome.watched, until));
            sleep_until(next.min(until)).await;
        }
        Ok(())
    }
}

fn measurement(sensor: &Sensor) -> Option<Command> {
    match sensor.guesses.first().map(|guess| &guess.profile) {
        Some(Profile::Sensor(map)) => Some(map.measurement),
        _ => sensor.richest().first().map(|own| own.command),
    }
}

/// The values of one look by their names, as far as they are known.
fn named(sensor: &Sensor, values: &[f64]) -> Look {
    let address = char::from(sensor.address).to_string();
    let of_guess = sensor.guesses.first().and_then(|guess| match &guess.profile {
        Profile::Sensor(map) => Some((map, &guess.seen)),
        _ => None,
    });
    if let Some((map, seen)) = of_guess {
        let one = |(position, reported): &(u8, pondreeve_protocol::reported::Reported)| {
            let raw = usize::from(*position).checked_sub(1).and_then(|place| values.get(place));
            let value = raw.and_then(|raw| reported.value(*raw).ok());
            let decimals =
                seen.iter().find(|own| own.channel == reported.channel).map_or(3, |own| own.decimals);
            (address.clone(), reported.channel.clone(), reported.unit.clone(), decimals, value)
        };
        return map.values.iter().map(one).collect();
    }
    let richest = sensor.richest().first().copied();
    let came = richest.and_then(|own| own.looks.first()).map_or(0, Vec::len);
    let one = |place: usize| {
        let unit =
            richest.and_then(|own| own.told.get(place)).map_or_else(String::new, |own| own.unit.clone());
        (address.clone(), format!("value {}", place + 1), unit, 3, values.get(place).copied())
    };
    (0..came).map(one).collect()
}
