//! Horn, lamp and calls.

use std::collections::HashMap;
use std::time::Duration;

use pondreeve_core::Quantity;
use pondreeve_core::call::{CallPlan, CallStep};
use pondreeve_core::effect::Priority;

use super::super::annunciation::{
    Annunciation, Command, DrivenBy, Gpio, HornTestPlan, Output, Relay, names_aerator,
};
use super::super::farm::Bus;
use super::super::raw::{RawAnnunciation, RawCalls, RawCommand, RawGpio, RawOutput, RawRelay};
use super::super::reader::At;
use super::super::words::{did_you_mean, listed, quoted};
use super::{Resolver, files, span};

const RELAY_TIMEOUT: Duration = Duration::from_millis(300);
const RELAY_RETRIES: u8 = 2;
/// A switch that takes longer than this to be thrown is no horn's.
const OUTPUT_TIMEOUT: Duration = Duration::from_secs(5);
/// A telephone call may take this long to be placed.
const CALL_TIMEOUT: Duration = Duration::from_secs(60);
/// At dusk, when the farm's people are there to hear it. (Common practice, no source.)
const HORN_TEST: jiff::civil::Time = jiff::civil::time(17, 0, 0, 0);
const HORN_TEST_SOUND: Duration = Duration::from_secs(2);

