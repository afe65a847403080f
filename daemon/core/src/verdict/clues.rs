//! From what the windows hold to clues.

use alloc::vec::Vec;

use super::{Sign, Verdict};
use crate::effect::{Flag, Test};
use crate::quality::{HandCheck, Seen};
use crate::quantity::Quantity;
use crate::site::ProbeIndex;
use crate::time::{Span, Timestamp};
use crate::window::{Window, median, theil_sen};

/// A step is looked for only in readings no further apart: in half an hour water can move far.
const STEP_WITHIN: Span = Span::from_minutes(10);
/// Readings of a slow probe may miss so much and still be one series.
const SILENCE_INTERVALS: i64 = 4;
/// A silence counts as one from here on.
const SILENCE: Span = Span::from_minutes(5);
/// A hand reading is a clue for so long.
const HAND_COUNTS: Span = Span::from_hours(3);
/// A service is a clue for so long.
const SERVICE_COUNTS: Span = Span::from_hours(2);
/// An aerator that stopped is a clue for so long.
const STOP_COUNTS: Span = Span::from_hours(2);
/// Aerators take so long to show, and are asked about until.
const RESPONSE: (Span, Span) = (Span::from_minutes(20), Span::from_minutes(90));

/// Everything the clues are drawn from. Plain values and windows: nothing here remembers.
#[derive(Debug, Clone, Copy)]
pub struct Evidence<'a> {
    /// Whose reading.
    pub probe: ProbeIndex,
    /// Of what: oxygen or pH; others get the clues that suit them.
    pub quantity: Quantity,
    /// Present time.
    pub now: Timestamp,
    /// The newest value that may warn.
    pub seen: Option<Seen>,
    /// The newest readings that are possible at all, doubted ones included, oldest first.
    pub recent: &'a [(Timestamp, f64)],
    /// The tests that disliked the newest reading.
    pub disliked: &'a [(Test, Flag)],
    /// Since when it has not moved, where it has not.
    pub flat_since: Option<Timestamp>,
    /// Range of the probe.
    pub scale: (f64, f64),
    /// What is usual at this hour, and its robust standard deviation.
    pub usual: Option<(f64, f64)>,
    /// Sound pH of the pond.
    pub ph: Option<&'a Window>,
    /// Sound salinity of the pond.
    pub salinity: Option<&'a Window>,
    /// What the pond's other probe reads of the same, and how far it may be off.
    pub other: Option<(f64, f64)>,
    /// How far the probe's own temperature jumped, where another one in the pond did not.
    pub temperature_jump: Option<f64>,
    /// The newest hand reading beside this channel.
    pub hand: Option<HandCheck>,
    /// When it was last serviced.
    pub serviced_at: Option<Timestamp>,
    /// How many of the other ponds fell along.
    pub ponds_falling: u16,
    /// When an aerator last stopped, and when one last started.
    pub aerators: (Option<Timestamp>, Option<Timestamp>),
    /// Whether it is between sunset and sunrise.
    pub is_night: bool,
}

/// Amounts that matter, by quantity: of a step, of the to and fro, of a fall worth explaining.
struct Scales {
    step: f64,
    saw: f64,
    fall: f64,
    near: f64,
}

fn scales(quantity: Quantity) -> Scales {
    match quantity {
        Quantity::DoMgL => Scales { step: 1.0, saw: 0.6, fall: 0.3, near: 0.7 },
        Quantity::Ph => Scales { step: 0.3, saw: 0.2, fall: 0.08, near: 0.15 },
        Quantity::TemperatureC => Scales { step: 1.0, saw: 0.6, fall: 0.5, near: 0.5 },
        _ => Scales { step: 2.0, saw: 1.5, fall: 1.0, near: 1.0 },
    }
}

