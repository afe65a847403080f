//! Every parser of outside bytes, each for a moment: the kept corpus, then changes of it.
//!
//! For longer: `cargo run --release -p pondreeve-tests --example fuzz -- --minutes 60` (see the example).

mod mutate;
mod run;

use std::time::Duration;

use pondreeve::outside::PARSERS;

const SEED: u64 = 20_261_128;
const EACH: Duration = Duration::from_millis(1_200);

#[test]
fn no_bytes_make_a_parser_panic() {
    let mut told = Vec::new();
    for parser in PARSERS {
        let outcome = run::run(parser, SEED, 30_000, EACH);
        assert!(outcome.inputs > 10, "{}: only {} inputs in {EACH:?}", parser.0, outcome.inputs);
        for input in outcome.found {
            told.push(format!("{}: {:?}", parser.0, String::from_utf8_lossy(&input)));
        }
    }
    assert!(told.is_empty(), "{told:#?}");
}

/// The harness finds what is there to be found.
#[test]
fn a_parser_that_panics_is_found() {
    let outcome = run::run(
        &("mqtt-payload", |bytes| assert!(!bytes.windows(2).any(|two| two == b"]]"), "two brackets")),
        SEED,
        200_000,
        Duration::from_secs(20),
    );
    assert!(!outcome.found.is_empty(), "{} inputs", outcome.inputs);
}

#[test]
fn every_parser_has_a_corpus_and_every_corpus_a_parser() {
    let mut folders: Vec<String> = std::fs::read_dir(run::folder())
        .expect("the corpus")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    folders.sort();
    let mut names: Vec<&str> = PARSERS.iter().map(|parser| parser.0).collect();
    names.sort_unstable();
    assert_eq!(folders, names);
    assert!(names.iter().all(|name| !run::corpus(name).is_empty()));
}