impl Resolver<'_> {
    /// Resolves the whole table; `buses` are those that could be read.
    pub(super) fn annunciation(
        &self,
        raw: Option<&At<RawAnnunciation>>,
        buses: &[Bus],
        has_destination: bool,
    ) -> Option<(Annunciation, CallPlan)> {
        let Some(raw) = raw.map(|at| &at.value) else {
            return Some((Annunciation::default(), CallPlan::default()));
        };
        let horn = raw.horn.as_ref().map(|at| self.output(at, buses));
        let lamp = raw.lamp.as_ref().map(|at| self.output(at, buses));
        if let (Some(Some(one)), Some(Some(two)), Some(place)) = (&horn, &lamp, &raw.lamp)
            && same_switch(&one.by, &two.by)
        {
            let found = "the same output as that of the horn";
            self.problems.push(self.problems.about(place, found, "an output of its own for each"));
        }
        let horn_test = self.horn_test(raw, horn.is_some());
        let calls = match &raw.calls {
            None => Some((CallPlan::default(), Vec::new())),
            Some(calls) => self.calls(calls, has_destination),
        };
        let (horn, lamp) =
            (horn.map_or(Some(None), |horn| horn.map(Some)), lamp.map_or(Some(None), |l| l.map(Some)));
        let (plan, call_commands) = calls?;
        Some((Annunciation { horn: horn?, lamp: lamp?, horn_test: horn_test?, call_commands }, plan))
    }

    fn output(&self, at: &At<RawOutput>, buses: &[Bus]) -> Option<Output> {
        let raw = &at.value;
        let label = raw.label.as_ref();
        if let Some(label) = label {
            self.refuse_aerator(label, &label.value);
        }
        let relay = raw.relay.as_ref().map(|relay| self.relay(&relay.value, buses).map(DrivenBy::Relay));
        let gpio = raw.gpio.as_ref().map(|gpio| self.gpio(&gpio.value).map(DrivenBy::Gpio));
        let command = raw.command.as_ref().map(|command| {
            let command = self.command(command, OUTPUT_TIMEOUT)?;
            Some(DrivenBy::Command(command))
        });
        let mut ways: Vec<Option<DrivenBy>> = [relay, gpio, command].into_iter().flatten().collect();
        if ways.len() != 1 {
            let found = if ways.is_empty() {
                "an output that nothing drives"
            } else {
                "an output driven in several ways"
            };
            self.problems.push(self.problems.about(
                at,
                found,
                "exactly one of `relay`, `gpio` and `command`",
            ));
            return None;
        }
        Some(Output { label: label?.value.clone(), by: ways.pop()?? })
    }

    fn relay(&self, raw: &RawRelay, buses: &[Bus]) -> Option<Relay> {
        let (bus, address, coil) = (raw.bus.as_ref()?, raw.address.as_ref()?, raw.coil.as_ref()?);
        let Some((place, found)) = buses.iter().enumerate().find(|(_, known)| known.id == bus.value) else {
            let ids = || buses.iter().map(|known| known.id.as_str());
            // Where a bus could not be read it may be the one that is meant.
            if !self.problems.any_error() {
                let problem = self.problems.about(
                    bus,
                    format!("the bus `{}`, which does not exist", bus.value),
                    format!("the id of a bus: {}", listed(ids())),
                );
                self.problems.push(match did_you_mean(&bus.value, ids()) {
                    Some(hint) => problem.with_hint(hint),
                    None => problem,
                });
            }
            return None;
        };
        let unit = u8::try_from(address.value).ok()?;
        let probes = self.probes.borrow();
        let at_unit = found.probes.iter().filter(|probe| probe.unit == unit);
        let at_unit: Vec<_> = at_unit.filter_map(|probe| probes.get(usize::from(probe.probe.0))).collect();
        let tells_of_aerator = at_unit.iter().find(|probe| {
            probe
                .channels
                .iter()
                .any(|channel| matches!(channel.quantity, Quantity::AeratorOn | Quantity::AeratorKw))
        });
        if let Some(probe) = tells_of_aerator {
            let found = format!(
                "the relay at address {unit}, which by probe `{}` switches or tells of an aerator",
                probe.id
            );
            let problem = self.problems.about(address, found, "a relay that has nothing to do with aerators");
            self.problems.push(
                problem.with_hint("this program never switches an aerator; give the horn a relay of its own"),
            );
            return None;
        }
        if let Some(probe) = at_unit.first() {
            let found =
                format!("address {unit}, at which probe `{}` answers: it would be written to", probe.id);
            let accepted = "the address of a relay, unless that relay is also read as a probe";
            self.problems.push(self.problems.about(address, found, accepted).as_warning());
        }
        Some(Relay {
            bus: place,
            bus_id: bus.value.clone(),
            unit,
            coil: u16::try_from(coil.value).ok()?,
            inverted: raw.inverted.as_ref().is_some_and(|at| at.value),
            timeout: raw.timeout.as_ref().map_or(RELAY_TIMEOUT, |at| at.value),
            retries: raw
                .retries
                .as_ref()
                .map_or(RELAY_RETRIES, |at| u8::try_from(at.value).unwrap_or(RELAY_RETRIES)),
        })
    }

    fn gpio(&self, raw: &RawGpio) -> Option<Gpio> {
        let (chip, line) = (raw.chip.as_ref()?, raw.line.as_ref()?);
        Some(Gpio {
            chip: self.absolute(&chip.value),
            line: u32::try_from(line.value).ok()?,
            active_low: raw.active_low.as_ref().is_some_and(|at| at.value),
        })
    }

    fn command(&self, at: &At<RawCommand>, timeout: Duration) -> Option<Command> {
        let raw = &at.value;
        let program = raw.program.as_ref()?;
        let path = self.absolute(&program.value);
        self.refuse_aerator(program, &program.value.display().to_string());
        let arguments = raw.arguments.as_ref();
        for argument in arguments.iter().flat_map(|list| &list.value) {
            self.refuse_aerator(argument, &argument.value);
        }
        if !files::is_program(&path) {
            let found = format!("the program {}, which is not there or not executable", path.display());
            let accepted = "a program that the daemon's user can run";
            self.problems.push(self.problems.about(program, found, accepted).as_warning());
        }
        Some(Command {
            program: path,
            arguments: arguments.map_or_else(Vec::new, |list| {
                list.value.iter().map(|argument| argument.value.clone()).collect()
            }),
            timeout: raw.timeout.as_ref().map_or(timeout, |at| at.value),
        })
    }

    /// Refuses what names an aerator group, as far as words can tell.
    fn refuse_aerator<T>(&self, place: &At<T>, text: &str) {
        let lower = text.to_lowercase();
        let words: Vec<&str> =
            lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
        let ponds = self.ponds.borrow();
        let group = ponds.iter().find_map(|pond| {
            let id = pond.id.value.as_str();
            let group = pond.aerators.iter().find(|group| {
                let after_pond = words.windows(2).any(|pair| pair == [id, group.as_str()]);
                words.as_slice() == [group.as_str()] || after_pond
            })?;
            Some(format!("the aerator group `{group}` of pond `{id}`"))
        });
        let what = match (group, names_aerator(text)) {
            (Some(group), _) => group,
            (None, true) => "an aerator".to_owned(),
            (None, false) => return,
        };
        let found = format!("{}, which names {what}", quoted(text));
        let problem =
            self.problems.about(place, found, "the horn or the lamp, and nothing that moves water or air");
        self.problems.push(
            problem
                .with_hint("this program never switches an aerator: a person or the panel's own timer does"),
        );
    }

    fn horn_test(&self, raw: &RawAnnunciation, has_horn: bool) -> Option<Option<HornTestPlan>> {
        let sound = raw.horn_test_sound.as_ref().map_or(HORN_TEST_SOUND, |at| at.value);
        let at = match &raw.horn_test {
            None => HORN_TEST,
            Some(at) if at.value == "never" => {
                let found = "no test of the horn: that it is broken would be found in an alarm";
                self.problems
                    .push(self.problems.about(at, found, "a time of day, such as \"17:00\"").as_warning());
                return Some(None);
            }
            Some(at) => {
                let time = (at.value.len() == 5)
                    .then(|| jiff::civil::Time::strptime("%H:%M", &at.value).ok())
                    .flatten();
                let Some(time) = time else {
                    let found = format!("the time of day {}", quoted(&at.value));
                    let accepted = "farm time as \"HH:MM\", from \"00:00\" to \"23:59\", or \"never\"";
                    self.problems.push(self.problems.about(at, found, accepted));
                    return None;
                };
                if !has_horn {
                    let found = "a test of a horn that is not configured";
                    self.problems.push(self.problems.about(
                        at,
                        found,
                        "a table `[annunciation.horn]` as well",
                    ));
                }
                time
            }
        };
        Some(has_horn.then_some(HornTestPlan { at, sound }))
    }

    fn calls(&self, at: &At<RawCalls>, has_destination: bool) -> Option<(CallPlan, Vec<Option<Command>>)> {
        let raw = &at.value;
        let usual = CallPlan::usual();
        let shared = match &raw.command {
            Some(command) => Some(self.command(command, CALL_TIMEOUT)?),
            None => None,
        };
        let mut steps = Vec::new();
        let mut commands = Vec::new();
        let mut taken = HashMap::new();
        let mut before: Option<Duration> = None;
        let mut complete = true;
        for step in raw.step.iter().flat_map(|list| &list.value) {
            let own = step.value.command.as_ref().map(|command| self.command(command, CALL_TIMEOUT));
            let (Some(id), Some(name), Some(after)) = (&step.value.id, &step.value.name, &step.value.after)
            else {
                complete = false;
                continue;
            };
            self.claim(&mut taken, id, "step");
            if before.is_some_and(|before| after.value <= before) {
                let found = format!(
                    "a step after {}, not later than the one before it",
                    humantime::format_duration(after.value)
                );
                self.problems.push(self.problems.about(
                    after,
                    found,
                    "steps in order of time, each later than the one before",
                ));
            }
            before = Some(after.value);
            steps.push(CallStep { id: id.value.clone(), name: name.value.clone(), after: span(after.value) });
            let command = own.map_or_else(|| Some(shared.clone()), |own| own.map(Some));
            complete &= command.is_some();
            let command = command.flatten();
            if command.is_none() && !has_destination {
                let found =
                    "a step that reaches nobody: no command, and no destination it could be published to";
                self.problems.push(self.problems.about(
                    step,
                    found,
                    "a `command`, here or for all steps, or a `[[destination]]`",
                ));
            }
            commands.push(command);
        }
        if raw.step.as_ref().is_none_or(|list| list.value.is_empty()) {
            steps = usual.steps;
            commands = vec![shared.clone(); steps.len()];
            if shared.is_none() && !has_destination {
                let found =
                    "calls that reach nobody: no command, and no destination they could be published to";
                self.problems.push(self.problems.about(at, found, "a `command`, or a `[[destination]]`"));
            }
        }
        let repeat_every = match &raw.repeat_every {
            None => usual.repeat_every,
            Some(every) if every.value.is_zero() => None,
            Some(every) if every.value < Duration::from_secs(60) => {
                let found = format!("a repeat each {}", humantime::format_duration(every.value));
                self.problems.push(self.problems.about(every, found, "\"0s\" for never, or at least \"1m\""));
                return None;
            }
            Some(every) => Some(span(every.value)),
        };
        let mildest =
            if raw.high.as_ref().is_some_and(|at| at.value) { Priority::High } else { Priority::Critical };
        complete.then_some((CallPlan { steps, repeat_every, mildest: Some(mildest) }, commands))
    }
}

fn same_switch(one: &DrivenBy, two: &DrivenBy) -> bool {
    match (one, two) {
        (DrivenBy::Relay(one), DrivenBy::Relay(two)) => {
            (one.bus, one.unit, one.coil) == (two.bus, two.unit, two.coil)
        }
        (DrivenBy::Gpio(one), DrivenBy::Gpio(two)) => (&one.chip, one.line) == (&two.chip, two.line),
        (DrivenBy::Command(one), DrivenBy::Command(two)) => one == two,
        _ => false,
    }
}
