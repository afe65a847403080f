//! Recordings of oxygen, and what truly came of each night.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail};
use pondreeve_core::{Quantity, Span, Timestamp};

/// What the daemon is given, where a file has it.
pub const QUANTITIES: [Quantity; 4] =
    [Quantity::DoMgL, Quantity::TemperatureC, Quantity::SalinityPsu, Quantity::Ph];

const HALF_HOUR: Span = Span::from_minutes(30);

/// A line of `sites.csv`.
#[derive(Debug, Clone, serde::Deserialize)]
pub struct Place {
    pub file: String,
    pub site: String,
    pub kind: String,
    pub lat: f64,
    pub lon: f64,
    pub utc_offset_h: f64,
    pub first_month: i8,
    pub last_month: i8,
    pub alarm_do_mg_l: f64,
}

impl Place {
    /// The next midnight by the site's clock.
    pub fn midnight_after(&self, at: Timestamp) -> Timestamp {
        const DAY_MS: i64 = 86_400_000;
        let offset = (self.utc_offset_h * 3_600_000.0) as i64;
        Timestamp(((at.as_millis() + offset).div_euclid(DAY_MS) + 1) * DAY_MS - offset)
    }

    /// Whether a night that begins at `sunset` lies in the months that are scored.
    pub fn is_scored(&self, sunset: Timestamp) -> bool {
        let local = sunset.as_millis() + (self.utc_offset_h * 3_600_000.0) as i64;
        let month = jiff::Timestamp::from_millisecond(local)
            .map(|at| jiff::tz::Offset::UTC.to_datetime(at).month())
            .unwrap_or_default();
        (self.first_month..=self.last_month).contains(&month)
    }
}

/// One row of a file.
#[derive(Debug, Clone)]
pub struct Row {
    pub at: Timestamp,
    pub values: Vec<(Quantity, f64)>,
    /// Oxygen, unless the file's own check rejected it.
    pub accepted_do_mg_l: Option<f64>,
}

#[derive(Debug, Clone)]
pub struct Recording {
    pub rows: Vec<Row>,
}

pub fn places(folder: &Path) -> Result<Vec<(PathBuf, Place)>> {
    let path = folder.join("sites.csv");
    let mut reader = csv::Reader::from_path(&path)
        .with_context(|| format!("reading the list of sites, {}", path.display()))?;
    let places: Vec<(PathBuf, Place)> = reader
        .deserialize::<Place>()
        .map(|row| row.map(|place| (folder.join(&place.file), place)))
        .collect::<Result<_, _>>()
        .with_context(|| {
            format!(
                "{}: wanted are the columns file,site,kind,lat,lon,utc_offset_h,first_month,last_month,\
                 alarm_do_mg_l",
                path.display()
            )
        })?;
    if places.is_empty() {
        bail!("{} lists no site", path.display());
    }
    Ok(places)
}

impl Recording {
    pub fn read(path: &Path) -> Result<Self> {
        let mut reader =
            csv::Reader::from_path(path).with_context(|| format!("reading {}", path.display()))?;
        let header = reader.headers()?.clone();
        let column = |name: &str| header.iter().position(|known| known == name);
        let time = column("time_utc").ok_or_else(|| anyhow!("{} has no time_utc column", path.display()))?;
        let oxygen = column("do_mg_l").ok_or_else(|| anyhow!("{} has no do_mg_l column", path.display()))?;
        let verdict = column("do_qa");
        let mut rows: Vec<Row> = Vec::new();
        for (number, record) in reader.records().enumerate() {
            let place = || format!("{}, row {}", path.display(), number + 2);
            let record = record.with_context(place)?;
            let at: jiff::Timestamp = record[time]
                .parse()
                .with_context(|| format!("{}: time_utc is to be such as 2012-05-01T00:30:00Z", place()))?;
            let at = Timestamp(at.as_millisecond());
            if rows.last().is_some_and(|row| row.at > at) {
                bail!("{}: rows are to be in time order", place());
            }
            let mut values = Vec::new();
            for (name, cell) in header.iter().zip(&record) {
                let Some(quantity) = Quantity::from_id(name).filter(|it| QUANTITIES.contains(it)) else {
                    continue;
                };
                if !cell.is_empty() {
                    let value =
                        cell.parse().with_context(|| format!("{}: {name} {cell:?} is no number", place()))?;
                    values.push((quantity, value));
                }
            }
            // -3 rejected, -2 missing; what is suspect the source itself keeps.
            let rejected = verdict.is_some_and(|column| matches!(&record[column], "-3" | "-2"));
            let accepted_do_mg_l = record[oxygen].parse().ok().filter(|_| !rejected);
            rows.push(Row { at, values, accepted_do_mg_l });
        }
        if rows.len() < 2 {
            bail!("{} has fewer than two rows", path.display());
        }
        Ok(Self { rows })
    }

