//! What each kind of entry takes on the command line.

use super::super::numbers::{number_of, whole, within};
use super::What;
use super::time::read_stop;
use crate::exit_code::Failure;
use crate::local::diary::{DoseAsk, EntryAsk, WaterAsk};
use crate::local::protocol::FarmStatus;
use crate::texts::{Words as Texts, say};

/// Arguments of a dose.
#[derive(Debug, Clone, clap::Args)]
pub struct Dose {
    /// Slurry that was weighed, kg
    #[arg(long, value_name = "KG", value_parser = within(0.01, 100_000.0, "kg"))]
    pub slurry_kg: Option<f64>,
    /// Slurry that was measured out, L
    #[arg(long, value_name = "L", value_parser = within(0.01, 100_000.0, "L"))]
    pub slurry_l: Option<f64>,
    /// Containers that were emptied, such as 1.5
    #[arg(long, value_name = "COUNT", value_parser = within(0.01, 10_000.0, "containers"))]
    pub containers: Option<f64>,
    /// Lot of the product, as on the drums and in the configuration
    #[arg(long)]
    pub lot: Option<String>,
    /// Solids by mass, %, where the configuration does not know the lot
    #[arg(long, value_name = "PERCENT", value_parser = within(1.0, 100.0, "%"))]
    pub solids_percent: Option<f64>,
    /// Density of the slurry, kg/L, where the configuration does not know the lot
    #[arg(long, value_name = "KG_L", value_parser = within(0.9, 2.4, "kg/L"))]
    pub slurry_density_kg_l: Option<f64>,
    /// Slurry in a full container, kg, where the configuration does not know it
    #[arg(long, value_name = "KG", value_parser = within(0.1, 10_000.0, "kg"))]
    pub container_kg: Option<f64>,
    /// When the last of it was in
    #[arg(long, value_name = "TIME")]
    pub stop: Option<String>,
    /// Why it was given, where advice was against it
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    /// It was so although kg, L and containers are more than 10 % apart, or fewer are left
    #[arg(long)]
    pub confirm_mismatch: bool,
}

/// Arguments of a count of containers.
#[derive(Debug, Clone, clap::Args)]
pub struct Count {
    /// Containers that are left, an opened one as its part, such as 12.5
    #[arg(long, value_name = "COUNT", value_parser = within(0.0, 10_000.0, "containers"))]
    pub left: f64,
    /// Lot of the product, as on the drums and in the configuration
    #[arg(long)]
    pub lot: Option<String>,
    /// Containers delivered since the last count
    #[arg(long, value_name = "COUNT", value_parser = within(0.01, 10_000.0, "containers"))]
    pub delivered: Option<f64>,
    /// Slurry in a full container, kg, where the configuration does not know it
    #[arg(long, value_name = "KG", value_parser = within(0.1, 10_000.0, "kg"))]
    pub container_kg: Option<f64>,
    /// Why what is gone was not given to a pond: spilled, lent, sent back
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
}

/// Arguments of a disturbance.
#[derive(Debug, Clone, clap::Args)]
pub struct Disturbance {
    /// What happened
    #[arg(required = true, value_name = "TEXT")]
    pub words: Vec<String>,
    /// When it was over: up to a week later; without it, on the same day
    #[arg(long, value_name = "TIME", visible_alias = "end")]
    pub stop: Option<String>,
}

/// Arguments of a feeding.
#[derive(Debug, Clone, clap::Args)]
pub struct Feed {
    /// Feed, kg
    #[arg(long, value_parser = within(0.01, 20_000.0, "kg"))]
    pub kg: f64,
    /// What was left in the tray of this meal, %
    #[arg(long, value_name = "PERCENT", value_parser = within(0.0, 100.0, "%"))]
    pub tray_left: Option<f64>,
}

