//! Points in time and lengths of time, in whole milliseconds.

use core::ops::{Add, Sub};

/// A point in time: milliseconds since 1970-01-01T00:00:00Z, without leap seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Timestamp(pub i64);

/// A length of time in milliseconds; negative where the later point was subtracted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Span(pub i64);

impl Timestamp {
    /// The point as milliseconds since 1970-01-01T00:00:00Z.
    pub const fn as_millis(self) -> i64 {
        self.0
    }

    /// Length of time since `earlier`; negative if `earlier` is later. Saturates.
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Span {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// From whole milliseconds.
    pub const fn from_millis(ms: i64) -> Self {
        Self(ms)
    }

    /// From whole seconds. Saturates.
    pub const fn from_secs(s: i64) -> Self {
        Self(s.saturating_mul(1_000))
    }

    /// From whole minutes. Saturates.
    pub const fn from_minutes(min: i64) -> Self {
        Self::from_secs(min.saturating_mul(60))
    }

    /// From whole hours. Saturates.
    pub const fn from_hours(h: i64) -> Self {
        Self::from_minutes(h.saturating_mul(60))
    }

    /// In milliseconds.
    pub const fn as_millis(self) -> i64 {
        self.0
    }

    /// In hours, for rates per hour.
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
}

impl Add<Span> for Timestamp {
    type Output = Self;
    fn add(self, rhs: Span) -> Self {
        Self(self.0.saturating_add(rhs.0))
    }
}

impl Sub<Span> for Timestamp {
    type Output = Self;
    fn sub(self, rhs: Span) -> Self {
        Self(self.0.saturating_sub(rhs.0))
    }
}

impl Sub for Timestamp {
    type Output = Span;
    fn sub(self, rhs: Self) -> Span {
        self.since(rhs)
    }
}
