//! Units as probes, packs and people write them, and how to turn one into another.
//!
//! Names follow the SenML registry (RFC 8428 section 12.1 and RFC 8798) where it has one, UCUM and the
//! trade's own spelling besides: `Cel` and `°C`, `kg/m3` and `mg/L`. What is not listed is not guessed.

use alloc::string::String;

/// `to = from × scale + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conversion {
    /// Factor.
    pub scale: f64,
    /// Added after the factor.
    pub offset: f64,
}

impl Conversion {
    /// Turns a value.
    pub fn apply(&self, value: f64) -> f64 {
        value * self.scale + self.offset
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Number,
    Share,
    MassPerVolume,
    Temperature,
    Salinity,
    Conductivity,
    Pressure,
    Length,
    Turbidity,
    Voltage,
    PhotonFlux,
    Power,
}

/// Spelling, kind, and `base = value × scale + offset` in a base unit of its kind.
///
/// `ppm` is left out on purpose: by mass and by volume differ by the density of salt water. So is `g/kg`:
/// absolute salinity is 0.5 % above practical salinity.
const UNITS: &[(&str, Kind, f64, f64)] = &[
    ("", Kind::Number, 1.0, 0.0),
    ("1", Kind::Number, 1.0, 0.0),
    ("/", Kind::Number, 1.0, 0.0),
    ("pH", Kind::Number, 1.0, 0.0),
    ("[pH]", Kind::Number, 1.0, 0.0),
    ("%", Kind::Share, 1.0, 0.0),
    ("/", Kind::Share, 100.0, 0.0),
    ("mg/L", Kind::MassPerVolume, 1.0, 0.0),
    ("mg/l", Kind::MassPerVolume, 1.0, 0.0),
    ("g/m3", Kind::MassPerVolume, 1.0, 0.0),
    ("g/L", Kind::MassPerVolume, 1_000.0, 0.0),
    ("g/l", Kind::MassPerVolume, 1_000.0, 0.0),
    ("kg/m3", Kind::MassPerVolume, 1_000.0, 0.0),
    ("ug/L", Kind::MassPerVolume, 0.001, 0.0),
    ("ug/l", Kind::MassPerVolume, 0.001, 0.0),
    ("mg/m3", Kind::MassPerVolume, 0.001, 0.0),
    ("mg/dL", Kind::MassPerVolume, 10.0, 0.0),
    ("kg/L", Kind::MassPerVolume, 1_000_000.0, 0.0),
    ("Cel", Kind::Temperature, 1.0, 0.0),
    ("°C", Kind::Temperature, 1.0, 0.0),
    ("degC", Kind::Temperature, 1.0, 0.0),
    ("K", Kind::Temperature, 1.0, -273.15),
    ("[degF]", Kind::Temperature, 5.0 / 9.0, -160.0 / 9.0),
    ("°F", Kind::Temperature, 5.0 / 9.0, -160.0 / 9.0),
    ("degF", Kind::Temperature, 5.0 / 9.0, -160.0 / 9.0),
    ("PSU", Kind::Salinity, 1.0, 0.0),
    ("psu", Kind::Salinity, 1.0, 0.0),
    ("ppt", Kind::Salinity, 1.0, 0.0),
    ("mS/cm", Kind::Conductivity, 1.0, 0.0),
    ("uS/cm", Kind::Conductivity, 0.001, 0.0),
    ("S/m", Kind::Conductivity, 10.0, 0.0),
    ("mS/m", Kind::Conductivity, 0.01, 0.0),
    ("uS/m", Kind::Conductivity, 0.00001, 0.0),
    ("S/cm", Kind::Conductivity, 1_000.0, 0.0),
    ("dS/m", Kind::Conductivity, 1.0, 0.0),
    ("hPa", Kind::Pressure, 1.0, 0.0),
    ("mbar", Kind::Pressure, 1.0, 0.0),
    ("Pa", Kind::Pressure, 0.01, 0.0),
    ("kPa", Kind::Pressure, 10.0, 0.0),
    ("bar", Kind::Pressure, 1_000.0, 0.0),
    ("atm", Kind::Pressure, 1_013.25, 0.0),
    ("mm[Hg]", Kind::Pressure, 1.333_22, 0.0),
    ("m[Hg]", Kind::Pressure, 1_333.22, 0.0),
    ("m", Kind::Length, 1.0, 0.0),
    ("cm", Kind::Length, 0.01, 0.0),
    ("mm", Kind::Length, 0.001, 0.0),
    ("dm", Kind::Length, 0.1, 0.0),
    ("[in_i]", Kind::Length, 0.025_4, 0.0),
    ("[ft_i]", Kind::Length, 0.304_8, 0.0),
    ("NTU", Kind::Turbidity, 1.0, 0.0),
    ("FNU", Kind::Turbidity, 1.0, 0.0),
    ("[NTU]", Kind::Turbidity, 1.0, 0.0),
    ("[FNU]", Kind::Turbidity, 1.0, 0.0),
    ("mV", Kind::Voltage, 1.0, 0.0),
    ("V", Kind::Voltage, 1_000.0, 0.0),
    ("uV", Kind::Voltage, 0.001, 0.0),
    ("umol/m2/s", Kind::PhotonFlux, 1.0, 0.0),
    ("umol/(m2.s)", Kind::PhotonFlux, 1.0, 0.0),
    ("umol.m-2.s-1", Kind::PhotonFlux, 1.0, 0.0),
    ("mol/m2/s", Kind::PhotonFlux, 1_000_000.0, 0.0),
    ("mol/(m2.s)", Kind::PhotonFlux, 1_000_000.0, 0.0),
    ("mol.m-2.s-1", Kind::PhotonFlux, 1_000_000.0, 0.0),
    ("kW", Kind::Power, 1.0, 0.0),
    ("W", Kind::Power, 0.001, 0.0),
    ("MW", Kind::Power, 1_000.0, 0.0),
    ("[HP]", Kind::Power, 0.745_699_871_582_270_2, 0.0),
];

/// How to turn a value in `from` into `to`; `None` where they do not measure the same thing or one of
/// them is not known. Both signs for micro and a plain `u` are the same.
pub fn conversion(from: &str, to: &str) -> Option<Conversion> {
    let (from, to) = (plain(from), plain(to));
    if from == to && UNITS.iter().any(|(name, ..)| *name == from) {
        return Some(Conversion { scale: 1.0, offset: 0.0 });
    }
    for (name, kind, scale, offset) in UNITS {
        if *name != from {
            continue;
        }
        for (to_name, to_kind, to_scale, to_offset) in UNITS {
            if *to_name == to && to_kind == kind {
                // base = from × scale + offset, to = (base − to_offset) / to_scale
                let scale = scale / to_scale;
                let offset = (offset - to_offset) / to_scale;
                return Some(Conversion { scale, offset });
            }
        }
    }
    None
}

/// The spelling of a unit that is known here, also of one that is written in capitals or small letters alone, as devices
/// do: `MG/L`, `ntu`. None that would make a million of a thousandth.
pub fn known(text: &str) -> Option<&'static str> {
    let text = plain(text);
    let names = || UNITS.iter().map(|(name, ..)| *name);
    let one_case = |own: fn(&char) -> bool| !text.chars().any(|letter| own(&letter));
    let is_one_case = one_case(char::is_ascii_lowercase) || one_case(char::is_ascii_uppercase);
    names().find(|name| *name == text).or_else(|| {
        let alike = |name: &&str| {
            name.eq_ignore_ascii_case(&text) && !(name.starts_with('M') && text.starts_with('m'))
        };
        names().find(alike).filter(|_| is_one_case)
    })
}

