//! What a sensor says of its values, in our words: the quantity by its SHEF code, the unit by its usual spellings.
//!
//! Source of the codes: Standard Hydrometeorological Exchange Format (SHEF) Code Manual, NOAA National Weather Service,
//! Appendix G, physical elements. Only those are taken that name one of our quantities and nothing else: `HG`, the height
//! of a river's stage, has a zero of its own, and `TA` is the air.

use pondreeve_core::quantity::Quantity;
use pondreeve_protocol::reported::Reported;
use pondreeve_protocol::sdi12::Parameter;
use pondreeve_protocol::unit::{conversion, known};

const CODES: &[(&str, Quantity)] = &[
    ("WO", Quantity::DoMgL),
    ("TW", Quantity::TemperatureC),
    ("WP", Quantity::Ph),
    ("WS", Quantity::SalinityPsu),
    ("WC", Quantity::ConductivityMsCm),
    ("WT", Quantity::TurbidityNtu),
    ("PA", Quantity::PressureHpa),
];

/// Other spellings of units in sensors' answers, in lower case. `ppm` is left out, as everywhere.
const SPELLINGS: &[(&str, &str)] = &[
    ("c", "Cel"),
    ("dc", "Cel"),
    ("deg c", "Cel"),
    ("deg.c", "Cel"),
    ("degree c", "Cel"),
    ("degrees c", "Cel"),
    ("celsius", "Cel"),
    ("f", "degF"),
    ("df", "degF"),
    ("deg f", "degF"),
    ("degrees f", "degF"),
    ("dk", "K"),
    ("umho/cm", "uS/cm"),
    ("umhos/cm", "uS/cm"),
    ("ft", "[ft_i]"),
    ("feet", "[ft_i]"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("ph units", "pH"),
];

/// A profile may correct a sensor by so much, as a factor, before it is told that it takes another unit.
const CORRECTION: std::ops::RangeInclusive<f64> = 0.8..=1.25;

/// The same of an offset, as a share of the range that the quantity can have.
const CORRECTION_OFFSET: f64 = 0.1;

/// The unit in a spelling that a profile may have; `None` where it is not known, or there is none.
pub(super) fn unit(parameter: &Parameter) -> Option<&'static str> {
    let said = parameter.unit.as_str();
    let other = |wanted: &str| SPELLINGS.iter().find(|(own, _)| *own == wanted).map(|(_, unit)| *unit);
    (!said.is_empty()).then(|| known(said).or_else(|| other(&said.to_ascii_lowercase())))?
}

/// The quantity that a code names, unless the unit is none of it: not all vendors keep to SHEF.
pub(super) fn quantity(parameter: &Parameter) -> Option<Quantity> {
    let (_, quantity) = CODES.iter().find(|(code, _)| *code == parameter.code)?;
    let is_of_it = match unit(parameter) {
        Some(unit) => conversion(unit, quantity.unit()).is_some(),
        None => true,
    };
    is_of_it.then_some(*quantity)
}

/// Why a value of a profile is not what its sensor says of it.
pub(super) fn contradiction(parameter: &Parameter, position: u8, reported: &Reported) -> Option<String> {
    let wanted = Quantity::from_id(&reported.channel)?;
    let told = words(parameter);
    let against = || {
        Some(format!(
            "by the sensor's own word value {position} is {told}, not {} as the profile takes it",
            wanted.id()
        ))
    };
    if quantity(parameter).is_some_and(|said| said != wanted) {
        return against();
    }
    let Some(said) = conversion(unit(parameter)?, wanted.unit()) else { return against() };
    let (low, high) = wanted.conceivable();
    let offset = (reported.offset - said.offset).abs();
    let is_alike =
        CORRECTION.contains(&(reported.scale / said.scale)) && offset <= (high - low) * CORRECTION_OFFSET;
    if is_alike {
        return None;
    }
    Some(format!("by the sensor's own word value {position} is {told}: the profile takes another unit"))
}

/// What a sensor says of a value, on a line: `WO, mg/L, dissolved oxygen`.
pub(super) fn words(parameter: &Parameter) -> String {
    let unit = Some(&parameter.unit).filter(|unit| !unit.is_empty());
    let parts: Vec<&str> =
        [&parameter.code].into_iter().chain(unit).chain(&parameter.more).map(String::as_str).collect();
    parts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parameter(code: &str, unit: &str) -> Parameter {
        Parameter { code: code.into(), unit: unit.into(), more: Vec::new() }
    }

    #[test]
    fn codes_and_units_are_understood_as_sensors_write_them() {
        for (code, unit_said, wanted, spelling) in [
            ("WO", "mg/L", Some(Quantity::DoMgL), Some("mg/L")),
            ("WO", "MG/L", Some(Quantity::DoMgL), Some("mg/L")),
            ("WO", "ppm", Some(Quantity::DoMgL), None),
            ("TW", "degrees C", Some(Quantity::TemperatureC), Some("Cel")),
            ("TW", "DC", Some(Quantity::TemperatureC), Some("Cel")),
            ("WP", "", Some(Quantity::Ph), None),
            ("WP", "pH", Some(Quantity::Ph), Some("pH")),
            ("WC", "uS/cm", Some(Quantity::ConductivityMsCm), Some("uS/cm")),
            ("WC", "uMHOS/CM", Some(Quantity::ConductivityMsCm), Some("uS/cm")),
            ("PA", "KPA", Some(Quantity::PressureHpa), Some("kPa")),
            // Some take WT for water temperature.
            ("WT", "C", None, Some("Cel")),
            ("HG", "M", None, Some("m")),
            // A thousandth of a watt is not a million of them.
            ("XX", "mw", None, None),
            ("wo", "furlong", None, None),
        ] {
            let own = parameter(code, unit_said);
            assert_eq!((quantity(&own), unit(&own)), (wanted, spelling), "{code} {unit_said}");
        }
    }

    #[test]
    fn a_profile_that_takes_another_quantity_or_unit_is_contradicted() {
        let reported = |channel: &str, scale: f64, offset: f64| Reported {
            channel: channel.into(),
            scale,
            offset,
            unit: String::new(),
            no_value: Vec::new(),
            range: None,
        };
        for (own, code, unit, is_against) in [
            (reported("do_mg_l", 1.0, 0.0), "WO", "mg/L", false),
            (reported("do_mg_l", 1.0, 0.0), "WO", "ug/L", true),
            (reported("do_mg_l", 1.0, 0.0), "WX", "%", true),
            (reported("do_mg_l", 1.0, 0.0), "TW", "C", true),
            (reported("do_mg_l", 1.0, 0.0), "DO", "", false),
            // Corrected by what a calibration gave.
            (reported("do_mg_l", 1.04, -0.1), "WO", "mg/L", false),
            (reported("temperature_c", 1.0, 0.0), "TW", "degrees F", true),
            (reported("temperature_c", 1.0, -273.15), "TW", "K", false),
            (reported("temperature_c", 1.0, 0.0), "TW", "K", true),
            (reported("depth_m", 0.01, 0.0), "HG", "CM", false),
            (reported("depth_m", 0.01, 0.0), "HG", "M", true),
        ] {
            let found = contradiction(&parameter(code, unit), 1, &own);
            assert_eq!(found.is_some(), is_against, "{} {code} {unit}: {found:?}", own.channel);
        }
    }
}
