//! One SDI-12 sensor asked: every command with its answer, checks and further attempts.
//!
//! An answer carries an address but not what it answers, so one that comes late could be taken for that to a later
//! question, and values be counted from the wrong place. After a question without an answer the line is first kept
//! silent, then the sensor is asked whether it is there: it answers in order, so once it has, whatever was owed has
//! come before and was passed over.

use std::collections::BTreeSet;
use std::time::Duration;

use pondreeve_protocol::sdi12::{
    self, Begun, Command, Sdi12Error, SensorMap, decode_begun, decode_data, is_acknowledged,
};
use tokio::time::Instant;
use tracing::debug;

use super::super::exchanges::Ended;
use super::super::serial::port::Bytes;
use super::Failure;
use super::talk::Talk;
use crate::config::farm::Wake;

/// Characters of the longest answer: address, 75 of values (section 4.4.8), CRC and the end of the line.
const ANSWER_CHARACTERS: u32 = 81;

/// A sensor that has not said that it is ready this long after it should have been is asked for its data all the same.
const REQUEST_LATE: Duration = Duration::from_secs(1);

/// How a sensor is asked.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Manner {
    pub(crate) address: u8,
    pub(crate) wake: Wake,
    pub(crate) patience: Duration,
    pub(crate) attempts: u32,
}

/// Sensors that may still owe an answer.
pub(crate) type Owing = BTreeSet<u8>;

fn garbled(bytes: u64, why: &Sdi12Error) -> Failure {
    let ended = match why {
        Sdi12Error::Crc { .. } => Ended::Checksum,
        Sdi12Error::OtherAddress { .. } => Ended::OtherAddress,
        Sdi12Error::NoEnd | Sdi12Error::Form { .. } => Ended::Garbled,
    };
    Failure::Garbled { bytes, why: why.to_string(), ended }
}

/// One command and its answer.
async fn exchange<P: Bytes, T>(
    talk: &mut Talk<P>,
    manner: Manner,
    command: Command,
    decode: &impl Fn(&[u8]) -> Result<T, Sdi12Error>,
) -> Result<T, Failure> {
    let text = command.encode(manner.address).unwrap_or_default();
    talk.make_ready().await.map_err(Failure::Device)?;
    if manner.wake == Wake::Break {
        talk.wake().await.map_err(Failure::Device)?;
    }
    talk.send(&text).await.map_err(Failure::Device)?;
    let asked = Instant::now();
    let on_the_line = talk.character * (ANSWER_CHARACTERS + u32::try_from(text.len()).unwrap_or(8));
    let until = asked + manner.patience + on_the_line;
    let (mut received, mut bytes, mut nearest) = (Vec::new(), 0_u64, None);
    while let Some(came) = talk.receive(until).await.map_err(Failure::Device)? {
        bytes += came.len() as u64;
        received.extend_from_slice(&came);
        while let Some(end) = received.windows(2).position(|pair| pair == b"\r\n") {
            let line: Vec<u8> = received.drain(..end + 2).collect();
            match decode(&line) {
                Ok(found) => {
                    talk.exchanges.answered(asked.elapsed());
                    return Ok(found);
                }
                Err(why) => nearest = Some(why),
            }
        }
        // A line that babbles must not fill the memory.
        let excess = received.len().saturating_sub(512);
        received.drain(..excess);
    }
    let failure = match (nearest, bytes) {
        (None, 0) => Failure::Silent,
        (why, _) => garbled(bytes, &why.unwrap_or(Sdi12Error::NoEnd)),
    };
    talk.exchanges.failed(failure.ended());
    Err(failure)
}

/// One command with further attempts.
pub(crate) async fn ask<P: Bytes, T>(
    talk: &mut Talk<P>,
    manner: Manner,
    command: Command,
    owing: &mut Owing,
    decode: impl Fn(&[u8]) -> Result<T, Sdi12Error>,
) -> Result<T, Failure> {
    let mut attempt = 1;
    loop {
        let outcome = async {
            if owing.contains(&manner.address) {
                let there = |line: &[u8]| match is_acknowledged(line, manner.address) {
                    true => Ok(()),
                    false => Err(sdi12::not_acknowledged(line, manner.address)),
                };
                exchange(talk, manner, Command::Acknowledge, &there).await?;
                owing.remove(&manner.address);
            }
            exchange(talk, manner, command, &decode).await
        };
        let failure = match outcome.await {
            Ok(found) => return Ok(found),
            Err(failure @ Failure::Device(_)) => return Err(failure),
            Err(failure) => failure,
        };
        debug!(address = %char::from(manner.address), ?command, ?failure, attempt, "no answer");
        owing.insert(manner.address);
        talk.settle(talk.after_timeout).await.map_err(Failure::Device)?;
        if attempt >= manner.attempts {
            return Err(failure);
        }
        attempt += 1;
    }
}

