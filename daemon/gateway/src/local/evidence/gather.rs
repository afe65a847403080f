//! What the store knows of a trial's days: the outcome in both ponds, what else was measured and done.

use std::collections::{BTreeMap, BTreeSet};

use pondreeve_core::diary::book::local_day;
use pondreeve_core::diary::{Entry, What};
use pondreeve_core::evidence::days::{self, Quarter};
use pondreeve_core::evidence::differed::Factor;
use pondreeve_core::evidence::marks::{self, Mark};
use pondreeve_core::evidence::{Outcome, Series, Trial};
use pondreeve_core::said::{Said, said};
use pondreeve_core::service::Step;
use pondreeve_core::{Event, Quantity, Span, Timestamp};

use super::date;
use crate::config::Farm;
use crate::engine::Shelf;
use crate::journal::{Deed, Level, Query, Stretch};

const DAY: Span = Span::from_hours(24);

/// Stretch of one question, so that commits come in between.
const PAGE: Span = Span::from_hours(24 * 10);

/// Most notes that are told.
const MOST_NOTED: usize = 60;

/// What is known of a trial.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub(super) longitude_deg: f64,
    /// First and last whole day that there is.
    pub(super) stretch: (i64, i64),
    /// The last day that was planned.
    pub(super) planned: i64,
    /// Days that are still to come.
    pub(super) days_left: i64,
    /// The outcome, treated and control; so are the others.
    pub(super) outcome: [Series; 2],
    /// When doses were given, oldest first.
    pub(super) doses: [Vec<Timestamp>; 2],
    /// When doses were given to the treated pond by what was entered, corrected and withdrawn in time.
    pub(super) doses_in_time: Vec<Timestamp>,
    pub(super) factors: Vec<(Factor, [Series; 2])>,
    /// Light that lies behind the outcome of each day.
    pub(super) light: Series,
    pub(super) aeration: [Series; 2],
    /// Days on which an oxygen probe of either pond was serviced.
    pub(super) serviced: Vec<i64>,
    /// Days of either pond that were marked as disturbed in time.
    pub(super) marked: Vec<i64>,
    /// What else was noted.
    pub(super) noted: Vec<Said>,
}

struct Source<'a> {
    farm: &'a Farm,
    shelf: &'a Shelf,
    /// First and last day.
    stretch: (i64, i64),
}

impl Source<'_> {
    fn place(&self) -> (f64, f64) {
        (self.farm.site.latitude_deg, self.farm.site.longitude_deg)
    }

    /// Quarter hours of a pond's quantity over the stretch and the night before it; an empty pond is the farm.
    async fn quarters(&self, pond: &str, quantity: Quantity) -> Result<Vec<Quarter>, String> {
        let (first, last) = self.stretch;
        let start = days::day_start(self.place().1, first) - DAY;
        let end = days::day_start(self.place().1, last) + DAY + Span::from_hours(6);
        let mut quarters = Vec::new();
        let mut page = start;
        while page < end {
            let to = (page + PAGE).min(end);
            let query = Query { pond: pond.to_owned(), quantity, from: page, to };
            let rolled = self.shelf.rolled(query, Level::Quarter).await?;
            let usable = rolled.iter().filter_map(|own| Some(Quarter { from: own.from, mean: own.mean? }));
            quarters.extend(usable);
            page = to;
        }
        quarters.sort_by_key(|own| own.from);
        quarters.dedup_by_key(|own| own.from);
        Ok(quarters)
    }

    /// One value a day.
    fn daily(&self, of: impl Fn(i64) -> Option<f64>) -> Series {
        let (first, last) = self.stretch;
        Series::new((first..=last).filter_map(|day| Some((day, of(day)?))).collect::<Vec<_>>())
    }

    /// The mean of what was entered on a day.
    fn entered(&self, quarters: &[Quarter]) -> Series {
        let mut days: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for own in quarters {
            days.entry(local_day(own.from, self.place().1)).or_default().push(own.mean);
        }
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let (first, last) = self.stretch;
        let own = days.iter().filter(|(day, _)| (first..=last).contains(*day));
        Series::new(own.map(|(day, values)| (*day, mean(values))).collect::<Vec<_>>())
    }

    async fn mean_of_day(&self, pond: &str, quantity: Quantity) -> Result<Series, String> {
        let quarters = self.quarters(pond, quantity).await?;
        Ok(self.daily(|day| days::mean_of_day(&quarters, self.place().1, day)))
    }

    /// Energy of a pond's aerators by day, kWh: from meters where there are, else from what runs; none where a
    /// pond has no aerators.
    async fn energy(&self, pond: &str) -> Result<Series, String> {
        let site = &self.farm.site;
        let Some(index) = site.ponds.iter().position(|own| own.id == pond) else {
            return Ok(Series::default());
        };
        if site.ponds.get(index).is_some_and(|own| own.aerators.is_empty()) {
            return Ok(self.daily(|_| Some(0.0)));
        }
        let own = site.probes.iter().filter(|own| own.pond.is_some_and(|own| usize::from(own.0) == index));
        let channels = |quantity: Quantity| {
            let all = own.clone().flat_map(|probe| &probe.channels);
            all.filter(|channel| channel.quantity == quantity && channel.aerator.is_some()).count() as f64
        };
        let (meters, contacts) = (channels(Quantity::AeratorKw), channels(Quantity::AeratorOn));
        // The quarter hours' means run over the pond's groups, which report together.
        if meters > 0.0 {
            let mean = self.mean_of_day(pond, Quantity::AeratorKw).await?;
            return Ok(Series::new(mean.days().iter().map(|own| (own.day, own.value * meters * 24.0))));
        }
        if contacts > 0.0 {
            // Where groups differ in power this is near, not exact.
            let groups = site.ponds.get(index).map(|own| own.aerators.iter());
            let kw: f64 = groups.into_iter().flatten().map(|group| group.power_kw).sum();
            let mean = self.mean_of_day(pond, Quantity::AeratorOn).await?;
            return Ok(Series::new(mean.days().iter().map(|own| (own.day, own.value * kw * 24.0))));
        }
        Ok(Series::default())
    }

    async fn outcome(&self, outcome: Outcome, pond: &str) -> Result<Series, String> {
        let oxygen = || self.quarters(pond, Quantity::DoMgL);
        let place = self.place();
        Ok(match outcome {
            Outcome::DawnMinimum => {
                let own = oxygen().await?;
                self.daily(|day| days::dawn_minimum(&own, place, day))
            }
            Outcome::DuskPeak => {
                let own = oxygen().await?;
                self.daily(|day| days::dusk_peak(&own, place, day))
            }
            Outcome::NightFall => {
                let own = oxygen().await?;
                self.daily(|day| days::night_fall(&own, place, day))
            }
            Outcome::Nh3N => self.mean_of_day(pond, Quantity::Nh3NMgL).await?,
            Outcome::Tan => self.entered(&self.quarters(pond, Quantity::TanMgL).await?),
            Outcome::Nitrite => self.entered(&self.quarters(pond, Quantity::NitriteMgL).await?),
            Outcome::SludgePh => self.entered(&self.quarters(pond, Quantity::SludgePh).await?),
            Outcome::AerationKwh => self.energy(pond).await?,
        })
    }
}

