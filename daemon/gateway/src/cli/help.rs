//! The help of commands in another language: the same tree of commands, told by the texts of a file beside the
//! catalogues. Whatever that file lacks is told in English.

use std::sync::LazyLock;

use clap::builder::{Str, StyledStr};
use clap::{Arg, ArgAction, Command};

use super::Program;
use crate::config::packed::{Packed, packed};
use crate::console::text::clean;
use crate::texts::{Words, say};

/// Spanish.
static SPANISH: LazyLock<toml::Table> = LazyLock::new(|| PACKED.parse().unwrap_or_default());
static PACKED: Packed = packed!("help-spanish");

/// Texts of help, where there are any in this language.
fn texts_of(words: Words) -> Option<&'static toml::Table> {
    words.code().starts_with("es").then(|| &*SPANISH)
}

/// The commands with help in this language.
pub(super) fn in_language(command: Command, words: Words) -> Command {
    match texts_of(words) {
        Some(texts) => Teller { texts, words }.command(command, ""),
        None => command,
    }
}

/// What clap has in English only, in a help or usage that it made: for standard output or error as it is.
pub(super) fn shown(made: &StyledStr, words: Words) -> String {
    let made = made.to_string();
    let Some(texts) = texts_of(words) else { return made };
    made.replace(OPTIONS, Teller { texts, words }.says(OPTIONS))
}

/// Text as a terminal of this locale can show it.
pub(super) fn plain(text: &str) -> String {
    let lines: Vec<String> = text.lines().map(|line| clean(line, super::is_utf8())).collect();
    lines.join("\n") + "\n"
}

/// What clap calls all options together in a usage.
const OPTIONS: &str = "[OPTIONS]";

struct Teller {
    texts: &'static toml::Table,
    words: Words,
}

