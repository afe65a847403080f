//! `pondreeve scan`: who answers on a serial line or behind a serial server, what it reads, and the configuration that follows.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::register_map::RegisterMap;
use tokio::signal::unix::{SignalKind, signal};

use super::{numbers, spoken};
use crate::config::farm::{LineKind, Parity};
use crate::config::profile::Profile;
use crate::config::{builtin, files, profile};
use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::local::protocol::{LentKind, LentLine};
use crate::scan::{self, Access, Place, Plan, Setting, Speed};
use crate::texts::recognised::recognised;
use crate::texts::say;

mod server;
mod spoken;
mod teller;

use teller::Teller;

const AFTER: &str = "\
Asks each address for one register (functions 3 and 4), looks closely at whoever
answers, tries the known register maps and reads the values three times. Those
that answered are asked once for their name (function 43, type 14, a read). It
never writes to a device. At 9600 bits/s and the usual time-out, 247 addresses
take about a minute at each setting. Where nothing answers Modbus RTU the usual
settings of Modbus ASCII are tried (--kind ascii: these alone). A named speed
with seven data bits, 9600-7E1, is Modbus ASCII.

Where the running daemon has the line it lends it for at most five minutes and
goes on by itself, also if this command dies. Meanwhile the probes of that line
are not read and said to be lent; oxygen that is not seen alarms as ever, and
the horn takes its line back for a moment when it needs it.

On a line of SDI-12 sensors (--kind sdi12) each address is asked whether it is
there, which takes half a minute for all 62; who answers is asked what it is,
and to measure three times, and shown with all its values. Sensors whose values
are spread over further measurements (aM1! to aM9!) are shown whole with
--further, each with a draft of a profile of its own. The standard lets a sensor
take such a command for a calibration or a control function, so that they are
not sent without it; sensors of SDI-12 1.4 say which they have, and of
each value what it is and in which unit.
A line of text (--kind text) is listened to; only where nothing comes is it
asked what the known profiles ask.
With --watch 60s what was found is then read once a second and plotted, so that
you see which one moves when a probe is lifted out or covered; of a probe that
no map fits the first registers.
A line that the daemon lends is of the kind that its configuration says.

Behind a serial server (--server HOST:PORT) its line is scanned over one
connection as Modbus TCP, and where nothing understands it as RTU and as ASCII
over TCP (--framing: one of them alone). Speed and parity are set on the server
itself and cannot be tried from here. A server that answers in the place of
probes that are not there is waited for as long as it takes to do so.

Without --speeds the usual settings are tried until something answers: probes of
one line share one. A probe fresh from its box may have another: unplug the
others, or name the speeds, each then is tried.

Exit status: 0 something answers, 1 nothing does, 2 bad usage.

Examples:
  pondreeve scan --line /dev/ttyUSB0
  pondreeve scan --line /dev/ttyUSB0 --speeds 9600,19200-8E1 --addresses 1-60
  pondreeve scan --line /dev/ttyUSB0 --pond p1 --write found.toml
  pondreeve scan --line /dev/ttyUSB0 --addresses 1-60 --watch 60s
  pondreeve scan --line /dev/ttyUSB0 --kind ascii --addresses 1-20
  pondreeve scan --line /dev/ttyUSB1 --kind sdi12 --addresses 0-9
  pondreeve scan --line /dev/ttyUSB1 --kind sdi12 --addresses 3 --further
  pondreeve scan --line /dev/ttyUSB2 --kind text --listen 30s
  pondreeve scan --server 192.168.1.50:502
  pondreeve scan --server 192.168.1.50:4001 --framing rtu --addresses 1-60";

