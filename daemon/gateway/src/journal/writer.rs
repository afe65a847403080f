//! The one thread that touches the store. sled blocks, sometimes for long; the engine must not.

use std::thread::JoinHandle;
use std::time::Duration;

use pondreeve_core::{Input, Timestamp};
use tokio::sync::{mpsc, oneshot};

use super::backup::{Piece, Pieces};
use super::deeds::{Deeds, Stretch};
use super::query::{Kept, Query, Remembered};
use super::reading::From;
use super::rollup::{Level, Rolled};
use super::store::{Commit, Journal, Reading};
use crate::audit::{Head, Row};

/// Bound of the queue to the thread. The engine has at most one commit and one reading under way, so
/// two would do; the rest is room for a thread that hangs in the disk while the engine goes on.
const WRITER_BOUND: usize = 4;

/// Inputs handed over together while reading back.
const READ_CHUNK: usize = 1_000;

/// What a commit came to: notes for people where it went well, the reason where it did not.
pub type Committed = Result<Vec<String>, String>;

/// What the thread is asked to do.
#[derive(Debug)]
pub(crate) enum Command {
    Commit {
        commit: Commit,
        now: Timestamp,
        done: oneshot::Sender<Committed>,
    },
    Query {
        query: Query,
        done: oneshot::Sender<Result<Vec<Kept>, String>>,
    },
    Rolled {
        query: Query,
        level: Level,
        done: oneshot::Sender<Result<Vec<Rolled>, String>>,
    },
    NextKept {
        of: Query,
        rolled: bool,
        from: Timestamp,
        done: oneshot::Sender<Result<Option<Timestamp>, String>>,
    },
    Deeds {
        stretch: Stretch,
        done: oneshot::Sender<Result<Deeds, String>>,
    },
    Pieces {
        from: Vec<u8>,
        done: oneshot::Sender<Result<Pieces, String>>,
    },
    BackupStart {
        done: oneshot::Sender<Result<Vec<Piece>, String>>,
    },
    Trail {
        from: u64,
        done: oneshot::Sender<Result<Vec<(u64, Row)>, String>>,
    },
    Written {
        done: oneshot::Sender<Result<u64, String>>,
    },
    TrailHead {
        done: oneshot::Sender<Result<Head, String>>,
    },
    SealAll {
        done: oneshot::Sender<Result<(), String>>,
    },
    PutCheckpoint {
        bytes: Vec<u8>,
    },
    Checkpoint {
        done: oneshot::Sender<Option<Vec<u8>>>,
    },
    Remember {
        from: Timestamp,
        to: mpsc::UnboundedSender<Remembered>,
    },
    Read {
        from: From,
        now: Timestamp,
        to: mpsc::Sender<Vec<Input>>,
        done: oneshot::Sender<Reading>,
    },
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

    /// For those who only read; it does not keep the thread going.
    pub(crate) fn for_reading(&self) -> mpsc::WeakSender<Command> {
        self.commands.downgrade()
    }

    /// Hands in a checkpoint. Where the thread is busy it is not taken; the next one will be.
    pub fn put_checkpoint(&self, bytes: Vec<u8>) {
        let _ = self.commands.try_send(Command::PutCheckpoint { bytes });
    }

    /// The newest checkpoint, if there is one that can be used.
    pub async fn checkpoint(&self) -> Option<Vec<u8>> {
        let (done, answer) = oneshot::channel();
        self.commands.send(Command::Checkpoint { done }).await.ok()?;
        answer.await.ok()?
    }

    /// Values of every pond since a time, for plots. As many as there are wait for the reader: this
    /// thread must not, since the reader may be waiting for a commit.
    pub fn remember(&self, from: Timestamp) -> Option<mpsc::UnboundedReceiver<Remembered>> {
        let (to, values) = mpsc::unbounded_channel();
        self.commands.try_send(Command::Remember { from, to }).ok()?;
        Some(values)
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
            Command::Query { query, done } => {
                let mut found = Vec::new();
                let outcome = journal.query(&query, &mut |kept| found.push(kept.clone()));
                let _ = done.send(outcome.map(|_| found));
            }
            Command::Rolled { query, level, done } => {
                let mut found = Vec::new();
                let outcome = journal.rolled(&query, level, &mut |rolled| found.push(*rolled));
                let _ = done.send(outcome.map(|()| found));
            }
            Command::NextKept { of, rolled, from, done } => {
                let _ = done.send(Ok(journal.next_kept(&of, rolled, from)));
            }
            Command::Deeds { stretch, done } => {
                let _ = done.send(journal.deeds(stretch));
            }
            Command::Pieces { from, done } => {
                let _ = done.send(journal.pieces(&from));
            }
            Command::BackupStart { done } => {
                let _ = done.send(journal.backup_start());
            }
            Command::Trail { from, done } => {
                let _ = done.send(journal.trail_rows(from));
            }
            Command::TrailHead { done } => {
                let _ = done.send(Ok(journal.trail()));
            }
            Command::Written { done } => {
                let _ = done.send(Ok(journal.written_so_far()));
            }
            Command::SealAll { done } => {
                // The time names a store that has to be set aside, no more.
                let now = Timestamp(jiff::Timestamp::now().as_millisecond());
                journal.seal_all(now);
                let _ = done.send(journal.is_open());
            }
            Command::PutCheckpoint { bytes } => match journal.put_checkpoint(&bytes) {
                Ok(written) => tracing::debug!(written, "checkpoint"),
                Err(error) => tracing::warn!(%error, "no checkpoint could be written; starts take longer"),
            },
            Command::Checkpoint { done } => {
                let _ = done.send(journal.checkpoint());
            }
            Command::Remember { from, to } => {
                // A plot that lacks a piece is no reason to do without the rest.
                let _ = journal.remember(from, &mut |values| to.send(values).is_ok());
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
