//! SDI-12 sensors: who is there, what it is, what it measures.

use std::time::Duration;

use pondreeve_protocol::sdi12::{
    Begun, Command, SensorMap, decode_begun, decode_command, decode_identity, is_acknowledged,
};
use tokio::time::Instant;

use super::super::fit::look_again;
use super::super::{Garbled, Progress, Setting};
use super::guess::{self, Guess};
use super::{Measured, Outcome, Promised, Sensor, Stop, Walk, meaning};
use crate::config::farm::Wake;
use crate::config::profile::Profile;
use crate::probes::spoken::Failure;
use crate::probes::spoken::sensor::{self, Manner, Owing};

/// The line is listened to for so long before anything is asked on it.
const LISTEN: Duration = Duration::from_millis(300);

/// Times that an address is asked whether somebody is there: a sensor may miss the first while it wakes.
const KNOCKS: u32 = 2;

/// A sensor that has answered is given at least this long for each answer.
const LOOK_PATIENCE: Duration = Duration::from_millis(300);

/// Longest measurement that is waited for.
const WAIT_AT_MOST_S: u16 = 30;

/// Measurements that are ready within this are made so often, so that a person sees what moves.
const LIVE_WITHIN_S: u16 = 3;
const LOOKS: usize = 3;

/// The most values that `aM!` can announce; a sensor with more has them behind `aC!`.
const MEASURE_VALUES_MAX: u8 = 9;

/// Numbers of the further measurements.
const FURTHER: std::ops::RangeInclusive<u8> = 1..=9;

/// After so many of them without an answer no further one is asked for: by the standard a sensor that has none says so,
/// but not all do, and each silence costs time.
const SILENCES: u32 = 2;

/// Since this version a sensor tells what a measurement would announce.
const TELLS_SINCE: u16 = 14;

/// What an address says to being asked whether somebody is there.
enum Knock {
    There,
    Silent,
    Unclear(usize),
}

