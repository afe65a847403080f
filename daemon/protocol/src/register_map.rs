//! Which registers of a Modbus probe hold what.

use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

use crate::modbus::{REGISTERS_MAX, ReadRequest};

/// The register map of one kind of probe.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterMap {
    /// Short id of the profile.
    pub id: String,
    /// What it describes, for people.
    pub description: String,
    /// The registers to read.
    pub registers: Vec<Register>,
    /// Unused registers that may be read along to join two groups into one request. A request costs
    /// about 16 character times of frames and silences, a register two; but a probe that has no
    /// register in the gap refuses the whole request, so the default is [`GAP_DEFAULT`].
    pub gap: u16,
}

/// One value in a probe's registers. `value = raw × scale + offset`.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    /// What it holds: a quantity id.
    pub channel: String,
    /// Where it stands.
    pub table: Table,
    /// Protocol address of its first register, counted from 0.
    pub address: u16,
    /// How it is coded.
    pub number: Number,
    /// Which byte stands where, for numbers of two registers.
    pub order: WordOrder,
    /// Multiplied with the raw number.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// Unit after scaling, for people and for checking.
    pub unit: String,
    /// Raw numbers that mean "no value", such as 0x7FFF.
    pub no_value: Vec<f64>,
}

/// Modbus register tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Function code 3.
    Holding,
    /// Function code 4.
    Input,
}

/// Codings of a number in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Number {
    /// One register, two's complement.
    I16,
    /// One register.
    U16,
    /// Two registers, two's complement.
    I32,
    /// Two registers.
    U32,
    /// Two registers, IEEE 754.
    F32,
}

/// The four ways in which devices lay four bytes into two registers. A is the most significant byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum WordOrder {
    /// Big endian, the order of the Modbus specification.
    #[default]
    Abcd,
    /// Words swapped.
    Cdab,
    /// Bytes swapped within words.
    Badc,
    /// Little endian.
    Dcba,
}

/// Only registers that touch are read together, unless the profile says that a gap may be read too.
pub const GAP_DEFAULT: u16 = 0;

/// Why a register map cannot be read from a probe.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MapError {
    /// The number reaches past the last register.
    #[error("`{channel}` at register {address} needs {needed} registers, the last register is 65535")]
    PastEnd {
        /// Which.
        channel: String,
        /// Its address.
        address: u16,
        /// How many registers it takes.
        needed: u16,
    },
}

/// Why a value could not be read out of registers. Not a fault of the line: the frame was sound.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ValueError {
    /// The probe sent its mark for "no value".
    #[error("the probe says it has no value (raw {raw})")]
    NoValue {
        /// The mark.
        raw: f64,
    },
    /// NaN or infinity.
    #[error(
        "raw {raw} is not a finite number (registers {words:04x?}); a word order that does not fit \
             the probe looks like this"
    )]
    NotFinite {
        /// What was decoded.
        raw: f64,
        /// The registers.
        words: Vec<u16>,
    },
    /// The registers were not among those read.
    #[error("register {address} was not among those read")]
    NotRead {
        /// Which.
        address: u16,
    },
    /// The value does not fit the coding (encoding only).
    #[error("{value} does not fit {number:?} with scale {scale} and offset {offset}")]
    DoesNotFit {
        /// What was to be coded.
        value: f64,
        /// The coding.
        number: Number,
        /// The scale.
        scale: f64,
        /// The offset.
        offset: f64,
    },
}

impl Number {
    /// Registers it takes.
    pub const fn registers(self) -> u16 {
        match self {
            Self::I16 | Self::U16 => 1,
            Self::I32 | Self::U32 | Self::F32 => 2,
        }
    }
}

impl WordOrder {
    /// Four bytes, most significant first, out of two registers.
    const fn bytes(self, first: u16, second: u16) -> [u8; 4] {
        let ([a, b], [c, d]) = (first.to_be_bytes(), second.to_be_bytes());
        match self {
            Self::Abcd => [a, b, c, d],
            Self::Cdab => [c, d, a, b],
            Self::Badc => [b, a, d, c],
            Self::Dcba => [d, c, b, a],
        }
    }

    /// Two registers out of four bytes. Each order is its own inverse.
    const fn words(self, [a, b, c, d]: [u8; 4]) -> [u16; 2] {
        let [a, b, c, d] = self.bytes(u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        [u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])]
    }

    /// The two bytes of a number of one register: only the orders that swap within words swap them.
    const fn word(self, word: u16) -> u16 {
        match self {
            Self::Abcd | Self::Cdab => word,
            Self::Badc | Self::Dcba => word.swap_bytes(),
        }
    }
}

