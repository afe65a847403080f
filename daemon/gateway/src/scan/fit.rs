//! Whether a register map fits a unit: every register decodes, and what it says can be.
//!
//! Plain registers say nothing about what they mean, so a fit is a guess with its evidence shown, and a person
//! confirms it by the probe's label and manual. Zeros fit every map and count for none.

use pondreeve_core::Quantity;
use pondreeve_core::site::QualityLimits;
use pondreeve_protocol::register_map::{Number, Register, RegisterMap, ValueError};

use crate::config::profile::SET_SALINITY;

/// A floating number nearer to zero than this, and not zero, is some other coding read as one.
const TINY: f64 = 1e-6;

/// How likely a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// No probe of this kind reports it in water.
    Impossible,
    /// It can be, as in air, in a bucket, or of a probe that is not ready.
    Possible,
    /// As in a pond.
    Usual,
}

impl Verdict {
    /// Key of its words.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Impossible => "scan-impossible",
            Self::Possible => "scan-unusual",
            Self::Usual => "scan-usual",
        }
    }

    /// For scripts.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Impossible => "impossible",
            Self::Possible => "unusual",
            Self::Usual => "usual",
        }
    }
}

/// What one register read as.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Quantity id, or a setting.
    pub channel: String,
    /// Unit for people.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// The values, one a look; `None` where the unit says that it has none.
    pub values: Vec<Option<f64>>,
    /// The least likely of them.
    pub verdict: Verdict,
    /// Whether it is evidence: zero is in every register that nobody uses.
    pub(super) counts: bool,
}

/// A register map that fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The map.
    pub map: RegisterMap,
    /// Its registers.
    pub seen: Vec<Seen>,
    /// Another map fits the same registers as well: a person must say which.
    pub in_doubt: bool,
}

impl Fit {
    /// More is better: usual values that count, then all that count, then registers.
    pub(super) fn rank(&self) -> (usize, usize, usize) {
        let usual = self.seen.iter().filter(|seen| seen.counts && seen.verdict == Verdict::Usual).count();
        let counting = self.seen.iter().filter(|seen| seen.counts).count();
        (usual, counting, self.seen.len())
    }

    /// Whether its values are evidence enough to be written down as found.
    pub fn is_evident(&self) -> bool {
        !self.in_doubt && self.rank().0 > 0
    }

    /// Whether it tells about an aerator, which the configuration must name.
    pub fn is_of_aerator(&self) -> bool {
        let aerator = |id: &str| id == Quantity::AeratorOn.id() || id == Quantity::AeratorKw.id();
        self.seen.iter().any(|seen| aerator(&seen.channel))
    }

    /// Whether it measures the sky and not the water, and so serves all ponds.
    pub fn is_of_weather(&self) -> bool {
        let weather = |id: &str| id == Quantity::ParUmolM2S.id() || id == Quantity::PressureHpa.id();
        self.seen.iter().all(|seen| weather(&seen.channel))
    }

    /// Whether two maps read a register in common.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let spans = |map: &RegisterMap| -> Vec<_> {
            let end = |r: &Register| u32::from(r.address) + u32::from(r.number.registers());
            map.registers.iter().map(|r| (r.table, u32::from(r.address), end(r))).collect()
        };
        let theirs = spans(&other.map);
        spans(&self.map).iter().any(|(table, from, to)| {
            theirs.iter().any(|(t, start, end)| t == table && from < end && start < to)
        })
    }
}

/// What one register says.
///
/// # Errors
/// Why it cannot be a register of this kind.
pub(super) fn look(register: &Register, words: &[u16]) -> Result<Seen, String> {
    let value = match register.decode(words) {
        Ok(value) => value,
        // The very mark that the map expects: it is such a probe, and not ready.
        Err(ValueError::NoValue { .. }) => return Ok(no_value(&register.channel, &register.unit)),
        Err(error) => return Err(format!("{}: {error}", register.channel)),
    };
    let raw = (value - register.offset) / register.scale;
    if register.number == Number::F32 && raw != 0.0 && raw.abs() < TINY {
        return Err(format!("{} would be {raw:.1e}, which no probe sends: another coding", register.channel));
    }
    judge(&register.channel, &register.unit, raw, value)
}

fn quantity_of(channel: &str) -> Option<Quantity> {
    if channel == SET_SALINITY { Some(Quantity::SalinityPsu) } else { Quantity::from_id(channel) }
}

/// A channel of which the probe says that it has no value.
pub(super) fn no_value(channel: &str, unit: &str) -> Seen {
    let quantity = quantity_of(channel);
    Seen {
        channel: channel.to_owned(),
        unit: quantity.map_or_else(|| unit.to_owned(), |quantity| quantity.unit().to_owned()),
        decimals: quantity.map_or(3, Quantity::decimals),
        values: vec![None],
        verdict: Verdict::Possible,
        counts: true,
    }
}

