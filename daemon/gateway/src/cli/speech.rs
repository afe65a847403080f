//! The language that a command speaks.
//!
//! Before a daemon answers, it is the one asked for, else that of the configuration the command names or the installed
//! daemon runs with, else the locale's. What a farm's daemon tells of its language then takes the configuration's place.

use std::cell::{Cell, RefCell};
use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};

use crate::exit_code::Failure;
use crate::local::protocol::FarmStatus;
use crate::texts::recognised::recognised;
use crate::texts::{Choice, Words, chosen, english};

/// Where the package puts the daemon's configuration.
const INSTALLED: &str = "/etc/pondreeve/farm.toml";

thread_local! {
    /// What was asked for on the command line, and the locale.
    static ASKED: RefCell<Choice> = RefCell::new(Choice::default());
    /// What is spoken where nothing says otherwise.
    static SPOKEN: Cell<Words> = Cell::new(english());
}

/// The texts to tell in what goes wrong before, or beside, an answer of the farm's daemon.
pub(crate) fn spoken() -> Words {
    SPOKEN.get()
}

/// Speaks this from now on.
pub(super) fn speak(words: Words) {
    SPOKEN.set(words);
}

/// Finds the language of a command line before it is read; one that cannot be had is told by who asks for it.
pub(super) fn begin(arguments: &[OsString], variable: impl Fn(&str) -> Option<String>) {
    let value = |option: &str| value_of(arguments, option);
    let text = |option: &str| value(option).and_then(|value| value.to_str().map(str::to_owned));
    let asked =
        Choice { language: text("--language"), file: value("--texts").map(Into::into), ..Choice::default() };
    let asked = asked.with_locale(&variable);
    let configuration = match value("--config") {
        Some(file) => configured(Path::new(&file), None),
        None => {
            let socket = value("--socket").map(PathBuf::from);
            let socket = socket.or_else(|| variable("PONDREEVE_SOCKET").map(PathBuf::from));
            configured(Path::new(INSTALLED), Some(&socket.unwrap_or_else(|| super::SOCKET.into())))
        }
    };
    let (configured, folder) = configuration.unwrap_or_default();
    let choice = Choice { configured, folder, ..asked.clone() };
    let without = || chosen(&Choice { language: None, file: None, ..choice.clone() });
    speak(chosen(&choice).or_else(|_| without()).unwrap_or_else(|_| english()));
    ASKED.set(asked);
}

/// Speaks as the farm is configured, where nothing else is asked for.
pub(super) fn heard(farm: &FarmStatus) {
    let choice = ASKED.with_borrow(Choice::clone);
    if let Ok(words) =
        chosen(&Choice { configured: farm.language.clone(), folder: farm.texts.clone(), ..choice })
    {
        speak(words);
    }
}

/// The value that an option has among arguments as they were typed: `--option value` or `--option=value`.
fn value_of(arguments: &[OsString], option: &str) -> Option<OsString> {
    let ends = arguments.iter().position(|own| own == "--").unwrap_or(arguments.len());
    arguments.get(..ends)?.iter().enumerate().find_map(|(place, own)| {
        if own == OsStr::new(option) {
            return arguments.get(place + 1).cloned();
        }
        own.to_str()?.strip_prefix(option)?.strip_prefix('=').map(OsString::from)
    })
}

/// Language and folder of texts in a configuration, whatever else is wrong in it; only where the daemon that runs with
/// it listens at `socket`, if one is given.
fn configured(file: &Path, socket: Option<&Path>) -> Option<(Option<String>, Option<PathBuf>)> {
    let text = std::fs::read_to_string(file).ok()?;
    let folder = std::path::absolute(file.parent()?).ok()?;
    let table: toml::Table = text.parse().ok()?;
    let local = table.get("local")?.as_table()?;
    let word = |key: &str| local.get(key).and_then(toml::Value::as_str);
    if let Some(socket) = socket
        && folder.join(word("socket").unwrap_or(super::SOCKET)) != socket
    {
        return None;
    }
    Some((word("language").map(str::to_owned), word("texts").map(|texts| folder.join(texts))))
}

/// What to speak; as the farm's configuration or the locale says where nothing is asked for.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Speech {
    /// Language: en, es, or one that the farm has texts of
    #[arg(long, global = true, value_name = "CODE")]
    pub language: Option<String>,
    /// A Fluent file of the farm's own texts; what it lacks is said in English
    #[arg(long, global = true, value_name = "FILE")]
    pub texts: Option<PathBuf>,
}