impl Register {
    /// Reads the value out of its registers.
    ///
    /// # Errors
    /// The probe's own mark for "no value", or a number that is not finite before or after scaling.
    pub fn decode(&self, words: &[u16]) -> Result<f64, ValueError> {
        let raw = match (self.number, words) {
            (Number::I16, [word]) => f64::from(self.order.word(*word).cast_signed()),
            (Number::U16, [word]) => f64::from(self.order.word(*word)),
            (Number::I32, [first, second]) => {
                f64::from(i32::from_be_bytes(self.order.bytes(*first, *second)))
            }
            (Number::U32, [first, second]) => {
                f64::from(u32::from_be_bytes(self.order.bytes(*first, *second)))
            }
            (Number::F32, [first, second]) => {
                f64::from(f32::from_be_bytes(self.order.bytes(*first, *second)))
            }
            _ => return Err(ValueError::NotRead { address: self.address }),
        };
        if self.no_value.contains(&raw) {
            return Err(ValueError::NoValue { raw });
        }
        let value = raw * self.scale + self.offset;
        if !value.is_finite() {
            return Err(ValueError::NotFinite { raw, words: words.to_vec() });
        }
        Ok(value)
    }

    /// The registers in which a probe of this kind would send the value, rounded to its resolution.
    ///
    /// # Errors
    /// The value is beyond what the coding can hold.
    pub fn encode(&self, value: f64) -> Result<Vec<u16>, ValueError> {
        let does_not_fit =
            ValueError::DoesNotFit { value, number: self.number, scale: self.scale, offset: self.offset };
        let raw = (value - self.offset) / self.scale;
        if !raw.is_finite() {
            return Err(does_not_fit);
        }
        let (lowest, highest) = match self.number {
            Number::I16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
            Number::U16 => (0.0, f64::from(u16::MAX)),
            Number::I32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
            Number::U32 => (0.0, f64::from(u32::MAX)),
            Number::F32 => (f64::from(f32::MIN), f64::from(f32::MAX)),
        };
        // Half away from zero, without the float functions that `core` does not have. A cast cuts
        // towards zero and saturates.
        let rounded = (raw + if raw < 0.0 { -0.5 } else { 0.5 }) as i64;
        let whole = rounded as f64;
        let in_range = |x: f64| (lowest..=highest).contains(&x);
        let pair = |bytes: [u8; 4]| self.order.words(bytes).to_vec();
        Ok(match self.number {
            Number::F32 if in_range(raw) => pair((raw as f32).to_be_bytes()),
            Number::I16 if in_range(whole) => vec![self.order.word((rounded as i16).cast_unsigned())],
            Number::U16 if in_range(whole) => vec![self.order.word(rounded as u16)],
            Number::I32 if in_range(whole) => pair((rounded as i32).to_be_bytes()),
            Number::U32 if in_range(whole) => pair((rounded as u32).to_be_bytes()),
            _ => return Err(does_not_fit),
        })
    }
}

/// One request and the registers that its answer serves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// Which table.
    pub table: Table,
    /// First register.
    pub address: u16,
    /// How many.
    pub count: u16,
    /// Positions in [`RegisterMap::registers`] of those read with it.
    pub serves: Vec<usize>,
}

impl Block {
    /// The request for a slave.
    pub const fn request(&self, unit: u8) -> ReadRequest {
        ReadRequest { unit, table: self.table, address: self.address, count: self.count }
    }

    /// The registers of one value within this block's answer.
    pub fn words<'a>(&self, register: &Register, answer: &'a [u16]) -> Option<&'a [u16]> {
        let start = usize::from(register.address.checked_sub(self.address)?);
        answer.get(start..start + usize::from(register.number.registers()))
    }
}

impl RegisterMap {
    /// The fewest requests that read all registers: neighbours are joined where at most
    /// [`Self::gap`] unused registers lie between them and no request asks for more than 125.
    ///
    /// # Errors
    /// A number reaches past register 65535.
    pub fn plan(&self) -> Result<Vec<Block>, MapError> {
        let mut order: Vec<usize> = (0..self.registers.len()).collect();
        order.sort_by_key(|&i| self.registers.get(i).map(|r| (r.table, r.address)));
        let mut blocks: Vec<Block> = Vec::new();
        for i in order {
            let Some(register) = self.registers.get(i) else { continue };
            let needed = register.number.registers();
            let Some(last) = register.address.checked_add(needed - 1) else {
                return Err(MapError::PastEnd {
                    channel: register.channel.clone(),
                    address: register.address,
                    needed,
                });
            };
            if let Some(block) = blocks.last_mut()
                && block.table == register.table
            {
                let end = u32::from(block.address) + u32::from(block.count);
                let grown = u32::from(last) + 1 - u32::from(block.address);
                if u32::from(register.address) <= end + u32::from(self.gap)
                    && grown <= u32::from(REGISTERS_MAX)
                {
                    block.count = block.count.max(grown as u16);
                    block.serves.push(i);
                    continue;
                }
            }
            blocks.push(Block {
                table: register.table,
                address: register.address,
                count: needed,
                serves: vec![i],
            });
        }
        Ok(blocks)
    }
}

