//! `pondreeve scan`: who answers on a serial line, what it reads, and the configuration that follows.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use pondreeve_protocol::register_map::RegisterMap;

use crate::config::{builtin, files, profile};
use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::scan::{self, Access, Plan, Progress, Setting};

const AFTER: &str = "\
Asks each address for one register (functions 3 and 4), looks closely at whoever
answers, tries the known register maps and reads the values three times. Those
that answered are asked once for their name (function 43, type 14, a read). It
never writes to a device. At 9600 bits/s and the usual time-out, 247 addresses
take about a minute at each setting.

Where the running daemon has the line it lends it for at most five minutes and
goes on by itself, also if this command dies. Meanwhile the probes of that line
are not read and said to be lent; oxygen that is not seen alarms as ever, and
the horn takes its line back for a moment when it needs it.

Without --speeds the usual settings are tried until something answers: probes of
one line share one. A probe fresh from its box may have another: unplug the
others, or name the speeds, each then is tried.

Exit status: 0 something answers, 1 nothing does, 2 bad usage.

Examples:
  pondreeve scan --line /dev/ttyUSB0
  pondreeve scan --line /dev/ttyUSB0 --speeds 9600,19200-8E1 --addresses 1-60
  pondreeve scan --line /dev/ttyUSB0 --pond p1 --write found.toml";

/// Arguments of `scan`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The line: a serial device, best by a path below /dev/serial/by-path
    #[arg(long, value_name = "DEVICE")]
    pub line: PathBuf,
    /// Speeds to try, all of them, each with or without a format: 9600,19200-8E1
    #[arg(long, value_name = "SPEEDS", value_delimiter = ',', value_parser = Setting::parse)]
    pub speeds: Vec<Setting>,
    /// Addresses to ask, such as 1-60 or 1-20,51
    #[arg(long, value_name = "LIST", default_value = "1-247")]
    pub addresses: String,
    /// Try only this register map: a known name, or a file; may be given several times
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Vec<String>,
    /// How long a probe may take to answer
    #[arg(long, value_name = "LENGTH", default_value = "90ms", value_parser = timeout)]
    pub timeout: Duration,
    /// Write what was found as configuration to a file that is not there yet
    #[arg(long, value_name = "FILE")]
    pub write: Option<PathBuf>,
    /// The pond in which the probes stand, for --write
    #[arg(long, value_name = "POND", requires = "write")]
    pub pond: Option<String>,
    /// Print JSON instead, one object a line
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

fn timeout(text: &str) -> Result<Duration, String> {
    let length = humantime::parse_duration(text).map_err(|error| error.to_string())?;
    let accepted = Duration::from_millis(10)..=Duration::from_secs(5);
    if accepted.contains(&length) { Ok(length) } else { Err("accepted is 10ms to 5s".to_owned()) }
}

/// Looks for probes.
///
/// # Errors
/// Bad usage; a line that cannot be opened or is not lent.
pub fn run(arguments: &Arguments) -> Outcome {
    let mut plan = plan(arguments)?;
    let socket = &arguments.daemon.socket;
    let (access, outcome) = super::wait_for(async {
        let mut access = Access::prepare(&plan.device, socket).await.map_err(Failure::failed)?;
        if let Some(lent) = access.lent() {
            adopt(&mut plan, lent, arguments.speeds.is_empty());
        }
        let over = Arc::new(AtomicBool::new(false));
        let noticed = Arc::clone(&over);
        tokio::spawn(async move {
            // A second one ends the program at once: the first is heard between two questions.
            let _ = tokio::signal::ctrl_c().await;
            noticed.store(true, Ordering::Relaxed);
        });
        let mut teller = Teller::new();
        let is_over = || over.load(Ordering::Relaxed);
        let outcome = scan::scan(&plan, &mut access, &mut |progress| teller.tell(progress), &is_over).await;
        teller.end();
        Ok((access, outcome))
    })??;
    drop(access);
    let outcome = scan::Outcome { stable_device: stable(&plan.device), ..outcome };
    if outcome.tried.is_empty()
        || (outcome.units.is_empty() && outcome.tried.iter().all(|own| own.addresses == 0))
    {
        // Not even begun: the reason is the message.
        if let Some(why) = &outcome.stopped {
            return Err(Failure::failed(why.clone()));
        }
    }
    let written = match &arguments.write {
        Some(file) if !outcome.units.is_empty() => {
            let now = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
            write_new(file, &scan::fragment(&plan, &outcome, arguments.pond.as_deref(), &now))?;
            Some(file.display().to_string())
        }
        _ => None,
    };
    if arguments.json {
        for object in scan::json(&plan, &outcome, written.as_deref()) {
            super::print(&super::json_line(&object)?)?;
        }
    } else {
        super::print_plain(&scan::text(&plan, &outcome, written.as_deref()))?;
    }
    Ok(if outcome.units.is_empty() { FAILED } else { DONE })
}

fn plan(arguments: &Arguments) -> Result<Plan, Failure> {
    if let Some(file) = &arguments.write
        && std::fs::symlink_metadata(file).is_ok()
    {
        return Err(Failure::usage(format!(
            "{} is there already and is never overwritten: name another file with --write",
            file.display()
        )));
    }
    if let Some(pond) = &arguments.pond
        && !pond.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == '_')
    {
        return Err(Failure::usage(format!(
            "{pond:?} is no id of a pond: accepted are lower-case letters, digits, `-` and `_`"
        )));
    }
    let addresses = scan::addresses(&arguments.addresses).map_err(Failure::usage)?;
    let profiles = match arguments.profile.as_slice() {
        [] => every_map(),
        named => named.iter().map(|name| map(name)).collect::<Result<_, _>>()?,
    };
    let every_setting = !arguments.speeds.is_empty();
    let settings = if every_setting { arguments.speeds.clone() } else { Setting::usual() };
    Ok(Plan {
        device: arguments.line.clone(),
        settings,
        every_setting,
        addresses,
        patience: arguments.timeout,
        profiles,
    })
}

