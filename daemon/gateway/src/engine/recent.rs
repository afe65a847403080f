//! The last day of each quantity in memory, for the plots of the console.

use std::collections::{BTreeMap, VecDeque};

use pondreeve_core::effect::{Amended, Derived, Flag};
use pondreeve_core::site::ProbeIndex;
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
    /// Its quality, as known now.
    pub flag: Flag,
    /// Whose it is: position in [`Recent::names`].
    whose: Option<u16>,
}

/// A verdict on readings of the time before this run, which may still have to come from the store.
#[derive(Debug)]
struct Late {
    whose: u16,
    quantity: Quantity,
    from: Timestamp,
    to: Timestamp,
    flag: Flag,
}

/// Recent values by pond id and quantity.
#[derive(Debug, Default)]
pub(super) struct Recent {
    pond_ids: Vec<String>,
    /// Per probe of the farm as it is now, its position in `names`.
    probes: Vec<u16>,
    /// Ids of probes, each once. Probes that left the farm stay: a farm has tens.
    names: Vec<String>,
    late: Vec<Late>,
    series: BTreeMap<(String, Quantity), VecDeque<Point>>,
}

impl Recent {
    /// Numbers of ponds and probes mean those of this farm from now on.
    pub(super) fn site(&mut self, site: &Site) {
        self.probes = site.probes.iter().filter_map(|probe| self.name(&probe.id)).collect();
        self.pond_ids = site.ponds.iter().map(|pond| pond.id.clone()).collect();
        self.series.retain(|(pond, _), _| self.pond_ids.contains(pond));
    }

    /// The position of a probe's id, which it gets where it has none.
    fn name(&mut self, id: &str) -> Option<u16> {
        let known = self.names.iter().position(|name| name == id);
        let place = known.unwrap_or_else(|| {
            self.names.push(id.to_owned());
            self.names.len() - 1
        });
        u16::try_from(place).ok()
    }

    fn whose(&self, probe: ProbeIndex) -> Option<u16> {
        self.probes.get(usize::from(probe.0)).copied()
    }

    /// A later verdict: the flags of what it is about get worse, and stay so.
    fn amend(&mut self, amended: &Amended) {
        let pond = amended.pond.and_then(|pond| self.pond_ids.get(usize::from(pond.0)));
        let (Some(pond), Some(whose)) = (pond.cloned(), self.whose(amended.probe)) else { return };
        let Amended { quantity, from, to, flag, .. } = *amended;
        let late = Late { whose, quantity, from, to, flag };
        if let Some(points) = self.series.get_mut(&(pond, quantity)) {
            apply(points, &late);
        }
        self.keep(late);
    }

    fn keep(&mut self, late: Late) {
        let oldest = late.to - KEPT;
        self.late.retain(|other| other.to >= oldest);
        self.late.push(late);
    }

    /// Takes note of what a step brought.
    pub(super) fn note(&mut self, effects: &[Effect]) {
        for effect in effects {
            let (pond, quantity, point) = match effect {
                Effect::Reading(reading) => {
                    let (Some(pond), Some(value)) = (reading.pond, reading.value) else { continue };
                    let whose = reading.probe.and_then(|probe| self.whose(probe));
                    (pond, reading.quantity, Point { at: reading.at, value, flag: reading.flag, whose })
                }
                Effect::Derived(derived) => {
                    let Derived { pond, quantity, at, value, flag } = *derived;
                    (pond, quantity, Point { at, value, flag, whose: None })
                }
                Effect::Amended(amended) => {
                    self.amend(amended);
                    continue;
                }
                _ => continue,
            };
            let Some(id) = self.pond_ids.get(usize::from(pond.0)) else { continue };
            let points = match self.series.get_mut(&(id.clone(), quantity)) {
                Some(points) => points,
                None => self.series.entry((id.clone(), quantity)).or_default(),
            };
            insert(points, point);
        }
    }

