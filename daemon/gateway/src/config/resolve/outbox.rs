//! How much may wait for the destinations.

use super::super::raw::RawOutbox;
use super::{Resolver, span};
use crate::outbox::Bounds;

impl Resolver<'_> {
    pub(super) fn outbox(raw: Option<&RawOutbox>) -> Bounds {
        let usual = Bounds::default();
        let Some(raw) = raw else { return usual };
        Bounds {
            most_bytes: raw.max_megabytes.as_ref().map_or(usual.most_bytes, |at| {
                usize::try_from(at.value).unwrap_or(0).saturating_mul(1_000_000)
            }),
            thin_after: raw.thin_after.as_ref().map_or(usual.thin_after, |at| span(at.value)),
        }
    }
}
