//! Brokers that take some messages and others not.

use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;

use super::tests::{Consumer, alarm, broker, farm, forwarder, free_port, summary};
use crate::config::farm::Version;

/// MQTT 5 says how large a packet may be. An alarm of 350 bytes passes, a summary of 600 stays, and is told.
#[tokio::test(flavor = "multi_thread")]
async fn alarms_pass_a_broker_for_which_summaries_are_too_large() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true\nmax_packet_size 480");
    let consumer = Consumer::subscribe(port);
    let mut farm = farm(port);
    farm.destinations[0].version = Version::Five;
    let mut running = forwarder(&farm, 7);
    assert!(consumer.next().ends_with("pondreeve/shore/health online"));
    running.send(&summary());
    let detail = running.report().await.expect("a fault");
    assert!(detail.contains("it takes packets of 480 bytes at most"), "{detail}");
    for number in [8, 10] {
        running.send(&alarm());
        let line = consumer.next();
        assert!(line.contains(&format!("/alarm {{\"sequence\":{number},")), "{line}");
        running.send(&summary());
    }
    while running.queue.waits() > 3 {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(running.no_report(), "the fault stands as long as summaries wait, and is told once");
    assert_eq!(consumer.next_within(Duration::from_millis(300)), None, "and the connection stays");
}

/// A broker of MQTT 3.1.1 has no word for what it does not take: it confirms the health text and ends the connection
/// at the message. Each attempt then waits for longer than the one before, and the fault is told once.
#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_takes_the_health_text_alone_is_not_fallen_upon() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut running = forwarder(&farm(listener.local_addr().unwrap().port()), 7);
    running.send(&summary());
    let mut begun = None;
    for _ in 0..5 {
        let (mut link, _) = listener.accept().await.unwrap();
        begun.get_or_insert_with(Instant::now);
        let mut heard = [0; 4_096];
        assert!(link.read(&mut heard).await.unwrap() > 0, "a greeting");
        link.write_all(&[0x20, 2, 0, 0]).await.unwrap();
        // Health, with the first identifier, and the summary behind it.
        let mut bytes = 0;
        while bytes < 500 {
            bytes += link.read(&mut heard).await.unwrap();
        }
        link.write_all(&[0x40, 2, 0, 1]).await.unwrap();
        link.shutdown().await.unwrap();
        while link.read(&mut heard).await.is_ok_and(|bytes| bytes > 0) {}
    }
    // Half of 0.5, 1, 2 and 4 s at the least.
    let elapsed = begun.unwrap().elapsed();
    assert!(elapsed >= Duration::from_millis(3_700), "{elapsed:?}");
    assert!(running.report().await.is_some_and(|detail| detail.ends_with("it closed the connection")));
    assert!(running.no_report(), "told once");
    assert_eq!(running.queue.waits(), 1);
}
