//! What a sensor of version 1.4 says of its values: asked for each, without a measurement being made.

use pondreeve_protocol::sdi12::{Command, Parameter, decode_parameter};

use super::sensors::{Asked, in_words};
use super::{Promised, Stop, Walk};
use crate::probes::spoken::sensor;

impl Asked {
    /// What it says of each value of what it measured, and of what it promises.
    pub(super) async fn describe(
        &mut self,
        walk: &mut Walk<'_>,
        promised: &mut [Promised],
    ) -> Result<(), Stop> {
        let mut known: Vec<(u8, bool, Vec<Parameter>)> = Vec::new();
        let mut wanted: Vec<(u8, bool, u8)> = self.measured.iter().flatten().filter_map(of_one).collect();
        wanted.extend(promised.iter().map(|own| (own.number, false, own.values)));
        for (number, concurrent, values) in wanted {
            if values == 0 || known.iter().any(|(own, of, _)| (*own, *of) == (number, concurrent)) {
                continue;
            }
            let told = self.values(walk, number, concurrent, values).await?;
            // Who does not tell of the first is not asked again and again: each silence costs time.
            if told.is_empty() && known.is_empty() {
                return Ok(());
            }
            known.push((number, concurrent, told));
        }
        let told = |number, concurrent| {
            let own = known.iter().find(|(own, of, _)| (*own, *of) == (number, concurrent));
            own.map(|(_, _, told)| told.clone()).unwrap_or_default()
        };
        for own in self.measured.iter_mut().flatten() {
            if let Some((number, concurrent, _)) = of_one(own) {
                own.told = told(number, concurrent);
            }
        }
        for own in promised {
            own.told = told(own.number, false);
        }
        Ok(())
    }

    /// What it says of the values of one measurement, up to the first of which it says nothing. The answers have
    /// checksums, which it must know to be of this version.
    async fn values(
        &mut self,
        walk: &mut Walk<'_>,
        number: u8,
        concurrent: bool,
        values: u8,
    ) -> Result<Vec<Parameter>, Stop> {
        let mut told = Vec::new();
        for position in 1..=values {
            let command = Command::Describe { number, concurrent, crc: true, position };
            let decode = |line: &[u8]| decode_parameter(line, command, self.manner.address);
            let talk = walk.talk().await?;
            match in_words(sensor::ask(talk, self.manner, command, &mut self.owing, decode).await)? {
                Ok(Some(own)) => told.push(own),
                Ok(None) | Err(_) => break,
            }
        }
        Ok(told)
    }
}

/// Which measurement, whether others are made meanwhile, and how many values: with a CRC or without they are the same
/// (section 4.4.12).
fn of_one(own: &super::Measured) -> Option<(u8, bool, u8)> {
    match own.command {
        Command::Measure { number, .. } => Some((number, false, own.announced)),
        Command::Concurrent { number, .. } => Some((number, true, own.announced)),
        _ => None,
    }
}
