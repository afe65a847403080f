//! A short run of the kills on the way out, so that the campaign cannot rot.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "parts of a program, not a library")]

mod bench;
mod cluster;
mod link;
mod verdict;

use std::time::Duration;

#[test]
fn nothing_is_lost_changed_or_out_of_order_through_kills() {
    let told = bench::campaign(12, 20_261_128, Duration::from_secs(120)).expect("it runs");
    assert!(told.is_well(), "{told}");
    assert!(told.kills.len() >= 2 && told.arrived > 100, "{told}");
}
