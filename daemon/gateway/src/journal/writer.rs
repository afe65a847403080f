//! The one thread that touches the store. sled blocks, sometimes for long; the engine must not.

use std::thread::JoinHandle;
use std::time::Duration;

use pondreeve_core::{Input, Timestamp};
use tokio::sync::{mpsc, oneshot};

use super::reading::From;
use super::store::{Commit, Journal, Reading};

/// Bound of the queue to the thread. The engine has at most one commit and one reading under way, so
/// two would do; the rest is room for a thread that hangs in the disk while the engine goes on.
const WRITER_BOUND: usize = 4;

/// Inputs handed over together while reading back.
const READ_CHUNK: usize = 1_000;

/// What a commit came to: notes for people where it went well, the reason where it did not.
pub type Committed = Result<Vec<String>, String>;

enum Command {
    Commit { commit: Commit, now: Timestamp, done: oneshot::Sender<Committed> },
    Read { from: From, now: Timestamp, to: mpsc::Sender<Vec<Input>>, done: oneshot::Sender<Reading> },
}

/// Handle of the thread.
#[derive(Debug)]
pub struct Writer {
    commands: mpsc::Sender<Command>,
    thread: JoinHandle<()>,
}

impl Writer {
    /// Starts the thread that owns `journal` from here on.
    ///
    /// # Errors
    /// Where the system gives no further thread.
    pub fn start(journal: Journal) -> std::io::Result<Self> {
        let (commands, queue) = mpsc::channel(WRITER_BOUND);
        let thread =
            std::thread::Builder::new().name("journal".to_owned()).spawn(move || work(journal, queue))?;
        Ok(Self { commands, thread })
    }

    /// Hands a commit in; the receiver is answered once they are on disk for good or cannot be.
    /// `None` where the thread has not taken the commits before this one.
    pub fn commit(&self, commit: Commit, now: Timestamp) -> Option<oneshot::Receiver<Committed>> {
        let (done, answer) = oneshot::channel();
        self.commands.try_send(Command::Commit { commit, now, done }).ok()?;
        Some(answer)
    }

    /// Reads the journal back, a chunk of inputs at a time.
    pub fn read(
        &self,
        from: From,
        now: Timestamp,
    ) -> Option<(mpsc::Receiver<Vec<Input>>, oneshot::Receiver<Reading>)> {
        let (to, records) = mpsc::channel(2);
        let (done, answer) = oneshot::channel();
        self.commands.try_send(Command::Read { from, now, to, done }).ok()?;
        Some((records, answer))
    }

    /// Ends the thread once it has done what it was given, and closes the store. `false` where it still
    /// hangs in the disk after `patience`.
    pub async fn close(self, patience: Duration) -> bool {
        let Self { commands, thread } = self;
        drop(commands);
        // Polled rather than joined: a join cannot be given up.
        let ended = async {
            while !thread.is_finished() {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        tokio::time::timeout(patience, ended).await.is_ok()
    }
}

fn work(mut journal: Journal, mut queue: mpsc::Receiver<Command>) {
    while let Some(command) = queue.blocking_recv() {
        match command {
            Command::Commit { commit, now, done } => {
                let _ = done.send(journal.commit(&commit, now));
                journal.upkeep(now);
            }
            Command::Read { from, now, to, done } => {
                let mut chunk = Vec::with_capacity(READ_CHUNK);
                let reading = journal.read_from(from, now, &mut |input| {
                    chunk.push(input);
                    if chunk.len() == READ_CHUNK {
                        let _ =
                            to.blocking_send(std::mem::replace(&mut chunk, Vec::with_capacity(READ_CHUNK)));
                    }
                });
                let _ = to.blocking_send(chunk);
                let _ = done.send(reading);
            }
        }
    }
}