/// Weighs the clues.
pub fn weigh(evidence: &Evidence<'_>) -> Verdict {
    let mut verdict = Verdict::new(evidence.probe, evidence.quantity, evidence.now, evidence.seen);
    let moved = shape(evidence, &mut verdict);
    companions(evidence, moved, &mut verdict);
    timing(evidence, moved, &mut verdict);
    response(evidence, &mut verdict);
    for &(test, flag) in evidence.disliked {
        let failed = flag == Flag::Fail;
        match test {
            Test::AttenuatedSignal => verdict.add(Sign::Attenuated, if failed { 4 } else { 3 }),
            Test::Recovery => verdict.add(Sign::Unserviced, if failed { 4 } else { 3 }),
            Test::GrossRange => verdict.add(Sign::OutOfRange, if failed { 4 } else { 1 }),
            Test::Restless => verdict.add(Sign::Restless, 3),
            Test::Step if !stepped(&verdict) => verdict.add(Sign::Stepped, 3),
            Test::MultiVariate => verdict.add(Sign::Alone, 3),
            _ => {}
        }
    }
    verdict
}

/// Whether the step itself is still among the newest readings.
fn stepped(verdict: &Verdict) -> bool {
    verdict.clues().any(|clue| matches!(clue.sign, Sign::Step(_)))
}

/// Shape of the newest readings. How far they moved, where they moved as water does.
fn shape(evidence: &Evidence<'_>, verdict: &mut Verdict) -> f64 {
    let scales = scales(evidence.quantity);
    let recent = evidence.recent;
    if let Some(since) = evidence.flat_since {
        let failed =
            evidence.disliked.iter().any(|&(test, flag)| test == Test::FlatLine && flag == Flag::Fail);
        verdict.add(Sign::Flat(evidence.now - since), if failed { 5 } else { 3 });
    }
    let (Some(&(first_at, _)), Some(&(last_at, last))) = (recent.first(), recent.last()) else { return 0.0 };
    let (low, high) = evidence.scale;
    let at_end =
        recent.iter().rev().take(3).filter(|(_, value)| *value <= low || *value >= high).count() == 3;
    if at_end {
        verdict.add(Sign::Clipped(last), 2);
    }
    if recent.len() < 6 || evidence.flat_since.is_some() {
        return 0.0;
    }
    let interval = Span::from_millis((last_at - first_at).as_millis() / (recent.len() as i64 - 1));
    let steps: Vec<f64> = pairs(recent).map(|((_, before), (_, after))| after - before).collect();
    let mut sizes: Vec<f64> = steps.iter().map(|step| libm::fabs(*step)).collect();
    let usual_step = median(&mut sizes).unwrap_or_default();
    let largest = steps
        .iter()
        .enumerate()
        .max_by(|(_, a), (_, b)| libm::fabs(**a).total_cmp(&libm::fabs(**b)))
        .map(|(place, step)| (place, *step));
    // Twice what a slow probe's readings are apart in ten minutes, or it is the weather.
    let far = if interval <= STEP_WITHIN { scales.step } else { 2.0 * scales.step };
    let jumps = steps.iter().filter(|step| libm::fabs(**step) >= far.max(8.0 * usual_step)).count();
    if jumps >= 3 {
        verdict.add(Sign::Jumpy(u16::try_from(jumps).unwrap_or(u16::MAX)), 3);
        return 0.0;
    }
    if let Some(&newest) = steps.last()
        && libm::fabs(newest) >= far.max(8.0 * usual_step)
    {
        verdict.add(Sign::Jump(newest), 3);
        return 0.0;
    }
    if let Some((place, step)) = largest
        && interval <= STEP_WITHIN
        && libm::fabs(step) >= scales.step.max(8.0 * usual_step)
        && let Some(&(_, landed)) = recent.get(place.saturating_add(1))
        && libm::fabs(last - landed) < 0.5 * libm::fabs(step)
    {
        verdict.add(Sign::Step(step), 3);
        return last - recent.first().map_or(last, |(_, value)| *value);
    }
    let latest = steps.get(steps.len().saturating_sub(8)..).unwrap_or(&steps);
    let mut sizes: Vec<f64> = latest.iter().map(|step| libm::fabs(*step)).collect();
    let usual_step = median(&mut sizes).unwrap_or_default();
    let turns = latest
        .windows(2)
        .filter(|two| matches!(two, [a, b] if a * b < 0.0 && libm::fabs(*a).min(libm::fabs(*b)) >= scales.saw / 2.0))
        .count();
    if turns * 3 >= latest.len() && usual_step >= scales.saw / 2.0 {
        verdict.add(Sign::Sawtooth(usual_step), 3);
        return 0.0;
    }
    let moved = trend(recent);
    if libm::fabs(moved) >= scales.fall && is_smooth(recent, moved) {
        verdict.add(Sign::Smooth(moved), -2);
    }
    moved
}

