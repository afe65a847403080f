//! From TOML text to a resolved [`Farm`]: parsed raw, then resolved once, with every problem reported
//! together. Past this module nothing is unchecked.

pub mod farm;

pub use farm::Farm;
