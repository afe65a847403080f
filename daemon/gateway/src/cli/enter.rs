//! `pondreeve enter`: test-kit and hand-meter readings.

use std::fmt::Write as _;
use std::io::{BufRead as _, IsTerminal as _, Write as _};

use jiff::Timestamp;
use pondreeve_core::Quantity;
use serde::Serialize;

use super::plain::{self, paragraph};
use crate::console::text::{FarmClock, number, quality, signed};
use crate::console::words::quantity_name;
use crate::exit_code::{Failure, Outcome};
use crate::local::protocol::{Ask, CheckStatus, FarmStatus, Reply};
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

pub(super) mod ammonia;
pub(crate) mod basis;

use ammonia::Meaning;
use basis::Typed;

const AFTER: &str = "\
Either all values are entered or none. The value is a number in the unit that
the quantity's id names; who entered it is recorded by login.

TIME is when the water was sampled: a clock time of the farm within the last
24 hours, such as 06:30; a day and a time of the farm, such as
\"2026-03-01 06:30\"; or RFC 3339 with an offset, such as 2026-03-01T11:30:00Z.
Without it: now.

Mind what a kit counts: tan, nitrite and nitrate are kept as N, phosphate as P,
alkalinity and hardness as CaCO3. A kit that counts otherwise: say so after a
colon, and the value is converted: tan_mg_l N, NH3, NH4; nitrite_mg_l N, NO2;
nitrate_mg_l N, NO3; phosphate_mg_l P, PO4. Without one it counts as N (or P);
on a terminal you are asked. A kit that says NO3-N or NH3-N counts N.

Oxygen, pH, temperature and salinity are held against the pond's probes at once:
a check of the probe, never a calibration.

Examples:
  pondreeve enter --pond p1 tan_mg_l=0.9 nitrite_mg_l=1.2:NO2
  pondreeve enter --pond p3 do_mg_l=4.7 --at 05:40";

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
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
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
    conversions: Vec<Conversion<'a>>,
    checks: &'a [CheckStatus],
    /// What a test of total ammonia means.
    #[serde(skip_serializing_if = "Option::is_none")]
    nh3_n: Option<&'a Meaning>,
    warning: Option<&'a str>,
}

/// A value that a kit counts otherwise than it is kept.
#[derive(Debug, Serialize)]
struct Conversion<'a> {
    quantity: &'a str,
    typed: f64,
    typed_as: &'a str,
    stored: f64,
    stored_as: &'a str,
}

impl<'a> Conversion<'a> {
    fn of(typed: &'a Typed) -> Option<Self> {
        let (from, to) = (typed.basis?, basis::kept_as(typed.quantity)?);
        (from != to).then(|| Self {
            quantity: typed.quantity.id(),
            typed: typed.number,
            typed_as: from.name(),
            stored: typed.stored(),
            stored_as: to.name(),
        })
    }
}

/// Enters readings.
///
/// # Errors
/// When a quantity, value, pond or time is not accepted, no daemon answers, or the readings could not be
/// kept. Nothing is entered then.
pub fn run(arguments: &Arguments) -> Outcome {
    let words = arguments.speech.words_by(&arguments.daemon)?;
    let mut values = values(&arguments.values, words)?;
    let farm = arguments.daemon.status()?;
    super::known_pond(&farm, &arguments.pond, words)?;
    let at = arguments.at.as_deref().map(|text| time(text, &farm, words)).transpose()?;
    if !arguments.json && std::io::stdin().is_terminal() && std::io::stderr().is_terminal() {
        ask_bases(&mut values, |question| ask_on_terminal(question, words), words)?;
    }
    let ask = Ask::Enter {
        pond: arguments.pond.clone(),
        values: values.iter().map(|typed| (typed.quantity.id().to_owned(), typed.stored())).collect(),
        at: at.map(|at| at.to_string()),
    };
    let (warning, said, checks) = match arguments.daemon.ask(ask)? {
        Reply::Done { warning, warning_said, checks } => (warning, warning_said, checks),
        other => return Err(arguments.daemon.refused(&other, words)),
    };
    let meaning = meaning(arguments, &values)?;
    let at = at.map_or_else(|| farm.at.clone(), |at| at.to_string());
    if arguments.json {
        return super::print(&super::json_line(&Entered {
            pond: &arguments.pond,
            at,
            values: values.iter().map(|typed| (typed.quantity.id(), typed.stored())).collect(),
            conversions: values.iter().filter_map(Conversion::of).collect(),
            checks: &checks,
            nh3_n: meaning.as_ref(),
            warning: warning.as_deref(),
        })?);
    }
    let warning = warning.map(|warning| told_in(words, &warning, said.as_deref()));
    let clock = plain::clock(&farm).read_in(words);
    let mut out = told(&farm, &arguments.pond, (&at, clock), &values, &checks, warning.as_deref());
    if let Some(meaning) = &meaning {
        paragraph(&mut out, "", "", &meaning.words(clock));
    }
    super::print_plain(&out)
}