fn pairs(
    recent: &[(Timestamp, f64)],
) -> impl Iterator<Item = ((Timestamp, f64), (Timestamp, f64))> + use<'_> {
    recent.iter().zip(recent.iter().skip(1)).map(|(before, after)| (*before, *after))
}

/// Means of six blocks of equal count.
fn blocks(recent: &[(Timestamp, f64)]) -> Vec<f64> {
    let size = recent.len().div_ceil(6).max(1);
    recent
        .chunks(size)
        .map(|chunk| chunk.iter().map(|(_, value)| value).sum::<f64>() / chunk.len().max(1) as f64)
        .collect()
}

/// How far the readings moved from their first to their last block.
fn trend(recent: &[(Timestamp, f64)]) -> f64 {
    let means = blocks(recent);
    means.last().zip(means.first()).map_or(0.0, |(last, first)| last - first)
}

/// Whether it went one way, and no single block did most of it.
fn is_smooth(recent: &[(Timestamp, f64)], moved: f64) -> bool {
    let means = blocks(recent);
    let steps: Vec<f64> = means.iter().zip(means.iter().skip(1)).map(|(a, b)| b - a).collect();
    let against = steps.iter().filter(|step| **step * moved < 0.0).map(|step| libm::fabs(*step)).sum::<f64>();
    let largest = steps.iter().map(|step| libm::fabs(*step)).fold(0.0, f64::max);
    against <= 0.15 * libm::fabs(moved) && largest <= 0.6 * libm::fabs(moved)
}

fn companions(evidence: &Evidence<'_>, moved: f64, verdict: &mut Verdict) {
    let quantity = evidence.quantity;
    if quantity == Quantity::DoMgL
        && let Some(&(since, _)) = evidence.recent.first()
        && let Some(ph) = evidence.ph.and_then(|ph| shift(ph, since, evidence.now))
    {
        let fell = -moved;
        if fell >= 0.8 && ph <= -0.03 {
            verdict.add(Sign::PhMoved(fell, ph), -2);
        } else if fell >= 1.5 && libm::fabs(ph) < 0.02 {
            verdict.add(Sign::PhStayed(fell), 2);
        }
    }
    if let (Some((other, allowed)), Some(seen)) = (evidence.other, evidence.seen) {
        if libm::fabs(seen.value - other) <= allowed {
            verdict.add(Sign::OtherAgrees(other), -3);
        } else {
            verdict.add(Sign::OtherDiffers(other), 2);
        }
    }
    if let Some(jump) = evidence.temperature_jump {
        verdict.add(Sign::TemperatureJumped(jump), 2);
    }
    if let Some(hand) = evidence.hand.filter(|hand| evidence.now - hand.at <= HAND_COUNTS) {
        let ago = evidence.now - hand.at;
        if hand.contradicts(quantity) {
            verdict.add(Sign::HandDiffers(hand.hand, hand.probe, ago), 6);
        } else if hand.agrees(quantity) {
            verdict.add(Sign::HandAgrees(hand.hand, hand.probe, ago), -5);
        }
    }
    if evidence.ponds_falling > 0 && moved < 0.0 {
        verdict.add(Sign::OthersFell(evidence.ponds_falling), -1);
    }
}