/// How likely a value is for its channel; `raw` is what the probe sent.
///
/// # Errors
/// It cannot be.
pub(crate) fn judge(channel: &str, unit: &str, raw: f64, value: f64) -> Result<Seen, String> {
    let mut seen = no_value(channel, unit);
    seen.values = vec![Some(value)];
    seen.counts = raw != 0.0;
    let Some(quantity) = quantity_of(channel) else { return Ok(seen) };
    let within = |(low, high): (f64, f64)| (low..=high).contains(&value);
    let limits = QualityLimits::for_quantity(quantity);
    let is_state = quantity == Quantity::AeratorOn && value != 0.0 && (value - 1.0).abs() > f64::EPSILON;
    // A current transformer clamped on the wrong way round.
    let is_backwards = quantity == Quantity::AeratorKw && (-quantity.conceivable().1..0.0).contains(&value);
    if is_backwards {
        return Ok(seen);
    }
    if !within(quantity.conceivable()) || is_state {
        let unit = if seen.unit.is_empty() { String::new() } else { format!(" {}", seen.unit) };
        return Err(format!("{channel} would be {value:.*}{unit}, which cannot be", seen.decimals));
    }
    seen.verdict = if within(limits.suspect) { Verdict::Usual } else { Verdict::Possible };
    Ok(seen)
}

/// Adds what a later look gave.
pub(super) fn look_again(seen: &mut Seen, again: Seen) {
    seen.values.extend(again.values);
    seen.verdict = seen.verdict.min(again.verdict);
    seen.counts |= again.counts;
}

/// Orders fits, best first, and marks those whose registers another fits as well as they do.
pub(super) fn sort(fits: &mut [Fit]) {
    fits.sort_by(|a, b| b.rank().cmp(&a.rank()).then_with(|| a.map.id.cmp(&b.map.id)));
    let doubts: Vec<bool> = fits
        .iter()
        .enumerate()
        .map(|(place, own)| {
            let others = fits.iter().enumerate().filter(|(other, _)| *other != place);
            // One usual value alone does not stand against two of another map.
            others.into_iter().any(|(_, other)| own.overlaps(other) && other.rank().0 >= own.rank().0)
        })
        .collect();
    for (fit, in_doubt) in fits.iter_mut().zip(doubts) {
        fit.in_doubt = in_doubt;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{builtin, profile};

    fn map(id: &str) -> RegisterMap {
        profile::parse(builtin::profile(id).expect("built in"), id).expect("sound")
    }

    fn fit(id: &str, words: &[&[u16]]) -> Result<Fit, String> {
        let map = map(id);
        let seen = map.registers.iter().zip(words).map(|(register, words)| look(register, words));
        Ok(Fit { seen: seen.collect::<Result<_, _>>()?, map, in_doubt: false })
    }

    /// Words of IEEE 754 singles: 6.42 is 0x40CD70A4, 28.9 is 0x41E73333.
    const OXYGEN: [&[u16]; 2] = [&[0x40CD, 0x70A4], &[0x41E7, 0x3333]];

    #[test]
    fn values_of_a_pond_are_told_from_those_that_cannot_be() {
        let oxygen = fit("optical-oxygen", &OXYGEN).unwrap();
        assert!(oxygen.is_evident() && oxygen.rank() == (2, 2, 2));
        // The words swapped: 0x70A440CD is about 4e29.
        let swapped = fit("optical-oxygen", &[&[0x70A4, 0x40CD], &[0x3333, 0x41E7]]).unwrap_err();
        assert!(swapped.contains("cannot be"), "{swapped}");
        // Two small whole numbers read as a single are next to nothing.
        let whole = fit("optical-oxygen", &[&[1, 441], &[0, 0]]).unwrap_err();
        assert!(whole.contains("another coding"), "{whole}");
        // The mark for "no value", -9999, is evidence, but not of a pond.
        let warming = fit("optical-oxygen", &[&[0xC61C, 0x3C00], OXYGEN[1]]).unwrap();
        assert_eq!((warming.rank(), warming.seen[0].values[0]), ((1, 2, 2), None));
    }

    #[test]
    fn zeros_fit_everything_and_are_no_evidence() {
        for (id, words) in [
            ("optical-oxygen", &[&[0, 0][..], &[0, 0]][..]),
            ("glass-ph", &[&[0]]),
            ("energy-meter", &[&[0, 0]]),
        ] {
            assert!(!fit(id, words).unwrap().is_evident(), "{id}");
        }
    }

    #[test]
    fn of_two_maps_for_the_same_registers_the_better_or_none_is_taken() {
        // A mast in dim light, 700 umol/m2/s and 101132 Pa, could be a pH of 7.00 by its first register.
        let mast = fit("weather-mast", &[&[700], &[0x0001, 0x8B0C]]).unwrap();
        let ph = fit("glass-ph", &[&[700]]).unwrap();
        let mut fits = [ph.clone(), mast];
        sort(&mut fits);
        assert_eq!(fits[0].map.id, "weather-mast");
        assert!(fits[0].is_evident() && !fits[1].is_evident());
        // Where both have as much to say for them, a person must.
        let mut twin = ph.clone();
        twin.map.id = "other-ph".to_owned();
        let mut fits = [ph, twin];
        sort(&mut fits);
        assert!(fits.iter().all(|fit| !fit.is_evident()));
    }
}
