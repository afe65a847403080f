//! Sealing values that belong to no sample: derived ones, readings that did not come, later verdicts, what people entered.

use std::collections::BTreeMap;

use pondreeve_core::effect::Flag;
use pondreeve_core::site::Site;
use pondreeve_core::{Quantity, Timestamp};

use super::chunk::{Column, Rows, Shape};
use super::keys::{Key, hour_of, key, kind, start_of};
use super::shapes::Shapes;
use super::verdict::{Late, Verdict};

/// Stands for the probe of a derived value.
const NO_PROBE: u16 = u16::MAX;

type DerivedRow = BTreeMap<Quantity, (f64, Flag)>;

/// Derived values of a pond and a time become one row; two digits more than people are shown.
pub(super) fn seal_derived(
    site: Option<&Site>,
    derived: Vec<Late>,
    first_seq: u64,
    shapes: &mut Shapes,
    entries: &mut Vec<(Key, Vec<u8>)>,
) {
    let mut by_pond: BTreeMap<_, BTreeMap<Timestamp, DerivedRow>> = BTreeMap::new();
    for late in derived {
        if let (Some(pond), Some(value)) = (late.pond, late.value) {
            let row = by_pond.entry((pond, hour_of(late.at))).or_default().entry(late.at).or_default();
            row.insert(late.quantity, (value, late.flag));
        }
    }
    for ((pond, hour), rows) in by_pond {
        let pond = site.and_then(|site| site.ponds.get(usize::from(pond.0)));
        let Some(pond) = pond else { continue };
        let mut quantities: Vec<Quantity> = rows.values().flat_map(|row| row.keys().copied()).collect();
        quantities.sort_unstable();
        quantities.dedup();
        let column = |&quantity: &Quantity| Column {
            probe: NO_PROBE,
            quantity,
            channel: None,
            timed: false,
            pond: pond.id.clone(),
            probe_id: String::new(),
            slope: 1.0,
            offset: 0.0,
        };
        let shape = Shape { columns: quantities.iter().map(column).collect() };
        let Some(number) = shapes.number(shape) else { continue };
        let Some(shape) = shapes.get(number) else { continue };
        let mut chunk = Rows::of(shape);
        for (at, row) in rows {
            let cell = |quantity: &Quantity| row.get(quantity).copied();
            let value =
                |quantity: &Quantity| cell(quantity).map_or(0.0, |(value, _)| rounded(value, *quantity));
            let values: Vec<f64> = quantities.iter().map(value).collect();
            let verdicts = quantities.iter().zip(&values).map(|(quantity, value)| {
                cell(quantity).map(|(_, flag)| Verdict { flag, value: Some(*value) })
            });
            chunk.push((0, at), &values, verdicts);
        }
        let key = key(hour, kind::DERIVED, number, first_seq);
        entries.push((key, chunk.to_bytes(&key)));
    }
}

/// Values without a sample, each kind, pond, probe and quantity by itself.
pub(super) fn seal_late(
    site: Option<&Site>,
    late: impl Iterator<Item = (u8, Late)>,
    first_seq: u64,
    shapes: &mut Shapes,
    entries: &mut Vec<(Key, Vec<u8>)>,
) {
    let mut groups: BTreeMap<_, Vec<Late>> = BTreeMap::new();
    for (kind, late) in late {
        let group = (hour_of(late.at), kind, late.pond, late.probe, late.quantity, late.channel);
        groups.entry(group).or_default().push(late);
    }
    for ((hour, kind, pond, probe, quantity, channel), group) in groups {
        let pond = pond.and_then(|pond| site?.ponds.get(usize::from(pond.0)));
        let of_farm = probe.and_then(|probe| site?.probes.get(usize::from(probe.0)));
        let column = Column {
            probe: probe.map_or(NO_PROBE, |probe| probe.0),
            quantity,
            channel,
            timed: false,
            pond: pond.map(|pond| pond.id.clone()).unwrap_or_default(),
            probe_id: of_farm.map(|probe| probe.id.clone()).unwrap_or_default(),
            slope: 1.0,
            offset: 0.0,
        };
        let Some(number) = shapes.number(Shape { columns: vec![column] }) else { continue };
        let Some(shape) = shapes.get(number) else { continue };
        let mut chunk = Rows::of(shape);
        for late in group {
            let value = match kind {
                // How far it reaches; what was reported stands elsewhere.
                kind::AMENDED => late.until.as_millis() as f64,
                _ => late.value.unwrap_or(0.0),
            };
            let verdict = Some(Verdict { flag: late.flag, value: late.value });
            chunk.push((0, late.at), &[value], std::iter::once(verdict));
        }
        let key = key(hour, kind, number, first_seq);
        entries.push((key, chunk.to_bytes(&key)));
    }
}

/// A later verdict in pieces of an hour, so that each is found with the readings it is about.
pub(super) fn by_hours(late: Late) -> Vec<Late> {
    let (first, last) = (hour_of(late.at), hour_of(late.until));
    let hours = first..=last.min(first.saturating_add(MOST_LATE_HOURS)).max(first);
    let piece = |hour: u32| Late {
        at: if hour == first { late.at } else { start_of(hour) },
        until: if hour >= last { late.until } else { Timestamp(start_of(hour + 1).as_millis() - 1) },
        ..late
    };
    hours.map(piece).collect()
}

/// A reading that comes later than this is found under the hour it came in only.
pub(super) const MOST_LATE_HOURS: u32 = 60 * 24;

fn rounded(value: f64, quantity: Quantity) -> f64 {
    let scale = 10_f64.powi(i32::try_from(quantity.decimals() + 2).unwrap_or(6));
    let rounded = (value * scale).round() / scale;
    if rounded.is_finite() { rounded } else { value }
}
