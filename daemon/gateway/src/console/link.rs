//! The line to the daemon: one connection that is told the farm's state, and a short one for each
//! thing asked, so that a slow answer never holds up the state.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::sync::mpsc;

use crate::local::client::{self, ClientError};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::{Words, say};

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
    Lost(Loss),
}

/// Why there is no connection.
#[derive(Debug)]
pub(crate) enum Loss {
    /// It could not be made, or broke.
    Client(ClientError),
    /// The daemon closed it.
    Closed,
}

impl Loss {
    /// As a person reads it.
    pub(crate) fn told(&self, words: Words) -> String {
        match self {
            Self::Client(error) => error.told(words),
            Self::Closed => say!(words, "link-closed"),
        }
    }
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
async fn watch_once(socket: &Path, out: &mpsc::Sender<News>) -> Result<(), Loss> {
    let client = client::connect(socket).await.map_err(Loss::Client)?;
    let mut states = client.watch().await.map_err(Loss::Client)?;
    loop {
        let farm = match states.next().await {
            Some(Ok(farm)) => farm,
            Some(Err(error)) => return Err(Loss::Client(error)),
            None => return Err(Loss::Closed),
        };
        if out.send(News::Farm(Box::new(farm))).await.is_err() {
            return Ok(());
        }
    }
}

/// Asks one thing and gives the answer, or why there is none.
pub(crate) async fn ask(socket: &Path, ask: Ask, words: Words) -> Result<Reply, String> {
    let answer = async {
        let mut client = client::connect(socket).await?.of_console();
        client.ask(ask).await
    };
    match tokio::time::timeout(ANSWER_WITHIN, answer).await {
        Ok(answer) => answer.map_err(|error| error.told(words)),
        Err(_) => Err(say!(words, "link-no-answer", seconds = ANSWER_WITHIN.as_secs())),
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
    use tokio::net::{UnixListener, UnixStream};

    use super::super::sample;
    use super::*;
    use crate::texts::english;

    /// Takes one connection and reads its request.
    async fn request(listener: &UnixListener) -> (String, BufReader<UnixStream>) {
        let mut stream = BufReader::new(listener.accept().await.unwrap().0);
        let mut line = String::new();
        stream.read_line(&mut line).await.unwrap();
        (line.trim_end().to_owned(), stream)
    }

    async fn answer(stream: &mut BufReader<UnixStream>, reply: &Reply) {
        let line = serde_json::to_string(reply).unwrap() + "\n";
        stream.write_all(line.as_bytes()).await.unwrap();
    }

    #[tokio::test]
    async fn the_farm_is_heard_lost_and_heard_again_when_the_daemon_restarts() {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("socket");
        let (out, mut news) = mpsc::channel(NEWS_BOUND);
        let watching = tokio::spawn(watch(socket.clone(), out));
        let Some(News::Lost(why)) = news.recv().await else { panic!("heard before there is a daemon") };
        let why = why.told(english());
        assert!(why.contains(socket.to_str().unwrap()), "{why}");

        for _ in 0..2 {
            let listener = UnixListener::bind(&socket).unwrap();
            let (asked, mut stream) = request(&listener).await;
            assert_eq!(asked, r#"{"ask":{"what":"watch"}}"#);
            for _ in 0..2 {
                answer(&mut stream, &Reply::Status(Box::new(sample::normal_night()))).await;
                let Some(News::Farm(farm)) = news.recv().await else { panic!("not heard") };
                assert_eq!(*farm, sample::normal_night());
            }
            drop((stream, listener));
            std::fs::remove_file(&socket).unwrap();
            let Some(News::Lost(_)) = news.recv().await else { panic!("not noticed") };
        }
        drop(news);
        watching.abort();
    }

    #[tokio::test]
    async fn what_is_asked_arrives_and_so_does_the_refusal() {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("socket");
        let listener = UnixListener::bind(&socket).unwrap();
        let refusal = Reply::refusal(&pondreeve_core::said::Said::plain("no such alarm"), true);
        let daemon = async {
            let (asked, mut stream) = request(&listener).await;
            answer(&mut stream, &refusal).await;
            asked
        };
        let (asked, answered) = tokio::join!(
            daemon,
            ask(&socket, Ask::Acknowledge { id: "p1.do-low-warn".to_owned() }, english())
        );
        assert_eq!(asked, r#"{"ask":{"what":"acknowledge","id":"p1.do-low-warn"},"place":"console"}"#);
        assert_eq!(answered, Ok(refusal.clone()));

        // A daemon that dies before it answers.
        let dying = async { drop(request(&listener).await) };
        let ((), answered) = tokio::join!(dying, ask(&socket, Ask::Status, english()));
        assert!(answered.is_err());
    }
}
