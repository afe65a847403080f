//! A serial line lent over the local socket.

use std::path::Path;
use std::time::Duration;

use pondreeve_core::said::Said;
use serde::{Deserialize, Serialize};
use tokio::sync::oneshot;

use super::protocol::Reply;
use super::requests::Counter;
use crate::config::farm::{Bus, Parity};
use crate::probes::serial::loan::{Loan, LoanAsk};

/// A poll that is under way ends first: at most one probe's attempts.
const LENT_WITHIN: Duration = Duration::from_secs(30);

/// What is lent, and what the configuration says of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LentLine {
    /// Id of the bus.
    pub bus: String,
    /// For so long.
    pub seconds: u64,
    /// Bits per second.
    pub baud: u32,
    /// `none`, `even` or `odd`.
    pub parity: String,
    /// Stop bits.
    pub stop_bits: u8,
    /// The probes on it.
    pub probes: Vec<LentProbe>,
}

/// A configured probe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LentProbe {
    /// Modbus address.
    pub address: u8,
    /// Id.
    pub id: String,
    /// Register map.
    pub profile: String,
}

impl Counter {
    /// Borrows the line of a device from the task that polls it, in the name of a local user.
    pub(super) async fn borrow_line(&self, device: &str, seconds: u64, by: &str) -> (Reply, Option<Loan>) {
        let wanted = real(Path::new(device));
        let index = self.farm.buses.iter().position(|bus| real(&bus.device) == wanted);
        let found = index.and_then(|index| Some((self.farm.buses.get(index)?, self.loans.get(index)?)));
        let Some((bus, loans)) = found else { return (Reply::NotOurLine, None) };
        let (answer, answered) = oneshot::channel();
        let ask = LoanAsk { by: by.to_owned(), length: Duration::from_secs(seconds), answer };
        let lent = async {
            loans.send(ask).await.map_err(|_closed| "the part that reads it has ended".to_owned())?;
            answered.await.map_err(|_gone| "the part that reads it has ended".to_owned())?
        };
        let lent = tokio::time::timeout(LENT_WITHIN, lent).await;
        match lent.unwrap_or_else(|_| Err("it did not come free in time: ask again".to_owned())) {
            Ok(loan) => (Reply::LineLent(Box::new(self.lent_line(bus, &loan))), Some(loan)),
            Err(why) => {
                let message = format!("borrowing the line of bus {} ({device}): {why}", bus.id);
                (Reply::refusal(&Said::plain(message), false), None)
            }
        }
    }

    fn lent_line(&self, bus: &Bus, loan: &Loan) -> LentLine {
        let id = |index: u16| self.farm.site.probes.get(usize::from(index)).map(|probe| probe.id.clone());
        LentLine {
            bus: bus.id.clone(),
            seconds: loan.length.as_secs(),
            baud: bus.baud,
            parity: match bus.parity {
                Parity::None => "none",
                Parity::Even => "even",
                Parity::Odd => "odd",
            }
            .to_owned(),
            stop_bits: bus.stop_bits,
            probes: bus
                .probes
                .iter()
                .map(|probe| LentProbe {
                    address: probe.unit,
                    id: id(probe.probe.0).unwrap_or_default(),
                    profile: probe.map.id.clone(),
                })
                .collect(),
        }
    }
}

/// The device behind a stable path.
fn real(path: &Path) -> std::path::PathBuf {
    std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned())
}
