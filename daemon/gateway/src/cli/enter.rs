//! `pondreeve enter`: test-kit and hand-meter readings.

use std::fmt::Write as _;

use jiff::{Timestamp, ToSpan as _};
use pondreeve_core::Quantity;
use serde::Serialize;

use super::plain::{self, paragraph};
use crate::console::text::number;
use crate::console::words::quantity_name;
use crate::exit_code::{Failure, Outcome};
use crate::local::protocol::{Ask, FarmStatus, Reply};

const AFTER: &str = "\
Either all values are entered or none. The value is a number in the unit that
the quantity's id names; who entered it is recorded by login.

TIME is when the water was sampled: a clock time of the farm within the last
24 hours, such as 06:30, or RFC 3339 with an offset, such as
2026-03-01T11:30:00Z. Without it: now.

Mind what a kit reads: tan, nitrite and nitrate are entered as N, phosphate as
P, alkalinity and hardness as CaCO3.

Examples:
  pondreeve enter --pond p1 tan_mg_l=0.9 nitrite_mg_l=0.35
  pondreeve enter --pond p3 do_mg_l=4.7 --at 05:40";

/// What a kit may read instead, and how to get from there: molar masses, rounded.
const KIT_NOTES: &[(Quantity, &str)] = &[
    (Quantity::TanMgL, "tan_mg_l is as N. A kit that reads NH4: divide by 1.29 first."),
    (Quantity::NitriteMgL, "nitrite_mg_l is as N. A kit that reads NO2: divide by 3.28 first."),
    (Quantity::NitrateMgL, "nitrate_mg_l is as N. A kit that reads NO3: divide by 4.43 first."),
    (Quantity::PhosphateMgL, "phosphate_mg_l is as P. A kit that reads PO4: divide by 3.07 first."),
];

/// A hand meter and a probe that differ by more than this should be looked at (common practice, no
/// source), mg/L.
const OXYGEN_DIFFERS_MG_L: f64 = 0.5;

/// Readings this close in time are of the same water: oxygen at night seldom moves 0.3 mg/L in it.
const SAME_TIME_S: u64 = 15 * 60;

/// Arguments of `enter`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The pond the water is from
    #[arg(long, value_name = "ID")]
    pub pond: String,
    /// What was measured
    #[arg(value_name = "QUANTITY=VALUE", required = true, allow_negative_numbers = true)]
    pub values: Vec<String>,
    /// When the water was sampled
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// What was entered.
#[derive(Debug, Serialize)]
struct Entered<'a> {
    pond: &'a str,
    at: String,
    values: std::collections::BTreeMap<&'a str, f64>,
    warning: Option<&'a str>,
}

/// Enters readings.
///
/// # Errors
/// When a quantity, value, pond or time is not accepted, no daemon answers, or the readings could not be
/// kept. Nothing is entered then.
pub fn run(arguments: &Arguments) -> Outcome {
    let values = values(&arguments.values)?;
    let farm = arguments.daemon.status()?;
    super::known_pond(&farm, &arguments.pond)?;
    let at = arguments.at.as_deref().map(|text| time(text, &farm)).transpose()?;
    let ask = Ask::Enter {
        pond: arguments.pond.clone(),
        values: values.iter().map(|(quantity, value)| (quantity.id().to_owned(), *value)).collect(),
        at: at.map(|at| at.to_string()),
    };
    let warning = match arguments.daemon.ask(ask)? {
        Reply::Done { warning } => warning,
        other => return Err(arguments.daemon.unexpected(&other)),
    };
    let at = at.map_or_else(|| farm.at.clone(), |at| at.to_string());
    if arguments.json {
        return super::print(&super::json_line(&Entered {
            pond: &arguments.pond,
            at,
            values: values.iter().map(|(quantity, value)| (quantity.id(), *value)).collect(),
            warning: warning.as_deref(),
        })?);
    }
    super::print_plain(&told(&farm, &arguments.pond, &at, &values, warning.as_deref()))
}

