//! One poll of one probe: its blocks, its retries, and what to do while an answer may still be under way.
//!
//! A late answer looks like the answer to any later request of the same shape (unit, function, byte
//! count), and one unit may have several: three clamps of a motor meter, say. Silence after a time-out
//! catches what is late by less than that silence. For the rest there is a proof: after an unanswered
//! request the unit is first asked for something of a shape that none of its polls has. A unit answers in
//! order, so once that answer is there, whatever is still owed has come before it and was passed over.

use std::collections::HashMap;
use std::time::Duration;

use pondreeve_protocol::modbus::ReadRequest;
use pondreeve_protocol::register_map::{Block, Table};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::Instant;
use tracing::debug;

use super::line::{Failure, Line};
use crate::config::farm::{Bus, BusProbe};

/// Modbus exceptions after which asking again makes sense: acknowledge, and server device busy.
const PASSING_EXCEPTIONS: [u8; 2] = [5, 6];

/// After so many unanswered requests a unit may be one that answers its polls but not the odd question.
/// It is then polled without the proof, but only once no earlier poll can still be answered.
const PROOF_DOUBTED_AFTER: u32 = 8;

/// No answer comes later than this (common practice, no source: serial servers and radio links that
/// buffer hold bytes for seconds).
const OWED_AT_MOST: Duration = Duration::from_secs(60);

/// What is asked of a probe.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its requests.
    pub blocks: Vec<Block>,
    /// A request of a shape that no poll of its unit has; `None` where all polls of the unit ask for the
    /// very same registers, so that no answer can be taken for that of others.
    pub proof: Option<ReadRequest>,
    /// Full name for messages.
    pub name: String,
}

impl Device {
    /// Plans the polls of a probe of a bus.
    pub fn new(bus: &Bus, probe: &BusProbe) -> Self {
        // The resolver has refused maps that cannot be planned.
        let blocks = probe.map.plan().unwrap_or_default();
        let of_unit: Vec<Block> = bus
            .probes
            .iter()
            .filter(|other| other.unit == probe.unit)
            .flat_map(|other| other.map.plan().unwrap_or_default())
            .collect();
        Self {
            proof: proof(probe.unit, &of_unit),
            blocks,
            name: format!("unit {} on bus {} ({})", probe.unit, bus.id, probe.map.id),
        }
    }
}

/// The cheapest request of a shape that no block has: part of a block, or else one register of the other
/// table, which many probes refuse; a refusal is proof as well.
fn proof(unit: u8, blocks: &[Block]) -> Option<ReadRequest> {
    let same = |a: &Block, b: &Block| (a.table, a.address, a.count) == (b.table, b.address, b.count);
    let first = blocks.first()?;
    if blocks.iter().all(|block| same(first, block)) {
        return None;
    }
    let taken = |table: Table, count: u16| blocks.iter().any(|b| b.table == table && b.count == count);
    let part = blocks.iter().find_map(|block| {
        let count = (1..block.count).find(|count| !taken(block.table, *count))?;
        Some(ReadRequest { unit, table: block.table, address: block.address, count })
    });
    part.or_else(|| {
        [Table::Holding, Table::Input].into_iter().find(|table| !taken(*table, 1)).map(|table| ReadRequest {
            unit,
            table,
            address: first.address,
            count: 1,
        })
    })
}

/// What each unit may still owe.
#[derive(Debug, Default)]
pub struct Doubts(HashMap<u8, Doubt>);

#[derive(Debug, Default, Clone, Copy)]
struct Doubt {
    /// Unanswered requests since the unit last proved that nothing is owed.
    unanswered: u32,
    /// When it was last polled in vain, which is what a late answer could be to.
    polled_at: Option<Instant>,
}

impl Doubts {
    fn of(&mut self, unit: u8) -> &mut Doubt {
        self.0.entry(unit).or_default()
    }
}

impl Doubt {
    /// Whether a poll now could be given the answer to an earlier one.
    fn wants_proof(&self) -> bool {
        let gone = self.polled_at.is_none_or(|at| at.elapsed() >= OWED_AT_MOST);
        self.unanswered > 0 && !(self.unanswered > PROOF_DOUBTED_AFTER && gone)
    }
}

