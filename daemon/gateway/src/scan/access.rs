//! The port: one that nobody has, or one that the daemon lends.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio_serial::SerialStream;

use super::wire::Wire;
use super::{Progress, Setting};
use crate::local::client::{self, Client, ClientError};
use crate::local::protocol::{Ask, LentLine, Reply};
use crate::probes::serial::{open_error, open_port};

/// A recalled line is asked for again after this: time for the horn.
const ASK_AGAIN_AFTER: Duration = Duration::from_secs(2);

/// Seconds asked for; the daemon decides.
const ASKED_S: u64 = 600;

/// A line to be looked over.
#[derive(Debug)]
pub struct Access {
    device: PathBuf,
    loan: Option<(Client, LentLine)>,
    setting: Option<Setting>,
    pub(super) wire: Option<Wire<SerialStream>>,
    /// Why the daemon was not asked, where that may matter.
    remark: Option<String>,
}

impl Access {
    /// Borrows the line from the daemon that listens at `socket`, if there is one and the line is its.
    ///
    /// # Errors
    /// The daemon has the line and does not lend it.
    pub async fn prepare(device: &Path, socket: &Path) -> Result<Self, String> {
        let device = std::path::absolute(device).unwrap_or_else(|_| device.to_owned());
        let (loan, remark) = match client::connect(socket).await {
            Err(ClientError::NotRunning { .. }) => (None, None),
            Err(error) => (None, Some(error.to_string())),
            Ok(mut client) => {
                let lent = borrow(&mut client, &device).await?;
                (lent.map(|lent| (client, lent)), None)
            }
        };
        Ok(Self { device, loan, setting: None, wire: None, remark })
    }

    /// What the daemon says of the line.
    pub fn lent(&self) -> Option<&LentLine> {
        self.loan.as_ref().map(|(_, lent)| lent)
    }

    /// Opens the port.
    ///
    /// # Errors
    /// It cannot be opened, in words.
    pub(super) async fn open(&mut self, setting: Setting) -> Result<(), String> {
        self.wire = None;
        self.setting = Some(setting);
        let device = &self.device;
        // A daemon that has just let go may take a moment.
        let mut tries = if self.loan.is_some() { 10 } else { 1 };
        let port = loop {
            tries -= 1;
            match open_port(device, setting.baud, (8, setting.parity, setting.stop_bits)) {
                Ok(port) => break port,
                Err(_) if tries > 0 => tokio::time::sleep(Duration::from_millis(100)).await,
                Err(error) => {
                    let remark = self.remark.as_ref().map(|why| format!("; {why}")).unwrap_or_default();
                    let why = open_error(&error);
                    return Err(format!("opening {} at {setting}: {why}{remark}", device.display()));
                }
            }
        };
        self.wire = Some(Wire::new(port, setting));
        Ok(())
    }

    /// To be called between two questions: gives the line back if it is wanted, and gets it again.
    ///
    /// # Errors
    /// The line is gone for good, in words.
    pub(super) async fn between(&mut self, tell: &mut dyn FnMut(Progress)) -> Result<(), String> {
        let Some((client, _)) = &mut self.loan else { return Ok(()) };
        let why = match client.unasked() {
            None => return Ok(()),
            Some(Ok(Some(Reply::LineRecalled { why }))) => why,
            Some(Ok(Some(_))) => return Ok(()),
            Some(Ok(None)) => "the daemon has closed the connection".to_owned(),
            Some(Err(error)) => error.to_string(),
        };
        self.wire = None;
        tell(Progress::Recalled);
        let ended = || format!("the daemon took the line back: {why}");
        let returned = client.ask(Ask::ReturnLine).await.map_err(|_| ended())?;
        if !matches!(returned, Reply::Done { .. }) {
            return Err(ended());
        }
        tokio::time::sleep(ASK_AGAIN_AFTER).await;
        match borrow(client, &self.device).await {
            Ok(Some(_)) => {}
            Ok(None) | Err(_) => return Err(ended()),
        }
        match self.setting {
            Some(setting) => self.open(setting).await,
            None => Ok(()),
        }
    }

    /// Closes the port and gives the line back.
    pub async fn end(&mut self) {
        self.wire = None;
        if let Some((client, _)) = &mut self.loan {
            // A connection that broke gives it back as well.
            let _ = tokio::time::timeout(Duration::from_secs(5), client.ask(Ask::ReturnLine)).await;
        }
    }
}

/// `None` where the line is not the daemon's.
async fn borrow(client: &mut Client, device: &Path) -> Result<Option<LentLine>, String> {
    let ask = Ask::BorrowLine { device: device.display().to_string(), seconds: ASKED_S };
    match client.ask(ask).await {
        Ok(Reply::LineLent(lent)) => Ok(Some(*lent)),
        Ok(Reply::NotOurLine) => Ok(None),
        Ok(Reply::Error { message, .. }) => Err(message),
        Ok(_) => Err("what answers at the socket is not this version of pondreeve".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}
