//! What a week without a link does: alarms overtake, the pace is kept, nothing is sent twice in one connection.

use std::time::{Duration, Instant};

use pondreeve_core::{Span, Timestamp};

use super::tests::{Consumer, alarm, broker, farm, forwarder, free_port, summary_at};

/// Sequence numbers in the order in which they arrive, until `wanted` has.
fn numbers_until(consumer: &Consumer, wanted: impl Fn(&str) -> bool) -> Vec<u64> {
    let mut numbers = Vec::new();
    loop {
        let line = consumer.next();
        let number: Option<u64> = line
            .split(r#""n":"sequence","u":"count","v":"#)
            .nth(1)
            .map(|rest| rest.chars().take_while(char::is_ascii_digit).collect::<String>().parse().unwrap());
        numbers.extend(number);
        if wanted(&line) {
            return numbers;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_live_alarm_overtakes_a_backlog_of_summaries() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut running = forwarder(&farm(port), 1);
    for turn in 0..2_000 {
        running.send(&summary_at(Timestamp(0) + Span::from_minutes(15 * turn)));
    }
    let before = numbers_until(&consumer, |line| line.contains(r#""v":100.0},{"n":"interval""#));
    running.send(&alarm());
    let meanwhile = numbers_until(&consumer, |line| line.contains("/alarm "));
    // Those that were on their way already, and what the broker's and our own queues hold of them.
    assert!(meanwhile.len() < 400, "{} summaries went before the alarm", meanwhile.len());
    let rest = numbers_until(&consumer, |line| line.contains(r#""v":2000.0},{"n":"interval""#));
    let all: Vec<u64> = [before, meanwhile, rest].concat();
    assert_eq!(all, (1..=2_000).collect::<Vec<u64>>());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backlog_keeps_to_the_pace_of_its_destination() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut farm = farm(port);
    farm.destinations[0].most_per_second = 50;
    let mut running = forwarder(&farm, 1);
    for turn in 0..105 {
        running.send(&summary_at(Timestamp(0) + Span::from_minutes(15 * turn)));
    }
    let begun = Instant::now();
    numbers_until(&consumer, |line| line.contains(r#""v":105.0},{"n":"interval""#));
    // Five at once, then fifty a second: never faster, whatever the machine does.
    assert!(begun.elapsed() >= Duration::from_millis(1_900), "{:?}", begun.elapsed());
}

/// Prints what `DEVELOPERS.md` tells of. A week of 20 ponds, each 15 minutes: 13,440 summaries.
#[tokio::test(flavor = "multi_thread")]
#[ignore = "a measurement; run it in release with --ignored --nocapture"]
async fn a_week_s_backlog_is_measured() {
    let cpu = || nix::sys::resource::getrusage(nix::sys::resource::UsageWho::RUSAGE_SELF).unwrap();
    let spent = |usage: nix::sys::resource::Usage| {
        let micros = |time: nix::sys::time::TimeVal| time.tv_sec() * 1_000_000 + time.tv_usec();
        micros(usage.user_time()) + micros(usage.system_time())
    };
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true\nmax_queued_messages 0");
    let mut running = forwarder(&farm(port), 1);
    let before = spent(cpu());
    for turn in 0..13_440 {
        running.send(&summary_at(Timestamp(0) + Span::from_minutes(15 * turn)));
    }
    let queued = spent(cpu()) - before;
    let begun = Instant::now();
    let mut late = Duration::ZERO;
    let mut turn = 0;
    while running.queue.waits() > 0 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        turn += 1;
        if turn % 50 == 0 {
            let queue = running.queue.clone();
            running.send(&alarm());
            let sent = Instant::now();
            while queue.next_at(0, crate::outbox::Class::Urgent, 0).is_some() {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
            late = late.max(sent.elapsed());
        }
    }
    let took = begun.elapsed();
    let whole = spent(cpu()) - before;
    println!(
        "13,440 summaries: {took:?}, latest live alarm confirmed after {late:?}; queueing {:.1} µs each",
        queued as f64 / 13_440.0
    );
    println!(
        "queueing, encoding, sending and confirming: {:.1} µs of processor time each",
        whole as f64 / 13_440.0
    );
}
