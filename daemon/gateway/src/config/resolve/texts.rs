//! The language of the console: which is usual on the farm, and the farm's own texts.

use super::Resolver;
use crate::config::farm::LocalTexts;
use crate::config::problem::Problem;
use crate::config::raw::RawLocal;
use crate::texts::{Choice, chosen, own};

/// What is wrong in one file is told up to here: a file in a wrong format would else fill the screen.
const MOST_TOLD: usize = 20;

impl Resolver<'_> {
    pub(super) fn texts(&self, raw: &RawLocal) -> LocalTexts {
        let folder = raw.texts.as_ref().map(|at| self.absolute(&at.value));
        let language = raw.language.as_ref().map(|at| at.value.clone());
        if let (Some(at), Some(folder)) = (&raw.texts, &folder) {
            match folder.read_dir() {
                Ok(entries) => {
                    let paths = entries.flatten().map(|entry| entry.path());
                    let mut files: Vec<_> =
                        paths.filter(|path| path.extension().is_some_and(|own| own == "ftl")).collect();
                    files.sort();
                    files.iter().for_each(|file| self.text_file(file));
                }
                Err(error) => {
                    let found = format!("a folder that cannot be read: {error}");
                    let accepted = "a folder of Fluent files, <language>.ftl";
                    self.problems.push(self.problems.about(at, found, accepted).as_warning());
                }
            }
        }
        if let Some(at) = &raw.language {
            let choice = Choice { language: language.clone(), folder: folder.clone(), ..Choice::default() };
            // Whatever the console speaks, the water is watched: a warning.
            if let Err(why) = chosen(&choice) {
                let accepted = "a language that there are texts of; the console speaks English until then";
                self.problems.push(self.problems.about(at, why, accepted).as_warning());
            }
        }
        LocalTexts { language, folder }
    }

    /// What is not sound in a farm's own texts. Warnings: what cannot be used is said in English.
    fn text_file(&self, file: &std::path::Path) {
        let warn = |found: String, accepted: &str| {
            self.elsewhere.borrow_mut().push(Problem::whole_file(file, found, accepted).as_warning());
        };
        let source = match std::fs::read_to_string(file) {
            Ok(source) => source,
            Err(error) => {
                return warn(format!("texts that cannot be read: {error}"), "a Fluent file in UTF-8");
            }
        };
        let wrong = own::problems(&source).wrong;
        for found in wrong.iter().take(MOST_TOLD) {
            warn(found.clone(), "the keys and names of `pondreeve check --example-texts`");
        }
        if wrong.len() > MOST_TOLD {
            warn(format!("{} more", wrong.len() - MOST_TOLD), "a Fluent file of the console's texts");
        }
    }
}
