//! Files that travel inside the program, so that a gateway needs nothing but its own configuration.

use std::sync::LazyLock;

use super::packed::{Packed, packed};

static LIMITS_PACKED: Packed = packed!("limits");
static PROFILES_PACKED: Packed = packed!("probes");

/// Names and texts of small files.
pub type Files = LazyLock<Vec<(&'static str, &'static str)>>;

/// Default limits per species and stage.
pub static LIMITS: Files = LazyLock::new(|| LIMITS_PACKED.files());

/// Profiles of probes.
pub static PROFILES: Files = LazyLock::new(|| PROFILES_PACKED.files());

/// The commented example of a configuration.
pub static EXAMPLE: Packed = packed!("example");

/// The JSON Schema of the configuration.
pub static SCHEMA: Packed = packed!("schema");

fn find(files: &[(&'static str, &'static str)], name: &str) -> Option<&'static str> {
    files.iter().find(|(file, _)| *file == name).map(|(_, text)| *text)
}

fn names(files: &[(&str, &str)]) -> Vec<String> {
    files.iter().map(|(name, _)| (*name).to_owned()).collect()
}

/// Text of built-in limits, such as `vannamei-grow-out`.
pub fn limits(name: &str) -> Option<&'static str> {
    find(&LIMITS, name)
}

/// Names of the built-in limits.
pub fn limits_names() -> Vec<String> {
    names(&LIMITS)
}

/// Text of a built-in profile.
pub fn profile(name: &str) -> Option<&'static str> {
    find(&PROFILES, name)
}

/// Names of the built-in profiles.
pub fn profile_names() -> Vec<String> {
    names(&PROFILES)
}
