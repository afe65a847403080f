//! The line to the daemon: one connection that is told the farm's state, and a short one for each
//! thing asked, so that a slow answer never holds up the state.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::sync::mpsc;

use crate::local::client;
use crate::local::protocol::{Ask, FarmStatus, Reply};

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
    let client = client::connect(socket).await.map_err(|error| error.to_string())?;
    let mut states = client.watch().await.map_err(|error| error.to_string())?;
    loop {
        let farm = match states.next().await {
            Some(Ok(farm)) => farm,
            Some(Err(error)) => return Err(error.to_string()),
            None => return Err("the daemon closed the connection".to_owned()),
        };
        if out.send(News::Farm(Box::new(farm))).await.is_err() {
            return Ok(());
        }
    }
}

/// Asks one thing and gives the answer, or why there is none.
pub(crate) async fn ask(socket: &Path, ask: Ask) -> Result<Reply, String> {
    let answer = async {
        let mut client = client::connect(socket).await?;
        client.ask(ask).await
    };
    match tokio::time::timeout(ANSWER_WITHIN, answer).await {
        Ok(answer) => answer.map_err(|error| error.to_string()),
        Err(_) => Err(format!("no answer from the daemon within {} s", ANSWER_WITHIN.as_secs())),
    }
}