impl Speech {
    /// What is asked for, and the locale.
    pub(super) fn choice(&self) -> Choice {
        let asked = Choice { language: self.language.clone(), file: self.texts.clone(), ..Choice::default() };
        asked.with_locale(|name| std::env::var(name).ok())
    }

    /// The texts to tell this farm in.
    ///
    /// # Errors
    /// When there are none in the language that is asked for or configured, or they cannot be read.
    pub(super) fn words(&self, farm: &FarmStatus) -> Result<Words, Failure> {
        let (configured, folder) = (farm.language.clone(), farm.texts.clone());
        chosen(&Choice { configured, folder, ..self.choice() })
            .map_err(|why| Failure::usage(recognised(spoken(), &why)))
    }

    /// The same for a command that does something: where the farm's texts cannot be read it is done all the same, and
    /// told in English.
    ///
    /// # Errors
    /// When there are none in the language that is asked for, or they cannot be read.
    pub(super) fn words_to_act(&self, farm: &FarmStatus) -> Result<Words, Failure> {
        match self.words(farm) {
            Err(_) if self.language.is_none() && self.texts.is_none() => Ok(english()),
            found => found,
        }
    }

    /// The same before anything else is asked; where no daemon answers, what is asked of it next says so.
    ///
    /// # Errors
    /// As [`Self::words_to_act`].
    pub(super) fn words_by(&self, daemon: &super::Daemon) -> Result<Words, Failure> {
        match daemon.status() {
            Ok(farm) => self.words_to_act(&farm),
            Err(_) => chosen(&self.choice()).map_err(|why| Failure::usage(recognised(spoken(), &why))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(line: &str) -> Vec<OsString> {
        line.split(' ').map(OsString::from).collect()
    }

    fn begun(line: &str, variables: &[(&str, &str)]) -> String {
        begin(&typed(line), |name| {
            variables.iter().find(|(own, _)| *own == name).map(|(_, value)| (*value).to_owned())
        });
        spoken().code().to_owned()
    }

    #[test]
    fn before_a_daemon_answers_it_is_what_is_asked_else_configured_else_the_locale() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("farm.toml");
        // Whatever else is wrong in it.
        std::fs::write(&file, "[farm]\nlatitude = 99\n[local]\nlanguage = \"es\"\n").unwrap();
        let check = format!("pondreeve check --config {}", file.display());
        let spanish = [("LANG", "es_EC.UTF-8")];
        assert_eq!(begun("pondreeve status", &[]), "en");
        assert_eq!(begun("pondreeve status", &spanish), "es");
        assert_eq!(begun("pondreeve status --language=en", &spanish), "en");
        assert_eq!(begun("pondreeve status --language es", &[]), "es");
        assert_eq!(begun("pondreeve enter -- --language es", &[]), "en");
        assert_eq!(begun(&check, &[("LC_ALL", "en_US.UTF-8")]), "es");
        assert_eq!(begun(&format!("{check} --language en"), &[]), "en");
        assert_eq!(begun("pondreeve status --language xx", &[]), "en");
        // What there is none of is told in what there is.
        assert_eq!(begun("pondreeve status --language xx", &spanish), "es");
        let farm = crate::console::sample::normal_night();
        let asked = Speech { language: Some("xx".to_owned()), texts: None };
        let refused = asked.words(&farm).unwrap_err().message;
        assert_eq!(refused, "no hay textos en el idioma `xx`; hay: en, es");
    }

    #[test]
    fn the_installed_configuration_counts_for_the_socket_it_names() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("farm.toml");
        std::fs::write(&file, "[local]\nsocket = \"own.sock\"\nlanguage = \"es\"\ntexts = \"texts\"\n")
            .unwrap();
        let own = folder.path().join("own.sock");
        let (language, texts) = configured(&file, Some(&own)).unwrap();
        assert_eq!((language.as_deref(), texts), (Some("es"), Some(folder.path().join("texts"))));
        assert_eq!(configured(&file, Some(Path::new("/run/other.sock"))), None);
        assert_eq!(configured(&folder.path().join("no.toml"), None), None);
        std::fs::write(&file, "[local\n").unwrap();
        assert_eq!(configured(&file, None), None);
    }

    #[test]
    fn what_the_daemon_tells_of_its_farm_stands_before_the_locale() {
        begin(&typed("pondreeve backup x"), |_| None);
        let mut farm = crate::console::sample::normal_night();
        farm.language = Some("es".to_owned());
        heard(&farm);
        assert_eq!(spoken().code(), "es");
        begin(&typed("pondreeve report --language en"), |_| None);
        heard(&farm);
        assert_eq!(spoken().code(), "en");
    }
}