/// Begins a measurement.
pub(crate) async fn begin<P: Bytes>(
    talk: &mut Talk<P>,
    manner: Manner,
    sensor: &SensorMap,
    owing: &mut Owing,
) -> Result<Begun, Failure> {
    let command = sensor.measurement;
    ask(talk, manner, command, owing, |line| decode_begun(line, command, manner.address)).await
}

/// Waits until a sensor that measures alone says that it is ready.
pub(crate) async fn await_ready<P: Bytes>(
    talk: &mut Talk<P>,
    address: u8,
    begun: Begun,
) -> Result<(), Failure> {
    if begun.ready_after_s == 0 {
        return Ok(());
    }
    let until = Instant::now() + Duration::from_secs(u64::from(begun.ready_after_s)) + REQUEST_LATE;
    let mut received = Vec::new();
    while let Some(came) = talk.receive(until).await.map_err(Failure::Device)? {
        received.extend_from_slice(&came);
        while let Some(end) = received.windows(2).position(|pair| pair == b"\r\n") {
            let line: Vec<u8> = received.drain(..end + 2).collect();
            if sdi12::is_service_request(&line, address) {
                return Ok(());
            }
        }
        let excess = received.len().saturating_sub(512);
        received.drain(..excess);
    }
    Ok(())
}

/// Fetches the values of a measurement. What carries no CRC is fetched twice and must be the same both times.
pub(crate) async fn collect<P: Bytes>(
    talk: &mut Talk<P>,
    manner: Manner,
    sensor: &SensorMap,
    begun: Begun,
    owing: &mut Owing,
) -> Result<Vec<f64>, Failure> {
    let told = usize::from(begun.values);
    let crc = sensor.has_crc();
    let mut values: Vec<f64> = Vec::with_capacity(told);
    if told == 0 {
        return Err(Failure::NoValues("the sensor says that it will send no values".to_owned()));
    }
    for page in 0..=9 {
        let command = Command::Data(page);
        let decode = |line: &[u8]| decode_data(line, page, manner.address, crc);
        let mut page_values = ask(talk, manner, command, owing, decode).await?;
        if !crc {
            let again = ask(talk, manner, command, owing, decode).await?;
            if again != page_values {
                talk.exchanges.failed(Ended::Garbled);
                owing.insert(manner.address);
                let why = "the same data asked for twice came differently".to_owned();
                return Err(Failure::Garbled { bytes: 0, why, ended: Ended::Garbled });
            }
        }
        if page_values.is_empty() {
            let why = format!("the measurement was aborted: {} of {told} values came", values.len());
            return Err(Failure::NoValues(why));
        }
        values.append(&mut page_values);
        if values.len() >= told {
            break;
        }
    }
    if values.len() == told {
        return Ok(values);
    }
    // More or fewer than it said: where a value stands can no longer be known.
    owing.insert(manner.address);
    Err(Failure::NoValues(format!("{} values came, {told} were announced", values.len())))
}

/// The values that a profile knows, by their positions.
pub(crate) fn placed(sensor: &SensorMap, values: &[f64]) -> (Vec<(String, f64)>, Vec<String>) {
    let (mut found, mut problems) = (Vec::new(), Vec::new());
    for (position, reported) in &sensor.values {
        match values.get(usize::from(*position).wrapping_sub(1)).map(|raw| reported.value(*raw)) {
            Some(Ok(value)) => found.push((reported.channel.clone(), value)),
            Some(Err(why)) => problems.push(format!("{} (value {position}): {why}", reported.channel)),
            None => problems.push(format!(
                "{}: value {position} of {} that came; is profile `{}` the one for this sensor?",
                reported.channel,
                values.len(),
                sensor.id
            )),
        }
    }
    (found, problems)
}