/// Arguments of a drainage or an exchange.
#[derive(Debug, Clone, clap::Args)]
pub struct Water {
    /// Mean depth before, m
    #[arg(long, value_name = "M", value_parser = within(0.0, 10.0, "m"))]
    pub level_before: Option<f64>,
    /// Mean depth at the lowest, before any water was let in, m
    #[arg(long, value_name = "M", value_parser = within(0.0, 10.0, "m"))]
    pub level_after: Option<f64>,
    /// Mean depth once the pond was filled up again, m
    #[arg(long, value_name = "M", value_parser = within(0.0, 10.0, "m"))]
    pub refilled_to: Option<f64>,
    /// Water let out, m3, where no levels were read
    #[arg(long, value_name = "M3", value_parser = within(0.01, 10_000_000.0, "m3"))]
    pub m3: Option<f64>,
    /// pH of what was let out
    #[arg(long, value_parser = within(0.0, 14.0, ""))]
    pub ph: Option<f64>,
    /// When it ended
    #[arg(long, value_name = "TIME", visible_alias = "end")]
    pub stop: Option<String>,
}

/// Arguments of a sampling.
#[derive(Debug, Clone, clap::Args)]
pub struct Sampling {
    /// Shrimp in the sample
    #[arg(long, value_parser = whole(1_u32, 100_000, "usage-shrimp"))]
    pub count: u32,
    /// Their weight together, g
    #[arg(long, value_parser = within(0.001, 1_000_000.0, "g"))]
    pub grams: f64,
}

/// Arguments of a stocking.
#[derive(Debug, Clone, clap::Args)]
pub struct Stocking {
    /// How many
    #[arg(long, value_parser = whole(1_u32, 1_000_000_000, "usage-shrimp"))]
    pub count: u32,
    /// Which species
    #[arg(long)]
    pub species: Option<String>,
    /// Which lot of the hatchery
    #[arg(long)]
    pub lot: Option<String>,
    /// Age or stage, such as PL10
    #[arg(long)]
    pub size: Option<String>,
    /// Average body weight, g
    #[arg(long, value_name = "G", value_parser = within(0.0001, 200.0, "g"))]
    pub abw: Option<f64>,
}

/// Arguments of dead shrimp: one of the two.
#[derive(Debug, Clone, clap::Args)]
#[group(required = true, multiple = false)]
pub struct Mortality {
    /// How many were counted
    #[arg(long, value_parser = whole(1_u32, 1_000_000_000, "usage-shrimp"))]
    pub count: Option<u32>,
    /// How much they weighed, kg
    #[arg(long, value_parser = within(0.001, 100_000.0, "kg"))]
    pub kg: Option<f64>,
}

/// Arguments of a harvest.
#[derive(Debug, Clone, clap::Args)]
pub struct Harvest {
    /// How much, kg
    #[arg(long, value_parser = within(0.01, 500_000.0, "kg"))]
    pub kg: f64,
    /// Average body weight, g
    #[arg(long, value_name = "G", value_parser = within(0.0001, 200.0, "g"))]
    pub abw: Option<f64>,
    /// What a kg brought, in the farm's currency
    #[arg(long, value_name = "MONEY", value_parser = within(0.0, 1e9, "per kg"))]
    pub price: Option<f64>,
    /// Nothing is left in the pond: the crop is over
    #[arg(long = "final")]
    pub is_final: bool,
}

/// Arguments of a look at the sludge: at least one of the first three.
#[derive(Debug, Clone, clap::Args)]
pub struct Sludge {
    /// pH
    #[arg(long, value_parser = within(0.0, 14.0, ""))]
    pub ph: Option<f64>,
    /// Redox potential as the electrode reads it, mV
    #[arg(long, value_parser = within(-1_000.0, 1_000.0, "mV"))]
    pub orp_mv: Option<f64>,
    /// How thick it lies, cm
    #[arg(long, value_parser = within(0.0, 300.0, "cm"))]
    pub depth_cm: Option<f64>,
    /// How it was measured: in place, diluted, which electrode
    #[arg(long, value_name = "TEXT")]
    pub method: Option<String>,
}

/// Words.
#[derive(Debug, Clone, clap::Args)]
pub struct Words {
    /// The text
    #[arg(required = true, value_name = "TEXT")]
    pub words: Vec<String>,
}

/// Arguments of a cost.
#[derive(Debug, Clone, clap::Args)]
pub struct Cost {
    /// For what
    #[arg(long)]
    pub item: String,
    /// How much, in the farm's currency
    #[arg(long, value_name = "MONEY", value_parser = within(0.0, 1e12, ""))]
    pub amount: f64,
}

