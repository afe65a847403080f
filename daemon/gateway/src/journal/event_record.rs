//! What an event looks like on disk: a code, and its fields in a fixed order.

use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Span, Timestamp};

use super::codec::{self, FORMS, Malformed, Reader, put_signed, put_text, put_unsigned};
use super::quantity_code::{quantity_code, quantity_of_code};
use super::record::kind;
use super::{call_record, diary_record, service_record, site_record, trial_record};

/// The code under which an event is kept.
pub(super) fn event_kind(event: &Event) -> u8 {
    match event {
        Event::Started { .. } => kind::STARTED,
        Event::Stopped => kind::STOPPED,
        Event::SiteChanged { .. } => kind::SITE_CHANGED,
        Event::Sweep { .. } => kind::SWEEP,
        Event::ProbeFault { .. } => kind::PROBE_FAULT,
        Event::ManualSample { .. } => kind::MANUAL_SAMPLE,
        Event::ProbeSetting { .. } => kind::PROBE_SETTING,
        Event::Service { .. } => kind::SERVICE,
        Event::Diary { .. } => kind::DIARY,
        Event::Trial { .. } => kind::TRIAL,
        Event::LimitChange { .. } => kind::LIMIT_CHANGE,
        Event::Acknowledge { .. } => kind::ACKNOWLEDGE,
        Event::Shelve { .. } => kind::SHELVE,
        Event::Unshelve { .. } => kind::UNSHELVE,
        Event::Reset { .. } => kind::RESET,
        Event::GatewayFault { .. } => kind::GATEWAY_FAULT,
        Event::Carried { .. } => kind::CARRIED,
        Event::NodeSaid { .. } => kind::NODE_SAID,
        Event::ClockStepped { .. } => kind::CLOCK_STEPPED,
        Event::Tick => kind::TICK,
    }
}

/// Appends the fields of an event that came at a time.
pub(super) fn put_event(out: &mut Vec<u8>, at: Timestamp, event: &Event) {
    match event {
        Event::Started { site } | Event::SiteChanged { site } => {
            put_text(out, &site_record::to_text(site));
        }
        Event::Stopped | Event::Tick => {}
        Event::Sweep { samples } => {
            put_unsigned(out, samples.len() as u64);
            for sample in samples {
                let Sample { probe, quantity, channel, value, taken_at } = *sample;
                put_unsigned(out, u64::from(probe.0));
                put_unsigned(out, quantity_code(quantity) * 2 + u64::from(channel.is_some()));
                if let Some(channel) = channel {
                    put_unsigned(out, u64::from(channel));
                }
                put_number(out, at, value, taken_at);
            }
        }
        Event::ProbeFault { probe, fault } => {
            put_unsigned(out, u64::from(probe.0));
            match fault {
                ProbeFault::Silent => out.push(1),
                ProbeFault::Garbled => out.push(2),
                ProbeFault::Exception(code) => out.extend([3, *code]),
                ProbeFault::Undecodable(detail) => {
                    out.push(4);
                    put_text(out, detail);
                }
                ProbeFault::Unreachable => out.push(5),
                ProbeFault::Lent => out.push(6),
            }
        }
        Event::ManualSample { pond, quantity, value, taken_at, by } => {
            put_unsigned(out, u64::from(pond.0));
            put_unsigned(out, quantity_code(*quantity));
            put_number(out, at, *value, *taken_at);
            put_text(out, by);
        }
        Event::ProbeSetting { probe, salinity_psu } => {
            put_unsigned(out, u64::from(probe.0));
            put_number(out, at, *salinity_psu, None);
        }
        Event::Service { probe, step, by } => {
            put_unsigned(out, u64::from(probe.0));
            service_record::put(out, step);
            put_text(out, by);
        }
        Event::Diary { pond, entry, by } => {
            put_unsigned(out, u64::from(pond.0));
            diary_record::put(out, at, entry);
            put_text(out, by);
        }
        Event::Trial { trial, by } => {
            trial_record::put(out, trial);
            put_text(out, by);
        }
        Event::LimitChange { pond, key, value, reason, by } => {
            put_unsigned(out, u64::from(pond.0));
            put_text(out, key);
            out.push(u8::from(value.is_some()));
            out.extend_from_slice(&value.unwrap_or_default().to_bits().to_le_bytes());
            put_text(out, reason);
            put_text(out, by);
        }
        Event::Acknowledge { alarm, by } | Event::Unshelve { alarm, by } | Event::Reset { alarm, by } => {
            put_text(out, alarm);
            put_text(out, by);
        }
        Event::Shelve { alarm, length, reason, by } => {
            put_text(out, alarm);
            put_signed(out, length.as_millis());
            put_text(out, reason);
            put_text(out, by);
        }
        Event::GatewayFault { part, which, detail } => {
            out.push(match part {
                GatewayPart::Store => 1,
                GatewayPart::Bus => 2,
                GatewayPart::Broker => 3,
                GatewayPart::Forward => 4,
                GatewayPart::Clock => 5,
                GatewayPart::Quarantine => 6,
                GatewayPart::Horn => 7,
                GatewayPart::Call => 8,
                GatewayPart::Machine => 20,
            });
            put_text(out, which);
            out.push(u8::from(detail.is_some()));
            if let Some(detail) = detail {
                put_text(out, detail);
            }
        }
        Event::Carried { what, outcome } => call_record::put(out, what, outcome),
        Event::NodeSaid { node, is_there } => {
            put_text(out, node);
            out.push(u8::from(*is_there));
        }
        Event::ClockStepped { from, to } => {
            put_signed(out, from.as_millis());
            put_signed(out, to.as_millis());
        }
    }
}

