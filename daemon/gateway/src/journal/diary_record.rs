//! An entry of the diary inside a journal record.
//!
//! ```text
//! number, signed ms from the record's time to when it happened, what it corrects (0 for nothing)
//! the pond then: 0, or 1 and area, depth, whether measured
//! kind 1 B, fields of the kind
//! ```
//! A number is kept with all its bits. What may be absent is led by 0 or 1.

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::Timestamp;
use pondreeve_core::diary::{
    Basin, Count, Disturbance, Dose, Entry, Feed, Harvest, Mortality, Sampling, Sludge, Stocking, WaterMove,
    What,
};

use super::codec::{Malformed, Reader, put_signed, put_text, put_unsigned};

/// Codes of the kinds of entry. Never reuse one.
const DOSE: u8 = 1;
const FEED: u8 = 2;
const DRAIN: u8 = 3;
const EXCHANGE: u8 = 4;
const SAMPLING: u8 = 5;
const STOCKING: u8 = 6;
const MORTALITY: u8 = 7;
const HARVEST: u8 = 8;
const SLUDGE: u8 = 9;
const WEATHER: u8 = 10;
const COST: u8 = 11;
const PRICE: u8 = 12;
const NOTE: u8 = 13;
const WITHDRAWAL: u8 = 14;
const COUNT: u8 = 15;
const DISTURBANCE: u8 = 16;
/// A dose with what spoke against it.
const DOSE_AGAINST: u8 = 17;

/// Codes of what a dose counts. Never reuse one.
const BASES: [(u8, Basis); 3] = [(1, Basis::SlurryMass), (2, Basis::SolidsMass), (3, Basis::SlurryVolume)];

fn put_value(out: &mut Vec<u8>, value: f64) {
    out.extend_from_slice(&value.to_bits().to_le_bytes());
}

fn put_maybe<T>(out: &mut Vec<u8>, value: Option<T>, put: impl Fn(&mut Vec<u8>, T)) {
    out.push(u8::from(value.is_some()));
    if let Some(value) = value {
        put(out, value);
    }
}

fn value(reader: &mut Reader<'_>) -> Result<f64, Malformed> {
    Ok(f64::from_bits(u64::from_le_bytes(reader.array()?)))
}

fn flag(reader: &mut Reader<'_>) -> Result<bool, Malformed> {
    match reader.byte()? {
        0 => Ok(false),
        1 => Ok(true),
        _ => Err(Malformed::Unknown),
    }
}

