//! A probe that sends lines: asked for one, or listened to.

use std::time::Duration;

use pondreeve_protocol::text_line::{LineError, LineMap, Splitter, Values};
use tokio::time::Instant;

use super::super::exchanges::Ended;
use super::super::serial::port::Bytes;
use super::Failure;
use super::talk::Talk;

/// A silence of so many characters within a line cuts it, as does one of [`GAP_LEAST`]: adapters on USB hand on what
/// they have every 16 ms (common practice, no source).
const GAP_CHARACTERS: u32 = 20;
const GAP_LEAST: Duration = Duration::from_millis(100);

/// No answer comes later than this (common practice, no source: serial servers and radio links that buffer hold bytes
/// for seconds).
const OWED_AT_MOST: Duration = Duration::from_secs(60);

/// Answers that are remembered as owed.
const OWED_MOST: u32 = 6;

/// Questions to a probe that nothing answered. An answer does not say what it answers, so one that comes late would be
/// taken for that to a later question: as many answers are passed over as are owed, each to a question of its own, and
/// the one that is taken is then to a question of this very poll. What is passed over may be an answer to a question of
/// just now, while the late one is still to come: so this goes on until none can come any more.
#[derive(Debug, Default, Clone, Copy)]
pub(super) struct Owed {
    count: u32,
    since: Option<Instant>,
}

impl Owed {
    fn add(&mut self) {
        self.count = (self.count + 1).min(OWED_MOST);
        self.since = Some(Instant::now());
    }

    fn now(&self) -> u32 {
        if self.since.is_some_and(|at| at.elapsed() < OWED_AT_MOST) { self.count } else { 0 }
    }
}

/// One line that fits.
pub(super) async fn read<P: Bytes>(
    talk: &mut Talk<P>,
    map: &LineMap,
    patience: Duration,
    attempts: u32,
    owed: &mut Owed,
) -> Result<Values, Failure> {
    let mut attempt = 1;
    loop {
        let failure = match certain(talk, map, patience, owed).await {
            Ok(values) => return Ok(values),
            Err(failure @ Failure::Device(_)) => return Err(failure),
            Err(failure) => failure,
        };
        talk.exchanges.failed(failure.ended());
        if map.ask.is_some() {
            talk.settle(talk.after_timeout).await.map_err(Failure::Device)?;
        }
        if attempt >= attempts {
            return Err(failure);
        }
        attempt += 1;
    }
}

/// An answer to a question that was asked just now.
async fn certain<P: Bytes>(
    talk: &mut Talk<P>,
    map: &LineMap,
    patience: Duration,
    owed: &mut Owed,
) -> Result<Values, Failure> {
    let passed_over = if map.ask.is_some() { owed.now() } else { 0 };
    for turn in 0..=passed_over {
        match one(talk, map, patience).await {
            Ok(values) if turn == passed_over => {
                if passed_over == 0 {
                    *owed = Owed::default();
                }
                return Ok(values);
            }
            Ok(_) => {}
            Err((failure, is_owed)) => {
                if is_owed {
                    owed.add();
                }
                return Err(failure);
            }
        }
    }
    Err(Failure::Silent)
}

/// One question and its answer; with a failure, whether the answer may still come.
async fn one<P: Bytes>(
    talk: &mut Talk<P>,
    map: &LineMap,
    patience: Duration,
) -> Result<Values, (Failure, bool)> {
    let device = |error| (Failure::Device(error), true);
    talk.make_ready().await.map_err(device)?;
    let longest = u32::try_from(map.longest + map.end.len()).unwrap_or(1_024);
    let mut until = Instant::now() + patience;
    if let Some(ask) = &map.ask {
        talk.send(ask).await.map_err(device)?;
        until = Instant::now() + patience + talk.character * (longest + ask.len() as u32);
    }
    let asked = Instant::now();
    let gap = (talk.character * GAP_CHARACTERS).max(GAP_LEAST);
    // What comes to a probe that was asked begins a line; of one that is listened to it may be the rest of one.
    let mut splitter =
        Splitter::new(&map.end, map.longest + map.ask.as_ref().map_or(0, Vec::len), map.ask.is_some());
    let (mut bytes, mut nearest) = (0_u64, None);
    loop {
        let now = Instant::now();
        match talk.receive(until.min(now + gap)).await.map_err(device)? {
            None if Instant::now() >= until => break,
            None => splitter.silence(),
            Some(came) => {
                bytes += came.len() as u64;
                for line in splitter.take(&came) {
                    match map.read(&line) {
                        Ok(values) => {
                            if map.ask.is_some() {
                                talk.exchanges.answered(asked.elapsed());
                            }
                            return Ok(values);
                        }
                        Err(why) => nearest = Some(why),
                    }
                }
            }
        }
    }
    if bytes == 0 {
        return Err((Failure::Silent, true));
    }
    // A whole line that does not fit was the answer, damaged.
    let is_owed = nearest.is_none();
    let why = nearest.unwrap_or(LineError::NoEnd);
    let ended = if matches!(why, LineError::Checksum { .. }) { Ended::Checksum } else { Ended::Garbled };
    Err((Failure::Garbled { bytes, why: why.to_string(), ended }, is_owed))
}

/// The values of a line, and what was no value.
pub(super) fn told(values: Values) -> (Vec<(String, f64)>, Vec<String>) {
    let (mut found, mut problems) = (Vec::new(), Vec::new());
    for (channel, value) in values {
        match value {
            Ok(value) => found.push((channel, value)),
            Err(why) => problems.push(format!("{channel}: {why}")),
        }
    }
    (found, problems)
}
