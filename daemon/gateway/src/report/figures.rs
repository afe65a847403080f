//! The figures of a report: each with its unit, what it rests on, and, where it is not known, why not.

use jiff::Timestamp;
use pondreeve_core::crop::growth_g_per_day;
use pondreeve_core::{Span, Timestamp as FarmTime};
use serde::Serialize;

use super::books::{Book, Kind, Sum};
use super::days::{Day, Seen};
use super::{Gathered, GatheredPond, Period, QUANTITIES};
use crate::local::protocol::PondFacts;

/// Unit of a figure that is money.
pub const MONEY: &str = "money";

/// Unit of a figure that is money for a kilogram.
pub const MONEY_PER_KG: &str = "money/kg";

/// What a figure rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Trace {
    /// Entries of the diary, by number.
    Diary {
        /// Numbers, ascending.
        entries: Vec<u64>,
    },
    /// Readings, as roll-ups of quarter hours.
    Readings {
        /// Quantity id.
        quantity: String,
        /// RFC 3339.
        from: String,
        /// RFC 3339.
        to: String,
        /// Usable readings.
        usable: u32,
        /// Readings left out: suspect, failed.
        left_out: u32,
    },
    /// Readings of the aerators' motors.
    Motors {
        /// RFC 3339.
        from: String,
        /// RFC 3339.
        to: String,
        /// Share of the time for which it is known, %.
        known_percent: f64,
    },
    /// Other figures of this pond, by id.
    Figures {
        /// Ids.
        ids: Vec<&'static str>,
    },
    /// A key of the configuration.
    Configuration {
        /// Such as `area_m2`.
        key: &'static str,
    },
}

/// One figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// Pond id.
    pub pond: String,
    /// Id of the figure, the same in every language.
    pub id: &'static str,
    /// The value; absent where it is not known.
    pub value: Option<f64>,
    /// Unit; `money` in the farm's currency.
    pub unit: &'static str,
    /// Decimals shown to people.
    pub decimals: usize,
    /// Why it is not known: key of the words.
    pub not_known: Option<&'static str>,
    /// What it rests on.
    pub from: Vec<Trace>,
}

/// Figures of the crop that are set side by side.
pub const SIDE_BY_SIDE: [&str; 26] = [
    "stocked",
    "stocked_per_m2",
    "crop_days",
    "abw_g",
    "growth_g_day",
    "survival_percent",
    "harvested_kg",
    "yield_t_ha",
    "feed_kg",
    "feed_conversion",
    "dose_kg",
    "exchanged_m3",
    "exchanged_percent",
    "drained_m3",
    "kwh",
    "kwh_per_kg",
    "cost",
    "cost_per_kg",
    "price_per_kg",
    "revenue",
    "net",
    "net_per_ha",
    "net_per_ha_day",
    "dawn_min_lowest",
    "nights_below_warn",
    "days_lost_do_mg_l",
];

/// The few that stand on the first page.
pub const FIRST_PAGE: [&str; 7] =
    ["abw_g", "survival_percent", "yield_t_ha", "feed_conversion", "kwh_per_kg", "cost_per_kg", "net"];

struct Maker<'a> {
    pond: &'a str,
    figures: Vec<Figure>,
}

impl Maker<'_> {
    fn put(
        &mut self,
        id: &'static str,
        value: Option<f64>,
        (unit, decimals): (&'static str, usize),
        not_known: &'static str,
        from: Vec<Trace>,
    ) {
        let value = value.filter(|value| value.is_finite());
        let not_known = value.is_none().then_some(not_known);
        let pond = self.pond.to_owned();
        self.figures.push(Figure { pond, id, value, unit, decimals, not_known, from });
    }

    /// A sum of diary entries.
    fn sum(&mut self, id: &'static str, sum: &Sum, unit: (&'static str, usize)) {
        let why = if sum.entries.is_empty() { "not-recorded" } else { "not-in-every-entry" };
        self.put(id, sum.known(), unit, why, vec![diary(&sum.entries)]);
    }
}

fn diary(entries: &[u64]) -> Trace {
    let mut entries = entries.to_vec();
    entries.sort_unstable();
    entries.dedup();
    Trace::Diary { entries }
}

