//! `pondreeve commission`: the check before an installation is handed over, and its sheet.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use super::{Daemon, spoken};
use crate::commission::sheet::{Head, html, text, wrap};
use crate::commission::{Act, Machine, Point, Verdict, answered, points, questions};
use crate::config::Farm;
use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::local::client;
use crate::local::devices::DeviceStatus;
use crate::local::protocol::{Ask, Reply};
use crate::texts::recognised::recognised;
use crate::texts::say;

const AFTER: &str = "\
Goes through every probe, aerator input, horn, lamp, line, broker, clock and the
store of the configuration, against the running daemon, or against one that it
starts for the check where none answers. Then it asks what only a person can
say: did the horn sound, which pond was lifted. Answer y, n, or Enter to skip.

The horn, and the lamp, are switched for a moment each; nothing else ever is.
With --yes nobody is asked and nothing is switched: those points stand on the
sheet as not checked.

Exit status: 0 if nothing is out of order, 1 if something is.

Examples:
  pondreeve commission --config farm.toml --out sheet.html
  pondreeve commission --config farm.toml --out sheet.txt --yes";

/// Arguments of `commission`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The configuration of the daemon
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Write the sheet here: a page if the name ends in .html, otherwise text
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Ask nobody and switch nothing
    #[arg(long)]
    pub yes: bool,
    /// How long to wait until every probe has been heard
    #[arg(long, value_name = "TIME", default_value = "3m", value_parser = super::numbers::length("usage-commission-wait"))]
    pub wait: Duration,
}

/// Checks, asks, and writes the sheet.
///
/// # Errors
/// The configuration cannot be used, no daemon can be started, or the sheet cannot be written.
pub fn run(arguments: &Arguments) -> Outcome {
    let farm = super::load_farm(&arguments.config)?;
    let daemon = Daemon { socket: farm.local.socket.clone() };
    let _started = start_if_none(&daemon, &arguments.config)?;
    let devices = heard(&daemon, arguments.wait)?;
    let status = daemon.status()?;
    let words = spoken();
    let mut all = points(&farm, &status, &devices, &machine(&farm), words);
    let asks = !arguments.yes && std::io::stdin().is_terminal();
    let head = head(&farm, &status.at, status.time_zone_offset_s, &arguments.config);
    if asks {
        tell(&say!(words, "commission-time", at = &head.at));
    }
    let asked = questions(&farm, words);
    for (place, question) in asked.iter().enumerate() {
        if asks {
            let (place, of) = ((place + 1).to_string(), asked.len().to_string());
            tell(&format!("\n{}", say!(words, "commission-question", place = place, of = of)));
        }
        let carried = match question.act {
            Some(act) if asks => {
                tell(&match act {
                    Act::Horn => say!(words, "commission-horn-now"),
                    Act::Lamp => say!(words, "commission-lamp-now"),
                });
                Some(tested(&daemon, act.id())?)
            }
            _ => None,
        };
        let answer = if asks { ask(&question.text) } else { None };
        all.push(answered(question, carried.as_ref(), answer, words));
    }
    let sheet = text(&head, &all, words);
    if let Some(path) = &arguments.out {
        let is_page = path.extension().is_some_and(|end| end.eq_ignore_ascii_case("html"));
        let written = if is_page {
            html(&head, &all, words).map_err(|error| {
                Failure::failed(say!(words, "commission-not-made", error = error.to_string()))
            })?
        } else {
            sheet.clone()
        };
        std::fs::write(path, written).map_err(|error| {
            let (path, error) = (path.display().to_string(), super::error_in(&error));
            Failure::failed(say!(words, "commission-not-written", path = path, error = error))
        })?;
    }
    super::print_plain(&sheet)?;
    Ok(if all.iter().any(|own: &Point| own.verdict == Verdict::Bad) { FAILED } else { DONE })
}

/// A daemon that was started for the check, ended when it is over.
struct Started(Child);

impl Drop for Started {
    fn drop(&mut self) {
        let pid = nix::unistd::Pid::from_raw(self.0.id().cast_signed());
        // It closes its store; if it has ended by itself there is nothing to end.
        let _ = nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM);
        let _ = self.0.wait();
    }
}

fn answers(daemon: &Daemon) -> Result<bool, Failure> {
    super::wait_for(async { client::connect(&daemon.socket).await.is_ok() })
}

