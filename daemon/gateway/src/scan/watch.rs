//! Values of what was found, watched for a while and plotted: who lifts a probe or covers it sees which one moves.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::time::{Instant, sleep_until};

use super::report::push;
use super::walk::{Step, Walk};
use super::{Outcome, Progress};
use crate::texts::{Words, say};

/// Time between two looks.
pub(super) const EVERY: Duration = Duration::from_secs(1);

/// Columns of a plot: what comes before it on its line has 59.
const PLOT_COLUMNS: usize = 20;

/// Marks from the lowest value to the highest. A console's font need not have block elements.
const MARKS: [char; 5] = ['_', '.', '-', '~', '^'];

/// One channel watched.
#[derive(Debug, Clone, PartialEq)]
pub struct Watched {
    /// The address, as people write it.
    pub address: String,
    /// Quantity id, or the place of a number that nobody knows.
    pub channel: String,
    /// Unit for people.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// The values, one a look; `None` where none came.
    pub values: Vec<Option<f64>>,
}

/// What one look gave: address, channel, unit, decimals and value of each channel.
pub(super) type Look = Vec<(String, String, String, usize, Option<f64>)>;

/// Adds a look; a channel that gave nothing this time has no value.
pub(super) fn add(watched: &mut Vec<Watched>, look: Look) {
    let before = watched.iter().map(|own| own.values.len()).max().unwrap_or(0);
    for (address, channel, unit, decimals, value) in look {
        match watched.iter_mut().find(|own| own.address == address && own.channel == channel) {
            Some(own) => own.values.push(value),
            None => {
                let values = std::iter::repeat_n(None, before).chain([value]).collect();
                watched.push(Watched { address, channel, unit, decimals, values });
            }
        }
    }
    for own in watched {
        own.values.resize(before + 1, None);
    }
}

impl Watched {
    fn ends(&self) -> Option<(f64, f64)> {
        let values = || self.values.iter().flatten().copied();
        let low = values().reduce(f64::min)?;
        Some((low, values().reduce(f64::max)?))
    }

    /// On a line of at most 80 columns: last, lowest and highest value, and the plot.
    pub fn row(&self) -> String {
        let shown = |value: Option<f64>| {
            value.map_or_else(|| "-".to_owned(), |own| format!("{own:.*}", self.decimals))
        };
        let ends = self.ends();
        format!(
            "{:>3} {:<18} {:>8} {:<9} {:>8} {:>8} {}",
            self.address,
            self.channel,
            shown(self.values.last().copied().flatten()),
            self.unit,
            shown(ends.map(|(low, _)| low)),
            shown(ends.map(|(_, high)| high)),
            self.plot()
        )
        .trim_end()
        .to_owned()
    }

    /// A mark for each look, or for the mean of several; a space where nothing came. What never moves by more than the
    /// last digit shown is level.
    fn plot(&self) -> String {
        let Some((low, high)) = self.ends() else { return String::new() };
        let decimals = i32::try_from(self.decimals).unwrap_or(3);
        let is_level = high - low < 1.5 * 0.1_f64.powi(decimals);
        let each = self.values.len().div_ceil(PLOT_COLUMNS).max(1);
        let mark = |part: &[Option<f64>]| {
            let came: Vec<f64> = part.iter().flatten().copied().collect();
            if came.is_empty() {
                return ' ';
            }
            let mean = came.iter().sum::<f64>() / came.len() as f64;
            let place = if is_level { 2.0 } else { ((mean - low) / (high - low) * 5.0).floor() };
            MARKS.into_iter().nth((place.clamp(0.0, 4.0)) as usize).unwrap_or(' ')
        };
        self.values.chunks(each).map(mark).collect()
    }
}

/// For a person.
pub(super) fn lines(lines: &mut Vec<String>, watched: &[Watched], words: Words) {
    let Some(looks) = watched.iter().map(|own| own.values.len()).max() else { return };
    lines.push(String::new());
    push(lines, "", &say!(words, "scan-watched", looks = looks.to_string()));
    lines.extend(watched.iter().map(Watched::row));
}