fn maybe<T>(
    reader: &mut Reader<'_>,
    read: impl Fn(&mut Reader<'_>) -> Result<T, Malformed>,
) -> Result<Option<T>, Malformed> {
    if flag(reader)? { read(reader).map(Some) } else { Ok(None) }
}

fn count(reader: &mut Reader<'_>) -> Result<u32, Malformed> {
    u32::try_from(reader.unsigned()?).map_err(|_| Malformed::Unknown)
}

fn words(reader: &mut Reader<'_>) -> Result<String, Malformed> {
    reader.text()
}

/// A time, as what lies between it and the record's.
struct Since(Timestamp);

impl Since {
    fn put(&self, out: &mut Vec<u8>, time: Timestamp) {
        put_signed(out, time.as_millis().wrapping_sub(self.0.as_millis()));
    }

    fn read(&self, reader: &mut Reader<'_>) -> Result<Timestamp, Malformed> {
        Ok(Timestamp(self.0.as_millis().wrapping_add(reader.signed()?)))
    }
}

/// Appends an entry of a record of the time `at`.
pub(super) fn put(out: &mut Vec<u8>, at: Timestamp, entry: &Entry) {
    let since = Since(at);
    put_unsigned(out, entry.number);
    since.put(out, entry.at);
    put_unsigned(out, entry.corrects.unwrap_or(0));
    put_maybe(out, entry.basin, |out, basin| {
        put_value(out, basin.area_m2);
        put_value(out, basin.depth_m);
        out.push(u8::from(basin.is_measured));
    });
    let number = |out: &mut Vec<u8>, own: Option<f64>| put_maybe(out, own, put_value);
    let text = |out: &mut Vec<u8>, own: &Option<String>| {
        put_maybe(out, own.as_ref(), |out, own| put_text(out, own));
    };
    match &entry.what {
        What::Dose(dose) => {
            out.push(if dose.against.is_some() { DOSE_AGAINST } else { DOSE });
            number(out, dose.slurry_kg);
            number(out, dose.slurry_l);
            number(out, dose.containers);
            text(out, &dose.lot);
            let code = dose.basis.and_then(|own| BASES.iter().find(|(_, basis)| *basis == own));
            out.push(code.map_or(0, |(code, _)| *code));
            number(out, dose.solids_percent);
            number(out, dose.density_kg_l);
            number(out, dose.container_kg);
            put_maybe(out, dose.stop, |out, stop| since.put(out, stop));
            text(out, &dose.reason);
            out.push(u8::from(dose.is_confirmed));
            dose.against.iter().for_each(|against| put_text(out, against));
        }
        What::Feed(feed) => {
            out.push(FEED);
            put_value(out, feed.kg);
            number(out, feed.tray_left_percent);
        }
        What::Drain(water) | What::Exchange(water) => {
            out.push(if matches!(entry.what, What::Drain(_)) { DRAIN } else { EXCHANGE });
            put_maybe(out, water.stop, |out, stop| since.put(out, stop));
            number(out, water.level_before_m);
            number(out, water.level_after_m);
            number(out, water.refilled_to_m);
            number(out, water.volume_m3);
            number(out, water.ph);
        }
        What::Sampling(sample) => {
            out.push(SAMPLING);
            put_unsigned(out, u64::from(sample.count));
            put_value(out, sample.total_g);
        }
        What::Stocking(stocked) => {
            out.push(STOCKING);
            put_unsigned(out, u64::from(stocked.count));
            text(out, &stocked.species);
            text(out, &stocked.lot);
            text(out, &stocked.size);
            number(out, stocked.abw_g);
        }
        What::Mortality(dead) => {
            out.push(MORTALITY);
            put_maybe(out, dead.count, |out, count| put_unsigned(out, u64::from(count)));
            number(out, dead.kg);
        }
        What::Harvest(taken) => {
            out.push(HARVEST);
            put_value(out, taken.kg);
            number(out, taken.abw_g);
            number(out, taken.price_per_kg);
            out.push(u8::from(taken.is_final));
        }
        What::Sludge(sludge) => {
            out.push(SLUDGE);
            number(out, sludge.ph);
            number(out, sludge.orp_mv);
            number(out, sludge.depth_cm);
            text(out, &sludge.method);
        }
        What::Count(own) => {
            out.push(COUNT);
            text(out, &own.lot);
            put_value(out, own.left);
            number(out, own.delivered);
            number(out, own.container_kg);
            text(out, &own.reason);
        }
        What::Disturbance(own) => {
            out.push(DISTURBANCE);
            put_maybe(out, own.stop, |out, stop| since.put(out, stop));
            put_text(out, &own.words);
        }
        What::Weather { words } => {
            out.push(WEATHER);
            put_text(out, words);
        }
        What::Cost { item, amount } => {
            out.push(COST);
            put_text(out, item);
            put_value(out, *amount);
        }
        What::Price { item, amount, per } => {
            out.push(PRICE);
            put_text(out, item);
            put_value(out, *amount);
            put_text(out, per);
        }
        What::Note { words } => {
            out.push(NOTE);
            put_text(out, words);
        }
        What::Withdrawal { reason } => {
            out.push(WITHDRAWAL);
            put_text(out, reason);
        }
    }
}

/// Reads an entry of a record of the time `at` back.
pub(super) fn read(reader: &mut Reader<'_>, at: Timestamp) -> Result<Entry, Malformed> {
    let since = Since(at);
    let number = reader.unsigned()?;
    let happened = since.read(reader)?;
    let corrects = Some(reader.unsigned()?).filter(|&corrected| corrected != 0);
    let basin = maybe(reader, |reader| {
        Ok(Basin { area_m2: value(reader)?, depth_m: value(reader)?, is_measured: flag(reader)? })
    })?;
    let what = what(reader, &since)?;
    Ok(Entry { number, at: happened, corrects, basin, what })
}

fn what(reader: &mut Reader<'_>, since: &Since) -> Result<What, Malformed> {
    let code = reader.byte()?;
    Ok(match code {
        DOSE | DOSE_AGAINST => What::Dose(Dose {
            slurry_kg: maybe(reader, value)?,
            slurry_l: maybe(reader, value)?,
            containers: maybe(reader, value)?,
            lot: maybe(reader, words)?,
            basis: match reader.byte()? {
                0 => None,
                code => {
                    let found = BASES.iter().find(|(own, _)| *own == code);
                    Some(found.map(|(_, basis)| *basis).ok_or(Malformed::Unknown)?)
                }
            },
            solids_percent: maybe(reader, value)?,
            density_kg_l: maybe(reader, value)?,
            container_kg: maybe(reader, value)?,
            stop: maybe(reader, |reader| since.read(reader))?,
            reason: maybe(reader, words)?,
            is_confirmed: flag(reader)?,
            against: if code == DOSE_AGAINST { Some(reader.text()?) } else { None },
        }),
        FEED => What::Feed(Feed { kg: value(reader)?, tray_left_percent: maybe(reader, value)? }),
        DRAIN | EXCHANGE => {
            let water = WaterMove {
                stop: maybe(reader, |reader| since.read(reader))?,
                level_before_m: maybe(reader, value)?,
                level_after_m: maybe(reader, value)?,
                refilled_to_m: maybe(reader, value)?,
                volume_m3: maybe(reader, value)?,
                ph: maybe(reader, value)?,
            };
            if code == DRAIN { What::Drain(water) } else { What::Exchange(water) }
        }
        SAMPLING => What::Sampling(Sampling { count: count(reader)?, total_g: value(reader)? }),
        STOCKING => What::Stocking(Stocking {
            count: count(reader)?,
            species: maybe(reader, words)?,
            lot: maybe(reader, words)?,
            size: maybe(reader, words)?,
            abw_g: maybe(reader, value)?,
        }),
        MORTALITY => What::Mortality(Mortality { count: maybe(reader, count)?, kg: maybe(reader, value)? }),
        HARVEST => What::Harvest(Harvest {
            kg: value(reader)?,
            abw_g: maybe(reader, value)?,
            price_per_kg: maybe(reader, value)?,
            is_final: flag(reader)?,
        }),
        SLUDGE => What::Sludge(Sludge {
            ph: maybe(reader, value)?,
            orp_mv: maybe(reader, value)?,
            depth_cm: maybe(reader, value)?,
            method: maybe(reader, words)?,
        }),
        DISTURBANCE => What::Disturbance(Disturbance {
            stop: maybe(reader, |reader| since.read(reader))?,
            words: reader.text()?,
        }),
        WEATHER => What::Weather { words: reader.text()? },
        COST => What::Cost { item: reader.text()?, amount: value(reader)? },
        PRICE => What::Price { item: reader.text()?, amount: value(reader)?, per: reader.text()? },
        NOTE => What::Note { words: reader.text()? },
        WITHDRAWAL => What::Withdrawal { reason: reader.text()? },
        COUNT => What::Count(Count {
            lot: maybe(reader, words)?,
            left: value(reader)?,
            delivered: maybe(reader, value)?,
            container_kg: maybe(reader, value)?,
            reason: maybe(reader, words)?,
        }),
        _ => return Err(Malformed::Unknown),
    })
}

#[cfg(test)]
#[path = "diary_record_tests.rs"]
mod tests;
