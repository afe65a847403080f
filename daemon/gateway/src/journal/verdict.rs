//! What the core made of an input, as it is kept beside it: a flag and, where it is not simply what was
//! reported, the corrected value of each sample; and values that no single input brought.
//!
//! A verdict is one byte, so that runs of equal ones are short: the flag in the low four bits, in the next
//! two how the value comes about. 0 means that nothing was said of a sample.

use pondreeve_core::effect::{Flag, Reading};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Effect, Quantity, Timestamp};

use super::codec::{FORMS, Malformed, Reader, put_number, put_signed, put_unsigned};

/// How the value comes about: the flag's byte plus one of these.
const AS_EXPECTED: u8 = 0x10;
const NO_VALUE: u8 = 0x20;
const TOLD: u8 = 0x30;

/// The flag of a sample and its corrected value, if it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    /// All tests merged.
    pub flag: Flag,
    /// In the unit of the quantity.
    pub value: Option<f64>,
}

/// Verdicts on the samples of one input, coded against the values one would expect.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Verdicts {
    /// Position of the input.
    pub seq: u64,
    pub(super) codes: Vec<u8>,
    /// Values that are not as expected.
    pub(super) told: Vec<f64>,
}

/// What verdicts on one input say, wherever they are kept.
#[derive(Debug, Clone, Copy)]
pub(super) struct Said<'a> {
    pub(super) codes: &'a [u8],
    pub(super) told: &'a [f64],
}

/// Where a value comes from that belongs to no sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Origin {
    /// A reading that did not come.
    Missing = 1,
    /// Computed from readings.
    Derived = 2,
    /// A later verdict on a reading that is kept already.
    Amended = 3,
}

/// A value that belongs to no sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Late {
    /// Where it comes from.
    pub origin: Origin,
    /// Which pond.
    pub pond: Option<PondIndex>,
    /// Which probe.
    pub probe: Option<ProbeIndex>,
    /// What.
    pub quantity: Quantity,
    /// When it was measured, missed or computed for.
    pub at: Timestamp,
    /// In the unit of the quantity.
    pub value: Option<f64>,
    /// Its flag.
    pub flag: Flag,
    /// Which channel of the probe, where that is known.
    pub channel: Option<u16>,
    /// Of a later verdict: the last reading it is about; otherwise the same as `at`.
    pub until: Timestamp,
}

pub(super) fn flag_of(code: u8) -> Result<Flag, Malformed> {
    [Flag::Pass, Flag::NotEvaluated, Flag::Suspect, Flag::Fail, Flag::Missing]
        .into_iter()
        .find(|flag| *flag as u8 == code)
        .ok_or(Malformed::Unknown)
}

/// Codes a verdict against what is expected; what is not goes to `told`.
pub(super) fn code(verdict: Option<Verdict>, expected: f64, told: &mut Vec<f64>) -> u8 {
    let Some(Verdict { flag, value }) = verdict else { return 0 };
    let how = match value {
        None => NO_VALUE,
        Some(value) if value.to_bits() == expected.to_bits() => AS_EXPECTED,
        Some(value) => {
            told.push(value);
            TOLD
        }
    };
    flag as u8 | how
}

/// The verdict behind a code; takes from `told` what is not as expected.
pub(super) fn decode(
    code: u8,
    expected: f64,
    told: &mut impl Iterator<Item = f64>,
) -> Result<Option<Verdict>, Malformed> {
    if code == 0 {
        return Ok(None);
    }
    let value = match code & 0xf0 {
        AS_EXPECTED => Some(expected),
        NO_VALUE => None,
        TOLD => Some(told.next().ok_or(Malformed::CutShort)?),
        _ => return Err(Malformed::Unknown),
    };
    Ok(Some(Verdict { flag: flag_of(code & 0x0f)?, value }))
}

/// Appends codes as runs.
pub(super) fn put_codes(out: &mut Vec<u8>, codes: &[u8]) {
    let runs = codes.chunk_by(|a, b| a == b);
    put_unsigned(out, runs.clone().count() as u64);
    for run in runs {
        put_unsigned(out, run.len() as u64);
        out.extend(run.first());
    }
}

