//! What makes alarms heard and seen, and who is called, resolved.
//!
//! An output is the horn's or the lamp's and nothing else: there is no type here for an aerator's, and none may
//! be added. See "Nothing here switches an aerator" in DEVELOPERS.md.

use std::path::PathBuf;
use std::time::Duration;

/// Everything about annunciation.
#[derive(Debug, Clone, Default)]
pub struct Annunciation {
    /// The horn.
    pub horn: Option<Output>,
    /// The lamp.
    pub lamp: Option<Output>,
    /// When and how long the horn is tested each day.
    pub horn_test: Option<HornTestPlan>,
    /// Per step of [`pondreeve_core::call::CallPlan`]: what is run.
    pub call_commands: Vec<Option<Command>>,
}

/// The daily test of the horn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HornTestPlan {
    /// Farm time.
    pub at: jiff::civil::Time,
    /// For so long.
    pub sound: Duration,
}

/// One output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Output {
    /// What is painted on it.
    pub label: String,
    /// What drives it.
    pub by: DrivenBy,
}

/// What drives an output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DrivenBy {
    /// A coil of a Modbus relay.
    Relay(Relay),
    /// A GPIO line.
    Gpio(Gpio),
    /// A program.
    Command(Command),
}

/// A coil of a Modbus relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relay {
    /// Position of the bus in [`super::Farm::buses`].
    pub bus: usize,
    /// The bus's id, for messages.
    pub bus_id: String,
    /// Modbus address.
    pub unit: u8,
    /// The coil, counted from 0.
    pub coil: u16,
    /// The coil is off while the output is on.
    pub inverted: bool,
    /// How long to wait for the echo.
    pub timeout: Duration,
    /// Further attempts at once.
    pub retries: u8,
}

/// A GPIO line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gpio {
    /// The chip.
    pub chip: PathBuf,
    /// The line.
    pub line: u32,
    /// A low level is on.
    pub active_low: bool,
}

/// A program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Command {
    /// Which.
    pub program: PathBuf,
    /// Its arguments.
    pub arguments: Vec<String>,
    /// It is ended after so long.
    pub timeout: Duration,
}

/// Beginnings of words that name what aerates a pond.
const AERATOR_WORDS: [&str; 7] = ["aerat", "paddle", "wheel", "aspirat", "blower", "diffus", "oxygenat"];

/// Whether a text names what aerates a pond, as far as words can tell.
pub fn names_aerator(text: &str) -> bool {
    let lower = text.to_lowercase();
    let mut words = lower.split(|c: char| !c.is_alphanumeric());
    words.any(|word| AERATOR_WORDS.iter().any(|start| word.starts_with(start)))
}
