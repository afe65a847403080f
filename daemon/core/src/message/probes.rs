//! What is said of probes: faults, doubts, and quantities as a person says them.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::effect::{Flag, Test};
use crate::input::ProbeFault;
use crate::quality::HandCheck;
use crate::quantity::Quantity;
use crate::said::{Said, said};

/// What is wrong with a probe, by a test that doubts it.
pub fn doubted(quantity: Quantity, test: Test, flag: Flag) -> Said {
    let what = spoken(quantity);
    let todo = match test {
        Test::Syntax | Test::GrossRange => said!("probe-do-cable", "check its cable and wiring"),
        Test::FlatLine | Test::AttenuatedSignal => {
            said!("probe-do-clean", "clean it, then read again beside a hand meter")
        }
        Test::Step => said!(
            "probe-do-hang",
            "look whether it hangs as it should, free of bubbles; compare with a hand meter"
        ),
        Test::Spike | Test::Restless => said!(
            "probe-do-plug",
            "check its plug, cable and earth, and that it hangs clear of aerators and bubbles"
        ),
        Test::Recovery => {
            said!("probe-do-calibrate", "clean and calibrate it, then compare with a hand meter")
        }
        _ => said!("probe-do-compare", "compare with a hand meter"),
    };
    if test == Test::Syntax {
        return said!(
            "probe-impossible",
            "sends impossible values of {what}: {todo}",
            what = what,
            todo = todo
        );
    }
    let why = complaint(test);
    if flag == Flag::Fail {
        said!(
            "probe-reads-failed",
            "reads {what} that cannot be used ({why}): {todo}",
            what = what,
            why = why,
            todo = todo
        )
    } else {
        said!(
            "probe-reads-suspect",
            "reads {what} that is suspect ({why}): {todo}",
            what = what,
            why = why,
            todo = todo
        )
    }
}

/// What a test complains of.
fn complaint(test: Test) -> Said {
    let key = match test {
        Test::Gap => "test-gap",
        Test::Syntax => "test-syntax",
        Test::GrossRange => "test-gross-range",
        Test::Order => "test-order",
        Test::Climatology => "test-climatology",
        Test::Spike => "test-spike",
        Test::RateOfChange => "test-rate-of-change",
        Test::FlatLine => "test-flat-line",
        Test::AttenuatedSignal => "test-attenuated-signal",
        Test::MultiVariate => "test-multi-variate",
        Test::Neighbour => "test-neighbour",
        Test::Recovery => "test-recovery",
        Test::Step => "test-step",
        Test::Restless => "test-restless",
        Test::Service => "test-service",
    };
    Said::new(String::from(test.complaint()), key, Vec::new())
}

/// A quantity as a person says it, in any language: the keys are those of the console's names.
pub(crate) fn spoken(quantity: Quantity) -> Said {
    let key = match quantity {
        Quantity::DoMgL => "what-oxygen",
        Quantity::TemperatureC => "what-temperature",
        Quantity::Ph => "what-ph",
        Quantity::SalinityPsu => "what-salinity",
        Quantity::PressureHpa => "what-pressure",
        Quantity::DepthM => "what-depth",
        Quantity::AeratorOn | Quantity::AeratorKw => "what-aerators",
        other => return quantity_id(other),
    };
    Said::new(String::from(word(quantity)), key, Vec::new())
}

/// A quantity by its id, which other languages tell by the console's name for it.
pub(crate) fn quantity_id(quantity: Quantity) -> Said {
    quantity_said(quantity, quantity.id())
}