/// The built-in register maps: those of other kinds of lines are not scanned for.
fn every_map() -> Vec<RegisterMap> {
    builtin::PROFILES.iter().filter_map(|(name, text)| profile::parse(text, name).ok()).collect()
}

/// A register map by name or file.
fn map(name: &str) -> Result<RegisterMap, Failure> {
    let (text, file) = match builtin::profile(name) {
        Some(text) => (text.to_owned(), name.to_owned()),
        None if Path::new(name).is_file() => {
            let text = files::read(Path::new(name)).map_err(|problem| Failure::usage(problem.to_string()))?;
            (text, name.to_owned())
        }
        None => {
            let known = builtin::profile_names().join(", ");
            return Err(Failure::usage(format!(
                "{name:?} is neither a file nor a known register map: known are {known}"
            )));
        }
    };
    profile::parse(&text, &file).map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(|p| format!("{}: {p}", p.place())).collect();
        Failure::usage(problems.join("\n"))
    })
}

/// The line's own setting comes first, and is the only one where none was named: the daemon's probes have it.
fn adopt(plan: &mut Plan, lent: &crate::local::protocol::LentLine, by_itself: bool) {
    use crate::config::farm::Parity;
    let parity = match lent.parity.as_str() {
        "even" => Parity::Even,
        "odd" => Parity::Odd,
        _ => Parity::None,
    };
    let own = Setting { baud: lent.baud, data_bits: lent.data_bits, parity, stop_bits: lent.stop_bits };
    if by_itself {
        plan.settings.retain(|setting| *setting != own);
        plan.settings.insert(0, own);
    }
}

/// A path of a device that stays the same after replugging.
fn stable(device: &Path) -> Option<PathBuf> {
    if device.starts_with("/dev/serial") {
        return None;
    }
    let real = std::fs::canonicalize(device).ok()?;
    let links = std::fs::read_dir("/dev/serial/by-path").ok()?;
    let mut links: Vec<PathBuf> = links.flatten().map(|entry| entry.path()).collect();
    links.sort();
    links.into_iter().find(|link| std::fs::canonicalize(link).is_ok_and(|own| own == real))
}

fn write_new(file: &Path, text: &str) -> Result<(), Failure> {
    let write = || -> std::io::Result<()> {
        let mut out = std::fs::OpenOptions::new().write(true).create_new(true).open(file)?;
        out.write_all(text.as_bytes())?;
        out.sync_all()
    };
    write().map_err(|error| {
        Failure::failed(format!("writing {}: {error}; nothing was overwritten", file.display()))
    })
}

/// Says on standard error how far it is: in one line on a terminal, else in a line now and then.
struct Teller {
    on_terminal: bool,
    setting: String,
    began: Instant,
    told: Option<Instant>,
    is_open: bool,
}

/// Lines about addresses come at most this often where there is no terminal.
const TELL_EVERY: Duration = Duration::from_secs(10);

impl Teller {
    fn new() -> Self {
        let on_terminal = std::io::stderr().is_terminal();
        Self { on_terminal, setting: String::new(), began: Instant::now(), told: None, is_open: false }
    }

    fn tell(&mut self, progress: Progress) {
        match progress {
            Progress::Setting(setting) => {
                self.setting = setting.to_string();
                self.began = Instant::now();
                self.told = Some(Instant::now());
                self.line(&format!("trying {setting}"));
            }
            Progress::Address { address, done, of, found } => {
                let is_due = self.told.is_none_or(|told| told.elapsed() >= TELL_EVERY);
                if self.on_terminal || is_due {
                    self.told = Some(Instant::now());
                    let left =
                        self.began.elapsed().as_secs_f64() / (done.max(1) as f64) * ((of - done) as f64);
                    let left = if done == 0 { String::new() } else { format!(", {left:.0} s left") };
                    let text =
                        format!("{}: address {address}, {done} of {of}, {found} found{left}", self.setting);
                    self.passing(&text);
                }
            }
            Progress::Found(address) => self.line(&format!("address {address} answers")),
            Progress::Look(address) => self.passing(&format!("looking at address {address}")),
            Progress::Recalled => self.line("the daemon needs the line for a moment"),
            Progress::Listen(length) => self.passing(&format!("listening for {} s", length.as_secs())),
            Progress::Asked(profile) => self.passing(&format!("asking as profile {profile} says")),
            Progress::Line(text) => self.line(&format!("< {text}")),
        }
    }

    /// A line that the next one may replace.
    fn passing(&mut self, text: &str) {
        if self.on_terminal {
            eprint!("\r{text:<78}");
            let _ = std::io::stderr().flush();
            self.is_open = true;
        } else {
            eprintln!("{text}");
        }
    }

    fn line(&mut self, text: &str) {
        if self.is_open {
            eprint!("\r{:<78}\r", "");
        }
        self.is_open = false;
        eprintln!("{text}");
    }

    fn end(&mut self) {
        if self.is_open {
            eprint!("\r{:<78}\r", "");
            self.is_open = false;
        }
    }
}