/// Reads runs of codes; there must be `rows` of them, or any number up to `rows` where not `exactly`.
pub(super) fn codes(reader: &mut Reader<'_>, rows: usize, exactly: bool) -> Result<Vec<u8>, Malformed> {
    let mut codes = Vec::new();
    for _ in 0..reader.unsigned()? {
        let length = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
        let code = reader.byte()?;
        if length > rows - codes.len() {
            return Err(Malformed::TooLong);
        }
        codes.resize(codes.len() + length, code);
    }
    if exactly && codes.len() != rows { Err(Malformed::CutShort) } else { Ok(codes) }
}

impl Verdicts {
    /// What the effects of one step say of the samples of its input, in their order.
    pub fn of_sweep(seq: u64, samples: &[Sample], effects: &[Effect]) -> Self {
        let mut readings = effects.iter().filter_map(|effect| match effect {
            Effect::Reading(reading) if reading.probe.is_some() && reading.raw.is_some() => Some(reading),
            _ => None,
        });
        let mut next = readings.next();
        let mut verdicts = Self { seq, codes: Vec::with_capacity(samples.len()), told: Vec::new() };
        for sample in samples {
            let of_this = |reading: &&Reading| {
                reading.probe == Some(sample.probe)
                    && reading.quantity == sample.quantity
                    && reading.raw.map(f64::to_bits) == Some(sample.value.to_bits())
            };
            let verdict = next.filter(of_this).map(|r| Verdict { flag: r.flag, value: r.value });
            if verdict.is_some() {
                next = readings.next();
            }
            verdicts.codes.push(code(verdict, sample.value, &mut verdicts.told));
        }
        verdicts
    }

    /// What the effects of a step say of a person's entry.
    pub fn of_entry(seq: u64, value: f64, effects: &[Effect]) -> Self {
        let verdict = effects.iter().find_map(|effect| match effect {
            Effect::Reading(reading) if reading.probe.is_none() => {
                Some(Verdict { flag: reading.flag, value: reading.value })
            }
            _ => None,
        });
        let mut verdicts = Self { seq, ..Self::default() };
        verdicts.codes.push(code(verdict, value, &mut verdicts.told));
        verdicts
    }

    /// Nothing is said of any sample.
    pub fn is_empty(&self) -> bool {
        self.codes.iter().all(|&code| code == 0)
    }

    pub(super) fn said(&self) -> Said<'_> {
        Said { codes: &self.codes, told: &self.told }
    }

    pub(super) fn of_said(seq: u64, said: Said<'_>) -> Self {
        Self { seq, codes: said.codes.to_vec(), told: said.told.to_vec() }
    }

    pub(super) fn put(&self, out: &mut Vec<u8>) {
        put_codes(out, &self.codes);
        for &value in &self.told {
            put_number(out, value, 0);
        }
    }

    pub(super) fn read(reader: &mut Reader<'_>, seq: u64) -> Result<Self, Malformed> {
        let codes = codes(reader, super::columns::MOST_ROWS, false)?;
        let mut told = Vec::new();
        for _ in 0..count_told(&codes) {
            told.push(value(reader)?);
        }
        Ok(Self { seq, codes, told })
    }
}

/// The code of a value that passed all tests and is as expected.
const GOOD: u8 = Flag::Pass as u8 | AS_EXPECTED;

/// Whether each of these says that a value passed and is as expected.
pub(super) fn all_good(codes: &[u8]) -> bool {
    codes.iter().all(|code| *code == GOOD)
}

impl<'a> Said<'a> {
    /// Whether each of so many samples passed, its value as expected.
    pub(super) fn all_good(self, samples: usize) -> bool {
        self.codes.len() == samples && all_good(self.codes)
    }

    /// The same as one code after the other.
    pub(super) fn recoder(self) -> Recoder<'a> {
        Recoder { codes: self.codes.iter(), told: self.told.iter().copied() }
    }

    /// The verdicts on samples of these values.
    pub(super) fn on(
        self,
        reported: impl Iterator<Item = f64> + 'a,
    ) -> impl Iterator<Item = Option<Verdict>> + 'a {
        let mut told = self.told.iter().copied();
        let codes = self.codes.iter().copied().chain(std::iter::repeat(0));
        reported.zip(codes).map(move |(value, code)| decode(code, value, &mut told).ok().flatten())
    }
}

/// Codes verdicts anew, sample by sample, against what is expected after calibration.
#[derive(Debug, Clone, Default)]
pub(super) struct Recoder<'a> {
    codes: std::slice::Iter<'a, u8>,
    told: std::iter::Copied<std::slice::Iter<'a, f64>>,
}

