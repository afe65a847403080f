//! Modbus RTU probes on a serial bus: one task per bus, one request on the line at a time.
//!
//! `line` asks and checks, `exact` keeps its silences, `coils` switches the horn's and the lamp's relays in between,
//! `poll` reads a whole probe, `schedule` says who is next, this module opens the port and turns what happens into
//! events. A probe that does not answer is reported and asked less often; a port that is
//! gone is reported and opened again and again.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Event;
use pondreeve_core::Quantity;
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::said::said;
use pondreeve_protocol::modbus::exception_name;
use tokio_util::sync::CancellationToken;
use tracing::info;

use self::coils::Coils;
use self::exact::Exact;
use self::line::{Failure, Line, Timing};
use self::loan::{LoanAsk, Loans, Window};
use self::poll::{Device, Doubts, Reading};
use self::schedule::Schedule;
use self::setting::SettingWatch;
use super::capture::Capture;
use super::report::{Gone, Reporter};
use super::tally::Tally;
use crate::clock::Clock;
use crate::config::Farm;
use crate::config::farm::{Bus, BusProbe, Parity};
use crate::inbox::Inbox;

mod asked;
pub mod coils;
pub mod exact;
pub mod line;
pub mod loan;
pub mod poll;
pub(super) mod port;
pub mod schedule;
mod setting;

pub(crate) use self::port::{Port, connect, open_error, open_port};

#[cfg(test)]
mod line_faults;

/// Real time between attempts to open a port that is not there: first and longest. The longest keeps
/// the wait after plugging in short; an attempt costs next to nothing.
pub(super) const REOPEN_AFTER: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(5));

/// Polls the probes of one bus, and switches coils in between, until `stop` is cancelled or the engine is gone.
pub async fn run(
    farm: Arc<Farm>,
    index: usize,
    clock: Clock,
    (inbox, tally): (Inbox, Tally),
    (coils, loans): (Coils, Loans),
    stop: CancellationToken,
) {
    let Some(bus) = farm.buses.get(index) else { return };
    let work = async {
        let reporter = Reporter::new(clock.clone(), inbox, tally);
        let mut task = BusTask::new(&farm, bus, clock, reporter, (coils, loans));
        // It only ends when the engine is gone.
        let Err(Gone) = task.run().await;
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = work => {}
    }
}

struct BusTask<'a> {
    bus: &'a Bus,
    clock: Clock,
    reporter: Reporter,
    schedule: Schedule,
    devices: Vec<Device>,
    settings: Vec<SettingWatch>,
    doubts: Doubts,
    coils: Coils,
    /// A coil that came while the line was lent, and goes first.
    recalled_for: Option<coils::CoilJob>,
    loans: Loans,
    lent: Window,
    timing: Timing,
    capture: Option<Capture>,
}

/// Why polling ended.
pub(super) enum Ended {
    /// The port failed.
    Failed(std::io::Error),
    /// The line is asked for.
    Lend(LoanAsk),
}

