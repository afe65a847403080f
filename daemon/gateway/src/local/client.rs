//! The asking side of the local socket, for the console and the plain commands.

use std::io;
use std::path::{Path, PathBuf};

use futures_util::{SinkExt, StreamExt};
use pondreeve_core::said::said;
use thiserror::Error;
use tokio::net::UnixStream;
use tokio_util::codec::{Framed, LinesCodec, LinesCodecError};

use super::protocol::{Ask, FarmStatus, Reply, Request};
use crate::audit::Place;
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

/// Longest answer accepted. A farm of a hundred ponds with everything in alarm stays below 1 MB.
const LONGEST_REPLY_BYTES: usize = 16 * 1024 * 1024;

/// Why nothing could be asked, or no answer came.
#[derive(Debug, Error)]
pub enum ClientError {
    /// Nobody listens there.
    #[error(
        "no pondreeve answers at {path}: start it with `pondreeve run --config FILE`, or name its socket with --socket"
    )]
    NotRunning {
        /// The socket.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// The socket file does not let this user in.
    #[error(
        "{path} does not let this user in: ask for membership of the group that owns it (`ls -l {path}` shows which)"
    )]
    NotAllowed {
        /// The socket.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// The connection broke.
    #[error("the connection to the pondreeve at {path} broke: {detail}")]
    Broken {
        /// The socket.
        path: PathBuf,
        /// How.
        detail: String,
    },
    /// What came is no answer: another program or another version listens there.
    #[error("what answers at {path} is not this version of pondreeve: {detail}")]
    NotUnderstood {
        /// The socket.
        path: PathBuf,
        /// What was wrong with the answer.
        detail: String,
    },
    /// The daemon refused to be watched, with its reason.
    #[error("{0}")]
    Refused(String),
}

impl ClientError {
    /// As a person reads it.
    pub fn told(&self, words: Words) -> String {
        let named = |path: &Path| path.display().to_string();
        match self {
            Self::NotRunning { path, .. } => say!(words, "link-not-running", path = named(path)),
            Self::NotAllowed { path, .. } => say!(words, "link-not-allowed", path = named(path)),
            Self::Broken { path, detail } => {
                say!(words, "link-broken", path = named(path), detail = recognised(words, detail))
            }
            Self::NotUnderstood { path, detail } => {
                say!(words, "link-not-understood", path = named(path), detail = recognised(words, detail))
            }
            Self::Refused(why) => recognised(words, why),
        }
    }
}

/// A connection to the running daemon. Answers come in the order of the questions.
#[derive(Debug)]
pub struct Client {
    lines: Framed<UnixStream, LinesCodec>,
    path: PathBuf,
    place: Place,
}

/// Connects to the daemon that listens at `path`.
pub async fn connect(path: &Path) -> Result<Client, ClientError> {
    let stream = UnixStream::connect(path).await.map_err(|source| match source.kind() {
        io::ErrorKind::PermissionDenied => ClientError::NotAllowed { path: path.to_owned(), source },
        _ => ClientError::NotRunning { path: path.to_owned(), source },
    })?;
    let codec = LinesCodec::new_with_max_length(LONGEST_REPLY_BYTES);
    Ok(Client { lines: Framed::new(stream, codec), path: path.to_owned(), place: Place::Command })
}

impl Client {
    /// Says that a person asks from the full-screen terminal.
    #[must_use]
    pub fn of_console(self) -> Self {
        Self { place: Place::Console, ..self }
    }

    /// Asks one thing and waits for the answer. For [`Ask::Watch`] use [`Client::watch`].
    pub async fn ask(&mut self, ask: Ask) -> Result<Reply, ClientError> {
        let sent = self.send(ask).await;
        match (self.next_reply().await, sent) {
            // A daemon that turns a client away answers and closes without having read.
            (Ok(Some(reply)), _) => Ok(reply),
            (_, Err(error)) | (Err(error), _) => Err(error),
            (Ok(None), Ok(())) => {
                Err(self.broken(said!("client-closed", "it closed before answering").english()))
            }
        }
    }

    /// What the daemon has said unasked, without waiting: `None` if nothing, `Some(None)` once it has closed.
    pub fn unasked(&mut self) -> Option<Result<Option<Reply>, ClientError>> {
        futures_util::FutureExt::now_or_never(self.next_reply())
    }

    /// Turns the connection into a stream of the farm's status: one now, one each second, and one at
    /// once when an alarm changes.
    pub async fn watch(mut self) -> Result<Watch, ClientError> {
        if let Err(error) = self.send(Ask::Watch).await {
            // As in `ask`: the reason may have been said already.
            return match self.next_reply().await {
                Ok(Some(Reply::Error { message, .. })) => Err(ClientError::Refused(message)),
                _ => Err(error),
            };
        }
        Ok(Watch { client: self })
    }

    async fn send(&mut self, ask: Ask) -> Result<(), ClientError> {
        let line = serde_json::to_string(&Request { ask, place: self.place })
            .map_err(|error| self.broken(&format!("the request could not be written: {error}")))?;
        match self.lines.send(line).await {
            Ok(()) => Ok(()),
            Err(error) => Err(self.broken(&error.to_string())),
        }
    }

    async fn next_reply(&mut self) -> Result<Option<Reply>, ClientError> {
        let line = match self.lines.next().await {
            None => return Ok(None),
            Some(Ok(line)) => line,
            Some(Err(LinesCodecError::MaxLineLengthExceeded)) => {
                let bytes = LONGEST_REPLY_BYTES.to_string();
                let said = said!("client-too-long", "an answer longer than {bytes} bytes", bytes = bytes);
                return Err(self.not_understood(said.english()));
            }
            Some(Err(LinesCodecError::Io(error))) => return Err(self.broken(&error.to_string())),
        };
        serde_json::from_str(&line).map(Some).map_err(|error| self.not_understood(&error.to_string()))
    }

    fn broken(&self, detail: &str) -> ClientError {
        ClientError::Broken { path: self.path.clone(), detail: detail.to_owned() }
    }

    fn not_understood(&self, detail: &str) -> ClientError {
        ClientError::NotUnderstood { path: self.path.clone(), detail: detail.to_owned() }
    }
}

/// The farm's status, again and again.
#[derive(Debug)]
pub struct Watch {
    client: Client,
}

impl Watch {
    /// The next status; `None` once the daemon has closed the connection. Cancel-safe: a call that is
    /// dropped loses nothing.
    pub async fn next(&mut self) -> Option<Result<FarmStatus, ClientError>> {
        match self.client.next_reply().await {
            Ok(None) => None,
            Ok(Some(Reply::Status(status))) => Some(Ok(*status)),
            Ok(Some(Reply::Error { message, .. })) => Some(Err(ClientError::Refused(message))),
            Ok(Some(_)) => Some(Err(self
                .client
                .not_understood(said!("client-no-status", "an answer that is no status").english()))),
            Err(error) => Some(Err(error)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::texts::english;

    /// What a person is told in English is what the log has.
    #[test]
    fn what_is_wrong_with_the_line_is_said_as_it_is_logged() {
        let path = PathBuf::from("/run/pondreeve.sock");
        let source = || io::Error::other("so");
        let detail = "cut".to_owned();
        for error in [
            ClientError::NotRunning { path: path.clone(), source: source() },
            ClientError::NotAllowed { path: path.clone(), source: source() },
            ClientError::Broken { path: path.clone(), detail: detail.clone() },
            ClientError::NotUnderstood { path, detail },
            ClientError::Refused("no".to_owned()),
        ] {
            assert_eq!(error.told(english()), error.to_string());
        }
    }
}
