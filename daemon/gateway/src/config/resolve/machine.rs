//! What is asked of the machine.

use super::super::raw::RawMachine;
use super::Resolver;
use crate::machine::Bounds;

impl Resolver<'_> {
    pub(super) fn machine(raw: Option<&RawMachine>) -> Bounds {
        let usual = Bounds::default();
        let Some(raw) = raw else { return usual };
        Bounds {
            temperature_high_c: raw
                .temperature_high_c
                .as_ref()
                .map_or(usual.temperature_high_c, |at| at.value),
            room_low_bytes: raw.room_low_megabytes.as_ref().map_or(usual.room_low_bytes, |at| {
                u64::try_from(at.value).unwrap_or(0).saturating_mul(1_000_000)
            }),
        }
    }
}
