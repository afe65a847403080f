//! Room for what comes: the oldest summaries are merged into coarser ones, to hours, then to six hours, then to days.
//! Only where that is not enough are the oldest messages given up.
//!
//! A merged summary has the number of its last part and a longer interval, so that it is no repeat of that part. What a
//! connection was handed is left as it is. Summaries of which a destination has confirmed some and not others stay apart
//! there: none gets a stretch of time twice, once in parts and once in whole.

use std::collections::BTreeMap;

use pondreeve_core::effect::QuantitySummary;
use pondreeve_core::said::{Said, said};
use pondreeve_core::{Quantity, Span, Timestamp};

use super::queue::Queue;
use super::{Body, Bounds, Change, Class, Outgoing, PondSummary, Waiting};
use crate::journal::outbox_record;

const LEVELS: [Span; 3] = [Span::from_hours(1), Span::from_hours(6), Span::from_hours(24)];

/// Thinning goes on until this part of the room is used, so that it is not needed again at once.
const DOWN_TO: f64 = 0.8;

/// What is to be done, and in words what it costs. `None` while there is room and nothing is too old.
pub(crate) fn plan(queue: &Queue, bounds: Bounds, now: Timestamp) -> Option<(Vec<Change>, String)> {
    let bytes = queue.bytes();
    let too_much = bytes > bounds.most_bytes;
    let standing = queue.standing();
    let oldest_at = standing.iter().filter_map(|own| own.oldest_at).min()?;
    if !too_much && now - oldest_at <= bounds.thin_after {
        return None;
    }
    let mut left = queue.untouched(Class::Summary);
    let positions = queue.positions(Class::Summary);
    let mut changes = Vec::new();
    for (level, age) in [(LEVELS[0], 1), (LEVELS[2], 2)] {
        let before = now - Span::from_millis(bounds.thin_after.as_millis().saturating_mul(age));
        merge(&mut left, level, &positions, &mut changes, |waiting| waiting.at < before);
    }
    let goal = (bounds.most_bytes as f64 * DOWN_TO) as usize;
    let mut saved = saving(&changes, queue);
    if too_much {
        for level in LEVELS {
            if bytes.saturating_sub(saved) <= goal {
                break;
            }
            // Half of them at a time: the newest stay fine for longest.
            for part in [2, 1] {
                let end = left.len() / part;
                let limit = left.get(end.saturating_sub(1)).map_or(0, |waiting| waiting.number);
                if bytes.saturating_sub(saved) > goal {
                    merge(&mut left, level, &positions, &mut changes, |waiting| waiting.number <= limit);
                    saved = saving(&changes, queue);
                }
            }
        }
    }
    let merged = changes.len();
    let mut given_up = 0;
    if bytes.saturating_sub(saved) > bounds.most_bytes {
        let all = left.iter().chain(&queue.untouched(Class::Urgent)).cloned().collect::<Vec<_>>();
        let mut by_age: Vec<&Waiting> = all.iter().collect();
        by_age.sort_by_key(|waiting| (waiting.at, waiting.number));
        let mut gone = Vec::new();
        for waiting in by_age {
            if bytes.saturating_sub(saved) <= goal {
                break;
            }
            saved += waiting.bytes.len();
            gone.push(waiting.number);
        }
        given_up = gone.len();
        if !gone.is_empty() {
            changes.push(Change::Merged { gone, kept: None });
        }
    }
    if changes.is_empty() {
        return None;
    }
    let away: Vec<Said> = standing
        .iter()
        .filter(|own| own.oldest_at == Some(oldest_at))
        .map(|own| {
            said!(
                "trouble-confirmed-nothing",
                "{destination} has confirmed nothing since {at}",
                destination = &own.id,
                at = crate::local::status::rfc3339(oldest_at)
            )
        })
        .collect();
    let cost = match given_up {
        0 => said!(
            "trouble-merged",
            "{merged} groups of summaries were merged into coarser ones",
            merged = merged.to_string()
        ),
        _ => said!(
            "trouble-merged-and-given-up",
            "{merged} groups of summaries were merged, and the oldest {given_up} messages given up",
            merged = merged.to_string(),
            given_up = given_up.to_string()
        ),
    };
    let why = said!(
        "trouble-thinned",
        "{away}: {cost} to make room. Mend the link to it",
        away = Said::joined(away, ", "),
        cost = cost
    );
    Some((changes, why.into()))
}