impl Walk<'_> {
    pub(super) async fn sensors(&mut self, setting: Setting, outcome: &mut Outcome) -> Result<(), Stop> {
        // Longest answer: 81 characters.
        let slowest = LOOK_PATIENCE.max(self.plan.patience) + setting.character() * 81;
        self.access.open_for_text(setting, slowest).await.map_err(Stop)?;
        let heard = self.listen(LISTEN).await?;
        if let Some((address, _)) = heard.split_inclusive(|byte| *byte == b'!').find_map(decode_command) {
            return Err(Stop(format!(
                "somebody else speaks on this line at {setting}: a command to address {} came before anything was \
                 asked. Stop the other one first",
                char::from(address)
            )));
        }
        if let Some(tried) = outcome.tried.last_mut() {
            tried.unasked_bytes = heard.len();
        }
        let mut there = Vec::new();
        let plan = self.plan;
        let of = plan.addresses.len();
        let mut ended = Ok(());
        for (done, &address) in plan.addresses.iter().enumerate() {
            (self.tell)(Progress::Address { address, done, of, found: there.len() });
            match self.knock(address).await {
                Ok(Knock::There) => {
                    there.push(address);
                    (self.tell)(Progress::Found(address));
                }
                Ok(Knock::Silent) => {}
                Ok(Knock::Unclear(bytes)) => {
                    outcome.garbled.push(Garbled { address, setting, bytes, twice: false });
                }
                Err(stop) => {
                    ended = Err(stop);
                    break;
                }
            }
            if let Some(tried) = outcome.tried.last_mut() {
                tried.addresses = done + 1;
            }
        }
        // What was found before it ended is looked at all the same, unless the line itself is gone.
        if self.access.talk.is_some() && !(self.is_over)() {
            for address in there {
                (self.tell)(Progress::Look(address));
                let sensor = self.look(address, setting).await?;
                outcome.sensors.push(sensor);
            }
        }
        ended
    }

    pub(super) async fn listen(&mut self, length: Duration) -> Result<Vec<u8>, Stop> {
        let until = Instant::now() + length;
        let mut heard = Vec::new();
        while let Some(came) = self.talk().await?.receive(until).await? {
            if heard.len() < 4_096 {
                heard.extend(came);
            }
        }
        Ok(heard)
    }

    async fn knock(&mut self, address: u8) -> Result<Knock, Stop> {
        let (wake, patience) = (self.plan.wake, self.plan.patience);
        let command = Command::Acknowledge.encode(address).unwrap_or_default();
        let mut bytes = 0;
        for _ in 0..KNOCKS {
            let talk = self.talk().await?;
            talk.make_ready().await?;
            if wake == Wake::Break {
                talk.wake().await?;
            }
            talk.send(&command).await?;
            // Its echo, if any, and three characters.
            let until = Instant::now() + patience + talk.character * 8;
            let mut received = Vec::new();
            while let Some(came) = talk.receive(until).await? {
                received.extend(came);
                while let Some(end) = received.windows(2).position(|pair| pair == b"\r\n") {
                    let line: Vec<u8> = received.drain(..end + 2).collect();
                    if is_acknowledged(&line, address) {
                        return Ok(Knock::There);
                    }
                    bytes += line.len();
                }
                if received.len() > 256 {
                    break;
                }
            }
            let rest = received.strip_prefix(command.as_slice()).unwrap_or(&received);
            bytes += rest.len();
        }
        Ok(if bytes == 0 { Knock::Silent } else { Knock::Unclear(bytes) })
    }

    /// A sensor about to be asked.
    pub(super) fn asked(&self, address: u8) -> Asked {
        let patience = LOOK_PATIENCE.max(self.plan.patience);
        let manner = Manner { address, wake: self.plan.wake, patience, attempts: 2 };
        Asked { manner, owing: Owing::new(), measured: Vec::new() }
    }

    async fn look(&mut self, address: u8, setting: Setting) -> Result<Sensor, Stop> {
        let known = self.access.lent().map(|lent| lent.probes.as_slice()).unwrap_or_default();
        let known_as = known.iter().filter(|probe| probe.address == address).map(|probe| probe.id.clone());
        let known_as = known_as.collect();
        let mut asked = self.asked(address);
        let manner = asked.manner;
        let talk = self.talk().await?;
        let decode = |line: &[u8]| decode_identity(line, address);
        let identity = sensor::ask(talk, manner, Command::Identify, &mut asked.owing, decode).await;
        let identity = in_words(identity)?;

        // With checksums if it can; without, from before version 1.3.
        let mut crc = true;
        let mut first = asked.measure(self, Command::Measure { number: 0, crc }).await?;
        if first.is_none() {
            crc = false;
            first = asked.measure(self, Command::Measure { number: 0, crc }).await?;
        }
        // None at once, or as many as it can count: there may be more the other way.
        if first.is_none_or(|announced| announced == 0 || announced >= MEASURE_VALUES_MAX) {
            asked.measure(self, Command::Concurrent { number: 0, crc }).await?;
        }
        let tells = identity.as_ref().is_ok_and(|own| own.version >= TELLS_SINCE);
        let mut promised = None;
        if self.plan.further {
            asked.further(self, crc).await?;
        } else if tells {
            promised = Some(asked.promised(self).await?);
        }
        for profile in &self.plan.profiles {
            let Profile::Sensor(map) = profile else { continue };
            asked.measure(self, map.measurement).await?;
        }
        if tells {
            asked.describe(self, promised.as_deref_mut().unwrap_or_default()).await?;
        }
        let mut fitting: Vec<(u8, Guess)> = Vec::new();
        let mut others = Vec::new();
        for profile in &self.plan.profiles {
            let Profile::Sensor(map) = profile else { continue };
            match asked.guess(profile, map, self.plan.is_named) {
                Ok(guess) => fitting.push((map.number(), guess)),
                Err(why) => others.push((map.id.clone(), why)),
            }
        }
        // Profiles of different measurements do not stand against each other.
        let mut guesses = Vec::new();
        for number in 0..=*FURTHER.end() {
            let own = fitting.extract_if(.., |(of, _)| *of == number);
            let mut own: Vec<Guess> = own.map(|(_, guess)| guess).collect();
            guess::sort(&mut own, &mut others);
            guesses.append(&mut own);
        }
        Ok(Sensor {
            address,
            setting,
            identity,
            measured: asked.measured,
            promised,
            guesses,
            others,
            known_as,
        })
    }
}

