//! One gateway of the fleet: connects while it has a link, sends what is due in order, and again what was not confirmed.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use pondreeve::clock::Clock;
use pondreeve::mqtt_link::{self, Backoff};
use rumqttc::{AsyncClient, Event, LastWill, Outgoing, Packet, QoS};
use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;

use super::outages::Outages;
use super::script::Script;
use super::tally::Tally;
use super::{FarmClock, Options};

/// Sent and not confirmed at most, as a gateway has it.
const WINDOW: usize = 40;

/// How long what is under way may take when the run ends.
const LAST_CONFIRMATIONS: Duration = Duration::from_secs(15);

/// A broker that confirms nothing for so long is left.
const CONFIRM_WITHIN: Duration = Duration::from_secs(60);

pub(super) struct Gateway {
    options: Arc<Options>,
    script: Script,
    outages: Outages,
    clock: FarmClock,
    tally: Arc<Tally>,
    index: usize,
    /// So many messages from the first on are confirmed.
    confirmed: u64,
    /// Which node is tried next.
    turn: usize,
}

/// A message on its way.
struct UnderWay {
    place: u64,
    packet: Option<u16>,
    since: Instant,
}

impl Gateway {
    pub(super) fn new(
        options: Arc<Options>,
        script: Script,
        outages: Outages,
        (clock, tally): (FarmClock, Arc<Tally>),
        (number, confirmed): (u32, u64),
    ) -> Self {
        // The fleet spreads over the nodes.
        let turn = number as usize;
        Self { options, script, outages, clock, tally, index: turn, confirmed, turn }
    }

    pub(super) async fn run(mut self, stop: CancellationToken) {
        let mut backoff = Backoff::default();
        while !stop.is_cancelled() {
            let now = self.clock.now_ms();
            let (is_up, until) = self.outages.at(now);
            self.tally.stands(self.index, self.confirmed, self.script.due(now), 0);
            let wait = if is_up {
                let ended = self.connection(until, &mut backoff, &stop).await;
                self.tally.connected(self.index, false);
                match ended {
                    Ok(()) => continue,
                    Err(why) => {
                        self.turn += 1;
                        self.tally.lost(why.to_string());
                        backoff.wait()
                    }
                }
            } else {
                self.clock.until(until).min(Duration::from_secs(1))
            };
            tokio::select! {
                () = stop.cancelled() => {}
                () = sleep(wait) => {}
            }
        }
    }

    /// One connection, until the link goes or the run ends: then `Ok`.
    async fn connection(
        &mut self,
        until_ms: i64,
        backoff: &mut Backoff,
        stop: &CancellationToken,
    ) -> anyhow::Result<()> {
        let mut options =
            mqtt_link::options(&self.options.address(&self.script.gateway, self.turn), &Clock::system())?;
        let health = format!("pondreeve/{}/health", self.script.gateway);
        options.set_last_will(LastWill::new(&health, "offline", QoS::AtLeastOnce, true));
        let (client, mut eventloop) = AsyncClient::new(options, WINDOW + 4);
        eventloop.set_network_options(mqtt_link::network());
        let (events, mut heard) = mpsc::channel(64);
        let _polling = AbortOnDropHandle::new(tokio::spawn(async move {
            loop {
                let event = eventloop.poll().await;
                let last = event.is_err();
                if events.send(event).await.is_err() || last {
                    return;
                }
            }
        }));
        let mut under_way: VecDeque<UnderWay> = VecDeque::new();
        let (mut next, mut is_open) = (self.confirmed, false);
        // Packet identifiers are told in the order in which messages were handed over, this one first.
        let (mut health_waits, mut pace) = (false, (Instant::now(), 0_f64));
        let mut progress = Instant::now();
        let mut leaving: Option<Instant> = None;
        loop {
            let now = self.clock.now_ms();
            if now >= until_ms {
                // The link goes: no farewell, and what was under way is not known to have arrived.
                return Ok(());
            }
            if stop.is_cancelled() {
                let since = *leaving.get_or_insert_with(Instant::now);
                if under_way.is_empty() || since.elapsed() > LAST_CONFIRMATIONS {
                    let _ = client.try_disconnect();
                    let _ = timeout(Duration::from_secs(1), heard.recv()).await;
                    return Ok(());
                }
            }
            let due = self.script.due(now);
            while is_open
                && leaving.is_none()
                && next < due
                && under_way.len() < WINDOW
                && self.may(&mut pace)
            {
                let message = self.script.message(next)?;
                if client.try_publish(message.topic, QoS::AtLeastOnce, false, message.payload).is_err() {
                    break;
                }
                self.tally.sent();
                under_way.push_back(UnderWay { place: next, packet: None, since: Instant::now() });
                next += 1;
            }
            self.tally.stands(self.index, self.confirmed, due, under_way.len());
            let full = next >= due || under_way.len() >= WINDOW;
            let nap = if full {
                self.clock.until(self.script.next_ms(now).min(until_ms))
            } else {
                Duration::from_millis(5)
            };
            let event = match timeout(nap.min(Duration::from_millis(500)), heard.recv()).await {
                Ok(event) => event.ok_or_else(|| anyhow::anyhow!("the connection's task ended"))?,
                Err(_) if !under_way.is_empty() && progress.elapsed() > CONFIRM_WITHIN => {
                    anyhow::bail!("nothing was confirmed for {} s", CONFIRM_WITHIN.as_secs())
                }
                Err(_) => continue,
            };
            match event? {
                Event::Incoming(Packet::ConnAck(_)) => {
                    is_open = true;
                    self.tally.connected(self.index, true);
                    health_waits = client.try_publish(&health, QoS::AtLeastOnce, true, "online").is_ok();
                }
                Event::Outgoing(Outgoing::Publish(packet)) => {
                    if std::mem::take(&mut health_waits) {
                        continue;
                    }
                    if let Some(own) = under_way.iter_mut().find(|own| own.packet.is_none()) {
                        own.packet = Some(packet);
                    }
                    progress = Instant::now();
                }
                Event::Incoming(Packet::PubAck(ack)) => {
                    progress = Instant::now();
                    backoff.reset();
                    if let Some(at) = under_way.iter().position(|own| own.packet == Some(ack.pkid))
                        && let Some(own) = under_way.remove(at)
                    {
                        self.tally.answered_after(own.since.elapsed());
                        // Everything before the oldest that is still under way.
                        self.confirmed = under_way.front().map_or(next, |oldest| oldest.place);
                    }
                }
                _ => {}
            }
        }
    }

    /// Whether one more may go within the rate of one gateway.
    fn may(&self, (at, saved): &mut (Instant, f64)) -> bool {
        let most = f64::from(self.options.most_per_second.max(1));
        *saved = (*saved + at.elapsed().as_secs_f64() * most).min((most / 10.0).max(1.0));
        *at = Instant::now();
        let may = *saved >= 1.0;
        if may {
            *saved -= 1.0;
        }
        may
    }
}
