//! What is different behind a serial server: how long it is waited for, who it says is not there, and whether what
//! answers is one at all.

use std::io;
use std::time::Duration;

use pondreeve_core::said::said;
use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::modbus::survey::Sign;

use super::walk::{Step, Stop, Walk};
use super::wire::Wire;

/// Who first keeps silent over Modbus TCP is waited for so long: a server that answers in the place of units that are not
/// there does so once it has waited for them itself.
const SERVER_WAITS: Duration = Duration::from_secs(2);

/// What answers so many addresses, from the first on, with bytes that are no Modbus is something else.
const NONSENSE: usize = 4;

/// Exceptions 10 and 11, gateway path unavailable and gateway target device failed to respond: a gateway answers in the
/// place of a unit that does not. Some servers of Modbus TCP say 4, server device failure.
pub(super) fn is_absent(sign: &Sign, over_tcp: bool) -> bool {
    matches!(sign.exception, Some(10 | 11)) || (over_tcp && sign.exception == Some(4))
}

/// Why a scan ends whose connection did.
pub(super) fn ended(error: &io::Error) -> Stop {
    let why = said!(
        "scan-server-ended",
        "the connection to the serial server ended: {error}; look whether it is powered, whether this is the port of its line, and whether another program uses it",
        error = error.to_string()
    );
    Stop { why: why.into(), misunderstood: true }
}

impl Walk<'_> {
    pub(super) fn is_over_tcp(&self) -> bool {
        self.access.setting().is_some_and(|setting| setting.framing == Framing::Tcp)
    }

    /// How long an answer is waited for.
    pub(super) fn patience(&self) -> Duration {
        let server = self.is_over_tcp().then(|| self.server_waits.unwrap_or(SERVER_WAITS));
        self.plan.patience.max(server.unwrap_or_default())
    }

    /// Takes from what an address gave how long the server waits itself: after `absent` it said that nobody is there.
    pub(super) fn learn(&mut self, absent: Option<Duration>, is_silent: bool) {
        if let Some(after) = absent {
            self.server_waits = self.server_waits.max(Some(after.mul_f64(1.5)));
        } else if is_silent {
            self.server_waits.get_or_insert_default();
        }
    }

    /// On a line noise comes now and then; a program of another kind answers whatever it is asked.
    pub(super) fn check_that_it_is_modbus(&self, asked: usize, unclear: usize) -> Step<()> {
        let setting = self.access.setting().filter(|setting| setting.by_server);
        let Some(setting) = setting.filter(|_| asked == NONSENSE && unclear == asked) else { return Ok(()) };
        let first = self.access.wire.as_ref().map(Wire::first).unwrap_or_default();
        let why = said!(
            "scan-server-other",
            "what answers at the serial server is no {framing}: what came first was \"{first}\"; look whether this is the port of its line, and what it is set to speak there",
            framing = setting.to_string(),
            first = first
        );
        Err(Stop { why: why.into(), misunderstood: true })
    }
}
