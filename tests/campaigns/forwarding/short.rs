//! A short run of the kills on the way out, so that the campaign cannot rot.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "parts of a program, not a library")]

mod bench;
mod cluster;
mod link;
mod verdict;
mod week;

use std::time::Duration;

#[test]
fn nothing_is_lost_changed_or_out_of_order_through_kills() {
    let told = bench::campaign(8, 20_261_128, Duration::from_secs(120), 1).expect("it runs");
    assert!(told.is_well(), "{told}");
    assert!(told.kills.len() >= 2 && told.arrived > 100, "{told}");
}

#[test]
fn a_backlog_of_half_a_day_arrives_whole_and_in_order() {
    let week = week::run(0.5).expect("it runs");
    assert!(week.told.is_well() && week.told.repeats == 0, "{week}");
    assert!(week.waited >= 20 * 40 && !week.live_alarms.is_empty(), "{week}");
}