/// What an entered total of ammonia means, if one was entered.
fn meaning(arguments: &Arguments, values: &[Typed]) -> Result<Option<Meaning>, Failure> {
    let Some(tan) = values.iter().find(|typed| typed.quantity == Quantity::TanMgL) else { return Ok(None) };
    // Anew: a pH that was entered beside it counts.
    let farm = arguments.daemon.status()?;
    let hours = |quantity| ammonia::hours(&arguments.daemon, &arguments.pond, quantity, &farm.at);
    let (ph, warmth) = (hours(Quantity::Ph), hours(Quantity::TemperatureC));
    Ok(Some(Meaning::of(tan.stored(), &farm, &arguments.pond, &ph, &warmth)))
}

/// Asks, once for each value that needs it and does not say, what the kit counts.
fn ask_bases(
    values: &mut [Typed],
    mut ask: impl FnMut(&str) -> Result<String, Failure>,
    words: Words,
) -> Result<(), Failure> {
    for typed in values.iter_mut().filter(|typed| typed.basis.is_none()) {
        let accepted = basis::accepted(typed.quantity);
        if accepted.is_empty() {
            continue;
        }
        let question = say!(
            words,
            "entered-what-kit",
            id = typed.quantity.id(),
            typed = &typed.text,
            bases = basis::names_in(words, typed.quantity),
        );
        let answer = ask(&format!("{question} "))?;
        typed
            .say_basis(answer.trim(), words)
            .map_err(|fault| Failure::usage(format!("{} {fault}", say!(words, "entered-nothing"))))?;
    }
    Ok(())
}

fn ask_on_terminal(question: &str, words: Words) -> Result<String, Failure> {
    let failed =
        |error: std::io::Error| Failure::failed(say!(words, "entered-not-asked", error = error.to_string()));
    let mut out = std::io::stderr().lock();
    out.write_all(question.as_bytes()).and_then(|()| out.flush()).map_err(failed)?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer).map_err(failed)?;
    Ok(answer)
}

