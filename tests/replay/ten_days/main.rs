//! Ten days of the demo farm through the core: what was said and when, against what the table of incidents
//! demands.

#![allow(missing_docs, unreachable_pub, reason = "a test of several files")]

mod demands;
mod drive;

use std::fmt::Write as _;

use pondreeve::local::said::{PutInStatus, SaidStatus};
use pondreeve::texts::said::translated;
use pondreeve::texts::{Choice, Words, chosen, english};

use sim::ten_days::clock::told;

/// Every demand holds.
#[test]
fn what_the_incidents_demand() {
    let outcome = drive::outcome();
    assert!(outcome.refused.is_empty(), "{:?}", outcome.refused);
    let mut wrong = String::new();
    for (name, check) in demands::all() {
        if let Err(why) = check(outcome) {
            _ = writeln!(wrong, "{name}: {why}");
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

/// Every change of an alarm, for people to read: farm time, id, state, and what is said.
#[test]
fn the_alarms_of_the_ten_days() {
    let mut lines = String::new();
    for change in &drive::outcome().alarms {
        let is_raised = demands::is_raised(change);
        let said = if is_raised { format!("\n    {}", change.message) } else { String::new() };
        _ = writeln!(lines, "{} {} {}{said}", told(change.at.as_millis()), change.id, change.state.id());
    }
    insta::assert_snapshot!(lines);
}

/// Keys that a language does not have.
fn unknown(words: Words, said: &SaidStatus, found: &mut Vec<String>) {
    let is_list = said.key == pondreeve_core::said::JOINED;
    if !said.key.is_empty() && !is_list && !words.has(&said.key) {
        found.push(said.key.clone());
    }
    for (_, put_in) in &said.with {
        if let PutInStatus::Said(part) = put_in {
            unknown(words, part, found);
        }
    }
}

/// Whatever the daemon says of alarms, advice and forecasts in the ten days is put together again from what it was
/// made of: in English word for word, in Spanish with nothing missing.
#[test]
fn what_is_said_in_the_ten_days_can_be_said_in_every_language() {
    let spanish = chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap();
    let said = &drive::outcome().said;
    assert!(said.len() > 100, "{}", said.len());
    let mut plain = Vec::new();
    for said in said.values() {
        let status = SaidStatus::from(said);
        assert_eq!(translated(english(), &status), said.english());
        let mut missing = Vec::new();
        unknown(spanish, &status, &mut missing);
        assert_eq!(missing, Vec::<String>::new(), "{}", said.english());
        let told = translated(spanish, &status);
        assert!(!told.contains('⟨'), "{told}");
        if told == said.english() {
            plain.push(told);
        }
    }
    assert_eq!(plain, Vec::<String>::new(), "said in English only");
}