/// For scripts.
pub(super) fn json_of(watched: &[Watched]) -> impl Iterator<Item = Value> {
    watched.iter().map(|own| {
        json!({ "kind": "watched", "address": own.address, "channel": own.channel, "unit": own.unit, "values": own.values })
    })
}

/// What is told while it goes on.
pub(super) fn progress(watched: &[Watched], until: Instant) -> Progress {
    let left_s = until.saturating_duration_since(Instant::now()).as_secs();
    Progress::Watching { left_s, rows: watched.iter().map(Watched::row).collect() }
}

impl Walk<'_> {
    /// Reads what was found again and again: the map that fits best, else the first registers as they are.
    pub(super) async fn watch(&mut self, outcome: &mut Outcome, length: Duration) -> Step<()> {
        let until = Instant::now() + length;
        while Instant::now() < until && !(self.is_over)() {
            let next = Instant::now() + EVERY;
            let mut look = Look::new();
            for unit in &outcome.units {
                if self.access.setting() != Some(unit.setting) {
                    self.access.open(unit.setting).await?;
                }
                let patience = super::walk::LOOK_PATIENCE.max(self.plan.patience).max(unit.answers_in * 3);
                let address = unit.address.to_string();
                if let Some(fit) = unit.fits.first() {
                    let again = self.try_map(unit.address, &fit.map, patience, &mut 0).await?;
                    for (place, seen) in fit.seen.iter().enumerate() {
                        let value = again
                            .as_ref()
                            .ok()
                            .and_then(|own| own.seen.get(place)?.values.first().copied()?);
                        look.push((
                            address.clone(),
                            seen.channel.clone(),
                            seen.unit.clone(),
                            seen.decimals,
                            value,
                        ));
                    }
                } else if let Some((table, words)) = unit.registers.first() {
                    let count = u16::try_from(words.len()).unwrap_or(1);
                    let again = self.registers(unit.address, *table, count, patience).await?;
                    for place in 0..words.len() {
                        let channel = format!("{} {place}", super::report::table_word(*table));
                        let value = again.as_ref().and_then(|own| own.get(place)).map(|own| f64::from(*own));
                        look.push((address.clone(), channel, String::new(), 0, value));
                    }
                }
            }
            if look.is_empty() {
                return Ok(());
            }
            add(&mut outcome.watched, look);
            (self.tell)(progress(&outcome.watched, until));
            sleep_until(next.min(until)).await;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watched(decimals: usize, values: &[Option<f64>]) -> Watched {
        let unit = "µmol/m2/s".to_owned();
        Watched {
            address: "247".into(),
            channel: "conductivity_ms_cm".into(),
            unit,
            decimals,
            values: values.to_vec(),
        }
    }

    #[test]
    fn a_probe_that_is_lifted_out_is_seen_to_move() {
        let own = watched(2, &[Some(6.0), Some(6.01), None, Some(7.0), Some(8.0), Some(8.0)]);
        assert_eq!(own.plot(), "__ -^^");
        assert_eq!(watched(1, &[Some(28.9), Some(28.98)]).plot(), "--", "by less than the last digit: level");
        assert_eq!(watched(1, &[None]).plot(), "");
        // More looks than columns: means, all of them on the line.
        let rising: Vec<Option<f64>> = (0..240).map(|own| Some(f64::from(own))).collect();
        assert_eq!(watched(0, &rising).plot(), "____....----~~~~^^^^");
        let row =
            watched(1, &rising.iter().map(|own| own.map(|own| own + 9_000.0)).collect::<Vec<_>>()).row();
        assert!(row.chars().count() <= 80, "{row}");
    }

    #[test]
    fn a_channel_that_comes_later_or_stays_away_has_gaps() {
        let one = |address: &str, value| (address.to_owned(), "ph".to_owned(), String::new(), 2, value);
        let mut all = Vec::new();
        add(&mut all, vec![one("1", Some(8.0))]);
        add(&mut all, vec![one("1", None), one("2", Some(7.0))]);
        add(&mut all, vec![one("2", Some(7.1))]);
        let values: Vec<_> = all.iter().map(|own| own.values.clone()).collect();
        assert_eq!(values, [[Some(8.0), None, None], [None, Some(7.0), Some(7.1)]]);
    }
}
