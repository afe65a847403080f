//! The line to the daemon: one connection that is told the farm's state, and a short one for each
//! thing asked, so that a slow answer never holds up the state.

use std::path::{Path, PathBuf};
use std::time::Duration;

use futures_util::{SinkExt as _, StreamExt as _};
use tokio::net::UnixStream;
use tokio::sync::mpsc;
use tokio_util::codec::{Framed, LinesCodec};

use crate::local::protocol::{Ask, FarmStatus, Reply, Request};

/// Longest line taken from the daemon. A state of 50 ponds is about 200 KB.
const LINE_BOUND_BYTES: usize = 4 * 1024 * 1024;

/// News not yet drawn. Each state replaces the one before, so the daemon is simply read more slowly
/// while the terminal is busy.
pub(crate) const NEWS_BOUND: usize = 4;

/// Pause between attempts to reach the daemon.
const RETRY: Duration = Duration::from_secs(2);

/// Longest wait for an answer. Keeping what a person entered takes one sync of a slow card.
const ANSWER_WITHIN: Duration = Duration::from_secs(15);

/// What the watching connection says.
#[derive(Debug)]
pub(crate) enum News {
    /// The farm now.
    Farm(Box<FarmStatus>),
    /// No connection, and why.
    Lost(String),
}

/// Keeps the console told until it stops listening.
pub(crate) async fn watch(socket: PathBuf, out: mpsc::Sender<News>) {
    loop {
        let why = match watch_once(&socket, &out).await {
            Ok(()) => return,
            Err(why) => why,
        };
        if out.send(News::Lost(why)).await.is_err() {
            return;
        }
        tokio::time::sleep(RETRY).await;
    }
}

/// `Ok` when the console no longer listens, otherwise why the connection ended.
async fn watch_once(socket: &Path, out: &mpsc::Sender<News>) -> Result<(), String> {
    let mut lines = open(socket, Ask::Watch).await?;
    loop {
        let farm = match next(&mut lines).await? {
            Reply::Status(farm) => farm,
            Reply::Error { message, .. } => return Err(format!("the daemon refused: {message}")),
            other => return Err(format!("the daemon sent something else than its state: {other:?}")),
        };
        if out.send(News::Farm(farm)).await.is_err() {
            return Ok(());
        }
    }
}

/// Asks one thing and gives the answer, or why there is none.
pub(crate) async fn ask(socket: &Path, ask: Ask) -> Result<Reply, String> {
    let answer = async {
        let mut lines = open(socket, ask).await?;
        next(&mut lines).await
    };
    match tokio::time::timeout(ANSWER_WITHIN, answer).await {
        Ok(answer) => answer,
        Err(_) => Err(format!("no answer from the daemon within {} s", ANSWER_WITHIN.as_secs())),
    }
}

async fn open(socket: &Path, ask: Ask) -> Result<Framed<UnixStream, LinesCodec>, String> {
    let stream = UnixStream::connect(socket).await.map_err(|error| {
        let place = socket.display();
        match error.kind() {
            std::io::ErrorKind::NotFound => format!("no daemon runs here: there is no {place}"),
            std::io::ErrorKind::ConnectionRefused => format!("no daemon answers at {place}"),
            std::io::ErrorKind::PermissionDenied => {
                format!("you may not open {place}: your user must be in the socket's group")
            }
            _ => format!("cannot open {place}: {error}"),
        }
    })?;
    let mut lines = Framed::new(stream, LinesCodec::new_with_max_length(LINE_BOUND_BYTES));
    let request = serde_json::to_string(&Request { ask })
        .map_err(|error| format!("cannot write the request: {error}"))?;
    lines.send(request).await.map_err(|error| format!("cannot send to the daemon: {error}"))?;
    Ok(lines)
}

async fn next(lines: &mut Framed<UnixStream, LinesCodec>) -> Result<Reply, String> {
    match lines.next().await {
        None => Err("the daemon closed the connection".to_owned()),
        Some(Err(error)) => Err(format!("cannot read from the daemon: {error}")),
        Some(Ok(line)) => serde_json::from_str(&line)
            .map_err(|error| format!("the daemon speaks another version of the protocol: {error}")),
    }
}