/// Arguments of `scan`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER, group(clap::ArgGroup::new("place").required(true)))]
pub struct Arguments {
    /// The line: a serial device, best by a path below /dev/serial/by-path
    #[arg(long, value_name = "DEVICE", group = "place")]
    pub line: Option<PathBuf>,
    /// Or the serial server that has the line
    #[arg(long, value_name = "HOST:PORT", value_parser = Place::server, group = "place", conflicts_with = "kind")]
    pub server: Option<Place>,
    /// How Modbus travels to the server; tcp, rtu and ascii in turn where left out
    #[arg(long, value_enum, requires = "server")]
    pub framing: Option<server::Travel>,
    /// What is spoken on it; of a line that the daemon lends it is known, else modbus where left out
    #[arg(long, value_enum)]
    pub kind: Option<Kind>,
    /// Speeds to try, all of them, each with or without a format: 9600,19200-8E1
    #[arg(long, value_name = "SPEEDS", value_delimiter = ',', value_parser = Speed::parse)]
    pub speeds: Vec<Speed>,
    /// Addresses to ask, such as 1-60 or 1-20,51; of SDI-12 such as 0-9 or 1,A-F; all where left out
    #[arg(long, value_name = "LIST")]
    pub addresses: Option<String>,
    /// Try only this register map or profile: a known name, or a file; may be given several times
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Vec<String>,
    /// How long a probe may take to answer; 90ms where left out, behind a server 200ms
    #[arg(long, value_name = "LENGTH", value_parser = timeout)]
    pub timeout: Option<Duration>,
    /// Who wakes SDI-12 sensors: the gateway by a break, or the adapter by itself
    #[arg(long, value_enum)]
    pub wake: Option<Wake>,
    /// Have SDI-12 sensors make their further measurements too, aM1! to aM9!; in some a calibration or a
    /// control function hangs on one: look into the manual first
    #[arg(long)]
    pub further: bool,
    /// How long a line of text is listened to at each speed
    #[arg(long, value_name = "LENGTH", default_value = "10s", value_parser = listen)]
    pub listen: Duration,
    /// Then watch the values of what was found for so long, once a second, and plot them
    #[arg(long, value_name = "LENGTH", value_parser = watch)]
    pub watch: Option<Duration>,
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

impl Arguments {
    /// Where the line is.
    fn place(&self) -> Place {
        // One of both is required.
        let device = || Place::Device(self.line.clone().unwrap_or_default());
        self.server.clone().unwrap_or_else(device)
    }

    /// How long an answer is waited for.
    fn patience(&self) -> Duration {
        let usual = if self.server.is_some() { BY_SERVER } else { AT_DEVICE };
        self.timeout.unwrap_or(usual)
    }
}

/// How long a probe may take to answer where nothing is said: probes answer sooner. (Common practice, no source.) A server
/// and its network add to it.
const AT_DEVICE: Duration = Duration::from_millis(90);
const BY_SERVER: Duration = Duration::from_millis(200);

/// What is spoken on a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// Modbus RTU, and where nothing answers Modbus ASCII
    Modbus,
    /// Modbus ASCII alone
    Ascii,
    /// SDI-12 sensors
    Sdi12,
    /// Plain lines of text
    Text,
}

/// Who wakes SDI-12 sensors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Wake {
    /// The gateway
    Break,
    /// The adapter
    Adapter,
}

fn listen(text: &str) -> Result<Duration, String> {
    let length = numbers::length("usage-scan-listen")(text)?;
    let accepted = Duration::from_secs(1)..=Duration::from_secs(240);
    if accepted.contains(&length) { Ok(length) } else { Err(numbers::other("usage-scan-listen")) }
}

fn watch(text: &str) -> Result<Duration, String> {
    let length = numbers::length("usage-scan-watch")(text)?;
    let accepted = Duration::from_secs(5)..=Duration::from_secs(180);
    if accepted.contains(&length) { Ok(length) } else { Err(numbers::other("usage-scan-watch")) }
}

fn timeout(text: &str) -> Result<Duration, String> {
    let length = numbers::length("usage-scan-timeout")(text)?;
    let accepted = Duration::from_millis(10)..=Duration::from_secs(5);
    if accepted.contains(&length) { Ok(length) } else { Err(numbers::other("usage-scan-timeout")) }
}

/// Looks for probes.
///
/// # Errors
/// Bad usage; a line that cannot be opened or is not lent.
pub fn run(arguments: &Arguments) -> Outcome {
    // A daemon that runs knows the farm's language.
    let _ = arguments.daemon.words();
    check_file_and_pond(arguments)?;
    // What is wrong with a question is said before a line is taken from the daemon for it.
    match arguments.kind {
        Some(kind @ (Kind::Modbus | Kind::Ascii)) => drop(plan(arguments, kind)?),
        Some(Kind::Sdi12) => drop(spoken::plan(arguments, LineKind::Sdi12)?),
        Some(Kind::Text) => drop(spoken::plan(arguments, LineKind::Text)?),
        None if arguments.server.is_some() => drop(plan(arguments, Kind::Modbus)?),
        None => {}
    }
    let place = arguments.place();
    super::wait_for(async {
        // Heard from before the line is lent on: whoever stops it then is still told what was found.
        let mut interrupt = signal(SignalKind::interrupt()).map_err(|error| {
            Failure::failed(say!(spoken(), "scan-no-signals", error = super::error_in(&error)))
        })?;
        let mut access = Access::prepare(&place, &arguments.daemon.socket).await.map_err(Failure::failed)?;
        let lent = access.lent().cloned();
        let kind = kind(arguments, lent.as_ref())?;
        let over = Arc::new(AtomicBool::new(false));
        let noticed = Arc::clone(&over);
        tokio::spawn(async move {
            interrupt.recv().await;
            noticed.store(true, Ordering::Relaxed);
            // The first is heard between two questions. A second one ends the program at once; the daemon takes a lent
            // line back by itself.
            interrupt.recv().await;
            std::process::exit(FAILED.into());
        });
        let is_over = || over.load(Ordering::Relaxed);
        match kind {
            Kind::Modbus | Kind::Ascii => modbus(arguments, kind, lent.as_ref(), &mut access, &is_over).await,
            Kind::Sdi12 => spoken::run(arguments, LineKind::Sdi12, &mut access, &is_over).await,
            Kind::Text => spoken::run(arguments, LineKind::Text, &mut access, &is_over).await,
        }
    })?
}

