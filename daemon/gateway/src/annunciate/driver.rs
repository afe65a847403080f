//! What an output is switched by.

use std::path::Path;
use std::time::Duration;

use pondreeve_core::said::said;
use pondreeve_protocol::modbus::CoilWrite;
use tokio::sync::oneshot;

use super::program;
use crate::config::annunciation::{DrivenBy, Gpio, Output, Relay, names_aerator};
use crate::probes::serial::coils::{CoilJob, CoilSender};

/// Longest wait for a bus. Ahead of a write is at most one poll, which may wait for a dead probe.
const ITS_TURN_WITHIN: Duration = Duration::from_secs(15);

/// One output and the means to switch it.
#[derive(Debug)]
pub(super) struct Driver {
    output: Output,
    /// What it is, for messages.
    name: &'static str,
    coils: Option<CoilSender>,
    line: Option<gpiocdev::Request>,
}

impl Driver {
    pub(super) fn new(output: Output, coils: &[CoilSender], name: &'static str) -> Self {
        let coils = match &output.by {
            DrivenBy::Relay(relay) => coils.get(relay.bus).cloned(),
            DrivenBy::Gpio(_) | DrivenBy::Command(_) => None,
        };
        Self { output, name, coils, line: None }
    }

    pub(super) const fn name(&self) -> &'static str {
        self.name
    }

    /// Whether setting the state it has already disturbs nobody. A program may play a sound each time.
    pub(super) const fn is_cheap(&self) -> bool {
        !matches!(self.output.by, DrivenBy::Command(_))
    }

    /// Switches it; `fresh` where the state is newly wanted and not only tried again.
    ///
    /// # Errors
    /// What could not be switched, why, and what that means. It then counts as not switched.
    pub(super) async fn set(&mut self, on: bool, fresh: bool) -> Result<(), String> {
        let (by, outcome) = match self.output.by.clone() {
            DrivenBy::Relay(relay) => {
                let by = said!(
                    "trouble-by-relay",
                    "coil {coil} of the relay at address {unit} on bus {bus}",
                    coil = relay.coil.to_string(),
                    unit = relay.unit.to_string(),
                    bus = &relay.bus_id
                );
                (by, self.write_coil(&relay, on, fresh).await)
            }
            DrivenBy::Gpio(gpio) => {
                let by = said!(
                    "trouble-by-line",
                    "line {line} of {chip}",
                    line = gpio.line.to_string(),
                    chip = gpio.chip.display().to_string()
                );
                (by, self.set_line(&gpio, on))
            }
            DrivenBy::Command(command) => {
                let argument = if on { "on" } else { "off" };
                let program = format!("{} {argument}", command.program.display());
                let by = said!("trouble-by-program", "the program {program}", program = program);
                (by, program::run(&command, Some(argument), None).await)
            }
        };
        outcome.map_err(|why| {
            let label = &self.output.label;
            let name = match self.name {
                "horn" => said!("trouble-horn", "the horn ({label})", label = label),
                _ => said!("trouble-lamp", "the lamp ({label})", label = label),
            };
            let told = if on {
                said!(
                    "trouble-not-on",
                    "{name} could not be switched on, so nobody may notice an alarm: {by}: {why}. It is tried again",
                    name = name,
                    by = by,
                    why = why
                )
            } else {
                said!(
                    "trouble-not-off",
                    "{name} could not be switched off, so it may go on for no reason: {by}: {why}. It is tried again",
                    name = name,
                    by = by,
                    why = why
                )
            };
            told.into()
        })
    }

    async fn write_coil(&self, relay: &Relay, on: bool, fresh: bool) -> Result<(), String> {
        let gone = || String::from(said!("trouble-bus-gone", "the part that reads its bus is gone"));
        let coils = self.coils.as_ref().ok_or_else(gone)?;
        let (done, answer) = oneshot::channel();
        let job = CoilJob {
            write: CoilWrite { unit: relay.unit, coil: relay.coil, on: on != relay.inverted },
            patience: relay.timeout,
            // A relay that is gone must not keep the probes of its bus from being read.
            attempts: if fresh { 1 + u32::from(relay.retries) } else { 1 },
            done,
        };
        let switched = async {
            coils.send(job).await.map_err(|_| gone())?;
            answer.await.unwrap_or_else(|_| Err(gone()))
        };
        let late = || {
            let seconds = ITS_TURN_WITHIN.as_secs().to_string();
            String::from(said!(
                "trouble-bus-busy",
                "its bus did not get round to it within {seconds} s",
                seconds = seconds
            ))
        };
        tokio::time::timeout(ITS_TURN_WITHIN, switched).await.unwrap_or_else(|_elapsed| Err(late()))
    }

    /// A line is held from the first use on, so that nobody else takes it. These calls end at once.
    fn set_line(&mut self, gpio: &Gpio, on: bool) -> Result<(), String> {
        let value = if on { gpiocdev::line::Value::Active } else { gpiocdev::line::Value::Inactive };
        if let Some(line) = &self.line {
            let set = line.set_value(gpio.line, value);
            if set.is_err() {
                // A chip that came back is another device to the kernel.
                self.line = None;
            }
            return set.map_err(|error| error.to_string());
        }
        refuse_aerator(&gpio.chip, gpio.line)?;
        let mut builder = gpiocdev::Request::builder();
        builder
            .on_chip(gpio.chip.clone())
            .with_consumer(format!("pondreeve-{}", self.name))
            .with_line(gpio.line)
            .as_output(value);
        if gpio.active_low {
            builder.as_active_low();
        }
        self.line = Some(builder.request().map_err(|error| error.to_string())?);
        Ok(())
    }
}

/// The kernel may know by name what hangs on a line.
fn refuse_aerator(chip: &Path, line: u32) -> Result<(), String> {
    let info = gpiocdev::Chip::from_path(chip).and_then(|chip| chip.line_info(line));
    let name = info.map_err(|error| error.to_string())?.name;
    if names_aerator(&name) {
        let told = said!(
            "trouble-is-aerator",
            "this computer calls that line {name}, and an aerator is never switched here",
            name = format!("{name:?}")
        );
        return Err(told.into());
    }
    Ok(())
}