/// Form of the number, plus [`FORMS`] where a time of its own follows; the number; the time.
fn put_number(out: &mut Vec<u8>, at: Timestamp, value: f64, taken_at: Option<Timestamp>) {
    codec::put_number(out, value, if taken_at.is_some() { FORMS } else { 0 });
    if let Some(taken_at) = taken_at {
        put_signed(out, taken_at.as_millis().wrapping_sub(at.as_millis()));
    }
}

fn number(reader: &mut Reader<'_>, at: Timestamp) -> Result<(f64, Option<Timestamp>), Malformed> {
    let form = reader.byte()?;
    if form < FORMS {
        return Ok((reader.number(form)?, None));
    }
    let value = reader.number(form - FORMS)?;
    Ok((value, Some(Timestamp(at.as_millis().wrapping_add(reader.signed()?)))))
}

/// The event of a code, from its fields.
///
/// # Errors
/// Where they are cut short or of no form that is known.
pub(super) fn read_event(reader: &mut Reader<'_>, code: u8, at: Timestamp) -> Result<Event, Malformed> {
    Ok(match code {
        kind::STARTED => Event::Started { site: site_record::from_text(&reader.text()?)? },
        kind::SITE_CHANGED => Event::SiteChanged { site: site_record::from_text(&reader.text()?)? },
        kind::STOPPED => Event::Stopped,
        kind::TICK => Event::Tick,
        kind::SWEEP => {
            let count = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
            // The shortest sample takes four bytes, so a wrong count cannot ask for much memory.
            let mut samples = Vec::with_capacity(count.min(reader.left() / 4));
            for _ in 0..count {
                let probe = ProbeIndex(reader.index()?);
                let code = reader.unsigned()?;
                let quantity = quantity_of_code(code / 2)?;
                let channel = if code % 2 == 1 { Some(reader.index()?) } else { None };
                let (value, taken_at) = number(reader, at)?;
                samples.push(Sample { probe, quantity, channel, value, taken_at });
            }
            Event::Sweep { samples }
        }
        kind::PROBE_FAULT => {
            let probe = ProbeIndex(reader.index()?);
            let fault = match reader.byte()? {
                1 => ProbeFault::Silent,
                2 => ProbeFault::Garbled,
                3 => ProbeFault::Exception(reader.byte()?),
                4 => ProbeFault::Undecodable(reader.text()?),
                5 => ProbeFault::Unreachable,
                6 => ProbeFault::Lent,
                _ => return Err(Malformed::Unknown),
            };
            Event::ProbeFault { probe, fault }
        }
        kind::MANUAL_SAMPLE => {
            let pond = PondIndex(reader.index()?);
            let quantity = quantity_of_code(reader.unsigned()?)?;
            let (value, taken_at) = number(reader, at)?;
            Event::ManualSample { pond, quantity, value, taken_at, by: reader.text()? }
        }
        kind::PROBE_SETTING => {
            let probe = ProbeIndex(reader.index()?);
            Event::ProbeSetting { probe, salinity_psu: number(reader, at)?.0 }
        }
        kind::SERVICE => {
            let probe = ProbeIndex(reader.index()?);
            let step = service_record::read(reader)?;
            Event::Service { probe, step, by: reader.text()? }
        }
        kind::DIARY => {
            let pond = PondIndex(reader.index()?);
            Event::Diary { pond, entry: diary_record::read(reader, at)?, by: reader.text()? }
        }
        kind::TRIAL => Event::Trial { trial: trial_record::read(reader)?, by: reader.text()? },
        kind::LIMIT_CHANGE => {
            let (pond, key) = (PondIndex(reader.index()?), reader.text()?);
            let has_value = match reader.byte()? {
                0 => false,
                1 => true,
                _ => return Err(Malformed::Unknown),
            };
            let value = f64::from_bits(u64::from_le_bytes(reader.array()?));
            let value = has_value.then_some(value);
            Event::LimitChange { pond, key, value, reason: reader.text()?, by: reader.text()? }
        }
        kind::ACKNOWLEDGE => Event::Acknowledge { alarm: reader.text()?, by: reader.text()? },
        kind::SHELVE => Event::Shelve {
            alarm: reader.text()?,
            length: Span::from_millis(reader.signed()?),
            reason: reader.text()?,
            by: reader.text()?,
        },
        kind::UNSHELVE => Event::Unshelve { alarm: reader.text()?, by: reader.text()? },
        kind::RESET => Event::Reset { alarm: reader.text()?, by: reader.text()? },
        kind::GATEWAY_FAULT => {
            let part = match reader.byte()? {
                1 => GatewayPart::Store,
                2 => GatewayPart::Bus,
                3 => GatewayPart::Broker,
                4 => GatewayPart::Forward,
                5 => GatewayPart::Clock,
                6 => GatewayPart::Quarantine,
                7 => GatewayPart::Horn,
                8 => GatewayPart::Call,
                20 => GatewayPart::Machine,
                _ => return Err(Malformed::Unknown),
            };
            let which = reader.text()?;
            let detail = match reader.byte()? {
                0 => None,
                1 => Some(reader.text()?),
                _ => return Err(Malformed::Unknown),
            };
            Event::GatewayFault { part, which, detail }
        }
        kind::CARRIED => {
            let (what, outcome) = call_record::read(reader)?;
            Event::Carried { what, outcome }
        }
        kind::NODE_SAID => {
            let node = reader.text()?;
            let is_there = match reader.byte()? {
                0 => false,
                1 => true,
                _ => return Err(Malformed::Unknown),
            };
            Event::NodeSaid { node, is_there }
        }
        kind::CLOCK_STEPPED => {
            Event::ClockStepped { from: Timestamp(reader.signed()?), to: Timestamp(reader.signed()?) }
        }
        _ => return Err(Malformed::Unknown),
    })
}
