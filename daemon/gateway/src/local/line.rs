//! A serial line lent over the local socket.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use pondreeve_core::said::Said;
use pondreeve_core::site::ProbeIndex;
use pondreeve_protocol::modbus::Framing;
use serde::{Deserialize, Serialize};
use tokio::sync::oneshot;

use super::protocol::Reply;
use super::requests::Counter;
use crate::config::farm::{Bus, BusProbe, LineKind, LineProbe, Parity, Spoken, TextLine, Wake};
use crate::config::host_and_port;
use crate::probes::serial::loan::{Loan, LoanAsk};

/// A poll that is under way ends first: at most one probe's attempts.
const LENT_WITHIN: Duration = Duration::from_secs(30);

/// A name that is not found within this time is not waited for.
const FOUND_WITHIN: Duration = Duration::from_secs(2);

/// What is spoken on a lent line.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LentKind {
    /// Modbus RTU.
    #[default]
    Modbus,
    /// Modbus ASCII.
    Ascii,
    /// Modbus TCP, to a serial server.
    Tcp,
    /// SDI-12.
    Sdi12,
    /// Lines of text.
    Text,
}

/// What is lent, and what the configuration says of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LentLine {
    /// Id of the bus or line.
    pub bus: String,
    /// What is spoken on it.
    #[serde(default)]
    pub kind: LentKind,
    /// For so long.
    pub seconds: u64,
    /// Bits per second.
    pub baud: u32,
    /// Data bits.
    #[serde(default = "eight")]
    pub data_bits: u8,
    /// `none`, `even` or `odd`.
    pub parity: String,
    /// Stop bits.
    pub stop_bits: u8,
    /// Whether the adapter of an SDI-12 line wakes the sensors by itself.
    #[serde(default)]
    pub adapter_wakes: bool,
    /// The probes on it.
    pub probes: Vec<LentProbe>,
}

fn eight() -> u8 {
    8
}

/// A configured probe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LentProbe {
    /// Modbus address; of an SDI-12 sensor its character, as a number; 0 of a probe that sends lines.
    pub address: u8,
    /// Id.
    pub id: String,
    /// Register map.
    pub profile: String,
}

impl Counter {
    /// Borrows the line of a device, or of a serial server as `host:port`, from the task that polls it, in the name of
    /// a local user.
    pub(super) async fn borrow_line(&self, device: &str, seconds: u64, by: &str) -> (Reply, Option<Loan>) {
        let (buses, lines) = (&self.farm.buses, &self.farm.lines);
        // A path is absolute, and a host has no slash.
        let wanted = match host_and_port(device) {
            Some(server) => Wanted::Server(addresses(&server).await, server),
            None => Wanted::Device(real(Path::new(device))),
        };
        let mut index = None;
        let places = buses.iter().map(|bus| (&bus.device, &bus.server));
        let places = places.chain(lines.iter().map(|line| (&line.device, &line.server)));
        // The senders of the lines come after those of the buses.
        for (place, (device, server)) in places.enumerate() {
            if wanted.is(device, server.as_ref()).await {
                index = Some(place);
                break;
            }
        }
        let found = index.and_then(|index| Some((self.about_line(index)?, self.loans.get(index)?)));
        let Some((about, loans)) = found else { return (Reply::NotOurLine, None) };
        let (answer, answered) = oneshot::channel();
        let ask = LoanAsk { by: by.to_owned(), length: Duration::from_secs(seconds), answer };
        let lent = async {
            loans.send(ask).await.map_err(|_closed| "the part that reads it has ended".to_owned())?;
            answered.await.map_err(|_gone| "the part that reads it has ended".to_owned())?
        };
        let lent = tokio::time::timeout(LENT_WITHIN, lent).await;
        match lent.unwrap_or_else(|_| Err("it did not come free in time: ask again".to_owned())) {
            Ok(loan) => {
                let lent = LentLine { seconds: loan.length.as_secs(), ..about };
                (Reply::LineLent(Box::new(lent)), Some(loan))
            }
            Err(why) => {
                let message = format!("borrowing the line of bus {} ({device}): {why}", about.bus);
                (Reply::refusal(&Said::plain(message), false), None)
            }
        }
    }

    fn about_line(&self, index: usize) -> Option<LentLine> {
        match self.farm.buses.get(index) {
            Some(bus) => Some(self.about_bus(bus)),
            None => Some(self.about_text(self.farm.lines.get(index - self.farm.buses.len())?)),
        }
    }

    fn id(&self, probe: ProbeIndex) -> String {
        self.farm.site.probes.get(usize::from(probe.0)).map(|probe| probe.id.clone()).unwrap_or_default()
    }

    fn about_bus(&self, bus: &Bus) -> LentLine {
        let probe = |probe: &BusProbe| LentProbe {
            address: probe.unit,
            id: self.id(probe.probe),
            profile: probe.map.id.clone(),
        };
        LentLine {
            bus: bus.id.clone(),
            kind: match bus.framing {
                Framing::Rtu => LentKind::Modbus,
                Framing::Ascii => LentKind::Ascii,
                Framing::Tcp => LentKind::Tcp,
            },
            seconds: 0,
            baud: bus.baud,
            data_bits: bus.data_bits,
            parity: parity_word(bus.parity).to_owned(),
            stop_bits: bus.stop_bits,
            adapter_wakes: false,
            probes: bus.probes.iter().map(probe).collect(),
        }
    }

    fn about_text(&self, line: &TextLine) -> LentLine {
        let probe = |probe: &LineProbe| {
            let (address, profile) = match &probe.spoken {
                Spoken::Sensor(address, map) => (*address, map.id.clone()),
                Spoken::Text(map) => (0, map.id.clone()),
            };
            LentProbe { address, id: self.id(probe.probe), profile }
        };
        LentLine {
            bus: line.id.clone(),
            kind: if line.kind == LineKind::Sdi12 { LentKind::Sdi12 } else { LentKind::Text },
            seconds: 0,
            baud: line.baud,
            data_bits: line.data_bits,
            parity: parity_word(line.parity).to_owned(),
            stop_bits: line.stop_bits,
            adapter_wakes: line.wake == Wake::Adapter,
            probes: line.probes.iter().map(probe).collect(),
        }
    }
}

const fn parity_word(parity: Parity) -> &'static str {
    match parity {
        Parity::None => "none",
        Parity::Even => "even",
        Parity::Odd => "odd",
    }
}

/// Whose line is wanted.
enum Wanted {
    Device(PathBuf),
    /// Its addresses, and as it was named.
    Server(Vec<SocketAddr>, (String, u16)),
}

impl Wanted {
    async fn is(&self, device: &Path, server: Option<&(String, u16)>) -> bool {
        match (self, server) {
            (Self::Device(wanted), None) => real(device) == *wanted,
            (Self::Server(found, wanted), Some(server)) => {
                // One server has several names.
                let is_near = wanted.1 == server.1;
                let is_same = || wanted.0.eq_ignore_ascii_case(&server.0);
                is_near && (is_same() || addresses(server).await.iter().any(|own| found.contains(own)))
            }
            (Self::Device(_), Some(_)) | (Self::Server(..), None) => false,
        }
    }
}

/// The addresses of a server; none where its name is not found in time.
async fn addresses((host, port): &(String, u16)) -> Vec<SocketAddr> {
    let found = tokio::time::timeout(FOUND_WITHIN, tokio::net::lookup_host((host.as_str(), *port))).await;
    found.ok().and_then(Result::ok).map(Iterator::collect).unwrap_or_default()
}

/// The device behind a stable path.
fn real(path: &Path) -> PathBuf {
    std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned())
}