/// What one sensor was asked for.
pub(super) struct Asked {
    pub(super) manner: Manner,
    pub(super) owing: Owing,
    pub(super) measured: Vec<Result<Measured, (Command, String)>>,
}

impl Asked {
    fn of(&self, command: Command) -> Option<&Result<Measured, (Command, String)>> {
        self.measured.iter().find(|own| match own {
            Ok(measured) => measured.command == command,
            Err((asked, _)) => *asked == command,
        })
    }

    /// Has a sensor measure, once for each command; how many values it announced, if it did.
    async fn measure(&mut self, walk: &mut Walk<'_>, command: Command) -> Result<Option<u8>, Stop> {
        if self.of(command).is_none() {
            let outcome = match self.try_measure(walk, command).await? {
                Ok(measured) => Ok(measured),
                Err(why) => Err((command, why)),
            };
            self.measured.push(outcome);
        }
        Ok(self.of(command).and_then(|own| own.as_ref().ok()).map(|own| own.announced))
    }

    /// Has a sensor make its further measurements, `aM1!` to `aM9!`, and `aC1!` and so on where there may be more that way.
    async fn further(&mut self, walk: &mut Walk<'_>, crc: bool) -> Result<(), Stop> {
        let announced = |own: &Self, command| {
            own.of(command).and_then(|own| own.as_ref().ok()).map_or(0, |own| own.announced)
        };
        let by_concurrent = announced(self, Command::Concurrent { number: 0, crc })
            > announced(self, Command::Measure { number: 0, crc });
        let mut silences = 0;
        for number in FURTHER {
            let values = self.measure(walk, Command::Measure { number, crc }).await?;
            let mut is_silent = values.is_none();
            let is_full = values.is_some_and(|values| values >= MEASURE_VALUES_MAX);
            if is_full || (by_concurrent && values.unwrap_or_default() == 0) {
                is_silent &= self.measure(walk, Command::Concurrent { number, crc }).await?.is_none();
            }
            silences = if is_silent { silences + 1 } else { 0 };
            if silences >= SILENCES {
                break;
            }
        }
        Ok(())
    }

    /// Which further measurements it says it has. None is begun by that.
    async fn promised(&mut self, walk: &mut Walk<'_>) -> Result<Vec<Promised>, Stop> {
        let mut promised = Vec::new();
        let mut silences = 0;
        for number in FURTHER {
            let command = Command::Announce { number, concurrent: false };
            let decode = |line: &[u8]| decode_begun(line, command, self.manner.address);
            let talk = walk.talk().await?;
            match in_words(sensor::ask(talk, self.manner, command, &mut self.owing, decode).await)? {
                Ok(own) => {
                    silences = 0;
                    let own = Promised { number, values: own.values, told: Vec::new() };
                    promised.extend((own.values > 0).then_some(own));
                }
                Err(_) => silences += 1,
            }
            if silences >= SILENCES {
                break;
            }
        }
        Ok(promised)
    }

