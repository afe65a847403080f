//! Which registers of a Modbus probe hold what.

use alloc::string::String;
use alloc::vec::Vec;

/// The register map of one kind of probe.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterMap {
    /// Short id of the profile.
    pub id: String,
    /// What it describes, for people.
    pub description: String,
    /// The registers to read.
    pub registers: Vec<Register>,
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
