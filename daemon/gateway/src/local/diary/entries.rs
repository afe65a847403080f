//! From what is asked for to the core's entry, and from what the core knows to what is told.

use pondreeve_core::Timestamp;
use pondreeve_core::diary::{
    Count, Disturbance, Dose, Entry, Feed, Harvest, Mortality, Sampling, Sludge, Stocking, WaterMove, What,
};
use pondreeve_core::view::DiaryView;

use super::super::status::rfc3339;
use super::{CropStatus, DiaryStatus, DoseAsk, EntryAsk, WaterAsk};
use crate::config::Farm;
use crate::config::farm::Product;
use crate::config::words::did_you_mean;

/// Reads a time of a request.
type ReadTime<'a> = &'a dyn Fn(&str) -> Result<Timestamp, String>;

/// The core's entry for what was asked.
///
/// # Errors
/// With what is not known and what would have been accepted.
pub(super) fn entry(
    ask: EntryAsk,
    at: Timestamp,
    corrects: Option<u64>,
    farm: &Farm,
    read: ReadTime<'_>,
) -> Result<Entry, String> {
    Ok(Entry { number: 0, at, corrects, basin: None, what: what(ask, farm, read)? })
}

fn what(ask: EntryAsk, farm: &Farm, read: ReadTime<'_>) -> Result<What, String> {
    Ok(match ask {
        EntryAsk::Dose(ask) => What::Dose(dose(ask, farm, read)?),
        EntryAsk::Feed { kg, tray_left_percent } => What::Feed(Feed { kg, tray_left_percent }),
        EntryAsk::Drain(ask) => What::Drain(water(&ask, read)?),
        EntryAsk::Exchange(ask) => What::Exchange(water(&ask, read)?),
        EntryAsk::Sampling { count, grams } => What::Sampling(Sampling { count, total_g: grams }),
        EntryAsk::Stocking { count, species, lot, size, abw_g } => {
            What::Stocking(Stocking { count, species, lot, size, abw_g })
        }
        EntryAsk::Mortality { count, kg } => What::Mortality(Mortality { count, kg }),
        EntryAsk::Harvest { kg, abw_g, price_per_kg, is_final } => {
            What::Harvest(Harvest { kg, abw_g, price_per_kg, is_final })
        }
        EntryAsk::Sludge { ph, orp_mv, depth_cm, method } => {
            What::Sludge(Sludge { ph, orp_mv, depth_cm, method })
        }
        EntryAsk::Count { lot, left, delivered, container_kg, reason } => {
            let product = product(lot.as_ref(), false, farm)?;
            What::Count(Count {
                container_kg: container_kg.or_else(|| product.and_then(|own| own.container_kg)),
                lot: lot.or_else(|| product.map(|own| own.lot.clone())),
                left,
                delivered,
                reason,
            })
        }
        EntryAsk::Disturbance { stop, words } => {
            What::Disturbance(Disturbance { stop: stop.as_deref().map(read).transpose()?, words })
        }
        EntryAsk::Weather { words } => What::Weather { words },
        EntryAsk::Cost { item, amount } => What::Cost { item, amount },
        EntryAsk::Price { item, amount, per } => What::Price { item, amount, per },
        EntryAsk::Note { words } => What::Note { words },
        EntryAsk::Withdrawal { reason } => What::Withdrawal { reason },
    })
}

fn water(ask: &WaterAsk, read: ReadTime<'_>) -> Result<WaterMove, String> {
    Ok(WaterMove {
        stop: ask.stop.as_deref().map(read).transpose()?,
        level_before_m: ask.level_before_m,
        level_after_m: ask.level_after_m,
        refilled_to_m: ask.refilled_to_m,
        volume_m3: ask.volume_m3,
        ph: ask.ph,
    })
}

/// The product a lot names; the farm's only one where none is named.
fn product<'a>(
    lot: Option<&String>,
    is_described: bool,
    farm: &'a Farm,
) -> Result<Option<&'a Product>, String> {
    let product = match (lot, farm.products.as_slice()) {
        (Some(lot), products) => products.iter().find(|own| own.lot == *lot),
        (None, [only]) => Some(only),
        (None, _) => None,
    };
    if let (Some(lot), None, false) = (lot, product, is_described || farm.products.is_empty()) {
        let known: Vec<&str> = farm.products.iter().map(|own| own.lot.as_str()).collect();
        let nearest = did_you_mean(lot, known.iter().copied()).map(|hint| format!("; {hint}"));
        return Err(format!(
            "lot {lot:?} is not among the products in the configuration: accepted are {}, or another lot with its solids_percent and slurry_density_kg_l{}",
            known.join(", "),
            nearest.unwrap_or_default()
        ));
    }
    Ok(product)
}

fn dose(ask: DoseAsk, farm: &Farm, read: ReadTime<'_>) -> Result<Dose, String> {
    let is_described = ask.solids_percent.is_some() && ask.slurry_density_kg_l.is_some();
    let product = product(ask.lot.as_ref(), is_described, farm)?;
    if let (None, false, [_, _, ..]) = (&ask.lot, is_described, farm.products.as_slice()) {
        let known: Vec<&str> = farm.products.iter().map(|own| own.lot.as_str()).collect();
        return Err(format!(
            "which lot was given is not said, and so neither its basis nor its solids: accepted are {}, or solids_percent and slurry_density_kg_l of what was given",
            known.join(", ")
        ));
    }
    Ok(Dose {
        slurry_kg: ask.slurry_kg,
        slurry_l: ask.slurry_l,
        containers: ask.containers,
        lot: ask.lot.or_else(|| product.map(|own| own.lot.clone())),
        basis: product.map(|own| own.basis),
        solids_percent: ask.solids_percent.or(product.map(|own| own.solids_percent)),
        density_kg_l: ask.slurry_density_kg_l.or(product.map(|own| own.slurry_density_kg_l)),
        container_kg: ask.container_kg.or(product.and_then(|own| own.container_kg)),
        stop: ask.stop.as_deref().map(read).transpose()?,
        against: None,
        reason: ask.reason,
        is_confirmed: ask.confirm_mismatch,
    })
}

/// A pond's diary in short.
pub(in super::super) fn diary_status(view: &DiaryView) -> DiaryStatus {
    let crop = view.crop.map(|crop| CropStatus {
        stocked_at: rfc3339(crop.stocked_at),
        day_of_culture: crop.day,
        stocked: crop.stocked,
        abw_g: crop.abw_g.map(|(abw, _)| abw),
        abw_at: crop.abw_g.map(|(_, at)| rfc3339(at)),
        harvested_kg: crop.harvested_kg,
        biomass_at_most_kg: crop.biomass_at_most_kg(),
        biomass_guess_kg: crop.biomass_guess_kg(),
    });
    DiaryStatus {
        area_m2: view.basin.area_m2,
        depth_m: view.basin.depth_m,
        depth_is_measured: view.basin.is_measured,
        volume_m3: view.basin.volume_m3(),
        crop,
        feed_today_kg: view.feed_today.kg,
        meals_today: view.feed_today.meals,
        last_dose_at: view.last_dose.map(|dose| rfc3339(dose.at)),
        last_dose_mg_l: view.last_dose.and_then(|dose| dose.mg_l),
    }
}
