//! A pond's diary summed up: its crop, feed, doses, water, money. Superseded and withdrawn entries do not count.

use std::collections::BTreeMap;

use jiff::Timestamp;
use pondreeve_core::crop::{Ledger, count_of};

use super::{Gathered, GatheredPond, Period, time};
use crate::local::diary::DeedStatus;
use crate::local::protocol::PondFacts;

/// Energy counts as known for a crop from this share of its group hours on. (Common practice, no source.)
pub const ENERGY_SHARE: f64 = 0.9;

/// Feed counts as recorded through a crop where no two entries, nor the crop's beginning or end, lie further
/// apart. (Common practice, no source: who does not note meals notes weeks.)
pub const FEED_GAP_DAYS: i64 = 8;

/// The crop that a report tells of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Crop {
    /// First stocked.
    pub stocked_at: Timestamp,
    /// Final harvest, where there was one.
    pub ended_at: Option<Timestamp>,
    /// From stocking to the final harvest, or to the end of the report.
    pub span: Period,
    /// Costs and doses count from here on: the crop before was out, or the pond was being prepared.
    pub prepared_from: Timestamp,
}

/// A pond is prepared for a crop in so many days at most. (Common practice, no source.)
const PREPARED_WITHIN_DAYS: i64 = 60;

/// A sum, and the entries that it is made of.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sum {
    /// The sum; absent where nothing was recorded.
    pub value: Option<f64>,
    /// Numbers of the entries.
    pub entries: Vec<u64>,
    /// One of them does not say how much: the sum is not known.
    pub is_open: bool,
}

impl Sum {
    fn add(&mut self, deed: &DeedStatus, amount: Option<f64>) {
        self.entries.extend(deed.number);
        match amount {
            Some(amount) => self.value = Some(self.value.unwrap_or(0.0) + amount),
            None => self.is_open = true,
        }
    }

    /// The sum, where every entry says how much.
    pub fn known(&self) -> Option<f64> {
        self.value.filter(|_| !self.is_open)
    }
}

/// What money went for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Feed.
    Feed,
    /// Post-larvae.
    Seed,
    /// Electricity.
    Power,
    /// Mineral slurry.
    Slurry,
    /// Anything else.
    Other,
}

impl Kind {
    /// Key of its words, and its name for programs.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Feed => "feed",
            Self::Seed => "seed",
            Self::Power => "power",
            Self::Slurry => "slurry",
            Self::Other => "other",
        }
    }

    /// By the item that people wrote, in English or Spanish.
    pub fn of(item: &str) -> Self {
        let words = [
            (Self::Feed, &["feed", "alimento", "balanceado", "pienso"] as &[&str]),
            (
                Self::Seed,
                &["pl", "post-larvae", "postlarvae", "larvae", "seed", "larvas", "postlarvas", "semilla"],
            ),
            (Self::Power, &["power", "electricity", "energy", "electricidad", "energía", "energia", "luz"]),
            (Self::Slurry, &["slurry", "conditioner", "lechada", "acondicionador"]),
        ];
        let item = item.trim().to_lowercase();
        words.iter().find(|(_, known)| known.contains(&item.as_str())).map_or(Self::Other, |(kind, _)| *kind)
    }
}

/// Items that name what is sold.
const SOLD: [&str; 6] = ["shrimp", "harvest", "camarón", "camaron", "cosecha", "prawn"];

/// One line of the costs.
#[derive(Debug, Clone, PartialEq)]
pub struct CostLine {
    /// What for.
    pub kind: Kind,
    /// As people wrote it; of a kind that was priced, the kind.
    pub item: String,
    /// How much.
    pub amount: f64,
    /// Worked out from a price rather than recorded as money.
    pub is_priced: bool,
    /// Entries that it rests on.
    pub entries: Vec<u64>,
}

/// A price in the diary.
#[derive(Debug, Clone, PartialEq)]
struct Price {
    at: Timestamp,
    number: Option<u64>,
    amount: f64,
    /// For so many.
    units: f64,
    /// Of this, in lower case.
    unit: String,
}

