//! Short versions of the campaigns that take minutes, so that they cannot rot.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "parts of programs, not a library")]

#[path = "evidence_crops/crop.rs"]
mod crop;
#[path = "evidence_crops/score.rs"]
mod evidence;
#[path = "probe_season/farm.rs"]
mod farm;
#[path = "probe_season/plan.rs"]
mod plan;
#[path = "probe_season/plankton.rs"]
mod plankton;
#[path = "aeration_crop/pond.rs"]
mod pond;
#[path = "probe_season/score.rs"]
mod score;
#[path = "probe_season/season.rs"]
mod season;
#[path = "probe_season/water.rs"]
mod water;
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

/// The last fifty days of a crop, with probe faults, on three ponds: faults that a probe shows by itself are
/// doubted, good probes are left in peace, and true low oxygen is told in time.
#[test]
fn probe_faults_are_doubted_and_good_probes_are_not() {
    let mut score = score::Score::default();
    for (setup, seed) in farm::SETUPS.into_iter().zip(401..) {
        let mut season = season::Season::new(setup, seed, false, 70);
        season.run(50);
        score.add(&season.score);
    }
    let abrupt =
        |own: &&score::Caught| matches!(plan::KINDS[own.kind], "dropout" | "unit swap" | "noise" | "dry");
    let all = score.faults.iter().filter(abrupt).count();
    let caught = score.faults.iter().filter(abrupt).filter(|own| own.in_time()).count();
    assert!(all >= 6, "faults happened: {:?}", score.faults);
    assert!(caught * 10 >= all * 9, "{caught} of {all}");
    assert!(score.false_probe_alarms_per_month() <= 1.0, "{:?}", score.false_by);
    let low: u64 = score.low_events.iter().sum();
    assert!(low >= 3, "oxygen was low {low} times");
    assert_eq!(score.low_told, score.low_events);
}

/// 200 crops without any effect: what is said of them is within what a rate of 5 % allows. The usual test, under
/// the same crops, is not.
#[test]
fn an_effect_is_rarely_seen_where_there_is_none() {
    use crop::{Control, Truth};
    let allowed = evidence::at_most(200, 0.05);
    for control in [Control::Good, Control::Usual] {
        let days = evidence::before_after(control, Truth::Nothing, 1..201);
        assert!(days.ours <= allowed && days.usual > 2 * allowed, "{control:?}: {days:?}, allowed {allowed}");
        let doses = evidence::after_doses(control, Truth::Nothing, 12, 1..201);
        assert!(doses.ours <= allowed, "{control:?}: {doses:?}, allowed {allowed}");
    }
}

/// 200 crops with twelve doses, each of which truly raises the next night's low by 0.5 mg/L, beside a good
/// control: no more are missed than a power of 80 % allows.
#[test]
fn a_true_bounce_is_found() {
    let found = evidence::after_doses(crop::Control::Good, crop::Truth::Bounce(0.5), 12, 1..201);
    let missed = found.crops - found.right_sign;
    assert!(missed <= evidence::at_most(200, 0.20), "{found:?}");
}

/// `scipy.stats.binom.isf(0.001, crops, rate)`.
#[test]
fn what_a_rate_allows_is_the_binomial_s() {
    assert_eq!([(200, 0.05), (200, 0.2), (1_000, 0.05)].map(|(n, p)| evidence::at_most(n, p)), [21, 58, 73]);
}
