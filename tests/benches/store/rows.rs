//! SQLite: a row a reading, keyed by time and series, WAL, synchronous=FULL, one transaction a commit.

use std::path::Path;

use anyhow::Result;
use pondreeve_core::Timestamp;
use rusqlite::{Connection, params};

use super::contestant::Contestant;
use super::readings::{Poll, QUANTITIES};

pub struct Rows {
    table: Connection,
}

impl Contestant for Rows {
    type Group = Vec<Poll>;
    type Clerk = ();

    fn clerk(&self) {}

    fn prepare((): &mut (), polls: Vec<Poll>) -> Vec<Poll> {
        polls
    }

    fn open(folder: &Path) -> Result<Self> {
        let table = Connection::open(folder.join("readings.sqlite"))?;
        table.pragma_update(None, "journal_mode", "wal")?;
        table.pragma_update(None, "synchronous", "full")?;
        table.execute_batch(
            "create table if not exists readings (
                at integer not null, series integer not null, value real not null, flag integer not null,
                primary key (at, series)) without rowid",
        )?;
        // As a start does that needs to know what came last.
        let mut newest = table.prepare("select at, series, value, flag from readings where at >= (select max(at) from readings) - 900000")?;
        let mut found = newest.query([])?;
        while found.next()?.is_some() {}
        drop(found);
        drop(newest);
        Ok(Self { table })
    }

    fn keep(&mut self, polls: &Vec<Poll>) -> Result<()> {
        let transaction = self.table.transaction()?;
        let mut insert = transaction.prepare_cached("insert into readings values (?, ?, ?, 1)")?;
        for poll in polls {
            for (place, value) in poll.values.into_iter().enumerate() {
                let series = usize::from(poll.pond) * QUANTITIES.len() + place;
                insert.execute(params![poll.at.as_millis(), series as i64, value])?;
            }
        }
        drop(insert);
        transaction.commit()?;
        Ok(())
    }

    fn scan(&self, pond: u16, from: Timestamp, to: Timestamp) -> Result<(u64, f64)> {
        let series = i64::from(pond) * QUANTITIES.len() as i64;
        let mut wanted = self.table.prepare_cached(
            "select at, value, flag from readings where at >= ? and at < ? and series = ? order by at",
        )?;
        let (mut count, mut sum) = (0, 0.0);
        let mut found = wanted.query(params![from.as_millis(), to.as_millis(), series])?;
        while let Some(row) = found.next()? {
            count += 1;
            sum += row.get::<_, f64>(1)?;
        }
        Ok((count, sum))
    }
}