/// A pond's diary, summed up over its crop.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Book {
    /// The crop.
    pub crop: Option<Crop>,
    /// Shrimp stocked.
    pub stocked: Sum,
    /// Harvested, kg.
    pub harvested_kg: Sum,
    /// Harvested, shrimp.
    pub harvested: Sum,
    /// Found dead, shrimp; what was weighed only is not in it.
    pub dead: Sum,
    /// Feed, kg.
    pub feed_kg: Sum,
    /// Too long a part of the crop has no feed recorded: what rests on feed is not known.
    pub feed_has_gaps: bool,
    /// Doses: slurry, kg.
    pub dose_kg: Sum,
    /// Doses: slurry, L.
    pub dose_l: Sum,
    /// Doses: solids, kg.
    pub dose_solids_kg: Sum,
    /// Let out, m3.
    pub drained_m3: Sum,
    /// Let out, % of the pond, added up.
    pub drained_percent: Sum,
    /// Exchanged, m3.
    pub exchanged_m3: Sum,
    /// Exchanged, % of the pond, added up.
    pub exchanged_percent: Sum,
    /// Samples weighed: when, g, entry.
    pub weights: Vec<(Timestamp, f64, Option<u64>)>,
    /// Costs.
    pub costs: Vec<CostLine>,
    /// Kinds that took place and have neither a cost nor a price.
    pub unpriced: Vec<Kind>,
    /// Money for the harvest.
    pub revenue: Sum,
    /// Prices that no figure uses: item and unit.
    pub unused_prices: Vec<String>,
    /// Energy over the crop, kWh, and the share of the crop for which it is known.
    pub energy: (Option<f64>, f64),
    /// Sums for the arithmetic.
    pub ledger: Ledger,
}

impl Book {
    /// Doses of the crop.
    pub fn doses(&self) -> usize {
        self.dose_kg.entries.len()
    }

    /// Cost of all kinds, where nothing is left unpriced.
    pub fn cost(&self) -> Option<f64> {
        (self.unpriced.is_empty() && !self.costs.is_empty()).then(|| self.costs_so_far())
    }

    /// What is recorded of the costs.
    pub fn costs_so_far(&self) -> f64 {
        self.costs.iter().map(|line| line.amount).sum()
    }

    /// Energy of the whole crop, where enough of it is known.
    pub fn crop_kwh(&self) -> Option<f64> {
        self.energy.0.filter(|_| self.energy.1 >= ENERGY_SHARE)
    }
}

fn number(deed: &DeedStatus, name: &str) -> Option<f64> {
    deed.values.get(name)?.as_f64()
}

fn text<'a>(deed: &'a DeedStatus, name: &str) -> Option<&'a str> {
    deed.values.get(name)?.as_str()
}

/// Entries that count: those nothing took the place of, and which are no withdrawal.
pub fn counts(deed: &DeedStatus) -> bool {
    deed.number.is_some() && deed.superseded_by.is_none() && deed.kind != "withdrawal"
}