/// Spellings that can be turned into a unit, for messages; empty where the unit is not known.
pub fn spellings(to: &str) -> String {
    let to = plain(to);
    let kinds = || UNITS.iter().filter(|(name, ..)| *name == to).map(|(_, kind, ..)| kind);
    let mut list = String::new();
    for (name, kind, ..) in UNITS {
        if kinds().any(|wanted| wanted == kind) {
            if !list.is_empty() {
                list.push_str(", ");
            }
            list.push('`');
            list.push_str(name);
            list.push('`');
        }
    }
    list
}

fn plain(unit: &str) -> String {
    unit.trim().chars().map(|c| if matches!(c, '\u{b5}' | '\u{3bc}') { 'u' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::{conversion, known, spellings};

    #[track_caller]
    fn check(from: &str, to: &str, value: f64, expected: f64) {
        let found = conversion(from, to).expect("known units").apply(value);
        assert!((found - expected).abs() < 1e-9, "{value} {from} gave {found} {to}, expected {expected}");
    }

    #[test]
    fn units_of_one_kind_turn_into_each_other() {
        // By definition of the units.
        check("K", "°C", 303.15, 30.0);
        check("Cel", "°C", 29.5, 29.5);
        check("°F", "°C", 86.0, 30.0);
        check("[degF]", "°C", 86.0, 30.0);
        check("[degF]", "°C", 32.0, 0.0);
        check("kg/m3", "mg/L", 0.0065, 6.5);
        check("mg/m3", "mg/L", 250.0, 0.25);
        check("mg/dL", "mg/L", 0.65, 6.5);
        check("[pH]", "", 8.1, 8.1);
        check("uS/m", "mS/cm", 3_100_000.0, 31.0);
        check("dS/m", "mS/cm", 31.0, 31.0);
        check("S/cm", "mS/cm", 0.031, 31.0);
        check("atm", "hPa", 1.0, 1_013.25);
        // UCUM defines m[Hg] as 133.3220 kPa.
        check("mm[Hg]", "hPa", 760.0, 1_013.247_2);
        check("m[Hg]", "hPa", 0.76, 1_013.247_2);
        check("[ft_i]", "m", 5.0, 1.524);
        check("[in_i]", "cm", 10.0, 25.4);
        check("mol/(m2.s)", "µmol/m2/s", 0.0018, 1_800.0);
        check("MW", "kW", 0.001, 1.0);
        // 550 foot-pounds of force a second.
        check("[HP]", "kW", 2.0, 1.491_399_743_164_540_4);
        check("S/m", "mS/cm", 3.1, 31.0);
        check("\u{b5}S/cm", "mS/cm", 31_000.0, 31.0);
        check("\u{3bc}S/cm", "mS/cm", 31_000.0, 31.0);
        check("Pa", "hPa", 101_325.0, 1_013.25);
        check("V", "mV", 0.2, 200.0);
        check("m", "cm", 0.35, 35.0);
        check("/", "%", 0.97, 97.0);
        check("W", "kW", 1_500.0, 1.5);
        check("umol/m2/s", "µmol/m2/s", 1_800.0, 1_800.0);
    }

    #[test]
    fn units_of_different_kinds_do_not() {
        for (from, to) in [("Cel", "mg/L"), ("%", "mg/L"), ("ppm", "mg/L"), ("%", ""), ("furlong", "m")] {
            assert_eq!(conversion(from, to), None, "{from} → {to}");
        }
        assert_eq!(conversion("furlong", "furlong"), None, "an unknown unit is not its own spelling");
    }

    #[test]
    fn capitals_alone_are_understood_where_they_mean_one_thing() {
        for (text, name) in [("MG/L", "mg/L"), ("ntu", "NTU"), ("MV", "mV"), ("MW", "MW"), (" KPA ", "kPa")] {
            assert_eq!(known(text), Some(name), "{text}");
        }
        for text in ["mw", "Mg/l", "ppm", "furlong"] {
            assert_eq!(known(text), None, "{text}");
        }
    }

    #[test]
    fn messages_list_what_is_accepted() {
        assert_eq!(spellings("°C"), "`Cel`, `°C`, `degC`, `K`, `[degF]`, `°F`, `degF`");
        assert_eq!(spellings("furlong"), "");
    }
}
