//! Numbers and lengths of time on the command line: what is refused is told what would have been accepted.

use std::str::FromStr;
use std::time::Duration;

use clap::{Arg, Command};

use super::spoken;
use crate::texts::say;

/// A number from one to another, both included.
pub(super) fn within(
    least: f64,
    most: f64,
    unit: &'static str,
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync {
    move |text| {
        let value = text.trim().parse::<f64>().ok().filter(|value| (least..=most).contains(value));
        value.ok_or_else(|| {
            let (least, most) = (least.to_string(), most.to_string());
            say!(spoken(), "usage-number", least = least, most = most, unit = spaced(unit))
        })
    }
}

/// A number above nothing and up to another.
pub(super) fn above_0(
    most: f64,
    unit: &'static str,
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync {
    move |text| {
        let value = text.trim().parse::<f64>().ok().filter(|value| *value > 0.0 && *value <= most);
        value.ok_or_else(|| {
            say!(spoken(), "usage-above-nothing", most = most.to_string(), unit = spaced(unit))
        })
    }
}

/// A whole number from one to another, both included.
pub(super) fn whole<T>(
    least: T,
    most: T,
    unit: &'static str,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync
where
    T: FromStr + PartialOrd + std::fmt::Display + Copy + Send + Sync,
{
    move |text| {
        let value = text.trim().parse::<T>().ok().filter(|value| *value >= least && *value <= most);
        value.ok_or_else(|| {
            let (least, most) = (least.to_string(), most.to_string());
            say!(spoken(), "usage-whole", least = least, most = most, unit = spaced(unit))
        })
    }
}

/// The number that something was given: entries and trials are counted from 1. `what` is a key.
pub(super) fn number_of(what: &'static str) -> impl Fn(&str) -> Result<u64, String> + Clone + Send + Sync {
    move |text| {
        let number = text.trim().parse::<u64>().ok().filter(|number| *number > 0);
        number.ok_or_else(|| say!(spoken(), "usage-number-of", what = spoken().get(what)))
    }
}

/// A length of time; the text of the key `accepted` says which.
pub(super) fn length(
    accepted: &'static str,
) -> impl Fn(&str) -> Result<Duration, String> + Clone + Send + Sync {
    move |text| humantime::parse_duration(text.trim()).map_err(|_| other(accepted))
}

/// Says what is accepted, by the key of it.
pub(super) fn other(accepted: &str) -> String {
    say!(spoken(), "usage-other", what = spoken().get(accepted))
}

/// A unit behind its number: as it is, or by its key where it is a word.
fn spaced(unit: &str) -> String {
    match unit {
        "" => String::new(),
        word if word.starts_with("usage-") => format!(" {}", spoken().get(word)),
        unit => format!(" {unit}"),
    }
}

/// Has every option of a command and those below it take what begins like a negative number for its value: what is
/// wrong with `--kg -5` is the number, and no option `-5`.
pub(super) fn take_negative(command: Command) -> Command {
    let command = command.mut_args(|arg: Arg| {
        let takes_value = arg.get_action().takes_values() && !arg.is_positional();
        if takes_value { arg.allow_negative_numbers(true) } else { arg }
    });
    command.mut_subcommands(take_negative)
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::super::Program;
    use super::take_negative;

    fn refused(line: &str) -> String {
        let words: Vec<&str> = line.split(' ').collect();
        take_negative(Program::command()).try_get_matches_from(words).unwrap_err().to_string()
    }

    #[test]
    fn whatever_number_is_refused_is_told_what_is_accepted() {
        let feed = "accepted is a number from 0.01 to 20000 kg";
        for (line, accepted) in [
            ("pondreeve record --pond p2 feed --kg abc", feed),
            ("pondreeve record --pond p2 feed --kg -5", feed),
            ("pondreeve record --pond p2 feed --kg 99999", feed),
            ("pondreeve record --pond p2 feed --kg NaN", feed),
            ("pondreeve record --pond p2 feed --kg 5,5", feed),
            (
                "pondreeve record --pond p2 sampling --count -3 --grams 5",
                "a whole number from 1 to 100000 shrimp",
            ),
            ("pondreeve record --pond p2 sludge --orp-mv -5000", "from -1000 to 1000 mV"),
            ("pondreeve record --pond p2 --correct 0 feed --kg 5", "the number of an entry"),
            ("pondreeve plan dose --pond p2 --dose -4", "above 0 and up to 200"),
            ("pondreeve shelve p1.ph --for xx", "30m for a critical alarm"),
            ("pondreeve shelve p1.ph --for 30", "30m for a critical alarm"),
            ("pondreeve shelve p1.ph --for -30", "30m for a critical alarm"),
            ("pondreeve replay --latitude 95 --longitude 3 x.csv", "-90 to 90"),
            ("pondreeve commission --config x --wait soon", "such as 3m"),
            ("pondreeve calibrate --probe do11 begin --for long", "such as 30m"),
            ("pondreeve trial fix --days-before -1", "a whole number from"),
        ] {
            let told = refused(line);
            assert!(told.contains(accepted), "{line}: {told}");
            assert!(!told.contains("unexpected argument"), "{line}: {told}");
        }
    }

    /// No option that takes a number may fall back on words about "float literals" and "digits": each is given what is
    /// none, and must say what is accepted.
    #[test]
    fn no_option_refuses_a_number_in_the_words_of_a_compiler() {
        fn look(command: &clap::Command, path: &str, faults: &mut Vec<String>, seen: &mut usize) {
            let own = format!("{path} {}", command.get_name());
            for arg in command.get_arguments().filter(|arg| arg.get_action().takes_values()) {
                let parser = format!("{:?}", arg.get_value_parser());
                if !["f64", "u16", "u32", "u64", "Duration"].iter().any(|number| parser.contains(number)) {
                    continue;
                }
                *seen += 1;
                let named = arg.get_long().map(|name| format!("--{name} ")).unwrap_or_default();
                let told = refused(format!("{own} {named}many").trim());
                if !told.contains("accepted is") {
                    faults.push(format!("{own} {}: {told}", arg.get_id()));
                }
            }
            command.get_subcommands().for_each(|below| look(below, &own, faults, seen));
        }
        let (mut faults, mut seen) = (Vec::new(), 0);
        look(&take_negative(Program::command()), "", &mut faults, &mut seen);
        assert!(seen > 50, "{seen}");
        assert_eq!(faults, Vec::<String>::new());
    }

    #[test]
    fn numbers_below_nothing_are_taken_where_they_can_be() {
        let taken = |line: &str| {
            let words: Vec<&str> = line.split(' ').collect();
            take_negative(Program::command()).try_get_matches_from(words).map(drop)
        };
        taken("pondreeve record --pond p2 sludge --orp-mv -120").unwrap();
        taken("pondreeve replay --latitude -33.5 --longitude -70 x.csv").unwrap();
        taken("pondreeve enter --pond p1 orp_mv=-120").unwrap();
    }
}
