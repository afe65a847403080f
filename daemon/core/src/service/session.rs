//! One service from its begin to its end.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::{Adjustment, Beside, Health, InStandard, Serviced, Step, fouling, health, is_rejected};
use crate::message::spoken;
use crate::quantity::Quantity;
use crate::said::{Said, length, said};
use crate::time::{Span, Timestamp};

/// A probe is out of service.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct OutOfService {
    /// Since when.
    pub since: Timestamp,
    /// It comes back by itself then.
    pub until: Timestamp,
    /// Who took it out.
    pub by: String,
}

/// More readings than this in one service are no service.
const MOST_READINGS: usize = 64;

/// Gain beyond which an adjustment is nonsense: the wrong standard, or a dead probe. (Common practice,
/// no source.)
pub const SANE_GAIN: (f64, f64) = (0.5, 2.0);

/// What has been done so far.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Session {
    /// Out of service meanwhile.
    pub out: OutOfService,
    /// Read before cleaning.
    pub before: Vec<Beside>,
    /// When it was cleaned.
    pub cleaned_at: Option<Timestamp>,
    /// Read after cleaning.
    pub after: Vec<Beside>,
    /// Read in standards, after cleaning.
    pub standards: Vec<InStandard>,
    /// Whether the adjustment was taken.
    pub adopted: bool,
}

/// What adopting would do to one quantity, before anybody adopts it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preview {
    /// What.
    pub quantity: Quantity,
    /// To be added for fouling, where read before and after.
    pub fouling: Option<f64>,
    /// To be added for drift, where read in a standard.
    pub drift: Option<f64>,
    /// The adjustment on top of the present one.
    pub adjustment: Option<Adjustment>,
    /// The sensor itself.
    pub health: Option<Health>,
    /// Whether readings since the last service are beyond correcting.
    pub rejected: bool,
}

impl Session {
    /// Begins one.
    pub fn begin(now: Timestamp, length: Span, by: &str) -> Self {
        Self {
            out: OutOfService { since: now, until: now + length, by: String::from(by) },
            before: Vec::new(),
            cleaned_at: None,
            after: Vec::new(),
            standards: Vec::new(),
            adopted: false,
        }
    }

