//! Which registers of a Modbus probe hold what.

use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

use crate::modbus::{REGISTERS_MAX, ReadRequest};
use crate::reported::{self, NoValue};

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
    /// Raw numbers outside are no measurement, such as the current of a broken loop.
    pub range: Option<(f64, f64)>,
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
    /// Outside the range that carries a measurement.
    #[error("{0}")]
    OutOfRange(NoValue),
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
        if raw.is_finite() {
            reported::check(raw, &[], self.range).map_err(ValueError::OutOfRange)?;
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
mod tests;