/// Arguments of a price.
#[derive(Debug, Clone, clap::Args)]
pub struct Price {
    /// Of what
    #[arg(long)]
    pub item: String,
    /// How much, in the farm's currency
    #[arg(long, value_name = "MONEY", value_parser = within(0.0, 1e12, ""))]
    pub amount: f64,
    /// For how much of it, such as "kg" or "1000 PL"
    #[arg(long, value_name = "UNIT")]
    pub per: String,
}

/// Arguments of a withdrawal.
#[derive(Debug, Clone, clap::Args)]
pub struct Withdraw {
    /// Number of the entry
    #[arg(value_name = "NUMBER", value_parser = number_of("usage-an-entry"))]
    pub number: u64,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: String,
}

/// What to ask for, and which entry it takes the place of.
pub(super) fn entry(
    what: &What,
    correct: Option<u64>,
    at: Option<jiff::Timestamp>,
    farm: &FarmStatus,
    words: Texts,
) -> Result<(EntryAsk, Option<u64>), Failure> {
    let stop = |text: &Option<String>| {
        let time = text.as_deref().map(|text| read_stop(text, at, farm, words)).transpose()?;
        Ok::<_, Failure>(time.map(|time| time.to_string()))
    };
    let water = |own: &Water| {
        Ok::<_, Failure>(WaterAsk {
            stop: stop(&own.stop)?,
            level_before_m: own.level_before,
            level_after_m: own.level_after,
            refilled_to_m: own.refilled_to,
            volume_m3: own.m3,
            ph: own.ph,
        })
    };
    let entry = match what.clone() {
        What::Dose(own) => EntryAsk::Dose(DoseAsk {
            stop: stop(&own.stop)?,
            slurry_kg: own.slurry_kg,
            slurry_l: own.slurry_l,
            containers: own.containers,
            lot: own.lot,
            solids_percent: own.solids_percent,
            slurry_density_kg_l: own.slurry_density_kg_l,
            container_kg: own.container_kg,
            reason: own.reason,
            confirm_mismatch: own.confirm_mismatch,
        }),
        What::Feed(own) => EntryAsk::Feed { kg: own.kg, tray_left_percent: own.tray_left },
        What::Drain(own) => EntryAsk::Drain(water(&own)?),
        What::Exchange(own) => EntryAsk::Exchange(water(&own)?),
        What::Sampling(own) => EntryAsk::Sampling { count: own.count, grams: own.grams },
        What::Stocking(own) => EntryAsk::Stocking {
            count: own.count,
            species: own.species,
            lot: own.lot,
            size: own.size,
            abw_g: own.abw,
        },
        What::Mortality(own) => EntryAsk::Mortality { count: own.count, kg: own.kg },
        What::Harvest(own) => {
            EntryAsk::Harvest { kg: own.kg, abw_g: own.abw, price_per_kg: own.price, is_final: own.is_final }
        }
        What::Sludge(own) => {
            EntryAsk::Sludge { ph: own.ph, orp_mv: own.orp_mv, depth_cm: own.depth_cm, method: own.method }
        }
        What::Count(own) => EntryAsk::Count {
            lot: own.lot,
            left: own.left,
            delivered: own.delivered,
            container_kg: own.container_kg,
            reason: own.reason,
        },
        What::Disturbance(own) => {
            EntryAsk::Disturbance { stop: stop(&own.stop)?, words: own.words.join(" ") }
        }
        What::Weather(own) => EntryAsk::Weather { words: own.words.join(" ") },
        What::Cost(own) => EntryAsk::Cost { item: own.item, amount: own.amount },
        What::Price(own) => EntryAsk::Price { item: own.item, amount: own.amount, per: own.per },
        What::Note(own) => EntryAsk::Note { words: own.words.join(" ") },
        What::Withdraw(own) => {
            if correct.is_some() {
                return Err(Failure::usage(say!(words, "recorded-withdrawal")));
            }
            return Ok((EntryAsk::Withdrawal { reason: own.reason }, Some(own.number)));
        }
        What::List(_) => return Err(Failure::usage(say!(super::super::spoken(), "recorded-list"))),
    };
    Ok((entry, correct))
}
