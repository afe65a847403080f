//! The plots of the page, with their captions.

use jiff::civil::Date;

use pondreeve_core::ammonia_band::half_band_mg_l;

use super::super::days::Day;
use super::super::evidence::Trial;
use super::super::figures::MONEY;
use super::super::parts::number;
use super::super::plots::{Limit, MARKS, Plot, Point, Series};
use super::super::{PondReport, VALID_SHARE};
use super::Maker;

/// A plot with its caption.
#[derive(Debug)]
pub(super) struct Drawn {
    pub(super) svg: String,
    pub(super) title: String,
    pub(super) caption: String,
}

/// Ponds in the plot that compares them.
const MOST_COMPARED: usize = 4;

impl Maker<'_> {
    /// Dawn minimum and dusk peak of the ponds that stand side by side.
    pub(super) fn compared(&self, order: &[&PondReport]) -> Vec<Drawn> {
        let ponds: Vec<&&PondReport> = order.iter().take(MOST_COMPARED).collect();
        let limits = |is_dawn: bool| {
            let first = ponds.first().filter(|_| is_dawn);
            first.map(|report| self.oxygen_limits(report)).unwrap_or_default()
        };
        let plot = |id: &str, key: &str, value: fn(&Day) -> (Option<f64>, bool)| {
            let series = ponds.iter().map(|report| {
                let name = if report.book.doses() > 0 { "dosed" } else { "not-dosed" };
                let name = format!("{} ({})", self.title(report), self.t.get(name));
                by_day(name, &report.days, value)
            });
            let series = series.collect();
            let plot = self.plot(ponds.first()?, id, key, ("mg/L", 1), series, limits(id == "all-dawn"));
            self.drawn(&plot)
        };
        let dawn = plot("all-dawn", "plot-dawn", |day| (day.dawn_min, day.dawn_seen.is_lost()));
        let dusk = plot("all-dusk", "plot-dusk", |day| (day.dusk_peak, day.dusk_seen.is_lost()));
        dawn.into_iter().chain(dusk).collect()
    }

    /// The outcome of a trial in both ponds, from its first day on.
    pub(super) fn trial_plot(&self, place: usize, trial: &Trial) -> Option<Drawn> {
        let dates = trial.treated_days.iter().chain(&trial.control_days).map(|(date, _)| *date);
        let (first, last) = (dates.clone().min()?, dates.max()?);
        let days_after = |date: Date| date.since(first).map_or(0, |span| span.get_days());
        let series = [("trial-treated", &trial.treated_days), ("trial-control", &trial.control_days)];
        let series = series.map(|(key, days)| {
            let value =
                |day: i32| days.iter().find(|(date, _)| days_after(*date) == day).map(|(_, value)| *value);
            let points = (0..=days_after(last)).map(|day| Point {
                day: f64::from(day),
                value: value(day),
                is_lost: false,
            });
            Series { name: self.t.get(key), points: points.collect() }
        });
        let names = (0..=i64::from(days_after(last)))
            .filter_map(|days| Some(self.words.short(first.checked_add(jiff::Span::new().days(days)).ok()?)));
        let days = names.collect();
        let (id, unit) = (format!("trial-{}", place + 1), (trial.unit.as_str(), trial.decimals));
        let plot = self.plot(self.reports.first()?, &id, "plot-trial", unit, series.to_vec(), Vec::new());
        self.drawn(&Plot { days, ..plot })
    }

    /// A pond's plots, and what there is nothing to draw of.
    pub(super) fn plots(&self, report: &PondReport) -> (Vec<Drawn>, Vec<String>) {
        let days = &report.days;
        let id = &report.id;
        let name = |key: &str| self.t.get(key);
        let range = |quantity: &'static str, high: bool| {
            move |day: &Day| {
                let range = day.ranges.get(quantity);
                let lost = day.seen.get(quantity).is_none_or(super::super::days::Seen::is_lost);
                (range.map(|range| if high { range.high } else { range.low }), lost)
            }
        };
        let both = |quantity: &'static str| {
            vec![
                by_day(name("series-high"), days, range(quantity, true)),
                by_day(name("series-low"), days, range(quantity, false)),
            ]
        };
        let oxygen = vec![
            by_day(name("series-dawn"), days, |day| (day.dawn_min, day.dawn_seen.is_lost())),
            by_day(name("series-dusk"), days, |day| (day.dusk_peak, day.dusk_seen.is_lost())),
        ];
        let ammonia = vec![
            by_day(name("series-peak"), days, range("nh3_n_mg_l", true)),
            by_day(name("series-mean"), days, |day| {
                (day.ranges.get("nh3_n_mg_l").map(|range| range.mean), false)
            }),
        ];
        let energy = by_day(name("series-kwh"), days, |day| (day.kwh, day.kwh_known < VALID_SHARE));
        let feed = by_day(name("series-feed"), days, |day| (day.feed_kg, false));
        let limits =
            |keys: &[&str]| keys.iter().filter_map(|key| self.limit(report, key)).collect::<Vec<_>>();
        // How far off un-ionised ammonia may be, in parts of itself.
        let with_band = format!("mg/L ±{:.0} %", 100.0 * half_band_mg_l(1.0, None, None, 0.0));
        let draft = |key: &str, what: &str, unit: (&str, usize), series, limits| {
            self.plot(report, &format!("{id}-{what}"), key, unit, series, limits)
        };
        let bars = |plot: Plot| Plot { bars: true, ..plot };
        let all = [
            draft("plot-oxygen", "oxygen", ("mg/L", 1), oxygen, self.oxygen_limits(report)),
            draft(
                "plot-temperature",
                "temperature",
                ("°C", 1),
                both("temperature_c"),
                limits(&["temperature_low_c.warn", "temperature_high_c.warn"]),
            ),
            draft("plot-ph", "ph", ("pH", 1), both("ph"), limits(&["ph_low.warn", "ph_high.warn"])),
            draft(
                "plot-ammonia",
                "ammonia",
                (&with_band, 3),
                ammonia,
                limits(&["nh3_peak_mg_l.warn", "nh3_peak_mg_l.critical"]),
            ),
            draft(
                "plot-salinity",
                "salinity",
                ("PSU", 1),
                both("salinity_psu"),
                limits(&["salinity_low_psu.warn"]),
            ),
            bars(draft("plot-energy", "energy", ("kWh", 0), vec![energy], Vec::new())),
            bars(draft("plot-feed", "feed", ("kg", 0), vec![feed], Vec::new())),
            self.growth(report),
        ];
        let (mut drawn, mut empty) = (Vec::new(), Vec::new());
        for plot in all {
            match self.drawn(&plot) {
                Some(plot) => drawn.push(plot),
                None => empty.push(plot.title),
            }
        }
        (drawn, empty)
    }

    /// Average body weight by the day of culture's calendar.
    fn growth(&self, report: &PondReport) -> Plot {
        let weights = &report.book.weights;
        let dates: Vec<_> = weights.iter().map(|(at, ..)| self.words.date_of(*at)).collect();
        let first = dates.first().copied().unwrap_or_default();
        let day = |date: Date| f64::from(date.since(first).map_or(0, |span| span.get_days()));
        let points = weights.iter().zip(&dates).map(|((_, abw, _), date)| Point {
            day: day(*date),
            value: Some(*abw),
            is_lost: false,
        });
        let points: Vec<Point> = points.collect();
        let length = points.last().map_or(0.0, |last| last.day) as i64;
        let names = (0..=length).filter_map(|days| {
            let date = first.checked_add(jiff::Span::new().days(days)).ok()?;
            Some(self.words.short(date))
        });
        let series = vec![Series { name: self.t.get("series-abw"), points }];
        let days = names.collect();
        let plot =
            self.plot(report, &format!("{}-growth", report.id), "plot-growth", ("g", 1), series, Vec::new());
        Plot { days, ..plot }
    }

    fn plot(
        &self,
        report: &PondReport,
        id: &str,
        key: &str,
        (unit, decimals): (&str, usize),
        series: Vec<Series>,
        limits: Vec<Limit>,
    ) -> Plot {
        debug_assert!(unit != MONEY, "money is not drawn");
        let days: Vec<String> = report.days.iter().map(|day| self.words.short(day.date)).collect();
        let mut plot = Plot {
            id: id.to_owned(),
            title: self.t.get(key),
            description: String::new(),
            unit: unit.to_owned(),
            decimals,
            series,
            limits,
            days,
            bars: false,
        };
        plot.description = self.description(&plot);
        plot
    }

    /// Each series in words: lowest, highest, gaps.
    fn description(&self, plot: &Plot) -> String {
        let told = plot.series.iter().map(|series| {
            let values = || series.points.iter().filter_map(|point| point.value);
            let low = values().fold(f64::INFINITY, f64::min);
            let high = values().fold(f64::NEG_INFINITY, f64::max);
            let gaps = series.points.iter().filter(|point| point.value.is_none()).count();
            if low.is_finite() {
                self.t.fill(
                    "plot-told",
                    &[
                        ("name", &series.name),
                        ("low", &number(low, plot.decimals)),
                        ("high", &number(high, plot.decimals)),
                        ("unit", &plot.unit),
                        ("gaps", &gaps.to_string()),
                    ],
                )
            } else {
                self.t.fill("plot-nothing", &[("name", &series.name)])
            }
        });
        told.collect::<Vec<_>>().join(" ")
    }

    fn drawn(&self, plot: &Plot) -> Option<Drawn> {
        if !plot.has_values() {
            return None;
        }
        let marks = plot.series.iter().zip(MARKS).map(|(series, mark)| {
            if plot.bars { series.name.clone() } else { format!("{mark} {}", series.name) }
        });
        let marks: Vec<String> = marks.collect();
        let is_lost = |point: &Point| point.is_lost && point.value.is_some();
        let has_lost = plot.series.iter().flat_map(|series| &series.points).any(is_lost);
        let lost = if has_lost { format!(" {}", self.t.get("plot-hollow")) } else { String::new() };
        let caption = format!("{}.{lost}", marks.join(" · "));
        let is_its_own = plot.title == plot.unit;
        let title = if is_its_own { plot.unit.clone() } else { format!("{} ({})", plot.title, plot.unit) };
        Some(Drawn { svg: plot.svg(), title, caption })
    }

    fn oxygen_limits(&self, report: &PondReport) -> Vec<Limit> {
        let Some(pond) = self.gathered.status_of(&report.id) else { return Vec::new() };
        let named = ["limit-warn", "limit-critical"].into_iter().zip(pond.do_low_mg_l);
        named.map(|(key, value)| Limit { name: format!("{} {value}", self.t.get(key)), value }).collect()
    }

    /// A limit in force, by its key.
    fn limit(&self, report: &PondReport, key: &str) -> Option<Limit> {
        let facts = self.gathered.facts_of(&report.id)?;
        let value: f64 = facts.limits.iter().find(|limit| limit.key == key)?.value.parse().ok()?;
        let level = if key.ends_with("critical") { "limit-critical" } else { "limit-warn" };
        Some(Limit { name: format!("{} {value}", self.t.get(level)), value })
    }
}

fn by_day(name: String, days: &[Day], value: impl Fn(&Day) -> (Option<f64>, bool)) -> Series {
    let points = days.iter().enumerate().map(|(place, day)| {
        let (value, is_lost) = value(day);
        Point { day: place as f64, value, is_lost }
    });
    Series { name, points: points.collect() }
}