/// Sums a pond's diary up.
pub fn book(gathered: &Gathered, pond: &GatheredPond, facts: &PondFacts) -> Book {
    let to = gathered.period.to;
    let own: Vec<&DeedStatus> = gathered
        .deeds
        .iter()
        .filter(|deed| deed.pond.as_deref() == Some(&pond.id) && counts(deed) && time(&deed.at) <= to)
        .collect();
    let crop = crop(&own, to);
    let span = crop.map_or(gathered.period, |crop| crop.span);
    let mut book = Book { crop, ..Book::default() };
    let mut prices: BTreeMap<String, Vec<Price>> = BTreeMap::new();
    let (mut feeds, mut doses, mut harvests) = (Vec::new(), Vec::new(), Vec::new());
    for deed in &own {
        if deed.kind == "price" {
            let (amount, per) = (number(deed, "amount").unwrap_or(0.0), text(deed, "per").unwrap_or(""));
            let (units, unit) = unit_of(per);
            let item = text(deed, "item").unwrap_or("").trim().to_lowercase();
            let price = Price { at: time(&deed.at), number: deed.number, amount, units, unit };
            prices.entry(item).or_default().push(price);
        }
        let is_preparation = matches!(deed.kind.as_str(), "cost" | "dose");
        let from = crop.filter(|_| is_preparation).map_or(span.from, |crop| crop.prepared_from);
        if time(&deed.at) < from || time(&deed.at) > span.to {
            continue;
        }
        match deed.kind.as_str() {
            "stocking" => {
                book.stocked.add(deed, number(deed, "count"));
                if let Some(abw) = number(deed, "abw_g") {
                    book.weights.push((time(&deed.at), abw, deed.number));
                }
            }
            "mortality" => book.dead.add(deed, number(deed, "count")),
            "sampling" => {
                book.weights.extend(number(deed, "abw_g").map(|abw| (time(&deed.at), abw, deed.number)));
            }
            "harvest" => harvests.push(*deed),
            "feed" => {
                book.feed_kg.add(deed, number(deed, "kg"));
                feeds.push((time(&deed.at), number(deed, "kg")));
            }
            "dose" => {
                let kg = number(deed, "slurry_kg");
                book.dose_kg.add(deed, kg);
                book.dose_l.add(deed, number(deed, "slurry_l"));
                let solids = kg.zip(number(deed, "solids_percent")).map(|(kg, share)| kg * share / 100.0);
                book.dose_solids_kg.add(deed, solids);
                doses.push((time(&deed.at), kg, number(deed, "slurry_l")));
            }
            "drain" => {
                book.drained_m3.add(deed, number(deed, "volume_m3"));
                book.drained_percent.add(deed, number(deed, "percent"));
            }
            "exchange" => {
                book.exchanged_m3.add(deed, number(deed, "volume_m3"));
                book.exchanged_percent.add(deed, number(deed, "percent"));
            }
            "cost" => {
                let item = text(deed, "item").unwrap_or("").to_owned();
                let amount = number(deed, "amount").unwrap_or(0.0);
                let entries = deed.number.into_iter().collect();
                let kind = Kind::of(&item);
                book.costs.push(CostLine { kind, item, amount, is_priced: false, entries });
            }
            _ => {}
        }
    }
    for deed in harvests {
        let kg = number(deed, "kg");
        book.harvested_kg.add(deed, kg);
        let at = time(&deed.at);
        let last = book.weights.iter().rev().find(|(when, ..)| *when <= at).map(|(_, abw, _)| *abw);
        let abw = number(deed, "abw_g");
        // Without a weight of its own it is counted by the newest sample.
        book.harvested.add(deed, kg.zip(abw.or(last)).and_then(|(kg, abw)| count_of(kg, abw)));
        book.weights.extend(abw.map(|abw| (at, abw, deed.number)));
        let sold = prices.iter().filter(|(item, _)| SOLD.contains(&item.as_str()));
        let of_diary = sold.flat_map(|(_, list)| list).filter(|price| price.unit == "kg");
        let of_diary = in_force(of_diary, at);
        let each = number(deed, "price_per_kg").or(of_diary.map(|price| price.amount / price.units));
        book.revenue.add(deed, kg.zip(each).map(|(kg, each)| kg * each));
        book.revenue.entries.extend(of_diary.and_then(|price| price.number));
    }
    book.weights.sort_by_key(|(at, ..)| *at);
    book.energy = super::days::energy(pond, span);
    book.feed_has_gaps = crop.is_some_and(|crop| has_gaps(&feeds, crop.span));
    let mut pricer = Pricer { book: &mut book, prices: &prices, used: Vec::new() };
    pricer.each(Kind::Feed, &feeds.iter().map(|(at, kg)| (*at, [("kg", *kg)].to_vec())).collect::<Vec<_>>());
    let seed = pricer.book.stocked.value.map(|count| (span.from, vec![("", Some(count))]));
    pricer.each(Kind::Seed, &seed.into_iter().collect::<Vec<_>>());
    let slurry = doses.iter().map(|(at, kg, l)| (*at, vec![("kg", *kg), ("l", *l)])).collect::<Vec<_>>();
    pricer.each(Kind::Slurry, &slurry);
    let has_aerators = pond.energy.iter().any(|(_, groups)| !groups.is_empty());
    pricer.power(has_aerators, span.to, gathered.facts.energy_price_per_kwh);
    let used = pricer.used;
    let unused = prices.iter().flat_map(|(item, list)| list.iter().map(move |price| (item, price)));
    book.unused_prices = unused
        .filter(|(item, price)| {
            !SOLD.contains(&item.as_str()) && !price.number.is_some_and(|number| used.contains(&number))
        })
        .map(|(item, price)| format!("{item} / {} {}", price.units, price.unit).trim_end().to_owned())
        .collect();
    book.ledger = ledger(&book, facts);
    book
}

