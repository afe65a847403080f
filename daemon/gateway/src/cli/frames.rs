//! `pondreeve frames`: what a profile makes of a captured line.

use std::path::PathBuf;

use crate::config::profile::{self, Profile};
use crate::config::{builtin, files};
use crate::exit_code::{FAILED, Failure, Outcome};
use crate::frames::{self, Read};

const AFTER: &str = "\
A bus or line of the configuration writes a capture where it has `capture`. Each
line of it is a time, `>` for what was sent or `<` for what came, and bytes in
hexadecimal; one written by hand works as well.

Exit status: 0 if something could be read, 1 if nothing could.

Examples:
  pondreeve frames captures/north-line.txt --profile optical-oxygen --address 11
  pondreeve frames line.txt --profile my-probe.toml --json";

/// Arguments of `frames`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The capture
    #[arg(value_name = "FILE")]
    pub capture: PathBuf,
    /// The profile to try: the name of a built-in one, or a file
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: String,
    /// Only the device at this address: 1 to 247, or one character of SDI-12
    #[arg(long)]
    pub address: Option<String>,
    /// Print one JSON object a line instead
    #[arg(long)]
    pub json: bool,
}

/// Reads a capture with a profile.
///
/// # Errors
/// A file cannot be read, or profile and capture are of different kinds.
pub fn run(arguments: &Arguments) -> Outcome {
    let profile = profile_of(&arguments.profile)?;
    let address = arguments.address.as_deref().map(|text| address_of(text, &profile)).transpose()?;
    let text = std::fs::read_to_string(&arguments.capture).map_err(|error| {
        Failure::usage(format!("reading {} failed: {error}", arguments.capture.display()))
    })?;
    let place = |why: String| Failure::usage(format!("{}: {why}", arguments.capture.display()));
    let captured = frames::parse(&text).map_err(place)?;
    let reads = frames::read(&captured, &profile, address).map_err(place)?;
    let good =
        reads.iter().filter(|own| matches!(&own.outcome, Ok((values, _)) if !values.is_empty())).count();
    let mut out = String::new();
    for own in &reads {
        if arguments.json {
            out += &super::json_line(&json(own))?;
        } else {
            out += &plain(own);
        }
    }
    if !arguments.json {
        let exchanges = captured.exchanges.len();
        out += &format!("{exchanges} exchanges, {} of this profile, {good} read\n", reads.len());
        return super::print_plain(&out).map(|done| if good > 0 { done } else { FAILED });
    }
    super::print(&out).map(|done| if good > 0 { done } else { FAILED })
}

fn profile_of(name: &str) -> Result<Profile, Failure> {
    let text = match builtin::profile(name) {
        Some(text) => text.to_owned(),
        None if std::path::Path::new(name).is_file() => {
            files::read(name.as_ref()).map_err(|problem| Failure::usage(problem.to_string()))?
        }
        None => {
            let known = builtin::profile_names().join(", ");
            return Err(Failure::usage(format!(
                "{name:?} is neither a file nor a known profile: known are {known}"
            )));
        }
    };
    profile::parse_any(&text, name).map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(|p| format!("{}: {p}", p.place())).collect();
        Failure::usage(problems.join("\n"))
    })
}

fn address_of(text: &str, profile: &Profile) -> Result<u8, Failure> {
    let (found, accepted) = match (profile, text.as_bytes()) {
        (Profile::Sensor(_), [address]) => {
            (Some(*address).filter(u8::is_ascii_alphanumeric), "one character of 0-9, a-z, A-Z")
        }
        (Profile::Sensor(_), _) => (None, "one character of 0-9, a-z, A-Z"),
        (Profile::Registers(_), _) => (text.parse().ok().filter(|own| (1..=247).contains(own)), "1 to 247"),
        (Profile::Text(_), _) => (None, "none: lines of text have no address"),
    };
    found.ok_or_else(|| Failure::usage(format!("the address {text:?}: accepted is {accepted}")))
}

fn plain(read: &Read) -> String {
    match &read.outcome {
        Ok((values, problems)) => {
            let values = values.iter().map(|(name, value)| format!("{name}={}", short(*value)));
            let all: Vec<String> = values.chain(problems.iter().cloned()).collect();
            format!("{}  {}\n  {}\n", read.at, read.asked, all.join("  "))
        }
        Err(why) => format!("{}  {}\n  nothing: {why}\n", read.at, read.asked),
    }
}

/// Single precision over the line needs no more digits.
fn short(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn json(read: &Read) -> serde_json::Value {
    let (values, problems, why) = match &read.outcome {
        Ok((values, problems)) => (values.as_slice(), problems.as_slice(), None),
        Err(why) => (&[][..], &[][..], Some(why)),
    };
    let values: serde_json::Map<String, serde_json::Value> =
        values.iter().map(|(name, value)| (name.clone(), serde_json::json!(value))).collect();
    serde_json::json!({
        "kind": "exchange",
        "at": read.at,
        "asked": read.asked,
        "values": values,
        "problems": problems,
        "why": why,
    })
}
