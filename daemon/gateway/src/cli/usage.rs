//! What is wrong with a command line, in the language that is spoken: what clap found, told by the catalogue.

use std::fmt::Write as _;

use clap::error::{ContextKind, ContextValue, ErrorKind};

use super::help;
use crate::texts::{Words, english, say};

/// Tells what is wrong, or the help that was asked for, and ends with clap's own exit status.
pub(super) fn exit(error: &clap::Error, words: Words) -> ! {
    match told(error, words) {
        Some(text) if error.use_stderr() => eprint!("{}", help::plain(&text)),
        // The end of a reader (`pondreeve --help | head`) is a quiet end.
        Some(text) => _ = super::print_plain(&text),
        None => error.exit(),
    }
    std::process::exit(error.exit_code())
}

/// The same as text; `None` where clap says it itself: the version, and everything in English.
pub(super) fn told(error: &clap::Error, words: Words) -> Option<String> {
    if words == english() {
        return None;
    }
    if let ErrorKind::DisplayHelp | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand = error.kind() {
        return Some(help::shown(&error.render(), words));
    }
    let mut out = format!("pondreeve: {}\n", fault(error, words)?);
    let tips = tips(error, words);
    if !tips.is_empty() {
        let _ = write!(out, "\n{}\n", tips.join("\n"));
    }
    if let Some(ContextValue::StyledStr(usage)) = error.get(ContextKind::Usage) {
        let usage = help::shown(usage, words);
        let _ = write!(out, "\n{}\n", usage.trim_end().replacen("Usage:", &say!(words, "usage-head"), 1));
    }
    let _ = write!(out, "\n{}\n", say!(words, "usage-help"));
    Some(out)
}

/// One thing of what clap knows of a fault.
fn one(error: &clap::Error, kind: ContextKind) -> Option<String> {
    match error.get(kind)? {
        ContextValue::String(text) => Some(text.clone()),
        ContextValue::Number(number) => Some(number.to_string()),
        _ => None,
    }
}

/// All of it.
fn all(error: &clap::Error, kind: ContextKind) -> Vec<String> {
    match error.get(kind) {
        Some(ContextValue::Strings(texts)) => texts.clone(),
        Some(ContextValue::String(text)) => vec![text.clone()],
        _ => Vec::new(),
    }
}

/// What is wrong; `None` where it is no fault of a person's, or one that is not known.
fn fault(error: &clap::Error, words: Words) -> Option<String> {
    let argument = || one(error, ContextKind::InvalidArg);
    let value = || one(error, ContextKind::InvalidValue);
    let listed = |own: Vec<String>| own.iter().map(|one| format!("\n  {one}")).collect::<String>();
    let accepted = |kind| match all(error, kind) {
        known if known.is_empty() => String::new(),
        known => format!("\n  {}", say!(words, "usage-accepted", known = known.join(", "))),
    };
    Some(match error.kind() {
        ErrorKind::InvalidValue if value()?.is_empty() => {
            say!(words, "usage-no-value", argument = argument()?) + &accepted(ContextKind::ValidValue)
        }
        ErrorKind::InvalidValue => {
            say!(words, "usage-bad-value", argument = argument()?, value = value()?)
                + &accepted(ContextKind::ValidValue)
        }
        ErrorKind::ValueValidation => {
            let told = say!(words, "usage-bad-value", argument = argument()?, value = value()?);
            // The reader of the value has said it in the language that is spoken.
            let why = std::error::Error::source(error).map(|why| format!(": {why}"));
            told + &why.unwrap_or_default()
        }
        ErrorKind::UnknownArgument => say!(words, "usage-unknown", argument = argument()?),
        ErrorKind::InvalidSubcommand => {
            say!(words, "usage-unknown-command", command = one(error, ContextKind::InvalidSubcommand)?)
        }
        ErrorKind::MissingRequiredArgument => {
            say!(words, "usage-missing") + &listed(all(error, ContextKind::InvalidArg))
        }
        ErrorKind::MissingSubcommand => {
            say!(words, "usage-missing-command", command = one(error, ContextKind::InvalidSubcommand)?)
                + &accepted(ContextKind::ValidSubcommand)
        }
        ErrorKind::ArgumentConflict => {
            let others = all(error, ContextKind::PriorArg);
            match argument()? {
                own if others.is_empty() || others == [own.clone()] => {
                    say!(words, "usage-twice", argument = own)
                }
                own => say!(words, "usage-conflict", argument = own) + &listed(others),
            }
        }
        ErrorKind::NoEquals => say!(words, "usage-no-equals", argument = argument()?),
        ErrorKind::TooManyValues => {
            say!(words, "usage-too-many", argument = argument()?, value = value()?)
        }
        ErrorKind::TooFewValues => say!(
            words,
            "usage-too-few",
            argument = argument()?,
            wanted = one(error, ContextKind::MinValues)?,
            found = one(error, ContextKind::ActualNumValues)?,
        ),
        ErrorKind::WrongNumberOfValues => say!(
            words,
            "usage-too-few",
            argument = argument()?,
            wanted = one(error, ContextKind::ExpectedNumValues)?,
            found = one(error, ContextKind::ActualNumValues)?,
        ),
        ErrorKind::InvalidUtf8 => say!(words, "usage-no-utf8"),
        _ => return None,
    })
}