impl<'a> BusTask<'a> {
    fn new(
        farm: &Farm,
        bus: &'a Bus,
        clock: Clock,
        reporter: Reporter,
        (coils, loans): (Coils, Loans),
    ) -> Self {
        let slowest = bus.probes.iter().map(|probe| probe.timeout).max().unwrap_or_default();
        let parity_bit = u32::from(bus.parity != Parity::None);
        let bits = 1 + u32::from(bus.data_bits) + parity_bit + u32::from(bus.stop_bits);
        let id = |probe: &BusProbe| {
            farm.site.probes.get(usize::from(probe.probe.0)).map_or("?", |p| p.id.as_str())
        };
        let devices: Vec<Device> =
            bus.probes.iter().map(|probe| Device::new(bus, probe, id(probe))).collect();
        let settings = devices.iter().filter_map(|device| device.setting.as_ref().map(|(block, _)| block));
        let blocks = devices.iter().flat_map(|device| &device.blocks).chain(settings);
        let longest = blocks.map(|block| block.request(0).answer_bytes()).max().unwrap_or_default();
        Self {
            bus,
            reporter,
            schedule: Schedule::new(clock.now(), bus.probes.iter().map(|probe| probe.poll_every)),
            clock,
            settings: devices.iter().map(|_| SettingWatch::default()).collect(),
            devices,
            doubts: Doubts::default(),
            coils,
            recalled_for: None,
            loans,
            lent: Window::default(),
            timing: Timing::new(bus.baud, bits, bus.turnaround, slowest, longest),
            capture: Capture::of_bus(bus),
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
            let opened = port::open_patiently(&port::of_bus(self.bus), self.capture.as_ref(), tries).await;
            tries = 1;
            let detail = match opened {
                Ok(port) => {
                    info!(bus = self.bus.id, device = self.bus.place(), "line opened");
                    wait = REOPEN_AFTER.0;
                    let mut line = Line::with_framing(port, self.timing, self.bus.framing)
                        .kept_by(Exact::of_the_kernel());
                    let error = match self.poll(&mut line).await? {
                        Ended::Failed(error) => error,
                        Ended::Lend(ask) => {
                            drop(line);
                            self.lend(ask).await?;
                            tries = port::TRIES_AFTER_LOAN;
                            continue;
                        }
                    };
                    port::failed(&port::of_bus(self.bus), &error)
                }
                Err(why) => said!(
                    "trouble-bus-unread",
                    "{why}; the probes of bus {bus} are not read until it can",
                    why = why,
                    bus = &self.bus.id
                )
                .into(),
            };
            self.reporter.gateway_fault(GatewayPart::Bus, &self.bus.id, Some(detail.clone())).await?;
            for (probe, device) in self.bus.probes.iter().zip(&self.devices) {
                let detail = format!("{} waits for its bus", device.name);
                self.reporter.probe_fault(probe.probe, ProbeFault::Unreachable, &detail).await?;
            }
            if let Some(job) = self.recalled_for.take() {
                let _ = job.done.send(Err(detail.clone()));
            }
            self.coils.refuse_for(wait, &detail).await;
            wait = (wait * 2).min(REOPEN_AFTER.1);
        }
    }

    /// Lends the line, whose port is closed, and says so.
    async fn lend(&mut self, ask: LoanAsk) -> Result<(), Gone> {
        let named = self.bus.probes.iter().zip(&self.devices);
        let probes: Vec<_> = named.map(|(probe, device)| (probe.probe, device.name.clone())).collect();
        let queues = (&mut self.coils, &mut self.loans);
        let lent =
            loan::lend_line(&self.bus.id, &probes, ask, &mut self.lent, queues, &mut self.reporter).await?;
        self.recalled_for = lent;
        Ok(())
    }

