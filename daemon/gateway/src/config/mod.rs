//! From TOML text to a resolved [`Farm`]: parsed raw, then resolved once, with every problem reported
//! together. Past this module nothing is unchecked.

pub mod farm;
pub mod problem;
pub mod profile;
pub mod raw;
pub mod reader;
pub mod rules;

pub use farm::Farm;
pub use problem::{Problem, Report, Source};
