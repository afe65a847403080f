//! Disks that are full, for real: a small file system in memory, mounted for the test. Needs the right
//! to mount (root, or `sudo` without a password).

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use pondreeve_core::{Event, Timestamp};
use tempfile::TempDir;

use super::store::{Commit, Journal, KeyedBatch, RETRY_AFTER};
use crate::inbox::Applied;
use crate::journal::record::BatchWriter;

/// A file system of a given size. Unmounted when dropped.
pub(crate) struct SmallDisk {
    folder: TempDir,
}

impl SmallDisk {
    pub(crate) fn new(megabytes: u32) -> Self {
        let folder = TempDir::new().unwrap();
        let options = format!("size={megabytes}m,mode=0777");
        run_as_root(&["mount", "-t", "tmpfs", "-o", &options, "tmpfs", &folder.path().display().to_string()]);
        Self { folder }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    fn filler(&self) -> PathBuf {
        self.folder.path().join("filler")
    }

    /// Leaves this much free.
    pub(crate) fn fill_up_to(&self, free_bytes: u64) {
        let free = super::free_bytes(self.folder.path()).unwrap();
        let had = fs::metadata(self.filler()).map_or(0, |meta| meta.len());
        let size = (had + free).saturating_sub(free_bytes);
        // Written, not stretched: a hole takes no room.
        fs::write(self.filler(), vec![1_u8; usize::try_from(size).unwrap()]).unwrap();
    }

    pub(crate) fn empty(&self) {
        fs::remove_file(self.filler()).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        run_as_root(&["umount", "-l", &self.folder.path().display().to_string()]);
    }
}

fn run_as_root(command: &[&str]) {
    let root = nix::unistd::Uid::effective().is_root();
    let prefix: &[&str] = if root { &[] } else { &["sudo", "-n"] };
    let all: Vec<&str> = prefix.iter().chain(command).copied().collect();
    let status = Command::new(all[0]).args(&all[1..]).status().expect("mount can be run");
    assert!(status.success(), "this test needs the right to mount: {all:?} failed");
}

/// More than the widest number of a 32-bit machine.
#[test]
fn room_beyond_four_gigabytes_is_told_in_full() {
    let disk = SmallDisk::new(6 * 1_024);
    let free = super::free_bytes(disk.path()).unwrap();
    let size = 6_u64 << 30;
    assert!(free <= size && free > size - (1 << 20), "{free} bytes of {size}");
}

const NOW: Timestamp = Timestamp(1_780_000_000_000);

/// A batch of one input with some kilobytes in it.
fn batch(seq: u64) -> KeyedBatch {
    let detail = format!("{seq:0>3000}");
    let event = Event::ProbeFault {
        probe: pondreeve_core::site::ProbeIndex(0),
        fault: pondreeve_core::input::ProbeFault::Undecodable(detail),
    };
    let mut batch = BatchWriter::new(seq, NOW);
    batch.input(&pondreeve_core::Input { seq, at: NOW, event });
    batch.into()
}

/// The database runs into the end of the disk in the middle of its own writing, again and again, and is
/// given room again. Nothing it acknowledged is lost, and it takes up work without a restart.
#[test]
fn a_disk_that_runs_full_under_the_database_costs_nothing_acknowledged() {
    let disk = SmallDisk::new(24);
    let path = disk.path().join("store");
    let (mut journal, _) = Journal::open(&path, NOW).unwrap();
    journal.least_free_bytes = 0;
    let mut acknowledged = 0;
    let mut seq = 1;
    for round in 0..6_u64 {
        disk.fill_up_to(100_000 + round * 150_000);
        let mut refused = 0;
        while refused < 3 {
            match journal.commit(&Commit { batches: vec![batch(seq)], left_out: vec![] }, NOW) {
                Ok(_) => {
                    acknowledged = seq;
                    seq += 1;
                    // So that it is the database that runs into the end.
                    journal.seal_all(NOW);
                }
                Err(trouble) => {
                    assert!(trouble.contains("store"), "{trouble}");
                    refused += 1;
                    journal.tried = None;
                }
            }
        }
        disk.empty();
        journal.tried = None;
        let notes = journal
            .commit(&Commit { batches: vec![batch(seq)], left_out: vec![] }, NOW)
            .expect("there is room again");
        assert!(notes.is_empty(), "round {round}: {notes:?}");
        acknowledged = acknowledged.max(seq);
        seq += 1;
        let mut next = 1;
        let reading = journal.read(NOW, &mut |input| {
            assert_eq!(input.seq, next);
            next += 1;
        });
        assert_eq!((reading.damaged, reading.missing, next - 1), (0, 0, acknowledged), "round {round}");
    }
}

/// The whole engine on a disk that runs full: alarms go on, senders learn that nothing is kept, an alarm
/// says so; and once there is room everything is on disk after all.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_stops_no_alarm() {
    use crate::engine::tests::{Rig, falling, farm, standing_in};