/// Checks what was typed as a whole; every fault is told.
fn values(typed: &[String]) -> Result<Vec<(Quantity, f64)>, Failure> {
    let mut values: Vec<(Quantity, f64)> = Vec::with_capacity(typed.len());
    let mut faults = Vec::new();
    let mut unknown = false;
    for one in typed {
        let Some((id, number)) = one.split_once('=') else {
            faults.push(format!("'{one}' is not QUANTITY=VALUE, such as tan_mg_l=0.9"));
            continue;
        };
        let quantity = match Quantity::from_id(id.trim()) {
            Some(quantity) if quantity.is_derived() => {
                faults.push(format!("'{id}' is derived by pondreeve and cannot be entered"));
                continue;
            }
            Some(quantity) => quantity,
            None => {
                faults.push(format!("'{id}' is not a quantity"));
                unknown = true;
                continue;
            }
        };
        if values.iter().any(|(other, _)| *other == quantity) {
            faults.push(format!("'{id}' stands twice; once is accepted"));
            continue;
        }
        let ((low, high), unit) = (quantity.conceivable(), quantity.unit());
        let unit = if unit.is_empty() { "without a unit".to_owned() } else { format!("in {unit}") };
        match number.trim().parse::<f64>() {
            Ok(value) if value >= low && value <= high => values.push((quantity, value)),
            Ok(value) => faults.push(format!("{id} is {value}; accepted is {low} to {high}, {unit}")),
            Err(_) => faults.push(format!(
                "{id} is '{number}'; accepted is a bare number from {low} to {high}, {unit}, with a point for decimals"
            )),
        }
    }
    if faults.is_empty() {
        return Ok(values);
    }
    if unknown {
        let ids: Vec<&str> = Quantity::ALL
            .iter()
            .filter(|quantity| !quantity.is_derived())
            .map(|quantity| quantity.id())
            .collect();
        faults.push(format!("accepted quantities are {}", ids.join(", ")));
    }
    Err(Failure::usage(format!("nothing was entered:\n  {}", faults.join("\n  "))))
}

/// The time somebody means: RFC 3339, or a clock time of the farm within the last 24 hours.
fn time(text: &str, farm: &FarmStatus) -> Result<Timestamp, Failure> {
    let refused = |reason: &str| {
        Failure::usage(format!(
            "nothing was entered: --at {text} {reason}; accepted is a clock time of the farm within the last \
             24 hours, such as 06:30, or RFC 3339 with an offset, such as 2026-03-01T11:30:00Z"
        ))
    };
    let clock = plain::clock(farm);
    let now =
        clock.now().ok_or_else(|| Failure::failed("the daemon did not say what time it is on the farm"))?;
    if let Ok(at) = text.parse::<Timestamp>() {
        return if at <= now {
            Ok(at)
        } else {
            Err(refused(&format!("lies ahead, it is {}", clock.date_and_time())))
        };
    }
    let digits = text.split_once(':').and_then(|(hour, minute)| {
        let well =
            |part: &str| (1..=2).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
        (well(hour) && minute.len() == 2 && well(minute)).then_some((hour, minute))
    });
    let (hour, minute) = digits.ok_or_else(|| refused("is not a time"))?;
    let time = hour
        .parse()
        .ok()
        .zip(minute.parse().ok())
        .and_then(|(hour, minute)| jiff::civil::Time::new(hour, minute, 0, 0).ok())
        .ok_or_else(|| refused("is not a time of day"))?;
    let today = clock.offset().to_datetime(now).date();
    let at = clock
        .offset()
        .to_timestamp(today.to_datetime(time))
        .map_err(|_| refused("cannot be placed on the calendar"))?;
    Ok(if at <= now { at } else { at - 24.hours() })
}

/// What a person is told.
fn told(
    farm: &FarmStatus,
    pond: &str,
    at: &str,
    values: &[(Quantity, f64)],
    warning: Option<&str>,
) -> String {
    let clock = plain::clock(farm);
    let name = farm.ponds.iter().find(|one| one.id == pond).map_or("", |pond| pond.name.as_str());
    let mut out = format!("Entered for {pond} {name}, sampled at {}:\n", clock.time_and_day(at));
    for (quantity, value) in values {
        let shown = number(*value, quantity.decimals());
        let line = format!(
            "  {:<18} {shown:>8} {:<9} {}",
            quantity_name(quantity.id()),
            quantity.unit(),
            quantity.id()
        );
        let _ = writeln!(out, "{}", line.trim_end());
    }
    if let Some(words) = differs(farm, pond, at, values) {
        paragraph(&mut out, "", "", &words);
    }
    for (quantity, note) in KIT_NOTES {
        if values.iter().any(|(entered, _)| entered == quantity) {
            paragraph(&mut out, "", "", note);
        }
    }
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &format!("Mind: {warning}"));
    }
    out
}