    /// Takes a step other than begin and end. `newest` is what the probe reads now of a quantity.
    ///
    /// # Errors
    /// With the reason, where the step cannot be taken; nothing has changed then.
    pub fn take(
        &mut self,
        step: &Step,
        now: Timestamp,
        newest: impl Fn(Quantity) -> Option<f64>,
    ) -> Result<(), Said> {
        let read = |quantity: Quantity, given: Option<f64>| {
            let value = given.or_else(|| newest(quantity)).ok_or_else(|| {
                said!(
                    "refused-service-unread",
                    "the probe has sent no {what} lately: give what it reads",
                    what = spoken(quantity)
                )
            })?;
            sane(quantity, value)
        };
        // From then on the probe reads adjusted values: set beside what it read before they would make
        // nonsense of fouling and drift.
        if self.adopted && !matches!(step, Step::Begin { .. } | Step::Adopt | Step::End) {
            return Err(said!(
                "refused-service-adopted",
                "it is adopted already: put it back into the pond and end the service; for more readings begin another"
            ));
        }
        if self.before.len() + self.after.len() + self.standards.len() >= MOST_READINGS {
            return Err(said!(
                "refused-service-too-many",
                "more than {most} readings are no service: end it and begin again",
                most = format!("{MOST_READINGS}")
            ));
        }
        match *step {
            Step::Begin { .. } | Step::End => {}
            Step::Before { quantity, hand, reading } => {
                if self.cleaned_at.is_some() {
                    return Err(said!(
                        "refused-service-cleaned",
                        "it is cleaned already: read on with `after`"
                    ));
                }
                let reading = read(quantity, reading)?;
                let hand = hand.map(|hand| sane(quantity, hand)).transpose()?;
                self.before.retain(|known| known.quantity != quantity);
                self.before.push(Beside { quantity, reading, hand, at: now });
            }
            Step::Cleaned => self.cleaned_at = Some(now),
            Step::After { quantity, hand, reading } => {
                if self.cleaned_at.is_none() {
                    return Err(said!(
                        "refused-service-not-cleaned",
                        "it is not cleaned yet: clean it and say `cleaned` first"
                    ));
                }
                let reading = read(quantity, reading)?;
                let hand = hand.map(|hand| sane(quantity, hand)).transpose()?;
                self.after.retain(|known| known.quantity != quantity);
                self.after.push(Beside { quantity, reading, hand, at: now });
            }
            Step::Standard { quantity, expected, reading, millivolts } => {
                if self.cleaned_at.is_none() {
                    return Err(said!(
                        "refused-service-dirty",
                        "a dirty probe is not calibrated: clean it and say `cleaned` first"
                    ));
                }
                if quantity == Quantity::TemperatureC {
                    return Err(said!(
                        "refused-service-temperature",
                        "temperature is checked, not adjusted: compare with a thermometer, within 0.3 C"
                    ));
                }
                let expected = sane(quantity, expected)?;
                if millivolts.is_some_and(|mv| !(-2_000.0..=2_000.0).contains(&mv)) {
                    return Err(said!("refused-service-electrode", "an electrode gives -2000 to 2000 mV"));
                }
                let reading = read(quantity, reading)?;
                // The same standard read again replaces the first reading of it.
                self.standards.retain(|known| {
                    known.quantity != quantity || libm::fabs(known.expected - expected) > 1e-6
                });
                self.standards.push(InStandard { quantity, expected, reading, millivolts });
            }
            Step::Adopt => {
                let mut asked = false;
                for quantity in self.quantities() {
                    if let Some(adjustment) = self.adjustment(quantity) {
                        asked = true;
                        check(quantity, &adjustment)?;
                    }
                }
                if !asked {
                    return Err(said!(
                        "refused-service-nothing",
                        "there is nothing to adopt: read the cleaned probe in a standard first"
                    ));
                }
                if self.adopted {
                    return Err(said!("refused-service-twice", "it is adopted already: end the service"));
                }
                self.adopted = true;
            }
        }
        Ok(())
    }

