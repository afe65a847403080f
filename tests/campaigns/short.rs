//! Short versions of the campaigns that take minutes, so that they cannot rot.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "parts of programs, not a library")]

#[path = "aeration_crop/pond.rs"]
mod pond;
#[path = "aeration_crop/ways.rs"]
mod ways;

use pond::KINDS;
use ways::{Follower, Timers, run};

/// Ten late days of a moderate crop: whoever follows the advice has no more hours below 3 mg/L than the timers,
/// at no more than 65 % of their energy.
#[test]
fn advice_is_as_safe_as_timers_and_cheaper() {
    let kind = KINDS[1];
    let days = 84..94;
    let timers = run(kind, 100, days.clone(), &mut Timers { from_day: 0 });
    let advice = run(kind, 100, days, &mut Follower::new(&kind));
    assert!(timers.kwh > 1_000.0, "the timers ran: {timers:?}");
    assert!(advice.starts > 0, "aeration was needed: {advice:?}");
    assert!(advice.hours_below_3 <= timers.hours_below_3, "{advice:?} against {timers:?}");
    assert!(advice.kwh <= 0.65 * timers.kwh, "{advice:?} against {timers:?}");
}
