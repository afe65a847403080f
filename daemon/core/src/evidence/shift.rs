//! A check that needs no model of how days hang together: had the first dose fallen on any other day.
//!
//! The days are laid in a ring and the place of the first dose is moved around it, which leaves the days
//! next to each other as they are. If nothing happened at the first dose, its place is like any other: a
//! permutation test whose blocks are whole periods.

use alloc::vec::Vec;

use libm::fabs;

use super::series::Day;

/// Share of places that show a change at least as large as the one found, the true place among them.
pub fn shift_chance(before: &[Day], after: &[Day]) -> f64 {
    let ring: Vec<f64> = before.iter().chain(after).map(|own| own.value).collect();
    let (own, other) = (before.len(), after.len());
    if own == 0 || other == 0 {
        return 1.0;
    }
    let total: f64 = ring.iter().sum();
    let change = |first: usize| {
        let part: f64 = ring.iter().cycle().skip(first).take(own).sum();
        (total - part) / other as f64 - part / own as f64
    };
    // Equal changes must not differ by how their sums were rounded.
    let found = fabs(change(0)) * (1.0 - 1e-9);
    let as_large = (0..ring.len()).filter(|&first| fabs(change(first)) >= found).count();
    as_large as f64 / ring.len() as f64
}