/// What is spoken: as named, and as the daemon knows it.
fn kind(arguments: &Arguments, lent: Option<&LentLine>) -> Result<Kind, Failure> {
    let known = lent.map(|lent| match lent.kind {
        LentKind::Modbus | LentKind::Tcp => Kind::Modbus,
        LentKind::Ascii => Kind::Ascii,
        LentKind::Sdi12 => Kind::Sdi12,
        LentKind::Text => Kind::Text,
    });
    if let (Some(server), Some(lent), Some(Kind::Sdi12 | Kind::Text)) = (&arguments.server, lent, known) {
        let (server, bus) = (server.to_string(), lent.bus.as_str());
        return Err(Failure::usage(say!(spoken(), "scan-server-text", line = server, bus = bus)));
    }
    match (arguments.kind, known) {
        // It is Modbus, and the daemon knows which.
        (Some(Kind::Modbus), Some(Kind::Ascii)) => Ok(Kind::Ascii),
        (Some(named), Some(known)) if named != known => Err(Failure::usage(say!(
            spoken(),
            "scan-other-kind",
            line = arguments.place().to_string(),
            bus = lent.map(|lent| lent.bus.as_str()).unwrap_or_default(),
        ))),
        (named, known) => Ok(named.or(known).unwrap_or(Kind::Modbus)),
    }
}

async fn modbus(
    arguments: &Arguments,
    kind: Kind,
    lent: Option<&LentLine>,
    access: &mut Access,
    is_over: &dyn Fn() -> bool,
) -> Outcome {
    let mut plan = plan(arguments, kind)?;
    if let Some(lent) = lent {
        match arguments.server {
            Some(_) => server::adopt(&mut plan, lent, arguments.framing.is_some()),
            None => adopt(&mut plan, lent, arguments.speeds.is_empty()),
        }
    }
    let mut teller = Teller::new(|address| address.to_string());
    let outcome = scan::scan(&plan, access, &mut |progress| teller.tell(progress), is_over).await;
    teller.end();
    let outcome = scan::Outcome { stable_device: plan.place.device().and_then(stable), ..outcome };
    if outcome.tried.is_empty()
        || (outcome.units.is_empty() && outcome.tried.iter().all(|own| own.addresses == 0))
    {
        // Not even begun: the reason is the message.
        if let Some(why) = &outcome.stopped {
            return Err(Failure::failed(recognised(spoken(), why)));
        }
    }
    let written = write_down(arguments, !outcome.units.is_empty(), |now| {
        scan::fragment(&plan, &outcome, arguments.pond.as_deref(), now)
    })?;
    if arguments.json {
        for object in scan::json(&plan, &outcome, written.as_deref()) {
            super::print(&super::json_line(&object)?)?;
        }
    } else {
        super::print_plain(&scan::text(&plan, &outcome, written.as_deref(), spoken()))?;
    }
    Ok(if outcome.units.is_empty() { FAILED } else { DONE })
}

/// Writes what was found, if it is to be; the file's name.
fn write_down(
    arguments: &Arguments,
    is_found: bool,
    fragment: impl FnOnce(&str) -> String,
) -> Result<Option<String>, Failure> {
    let Some(file) = arguments.write.as_ref().filter(|_| is_found) else { return Ok(None) };
    let now = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
    write_new(file, &fragment(&now))?;
    Ok(Some(file.display().to_string()))
}

