//! Damage at the ends of tail files.

use std::fs;

use tempfile::TempDir;

use super::{Item, Kind, Tail};

/// A later file proves that the last commit of an earlier one was finished and acknowledged. A flipped
/// bit in it is rot: it costs the record it is in, and what stands beside it outlives the next opening.
#[test]
fn rot_in_the_last_commit_of_an_earlier_tail_file_costs_its_own_record() {
    let folder = TempDir::new().unwrap();
    let (mut tail, _) = Tail::open(folder.path(), &|key, _| key + 1).unwrap();
    let large = vec![7; 2 * 1024 * 1024 - 4096];
    let item = |key, body| Item { kind: Kind::Batch, key, body, next_seq: key + 1 };
    tail.write(&[item(1, large.as_slice())], 0).unwrap();
    tail.write(&[item(2, b"flipped"), item(3, b"beside it")], 0).unwrap();
    tail.write(&[item(4, [9; 4000].as_slice())], 0).unwrap();
    drop(tail);
    assert!(folder.path().join("tail-1").exists(), "the last commit went into a second file");

    let file = folder.path().join("tail-0");
    let mut bytes = fs::read(&file).unwrap();
    let place = bytes.windows(7).position(|window| window == b"flipped").unwrap();
    bytes[place] ^= 1;
    fs::write(&file, bytes).unwrap();

    let (_tail, written_again) = Tail::open(folder.path(), &|key, _| key + 1).unwrap();
    let mut found: Vec<_> = written_again.unfinished.into_iter().collect();
    super::read(folder.path(), &mut |entry| found.push((entry.key, entry.body.to_vec()))).unwrap();
    for (key, body) in [(1, large), (3, b"beside it".to_vec()), (4, vec![9; 4000])] {
        assert!(found.contains(&(key, body)), "record {key} is gone");
    }
}

/// A file in its second turn whose first commit was cut short: what was in it before is sealed long since,
/// and its torn beginning is no rot.
#[test]
fn a_first_commit_cut_short_after_a_turn_is_no_damage() {
    let folder = TempDir::new().unwrap();
    let (mut tail, _) = Tail::open(folder.path(), &|key, _| key + 1).unwrap();
    let large = vec![7; 700 * 1024];
    let item = |key, body| Item { kind: Kind::Batch, key, body, next_seq: key + 1 };
    for key in 1..8 {
        // Everything before is sealed: the files take turns.
        tail.write(&[item(key, large.as_slice())], key).unwrap();
    }
    drop(tail);
    let newest = super::newest_file(folder.path()).unwrap();
    let bytes = fs::read(&newest).unwrap();
    // The power goes after the first sector of the first commit of the turn.
    let mut cut = bytes.clone();
    let second = memchr::memmem::find_iter(&bytes, b"\xf1pr\x02").nth(1).unwrap();
    let sector = second.div_ceil(512) * 512;
    cut[sector..].fill(0x55);
    fs::write(&newest, cut).unwrap();
    let mut keys = Vec::new();
    let found = super::read(folder.path(), &mut |entry| {
        if entry.kind == Kind::Batch && entry.body.len() == large.len() {
            keys.push(entry.key);
        }
    })
    .unwrap();
    assert_eq!((found.damaged, found.unfinished), (0, 1), "{keys:?}");
}
