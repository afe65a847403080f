//! The heart: one input in, effects out.

use alloc::vec::Vec;

use crate::effect::Effect;
use crate::input::Input;
use crate::site::Site;
use crate::time::Timestamp;
use crate::view::FarmView;

/// Everything the core remembers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    site: Option<Site>,
}

impl State {
    /// A state that has seen nothing yet; the first input should be [`crate::Event::Started`].
    pub fn new() -> Self {
        Self::default()
    }

    /// The farm, once an input has brought it.
    pub fn site(&self) -> Option<&Site> {
        self.site.as_ref()
    }

    /// Takes one input. First fires every deadline that is due at `input.at`, in order, stamping the
    /// effects with the deadline; then handles the input. Total: no input makes it panic.
    pub fn step(&mut self, _input: &Input, _effects: &mut Vec<Effect>) {}

    /// When the state next wants to be woken, if ever. Waking early, late or twice changes nothing
    /// but when the effects are learnt of.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        None
    }

    /// Fires the deadlines due at `now` without any input. Never journalled.
    pub fn wake(&mut self, _now: Timestamp, _effects: &mut Vec<Effect>) {}

    /// What is known now.
    pub fn view(&self) -> FarmView {
        FarmView {
            at: Timestamp::default(),
            ponds: Vec::new(),
            alarms: Vec::new(),
            faults: Vec::new(),
            horn: false,
        }
    }
}