fn of(ids: &[&'static str]) -> Trace {
    Trace::Figures { ids: ids.to_vec() }
}

fn readings(quantity: &str, period: Period, seen: Seen) -> Trace {
    Trace::Readings {
        quantity: quantity.to_owned(),
        from: period.from.to_string(),
        to: period.to.to_string(),
        usable: seen.usable,
        left_out: seen.suspect + seen.failed,
    }
}

fn farm_time(at: Timestamp) -> FarmTime {
    FarmTime(0) + Span::from_millis(at.as_millisecond())
}

/// Every figure of a pond.
pub fn figures(
    gathered: &Gathered,
    pond: &GatheredPond,
    facts: &PondFacts,
    days: &[Day],
    book: &Book,
) -> Vec<Figure> {
    let mut maker = Maker { pond: &pond.id, figures: Vec::new() };
    stock(&mut maker, facts, book);
    water_moved(&mut maker, book);
    energy_and_money(&mut maker, book);
    oxygen(&mut maker, gathered, &pond.id, days);
    completeness(&mut maker, gathered, days);
    maker.figures
}

fn stock(maker: &mut Maker<'_>, facts: &PondFacts, book: &Book) {
    let ledger = &book.ledger;
    let (area, until_harvest) = (Trace::Configuration { key: "area_m2" }, why_not_yet(book));
    maker.put("area_m2", Some(facts.area_m2), ("m2", 0), "not-recorded", vec![area.clone()]);
    maker.sum("stocked", &book.stocked, ("shrimp", 0));
    maker.put(
        "stocked_per_m2",
        ledger.stocked_per_m2(),
        ("1/m2", 1),
        "no-stocking",
        vec![of(&["stocked", "area_m2"])],
    );
    let days = book.crop.map(|crop| (crop.span.to.as_millisecond() - crop.span.from.as_millisecond()) as f64);
    let days = days.map(|ms| (ms / 86_400_000.0).floor());
    maker.put("crop_days", days, ("d", 0), "no-stocking", vec![diary(&book.stocked.entries)]);
    let weighed: Vec<u64> = book.weights.iter().filter_map(|(.., number)| *number).collect();
    let newest = book.weights.last();
    let newest_entry: Vec<u64> = newest.and_then(|(.., number)| *number).into_iter().collect();
    maker.put("abw_g", newest.map(|(_, abw, _)| *abw), ("g", 1), "no-sampling", vec![diary(&newest_entry)]);
    let growth = book.weights.first().zip(newest).and_then(|(first, last)| {
        growth_g_per_day((farm_time(first.0), first.1), (farm_time(last.0), last.1))
    });
    maker.put("growth_g_day", growth, ("g/d", 2), "one-sampling", vec![diary(&weighed)]);
    maker.sum("found_dead", &book.dead, ("shrimp", 0));
    maker.sum("harvested_kg", &book.harvested_kg, ("kg", 0));
    let counted = [&book.harvested.entries[..], &book.stocked.entries].concat();
    maker.put("survival_percent", ledger.survival_percent(), ("%", 1), until_harvest, vec![diary(&counted)]);
    maker.put(
        "yield_t_ha",
        ledger.yield_t_ha(),
        ("t/ha", 1),
        until_harvest,
        vec![of(&["harvested_kg", "area_m2"]), area],
    );
    maker.sum("feed_kg", &book.feed_kg, ("kg", 0));
    maker.put(
        "feed_conversion",
        ledger.feed_conversion(),
        ("", 2),
        match book.feed_kg.known() {
            None => "no-feed",
            Some(_) if book.feed_has_gaps => "feed-gaps",
            Some(_) => until_harvest,
        },
        vec![of(&["feed_kg", "harvested_kg"])],
    );
}

/// Why what is reckoned by the harvest is not known.
fn why_not_yet(book: &Book) -> &'static str {
    match book.crop {
        None => "no-stocking",
        Some(crop) if crop.ended_at.is_none() => "not-harvested-yet",
        Some(_) => "not-in-every-entry",
    }
}

fn water_moved(maker: &mut Maker<'_>, book: &Book) {
    let doses = &book.dose_kg.entries;
    let count = (!doses.is_empty()).then_some(doses.len() as f64);
    maker.put("doses", count, ("", 0), "not-recorded", vec![diary(doses)]);
    maker.sum("dose_kg", &book.dose_kg, ("kg", 1));
    maker.sum("dose_l", &book.dose_l, ("L", 1));
    maker.sum("dose_solids_kg", &book.dose_solids_kg, ("kg", 1));
    maker.sum("drained_m3", &book.drained_m3, ("m3", 0));
    maker.sum("drained_percent", &book.drained_percent, ("%", 1));
    maker.sum("exchanged_m3", &book.exchanged_m3, ("m3", 0));
    maker.sum("exchanged_percent", &book.exchanged_percent, ("%", 1));
}

