//! What can be asked of a channel's watch. Asking changes nothing.

use super::Watch;
use crate::effect::Flag;
use crate::time::Timestamp;

impl Watch {
    /// Range of what was read over the last day.
    pub fn day_range(&self, at: Timestamp) -> Option<f64> {
        self.seen.day_range(at)
    }

    /// The newest readings that were possible at all, oldest first.
    pub fn recent(&self) -> impl DoubleEndedIterator<Item = (Timestamp, f64)> + '_ {
        self.recent.iter().copied()
    }

    /// Since when it has not moved, where that has been found to be a flat line.
    pub fn flat_since(&self) -> Option<Timestamp> {
        self.run.filter(|run| run.told >= Flag::Suspect).map(|run| run.from)
    }

    /// The usual difference from another probe in the pond, and its robust standard deviation.
    pub fn usual_difference(&self) -> Option<(f64, f64)> {
        self.usual_difference
    }

    /// What is usual at this hour, and its robust standard deviation.
    pub fn usual_now(&self) -> Option<(f64, f64)> {
        self.usual
    }

    /// Since when the channel has failed as stuck, pinned or impossible.
    pub fn failed_since(&self) -> Option<Timestamp> {
        self.failed_since
    }

    /// Bytes held beside the value itself.
    pub fn size_bytes(&self) -> usize {
        self.recent.capacity() * size_of::<(Timestamp, f64)>()
            + self.seen.size_bytes()
            + self.sound.size_bytes()
            + self.differences.size_bytes()
            + self.restlessness.size_bytes()
    }
}