/// Entries that stand: none whose place another took, no withdrawals. With when they were recorded.
fn standing(deeds: &[Deed]) -> Vec<(&str, &Entry, Timestamp)> {
    let entries = || {
        deeds.iter().filter_map(|deed| match &deed.event {
            Event::Diary { entry, .. } => Some((deed.pond.as_deref()?, entry, deed.recorded)),
            _ => None,
        })
    };
    let over: BTreeSet<u64> = entries().filter_map(|(_, entry, _)| entry.corrects).collect();
    entries()
        .filter(|(_, entry, _)| {
            !over.contains(&entry.number) && !matches!(entry.what, What::Withdrawal { .. })
        })
        .collect()
}

/// What was entered of doses no later than the outcome could be known: within so long of when they were given.
const IN_TIME: Span = Span::from_hours(48);

/// When the treated pond was dosed by what was entered in time, and what was entered too late to count so.
fn doses_in_time(
    deeds: &[Deed],
    trial: &Trial,
    entry_day: &dyn Fn(Timestamp) -> String,
    is_within: &dyn Fn(Timestamp) -> bool,
) -> (Vec<Timestamp>, Vec<Said>) {
    // When what an entry was first told of was done, by its number: a correction counts from there.
    let mut first: BTreeMap<u64, (Timestamp, bool)> = BTreeMap::new();
    let mut told: BTreeMap<u64, Timestamp> = BTreeMap::new();
    let mut late: Vec<Said> = Vec::new();
    for deed in deeds {
        let Event::Diary { entry, .. } = &deed.event else { continue };
        if deed.pond.as_deref() != Some(trial.treated.as_str()) {
            continue;
        }
        let is_dose = matches!(entry.what, What::Dose(_));
        let before = entry.corrects.and_then(|number| first.get(&number).copied());
        let (since, of_dose) = before.unwrap_or((entry.at, is_dose));
        first.insert(entry.number, (since, of_dose));
        if !of_dose {
            continue;
        }
        if deed.recorded - since.min(entry.at) <= IN_TIME {
            if let Some(number) = entry.corrects {
                told.remove(&number);
            }
            if is_dose {
                told.insert(entry.number, entry.at);
            }
        } else if is_within(since) || is_within(entry.at) {
            late.push(match entry.corrects {
                Some(number) => said!(
                    "noted-dose-changed",
                    "{day} {pond}: entry {number} of a dose was corrected or withdrawn more than 48 h afterwards (entry {later})",
                    day = entry_day(since),
                    pond = &trial.treated,
                    number = number.to_string(),
                    later = entry.number.to_string()
                ),
                None => said!(
                    "noted-dose-late",
                    "{day} {pond}: a dose was entered more than 48 h afterwards (entry {number})",
                    day = entry_day(entry.at),
                    pond = &trial.treated,
                    number = entry.number.to_string()
                ),
            });
        }
    }
    let mut given: Vec<Timestamp> = told.into_values().filter(|at| is_within(*at)).collect();
    given.sort_unstable();
    (given, late)
}

