//! The one thread that touches the store. sled blocks, sometimes for long; the engine must not.

use std::thread::JoinHandle;

use pondreeve_core::{Input, Timestamp};
use tokio::sync::{mpsc, oneshot};

use super::store::{Journal, KeyedBatch, Reading};

/// Bound of the queue to the thread. The engine has at most one commit and one reading under way, so
/// two would do; the rest is room for a thread that hangs in the disk while the engine goes on.
const WRITER_BOUND: usize = 4;

/// Inputs handed over together while reading back.
const READ_CHUNK: usize = 1_000;

/// What a commit came to: notes for people where it went well, the reason where it did not.
pub type Committed = Result<Vec<String>, String>;

enum Command {
    Commit { batches: Vec<KeyedBatch>, left_out: Vec<u64>, now: Timestamp, done: oneshot::Sender<Committed> },
    Read { to: mpsc::Sender<Vec<Input>>, done: oneshot::Sender<Reading> },
}

/// Handle of the thread.
#[derive(Debug)]
pub struct Writer {
    commands: mpsc::Sender<Command>,
    thread: Option<JoinHandle<()>>,
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
        Ok(Self { commands, thread: Some(thread) })
    }

    /// Hands batches in; the receiver is answered once they are on disk for good or cannot be.
    /// `None` where the thread has not taken the commits before this one.
    pub fn commit(
        &self,
        batches: Vec<KeyedBatch>,
        left_out: Vec<u64>,
        now: Timestamp,
    ) -> Option<oneshot::Receiver<Committed>> {
        let (done, answer) = oneshot::channel();
        self.commands.try_send(Command::Commit { batches, left_out, now, done }).ok()?;
        Some(answer)
    }

    /// Reads the whole journal back, a chunk of inputs at a time.
    pub fn read(&self) -> Option<(mpsc::Receiver<Vec<Input>>, oneshot::Receiver<Reading>)> {
        let (to, records) = mpsc::channel(2);
        let (done, answer) = oneshot::channel();
        self.commands.try_send(Command::Read { to, done }).ok()?;
        Some((records, answer))
    }

    /// Ends the thread once it has done what it was given, and closes the store.
    pub fn close(mut self) {
        let thread = self.thread.take();
        drop(self);
        if let Some(thread) = thread {
            // A panic there was already answered as a failed commit.
            let _ = thread.join();
        }
    }
}

fn work(mut journal: Journal, mut queue: mpsc::Receiver<Command>) {
    while let Some(command) = queue.blocking_recv() {
        match command {
            Command::Commit { batches, left_out, now, done } => {
                let _ = done.send(journal.commit(&batches, &left_out, now));
            }
            Command::Read { to, done } => {
                let mut chunk = Vec::with_capacity(READ_CHUNK);
                let reading = journal.read(&mut |input| {
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