/// How far the sound values moved between the first and the last ten minutes of a stretch.
fn shift(window: &Window, from: Timestamp, to: Timestamp) -> Option<f64> {
    let edge = Span::from_minutes(10);
    if to - from < Span::from_minutes(20) {
        return None;
    }
    Some(window.mean(to - edge, to)? - window.mean(from, from + edge)?)
}

fn timing(evidence: &Evidence<'_>, moved: f64, verdict: &mut Verdict) {
    let scales = scales(evidence.quantity);
    let now = evidence.now;
    let recent = evidence.recent;
    if recent.len() >= 4 {
        let mut gaps: Vec<f64> = pairs(recent).map(|((a, _), (b, _))| (b - a).as_millis() as f64).collect();
        let longest = gaps.iter().copied().fold(0.0, f64::max);
        let usual = median(&mut gaps).unwrap_or_default();
        if longest >= (usual * SILENCE_INTERVALS as f64).max(SILENCE.as_millis() as f64) {
            verdict.add(Sign::AfterSilence(Span::from_millis(longest as i64)), 1);
        }
    }
    if let Some(at) = evidence.serviced_at.filter(|&at| now - at <= SERVICE_COUNTS) {
        verdict.add(Sign::AfterService(now - at), 2);
    }
    let fell = moved <= -scales.fall;
    if evidence.quantity == Quantity::DoMgL && fell {
        if let Some(at) = evidence.aerators.0.filter(|&at| now - at <= STOP_COUNTS) {
            verdict.add(Sign::AeratorStopped(now - at), -3);
        }
        if evidence.is_night {
            verdict.add(Sign::Night, -1);
        }
    }
    let thinned =
        evidence.salinity.and_then(|salt| shift(salt, now - Span::from_hours(1), now)).unwrap_or_default();
    if thinned <= -0.5 {
        verdict.add(Sign::Rain(-thinned), -2);
    }
    if let (Some((usual, sigma)), Some(seen)) = (evidence.usual, evidence.seen) {
        let off = libm::fabs(seen.value - usual);
        if off <= scales.near.max(sigma) {
            verdict.add(Sign::Usual(usual), -2);
        } else if evidence.disliked.iter().any(|&(test, _)| test == Test::Climatology) {
            verdict.add(Sign::Unusual(usual), 1);
        }
    }
}

/// Aerators that were started long enough ago must bend the curve upward.
fn response(evidence: &Evidence<'_>, verdict: &mut Verdict) {
    let (stopped, started) = evidence.aerators;
    let Some(started) = started else { return };
    let since = evidence.now - started;
    let stopped_later = stopped.is_some_and(|stopped| stopped >= started);
    if evidence.quantity != Quantity::DoMgL || stopped_later || since < RESPONSE.0 || since > RESPONSE.1 {
        return;
    }
    let of = |from: Timestamp, to: Timestamp| {
        let points: Vec<(f64, f64)> = evidence
            .recent
            .iter()
            .filter(|&&(at, _)| at >= from && at <= to)
            .map(|&(at, value)| ((at - from).as_hours(), value))
            .collect();
        let trend = (points.len() >= 4).then(|| theil_sen(&points)).flatten();
        trend.map(|(slope, _)| slope)
    };
    let (Some(before), Some(after)) =
        (of(started - RESPONSE.1, started), of(started + Span::from_minutes(10), evidence.now))
    else {
        return;
    };
    let bend = after - before;
    if bend >= 0.2 {
        verdict.add(Sign::AeratorsHelp(since, bend), -2);
    } else if bend < 0.05 && before < -0.1 {
        verdict.add(Sign::AeratorsDoNothing(since), 1);
    }
}
