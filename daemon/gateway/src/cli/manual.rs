//! `pondreeve completions` and `pondreeve manual`: what a shell and `man` want to know of the commands.

use std::path::{Path, PathBuf};

use clap::CommandFactory as _;
use clap_complete::Shell;
use clap_mangen::Man;

use super::Program;
use crate::exit_code::{DONE, Failure, Outcome};

const AFTER_COMPLETIONS: &str = "\
Examples:
  pondreeve completions bash > /etc/bash_completion.d/pondreeve
  pondreeve completions fish > ~/.config/fish/completions/pondreeve.fish";

/// Arguments of `completions`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER_COMPLETIONS)]
pub struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: Shell,
}

const AFTER_MANUAL: &str = "\
Without --to the page of pondreeve itself is printed, for man to show.

Examples:
  pondreeve manual | man -l -
  pondreeve manual --to /usr/local/share/man/man1";

/// Arguments of `manual`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER_MANUAL)]
pub struct Manual {
    /// Write a page for each command into this folder, which must be there
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
}

/// Prints the completions of a shell.
///
/// # Errors
/// When standard output cannot be written.
pub fn completions(arguments: &Completions) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Program::command(), "pondreeve", &mut script);
    super::print(&String::from_utf8_lossy(&script))
}

/// Prints the manual page, or writes all of them.
///
/// # Errors
/// When a page cannot be written.
pub fn manual(arguments: &Manual) -> Outcome {
    let program = Program::command();
    let Some(folder) = &arguments.to else {
        return super::print(&page(program)?);
    };
    let own = program.get_name().to_owned();
    let commands: Vec<_> = program.get_subcommands().cloned().collect();
    write(folder, &own, &page(program)?)?;
    for command in commands {
        let name = format!("{own}-{}", command.get_name());
        // A page must know its whole name; clap keeps names for as long as the program runs.
        let named: &'static str = Box::leak(name.clone().into_boxed_str());
        write(folder, &name, &page(command.name(named))?)?;
    }
    Ok(DONE)
}

fn page(command: clap::Command) -> Result<String, Failure> {
    let mut text = Vec::new();
    Man::new(command)
        .render(&mut text)
        .map_err(|error| Failure::failed(format!("writing a manual page failed: {error}")))?;
    Ok(String::from_utf8_lossy(&text).into_owned())
}

fn write(folder: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let path = folder.join(format!("{name}.1"));
    std::fs::write(&path, text).map_err(|error| {
        Failure::failed(format!(
            "writing the manual page {} failed: {error}; --to names a folder that is there and may be written",
            path.display()
        ))
    })
}