fn energy_and_money(maker: &mut Maker<'_>, book: &Book) {
    let (ledger, until_harvest) = (&book.ledger, why_not_yet(book));
    let span = book.crop.map(|crop| crop.span);
    let known_percent = 100.0 * book.energy.1;
    let motors = span.map(|span| Trace::Motors {
        from: span.from.to_string(),
        to: span.to.to_string(),
        known_percent,
    });
    let motors: Vec<Trace> = motors.into_iter().collect();
    let why_no_kwh = match (book.crop, book.energy.0) {
        (None, _) => "no-stocking",
        (_, None) => "no-motors",
        _ => "energy-gaps",
    };
    let of_crop = book.energy.0.filter(|_| book.crop.is_some());
    maker.put("kwh_known", of_crop, ("kWh", 0), why_no_kwh, motors.clone());
    let known = of_crop.map(|_| known_percent);
    maker.put("kwh_known_percent", known, ("%", 0), why_no_kwh, motors.clone());
    maker.put("kwh", book.crop_kwh().filter(|_| book.crop.is_some()), ("kWh", 0), why_no_kwh, motors);
    let why = if book.crop_kwh().is_none() { why_no_kwh } else { until_harvest };
    maker.put(
        "kwh_per_kg",
        ledger.energy_kwh_per_kg(),
        ("kWh/kg", 2),
        why,
        vec![of(&["kwh", "harvested_kg"])],
    );
    let entries: Vec<u64> = book.costs.iter().flat_map(|line| line.entries.clone()).collect();
    let so_far = (!book.costs.is_empty()).then(|| book.costs_so_far());
    maker.put("cost_so_far", so_far, (MONEY, 0), "no-costs", vec![diary(&entries)]);
    let why_no_cost = match book.unpriced.first() {
        _ if book.costs.is_empty() => "no-costs",
        Some(Kind::Feed) if book.feed_has_gaps => "feed-gaps",
        Some(Kind::Feed) => "feed-unpriced",
        Some(Kind::Seed) => "seed-unpriced",
        Some(Kind::Slurry) => "slurry-unpriced",
        Some(Kind::Power) => "power-unpriced",
        Some(Kind::Other) | None => "no-costs",
    };
    maker.put("cost", book.cost(), (MONEY, 0), why_no_cost, vec![diary(&entries), of(&["cost_so_far"])]);
    let why = if ledger.cost.is_none() { why_no_cost } else { until_harvest };
    maker.put(
        "cost_per_kg",
        ledger.cost_per_kg(),
        (MONEY_PER_KG, 2),
        why,
        vec![of(&["cost", "harvested_kg"])],
    );
    let why_no_revenue = match book.crop {
        Some(crop) if crop.ended_at.is_some() => "no-price",
        _ => until_harvest,
    };
    maker.put("revenue", ledger.revenue, (MONEY, 0), why_no_revenue, vec![diary(&book.revenue.entries)]);
    maker.put(
        "price_per_kg",
        ledger.price_per_kg(),
        (MONEY_PER_KG, 2),
        why_no_revenue,
        vec![of(&["revenue", "harvested_kg"])],
    );
    let why = if ledger.revenue.is_none() { why_no_revenue } else { why_no_cost };
    maker.put("net", ledger.net(), (MONEY, 0), why, vec![of(&["revenue", "cost"])]);
    maker.put("net_per_ha", ledger.net_per_ha(), (MONEY, 0), why, vec![of(&["net", "area_m2"])]);
    maker.put(
        "net_per_ha_day",
        ledger.net_per_ha_day(),
        (MONEY, 1),
        why,
        vec![of(&["net_per_ha", "crop_days"])],
    );
}

