//! The port: one that nobody has, or one that the daemon lends.

use std::path::Path;
use std::time::Duration;

use super::wire::Wire;
use super::{Place, Progress, Setting};
use crate::local::client::{self, Client, ClientError};
use crate::local::protocol::{Ask, LentLine, Reply};
use crate::probes::serial::{Port, connect, open_error, open_port};
use crate::probes::spoken::talk::Talk;

/// A recalled line is asked for again after this: time for the horn.
const ASK_AGAIN_AFTER: Duration = Duration::from_secs(2);

/// Silence between an answer on a line of text and the next question.
const TEXT_TURNAROUND: Duration = Duration::from_millis(5);

/// Seconds asked for; the daemon decides.
const ASKED_S: u64 = 600;

/// A line to be looked over.
#[derive(Debug)]
pub struct Access {
    place: Place,
    loan: Option<(Client, LentLine)>,
    setting: Option<Setting>,
    pub(super) wire: Option<Wire<Port>>,
    /// The same port where text is spoken.
    pub(super) talk: Option<Talk<Port>>,
    /// Why the daemon was not asked, where that may matter.
    remark: Option<String>,
}

impl Access {
    /// Borrows the line from the daemon that listens at `socket`, if there is one and the line is its.
    ///
    /// # Errors
    /// The daemon has the line and does not lend it.
    pub async fn prepare(place: &Place, socket: &Path) -> Result<Self, String> {
        let place = match place {
            Place::Device(device) => {
                Place::Device(std::path::absolute(device).unwrap_or_else(|_| device.to_owned()))
            }
            server @ Place::Server(..) => server.clone(),
        };
        let (loan, remark) = match client::connect(socket).await {
            Err(ClientError::NotRunning { .. }) => (None, None),
            Err(error) => (None, Some(error.to_string())),
            Ok(mut client) => {
                let lent = borrow(&mut client, &place).await?;
                (lent.map(|lent| (client, lent)), None)
            }
        };
        Ok(Self { place, loan, setting: None, wire: None, talk: None, remark })
    }

    /// What the daemon says of the line.
    pub fn lent(&self) -> Option<&LentLine> {
        self.loan.as_ref().map(|(_, lent)| lent)
    }

    /// The setting that the port was last opened at.
    pub(super) fn setting(&self) -> Option<Setting> {
        self.setting
    }

    /// Opens the port for Modbus.
    ///
    /// # Errors
    /// It cannot be opened, in words.
    pub(super) async fn open(&mut self, setting: Setting) -> Result<(), String> {
        self.wire = Some(Wire::new(self.port(setting).await?, setting));
        Ok(())
    }

    /// Opens the port of a device for text. `slowest` is the longest that an answer may take.
    ///
    /// # Errors
    /// It cannot be opened, in words.
    pub(super) async fn open_for_text(&mut self, setting: Setting, slowest: Duration) -> Result<(), String> {
        let port = self.port(setting).await?;
        self.talk = Some(Talk::new(port, setting.character(), TEXT_TURNAROUND, slowest));
        Ok(())
    }

    async fn port(&mut self, setting: Setting) -> Result<Port, String> {
        (self.wire, self.talk) = (None, None);
        self.setting = Some(setting);
        // A daemon that has just let go may take a moment.
        let mut tries = if self.loan.is_some() { 10 } else { 1 };
        loop {
            tries -= 1;
            match opened(&self.place, setting).await {
                Ok(port) => return Ok(port),
                Err(_) if tries > 0 => tokio::time::sleep(Duration::from_millis(100)).await,
                Err(why) => {
                    let remark = self.remark.as_ref().map(|why| format!("; {why}")).unwrap_or_default();
                    return Err(format!("{why}{remark}"));
                }
            }
        }
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
        // Lines of text have no horn on them: what recalls them is the end of their time.
        (self.wire, self.talk) = (None, None);
        tell(Progress::Recalled);
        let ended = || format!("the daemon took the line back: {why}");
        let returned = client.ask(Ask::ReturnLine).await.map_err(|_| ended())?;
        if !matches!(returned, Reply::Done { .. }) {
            return Err(ended());
        }
        tokio::time::sleep(ASK_AGAIN_AFTER).await;
        match borrow(client, &self.place).await {
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
        (self.wire, self.talk) = (None, None);
        if let Some((client, _)) = &mut self.loan {
            // A connection that broke gives it back as well.
            let _ = tokio::time::timeout(Duration::from_secs(5), client.ask(Ask::ReturnLine)).await;
        }
    }
}

async fn opened(place: &Place, setting: Setting) -> Result<Port, String> {
    match place {
        Place::Device(device) => {
            let frame = (setting.data_bits, setting.parity, setting.stop_bits);
            let cannot = |error| format!("opening {place} at {setting}: {}", open_error(&error));
            Ok(Box::new(open_port(device, setting.baud, frame).map_err(cannot)?))
        }
        Place::Server(host, port) => {
            Ok(Box::new(connect(host, *port, &format!("serial server {place}")).await?))
        }
    }
}

/// `None` where the line is not the daemon's.
async fn borrow(client: &mut Client, place: &Place) -> Result<Option<LentLine>, String> {
    let ask = Ask::BorrowLine { device: place.to_string(), seconds: ASKED_S };
    match client.ask(ask).await {
        Ok(Reply::LineLent(lent)) => Ok(Some(*lent)),
        Ok(Reply::NotOurLine) => Ok(None),
        Ok(Reply::Error { message, .. }) => Err(message),
        Ok(_) => Err("what answers at the socket is not this version of pondreeve".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}
