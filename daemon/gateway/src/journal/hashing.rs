//! Hashing of short keys that nobody outside can choose.

use std::hash::Hasher;

/// Tells signatures apart at little cost; it is asked with every sweep. What is hashed comes from the
/// configuration, so nobody can choose it to collide.
#[derive(Debug, Default)]
pub(super) struct Mixing(u64);

impl Hasher for Mixing {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_u8(&mut self, number: u8) {
        self.write_u64(u64::from(number));
    }

    fn write_u16(&mut self, number: u16) {
        self.write_u64(u64::from(number));
    }

    fn write_usize(&mut self, number: usize) {
        self.write_u64(number as u64);
    }

    fn write_isize(&mut self, number: isize) {
        self.write_u64(number as u64);
    }

    fn write_u64(&mut self, number: u64) {
        // The odd number nearest to 2^64 over the golden ratio, as in multiplicative hashing.
        self.0 = (self.0.rotate_left(5) ^ number).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    }

    fn finish(&self) -> u64 {
        self.0
    }
}
