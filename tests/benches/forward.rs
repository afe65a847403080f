//! What a summary costs on its way out, in processor time, beside a plain rumqttc publisher that sends the same bytes to the
//! same broker.
//!
//!     cargo bench -p pondreeve-tests --bench forward -- --summaries 13440
//!
//! A week of 20 ponds, each quarter of an hour, each summary of 16 quantities. Ours: queueing, encoding, sending, and what
//! the confirmation brings, with the pace of a destination and without; the journal's share is in the bench `store`. Peer:
//! rumqttc's AsyncClient with the payloads made beforehand, 40 in flight. The broker is a process of its own and does not
//! count. Nothing is asserted.

use std::fs;
use std::time::{Duration, Instant};

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeVal;
use pondreeve::clock::Clock;
use pondreeve::config::Farm;
use pondreeve::outbox::queue::Queue;
use pondreeve::outbox::{Body, Change, Kept, Outgoing, PondSummary, Waiting};
use pondreeve_core::effect::QuantitySummary;
use pondreeve_core::{Quantity, Span, Timestamp};
use pondreeve_tests::{Mosquitto, Scratch, one_pond};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use tokio_util::sync::CancellationToken;

const BEGINS: i64 = 1_772_323_200_000;
const PONDS: u64 = 20;
const QUANTITIES: usize = 16;

fn summary(number: u64) -> Outgoing {
    let from = Timestamp(BEGINS) + Span::from_minutes(15 * (number / PONDS) as i64);
    let to = from + Span::from_minutes(15);
    let mean = 5.0 + (number as f64 / 300.0).sin();
    let quantities = Quantity::ALL.iter().take(QUANTITIES).map(|&quantity| QuantitySummary {
        quantity,
        minimum: mean - 0.317,
        mean,
        maximum: mean + 0.284,
        last: mean + 0.019,
        usable: 90,
        doubtful: 1,
    });
    let summary = PondSummary {
        pond: format!("p{}", number % PONDS + 1),
        from,
        to,
        quantities: quantities.collect(),
        alarms_standing: [0, 1, 2],
        merged: 1,
    };
    Outgoing { number, at: to, body: Body::Summary(summary) }
}

fn spent_micros() -> f64 {
    let usage = getrusage(UsageWho::RUSAGE_SELF).expect("usage");
    let micros = |time: TimeVal| time.tv_sec() as f64 * 1e6 + time.tv_usec() as f64;
    micros(usage.user_time()) + micros(usage.system_time())
}

/// Processor time and time of a summary, and the bytes sent, as the broker counted them.
struct Cost {
    cpu_micros: f64,
    took: Duration,
}

fn farm(scratch: &Scratch, port: u16, most_per_second: u32) -> Farm {
    let rest = format!(
        "[[broker]]\nid = \"b\"\nhost = \"127.0.0.1\"\nport = 9\n[[broker.probe]]\nid = \"n\"\npond = \"p1\"\n\
         topic = \"n\"\nsends_every = \"1m\"\nvalue = [{{ quantity = \"do_mg_l\", json = \"/o\" }}]\n\
         [[destination]]\nid = \"office\"\nhost = \"127.0.0.1\"\nport = {port}\nmost_per_second = {most_per_second}\n"
    );
    let path = scratch.write("farm.toml", &one_pond(scratch.folder.path(), "1s", "", &rest));
    pondreeve::config::load(&path).unwrap_or_else(|error| panic!("{error}"))
}

async fn ours(farm: &Farm, summaries: u64) -> Cost {
    let queue = Queue::new(["office"], Kept::default());
    let (inbox, _reports) = tokio::sync::mpsc::channel(64);
    let stop = CancellationToken::new();
    let mut tasks = pondreeve::forward::start(farm, &queue, &inbox, &Clock::system(), &stop);
    while !queue.standing().iter().all(|own| own.connected) {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    // As the engine has them: made, then queued.
    let ready: Vec<Outgoing> = (1..=summaries).map(summary).collect();
    let (before, begun) = (spent_micros(), Instant::now());
    for outgoing in &ready {
        queue.take([Change::Queued(Waiting::of(outgoing))]);
    }
    // Seldom: whoever looks is a wake of the processor too.
    while queue.bytes() > 0 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let cost = Cost { cpu_micros: spent_micros() - before, took: begun.elapsed() };
    stop.cancel();
    while tasks.join_next().await.is_some() {}
    cost
}

async fn peer(port: u16, payloads: &[(String, Vec<u8>)], per_second: Option<u32>) -> Cost {
    let mut options = MqttOptions::new("peer", "127.0.0.1", port);
    options.set_inflight(40).set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut events) = AsyncClient::new(options, 44);
    let mut network = rumqttc::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    events.set_network_options(network);
    while !matches!(events.poll().await.expect("the broker"), Event::Incoming(Packet::ConnAck(_))) {}
    let wanted = payloads.len();
    let polling = tokio::spawn(async move {
        let mut confirmed = 0;
        while confirmed < wanted {
            if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("the broker") {
                confirmed += 1;
            }
        }
    });
    let (before, begun) = (spent_micros(), Instant::now());
    for (number, (topic, payload)) in payloads.iter().enumerate() {
        if let Some(per_second) = per_second {
            // As a pace does it: a few at a time.
            let due = Duration::from_secs_f64(number as f64 / f64::from(per_second));
            if due > begun.elapsed() {
                tokio::time::sleep(due - begun.elapsed()).await;
            }
        }
        client.publish(topic, QoS::AtLeastOnce, false, payload.clone()).await.expect("taken");
    }
    polling.await.expect("it ends");
    Cost { cpu_micros: spent_micros() - before, took: begun.elapsed() }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let asked = arguments.iter().position(|own| own == "--summaries").and_then(|at| arguments.get(at + 1));
    let summaries: u64 = asked.map_or(13_440, |text| text.parse().expect("--summaries takes a number"));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let runtime = runtime.expect("threads");
    let scratch = Scratch::new();
    let broker = Mosquitto::start_with(scratch.folder.path(), "max_queued_messages 0");
    let listener = broker.listen("pondreeve/#");
    runtime.block_on(ours(&farm(&scratch, broker.port, 10_000), 1));
    let (topic, payload) =
        listener.find("a summary", Duration::from_secs(20), |topic, _| topic.ends_with("/summary"));
    drop(listener);
    println!("{summaries} summaries of {} bytes, of {QUANTITIES} quantities each", payload.len());
    let payloads = vec![(topic, payload.into_bytes()); summaries as usize];
    let tell = |what: &str, cost: &Cost| {
        println!(
            "{what:<44} {:>6.1} µs of processor time each, {:>7.0} a second",
            cost.cpu_micros / summaries as f64,
            summaries as f64 / cost.took.as_secs_f64()
        );
    };
    // In turn, so that what else runs on the machine falls on both.
    for _ in 0..3 {
        for (shown, pace, most) in [("as fast as it goes", None, 10_000), ("400 a second", Some(400), 400)] {
            let own = runtime.block_on(ours(&farm(&scratch, broker.port, most), summaries));
            tell(&format!("pondreeve, {shown}"), &own);
            let other = runtime.block_on(peer(broker.port, &payloads, pace));
            tell(&format!("rumqttc alone, ready bytes, {shown}"), &other);
            println!("{:>44} {:.2} times", "ratio", own.cpu_micros / other.cpu_micros);
        }
    }
    let _ = fs::remove_file(scratch.path("farm.toml"));
}