impl Teller {
    fn text(&self, command: &str, key: &str) -> Option<&'static str> {
        self.texts.get(command)?.get(key)?.as_str()
    }

    /// What any help says; a test holds that it is there.
    fn says(&self, key: &str) -> &'static str {
        self.text("says", key).unwrap_or_default()
    }

    /// A command and those below it; `above` is the name of what it belongs to.
    fn command(&self, command: Command, above: &str) -> Command {
        let is_whole = command.get_name() == Program::NAME;
        let path = match (is_whole, above) {
            (true, _) => Program::NAME.to_owned(),
            (false, "") => command.get_name().to_owned(),
            (false, above) => format!("{above} {}", command.get_name()),
        };
        let part = |is_there: bool, heading: &str, tag: &str| match is_there {
            true => format!("\n\n{}:\n{tag}", self.says(heading)),
            false => String::new(),
        };
        let template = [
            format!("{{before-help}}{{about-with-newline}}\n{} {{usage}}", say!(self.words, "usage-head")),
            part(command.has_subcommands(), "commands", "{subcommands}"),
            part(command.get_positionals().next().is_some(), "arguments", "{positionals}"),
            part(true, "options", "{options}"),
            "{after-help}".to_owned(),
        ];
        let mut command = command
            .disable_help_flag(true)
            .help_template(template.concat())
            .subcommand_value_name(self.says("command"))
            .arg(Arg::new("help").short('h').long("help").action(ArgAction::Help).display_order(1_000));
        if is_whole {
            let version = Arg::new("version").short('V').long("version").action(ArgAction::Version);
            command = command.disable_version_flag(true).arg(version.display_order(1_001));
        }
        if let Some(about) = self.text(&path, "about") {
            command = command.about(about);
        }
        let after = self.text(&path, "after");
        if let Some(after) = after.or_else(|| self.text(self.text(&path, "after_as")?, "after")) {
            command = command.after_help(after.trim_end());
        }
        command = command.mut_args(|arg| self.argument(arg, &path));
        let above = if is_whole { "" } else { path.as_str() };
        command.mut_subcommands(|below| self.command(below, above))
    }

    fn argument(&self, arg: Arg, path: &str) -> Arg {
        let id = arg.get_id().to_string();
        let named: Vec<Str> = arg.get_value_names().map(<[Str]>::to_vec).unwrap_or_default();
        // An argument that those below have too is told by what it was made for.
        let above = path.rsplit_once(' ').map_or("every", |(above, _)| above);
        let text = [path, above, "every"].into_iter().find_map(|command| self.text(command, &id));
        let mut notes = String::new();
        let mut note = |key: &str, values: Vec<String>| {
            if !values.is_empty() {
                notes.push_str(&format!(" [{}: {}]", self.says(key), values.join(", ")));
            }
        };
        if arg.get_action().takes_values() {
            let possible = arg.get_possible_values();
            note("possible", possible.iter().map(|own| own.get_name().to_owned()).collect());
            let env = arg.get_env().map(|name| name.to_string_lossy().into_owned());
            note("environment", env.into_iter().collect());
            let usual = arg.get_default_values().iter();
            note("usual", usual.map(|value| value.to_string_lossy().into_owned()).collect());
        }
        let mut arg = arg;
        if let Some(text) = text {
            arg = arg.help(format!("{text}{notes}"));
        }
        if !arg.get_action().takes_values() {
            return arg;
        }
        if text.is_some() {
            arg = arg.hide_possible_values(true).hide_default_value(true).hide_env(true);
        }
        if named.is_empty() {
            // clap makes a name of the argument's own.
            return match self.text("names", &id.to_uppercase()) {
                Some(name) => arg.value_name(name),
                None => arg,
            };
        }
        arg.value_names(named.into_iter().map(|name| self.text("names", &name).map_or(name, Str::from)))
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use clap::CommandFactory as _;

    use super::super::spanish_tests::{english_in, spanish};
    use super::*;

    /// What describes forms of input and output at length, for programs.
    const AFTER_IN_ENGLISH: [&str; 2] = ["calc", "replay"];

    fn tree() -> Command {
        let mut tree = in_language(super::super::numbers::take_negative(Program::command()), spanish());
        tree.build();
        tree
    }

    fn each(command: &Command, path: &str, see: &mut dyn FnMut(&Command, &str)) {
        see(command, path);
        for below in command.get_subcommands() {
            let own = format!("{path} {}", below.get_name());
            each(below, own.trim(), see);
        }
    }

    #[test]
    fn every_command_and_argument_is_told_in_spanish() {
        let mut used = BTreeSet::new();
        let mut seen = 0;
        each(&tree(), "", &mut |command, path| {
            let named = if path.is_empty() { Program::NAME } else { path };
            let above = path.rsplit_once(' ').map_or("every", |(above, _)| above);
            let is_there = |key: &str| SPANISH.get(named).is_some_and(|own| own.get(key).is_some());
            assert!(is_there("about"), "{named}: about");
            used.insert((named.to_owned(), "about".to_owned()));
            if command.get_after_help().is_some() && !AFTER_IN_ENGLISH.contains(&named) {
                let key = if is_there("after_as") { "after_as" } else { "after" };
                assert!(is_there(key), "{named}: after");
                used.insert((named.to_owned(), key.to_owned()));
            }
            for arg in command.get_arguments().filter(|arg| !arg.is_hide_set()) {
                let id = arg.get_id().to_string();
                let found = [named, above, "every"]
                    .into_iter()
                    .find(|command| SPANISH.get(*command).is_some_and(|own| own.get(&id).is_some()));
                let found = found.unwrap_or_else(|| panic!("{named}: no text for {id}"));
                used.insert((found.to_owned(), id));
                seen += 1;
            }
        });
        assert!(seen > 200, "{seen}");
        let says =
            ["options", "arguments", "commands", "command", OPTIONS, "possible", "environment", "usual"];
        used.extend(says.map(|key| ("says".to_owned(), key.to_owned())));
        for key in says {
            assert!(SPANISH["says"].get(key).is_some(), "{key}");
        }
        for (command, texts) in SPANISH.iter().filter(|(command, _)| *command != "names") {
            for key in texts.as_table().unwrap().keys() {
                let known = (command.clone(), key.clone());
                assert!(used.contains(&known), "nothing needs {command}: {key}");
            }
        }
    }

    #[test]
    fn what_help_shows_has_no_english_and_fits_a_terminal() {
        each(&tree(), "", &mut |command, path| {
            if AFTER_IN_ENGLISH.contains(&path) {
                return;
            }
            let help = shown(&command.clone().term_width(80).render_long_help(), spanish());
            // clap does not wrap a usage.
            for line in help.lines().filter(|line| !line.starts_with("Uso: ")) {
                assert!(line.chars().count() <= 80, "{path}: wider than a terminal: {line}");
            }
            // Words of the command line itself are no English to be translated.
            let told: Vec<&str> =
                help.lines().filter(|line| !line.trim_start().starts_with("pondreeve")).collect();
            let found: Vec<String> = english_in(&told.join("\n"))
                .into_iter()
                .filter(|line| {
                    let bare: Vec<&str> = line
                        .split_whitespace()
                        .filter(|word| !word.starts_with(['-', '`', '[', '<']) && !is_typed(word))
                        .collect();
                    !english_in(&bare.join(" ")).is_empty()
                })
                .collect();
            assert_eq!(found, Vec::<String>::new(), "{path}");
            for left in
                ["Usage:", "Options:", "Commands:", "Arguments:", "[default", "[possible", "[OPTIONS]"]
            {
                assert!(!help.contains(left), "{path}: {left}: {help}");
            }
        });
    }

    /// Words that are typed: names of commands, columns and values.
    fn is_typed(word: &str) -> bool {
        // A suffix of a name, as SenML has them: /flag.
        if word.starts_with('/') {
            return true;
        }
        let word = word.trim_matches(|letter: char| !letter.is_alphanumeric());
        word.contains(['_', '=', '/', '.', ','])
            || ["start", "reset", "end", "from", "to", "by", "day"].contains(&word)
    }

    /// Options that the English names, the Spanish names too, and examples are the same commands.
    #[test]
    fn what_stands_below_help_says_the_same_in_both_languages() {
        fn options(text: &str) -> BTreeSet<String> {
            let words = text.split(|letter: char| letter.is_whitespace() || "(),:;.`'".contains(letter));
            words.filter(|word| word.starts_with("--")).map(str::to_owned).collect()
        }
        let mut english = Program::command();
        english.build();
        each(&english, "", &mut |command, path| {
            let named = if path.is_empty() { Program::NAME } else { path };
            let (Some(own), Some(other)) =
                (command.get_after_help(), SPANISH.get(named).and_then(|texts| texts.get("after")))
            else {
                return;
            };
            let (own, other) = (own.to_string(), other.as_str().unwrap());
            assert_eq!(options(&own), options(other), "{named}");
            let examples = |text: &str| text.matches("\n  pondreeve ").count();
            assert_eq!(examples(&own), examples(other), "{named}");
        });
    }

    /// What was typed, by command, argument and value.
    fn typed(matches: &clap::ArgMatches) -> Vec<(String, Vec<String>)> {
        let raw = |id: &str| matches.try_get_raw(id).ok().flatten();
        let ids = matches.ids().map(|id| id.as_str().to_owned());
        let values = |id: &str| {
            let values = raw(id).into_iter().flatten();
            values.map(|value| value.to_string_lossy().into_owned()).collect()
        };
        let mut all: Vec<(String, Vec<String>)> = ids.map(|id| (id.clone(), values(&id))).collect();
        all.sort();
        if let Some((name, below)) = matches.subcommand() {
            all.push((name.to_owned(), Vec::new()));
            all.extend(typed(below));
        }
        all
    }

    #[test]
    fn what_is_typed_means_the_same_in_either_language() {
        let program = super::super::numbers::take_negative(Program::command());
        for line in [
            "pondreeve status p1 --probes",
            "pondreeve plan dose --pond p1 --dose 4 --json",
            "pondreeve record --pond p2 sludge --orp-mv -120",
            "pondreeve export --format senml --every hour",
            "pondreeve run --config x.toml",
        ] {
            let words: Vec<&str> = line.split(' ').collect();
            let own = program.clone().try_get_matches_from(&words).unwrap();
            let other = tree().try_get_matches_from(&words).unwrap();
            assert_eq!(typed(&own), typed(&other), "{line}");
        }
    }

    #[test]
    fn help_in_spanish_looks_like_this() {
        let told = |line: &str| {
            let words: Vec<&str> = line.split(' ').collect();
            let asked = tree().term_width(80).try_get_matches_from(words).unwrap_err();
            shown(&asked.render(), spanish())
        };
        insta::assert_snapshot!("help_in_spanish", told("pondreeve --help"));
        insta::assert_snapshot!("help_of_enter_in_spanish", told("pondreeve enter --help"));
    }
}
