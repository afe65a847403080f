//! The last day of each quantity in memory, for the plots of the console.

use std::collections::{BTreeMap, VecDeque};

use pondreeve_core::effect::Flag;
use pondreeve_core::{Effect, Quantity, Site, Span, Timestamp};

use crate::journal::query::Remembered;

/// How far back values are kept: a day, and the two hours that show how this hour was yesterday.
pub const KEPT: Span = Span::from_hours(26);

/// At most one value is kept for each of these, the newest. 26 hours then make 1,560 values of 24
/// bytes; 20 ponds with 15 quantities stay below 12 MB.
const GRAIN: Span = Span::from_minutes(1);

/// One value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When it was measured, or for when it was computed.
    pub at: Timestamp,
    /// In the unit of the quantity.
    pub value: f64,
    /// Its quality.
    pub flag: Flag,
}

/// Recent values by pond id and quantity.
#[derive(Debug, Default)]
pub(super) struct Recent {
    pond_ids: Vec<String>,
    series: BTreeMap<(String, Quantity), VecDeque<Point>>,
}

impl Recent {
    /// Pond numbers mean the ponds of this farm from now on.
    pub(super) fn site(&mut self, site: &Site) {
        self.pond_ids = site.ponds.iter().map(|pond| pond.id.clone()).collect();
        self.series.retain(|(pond, _), _| self.pond_ids.contains(pond));
    }

    /// Takes note of what a step brought.
    pub(super) fn note(&mut self, effects: &[Effect]) {
        for effect in effects {
            let (pond, quantity, at, value, flag) = match effect {
                Effect::Reading(reading) => {
                    let (Some(pond), Some(value)) = (reading.pond, reading.value) else { continue };
                    (pond, reading.quantity, reading.at, value, reading.flag)
                }
                Effect::Derived(derived) => {
                    (derived.pond, derived.quantity, derived.at, derived.value, derived.flag)
                }
                _ => continue,
            };
            let Some(id) = self.pond_ids.get(usize::from(pond.0)) else { continue };
            let points = match self.series.get_mut(&(id.clone(), quantity)) {
                Some(points) => points,
                None => self.series.entry((id.clone(), quantity)).or_default(),
            };
            insert(points, Point { at, value, flag });
        }
    }

    /// Takes up what the store has of the time before.
    pub(super) fn remember(&mut self, remembered: &Remembered) {
        if !self.pond_ids.contains(&remembered.pond) {
            return;
        }
        let series = (remembered.pond.clone(), remembered.quantity);
        let points = self.series.entry(series).or_default();
        let grain = |at: Timestamp| at.as_millis().div_euclid(GRAIN.as_millis());
        for &(at, value, flag) in &remembered.values {
            // What this run measured itself stays.
            let place = points.partition_point(|point| grain(point.at) < grain(at));
            if points.get(place).is_none_or(|point| grain(point.at) != grain(at)) {
                insert(points, Point { at, value, flag });
            }
        }
    }

    /// Values of one quantity since a time, oldest first, thinned to at most `most`: of each equal
    /// stretch of time the last value and, where it differs, the lowest, so that a dip of the oxygen
    /// is never thinned away.
    pub(super) fn since(&self, pond: &str, quantity: Quantity, from: Timestamp, most: usize) -> Vec<Point> {
        let Some(points) = self.series.get(&(pond.to_owned(), quantity)) else { return Vec::new() };
        let start = points.partition_point(|point| point.at < from);
        let points: Vec<Point> = points.iter().skip(start).copied().collect();
        thin(&points, most)
    }
}

fn insert(points: &mut VecDeque<Point>, point: Point) {
    let grain = |at: Timestamp| at.as_millis().div_euclid(GRAIN.as_millis());
    match points.back_mut() {
        Some(last) if grain(last.at) == grain(point.at) => {
            if point.at >= last.at {
                *last = point;
            }
        }
        Some(last) if last.at < point.at => points.push_back(point),
        None => points.push_back(point),
        Some(_) => {
            // A hand reading entered after the event, or a probe that kept its values while offline.
            let place = points.partition_point(|earlier| earlier.at <= point.at);
            match place.checked_sub(1).and_then(|before| points.get_mut(before)) {
                Some(before) if grain(before.at) == grain(point.at) => *before = point,
                _ => points.insert(place, point),
            }
        }
    }
    let newest = points.back().map_or(point.at, |last| last.at);
    while points.front().is_some_and(|first| newest - first.at > KEPT) {
        points.pop_front();
    }
}

fn thin(points: &[Point], most: usize) -> Vec<Point> {
    if points.len() <= most {
        return points.to_vec();
    }
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let stretches = (most / 2).max(1) as i64;
    let length = ((last.at - first.at).as_millis() / stretches).saturating_add(1);
    let mut thinned: Vec<Point> = Vec::with_capacity(most);
    let mut rest = points;
    while let Some(head) = rest.first() {
        let stretch = (head.at - first.at).as_millis() / length;
        let end = rest.partition_point(|point| (point.at - first.at).as_millis() / length == stretch);
        let (here, after) = rest.split_at(end);
        let lowest = here.iter().min_by(|a, b| a.value.total_cmp(&b.value));
        let last = here.last();
        thinned.extend(lowest.filter(|&lowest| Some(lowest) != last && most > 1));
        thinned.extend(last);
        rest = after;
    }
    thinned
}

#[cfg(test)]
mod tests {
    use pondreeve_core::effect::{Derived, Flag};
    use pondreeve_core::site::PondIndex;

    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minute)
    }

    fn value(minute: i64, value: f64) -> Effect {
        Effect::Derived(Derived {
            pond: PondIndex(0),
            quantity: Quantity::DoMgL,
            at: at(minute),
            value,
            flag: Flag::Pass,
        })
    }

    fn one_pond() -> Recent {
        Recent { pond_ids: vec!["p1".to_owned()], ..Recent::default() }
    }

    fn minutes(recent: &Recent, from: i64, most: usize) -> Vec<i64> {
        let points = recent.since("p1", Quantity::DoMgL, at(from), most);
        points.iter().map(|point| point.at.as_millis() / 60_000).collect()
    }

    #[test]
    fn late_values_find_their_place_and_old_ones_go() {
        let mut recent = one_pond();
        for minute in [0, 10, 20, 15, 5] {
            recent.note(&[value(minute, 5.0)]);
        }
        assert_eq!(minutes(&recent, 0, 100), [0, 5, 10, 15, 20]);
        assert_eq!(minutes(&recent, 11, 100), [15, 20]);
        recent.note(&[value(26 * 60 + 12, 5.0)]);
        assert_eq!(minutes(&recent, 0, 100), [15, 20, 26 * 60 + 12]);
    }

    #[test]
    fn a_dip_survives_thinning() {
        let mut recent = one_pond();
        for minute in 0..600 {
            recent.note(&[value(minute, if minute == 333 { 2.5 } else { 5.0 + minute as f64 / 1000.0 })]);
        }
        let points = recent.since("p1", Quantity::DoMgL, at(0), 40);
        assert!(points.len() <= 40, "{}", points.len());
        assert!(points.iter().any(|point| point.value == 2.5));
        assert!(points.is_sorted_by(|a, b| a.at < b.at));
        assert_eq!(points.last().map(|point| point.at), Some(at(599)));
        assert!(recent.since("p1", Quantity::DoMgL, at(0), 1).len() <= 1);
        assert!(recent.since("p2", Quantity::DoMgL, at(0), 10).is_empty());
    }
}