fn start_if_none(daemon: &Daemon, config: &Path) -> Result<Option<Started>, Failure> {
    if answers(daemon)? {
        return Ok(None);
    }
    let program = std::env::current_exe().map_err(|error| {
        Failure::failed(say!(spoken(), "commission-no-program", error = super::error_in(&error)))
    })?;
    let child = Command::new(program)
        .args(["run", "--config"])
        .arg(config)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|error| {
            Failure::failed(say!(spoken(), "commission-not-started", error = super::error_in(&error)))
        })?;
    let mut started = Started(child);
    let until = Instant::now() + Duration::from_secs(30);
    tell(&say!(spoken(), "commission-own-daemon"));
    while !answers(daemon)? {
        if let Ok(Some(status)) = started.0.try_wait() {
            let status = recognised(spoken(), &status.to_string());
            return Err(Failure::failed(say!(spoken(), "commission-ended", status = status)));
        }
        if Instant::now() > until {
            return Err(Failure::failed(say!(spoken(), "commission-no-answer")));
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    Ok(Some(started))
}

/// The probes, once each has been heard or the time is over.
fn heard(daemon: &Daemon, wait: Duration) -> Result<Vec<DeviceStatus>, Failure> {
    let until = Instant::now() + wait;
    let mut told = false;
    loop {
        let devices = match daemon.ask(Ask::Devices)? {
            Reply::Devices { devices } => devices,
            other => return Err(daemon.unexpected(&other)),
        };
        let waiting = devices.iter().filter(|own| own.good_polls == 0).count();
        if waiting == 0 || Instant::now() >= until {
            return Ok(devices);
        }
        if !std::mem::replace(&mut told, true) {
            let most = humantime::format_duration(wait).to_string();
            tell(&say!(spoken(), "commission-waiting", probes = waiting.to_string(), most = most));
        }
        std::thread::sleep(Duration::from_secs(1));
    }
}

fn tested(daemon: &Daemon, which: &str) -> Result<Result<(), String>, Failure> {
    match daemon.ask(Ask::TestOutput { which: which.to_owned() })? {
        Reply::Tested { why: None } => Ok(Ok(())),
        Reply::Tested { why: Some(why) } => Ok(Err(why)),
        other => Err(daemon.unexpected(&other)),
    }
}

/// For whoever sits there; the sheet alone goes to standard output.
fn tell(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

fn ask(text: &str) -> Option<bool> {
    let mut shown = Vec::new();
    wrap(&mut shown, text, "", "");
    tell(&shown.join("\n"));
    let mut lines = std::io::stdin().lock().lines();
    loop {
        let _ = write!(std::io::stderr(), "{} ", say!(spoken(), "commission-prompt"));
        let line = lines.next()?.ok()?;
        match answered_with(&line) {
            Some(answer) => return answer,
            None => tell(&say!(spoken(), "commission-accepted")),
        }
    }
}

/// Yes, no or nothing, as people answer in either language; `None` where it is none of these.
fn answered_with(line: &str) -> Option<Option<bool>> {
    match line.trim().to_lowercase().as_str() {
        "" => Some(None),
        "y" | "yes" | "s" | "si" | "sí" => Some(Some(true)),
        "n" | "no" => Some(Some(false)),
        _ => None,
    }
}

fn head(farm: &Farm, at: &str, offset_s: i32, config: &Path) -> Head {
    let instant = at.parse::<jiff::Timestamp>().unwrap_or_default();
    let offset = jiff::tz::Offset::from_seconds(offset_s).unwrap_or(jiff::tz::Offset::UTC);
    let local = offset.to_datetime(instant);
    Head {
        farm: farm.name.clone(),
        gateway: farm.site.gateway.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        configuration: config.display().to_string(),
        at: format!("{} {:02}:{:02} (UTC{offset})", local.date(), local.hour(), local.minute()),
    }
}

fn machine(farm: &Farm) -> Machine {
    let free = crate::journal::free_bytes(&farm.store.path).ok();
    Machine { now_s: jiff::Timestamp::now().as_second(), clock_kept: clock_kept(), store_free: free }
}

/// What the system says of its clock, where it is one that says so.
fn clock_kept() -> Option<bool> {
    let told = Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        .stderr(Stdio::null())
        .output()
        .ok()?;
    match told.stdout.trim_ascii() {
        b"yes" => Some(true),
        b"no" => Some(false),
        _ => None,
    }
}