/// Whether a hand meter and the pond's last oxygen reading, taken at about the same time, tell different
/// stories: the moment to find a fouled probe.
fn differs(farm: &FarmStatus, pond: &str, at: &str, values: &[(Quantity, f64)]) -> Option<String> {
    let entered = values.iter().find(|(quantity, _)| *quantity == Quantity::DoMgL)?.1;
    let readings = &farm.ponds.iter().find(|one| one.id == pond)?.readings;
    let last = readings.iter().find(|reading| reading.quantity == Quantity::DoMgL.id())?;
    let (read, taken, sampled) =
        (last.value?, last.at.parse::<Timestamp>().ok()?, at.parse::<Timestamp>().ok()?);
    let apart_s = taken.as_second().abs_diff(sampled.as_second());
    if apart_s > SAME_TIME_S || (read - entered).abs() <= OXYGEN_DIFFERS_MG_L {
        return None;
    }
    Some(format!(
        "Mind: the last oxygen reading before yours was {} mg/L, {} away from it. Measure again beside the \
         probe; if it stays so, wipe the probe and compare once more. If in doubt, start aerators and look.",
        number(read, 2),
        number((read - entered).abs(), 2)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    fn typed(values_typed: &[&str]) -> Result<Vec<(Quantity, f64)>, String> {
        let owned: Vec<String> = values_typed.iter().map(|&one| one.to_owned()).collect();
        values(&owned).map_err(|failure| failure.message)
    }

    #[test]
    fn values_are_read_in_the_unit_of_their_id() {
        assert_eq!(
            typed(&["tan_mg_l=0.9", "orp_mv=-120"]),
            Ok(vec![(Quantity::TanMgL, 0.9), (Quantity::OrpMv, -120.0)])
        );
    }

    #[test]
    fn every_fault_is_told_with_what_is_accepted() {
        insta::assert_snapshot!(
            typed(&[
                "tan=0.9",
                "ph=82",
                "do_mg_l=4,7",
                "tan_mg_l",
                "nh3_n_mg_l=0.1",
                "orp_mv=1",
                "orp_mv=2",
                "secchi_cm=NaN"
            ])
            .unwrap_err()
        );
    }

    #[test]
    fn a_clock_time_is_the_last_one_on_the_farm() {
        // It is 02:14 on the farm, five hours behind UTC.
        let farm = sample::normal_night();
        let at = |text: &str| time(text, &farm).map(|at| at.to_string()).map_err(|failure| failure.message);
        assert_eq!(at("02:10"), Ok("2026-11-25T07:10:00Z".to_owned()));
        assert_eq!(at("02:14"), Ok("2026-11-25T07:14:00Z".to_owned()));
        assert_eq!(at("18:30"), Ok("2026-11-24T23:30:00Z".to_owned()));
        assert_eq!(at("2026-11-25T01:00:00-05:00"), Ok("2026-11-25T06:00:00Z".to_owned()));
        for wrong in ["2026-11-25T07:15:00Z", "24:10", "2:1", "half past two", "2026-11-25T02:00:00", "+2:10"]
        {
            let message = at(wrong).unwrap_err();
            assert!(message.starts_with(&format!("nothing was entered: --at {wrong} ")), "{message}");
            assert!(message.contains("accepted is a clock time of the farm"), "{message}");
        }
    }

    #[test]
    fn what_was_entered_is_read_back() {
        let farm = sample::normal_night();
        let values = [(Quantity::TanMgL, 0.9), (Quantity::DoMgL, 4.7)];
        insta::assert_snapshot!(told(&farm, "p1", "2026-11-24T23:30:00Z", &values, None));
    }

    #[test]
    fn a_hand_meter_that_disagrees_with_the_probe_is_said() {
        // The sample's first pond reads 6.12 mg/L at 02:13:40.
        let farm = sample::normal_night();
        let told = |value: f64, at: &str| differs(&farm, "p1", at, &[(Quantity::DoMgL, value)]);
        let words = told(4.7, "2026-11-25T07:14:00Z").unwrap();
        assert!(words.contains("was 6.12 mg/L, 1.42 away"), "{words}");
        assert_eq!(told(5.7, "2026-11-25T07:14:00Z"), None, "within 0.5 mg/L");
        assert_eq!(told(4.7, "2026-11-25T06:14:00Z"), None, "of another hour");
        assert_eq!(differs(&farm, "p1", "2026-11-25T07:14:00Z", &[(Quantity::Ph, 8.0)]), None);
    }
}