impl Recoder<'_> {
    /// The code of the next sample; what is not as expected goes to `told`.
    pub(super) fn next(&mut self, reported: f64, expected: f64, told: &mut Vec<f64>) -> u8 {
        let own = self.codes.next().copied().unwrap_or(0);
        // Nearly all are so.
        if own == 0 || (own == GOOD && reported.to_bits() == expected.to_bits()) {
            return own;
        }
        code(decode(own, reported, &mut self.told).ok().flatten(), expected, told)
    }
}

/// How many of these codes have a value of their own beside them.
pub(super) fn count_told(codes: &[u8]) -> usize {
    codes.iter().filter(|&&code| code & 0xf0 == TOLD).count()
}

fn value(reader: &mut Reader<'_>) -> Result<f64, Malformed> {
    let form = reader.byte()?;
    if form >= FORMS { Err(Malformed::Unknown) } else { reader.number(form) }
}

impl Late {
    /// The values among the effects of a step that belong to no sample.
    pub fn of(effects: &[Effect]) -> impl Iterator<Item = Self> + '_ {
        effects.iter().filter_map(|effect| match effect {
            Effect::Reading(reading) if reading.raw.is_none() => Some(Self {
                origin: Origin::Missing,
                pond: reading.pond,
                probe: reading.probe,
                quantity: reading.quantity,
                at: reading.at,
                value: reading.value,
                flag: reading.flag,
                channel: None,
                until: reading.at,
            }),
            Effect::Derived(derived) => Some(Self {
                origin: Origin::Derived,
                pond: Some(derived.pond),
                probe: None,
                quantity: derived.quantity,
                at: derived.at,
                value: Some(derived.value),
                flag: derived.flag,
                channel: None,
                until: derived.at,
            }),
            Effect::Amended(amended) => Some(Self {
                origin: Origin::Amended,
                pond: amended.pond,
                probe: Some(amended.probe),
                quantity: amended.quantity,
                at: amended.from,
                value: None,
                flag: amended.flag,
                channel: Some(amended.channel),
                until: amended.to,
            }),
            _ => None,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, quantity: u64) {
        out.push(self.origin as u8);
        put_unsigned(out, self.pond.map_or(0, |pond| u64::from(pond.0) + 1));
        put_unsigned(out, self.probe.map_or(0, |probe| u64::from(probe.0) + 1));
        put_unsigned(out, quantity);
        out.push(self.flag as u8 | if self.value.is_some() { TOLD } else { NO_VALUE });
        if let Some(value) = self.value {
            put_number(out, value, 0);
        }
        if self.origin == Origin::Amended {
            put_unsigned(out, self.channel.map_or(0, |channel| u64::from(channel) + 1));
            put_signed(out, self.until.as_millis().wrapping_sub(self.at.as_millis()));
        }
    }

    pub(super) fn read(
        reader: &mut Reader<'_>,
        at: Timestamp,
        quantity_of: impl Fn(u64) -> Result<Quantity, Malformed>,
    ) -> Result<Self, Malformed> {
        let origin = match reader.byte()? {
            1 => Origin::Missing,
            2 => Origin::Derived,
            3 => Origin::Amended,
            _ => return Err(Malformed::Unknown),
        };
        let index = |coded: u64| match coded {
            0 => Ok(None),
            more => u16::try_from(more - 1).map(Some).map_err(|_| Malformed::Unknown),
        };
        let pond = index(reader.unsigned()?)?.map(PondIndex);
        let probe = index(reader.unsigned()?)?.map(ProbeIndex);
        let quantity = quantity_of(reader.unsigned()?)?;
        let coded = reader.byte()?;
        let value = match coded & 0xf0 {
            TOLD => Some(value(reader)?),
            NO_VALUE => None,
            _ => return Err(Malformed::Unknown),
        };
        let flag = flag_of(coded & 0x0f)?;
        let (channel, until) = match origin {
            Origin::Amended => {
                let channel = index(reader.unsigned()?)?;
                (channel, Timestamp(at.as_millis().wrapping_add(reader.signed()?)))
            }
            _ => (None, at),
        };
        Ok(Self { origin, pond, probe, quantity, at, value, flag, channel, until })
    }
}