/// What may have been meant.
fn tips(error: &clap::Error, words: Words) -> Vec<String> {
    let kinds = [ContextKind::SuggestedSubcommand, ContextKind::SuggestedArg, ContextKind::SuggestedValue];
    let meant = kinds.into_iter().map(|kind| all(error, kind)).filter(|meant| !meant.is_empty());
    let mut tips: Vec<String> =
        meant.map(|meant| format!("  {}", say!(words, "usage-meant", meant = meant.join(", ")))).collect();
    if let Some(ContextValue::StyledStrs(more)) = error.get(ContextKind::Suggested) {
        // Sentences of clap's own, of which what stands between quotes is kept.
        tips.extend(more.iter().filter_map(|tip| {
            let tip = tip.to_string();
            let quoted: Vec<&str> = tip.split('\'').skip(1).step_by(2).collect();
            let told = match *quoted.as_slice() {
                [value, how] if tip.starts_with("to pass") => {
                    say!(words, "usage-as-value", value = value, how = how)
                }
                [what] => say!(words, "usage-exists", what = what),
                [what, _] => say!(words, "usage-exists", what = what),
                _ => return None,
            };
            Some(format!("  {told}"))
        }));
    }
    tips
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::super::spanish_tests::{english_in, spanish};
    use super::super::{Program, numbers, speech};
    use super::*;

    fn refused(line: &str) -> clap::Error {
        speech::speak(spanish());
        let words: Vec<&str> = line.split(' ').collect();
        let program = help::in_language(numbers::take_negative(Program::command()), spanish());
        program.try_get_matches_from(words).unwrap_err()
    }

    #[test]
    fn whatever_is_mistyped_is_told_in_spanish_with_the_status_of_a_usage_error() {
        let mut shown = String::new();
        for line in [
            "pondreeve statsu",
            "pondreeve status --prbes",
            "pondreeve status --json --json",
            "pondreeve plan",
            "pondreeve plan dose",
            "pondreeve plan dose --pond",
            "pondreeve plan dose --pond p1 --dose mucho",
            "pondreeve plan dose --pond p1 --dose 4 -x",
            "pondreeve plan dose --pond p1 --dose=900",
            "pondreeve export --format pdf",
            "pondreeve export --audit --diary",
            "pondreeve why",
            "pondreeve why p1 p2",
            "pondreeve record --pond p2 --correct 0 feed --kg 5",
            "pondreeve record --pond p2 sampling --count -3 --grams 5",
            "pondreeve shelve p1.ph --for xx",
            "pondreeve calibrate --probe p1 beginn",
            "pondreeve backup",
            "pondreeve verify x --head 12",
            "pondreeve scan --line /dev/ttyUSB0 --speeds fast",
            "pondreeve scan --line /dev/ttyUSB0 --timeout 1h",
            "pondreeve scan --line /dev/ttyUSB0 --listen 1h",
            "pondreeve scan",
            "pondreeve scan --server 192.168.1.50",
            "pondreeve scan --server 192.168.1.50:502 --framing bytes",
            "pondreeve scan --line /dev/ttyUSB0 --server 192.168.1.50:502",
        ] {
            let error = refused(line);
            assert_eq!(error.exit_code(), i32::from(crate::exit_code::USAGE), "{line}");
            let told = told(&error, spanish()).unwrap_or_else(|| panic!("{line}: {error}"));
            assert_eq!(english_in(&told), Vec::<String>::new(), "{told}");
            assert!(!told.contains('⟨'), "{told}");
            let _ = write!(shown, "$ {line}\n{told}\n");
        }
        insta::assert_snapshot!(shown);
    }

    #[test]
    fn english_and_the_version_are_left_to_clap() {
        assert_eq!(told(&refused("pondreeve statsu"), english()), None);
        assert_eq!(told(&refused("pondreeve status --help"), english()), None);
        assert_eq!(told(&refused("pondreeve --version"), spanish()), None);
    }
}
