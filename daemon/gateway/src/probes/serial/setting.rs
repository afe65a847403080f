//! The salinity that an oxygen probe reckons with: read out of its register at the start and each hour
//! after, so that a setting that was mended is seen to be. Apart from the polls: a probe that refuses
//! this one register must not cost its readings.

use pondreeve_core::{Span, Timestamp};
use pondreeve_protocol::register_map::{Block, Register, RegisterMap};
use tokio::io::{AsyncRead, AsyncWrite};
use tracing::warn;

use super::super::report::{Gone, Reporter};
use super::line::{Failure, Line};
use super::poll::{Device, Doubts, read_block};
use crate::config::farm::BusProbe;
use crate::config::profile::SET_SALINITY;

/// Farm time between two looks.
const LOOK_EVERY: Span = Span::from_hours(1);

/// Looks in vain before the next wait; each follows a poll that was answered.
const LOOKS: u32 = 3;

/// A register map without its setting, and the setting with the request that reads it.
pub(super) fn apart(map: &RegisterMap) -> (RegisterMap, Option<(Block, Register)>) {
    let (settings, registers): (Vec<Register>, Vec<Register>) =
        map.registers.iter().cloned().partition(|register| register.channel == SET_SALINITY);
    let setting = settings.into_iter().next().map(|register| {
        let (table, address) = (register.table, register.address);
        let count = register.number.registers();
        (Block { table, address, count, serves: Vec::new() }, register)
    });
    (RegisterMap { registers, ..map.clone() }, setting)
}

/// When one probe's setting is looked at.
#[derive(Debug, Default)]
pub(super) struct SettingWatch {
    /// When it is next looked at; at once where never before.
    due: Option<Timestamp>,
    /// Looks in vain since it fell due.
    vain: u32,
}

impl SettingWatch {
    fn is_due(&self, now: Timestamp) -> bool {
        // A clock that was set back must not put it off for long.
        self.due.is_none_or(|due| due <= now || due - now > LOOK_EVERY)
    }

    /// Reads the setting if it is due and tells it where it is news. To be called after an answered poll.
    ///
    /// Inner error: the port failed.
    pub(super) async fn look<P>(
        &mut self,
        line: &mut Line<P>,
        (probe, device): (&BusProbe, &Device),
        doubts: &mut Doubts,
        reporter: &mut Reporter,
        now: Timestamp,
    ) -> Result<Result<(), Failure>, Gone>
    where
        P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
    {
        let Some((block, register)) = device.setting.as_ref().filter(|_| self.is_due(now)) else {
            return Ok(Ok(()));
        };
        let request = block.request(probe.unit);
        let found = match read_block(line, &request, probe.timeout, device, 1, doubts).await {
            Ok(words) => register.decode(&words).map_err(|error| error.to_string()),
            Err(failure @ Failure::Device(_)) => return Ok(Err(failure)),
            Err(Failure::Silent) => Err("no answer".to_owned()),
            Err(Failure::Garbled { why, .. }) => Err(format!("no valid answer: {why}")),
            Err(Failure::Exception(code)) => Err(format!("it refused with Modbus exception {code}")),
        };
        match found {
            Ok(set_psu) => {
                (self.due, self.vain) = (Some(now + LOOK_EVERY), 0);
                reporter.setting(probe.probe, set_psu).await?;
            }
            Err(why) => {
                self.vain += 1;
                if self.vain >= LOOKS {
                    (self.due, self.vain) = (Some(now + LOOK_EVERY), 0);
                    warn!(
                        "the salinity setting of {} cannot be read: {why}; accepted is a number in {} register {}: \
                         mend or remove `{SET_SALINITY}` in its profile",
                        device.name,
                        super::poll::table_name(register.table),
                        register.address
                    );
                }
            }
        }
        Ok(Ok(()))
    }
}
