//! A typed value, and what the kit it comes from counts: 1 mg/L of nitrite as NO2 is 0.30 mg/L as N.

use pondreeve_chemistry::conversion::{Basis, convert};
use pondreeve_core::Quantity;

use crate::texts::{Words, say};

/// What kits count, by quantity; the first is what is kept.
pub(crate) const fn accepted(quantity: Quantity) -> &'static [Basis] {
    match quantity {
        Quantity::TanMgL => &[Basis::N, Basis::Nh3, Basis::Nh4],
        Quantity::NitriteMgL => &[Basis::N, Basis::No2],
        Quantity::NitrateMgL => &[Basis::N, Basis::No3],
        Quantity::PhosphateMgL => &[Basis::P, Basis::Po4],
        _ => &[],
    }
}

/// What the quantity is kept as, where kits differ.
pub(crate) fn kept_as(quantity: Quantity) -> Option<Basis> {
    accepted(quantity).first().copied()
}

/// What is accepted, as a person reads it.
pub(crate) fn names(quantity: Quantity, between: &str) -> String {
    let names: Vec<&str> = accepted(quantity).iter().map(|basis| basis.name()).collect();
    names.join(between)
}

/// The same in a language: `N or NH3 or NH4`.
pub(super) fn names_in(words: Words, quantity: Quantity) -> String {
    names(quantity, &format!(" {} ", say!(words, "or")))
}

/// One value as it was typed.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) struct Typed {
    pub(in crate::cli) quantity: Quantity,
    /// Its digits.
    pub(super) text: String,
    /// The same as a number.
    pub(super) number: f64,
    /// What the kit counts, where that was said.
    pub(super) basis: Option<Basis>,
}

impl Typed {
    /// Reads `VALUE` or `VALUE:AS`; a fault names what is accepted.
    pub(super) fn read(quantity: Quantity, text: &str, words: Words) -> Result<Self, String> {
        let id = quantity.id();
        let (digits, basis) = match text.split_once(':') {
            Some((digits, basis)) => (digits.trim(), Some(basis.trim())),
            None => (text.trim(), None),
        };
        let (low, high) = quantity.conceivable();
        let number = digits.parse::<f64>().map_err(|_| {
            say!(
                words,
                "entered-no-number",
                id = id,
                typed = digits,
                low = low.to_string(),
                high = high.to_string(),
                unit = unit(quantity, words),
            )
        })?;
        let mut typed = Self { quantity, text: digits.to_owned(), number, basis: None };
        match basis {
            Some(basis) => typed.say_basis(basis, words)?,
            None => typed.in_range(words)?,
        }
        Ok(typed)
    }

    /// Says what the kit counts.
    pub(super) fn say_basis(&mut self, name: &str, words: Words) -> Result<(), String> {
        let (id, number) = (self.quantity.id(), &self.text);
        let known = accepted(self.quantity);
        if known.is_empty() {
            let unit = unit(self.quantity, words);
            return Err(say!(words, "entered-no-basis", id = id, typed = number, basis = name, unit = unit));
        }
        let found = known.iter().find(|basis| basis.name().eq_ignore_ascii_case(name));
        let basis = found.ok_or_else(|| {
            let bases = names_in(words, self.quantity);
            say!(words, "entered-other-basis", id = id, basis = name, bases = bases)
        })?;
        self.basis = Some(*basis);
        self.in_range(words)
    }

    /// The value in the unit of the quantity.
    pub(in crate::cli) fn stored(&self) -> f64 {
        match (self.basis, kept_as(self.quantity)) {
            // Bases of one quantity share their element.
            (Some(from), Some(to)) if from != to => convert(self.number, from, to).unwrap_or(f64::NAN),
            _ => self.number,
        }
    }

    fn in_range(&self, words: Words) -> Result<(), String> {
        let (low, high) = self.quantity.conceivable();
        let stored = self.stored();
        if self.quantity.can_be(stored) {
            return Ok(());
        }
        if self.quantity.is_state() {
            let (id, value) = (self.quantity.id(), self.number.to_string());
            return Err(say!(words, "entered-state", id = id, value = value));
        }
        let (id, unit) = (self.quantity.id(), unit(self.quantity, words));
        let (value, low, high) = (self.number.to_string(), low.to_string(), high.to_string());
        Err(match (self.basis, kept_as(self.quantity)) {
            (Some(from), Some(to)) if from != to => say!(
                words,
                "entered-range-as",
                id = id,
                value = value,
                from = from.name(),
                stored = format!("{stored:.1}"),
                to = to.name(),
                low = low,
                high = high,
                unit = unit,
            ),
            _ => say!(words, "entered-range", id = id, value = value, low = low, high = high, unit = unit),
        })
    }
}

fn unit(quantity: Quantity, words: Words) -> String {
    match quantity.unit() {
        "" => say!(words, "entered-no-unit"),
        unit => say!(words, "entered-unit", unit = unit),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::texts::english;

    /// By hand from the atomic weights N 14.007, H 1.008, O 15.999, P 30.974 (IUPAC, abridged).
    #[test]
    fn a_value_is_kept_as_the_element() {
        for (quantity, typed, stored) in [
            (Quantity::TanMgL, "2.0:NH4", 1.5530),
            (Quantity::TanMgL, "2.0:NH3", 1.6449),
            (Quantity::TanMgL, "2.0:N", 2.0),
            (Quantity::TanMgL, "2.0", 2.0),
            (Quantity::NitriteMgL, "1.2:NO2", 0.36536),
            (Quantity::NitrateMgL, "10:no3", 2.2590),
            (Quantity::PhosphateMgL, "1:PO4", 0.32614),
            (Quantity::PhosphateMgL, "1:P", 1.0),
        ] {
            let read = Typed::read(quantity, typed, english()).unwrap();
            assert!((read.stored() / stored - 1.0).abs() < 2e-4, "{typed}: {}", read.stored());
        }
    }

    #[test]
    fn a_basis_of_another_element_or_none_is_refused_with_what_is_accepted() {
        for (quantity, typed, accepted) in [
            (Quantity::NitriteMgL, "1:NO3", "accepted is N or NO2"),
            (Quantity::PhosphateMgL, "1:N", "accepted is P or PO4"),
            (Quantity::TanMgL, "1:", "accepted is N or NH3 or NH4"),
            (Quantity::DoMgL, "5:N", "accepted is a bare number, in mg/L"),
            (Quantity::NitriteMgL, "4000:NO2", "accepted is 0 to 1000, in mg/L as N"),
            (Quantity::AeratorOn, "0.5", "accepted is 0 (stands still) or 1 (runs)"),
            (Quantity::AeratorOn, "2", "accepted is 0 (stands still) or 1 (runs)"),
            (Quantity::TanMgL, "NaN:NH4", "accepted is 0 to 1000"),
        ] {
            let fault = Typed::read(quantity, typed, english()).unwrap_err();
            assert!(fault.contains(accepted), "{typed}: {fault}");
        }
    }
}
