//! Lines on which probes speak text: one task for each, one question on the line at a time.
//!
//! `talk` keeps silences and breaks, `sensor` asks SDI-12 sensors, `text` reads plain lines; this module opens the
//! port, says who is next and turns what happens into events, as `serial` does for Modbus.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::said::said;
use pondreeve_core::{Event, Quantity};
use pondreeve_protocol::sdi12::{Begun, SensorMap};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::info;

use self::sensor::{Manner, Owing};
use self::talk::Talk;
use super::capture::Capture;
use super::exchanges::{Ended, Exchanges};
use super::report::{Gone, Reporter};
use super::serial::coils::{self, Coils};
use super::serial::loan::{self, LoanAsk, Loans, Window};
use super::serial::port::{self, Port, Settings};
use super::serial::schedule::Schedule;
use super::serial::{Ended as PollingEnded, REOPEN_AFTER};
use super::tally::Tally;
use crate::clock::Clock;
use crate::config::Farm;
use crate::config::farm::{LineProbe, Parity, Spoken, TextLine};
use crate::inbox::Inbox;

pub(crate) mod sensor;
pub(crate) mod talk;
mod text;

#[cfg(test)]
mod line_faults;

/// Why a poll gave nothing.
#[derive(Debug)]
pub(crate) enum Failure {
    /// Nothing came at all.
    Silent,
    /// Something came, but no valid answer.
    Garbled { bytes: u64, why: String, ended: Ended },
    /// The probe answered, without values, in words.
    NoValues(String),
    /// The device itself failed.
    Device(io::Error),
}

impl Failure {
    const fn ended(&self) -> Ended {
        match self {
            Self::Garbled { ended, .. } => *ended,
            Self::NoValues(_) => Ended::Refused,
            Self::Silent | Self::Device(_) => Ended::TimedOut,
        }
    }
}

/// Channels and values, and what was no value, in words.
type Reading = (Vec<(String, f64)>, Vec<String>);

/// A sensor that measures while others are asked.
struct Pending {
    index: usize,
    begun: Begun,
    ready_at: Instant,
    /// What became of the questions that began it.
    exchanges: Exchanges,
}

struct LineTask<'a> {
    farm: &'a Farm,
    line: &'a TextLine,
    clock: Clock,
    reporter: Reporter,
    schedule: Schedule,
    owing: Owing,
    owed: Vec<text::Owed>,
    pending: Vec<Pending>,
    capture: Option<Capture>,
    /// No relay hangs on such a line, so nothing is ever in it.
    coils: Coils,
    loans: Loans,
    lent: Window,
}

/// What came of waiting for the next probe.
enum Next {
    /// It was asked.
    Polled(usize, Result<Reading, Failure>),
    /// Nothing is known of it yet.
    NotYet,
    /// The line is asked for.
    Lend(LoanAsk),
}

/// Polls the probes of one line until `stop` is cancelled or the engine is gone.
pub(super) async fn run(
    farm: Arc<Farm>,
    index: usize,
    clock: Clock,
    (inbox, tally): (Inbox, Tally),
    loans: Loans,
    stop: CancellationToken,
) {
    let Some(line) = farm.lines.get(index) else { return };
    let work = async {
        let mut task = LineTask {
            farm: &farm,
            line,
            reporter: Reporter::new(clock.clone(), inbox, tally),
            schedule: Schedule::new(clock.now(), line.probes.iter().map(|probe| probe.poll_every)),
            clock,
            owing: Owing::new(),
            owed: vec![text::Owed::default(); line.probes.len()],
            pending: Vec::new(),
            capture: Capture::of_line(line),
            coils: coils::queue().1,
            loans,
            lent: Window::default(),
        };
        // It only ends when the engine is gone.
        let Err(Gone) = task.run().await;
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = work => {}
    }
}

/// Time of one character of a line.
pub(crate) fn character(baud: u32, data_bits: u8, parity: Parity, stop_bits: u8) -> Duration {
    let bits = 1 + u32::from(data_bits) + u32::from(parity != Parity::None) + u32::from(stop_bits);
    Duration::from_secs_f64(f64::from(bits) / f64::from(baud.max(1)))
}

