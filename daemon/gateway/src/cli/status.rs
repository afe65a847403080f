//! `pondreeve status`: every pond in plain lines.

use crate::exit_code::{Failure, Outcome};
use crate::local::devices::DeviceStatus;
use crate::local::protocol::{Ask, Reply};
use crate::texts::{Words, say};

const AFTER: &str = "\
Alarms first, then each pond: values with unit, change per hour, quality and
age, tonight's forecast and the advice. Clock times are the farm's.
good: passed its tests. unchecked: not tested, such as a value entered by hand.
SUSPECT: compare with the hand meter. FAILED, MISSING: do not rely on it.

With --json: the whole farm as one JSON object in English, times in UTC;
`devices` has each probe as its line sees it.

With --probes, since the daemon started: polls, those that gave all that was
asked, requests without an answer, with a wrong checksum, answered by another
address, refused, otherwise garbled; half and 95 % of answers took no longer.

Examples:
  pondreeve status
  pondreeve status p1 p3
  pondreeve status --probes
  pondreeve status --language es
  watch -n 30 pondreeve status";

/// Arguments of `status`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Only these ponds; all if none is named
    #[arg(value_name = "POND")]
    pub ponds: Vec<String>,
    /// Show each probe instead: its polls, time-outs, wrong checksums and latency
    #[arg(long)]
    pub probes: bool,
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

/// Shows the farm as it is now.
///
/// # Errors
/// When no daemon answers, or a pond is not on the farm.
pub fn run(arguments: &Arguments) -> Outcome {
    let mut farm = arguments.daemon.status()?;
    for id in &arguments.ponds {
        super::known_pond(&farm, id, arguments.speech.words(&farm)?)?;
    }
    if !arguments.ponds.is_empty() {
        farm.ponds.retain(|pond| arguments.ponds.contains(&pond.id));
    }
    if arguments.json {
        // What its sentences are made of is for consoles.
        for pond in &mut farm.ponds {
            pond.forecast.iter_mut().for_each(|forecast| forecast.basis_said = None);
            pond.metabolism.iter_mut().for_each(|day| day.unknown_said = None);
        }
        let mut object = serde_json::to_value(&farm).map_err(|error| super::no_json(&error))?;
        if let Some(fields) = object.as_object_mut() {
            fields.insert("devices".to_owned(), serde_json::json!(devices(arguments)?));
        }
        super::print(&super::json_line(&object)?)
    } else if arguments.probes {
        let words = arguments.speech.words(&farm)?;
        super::print_plain(&table(&devices(arguments)?, words))
    } else {
        super::print_plain(&super::plain::status(&farm, arguments.speech.words(&farm)?))
    }
}

/// Every probe that is asked for, as its line sees it.
fn devices(arguments: &Arguments) -> Result<Vec<DeviceStatus>, Failure> {
    match arguments.daemon.ask(Ask::Devices)? {
        Reply::Devices { devices } if arguments.ponds.is_empty() => Ok(devices),
        Reply::Devices { devices } => Ok(devices
            .into_iter()
            .filter(|own| own.pond.as_ref().is_none_or(|pond| arguments.ponds.contains(pond)))
            .collect()),
        other => Err(arguments.daemon.unexpected(&other)),
    }
}

/// A line for each probe, at most 80 columns.
fn table(devices: &[DeviceStatus], words: Words) -> String {
    // The heads of the columns are one text, since they stand by their columns.
    let mut text = say!(words, "probes-head") + "\n";
    for own in devices {
        let ms = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.0}"));
        let last = own.last_good.as_deref().and_then(|at| at.get(11..19)).unwrap_or("-");
        let name: String = own.probe.chars().take(15).collect();
        text += &format!(
            "{name:<15} {:>6} {:>6} {:>4} {:>4} {:>4} {:>3} {:>5} {:>7} {:>6} {last}\n",
            own.polls,
            own.good_polls,
            own.time_outs,
            own.checksum_errors,
            own.wrong_addresses,
            own.exceptions,
            own.garbled,
            ms(own.latency_p50_ms),
            ms(own.latency_p95_ms),
        );
    }
    text + &say!(words, "probes-means") + "\n"
}

#[cfg(test)]
mod tests {
    use super::super::spanish_tests::{english_in, spanish};
    use super::*;
    use crate::texts::english;

    #[test]
    fn the_table_fits_a_terminal_of_80_columns() {
        let device = DeviceStatus {
            probe: "p1-oxygen-at-the-bottom".to_owned(),
            pond: None,
            link: "east".to_owned(),
            polls: 123_456,
            good_polls: 123_400,
            answers: 123_400,
            time_outs: 51,
            checksum_errors: 3,
            wrong_addresses: 1,
            exceptions: 0,
            garbled: 2,
            latency_p50_ms: Some(41.4),
            latency_p95_ms: None,
            last_good: Some("2026-11-28T02:10:11.5Z".to_owned()),
            readings: Vec::new(),
        };
        let shown = table(std::slice::from_ref(&device), spanish());
        assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
        assert_eq!(english_in(&shown), Vec::<String>::new(), "{shown}");
        let [own, other] = [english(), spanish()].map(|words| table(std::slice::from_ref(&device), words));
        // Every number of a line stands at the end of its column's head, in either language.
        for shown in [&own, &other] {
            let ends = |line: &str| -> Vec<usize> {
                let letters: Vec<char> = line.chars().take(69).collect();
                let pairs = letters.iter().enumerate().zip(letters.iter().skip(1).chain([&' ']));
                pairs
                    .filter(|((_, own), next)| **own != ' ' && **next == ' ')
                    .map(|((at, _), _)| at)
                    .collect()
            };
            let lines: Vec<&str> = shown.lines().collect();
            let heads = ends(lines[0]);
            for end in ends(lines[1]).into_iter().skip(1) {
                assert!(heads.contains(&end), "{end}: {shown}");
            }
        }
        let text = own;
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines[1],
            "p1-oxygen-at-th 123456 123400   51    3    1   0     2      41      - 02:10:11"
        );
        assert!(lines.iter().all(|line| line.len() <= 80), "{text}");
    }
}