/// Whether feed was recorded in too small a part of a crop.
fn has_gaps(feeds: &[(Timestamp, Option<f64>)], span: Period) -> bool {
    let longest_ms = FEED_GAP_DAYS * 86_400_000;
    let mut times: Vec<i64> = feeds.iter().map(|(at, _)| at.as_millisecond()).collect();
    times.extend([span.from.as_millisecond(), span.to.as_millisecond()]);
    times.sort_unstable();
    times.iter().zip(times.iter().skip(1)).any(|(earlier, later)| later - earlier > longest_ms)
}

/// The newest price up to a time, or else the first after it.
fn in_force<'a>(prices: impl Iterator<Item = &'a Price> + Clone, at: Timestamp) -> Option<&'a Price> {
    let before = prices.clone().filter(|price| price.at <= at).max_by_key(|price| price.at);
    before.or_else(|| prices.min_by_key(|price| price.at))
}

/// "1000 PL" is a thousand of "pl"; "kg" is one of "kg".
fn unit_of(per: &str) -> (f64, String) {
    let per = per.trim().to_lowercase();
    let digits = per.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(per.len());
    let (count, unit) = per.split_at(digits);
    let count = count.parse().ok().filter(|count: &f64| *count > 0.0).unwrap_or(1.0);
    match unit.trim() {
        "t" => (count * 1_000.0, "kg".to_owned()),
        unit => (count, unit.to_owned()),
    }
}

/// Puts money to what was used.
struct Pricer<'a> {
    book: &'a mut Book,
    prices: &'a BTreeMap<String, Vec<Price>>,
    used: Vec<u64>,
}

/// Amounts of one entry with their names; `None` where it tells none.
type Amounts<'a> = Vec<(&'a str, Option<f64>)>;

