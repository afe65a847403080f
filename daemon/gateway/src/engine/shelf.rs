//! What the store keeps, for those who ask the daemon: readings, roll-ups, a backup.

use std::path::Path;

use pondreeve_core::Timestamp;
use tokio::sync::{mpsc, oneshot};

use crate::audit::{Head, Row};
use crate::journal::backup::{Backup, Pieces};
use crate::journal::writer::Command;
use crate::journal::{Deeds, Kept, Level, Query, Rolled, Stretch};

/// Handle of the store for reading. It does not keep the store open.
#[derive(Debug, Clone)]
pub struct Shelf {
    commands: mpsc::WeakSender<Command>,
}

const CLOSED: &str = "the store is being closed";

impl Shelf {
    pub(super) fn new(commands: mpsc::WeakSender<Command>) -> Self {
        Self { commands }
    }

    async fn ask<T>(
        &self,
        command: impl FnOnce(oneshot::Sender<Result<T, String>>) -> Command,
    ) -> Result<T, String> {
        let (done, answer) = oneshot::channel();
        let commands = self.commands.upgrade().ok_or(CLOSED)?;
        commands.send(command(done)).await.map_err(|_| CLOSED)?;
        drop(commands);
        answer.await.map_err(|_| CLOSED)?
    }

    /// Readings of a stretch of time, oldest first; ask for a few hours at a time.
    ///
    /// # Errors
    /// Why the store cannot be read.
    pub async fn readings(&self, query: Query) -> Result<Vec<Kept>, String> {
        self.ask(|done| Command::Query { query, done }).await
    }

    /// Roll-ups of a stretch of time, oldest first.
    ///
    /// # Errors
    /// Why the store cannot be read.
    pub async fn rolled(&self, query: Query, level: Level) -> Result<Vec<Rolled>, String> {
        self.ask(|done| Command::Rolled { query, level, done }).await
    }

    /// A time from which on there may be readings again, or with `rolled` roll-ups; `None` where there is nothing more.
    /// Pond and quantity are those of `of`.
    ///
    /// # Errors
    /// Where the store is being closed.
    pub async fn next_kept(
        &self,
        of: Query,
        rolled: bool,
        from: Timestamp,
    ) -> Result<Option<Timestamp>, String> {
        self.ask(|done| Command::NextKept { of, rolled, from, done }).await
    }

    /// Records of the audit trail from one on, some hundreds; none where there are no more.
    ///
    /// # Errors
    /// Why the store cannot be read.
    pub async fn trail(&self, from: u64) -> Result<Vec<(u64, Row)>, String> {
        self.ask(|done| Command::Trail { from, done }).await
    }

    /// Where the audit trail ends.
    ///
    /// # Errors
    /// Where the store is being closed.
    pub async fn trail_head(&self) -> Result<Head, String> {
        self.ask(|done| Command::TrailHead { done }).await
    }

    /// Bytes ever written to the disk.
    ///
    /// # Errors
    /// Where the store is being closed.
    pub async fn written(&self) -> Result<u64, String> {
        self.ask(|done| Command::Written { done }).await
    }

    /// What people did in a stretch of time.
    ///
    /// # Errors
    /// Why the store cannot be read.
    pub async fn deeds(&self, stretch: Stretch) -> Result<Deeds, String> {
        self.ask(|done| Command::Deeds { stretch, done }).await
    }

    async fn pieces(&self, from: Vec<u8>) -> Result<Pieces, String> {
        self.ask(|done| Command::Pieces { from, done }).await
    }

    /// Copies the store into a folder, a megabyte at a time, so that commits come in between. Pieces written.
    ///
    /// # Errors
    /// Why the store cannot be read or the folder not be written.
    pub async fn backup(&self, folder: &Path) -> Result<u64, String> {
        self.ask(|done| Command::SealAll { done }).await?;
        let failed =
            |error: std::io::Error| format!("writing the backup {} failed: {error}", folder.display());
        let start = self.ask(|done| Command::BackupStart { done }).await?;
        let mut backup = Backup::begin(folder, &start).map_err(failed)?;
        for (first, hours) in [(Backup::hours(), true), (Backup::index(), false)] {
            let mut next = Some(first);
            while let Some(from) = next {
                let (pieces, then) = self.pieces(from).await?;
                let end = move |key: &[u8]| !hours && key >= &Backup::hours()[..];
                next = then.filter(|key| !end(key));
                // The files are on another disk, perhaps a slow one.
                backup = tokio::task::spawn_blocking(move || {
                    let mut pieces = pieces.iter().take_while(|(key, _)| !end(key));
                    pieces.try_for_each(|(key, value)| backup.put(key, value)).map(|()| backup)
                })
                .await
                .map_err(|error| error.to_string())?
                .map_err(failed)?;
            }
        }
        tokio::task::spawn_blocking(move || backup.finish())
            .await
            .map_err(|error| error.to_string())?
            .map_err(failed)
    }
}