    /// Whether oxygen that its own check rejected is still there to be cleaned away.
    pub fn holds_rejected(&self) -> bool {
        self.rows
            .iter()
            .any(|row| row.accepted_do_mg_l.is_none() && row.values.iter().any(|it| it.0 == Quantity::DoMgL))
    }

    /// Without the oxygen that its own check rejected.
    pub fn cleaned(&self) -> Self {
        let mut cleaned = self.clone();
        for row in cleaned.rows.iter_mut().filter(|row| row.accepted_do_mg_l.is_none()) {
            row.values.retain(|&(quantity, _)| quantity != Quantity::DoMgL);
        }
        cleaned
    }

    /// Accepted oxygen from one moment to another.
    pub fn oxygen(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = (Timestamp, f64)> + '_ {
        let start = self.rows.partition_point(|row| row.at < from);
        self.rows[start..]
            .iter()
            .take_while(move |row| row.at <= to)
            .filter_map(|row| Some((row.at, row.accepted_do_mg_l?)))
    }

    /// How long after one row the next usually comes.
    pub fn step(&self) -> Span {
        let mut steps: Vec<Span> = self.rows.windows(2).map(|pair| pair[1].at - pair[0].at).collect();
        steps.sort_unstable();
        steps[steps.len() / 2]
    }

    /// The lowest oxygen that lasted about an hour: lowest running median of three half-hour means.
    /// `None` where fewer than nine in ten half hours have a reading. Where readings come less often than that, one half
    /// hour without is taken to lie between its neighbours.
    pub fn lasting_low(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let mut halves: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
        for (at, value) in self.oxygen(from, to) {
            let half = halves.entry((at - from).as_millis() / HALF_HOUR.as_millis()).or_default();
            *half = (half.0 + value, half.1 + 1.0);
        }
        if self.step() > HALF_HOUR {
            let pairs: Vec<_> =
                halves.iter().zip(halves.iter().skip(1)).map(|(a, b)| (*a.0, *a.1, *b.0, *b.1)).collect();
            for (half, before, next, after) in pairs {
                if next - half == 2 {
                    halves.insert(half + 1, (before.0 / before.1 + after.0 / after.1, 2.0));
                }
            }
        }
        if (halves.len() as f64) < 0.9 * 2.0 * (to - from).as_hours() {
            return None;
        }
        let means: Vec<f64> = halves.values().map(|(sum, count)| sum / count).collect();
        means
            .windows(3)
            .map(|three| three[0].max(three[1]).min(three[0].min(three[1]).max(three[2])))
            .min_by(f64::total_cmp)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn half_hourly(oxygen: &[f64]) -> Recording {
        let row = |(at, &value): (Timestamp, &f64)| Row {
            at,
            values: vec![(Quantity::DoMgL, value)],
            accepted_do_mg_l: Some(value),
        };
        let times = (0..).map(|half| Timestamp(half * HALF_HOUR.as_millis()));
        Recording { rows: times.zip(oxygen).map(row).collect() }
    }

    /// One half hour at 1 mg/L does not last; two at 2 mg/L do.
    #[test]
    fn a_low_has_to_last() {
        let low = |oxygen: &[f64]| half_hourly(oxygen).lasting_low(Timestamp(0), Timestamp(7 * 1_800_000));
        assert_eq!(low(&[6.0, 5.0, 1.0, 5.0, 4.0, 2.0, 2.0, 4.0]), Some(2.0));
        assert_eq!(low(&[6.0, 5.0, 1.0, 5.0, 5.0, 6.0]), None);
    }

    /// Hourly 6, 4, 2, 3, 5: half hours at 3 and 2.5 lie beside 2, so the middle one of them lasts.
    #[test]
    fn hours_without_a_reading_at_the_half_hour_are_scored() {
        let mut recording = half_hourly(&[6.0, 0.0, 4.0, 0.0, 2.0, 0.0, 3.0, 0.0, 5.0]);
        let mut half = 0;
        recording.rows.retain(|_| {
            half += 1;
            half % 2 == 1
        });
        assert_eq!(recording.step(), Span::from_hours(1));
        assert_eq!(recording.lasting_low(Timestamp(0), Timestamp(9 * 1_800_000)), Some(2.5));
    }

    /// 1 November 2012 begins at 05:00 UTC where clocks are five hours behind.
    #[test]
    fn months_are_those_of_the_place() {
        let place = Place {
            file: String::new(),
            site: String::new(),
            kind: String::new(),
            lat: 34.0,
            lon: -78.0,
            utc_offset_h: -5.0,
            first_month: 5,
            last_month: 10,
            alarm_do_mg_l: 1.0,
        };
        let at = |text: &str| Timestamp(text.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        assert!(place.is_scored(at("2012-11-01T04:59:00Z")) && !place.is_scored(at("2012-11-01T05:00:00Z")));
        assert!(!place.is_scored(at("2012-05-01T04:59:00Z")) && place.is_scored(at("2012-05-01T05:00:00Z")));
        assert_eq!(place.midnight_after(at("2012-10-31T22:10:00Z")), at("2012-11-01T05:00:00Z"));
    }
}