/// What a trial's two ponds did, by the diary.
fn read_diary(gathered: &mut Gathered, deeds: &[Deed], trial: &Trial, farm: &Farm) {
    let longitude = gathered.longitude_deg;
    let (first, last) = gathered.stretch;
    let mut feed: [BTreeMap<i64, f64>; 2] = Default::default();
    let mut water: [BTreeMap<i64, f64>; 2] = Default::default();
    let mut sludge: [BTreeMap<i64, f64>; 2] = Default::default();
    let place_of = |pond: &str| [&trial.treated, &trial.control].iter().position(|own| *own == pond);
    let mut noted: Vec<(Timestamp, Said)> = Vec::new();
    for (pond, entry, recorded) in standing(deeds) {
        let day = local_day(entry.at, longitude);
        let Some(place) = place_of(pond) else { continue };
        if let What::Disturbance(own) = &entry.what {
            let own_days = marks::days(own, (entry.at, recorded), trial.outcome, longitude);
            let own_days: Vec<Mark> =
                own_days.into_iter().filter(|own| (first..=last).contains(&own.day)).collect();
            let (in_time, late): (Vec<Mark>, Vec<Mark>) = own_days.iter().partition(|own| own.counts);
            for (some, what) in [
                (&in_time, said!("noted-left-out", "left out")),
                (
                    &late,
                    said!(
                        "noted-marked-late",
                        "marked more than 48 h after it was over: counted all the same"
                    ),
                ),
            ] {
                if let (Some(from), Some(to)) = (some.first(), some.last()) {
                    let until = if from == to {
                        Said::default()
                    } else {
                        said!("noted-until", " to {day}", day = date(to.day))
                    };
                    let told = said!(
                        "noted-disturbed",
                        "{day}{until} {pond}: disturbed: {words}: {what}",
                        day = date(from.day),
                        until = until,
                        pond = pond,
                        words = &own.words,
                        what = what
                    );
                    noted.push((entry.at, told));
                }
            }
            gathered.marked.extend(in_time.iter().map(|own| own.day));
            continue;
        }
        // A dose of today is known, though today's values are not.
        if matches!(entry.what, What::Dose(_)) && (first..=gathered.planned).contains(&day) {
            gathered.doses[place].push(entry.at);
        }
        if !(first..=last).contains(&day) {
            continue;
        }
        let mut note = |what: Said| {
            noted.push((
                entry.at,
                said!("noted", "{day} {pond}: {what}", day = date(day), pond = pond, what = what),
            ));
        };
        match &entry.what {
            What::Feed(own) => *feed[place].entry(day).or_default() += own.kg,
            What::Drain(own) | What::Exchange(own) => {
                if let Some((basin, moved)) =
                    entry.basin.and_then(|basin| Some((basin, own.moved_m3(&basin)?)))
                {
                    *water[place].entry(day).or_default() += 100.0 * moved / own.before_m3(&basin);
                }
            }
            What::Sludge(own) => {
                if let Some(ph) = own.ph {
                    sludge[place].insert(day, ph);
                }
            }
            What::Mortality(_) | What::Harvest(_) | What::Stocking(_) => {
                note(crate::local::diary::line_said(entry));
            }
            What::Note { words } => note(Said::plain(words.as_str())),
            What::Weather { words } => note(said!("noted-weather", "weather: {words}", words = words)),
            What::Cost { item, .. } => note(said!("noted-cost", "cost: {item}", item = item)),
            What::Dose(_)
            | What::Disturbance(_)
            | What::Sampling(_)
            | What::Count(_)
            | What::Price { .. }
            | What::Withdrawal { .. } => {}
        }
    }
    let is_within = |at| (first..=gathered.planned).contains(&local_day(at, longitude));
    let (in_time, late) = doses_in_time(deeds, trial, &|at| date(local_day(at, longitude)), &is_within);
    gathered.doses_in_time = in_time;
    // Whatever else is left out for its length, these are told.
    noted.extend(late.into_iter().map(|words| (Timestamp(i64::MIN), words)));
    for deed in deeds {
        let Event::Service { step: Step::End | Step::Cleaned, .. } = &deed.event else { continue };
        let day = local_day(deed.recorded, longitude);
        let (Some(pond), Some(probe)) = (deed.pond.as_deref(), deed.probe.as_deref()) else { continue };
        if place_of(pond).is_none() || !(first..=last).contains(&day) {
            continue;
        }
        let tells_oxygen = farm
            .site
            .probes
            .iter()
            .filter(|own| own.id == probe)
            .any(|own| own.channels.iter().any(|channel| channel.quantity == Quantity::DoMgL));
        if tells_oxygen && !gathered.serviced.contains(&day) {
            gathered.serviced.push(day);
        }
        let words = said!(
            "noted-service",
            "{day} {pond}: probe {probe} serviced",
            day = date(day),
            pond = pond,
            probe = probe
        );
        if !noted.iter().any(|(_, own)| *own == words) {
            noted.push((deed.recorded, words));
        }
    }
    gathered.marked.sort_unstable();
    gathered.marked.dedup();
    gathered.doses.iter_mut().for_each(|own| own.sort_unstable());
    noted.sort_by_key(|(at, _)| *at);
    let more = noted.len().saturating_sub(MOST_NOTED);
    gathered.noted = noted.into_iter().take(MOST_NOTED).map(|(_, words)| words).collect();
    if more > 0 {
        gathered.noted.push(said!(
            "noted-more",
            "and {more} more: pondreeve export --diary lists them",
            more = more.to_string()
        ));
    }
    let series = |own: &BTreeMap<i64, f64>| Series::new(own.iter().map(|(day, value)| (*day, *value)));
    gathered.factors.push((Factor::Feed, [series(&feed[0]), series(&feed[1])]));
    // No entry of water is no water moved.
    let all_days = |own: &BTreeMap<i64, f64>| {
        Series::new((first..=last).map(|day| (day, own.get(&day).copied().unwrap_or(0.0))))
    };
    gathered.factors.push((Factor::Water, [all_days(&water[0]), all_days(&water[1])]));
    if trial.outcome == Outcome::SludgePh {
        for (own, more) in gathered.outcome.iter_mut().zip(&sludge) {
            let known = own.days().iter().map(|day| (day.day, day.value));
            *own = Series::new(known.chain(more.iter().map(|(day, ph)| (*day, *ph))).collect::<Vec<_>>());
        }
    }
}