    /// Polls until the port fails or the line is asked for.
    async fn poll(&mut self, line: &mut Line<Port>) -> Result<Ended, Gone> {
        // What the kernel or the adapter has kept from before is nobody's answer.
        if let Err(error) = line.settle(self.timing.frame_silence.max(Duration::from_millis(5))).await {
            return Ok(Ended::Failed(error));
        }
        let mut cleared = false;
        loop {
            if let Some(job) = self.recalled_for.take().or_else(|| self.coils.waiting()) {
                if let Err(error) = coils::switch(line, job).await {
                    return Ok(Ended::Failed(error));
                }
                continue;
            }
            if let Some(ask) = self.loans.waiting() {
                return Ok(Ended::Lend(ask));
            }
            let next = self.schedule.next(self.clock.now());
            let due = next.map(|next| next.due);
            let Some(next) = next.filter(|next| next.due <= self.clock.now()) else {
                // A bus without probes is held open, so that nobody else takes it.
                let wait = async {
                    match due {
                        Some(due) => self.clock.sleep_until(due).await,
                        None => std::future::pending().await,
                    }
                };
                tokio::select! {
                    () = wait => {}
                    ask = self.loans.next() => return Ok(Ended::Lend(ask)),
                    job = self.coils.next() => {
                        if let Err(error) = coils::switch(line, job).await {
                            return Ok(Ended::Failed(error));
                        }
                    }
                }
                continue;
            };
            let bus = self.bus;
            let (Some(probe), Some(device)) = (bus.probes.get(next.index), self.devices.get(next.index))
            else {
                continue;
            };
            let attempts = if next.failing { 1 } else { 1 + u32::from(probe.retries) };
            // What a coil or a setting has left behind is no poll's.
            line.exchanges.take();
            let outcome = poll::read_probe(line, probe, device, attempts, &mut self.doubts).await;
            if let Err(Failure::Device(error)) = outcome {
                return Ok(Ended::Failed(error));
            }
            if !cleared {
                self.reporter.gateway_fault(GatewayPart::Bus, &bus.id, None).await?;
                cleared = true;
            }
            let answered = outcome.is_ok();
            self.reporter.exchanged(probe.probe, line.exchanges.take(), answered);
            match outcome {
                Ok(reading) => {
                    accept(&mut self.reporter, probe, device, reading).await?;
                    if let Some(watch) = self.settings.get_mut(next.index) {
                        let now = self.clock.now();
                        let (own, told) = ((probe, device), &mut self.reporter);
                        let looked = watch.look(line, own, &mut self.doubts, told, now).await?;
                        if let Err(Failure::Device(error)) = looked {
                            return Ok(Ended::Failed(error));
                        }
                    }
                }
                Err(failure) => {
                    let (fault, detail) = fault_of(&failure, probe, device);
                    self.reporter.probe_fault(probe.probe, fault, &detail).await?;
                }
            }
            self.schedule.done(next.index, self.clock.now(), answered);
        }
    }
}

/// Hands on what was read, and says what was not.
async fn accept(
    reporter: &mut Reporter,
    probe: &BusProbe,
    device: &Device,
    reading: Reading,
) -> Result<(), Gone> {
    let samples: Vec<Sample> = reading
        .values
        .iter()
        .filter_map(|(channel, value)| {
            let quantity = Quantity::from_id(channel)?;
            // A profile has each quantity once, so its channel is the only one.
            Some(Sample { probe: probe.probe, quantity, channel: None, value: *value, taken_at: None })
        })
        .collect();
    if !samples.is_empty() {
        reporter.send(Event::Sweep { samples }).await?;
    }
    if reading.problems.is_empty() {
        reporter.probe_well(probe.probe);
        return Ok(());
    }
    let why = reading.problems.join("; ");
    let detail = format!("{}: {why}", device.name);
    reporter.probe_fault(probe.probe, ProbeFault::Undecodable(why), &detail).await
}

/// The fault for the engine, and what is known of it for the log.
fn fault_of(failure: &Failure, probe: &BusProbe, device: &Device) -> (ProbeFault, String) {
    let name = device.name.as_str();
    match failure {
        Failure::Silent => {
            (ProbeFault::Silent, format!("{name} is silent: nothing within {:?}", probe.timeout))
        }
        Failure::Garbled { bytes, why } => {
            (ProbeFault::Garbled, format!("{name}: {bytes} bytes came, but no valid answer: {why}"))
        }
        Failure::Exception(2) => {
            let registers: Vec<String> = device
                .blocks
                .iter()
                .map(|block| {
                    let last = block.address.saturating_add(block.count - 1);
                    format!("{} registers {} to {last}", poll::table_name(block.table), block.address)
                })
                .collect();
            let detail = format!(
                "{name} refused with Modbus exception 2 (illegal data address): it does not have all of {}; \
                 is profile `{}` the one for this probe?",
                registers.join(", "),
                probe.map.id
            );
            (ProbeFault::Undecodable(detail.clone()), detail)
        }
        Failure::Exception(code) => (
            ProbeFault::Exception(*code),
            format!("{name} refused with Modbus exception {code} ({})", exception_name(*code)),
        ),
        Failure::Device(error) => (ProbeFault::Unreachable, format!("{name}: {error}")),
    }
}