    /// One measurement: what it announced, and its values; none where it has none or they are not waited for.
    pub(super) async fn once(
        &mut self,
        walk: &mut Walk<'_>,
        command: Command,
    ) -> Result<Result<(Begun, Option<Vec<f64>>), String>, Stop> {
        let map = SensorMap {
            id: String::new(),
            description: String::new(),
            measurement: command,
            values: Vec::new(),
        };
        let address = self.manner.address;
        let talk = walk.talk().await?;
        let decode = |line: &[u8]| decode_begun(line, command, address);
        let begun = match in_words(sensor::ask(talk, self.manner, command, &mut self.owing, decode).await)? {
            Ok(begun) => begun,
            Err(why) => return Ok(Err(why)),
        };
        if begun.values == 0 || begun.ready_after_s > WAIT_AT_MOST_S {
            return Ok(Ok((begun, None)));
        }
        if map.is_concurrent() {
            tokio::time::sleep(Duration::from_secs(u64::from(begun.ready_after_s))).await;
        } else {
            in_words(sensor::await_ready(talk, address, begun).await)?.unwrap_or_default();
        }
        let talk = walk.talk().await?;
        let values = in_words(sensor::collect(talk, self.manner, &map, begun, &mut self.owing).await)?;
        Ok(values.map(|values| (begun, Some(values))))
    }

    async fn try_measure(
        &mut self,
        walk: &mut Walk<'_>,
        command: Command,
    ) -> Result<Result<Measured, String>, Stop> {
        let mut found: Option<Measured> = None;
        loop {
            let (begun, values) = match self.once(walk, command).await? {
                Ok(once) => once,
                Err(why) => return Ok(found.ok_or(why)),
            };
            let own = found.get_or_insert_with(|| Measured {
                command,
                announced: begun.values,
                ready_after_s: begun.ready_after_s,
                looks: Vec::new(),
                told: Vec::new(),
            });
            let is_live = values.is_some() && begun.ready_after_s <= LIVE_WITHIN_S;
            own.looks.extend(values);
            if own.looks.len() >= LOOKS || !is_live {
                return Ok(found.ok_or_else(String::new));
            }
        }
    }

    fn guess(&self, profile: &Profile, map: &SensorMap, is_named: bool) -> Result<Guess, String> {
        let measured = match self.of(map.measurement) {
            Some(Ok(measured)) => measured,
            Some(Err((_, why))) => return Err(why.clone()),
            None => return Err("it was not asked".to_owned()),
        };
        let Some(first) = measured.looks.first() else {
            return Err(match measured.announced {
                0 => "it has no values for this measurement".to_owned(),
                _ => format!("it takes {} s to measure, which was not waited for", measured.ready_after_s),
            });
        };
        let value = |values: &[f64], position: u8| {
            let place = usize::from(position).checked_sub(1)?;
            values.get(place).copied()
        };
        let mut seen = Vec::with_capacity(map.values.len());
        let mut told = 0;
        for (position, reported) in &map.values {
            let raw = value(first, *position)
                .ok_or_else(|| format!("value {position} is wanted, {} came", first.len()))?;
            let says = usize::from(*position).checked_sub(1).and_then(|place| measured.told.get(place));
            if let Some(why) = says.and_then(|says| meaning::contradiction(says, *position, reported)) {
                return Err(why);
            }
            let said = says.and_then(meaning::quantity);
            told += usize::from(said.is_some_and(|said| said.id() == reported.channel));
            let mut own = guess::look(reported, raw)?;
            for later in measured.looks.iter().skip(1) {
                let raw = value(later, *position).ok_or("it gives fewer values at times")?;
                look_again(&mut own, guess::look(reported, raw)?);
            }
            seen.push(own);
        }
        let is_exact = is_named || map.values.len() == first.len();
        Ok(Guess { profile: profile.clone(), seen, is_exact, in_doubt: false, told })
    }
}

/// A failure of the sensor in words, one of the port as the end.
pub(super) fn in_words<T>(outcome: Result<T, Failure>) -> Result<Result<T, String>, Stop> {
    match outcome {
        Ok(found) => Ok(Ok(found)),
        Err(Failure::Device(error)) => Err(error.into()),
        Err(Failure::Silent) => Ok(Err("no answer".to_owned())),
        Err(Failure::Garbled { bytes, why, .. }) => {
            Ok(Err(format!("{bytes} bytes came, but no valid answer: {why}")))
        }
        Err(Failure::NoValues(why)) => Ok(Err(why)),
    }
}