/// Gathers what there is.
///
/// # Errors
/// Why the store cannot be read.
pub(super) async fn gather(
    farm: &Farm,
    shelf: &Shelf,
    trial: &Trial,
    now: Timestamp,
) -> Result<Gathered, String> {
    let longitude_deg = farm.site.longitude_deg;
    // A trial begins and ends at midnight of the farm's clock, which the sun's may miss by some minutes.
    let noon = Span::from_hours(12);
    let first = local_day(trial.from + noon, longitude_deg);
    let whole = local_day(now, longitude_deg).saturating_sub(1);
    let planned = local_day(trial.to - noon, longitude_deg);
    let last = planned.min(whole);
    let stretch = (first, last);
    let source = Source { farm, shelf, stretch };
    let ponds = [trial.treated.as_str(), trial.control.as_str()];
    let mut gathered = Gathered {
        longitude_deg,
        stretch,
        planned,
        days_left: planned.saturating_sub(whole).max(0),
        ..Gathered::default()
    };
    let mut temperature: [Series; 2] = Default::default();
    let mut light: [Series; 2] = Default::default();
    let farm_light = source.mean_of_day("", Quantity::ParUmolM2S).await?;
    for (place, pond) in ponds.iter().enumerate() {
        gathered.outcome[place] = source.outcome(trial.outcome, pond).await?;
        gathered.aeration[place] = source.energy(pond).await?;
        temperature[place] = source.mean_of_day(pond, Quantity::TemperatureC).await?;
        let own = source.mean_of_day(pond, Quantity::ParUmolM2S).await?;
        light[place] = if own.days().is_empty() { farm_light.clone() } else { own };
    }
    // What a night comes to follows the light of the day before it.
    let shift = i64::from(trial.outcome.is_before_dose());
    gathered.light = Series::new(light[0].days().iter().map(|own| (own.day + shift, own.value)));
    gathered.factors.push((Factor::Light, light));
    gathered.factors.push((Factor::Temperature, temperature));
    gathered.factors.push((Factor::Aeration, gathered.aeration.clone()));
    let from = days::day_start(longitude_deg, first);
    // Up to now, since a later entry may have taken the place of one in the stretch, or come late.
    let stretch = Stretch { from, to: Timestamp(i64::MAX), most: usize::MAX, number: None };
    let found = shelf.deeds(stretch).await?;
    let deeds: Vec<Deed> = found.deeds.into_iter().collect();
    read_diary(&mut gathered, &deeds, trial, farm);
    Ok(gathered)
}