    /// Takes up what the store has of the time before.
    pub(super) fn remember(&mut self, remembered: &Remembered) {
        if !self.pond_ids.contains(&remembered.pond) {
            return;
        }
        let whose = if remembered.probe.is_empty() { None } else { self.name(&remembered.probe) };
        let quantity = remembered.quantity;
        let series = (remembered.pond.clone(), quantity);
        for &(from, to, flag) in &remembered.amended {
            let Some(whose) = whose else { break };
            let late = Late { whose, quantity, from, to, flag };
            if let Some(points) = self.series.get_mut(&series) {
                apply(points, &late);
            }
            self.keep(late);
        }
        if remembered.values.is_empty() {
            return;
        }
        let points = self.series.entry(series).or_default();
        let grain = |at: Timestamp| at.as_millis().div_euclid(GRAIN.as_millis());
        for &(at, value, flag) in &remembered.values {
            // What this run measured itself stays.
            let place = points.partition_point(|point| grain(point.at) < grain(at));
            if points.get(place).is_none_or(|point| grain(point.at) != grain(at)) {
                let verdicts = self.late.iter().filter(|late| {
                    late.quantity == quantity
                        && Some(late.whose) == whose
                        && (late.from..=late.to).contains(&at)
                });
                let flag = verdicts.fold(flag, |flag, late| flag.worst(late.flag));
                insert(points, Point { at, value, flag, whose });
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

/// Merges a verdict into the flags of the points it is about.
fn apply(points: &mut VecDeque<Point>, late: &Late) {
    let first = points.partition_point(|point| point.at < late.from);
    for point in points.iter_mut().skip(first).take_while(|point| point.at <= late.to) {
        if point.whose == Some(late.whose) {
            point.flag = point.flag.worst(late.flag);
        }
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
    use pondreeve_core::effect::{Reading, Test};
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

    /// One pond with probes of these ids.
    fn farm(probes: &[&str]) -> Site {
        let mut site = Site::single_pond(10.0, -60.0, 15.0, &[Quantity::DoMgL], Span::from_minutes(1));
        let own = site.probes.remove(0);
        site.probes =
            probes.iter().map(|&id| pondreeve_core::site::Probe { id: id.into(), ..own.clone() }).collect();
        site.ponds[0].id = "p1".into();
        site
    }

    fn reading(minute: i64, probe: Option<u16>, value: f64) -> Effect {
        Effect::Reading(Reading {
            pond: Some(PondIndex(0)),
            probe: probe.map(ProbeIndex),
            quantity: Quantity::DoMgL,
            at: at(minute),
            raw: Some(value),
            value: Some(value),
            flag: Flag::Pass,
            tests: Vec::new(),
        })
    }

    fn verdict(probe: u16, from: i64, to: i64, flag: Flag) -> Effect {
        Effect::Amended(Amended {
            pond: Some(PondIndex(0)),
            probe: ProbeIndex(probe),
            channel: 0,
            quantity: Quantity::DoMgL,
            from: at(from),
            to: at(to),
            test: Test::Spike,
            flag,
        })
    }

    fn stored(probe: &str, values: &[i64], amended: &[(i64, i64, Flag)]) -> Remembered {
        Remembered {
            pond: "p1".into(),
            quantity: Quantity::DoMgL,
            probe: probe.into(),
            values: values.iter().map(|&minute| (at(minute), 5.0, Flag::Pass)).collect(),
            amended: amended.iter().map(|&(from, to, flag)| (at(from), at(to), flag)).collect(),
        }
    }

    fn flags(recent: &Recent) -> Vec<u8> {
        recent.since("p1", Quantity::DoMgL, at(0), 100).iter().map(|point| point.flag as u8).collect()
    }

    #[test]
    fn a_late_verdict_changes_the_flags_of_its_probe_and_of_no_other() {
        let mut recent = Recent::default();
        recent.site(&farm(&["a", "b"]));
        recent.note(&[reading(0, Some(0), 5.0), reading(1, Some(0), 9.0), reading(2, Some(1), 5.0)]);
        recent.note(&[reading(3, None, 5.1), reading(4, Some(0), 5.0), verdict(0, 1, 3, Flag::Suspect)]);
        assert_eq!(flags(&recent), [1, 3, 1, 1, 1], "not another probe's, not a person's, not a later one");
        recent.note(&[verdict(0, 1, 1, Flag::Fail)]);
        recent.note(&[verdict(0, 1, 1, Flag::Suspect)]);
        assert_eq!(flags(&recent), [1, 4, 1, 1, 1], "the worst of all verdicts stays");
    }

    #[test]
    fn probes_are_known_by_their_ids_when_the_farm_changes() {
        let mut recent = Recent::default();
        recent.site(&farm(&["a", "b"]));
        recent.note(&[reading(0, Some(0), 5.0), reading(1, Some(1), 5.0)]);
        recent.site(&farm(&["new", "b", "a"]));
        recent.note(&[verdict(2, 0, 5, Flag::Fail)]);
        assert_eq!(flags(&recent), [4, 1]);
    }

    #[test]
    fn what_the_store_knows_of_late_verdicts_counts_in_whichever_order_it_comes() {
        for amended_first in [true, false] {
            let mut recent = Recent::default();
            recent.site(&farm(&["a", "b"]));
            let verdicts = stored("a", &[], &[(1, 2, Flag::Fail)]);
            if amended_first {
                recent.remember(&verdicts);
            }
            recent.remember(&stored("a", &[0, 1, 2, 4], &[]));
            recent.remember(&stored("b", &[3], &[]));
            recent.remember(&stored("", &[5], &[]));
            if !amended_first {
                recent.remember(&verdicts);
            }
            // A verdict of this run reaches back into the time before it.
            recent.note(&[verdict(0, 4, 6, Flag::Suspect)]);
            assert_eq!(flags(&recent), [1, 4, 4, 1, 3, 1], "amended first: {amended_first}");
        }
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
