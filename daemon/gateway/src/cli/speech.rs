//! The language that a command speaks.

use std::path::PathBuf;

use crate::exit_code::Failure;
use crate::local::protocol::FarmStatus;
use crate::texts::{Choice, Words, chosen, english};

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
        chosen(&Choice { configured, folder, ..self.choice() }).map_err(Failure::usage)
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
            Err(_) => chosen(&self.choice()).map_err(Failure::usage),
        }
    }
}
