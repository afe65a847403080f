//! One poll of one probe: its blocks, its retries, and what to do while an answer may still be under way.
//!
//! A late answer looks like the answer to any later request of the same shape (unit, function, byte
//! count), and one unit may have several: three clamps of a motor meter, say. Silence after a time-out
//! catches what is late by less than that silence. For the rest there is a proof: after an unanswered
//! request the unit is first asked for something of a shape that none of its polls has. A unit answers in
//! order, so once that answer is there, whatever is still owed has come before it and was passed over.
//! A refusal has no shape but its function, so it is proof only for a function that no poll uses.

use std::collections::HashMap;
use std::time::Duration;

use pondreeve_protocol::modbus::ReadRequest;
use pondreeve_protocol::register_map::{Block, Register, RegisterMap, Table};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::Instant;
use tracing::debug;

use super::line::{Failure, Line};
use super::setting::apart;
use crate::config::farm::{Bus, BusProbe};

/// Modbus exceptions after which asking again makes sense: acknowledge, and server device busy.
const PASSING_EXCEPTIONS: [u8; 2] = [5, 6];

/// After so many unanswered requests a unit may be one that answers its polls but not the odd question.
/// It is then polled without the proof, but only once no earlier poll can still be answered.
const PROOF_DOUBTED_AFTER: u32 = 8;

/// No answer comes later than this (common practice, no source: serial servers and radio links that
/// buffer hold bytes for seconds).
const OWED_AT_MOST: Duration = Duration::from_secs(60);

/// A request whose answer proves that nothing older is owed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proof {
    /// What is asked.
    pub request: ReadRequest,
    /// Whether a refusal proves it as well.
    pub by_refusal: bool,
}

/// What is asked of a probe.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its requests.
    pub blocks: Vec<Block>,
    /// Requests of a shape that no poll of its unit has, tried in turn, since a probe may refuse the one and
    /// not know the other; empty where all polls of the unit ask for the very same registers, so that no
    /// answer can be taken for that of others.
    pub proofs: Vec<Proof>,
    /// What the blocks serve.
    pub map: RegisterMap,
    /// The register of its salinity setting, and the request for it.
    pub setting: Option<(Block, Register)>,
    /// Full name for messages.
    pub name: String,
}

impl Device {
    /// Plans the polls of a probe of a bus; `id` is what people call it.
    pub fn new(bus: &Bus, probe: &BusProbe, id: &str) -> Self {
        // The resolver has refused maps that cannot be planned.
        let requests = |map: &RegisterMap| {
            let (map, setting) = apart(map);
            (map.plan().unwrap_or_default(), map, setting)
        };
        let (blocks, map, setting) = requests(&probe.map);
        let of_unit: Vec<Block> = bus
            .probes
            .iter()
            .filter(|other| other.unit == probe.unit)
            .flat_map(|other| {
                let (blocks, _, setting) = requests(&other.map);
                blocks.into_iter().chain(setting.map(|(block, _)| block))
            })
            .collect();
        Self {
            proofs: proofs(probe.unit, &of_unit),
            blocks,
            map,
            setting,
            name: format!("probe {id} (unit {} on bus {}, profile {})", probe.unit, bus.id, probe.map.id),
        }
    }
}

/// Part of a block, and one register of the table that no block uses, which many probes refuse.
fn proofs(unit: u8, blocks: &[Block]) -> Vec<Proof> {
    let same = |a: &Block, b: &Block| (a.table, a.address, a.count) == (b.table, b.address, b.count);
    let Some(first) = blocks.first() else { return Vec::new() };
    if blocks.iter().all(|block| same(first, block)) {
        return Vec::new();
    }
    let taken = |table: Table, count: u16| blocks.iter().any(|b| b.table == table && b.count == count);
    let part = blocks.iter().find_map(|block| {
        let count = (1..block.count).find(|count| !taken(block.table, *count))?;
        let request = ReadRequest { unit, table: block.table, address: block.address, count };
        Some(Proof { request, by_refusal: false })
    });
    let unused = [Table::Holding, Table::Input].into_iter().find(|&t| blocks.iter().all(|b| b.table != t));
    let other = unused.map(|table| Proof {
        request: ReadRequest { unit, table, address: first.address, count: 1 },
        by_refusal: true,
    });
    part.into_iter().chain(other).collect()
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
        for register in block.serves.iter().filter_map(|&i| device.map.registers.get(i)) {
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

/// Reads the registers of one request.
///
/// # Errors
/// The failure of the last attempt.
pub(super) async fn read_block<P>(
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
    let turn = doubt.unanswered.saturating_sub(1) as usize % device.proofs.len().max(1);
    // Of several proofs asked for, only the first answer may have come; a refusal of a later one could
    // then be taken for one of the poll.
    let mut refusal_is_certain = true;
    if let Some(proof) = device.proofs.get(turn).filter(|_| doubt.wants_proof()) {
        refusal_is_certain = proof.by_refusal;
        match line.read(&proof.request, patience).await {
            Ok(_) => *doubt = Doubt::default(),
            Err(Failure::Exception(_)) if proof.by_refusal => *doubt = Doubt::default(),
            Err(failure) => {
                doubt.unanswered = doubt.unanswered.saturating_add(1);
                return Err(failure);
            }
        }
    }
    let outcome = line.read(request, patience).await;
    match &outcome {
        Ok(_) => *doubt = Doubt::default(),
        Err(Failure::Exception(_)) if refusal_is_certain => *doubt = Doubt::default(),
        Err(Failure::Silent | Failure::Garbled { .. } | Failure::Exception(_)) => {
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
    fn proofs_have_shapes_that_no_poll_has() {
        use Table::{Holding, Input};
        let shapes = |blocks: &[Block]| -> Vec<(Table, u16, u16, bool)> {
            let shape = |p: &Proof| (p.request.table, p.request.address, p.request.count, p.by_refusal);
            proofs(5, blocks).iter().map(shape).collect()
        };
        assert_eq!(shapes(&[block(Input, 0, 4)]), [], "one kind of request cannot be confused");
        assert_eq!(shapes(&[block(Input, 0, 4), block(Input, 0, 4)]), []);
        let clamps = [block(Input, 0, 2), block(Input, 10, 2), block(Input, 20, 2)];
        assert_eq!(shapes(&clamps), [(Input, 0, 1, false), (Holding, 0, 1, true)]);
        assert_eq!(shapes(&[block(Input, 0, 1), block(Holding, 8, 3)]), [(Holding, 8, 1, false)]);
        assert_eq!(shapes(&[block(Input, 0, 1), block(Input, 8, 1)]), [(Holding, 0, 1, true)]);
    }
}