/// Checks what was typed as a whole; every fault is told.
pub(super) fn values(typed: &[String], words: Words) -> Result<Vec<Typed>, Failure> {
    let mut values: Vec<Typed> = Vec::with_capacity(typed.len());
    let mut faults = Vec::new();
    let mut unknown = false;
    for one in typed {
        let Some((id, text)) = one.split_once('=') else {
            faults.push(say!(words, "entered-no-pair", typed = one));
            continue;
        };
        let quantity = match Quantity::from_id(id.trim()) {
            Some(quantity) if quantity.is_derived() => {
                faults.push(say!(words, "entered-derived", id = id));
                continue;
            }
            Some(quantity) => quantity,
            None => {
                faults.push(say!(words, "entered-no-quantity", id = id));
                unknown = true;
                continue;
            }
        };
        if values.iter().any(|other| other.quantity == quantity) {
            faults.push(say!(words, "entered-twice", id = id));
            continue;
        }
        match Typed::read(quantity, text, words) {
            Ok(value) => values.push(value),
            Err(fault) => faults.push(fault),
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
        faults.push(say!(words, "entered-quantities", ids = ids.join(", ")));
    }
    Err(Failure::usage(format!("{}\n  {}", say!(words, "entered-nothing"), faults.join("\n  "))))
}

/// The time somebody means, as `record` reads it.
pub(super) fn time(text: &str, farm: &FarmStatus, words: Words) -> Result<Timestamp, Failure> {
    super::record::time::read("--at", text, farm, words).map_err(|failure| Failure {
        message: format!("{} {}", say!(words, "entered-nothing"), failure.message),
        ..failure
    })
}

/// What a person is told.
pub(super) fn told(
    farm: &FarmStatus,
    pond: &str,
    (at, clock): (&str, FarmClock),
    values: &[Typed],
    checks: &[CheckStatus],
    warning: Option<&str>,
) -> String {
    let words = clock.words();
    let name = farm.ponds.iter().find(|one| one.id == pond).map_or("", |pond| pond.name.as_str());
    let mut out = say!(words, "entered-head", pond = pond, name = name, at = clock.time_and_day(at));
    out.push('\n');
    for typed in values {
        let quantity = typed.quantity;
        let shown = number(typed.stored(), quantity.decimals());
        let line = format!(
            "  {:<18} {shown:>8} {:<9} {}",
            quantity_name(words, quantity.id()),
            quantity.unit(),
            quantity.id()
        );
        let _ = writeln!(out, "{}", line.trim_end());
        for check in checks.iter().filter(|check| check.quantity == quantity.id()) {
            paragraph(&mut out, "    ", "    ", &checked(quantity, check, clock));
        }
    }
    for typed in values {
        let Some(kept) = basis::kept_as(typed.quantity) else { continue };
        let told = match typed.basis {
            Some(from) if from != kept => say!(
                words,
                "entered-converted",
                typed = &typed.text,
                from = from.name(),
                stored = number(typed.stored(), typed.quantity.decimals()),
                to = kept.name(),
            ),
            Some(_) => continue,
            None => say!(
                words,
                "entered-taken-as",
                id = typed.quantity.id(),
                kept = kept.name(),
                typed = &typed.text,
                bases = basis::names_in(words, typed.quantity),
            ),
        };
        paragraph(&mut out, "", "", &told);
    }
    if let Some(warning) = warning {
        paragraph(&mut out, "", "", &say!(words, "mind", warning = warning));
    }
    out
}

/// A hand reading beside a probe's: the moment to find a fouled probe.
fn checked(quantity: Quantity, check: &CheckStatus, clock: FarmClock) -> String {
    let words = clock.words();
    let (Some(read), Some(at), Some(difference)) = (check.probe_value, &check.probe_at, check.difference)
    else {
        return say!(words, "entered-no-reading", probe = &check.probe);
    };
    let unit = if quantity.unit().is_empty() { String::new() } else { format!(" {}", quantity.unit()) };
    // The limits have one decimal: with two, what is beyond them also looks so.
    let decimals = quantity.decimals().max(2);
    let judged = match check.flag {
        Some(flag) if flag > 2 => format!(" ({})", quality(words, flag)),
        _ => String::new(),
    };
    let mut told = say!(
        words,
        "entered-compared",
        probe = &check.probe,
        read = number(read, decimals),
        unit = &unit,
        judged = judged,
        at = clock.time_and_day(at),
        difference = signed(difference, decimals),
    );
    if check.check_probe {
        let limit = check.limit.to_string();
        let _ = write!(told, " {}", say!(words, "entered-check-probe", limit = limit, unit = unit));
        if quantity == Quantity::DoMgL {
            let _ = write!(told, " {}", say!(words, "in-doubt"));
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;
    use crate::texts::english;

    fn typed(values_typed: &[&str]) -> Result<Vec<Typed>, String> {
        let owned: Vec<String> = values_typed.iter().map(|&one| one.to_owned()).collect();
        values(&owned, english()).map_err(|failure| failure.message)
    }

    #[test]
    fn values_are_read_in_the_unit_of_their_id() {
        let read = typed(&["tan_mg_l=0.9", "orp_mv=-120"]).unwrap();
        let read: Vec<_> = read.iter().map(|typed| (typed.quantity, typed.stored())).collect();
        assert_eq!(read, [(Quantity::TanMgL, 0.9), (Quantity::OrpMv, -120.0)]);
    }

    #[test]
    fn the_kit_is_asked_about_once_and_only_where_it_was_not_said() {
        let mut values = typed(&["do_mg_l=5", "tan_mg_l=2.0", "nitrite_mg_l=1.2:NO2"]).unwrap();
        let mut asked = Vec::new();
        let answered = ask_bases(
            &mut values,
            |question| {
                asked.push(question.to_owned());
                Ok("nh4\n".to_owned())
            },
            english(),
        );
        assert!(answered.is_ok());
        assert_eq!(asked, ["tan_mg_l 2.0: what does the kit count, N or NH3 or NH4? "]);
        // 14.007 g of N in 18.039 g of NH4: 2.0 x 0.77649.
        assert!((values[1].stored() - 1.5530).abs() < 2e-4, "{}", values[1].stored());

        let mut values = typed(&["phosphate_mg_l=0.4"]).unwrap();
        for wrong in ["", "yes", "NO3"] {
            let fault = ask_bases(&mut values, |_| Ok(wrong.to_owned()), english()).unwrap_err();
            assert_eq!(fault.status, crate::exit_code::USAGE);
            assert!(fault.message.contains("accepted is P or PO4"), "{}", fault.message);
        }
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
                "secchi_cm=NaN",
                "nitrate_mg_l=4:NO2",
                "salinity_psu=18:N",
                "nitrite_mg_l=4000:NO2"
            ])
            .unwrap_err()
        );
    }

    #[test]
    fn a_clock_time_is_the_last_one_on_the_farm() {
        // It is 02:14 on the farm, five hours behind UTC.
        let farm = sample::normal_night();
        let at = |text: &str| {
            time(text, &farm, english()).map(|at| at.to_string()).map_err(|failure| failure.message)
        };
        assert_eq!(at("02:10"), Ok("2026-11-25T07:10:00Z".to_owned()));
        assert_eq!(at("02:14"), Ok("2026-11-25T07:14:00Z".to_owned()));
        assert_eq!(at("18:30"), Ok("2026-11-24T23:30:00Z".to_owned()));
        assert_eq!(at("2026-11-25T01:00:00-05:00"), Ok("2026-11-25T06:00:00Z".to_owned()));
        // As `record` reads it: five hours behind UTC.
        assert_eq!(at("2026-11-20 06:30"), Ok("2026-11-20T11:30:00Z".to_owned()));
        assert_eq!(at("6:30"), Ok("2026-11-24T11:30:00Z".to_owned()));
        for wrong in ["2026-11-25T07:15:00Z", "24:10", "2:1", "half past two", "2026-11-25T02:00:00", "+2:10"]
        {
            let message = at(wrong).unwrap_err();
            assert!(message.starts_with(&format!("nothing was entered: --at {wrong} ")), "{message}");
            assert!(message.contains("accepted is a clock time of the farm"), "{message}");
        }
    }

    fn check(quantity: Quantity, hand: f64, probe: Option<f64>, check_probe: bool) -> CheckStatus {
        CheckStatus {
            quantity: quantity.id().to_owned(),
            probe: "p1-probe".to_owned(),
            hand,
            probe_value: probe,
            probe_at: probe.map(|_| "2026-11-25T07:13:40Z".to_owned()),
            flag: probe.map(|_| 3),
            difference: probe.map(|probe| hand - probe),
            limit: crate::local::check::limit(quantity).unwrap(),
            check_probe,
        }
    }

    #[test]
    fn what_was_entered_is_read_back_beside_the_probes() {
        let farm = sample::normal_night();
        let values =
            typed(&["tan_mg_l=2.0:NH4", "nitrite_mg_l=0.3", "do_mg_l=4.7", "ph=8.1", "salinity_psu=17"])
                .unwrap();
        let checks = [
            check(Quantity::DoMgL, 4.7, Some(6.12), true),
            check(Quantity::Ph, 8.1, Some(8.0), false),
            check(Quantity::SalinityPsu, 17.0, None, false),
        ];
        let at = ("2026-11-25T07:14:00Z", plain::clock(&farm));
        let told = told(&farm, "p1", at, &values, &checks, None);
        assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
        insta::assert_snapshot!(told);
    }
}
