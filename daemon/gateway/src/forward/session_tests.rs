//! What is told of a link that blinks, and of a cluster of which one node is left.

use std::time::{Duration, Instant};

use tokio::net::{TcpListener, TcpStream};
use tokio::task::{AbortHandle, JoinSet};

use super::tests::{Consumer, alarm, broker, farm, forwarder, free_port};
use crate::config::farm::Version;

/// A way to the broker that can be cut.
struct Link {
    port: u16,
    cut: tokio::sync::mpsc::Sender<()>,
    _task: AbortOnDrop,
}

struct AbortOnDrop(AbortHandle);

impl Drop for AbortOnDrop {
    fn drop(&mut self) {
        self.0.abort();
    }
}

impl Link {
    async fn to(broker: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (cut, mut cuts) = tokio::sync::mpsc::channel(1);
        let task = tokio::spawn(async move {
            let mut open = JoinSet::new();
            loop {
                tokio::select! {
                    Some(()) = cuts.recv() => open.shutdown().await,
                    accepted = listener.accept() => {
                        let (mut near, _) = accepted.unwrap();
                        open.spawn(async move {
                            let mut far = TcpStream::connect(("127.0.0.1", broker)).await.unwrap();
                            let _ = tokio::io::copy_bidirectional(&mut near, &mut far).await;
                        });
                    }
                }
            }
        });
        Self { port, cut, _task: AbortOnDrop(task.abort_handle()) }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn over_mqtt_5_a_blink_of_the_link_is_not_told_as_a_gateway_that_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    for (version, told) in [(Version::Five, &["online"][..]), (Version::Four, &["offline", "online"][..])] {
        let consumer = Consumer::subscribe(port);
        let link = Link::to(port).await;
        let mut farm = farm(link.port);
        farm.destinations[0].version = version;
        let mut running = forwarder(&farm, 1);
        let health = |text: &str| format!("pondreeve/shore/health {text}");
        while !consumer.next().ends_with(&health("online")) {}
        link.cut.send(()).await.unwrap();
        for text in told {
            assert!(consumer.next().ends_with(&health(text)), "{version:?}: {text}");
        }
        // What was sent over the blink arrives, and an end without a word is told in any case.
        running.send(&alarm());
        assert!(consumer.next().contains("/alarm {"));
        let begun = Instant::now();
        running.kill().await;
        assert!(consumer.next_within(Duration::from_secs(60)).expect("a will").ends_with(&health("offline")));
        let delayed = begun.elapsed() > Duration::from_secs(10);
        assert_eq!(delayed, version == Version::Five, "{version:?}: after {:?}", begun.elapsed());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_next_node_is_tried_at_once_when_one_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let (port, gone, also_gone) = (free_port(), free_port(), free_port());
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut farm = farm(gone);
    let hosts = [port, also_gone].map(|port| ("127.0.0.1".to_owned(), port));
    farm.destinations[0].further_hosts = hosts.to_vec();
    let begun = Instant::now();
    let mut running = forwarder(&farm, 1);
    running.send(&alarm());
    while !consumer.next().contains("/alarm {") {}
    // Whichever was tried first, no wait of the back-off lies in between, and it is no fault.
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
    running.nothing_waits().await;
    assert!(running.no_report(), "a node that is passed over is not reported");
}

/// A node that takes connections and says nothing, as one does whose cluster looks for a leader.
#[tokio::test(flavor = "multi_thread")]
async fn a_node_that_does_not_greet_is_left_for_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mute = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut farm = farm(mute.local_addr().unwrap().port());
    farm.destinations[0].further_hosts = vec![("127.0.0.1".to_owned(), port)];
    let begun = Instant::now();
    let mut running = forwarder(&farm, 1);
    running.send(&alarm());
    while !consumer.next().contains("/alarm {") {}
    // Four seconds and a quarter of them at most, if it was tried first; fifteen is what a single broker is given.
    assert!(begun.elapsed() < Duration::from_secs(9), "{:?}", begun.elapsed());
    running.nothing_waits().await;
}

/// A way on which nothing moves any more though no connection is closed, as when a node loses its power: what was on its
/// way goes over another one, long before the ping of a minute would tell.
#[tokio::test(flavor = "multi_thread")]
async fn a_node_that_falls_silent_is_left_for_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = broker(folder.path(), port, "allow_anonymous true");
    let consumer = Consumer::subscribe(port);
    let mut ways = Vec::new();
    let (still, _) = tokio::sync::watch::channel(None);
    for way in 0..2 {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        ways.push(("127.0.0.1".to_owned(), listener.local_addr().unwrap().port()));
        let still = still.clone();
        tokio::spawn(async move {
            loop {
                let (mut near, _) = listener.accept().await.unwrap();
                let (last, mut stills) = (still.clone(), still.subscribe());
                tokio::spawn(async move {
                    let mut far = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
                    let silent = async {
                        stills.wait_for(|which| *which == Some(way)).await.unwrap();
                    };
                    tokio::select! {
                        _ = tokio::io::copy_bidirectional(&mut near, &mut far) => return,
                        () = silent => {}
                    }
                    drop(last);
                    // Held open, and mute.
                    std::future::pending::<()>().await;
                });
            }
        });
    }
    let mut farm = farm(ways[0].1);
    farm.destinations[0].address.keep_alive = Duration::from_secs(60);
    farm.destinations[0].further_hosts = vec![ways[1].clone()];
    let mut running = forwarder(&farm, 1);
    let begun = Instant::now();
    // Whichever it is connected over: one of these stops what it has.
    for way in 0..2 {
        for _ in 0..40 {
            running.send(&alarm());
        }
        running.nothing_waits().await;
        still.send_replace(Some(way));
        running.send(&alarm());
        running.nothing_waits().await;
    }
    assert!(begun.elapsed() < Duration::from_secs(20), "{:?}", begun.elapsed());
    let mut numbers = std::collections::BTreeSet::new();
    while numbers.len() < 82 {
        let line = consumer.next();
        if let Some(rest) = line.split(r#"{"sequence":"#).nth(1) {
            numbers.insert(rest.split(',').next().unwrap().parse::<u64>().unwrap());
        }
    }
    assert_eq!(numbers, (1..=82).collect());
}