/// What one poll gave.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Reading {
    /// Channel and value.
    pub values: Vec<(String, f64)>,
    /// What was answered but is no value, in words.
    pub problems: Vec<String>,
}

/// Reads all blocks of one probe. The first block without an answer ends the poll: half a sweep from a
/// probe that has fallen silent is not worth the bus time.
///
/// # Errors
/// The failure of the last attempt.
pub async fn read_probe<P>(
    line: &mut Line<P>,
    probe: &BusProbe,
    device: &Device,
    attempts: u32,
    doubts: &mut Doubts,
) -> Result<Reading, Failure>
where
    P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
{
    let mut reading = Reading::default();
    for block in &device.blocks {
        let request = block.request(probe.unit);
        let words = read_block(line, &request, probe.timeout, device, attempts, doubts).await?;
        for register in block.serves.iter().filter_map(|&i| probe.map.registers.get(i)) {
            let found = block.words(register, &words).unwrap_or_default();
            match register.decode(found) {
                Ok(value) => reading.values.push((register.channel.clone(), value)),
                Err(why) => reading.problems.push(format!(
                    "{} ({} register {}): {why}",
                    register.channel,
                    table_name(register.table),
                    register.address
                )),
            }
        }
    }
    Ok(reading)
}

async fn read_block<P>(
    line: &mut Line<P>,
    request: &ReadRequest,
    patience: Duration,
    device: &Device,
    attempts: u32,
    doubts: &mut Doubts,
) -> Result<Vec<u16>, Failure>
where
    P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
{
    let mut attempt = 1;
    loop {
        let failure = match ask(line, request, patience, device, doubts).await {
            Ok(words) => return Ok(words),
            Err(failure) => failure,
        };
        debug!(probe = device.name, ?failure, attempt, "no reading");
        let worth_another = match &failure {
            Failure::Device(_) => false,
            Failure::Exception(code) => PASSING_EXCEPTIONS.contains(code),
            Failure::Silent | Failure::Garbled { .. } => true,
        };
        if !worth_another || attempt >= attempts {
            return Err(failure);
        }
        attempt += 1;
    }
}

/// One attempt, with the proof in front where something may be owed.
async fn ask<P>(
    line: &mut Line<P>,
    request: &ReadRequest,
    patience: Duration,
    device: &Device,
    doubts: &mut Doubts,
) -> Result<Vec<u16>, Failure>
where
    P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
{
    let doubt = doubts.of(request.unit);
    if let Some(proof) = device.proof.as_ref().filter(|_| doubt.wants_proof()) {
        match line.read(proof, patience).await {
            Ok(_) | Err(Failure::Exception(_)) => *doubt = Doubt::default(),
            Err(failure) => {
                doubt.unanswered = doubt.unanswered.saturating_add(1);
                return Err(failure);
            }
        }
    }
    let outcome = line.read(request, patience).await;
    match &outcome {
        Ok(_) | Err(Failure::Exception(_)) => *doubt = Doubt::default(),
        Err(Failure::Silent | Failure::Garbled { .. }) => {
            doubt.unanswered = doubt.unanswered.saturating_add(1);
            doubt.polled_at = Some(Instant::now());
        }
        Err(Failure::Device(_)) => {}
    }
    outcome
}

/// What a table is called in messages.
pub fn table_name(table: Table) -> &'static str {
    match table {
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(table: Table, address: u16, count: u16) -> Block {
        Block { table, address, count, serves: Vec::new() }
    }

    #[test]
    fn the_proof_has_a_shape_that_no_poll_has() {
        use Table::{Holding, Input};
        assert_eq!(proof(5, &[block(Input, 0, 4)]), None, "one kind of request cannot be confused");
        assert_eq!(proof(5, &[block(Input, 0, 4), block(Input, 0, 4)]), None);
        let shape = |blocks: &[Block]| proof(5, blocks).map(|p| (p.unit, p.table, p.address, p.count));
        let clamps = [block(Input, 0, 2), block(Input, 10, 2), block(Input, 20, 2)];
        assert_eq!(shape(&clamps), Some((5, Input, 0, 1)));
        assert_eq!(shape(&[block(Input, 0, 1), block(Input, 8, 3)]), Some((5, Input, 8, 2)));
        assert_eq!(shape(&[block(Input, 0, 1), block(Input, 8, 1)]), Some((5, Holding, 0, 1)));
    }
}
