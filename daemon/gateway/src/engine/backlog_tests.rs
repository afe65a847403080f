//! What waits after an outage is committed in large pieces.

use tempfile::TempDir;

use super::tests::{EVENING, Rig, farm, oxygen};
use super::*;

/// Six hundred messages that wait together are one commit or two, and nobody waits for the durability window.
#[tokio::test]
async fn a_backlog_that_waits_is_committed_together() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0]).await;
    let before = crate::journal::commits_in(&farm.store.path);
    let (began, mut answers) = (Instant::now(), Vec::new());
    for number in 0..600 {
        let (done, answer) = oneshot::channel();
        let event = oxygen(6.0 + f64::from(number % 3) / 100.0);
        rig.inbox
            .try_send(Incoming { event, done: Some(done), urgent: false, place: Place::Daemon })
            .unwrap();
        answers.push(answer);
    }
    for answer in answers {
        assert_eq!(answer.await.unwrap(), Applied::Done);
    }
    assert!(began.elapsed() < farm.store.durable_within);
    // One; a second where the machine is so busy that taking them in takes a second.
    let commits = crate::journal::commits_in(&farm.store.path) - before;
    assert!((1..=2).contains(&commits), "{commits}");
    rig.end().await;
}

/// What more than fills a commit is not held back until all is in: the first are answered while the last wait.
#[tokio::test]
async fn a_commit_is_not_held_back_beyond_its_size() {
    let folder = TempDir::new().unwrap();
    let farm = farm(folder.path());
    let rig = Rig::start(&farm, EVENING).await;
    rig.readings(&[6.0]).await;
    let before = crate::journal::commits_in(&farm.store.path);
    let mut answers = Vec::new();
    // Two hundred samples, about a kilobyte each: a megabyte, where 256 KiB are enough for a commit.
    let sweep = |number: u32| {
        let Event::Sweep { samples } = oxygen(6.0 + f64::from(number % 7) / 100.0) else { unreachable!() };
        Event::Sweep { samples: samples.iter().cycle().take(200).copied().collect() }
    };
    for number in 0..1_000 {
        let (done, answer) = oneshot::channel();
        rig.inbox
            .try_send(Incoming {
                event: sweep(number),
                done: Some(done),
                urgent: false,
                place: Place::Daemon,
            })
            .unwrap();
        answers.push(answer);
    }
    for answer in answers {
        assert_eq!(answer.await.unwrap(), Applied::Done);
    }
    let commits = crate::journal::commits_in(&farm.store.path) - before;
    assert!((2..=5).contains(&commits), "{commits}");
    rig.end().await;
}
