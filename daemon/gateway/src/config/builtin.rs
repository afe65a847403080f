//! Files that travel inside the program, so that a gateway needs nothing but its own configuration.

macro_rules! files {
    ($folder:literal: $($name:literal),+ $(,)?) => {
        &[$( ($name, include_str!(concat!("../../../../config/", $folder, "/", $name, ".toml"))) ),+]
    };
}

/// Default limits per species and stage.
pub const LIMITS: &[(&str, &str)] =
    files!("limits": "monodon-grow-out", "monodon-post-larva", "vannamei-grow-out", "vannamei-post-larva");

/// Profiles of probes.
pub const PROFILES: &[(&str, &str)] = files!(
    "probes": "ammonium-electrode", "current-level", "energy-meter", "glass-ph", "level", "motor-1",
    "motor-2", "motor-3", "optical-oxygen", "salinity", "sdi12-level", "sdi12-oxygen", "text-oxygen",
    "text-weather", "turbidity", "weather-mast"
);

/// The commented example of a configuration.
pub const EXAMPLE: &str = include_str!("../../../../config/farm.example.toml");

fn find(files: &'static [(&'static str, &'static str)], name: &str) -> Option<&'static str> {
    files.iter().find(|(file, _)| *file == name).map(|(_, text)| *text)
}

fn names(files: &[(&str, &str)]) -> Vec<String> {
    files.iter().map(|(name, _)| (*name).to_owned()).collect()
}

/// Text of built-in limits, such as `vannamei-grow-out`.
pub fn limits(name: &str) -> Option<&'static str> {
    find(LIMITS, name)
}

/// Names of the built-in limits.
pub fn limits_names() -> Vec<String> {
    names(LIMITS)
}

/// Text of a built-in profile.
pub fn profile(name: &str) -> Option<&'static str> {
    find(PROFILES, name)
}

/// Names of the built-in profiles.
pub fn profile_names() -> Vec<String> {
    names(PROFILES)
}