#[cfg(test)]
mod tests {
    use alloc::format;
    use alloc::string::ToString;

    use proptest::prelude::*;

    use super::*;

    const ORDERS: [WordOrder; 4] = [WordOrder::Abcd, WordOrder::Cdab, WordOrder::Badc, WordOrder::Dcba];
    const NUMBERS: [Number; 5] = [Number::I16, Number::U16, Number::I32, Number::U32, Number::F32];

    fn register(table: Table, address: u16, number: Number, order: WordOrder) -> Register {
        Register {
            channel: "do_mg_l".to_string(),
            table,
            address,
            number,
            order,
            scale: 1.0,
            offset: 0.0,
            unit: "mg/L".to_string(),
            no_value: Vec::new(),
        }
    }

    fn decode(number: Number, order: WordOrder, words: &[u16]) -> f64 {
        register(Table::Input, 0, number, order).decode(words).unwrap()
    }

    #[test]
    fn numbers_are_read_in_every_order() {
        // 123456.0 as IEEE 754 single precision is 47 F1 20 00 (IEEE 754 by hand: 1.8837890625 × 2^16).
        assert_eq!(decode(Number::F32, WordOrder::Abcd, &[0x47F1, 0x2000]), 123_456.0);
        assert_eq!(decode(Number::F32, WordOrder::Cdab, &[0x2000, 0x47F1]), 123_456.0);
        assert_eq!(decode(Number::F32, WordOrder::Badc, &[0xF147, 0x0020]), 123_456.0);
        assert_eq!(decode(Number::F32, WordOrder::Dcba, &[0x0020, 0xF147]), 123_456.0);
        // −2 in two's complement.
        assert_eq!(decode(Number::I16, WordOrder::Abcd, &[0xFFFE]), -2.0);
        assert_eq!(decode(Number::I16, WordOrder::Badc, &[0xFEFF]), -2.0);
        assert_eq!(decode(Number::U16, WordOrder::Abcd, &[0xFFFE]), 65_534.0);
        assert_eq!(decode(Number::I32, WordOrder::Abcd, &[0xFFFF, 0xFFFE]), -2.0);
        assert_eq!(decode(Number::I32, WordOrder::Cdab, &[0xFFFE, 0xFFFF]), -2.0);
        assert_eq!(decode(Number::U32, WordOrder::Abcd, &[0x0001, 0x0002]), 65_538.0);
        assert_eq!(decode(Number::U32, WordOrder::Dcba, &[0x0200, 0x0100]), 65_538.0);
    }

    #[test]
    fn scale_and_offset_are_applied_and_marks_for_no_value_are_not_values() {
        let mut ph = register(Table::Holding, 0, Number::U16, WordOrder::Abcd);
        (ph.scale, ph.offset, ph.no_value) = (0.01, -1.0, [65_535.0].into());
        assert_eq!(ph.decode(&[886]), Ok(886.0 * 0.01 - 1.0));
        assert_eq!(ph.decode(&[65_535]), Err(ValueError::NoValue { raw: 65_535.0 }));
        assert_eq!(ph.decode(&[]), Err(ValueError::NotRead { address: 0 }));
    }

    #[test]
    fn nan_and_infinity_are_refused() {
        let float = register(Table::Input, 0, Number::F32, WordOrder::Abcd);
        for words in [[0x7FC0, 0], [0xFFC0, 1], [0x7F80, 0], [0xFF80, 0]] {
            let error = float.decode(&words).unwrap_err();
            assert!(matches!(error, ValueError::NotFinite { .. }), "{words:04x?}");
            assert!(format!("{error}").contains("not a finite number"));
        }
        let mut huge = float;
        huge.scale = f64::MAX;
        assert!(huge.decode(&[0x47F1, 0x2000]).is_err(), "scaling may not lead to infinity either");
    }

    #[test]
    fn values_beyond_the_coding_are_not_sent() {
        for (number, value) in
            [(Number::U16, -1.0), (Number::U16, 65_536.0), (Number::I16, 32_768.0), (Number::F32, 1e39)]
        {
            let error = register(Table::Input, 0, number, WordOrder::Abcd).encode(value);
            assert!(matches!(error, Err(ValueError::DoesNotFit { .. })), "{number:?} {value}");
        }
        assert!(register(Table::Input, 0, Number::U16, WordOrder::Abcd).encode(f64::NAN).is_err());
    }