fn check_file_and_pond(arguments: &Arguments) -> Result<(), Failure> {
    if let Some(file) = &arguments.write
        && std::fs::symlink_metadata(file).is_ok()
    {
        return Err(Failure::usage(say!(spoken(), "scan-file-there", file = file.display().to_string())));
    }
    server::check(arguments)?;
    if let Some(pond) = &arguments.pond
        && !pond.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == '_')
    {
        return Err(Failure::usage(say!(spoken(), "scan-no-pond-id", id = pond)));
    }
    Ok(())
}

/// The settings of a scan: those named, or the usual ones. Seven data bits are Modbus ASCII, whatever the kind.
fn settings(speeds: &[Speed], kind: Kind) -> Vec<Setting> {
    let framing = |speed: &Speed| match kind == Kind::Ascii || speed.has_seven_bits() {
        true => Framing::Ascii,
        false => Framing::Rtu,
    };
    match (speeds, kind) {
        ([], Kind::Ascii) => Setting::usual_ascii(),
        ([], _) => [Setting::usual(), Setting::usual_ascii()].concat(),
        (named, _) => named.iter().map(|speed| speed.setting(framing(speed))).collect(),
    }
}

fn plan(arguments: &Arguments, kind: Kind) -> Result<Plan, Failure> {
    if arguments.further {
        return Err(Failure::usage(say!(spoken(), "scan-further-only")));
    }
    let listed = arguments.addresses.as_deref().unwrap_or("1-247");
    let addresses = scan::addresses(listed).map_err(Failure::usage)?;
    let profiles = match arguments.profile.as_slice() {
        [] => every_map(),
        named => named.iter().map(|name| map(name)).collect::<Result<_, _>>()?,
    };
    Ok(Plan {
        place: arguments.place(),
        settings: match arguments.server {
            Some(_) => server::settings(arguments.framing),
            None => settings(&arguments.speeds, kind),
        },
        every_setting: !arguments.speeds.is_empty(),
        addresses,
        patience: arguments.patience(),
        profiles,
        watch: arguments.watch,
    })
}

/// The built-in register maps: those of other kinds of lines are not scanned for.
fn every_map() -> Vec<RegisterMap> {
    builtin::PROFILES.iter().filter_map(|(name, text)| profile::parse(text, name).ok()).collect()
}

/// A register map by name or file.
fn map(name: &str) -> Result<RegisterMap, Failure> {
    match any_profile(name)? {
        Profile::Registers(map) => Ok(Arc::unwrap_or_clone(map)),
        other => {
            Err(Failure::usage(say!(spoken(), "scan-other-profile", name = name, kind = belongs(&other),)))
        }
    }
}

/// What a profile is for, in the language that is spoken.
fn belongs(profile: &Profile) -> String {
    match profile {
        Profile::Text(_) => say!(spoken(), "check-text"),
        other => other.belongs().to_owned(),
    }
}

/// A profile by name or file.
fn any_profile(name: &str) -> Result<Profile, Failure> {
    let (text, file) = match builtin::profile(name) {
        Some(text) => (text.to_owned(), name.to_owned()),
        None if Path::new(name).is_file() => {
            let text = files::read(Path::new(name)).map_err(|problem| Failure::usage(problem.to_string()))?;
            (text, name.to_owned())
        }
        None => {
            let known = builtin::profile_names().join(", ");
            return Err(Failure::usage(say!(spoken(), "scan-no-profile-known", name = name, known = known)));
        }
    };
    profile::parse_any(&text, &file).map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(|p| format!("{}: {p}", p.place())).collect();
        Failure::usage(problems.join("\n"))
    })
}

/// The line's own setting comes first, and is the only one where none was named: the daemon's probes have it.
fn adopt(plan: &mut Plan, lent: &LentLine, by_itself: bool) {
    let own = own_setting(lent);
    if by_itself {
        plan.settings.retain(|setting| *setting != own);
        plan.settings.insert(0, own);
    }
}

/// The setting that the daemon has a line at.
fn own_setting(lent: &LentLine) -> Setting {
    let parity = match lent.parity.as_str() {
        "even" => Parity::Even,
        "odd" => Parity::Odd,
        _ => Parity::None,
    };
    let framing = if lent.kind == LentKind::Ascii { Framing::Ascii } else { Framing::Rtu };
    let (baud, data_bits, stop_bits) = (lent.baud, lent.data_bits, lent.stop_bits);
    Setting { baud, data_bits, parity, stop_bits, framing, by_server: false }
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
        let (file, error) = (file.display().to_string(), super::error_in(&error));
        Failure::failed(say!(spoken(), "scan-not-written", file = file, error = error))
    })
}