/// Bytes that changes make free.
fn saving(changes: &[Change], queue: &Queue) -> usize {
    let mut size: BTreeMap<u64, usize> = BTreeMap::new();
    for waiting in queue.untouched(Class::Summary) {
        size.insert(waiting.number, waiting.bytes.len());
    }
    let (mut freed, mut taken) = (0, 0);
    for change in changes {
        if let Change::Merged { gone, kept } = change {
            freed += gone.iter().filter_map(|number| size.remove(number)).sum::<usize>();
            if let Some(kept) = kept {
                taken += kept.bytes.len();
                size.insert(kept.number, kept.bytes.len());
            }
        }
    }
    freed.saturating_sub(taken)
}

/// Merges summaries of one pond that fall into one stretch of time and have been confirmed by the same destinations, which
/// are at `positions`, where `may` lets them.
fn merge(
    left: &mut Vec<Waiting>,
    level: Span,
    positions: &[u64],
    changes: &mut Vec<Change>,
    may: impl Fn(&Waiting) -> bool,
) {
    let mut groups: BTreeMap<(String, i64, usize), Vec<(u64, PondSummary)>> = BTreeMap::new();
    for waiting in left.iter() {
        let Some(Outgoing { number, body: Body::Summary(summary), .. }) = outbox_record::outgoing(waiting)
        else {
            continue;
        };
        if may(waiting) {
            let stretch = summary.from.as_millis().div_euclid(level.as_millis().max(1));
            let confirmed = positions.iter().filter(|position| number <= **position).count();
            groups.entry((summary.pond.clone(), stretch, confirmed)).or_default().push((number, summary));
        }
    }
    let mut made = BTreeMap::new();
    let mut gone_all = std::collections::BTreeSet::new();
    for group in groups.into_values().filter(|group| group.len() > 1) {
        let gone: Vec<u64> = group.iter().map(|(number, _)| *number).collect();
        let Some(number) = gone.last().copied() else { continue };
        let Some(summary) = merged(group.into_iter().map(|(_, summary)| summary)) else { continue };
        let kept = outbox_record::waiting(&Outgoing { number, at: summary.to, body: Body::Summary(summary) });
        gone_all.extend(gone.iter().copied());
        made.insert(number, kept.clone());
        changes.push(Change::Merged { gone, kept: Some(kept) });
    }
    left.retain(|waiting| !gone_all.contains(&waiting.number));
    left.extend(made.into_values());
    left.sort_by_key(|waiting| waiting.number);
}

/// One summary of several in a row, oldest first.
pub(crate) fn merged(parts: impl IntoIterator<Item = PondSummary>) -> Option<PondSummary> {
    let mut parts = parts.into_iter();
    let mut whole = parts.next()?;
    for part in parts {
        whole.to = part.to;
        whole.alarms_standing = part.alarms_standing;
        whole.merged = whole.merged.saturating_add(part.merged);
        let mut by_quantity: BTreeMap<Quantity, QuantitySummary> =
            whole.quantities.iter().map(|own| (own.quantity, *own)).collect();
        for own in part.quantities {
            let both = by_quantity.get(&own.quantity).map_or(own, |before| joined(*before, own));
            by_quantity.insert(own.quantity, both);
        }
        whole.quantities = by_quantity.into_values().collect();
    }
    Some(whole)
}

fn joined(before: QuantitySummary, after: QuantitySummary) -> QuantitySummary {
    if before.usable == 0 || after.usable == 0 {
        let spoken = if after.usable == 0 { before } else { after };
        let doubtful = before.doubtful.saturating_add(after.doubtful);
        return QuantitySummary { doubtful, ..spoken };
    }
    let (one, two) = (f64::from(before.usable), f64::from(after.usable));
    QuantitySummary {
        quantity: after.quantity,
        minimum: before.minimum.min(after.minimum),
        mean: (before.mean * one + after.mean * two) / (one + two),
        maximum: before.maximum.max(after.maximum),
        last: after.last,
        usable: before.usable.saturating_add(after.usable),
        doubtful: before.doubtful.saturating_add(after.doubtful),
    }
}