    fn plan(registers: &[(Table, u16, Number)], gap: u16) -> Vec<(Table, u16, u16, usize)> {
        let registers = registers
            .iter()
            .map(|&(table, at, number)| register(table, at, number, WordOrder::Abcd))
            .collect();
        let map = RegisterMap { id: "x".into(), description: "y".into(), registers, gap };
        let blocks = map.plan().unwrap();
        blocks.iter().map(|block| (block.table, block.address, block.count, block.serves.len())).collect()
    }

    #[test]
    fn neighbours_are_read_together_and_gaps_only_when_allowed() {
        use Number::{F32, U16};
        use Table::{Holding, Input};
        let map = [(Input, 4, F32), (Input, 0, F32), (Input, 2, U16), (Holding, 3, U16), (Input, 100, U16)];
        assert_eq!(
            plan(&map, 0),
            [(Holding, 3, 1, 1), (Input, 0, 3, 2), (Input, 4, 2, 1), (Input, 100, 1, 1)]
        );
        assert_eq!(plan(&map, 1), [(Holding, 3, 1, 1), (Input, 0, 6, 3), (Input, 100, 1, 1)]);
        assert_eq!(plan(&[(Input, 0, U16), (Input, 125, U16)], 200), [(Input, 0, 1, 1), (Input, 125, 1, 1)]);
        assert_eq!(plan(&[(Input, 0, U16), (Input, 124, U16)], 200), [(Input, 0, 125, 2)]);
        assert_eq!(plan(&[(Input, 65_534, F32)], 0), [(Input, 65_534, 2, 1)]);
        assert_eq!(plan(&[(Input, 5, F32), (Input, 5, U16)], 0), [(Input, 5, 2, 2)], "one inside another");
    }

    #[test]
    fn a_number_past_the_last_register_is_an_error() {
        let past = register(Table::Input, 65_535, Number::F32, WordOrder::Abcd);
        let map = RegisterMap { id: "x".into(), description: "y".into(), registers: [past].into(), gap: 0 };
        assert_eq!(
            map.plan().unwrap_err().to_string(),
            "`do_mg_l` at register 65535 needs 2 registers, the last register is 65535"
        );
    }

    proptest! {
        #[test]
        fn any_words_give_a_finite_value_or_an_error(
            words in prop::collection::vec(any::<u16>(), 0..4),
            (number, order) in (0..5_usize, 0..4_usize),
            (scale, offset) in (any::<f64>(), any::<f64>()),
        ) {
            let mut register = register(Table::Input, 0, NUMBERS[number], ORDERS[order]);
            (register.scale, register.offset) = (scale, offset);
            if let Ok(value) = register.decode(&words) {
                prop_assert!(value.is_finite());
            }
        }

        #[test]
        fn what_a_simulated_probe_sends_is_read_back_to_its_resolution(
            value in -300.0..20.0_f64,
            (number, order) in (0..5_usize, 0..4_usize),
        ) {
            let mut register = register(Table::Input, 0, NUMBERS[number], ORDERS[order]);
            (register.scale, register.offset) = (0.01, -300.0);
            let words = register.encode(value).unwrap();
            prop_assert_eq!(words.len(), usize::from(register.number.registers()));
            let back = register.decode(&words).unwrap();
            prop_assert!((back - value).abs() <= 0.005 + 1e-4, "{} {}", back, value);
        }

        #[test]
        fn every_register_is_served_once_from_within_its_block(
            addresses in prop::collection::vec((any::<bool>(), any::<u16>(), 0..5_usize), 1..40),
            gap in 0..100_u16,
        ) {
            let registers: Vec<Register> = addresses
                .iter()
                .map(|&(input, address, number)| {
                    let table = if input { Table::Input } else { Table::Holding };
                    register(table, address.min(65_534), NUMBERS[number], WordOrder::Abcd)
                })
                .collect();
            let map = RegisterMap { id: "x".into(), description: "y".into(), registers, gap };
            let blocks = map.plan().unwrap();
            let mut served = alloc::vec![0; map.registers.len()];
            for block in &blocks {
                prop_assert!((1..=REGISTERS_MAX).contains(&block.count));
                prop_assert!(u32::from(block.address) + u32::from(block.count) <= 65_536);
                let answer = alloc::vec![0_u16; usize::from(block.count)];
                for &i in &block.serves {
                    served[i] += 1;
                    prop_assert_eq!(block.table, map.registers[i].table);
                    prop_assert!(block.words(&map.registers[i], &answer).is_some());
                }
            }
            prop_assert!(served.iter().all(|&times| times == 1));
        }
    }
}
