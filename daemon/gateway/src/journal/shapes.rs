//! The shapes of sweeps and derived values: what their columns are, told once and known by a number.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use pondreeve_core::Quantity;

use super::chunk::{Column, Shape};
use super::codec::Malformed;

/// Sweeps of more shapes than this are kept as they came; a message that is put together anew each
/// time would otherwise leave a shape each time.
pub(super) const MOST_SHAPES: usize = 4096;

/// The shapes that are known, by their bytes and by their numbers.
#[derive(Debug, Default, Clone)]
pub(super) struct Shapes {
    by_number: BTreeMap<u32, Shape>,
    by_bytes: HashMap<Vec<u8>, u32>,
    /// Numbers that the database does not know yet.
    fresh: Vec<u32>,
}

impl Shapes {
    pub(super) fn add(&mut self, number: u32, bytes: Vec<u8>) -> Result<(), Malformed> {
        let shape = Shape::from_bytes(&bytes)?;
        self.by_number.insert(number, shape);
        self.by_bytes.insert(bytes, number);
        Ok(())
    }

    /// Numbers that the database is to be told now.
    pub(super) fn take_fresh(&mut self) -> Vec<u32> {
        std::mem::take(&mut self.fresh)
    }

    pub(super) fn get(&self, number: u32) -> Option<&Shape> {
        self.by_number.get(&number)
    }

    /// Every pond and quantity that ever was measured.
    pub(super) fn series(&self) -> BTreeSet<(String, Quantity)> {
        let columns = self.by_number.values().flat_map(|shape| &shape.columns);
        let of_ponds = columns.filter(|column| !column.pond.is_empty());
        of_ponds.map(|column| (column.pond.clone(), column.quantity)).collect()
    }

    /// Numbers and columns of a pond's quantity.
    pub(super) fn of(&self, pond: &str, quantity: Quantity) -> Vec<(u32, Vec<usize>)> {
        let wanted = |column: &Column| column.pond == pond && column.quantity == quantity;
        let shapes = self.by_number.iter().map(|(number, shape)| {
            let places = shape.columns.iter().enumerate().filter(|(_, column)| wanted(column));
            (*number, places.map(|(place, _)| place).collect::<Vec<_>>())
        });
        shapes.filter(|(_, places)| !places.is_empty()).collect()
    }

    /// The number of a shape; told apart from the known by its bytes. `None` where there are too many.
    pub(super) fn number(&mut self, shape: Shape) -> Option<u32> {
        let bytes = shape.to_bytes();
        if let Some(&number) = self.by_bytes.get(&bytes) {
            return Some(number);
        }
        if self.by_number.len() >= MOST_SHAPES {
            return None;
        }
        let number = self.by_number.last_key_value().map_or(1, |(last, _)| last + 1);
        self.fresh.push(number);
        self.by_number.insert(number, shape);
        self.by_bytes.insert(bytes, number);
        Some(number)
    }
}
