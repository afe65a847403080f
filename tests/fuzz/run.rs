//! Feeds one parser: the corpus as it is, then changed.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use pondreeve::outside::Parser;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::mutate;

/// One input that takes longer than this is a finding too: a watch that reads it stands still meanwhile.
const SLOW: Duration = Duration::from_secs(2);

/// What a run came to.
#[derive(Debug, Default)]
pub(super) struct Outcome {
    /// Inputs fed.
    pub inputs: u64,
    /// Inputs that made the parser panic, or took too long.
    pub found: Vec<Vec<u8>>,
    /// The longest that one input took.
    pub slowest: Duration,
}

/// The inputs that are kept for a parser.
pub(super) fn corpus(name: &str) -> Vec<Vec<u8>> {
    let folder = folder().join(name);
    let entries = fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    paths.sort();
    paths.iter().map(|path| fs::read(path).expect("readable")).collect()
}

/// Where they are.
pub(super) fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus")
}

/// Feeds `parser` until so many inputs or so much time; the same inputs for the same seed, as far as time allows.
pub(super) fn run(parser: &Parser, seed: u64, most: u64, within: Duration) -> Outcome {
    let (name, parse) = *parser;
    let corpus = corpus(name);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let began = Instant::now();
    let mut outcome = Outcome::default();
    let mut kept = corpus.iter();
    while outcome.inputs < most && began.elapsed() < within && outcome.found.len() < 5 {
        let input = kept.next().cloned().unwrap_or_else(|| mutate::changed(&corpus, &mut random));
        outcome.inputs += 1;
        let fed = Instant::now();
        let ended = catch_unwind(AssertUnwindSafe(|| parse(&input)));
        let took = fed.elapsed();
        outcome.slowest = outcome.slowest.max(took);
        if ended.is_err() || took > SLOW {
            outcome.found.push(input);
        }
    }
    outcome
}