/// A quantity as English says it here; other languages tell it by the console's name for it.
pub fn quantity_said(quantity: Quantity, english: impl Into<String>) -> Said {
    let key = match quantity {
        Quantity::DoMgL => "quantity-do_mg_l",
        Quantity::TemperatureC => "quantity-temperature_c",
        Quantity::Ph => "quantity-ph",
        Quantity::SalinityPsu => "quantity-salinity_psu",
        Quantity::PressureHpa => "quantity-pressure_hpa",
        Quantity::DepthM => "quantity-depth_m",
        Quantity::AeratorOn => "quantity-aerator_on",
        Quantity::AeratorKw => "quantity-aerator_kw",
        Quantity::ConductivityMsCm => "quantity-conductivity_ms_cm",
        Quantity::TurbidityNtu => "quantity-turbidity_ntu",
        Quantity::OrpMv => "quantity-orp_mv",
        Quantity::ParUmolM2S => "quantity-par_umol_m2_s",
        Quantity::SludgePh => "quantity-sludge_ph",
        Quantity::SludgeOrpMv => "quantity-sludge_orp_mv",
        Quantity::TanMgL => "quantity-tan_mg_l",
        Quantity::NitriteMgL => "quantity-nitrite_mg_l",
        Quantity::NitrateMgL => "quantity-nitrate_mg_l",
        Quantity::PhosphateMgL => "quantity-phosphate_mg_l",
        Quantity::AlkalinityMgL => "quantity-alkalinity_mg_l",
        Quantity::HardnessMgL => "quantity-hardness_mg_l",
        Quantity::CalciumMgL => "quantity-calcium_mg_l",
        Quantity::MagnesiumMgL => "quantity-magnesium_mg_l",
        Quantity::IronMgL => "quantity-iron_mg_l",
        Quantity::SulfideMgL => "quantity-sulfide_mg_l",
        Quantity::SecchiCm => "quantity-secchi_cm",
        Quantity::DoSaturationMgL => "quantity-do_saturation_mg_l",
        Quantity::DoSaturationPercent => "quantity-do_saturation_percent",
        Quantity::Nh3NMgL => "quantity-nh3_n_mg_l",
        Quantity::H2sSMgL => "quantity-h2s_s_mg_l",
        Quantity::Co2MgL => "quantity-co2_mg_l",
        Quantity::PhSwing => "quantity-ph_swing",
        Quantity::NightSlopeMgLH => "quantity-night_slope_mg_l_h",
        Quantity::DawnDoMgL => "quantity-dawn_do_mg_l",
    };
    Said::new(english.into(), key, Vec::new())
}

/// What is wrong with a probe that a hand meter contradicts.
pub fn contradicted(quantity: Quantity, check: &HandCheck) -> Said {
    said!(
        "probe-contradicted",
        "read {what} {probe} where a hand meter read {hand}: clean and calibrate it, then compare again",
        what = spoken(quantity),
        probe = figure(quantity, check.probe),
        hand = figure(quantity, check.hand)
    )
}

/// A value with the decimals its quantity is read with.
fn figure(quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::Ph => format!("{value:.2}"),
        _ => format!("{value:.1}"),
    }
}

/// Message of a probe's fault.
pub fn probe_fault(place: &str, probe: &str, what: &Said) -> Said {
    said!(
        "said-probe-fault",
        "{place}: probe {probe} {what}. This is a fault of the probe, not known to be one of the water.",
        place = place,
        probe = probe,
        what = what
    )
}

/// Message of a probe with a setting that is wrong: `what` says what to do.
pub fn probe_misset(place: &str, probe: &str, what: &Said) -> Said {
    said!("said-probe-misset", "{place}: probe {probe} {what}.", place = place, probe = probe, what = what)
}

/// Message of a probe that is in doubt.
pub fn probe_doubt(place: &str, probe: &str, what: &Said) -> Said {
    said!(
        "said-probe-doubt",
        "{place}: probe {probe} {what}. Until that is done, act as if the water were as it reads.",
        place = place,
        probe = probe,
        what = what
    )
}

/// A quantity as a person says it, where the id is not plain enough.
pub fn word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::DoMgL => "oxygen",
        Quantity::TemperatureC => "temperature",
        Quantity::Ph => "pH",
        Quantity::SalinityPsu => "salinity",
        Quantity::PressureHpa => "air pressure",
        Quantity::DepthM => "water depth",
        Quantity::AeratorOn | Quantity::AeratorKw => "aerator state",
        other => other.id(),
    }
}

/// A fault as a person says it.
pub fn fault(fault: &ProbeFault) -> Said {
    match fault {
        ProbeFault::Silent => said!("fault-silent", "does not answer: check power, cable and address"),
        ProbeFault::Garbled => {
            said!("fault-garbled", "answers with garbled bytes: check wiring, terminator and baud rate")
        }
        ProbeFault::Exception(code) => said!(
            "fault-exception",
            "refuses the request (Modbus exception {code}): check its register map",
            code = format!("{code}")
        ),
        ProbeFault::Undecodable(detail) => {
            said!("fault-undecodable", "sends what cannot be read: {detail}", detail = detail)
        }
        ProbeFault::Unreachable => {
            said!("fault-unreachable", "cannot be reached: its bus or broker is not there")
        }
        ProbeFault::Lent => {
            said!("fault-lent", "is not read: its line is lent to a scan, and comes back by itself")
        }
    }
}