impl LineTask<'_> {
    fn settings(&self) -> Settings<'_> {
        let line = self.line;
        Settings {
            device: &line.device,
            server: line.server.as_ref(),
            baud: line.baud,
            frame: (line.data_bits, line.parity, line.stop_bits),
            place: line.place(),
        }
    }

    fn name(&self, probe: &LineProbe) -> String {
        let known = self.farm.site.probes.get(usize::from(probe.probe.0));
        let id = known.map_or("?", |known| known.id.as_str());
        match &probe.spoken {
            Spoken::Sensor(address, map) => {
                format!(
                    "probe {id} (address {} on line {}, profile {})",
                    char::from(*address),
                    self.line.id,
                    map.id
                )
            }
            Spoken::Text(map) => format!("probe {id} (line {}, profile {})", self.line.id, map.id),
        }
    }

    async fn run(&mut self) -> Result<std::convert::Infallible, Gone> {
        let mut wait = REOPEN_AFTER.0;
        let mut tries = 1;
        loop {
            if let Some(ask) = self.loans.waiting() {
                self.lend(ask).await?;
                tries = port::TRIES_AFTER_LOAN;
            }
            let opened = port::open_patiently(&self.settings(), self.capture.as_ref(), tries).await;
            tries = 1;
            let detail = match opened {
                Ok(port) => {
                    let line = self.line;
                    info!(line = line.id, device = line.place(), "line opened");
                    wait = REOPEN_AFTER.0;
                    let character = character(line.baud, line.data_bits, line.parity, line.stop_bits);
                    let asked =
                        |probe: &&LineProbe| !matches!(&probe.spoken, Spoken::Text(map) if map.ask.is_none());
                    let slowest = line.probes.iter().filter(asked).map(|probe| probe.timeout).max();
                    let slowest = slowest.unwrap_or_default() + character * 81;
                    let mut talk = Talk::new(port, character, line.turnaround, slowest);
                    match self.poll(&mut talk).await? {
                        PollingEnded::Failed(error) => port::failed(&self.settings(), &error),
                        PollingEnded::Lend(ask) => {
                            drop(talk);
                            self.pending.clear();
                            self.lend(ask).await?;
                            tries = port::TRIES_AFTER_LOAN;
                            continue;
                        }
                    }
                }
                Err(why) => said!(
                    "trouble-line-unread",
                    "{why}; the probes of line {line} are not read until it can",
                    why = why,
                    line = &self.line.id
                )
                .into(),
            };
            self.pending.clear();
            self.reporter.gateway_fault(GatewayPart::Bus, &self.line.id, Some(detail)).await?;
            for probe in &self.line.probes {
                let detail = format!("{} waits for its line", self.name(probe));
                self.reporter.probe_fault(probe.probe, ProbeFault::Unreachable, &detail).await?;
            }
            tokio::time::sleep(wait).await;
            wait = (wait * 2).min(REOPEN_AFTER.1);
        }
    }

    /// Lends the line, whose port is closed, and says so.
    async fn lend(&mut self, ask: LoanAsk) -> Result<(), Gone> {
        let probes: Vec<_> = self.line.probes.iter().map(|probe| (probe.probe, self.name(probe))).collect();
        let queues = (&mut self.coils, &mut self.loans);
        loan::lend_line(&self.line.id, &probes, ask, &mut self.lent, queues, &mut self.reporter).await?;
        Ok(())
    }

    /// Polls until the port fails or the line is asked for.
    async fn poll(&mut self, talk: &mut Talk<Port>) -> Result<PollingEnded, Gone> {
        // What the kernel or the adapter has kept from before is nobody's answer.
        if let Err(error) = talk.settle(Duration::from_millis(20)).await {
            return Ok(PollingEnded::Failed(error));
        }
        let mut cleared = false;
        loop {
            if let Some(ask) = self.loans.waiting() {
                return Ok(PollingEnded::Lend(ask));
            }
            let (index, outcome) = match self.next(talk).await {
                Next::Polled(_, Err(Failure::Device(error))) => return Ok(PollingEnded::Failed(error)),
                Next::Polled(index, outcome) => (index, outcome),
                Next::NotYet => continue,
                Next::Lend(ask) => return Ok(PollingEnded::Lend(ask)),
            };
            let Some(probe) = self.line.probes.get(index) else { continue };
            if !cleared {
                self.reporter.gateway_fault(GatewayPart::Bus, &self.line.id, None).await?;
                cleared = true;
            }
            let good = outcome.is_ok();
            if matches!(outcome, Err(Failure::NoValues(_))) {
                talk.exchanges.failed(Ended::Refused);
            }
            self.reporter.exchanged(probe.probe, talk.exchanges.take(), good);
            self.tell(probe, outcome).await?;
            self.schedule.done(index, self.clock.now(), good);
        }
    }

    /// Waits for the next probe and asks it.
    async fn next(&mut self, talk: &mut Talk<Port>) -> Next {
        let now = Instant::now();
        if let Some(place) = self.pending.iter().position(|own| own.ready_at <= now) {
            let own = self.pending.swap_remove(place);
            talk.exchanges = own.exchanges;
            return self.fetch(talk, own.index, own.begun).await;
        }
        let ready_at = self.pending.iter().map(|own| own.ready_at).min();
        let ready = async {
            match ready_at {
                Some(at) => tokio::time::sleep_until(at).await,
                None => std::future::pending().await,
            }
        };
        // Asked again, or for another of its measurements, it would abort what it measures (section 4.4.7.1 of SDI-12).
        let sensor = |index: usize| self.line.probes.get(index).and_then(LineProbe::sensor);
        let measures = |index: usize| {
            let of_it = |own: &Pending| {
                own.index == index || (sensor(index).is_some() && sensor(own.index) == sensor(index))
            };
            self.pending.iter().any(of_it)
        };
        let next = self.schedule.next_but(self.clock.now(), measures);
        let Some(next) = next.filter(|next| next.due <= self.clock.now()) else {
            let due = async {
                match next {
                    Some(next) => self.clock.sleep_until(next.due).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                () = ready => {}
                () = due => {}
                ask = self.loans.next() => return Next::Lend(ask),
            }
            return Next::NotYet;
        };
        let line = self.line;
        let Some(probe) = line.probes.get(next.index) else { return Next::NotYet };
        let attempts = if next.failing { 1 } else { 1 + u32::from(probe.retries) };
        let outcome = match &probe.spoken {
            Spoken::Text(map) => {
                let Some(owed) = self.owed.get_mut(next.index) else { return Next::NotYet };
                let read = text::read(talk, map, probe.timeout, attempts, owed);
                tokio::select! {
                    read = read => read.map(text::told),
                    // Who only listens owes nobody an answer, and may listen for long.
                    ask = self.loans.next(), if map.ask.is_none() => return Next::Lend(ask),
                }
            }
            Spoken::Sensor(address, map) => {
                let manner = Manner { address: *address, wake: line.wake, patience: probe.timeout, attempts };
                match self.begin(talk, manner, map, next.index).await {
                    Ok(Some(begun)) => return self.fetch(talk, next.index, begun).await,
                    Ok(None) => return Next::NotYet,
                    Err(failure) => Err(failure),
                }
            }
        };
        Next::Polled(next.index, outcome)
    }

    /// Begins a measurement, and waits for it where nobody else may be asked meanwhile.
    async fn begin(
        &mut self,
        talk: &mut Talk<Port>,
        manner: Manner,
        map: &SensorMap,
        index: usize,
    ) -> Result<Option<Begun>, Failure> {
        let begun = sensor::begin(talk, manner, map, &mut self.owing).await?;
        if map.is_concurrent() && begun.ready_after_s > 0 {
            let ready_at = Instant::now() + Duration::from_secs(u64::from(begun.ready_after_s));
            self.pending.push(Pending { index, begun, ready_at, exchanges: talk.exchanges.take() });
            self.schedule.done(index, self.clock.now(), true);
            return Ok(None);
        }
        sensor::await_ready(talk, manner.address, begun).await?;
        Ok(Some(begun))
    }

    async fn fetch(&mut self, talk: &mut Talk<Port>, index: usize, begun: Begun) -> Next {
        let Some(probe) = self.line.probes.get(index) else { return Next::NotYet };
        let Spoken::Sensor(address, map) = &probe.spoken else { return Next::NotYet };
        let attempts = 1 + u32::from(probe.retries);
        let manner = Manner { address: *address, wake: self.line.wake, patience: probe.timeout, attempts };
        let values = sensor::collect(talk, manner, map, begun, &mut self.owing).await;
        Next::Polled(index, values.map(|values| sensor::placed(map, &values)))
    }

    /// Hands on what was read, and says what was not.
    async fn tell(&mut self, probe: &LineProbe, outcome: Result<Reading, Failure>) -> Result<(), Gone> {
        let name = self.name(probe);
        let (fault, detail) = match outcome {
            Ok((values, problems)) => {
                let samples: Vec<Sample> = values
                    .iter()
                    .filter_map(|(channel, value)| {
                        let quantity = Quantity::from_id(channel)?;
                        Some(Sample {
                            probe: probe.probe,
                            quantity,
                            channel: None,
                            value: *value,
                            taken_at: None,
                        })
                    })
                    .collect();
                if !samples.is_empty() {
                    self.reporter.send(Event::Sweep { samples }).await?;
                }
                if problems.is_empty() {
                    self.reporter.probe_well(probe.probe);
                    return Ok(());
                }
                let why = problems.join("; ");
                (ProbeFault::Undecodable(why.clone()), format!("{name}: {why}"))
            }
            Err(Failure::Silent) => {
                (ProbeFault::Silent, format!("{name} is silent: nothing within {:?}", probe.timeout))
            }
            Err(Failure::Garbled { bytes, why, .. }) => {
                (ProbeFault::Garbled, format!("{name}: {bytes} bytes came, but no valid answer: {why}"))
            }
            Err(Failure::NoValues(why)) => (ProbeFault::Undecodable(why.clone()), format!("{name}: {why}")),
            Err(Failure::Device(error)) => (ProbeFault::Unreachable, format!("{name}: {error}")),
        };
        self.reporter.probe_fault(probe.probe, fault, &detail).await
    }
}