fn oxygen(maker: &mut Maker<'_>, gathered: &Gathered, id: &str, days: &[Day]) {
    let seen = |pick: fn(&Day) -> Seen| days.iter().map(pick).fold(Seen::default(), Seen::and);
    let of_dawn = || vec![readings("do_mg_l", gathered.period, seen(|day| day.dawn_seen))];
    let least = |values: &mut dyn Iterator<Item = f64>| values.min_by(f64::total_cmp);
    let most = |values: &mut dyn Iterator<Item = f64>| values.max_by(f64::total_cmp);
    let lowest = least(&mut days.iter().filter_map(|day| day.dawn_min));
    maker.put("dawn_min_lowest", lowest, ("mg/L", 1), "no-readings", of_dawn());
    let peak = most(&mut days.iter().filter_map(|day| day.dusk_peak));
    let of_dusk = vec![readings("do_mg_l", gathered.period, seen(|day| day.dusk_seen))];
    maker.put("dusk_peak_highest", peak, ("mg/L", 1), "no-readings", of_dusk);
    let limits = gathered.status_of(id).map(|pond| pond.do_low_mg_l);
    let nights = |limit: Option<f64>| {
        let known: Vec<f64> = days.iter().filter_map(|day| day.dawn_min).collect();
        let limit = limit.filter(|_| !known.is_empty())?;
        Some(known.iter().filter(|low| **low < limit).count() as f64)
    };
    for (id, limit) in [
        ("nights_below_warn", limits.map(|[warn, ..]| warn)),
        ("nights_below_critical", limits.map(|[_, critical, _]| critical)),
    ] {
        let from = [of_dawn(), vec![Trace::Configuration { key: "limits.do_low_mg_l" }]].concat();
        maker.put(id, nights(limit), ("", 0), "no-readings", from);
    }
    for (id, quantity, is_low, unit) in [
        ("temperature_low_c", "temperature_c", true, ("°C", 1)),
        ("temperature_high_c", "temperature_c", false, ("°C", 1)),
        ("ph_low", "ph", true, ("", 2)),
        ("ph_high", "ph", false, ("", 2)),
        ("salinity_low_psu", "salinity_psu", true, ("PSU", 1)),
        ("salinity_high_psu", "salinity_psu", false, ("PSU", 1)),
        ("nh3_peak_mg_l", "nh3_n_mg_l", false, ("mg/L", 3)),
    ] {
        let mut values = days.iter().filter_map(|day| day.ranges.get(quantity));
        let value = if is_low {
            least(&mut values.map(|range| range.low))
        } else {
            most(&mut values.by_ref().map(|range| range.high))
        };
        let all = days.iter().filter_map(|day| day.seen.get(quantity).copied());
        let from = vec![readings(quantity, gathered.period, all.fold(Seen::default(), Seen::and))];
        let why = if quantity == "nh3_n_mg_l" { "no-tan" } else { "no-readings" };
        maker.put(id, value, unit, why, from);
    }
    let score = gathered.status_of(id).and_then(|pond| pond.forecast_score);
    let error = score.map(|score| score.mean_error_mg_l);
    maker.put("forecast_error_mg_l", error, ("mg/L", 2), "no-scored-nights", Vec::new());
}

/// Ids of the two figures of each quantity in [`QUANTITIES`]: share valid, days lost.
pub const COMPLETENESS: [(&str, &str); 5] = [
    ("valid_do_mg_l", "days_lost_do_mg_l"),
    ("valid_temperature_c", "days_lost_temperature_c"),
    ("valid_ph", "days_lost_ph"),
    ("valid_salinity_psu", "days_lost_salinity_psu"),
    ("valid_nh3_n_mg_l", "days_lost_nh3_n_mg_l"),
];

fn completeness(maker: &mut Maker<'_>, gathered: &Gathered, days: &[Day]) {
    for (quantity, (share_id, lost_id)) in QUANTITIES.into_iter().zip(COMPLETENESS) {
        let of_days: Vec<Seen> = days.iter().filter_map(|day| day.seen.get(quantity).copied()).collect();
        let all = of_days.iter().copied().fold(Seen::default(), Seen::and);
        let is_measured = all.usable + all.suspect + all.failed + all.missing > 0;
        let from = vec![readings(quantity, gathered.period, all)];
        let share = all.share().filter(|_| is_measured).map(|share| 100.0 * share);
        maker.put(share_id, share, ("%", 1), "no-readings", from.clone());
        let lost = of_days.iter().filter(|seen| seen.quarters > 0 && seen.is_lost()).count() as f64;
        maker.put(lost_id, Some(lost).filter(|_| is_measured), ("d", 0), "no-readings", from);
    }
}