    let disk = SmallDisk::new(16);
    let farm = farm(disk.path());
    let rig = Rig::start(&farm, NOW).await;
    rig.readings(&[6.0, 6.0]).await;
    disk.fill_up_to(1_000_000);
    let mut not_kept = 0;
    for value in falling() {
        rig.script.pass(Duration::from_secs(30));
        match rig.send(crate::engine::tests::oxygen(value)).await {
            Applied::NotKept(reason) => {
                assert!(reason.contains("full"), "{reason}");
                not_kept += 1;
            }
            other => panic!("{other:?} on a full disk"),
        }
    }
    assert_eq!(not_kept, falling().len());
    let view = rig.desk.view().await.unwrap();
    assert!(standing_in(&view, "pond.do-low-critical").is_some(), "{:?}", view.alarms);
    assert!(standing_in(&view, "gateway.store").is_some(), "{:?}", view.alarms);
    let forwarded = format!("{:?}", rig.queue.all(0));
    assert!(forwarded.contains("gateway.store"), "{forwarded}");
    assert!(forwarded.contains("pond.do-low-critical"), "{forwarded}");

    disk.empty();
    let patience = RETRY_AFTER * 4;
    let over = tokio::time::timeout(patience, async {
        while !rig.desk.view().await.unwrap().faults.is_empty() {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    });
    over.await.expect("the fault ends once there is room");
    rig.readings(&[1.3]).await;
    let lived = rig.end().await;
    let again = crate::engine::tests::replayed(&farm).await;
    assert_eq!((again.reading.damaged, again.reading.missing), (0, 0));
    assert_eq!(again.state, lived);
}

/// A daemon that is started on a full disk watches at once, from what the second copy holds, and writes
/// over nothing once there is room.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_on_a_full_disk_knows_the_newest_and_overwrites_nothing() {
    use crate::engine::tests::{Rig, falling, farm, oxygen, replayed, standing_in};
    use pondreeve_core::Span;

    let disk = SmallDisk::new(16);
    let farm = farm(disk.path());
    let rig = Rig::start(&farm, NOW).await;
    rig.readings(&falling()).await;
    rig.end().await;
    let before = replayed(&farm).await.next_seq;
    // The newest batches never got out of the kernel when the power went.
    let tail =
        farm.store.path.join(if farm.store.path.join("tail-1").exists() { "tail-1" } else { "tail-0" });
    let length = fs::metadata(&tail).unwrap().len();
    fs::OpenOptions::new().write(true).open(&tail).unwrap().set_len(length * 9 / 10).unwrap();
    disk.fill_up_to(500_000);

    let rig = Rig::start(&farm, NOW + Span::from_minutes(30)).await;
    let view = rig.desk.view().await.unwrap();
    assert!(standing_in(&view, "pond.do-low-critical").is_some(), "{:?}", view.alarms);
    assert!(matches!(rig.send(oxygen(1.0)).await, Applied::NotKept(_)));
    disk.empty();
    let patience = RETRY_AFTER * 4;
    let kept = tokio::time::timeout(patience, async {
        while rig.send(oxygen(1.0)).await != Applied::Done {
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    });
    kept.await.expect("kept once there is room");
    rig.end().await;
    let after = replayed(&farm).await;
    assert!(after.next_seq > before, "{before} before, {} after", after.next_seq);
    let after = after.reading;
    assert_eq!((after.damaged, after.missing, after.partial), (0, 0, false));
}