    /// The quantities that were read in it, each once.
    pub fn quantities(&self) -> Vec<Quantity> {
        let all = self.before.iter().chain(&self.after).map(|beside| beside.quantity);
        let mut found: Vec<Quantity> = all.chain(self.standards.iter().map(|own| own.quantity)).collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    /// The adjustment that the standards ask for, on top of the present one: from one standard the gain,
    /// of pH the shift; from two both.
    pub fn adjustment(&self, quantity: Quantity) -> Option<Adjustment> {
        let mut own: Vec<&InStandard> =
            self.standards.iter().filter(|standard| standard.quantity == quantity).collect();
        own.sort_by(|a, b| a.expected.total_cmp(&b.expected));
        let (low, high) = (own.first()?, own.last()?);
        let apart = high.reading - low.reading;
        if own.len() >= 2 && libm::fabs(apart) > 1e-9 {
            let gain = (high.expected - low.expected) / apart;
            return Some(Adjustment { gain, shift: low.expected - gain * low.reading });
        }
        if quantity == Quantity::Ph || high.expected == 0.0 || high.reading <= 0.0 {
            return Some(Adjustment { gain: 1.0, shift: high.expected - high.reading });
        }
        Some(Adjustment { gain: high.expected / high.reading, shift: 0.0 })
    }

    /// What adopting would do, per quantity.
    pub fn preview(&self, temperature_c: f64) -> Vec<Preview> {
        let of = |list: &[Beside], quantity| list.iter().find(|own| own.quantity == quantity).copied();
        self.quantities()
            .into_iter()
            .map(|quantity| {
                let (before, after) = (of(&self.before, quantity), of(&self.after, quantity));
                let fouling = before.zip(after).map(|(before, after)| fouling(before, after));
                // Of several standards the one nearest to what the pond reads.
                let pond = after.or(before).map(|beside| beside.reading);
                let near = |standard: &&InStandard| {
                    pond.map_or(-standard.expected, |pond| libm::fabs(standard.expected - pond))
                };
                let standard = self
                    .standards
                    .iter()
                    .filter(|standard| standard.quantity == quantity)
                    .min_by(|a, b| near(a).total_cmp(&near(b)));
                let drift = standard.map(|standard| standard.expected - standard.reading);
                let error = fouling.unwrap_or_default() + drift.unwrap_or_default();
                let value = pond.or(standard.map(|standard| standard.expected)).unwrap_or_default();
                Preview {
                    quantity,
                    fouling,
                    drift,
                    adjustment: self.adjustment(quantity),
                    health: health(quantity, &self.standards, temperature_c),
                    rejected: is_rejected(quantity, error, value),
                }
            })
            .collect()
    }

    /// What the readings since the last good service are off by, per quantity that was cleaned or read in
    /// a standard.
    pub fn results(
        &self,
        to: Timestamp,
        temperature_c: f64,
        since: impl Fn(Quantity) -> Timestamp,
    ) -> Vec<Serviced> {
        self.preview(temperature_c)
            .into_iter()
            .filter(|preview| preview.fouling.is_some() || preview.drift.is_some())
            .map(|preview| Serviced {
                quantity: preview.quantity,
                from: since(preview.quantity).min(to),
                to,
                fouling: preview.fouling.unwrap_or_default(),
                drift: preview.drift.unwrap_or_default(),
                adopted: preview.adjustment.filter(|_| self.adopted),
                rejected: preview.rejected,
            })
            .collect()
    }
}

fn sane(quantity: Quantity, value: f64) -> Result<f64, Said> {
    let (lowest, highest) = quantity.conceivable();
    if value.is_finite() && (lowest..=highest).contains(&value) {
        return Ok(value);
    }
    Err(said!(
        "refused-service-value",
        "{what} = {value} cannot be: {lowest} to {highest} {unit} is accepted",
        what = quantity.id(),
        value = format!("{value}"),
        lowest = format!("{lowest}"),
        highest = format!("{highest}"),
        unit = quantity.unit()
    ))
}

/// Shift beyond which an adjustment is nonsense, in the unit of the quantity. (Common practice, no source.)
fn sane_shift(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Ph | Quantity::DoMgL => 4.0,
        _ => f64::INFINITY,
    }
}

/// Whether an adjustment is within what a probe that works can need.
fn check(quantity: Quantity, adjustment: &Adjustment) -> Result<(), Said> {
    let (least, most) = SANE_GAIN;
    let shift = sane_shift(quantity);
    if (least..=most).contains(&adjustment.gain) && libm::fabs(adjustment.shift) <= shift {
        return Ok(());
    }
    let shifts = if shift.is_finite() {
        said!("refused-service-shift", " and -{shift} to {shift} added", shift = format!("{shift}"))
    } else {
        Said::default()
    };
    Err(said!(
        "refused-service-adjustment",
        "adopting would multiply {what} by {gain} and add {shift}: accepted is a factor of {least} to {most}{shifts}. Look whether it is the right standard and the right unit, or replace the sensor",
        what = spoken(quantity),
        gain = format!("{:.2}", adjustment.gain),
        shift = format!("{:.2}", adjustment.shift),
        least = format!("{least}"),
        most = format!("{most}"),
        shifts = shifts
    ))
}

/// How long a service may last, as asked.
///
/// # Errors
/// Where it is no length a service can have.
pub fn check_length(asked: Span) -> Result<Span, Said> {
    if asked.as_millis() < 60_000 || asked > super::LONGEST {
        return Err(said!(
            "refused-service-length",
            "{asked} out of service was asked for: 1 min to {longest} is accepted",
            asked = length(asked),
            longest = length(super::LONGEST)
        ));
    }
    Ok(asked)
}
