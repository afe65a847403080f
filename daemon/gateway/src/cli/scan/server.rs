//! `pondreeve scan` of a line that a serial server has.

use pondreeve_protocol::modbus::Framing;

use super::super::spoken;
use super::Arguments;
use crate::exit_code::Failure;
use crate::local::protocol::{LentKind, LentLine};
use crate::scan::{Place, Plan, Setting};
use crate::texts::say;

/// How Modbus travels to a serial server, as the configuration has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Travel {
    /// Modbus TCP
    Tcp,
    /// The bytes of Modbus RTU
    Rtu,
    /// The characters of Modbus ASCII
    Ascii,
}

impl Travel {
    const fn framing(self) -> Framing {
        match self {
            Self::Tcp => Framing::Tcp,
            Self::Rtu => Framing::Rtu,
            Self::Ascii => Framing::Ascii,
        }
    }
}

/// The framings to try: the one that is named, or all.
pub(super) fn settings(named: Option<Travel>) -> Vec<Setting> {
    named.map_or_else(Setting::of_servers, |own| vec![Setting::of_server(own.framing())])
}

/// A server is one, and nothing is asked of it that is its own to set.
///
/// # Errors
/// Bad usage.
pub(super) fn check(arguments: &Arguments) -> Result<(), Failure> {
    if arguments.server.is_some() && !arguments.speeds.is_empty() {
        return Err(Failure::usage(say!(spoken(), "scan-server-speeds")));
    }
    let Some(line) = arguments.line.as_ref().filter(|line| !line.exists()) else { return Ok(()) };
    match Place::server(&line.to_string_lossy()) {
        Ok(server) => Err(Failure::usage(say!(spoken(), "scan-server", line = server.to_string()))),
        Err(_) => Ok(()),
    }
}

/// The daemon knows what its server speaks, and how fast the line behind it is. Where another framing was named, that is
/// tried.
pub(super) fn adopt(plan: &mut Plan, lent: &LentLine, is_named: bool) {
    if !is_named {
        plan.settings = settings(Some(match lent.kind {
            LentKind::Tcp => Travel::Tcp,
            LentKind::Ascii => Travel::Ascii,
            LentKind::Modbus | LentKind::Sdi12 | LentKind::Text => Travel::Rtu,
        }));
    }
    for setting in &mut plan.settings {
        setting.baud = lent.baud;
    }
}