impl Pricer<'_> {
    /// Amounts of one kind, each in the units in which it is known.
    fn each(&mut self, kind: Kind, amounts: &[(Timestamp, Amounts<'_>)]) {
        if amounts.is_empty() || self.book.costs.iter().any(|line| line.kind == kind) {
            // Recorded as money, which says more than a price.
            return;
        }
        let of_kind =
            self.prices.iter().filter(|(item, _)| Kind::of(item) == kind).flat_map(|(_, list)| list);
        let of_kind: Vec<&Price> = of_kind.collect();
        let (mut sum, mut entries) = (0.0, Vec::new());
        for (at, known) in amounts {
            let found = known.iter().find_map(|(unit, amount)| {
                let fits = |price: &&&Price| kind == Kind::Seed || price.unit == *unit;
                let price = in_force(of_kind.iter().filter(fits).copied(), *at)?;
                Some((price, (*amount)? / price.units * price.amount))
            });
            let Some((price, money)) = found else {
                self.book.unpriced.push(kind);
                return;
            };
            sum += money;
            entries.extend(price.number);
        }
        entries.sort_unstable();
        entries.dedup();
        self.used.extend(&entries);
        let item = kind.id().to_owned();
        self.book.costs.push(CostLine { kind, item, amount: sum, is_priced: true, entries });
        if kind == Kind::Feed && self.book.feed_has_gaps {
            // What was recorded is priced, and is not all.
            self.book.unpriced.push(kind);
        }
    }

    /// Electricity: by the diary's price for a kWh, else by the configuration's.
    fn power(&mut self, has_aerators: bool, at: Timestamp, configured: Option<f64>) {
        if !has_aerators || self.book.costs.iter().any(|line| line.kind == Kind::Power) {
            return;
        }
        let of_power = self.prices.iter().filter(|(item, _)| Kind::of(item) == Kind::Power);
        let in_kwh = of_power.flat_map(|(_, list)| list).filter(|price| price.unit == "kwh");
        let price = in_force(in_kwh, at);
        let each = price.map(|price| price.amount / price.units).or(configured);
        let (Some(kwh), Some(each)) = (self.book.crop_kwh(), each) else {
            self.book.unpriced.push(Kind::Power);
            return;
        };
        let entries: Vec<u64> = price.and_then(|price| price.number).into_iter().collect();
        self.used.extend(&entries);
        let item = Kind::Power.id().to_owned();
        let line = CostLine { kind: Kind::Power, item, amount: kwh * each, is_priced: true, entries };
        self.book.costs.push(line);
    }
}

/// The crop that is in the pond at the end of the report, or else the one that ended last.
fn crop(own: &[&DeedStatus], to: Timestamp) -> Option<Crop> {
    let is_final = |deed: &&&DeedStatus| {
        deed.kind == "harvest" && deed.values.get("final").and_then(serde_json::Value::as_bool) == Some(true)
    };
    let ends: Vec<Timestamp> = own.iter().filter(is_final).map(|deed| time(&deed.at)).collect();
    let stocked = |after: Option<Timestamp>, before: Timestamp| {
        let stockings = own.iter().filter(|deed| deed.kind == "stocking").map(|deed| time(&deed.at));
        stockings.filter(|at| after.is_none_or(|after| *at > after) && *at <= before).min()
    };
    let crop = |stocked_at: Timestamp, before: Option<Timestamp>, ended_at: Option<Timestamp>| {
        let preparing = stocked_at - jiff::SignedDuration::from_hours(24 * PREPARED_WITHIN_DAYS);
        let span = Period { from: stocked_at, to: ended_at.unwrap_or(to) };
        let prepared_from = before.map_or(preparing, |before| before.max(preparing));
        Crop { stocked_at, ended_at, span, prepared_from }
    };
    if let Some(stocked_at) = stocked(ends.last().copied(), to) {
        return Some(crop(stocked_at, ends.last().copied(), None));
    }
    let (end, before) = ends.split_last()?;
    let stocked_at = stocked(before.last().copied(), *end)?;
    Some(crop(stocked_at, before.last().copied(), Some(*end)))
}

/// Survival and what is reckoned by the harvest are known once the crop is out.
fn ledger(book: &Book, facts: &PondFacts) -> Ledger {
    let ended = book.crop.filter(|crop| crop.ended_at.is_some());
    let of_ended = |value: Option<f64>| value.filter(|_| ended.is_some());
    Ledger {
        area_m2: Some(facts.area_m2),
        stocked: book.stocked.known(),
        harvested: of_ended(book.harvested.known()),
        harvested_kg: of_ended(book.harvested_kg.known()),
        feed_kg: book.feed_kg.known().filter(|_| !book.feed_has_gaps),
        energy_kwh: book.crop_kwh(),
        cost: book.cost(),
        revenue: of_ended(book.revenue.known()),
        days: ended.map(|crop| {
            (crop.span.to.as_millisecond() - crop.span.from.as_millisecond()) as f64 / 86_400_000.0
        }),
    }
}
