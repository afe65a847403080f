//! A planned dose as it is said over the socket.

use pondreeve_chemistry::dose::{Amount, Basis, Slurry};
use pondreeve_core::dosing::{
    DoseAsk, DosePlan, NH3_MEAN_AT_MOST, NH3_PEAK_AT_MOST, Nh3Day, USUAL_PPM, USUAL_PPM_BEFORE_STOCKING,
    USUAL_SOLIDS_PERCENT,
};
use pondreeve_core::said::{Said, said};
use serde::{Deserialize, Serialize};

use super::said::SaidStatus;
use super::status::rfc3339;
use crate::config::farm::{AboutPond, Product};

/// What is to be planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoseRequest {
    /// Pond id.
    pub pond: String,
    /// How much, in the unit of the basis; that of the pond's programme where absent.
    #[serde(default)]
    pub dose: Option<f64>,
    /// Lot of product, as configured; the farm's only one where absent and nothing else describes it.
    pub lot: Option<String>,
    /// `slurry_mass`, `solids_mass` or `slurry_volume`; the lot's, else `slurry_mass`, where absent.
    pub basis: Option<String>,
    /// Solids in the slurry by mass, %; the lot's where absent, else 60.
    pub solids_percent: Option<f64>,
    /// Its density, kg/L; the lot's where absent, else that of ideal mixing.
    pub slurry_density_kg_l: Option<f64>,
    /// Net mass of a full container, kg.
    pub container_kg: Option<f64>,
    /// Whether shrimp are in the pond.
    pub in_crop: bool,
}

/// The plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DosePlanStatus {
    /// Pond id.
    pub pond: String,
    /// Farm time at which it was made, RFC 3339, UTC.
    pub at: String,
    /// How much, in the unit of the basis.
    pub dose: f64,
    /// What that counts.
    pub basis: String,
    /// Where neither the lot nor who asks says what it counts: kg of slurry as each basis has it, in the order
    /// `slurry_mass`, `solids_mass`, `slurry_volume`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readings_kg: Option<[f64; 3]>,
    /// It is asked for before shrimp are put in.
    #[serde(default)]
    pub before_stocking: bool,
    /// The lot it is reckoned with, where there is one.
    pub lot: Option<String>,
    /// Solids in the slurry by mass, %, as reckoned with.
    pub solids_percent: f64,
    /// Density of the slurry, kg/L, as reckoned with.
    pub slurry_density_kg_l: f64,
    /// Water it is reckoned on, m3.
    pub volume_m3: f64,
    /// Slurry, kg.
    pub slurry_kg: f64,
    /// Slurry, L.
    pub slurry_l: f64,
    /// Containers it takes.
    pub containers: Option<f64>,
    /// Of these to be opened.
    pub containers_to_open: Option<f64>,
    /// Mg(OH)2 in the water, mg/L.
    pub solids_mg_l: f64,
    /// Alkalinity once all is dissolved, mg/L as CaCO3.
    pub alkalinity_added_mg_l: f64,
    /// What it does, where enough is known.
    pub preview: Option<DosePreviewStatus>,
    /// Whether nothing speaks against it now.
    pub go: bool,
    /// What does.
    pub reasons: Vec<String>,
    /// What that is made of, for other languages, in the same order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reasons_said: Vec<SaidStatus>,
    /// The first morning on which nothing known now would, RFC 3339, UTC.
    pub earliest: Option<String>,
    /// Where predicted ammonia speaks against it: what would keep that inside the limits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<WithinStatus>,
}

/// What would keep predicted ammonia inside the limits, each with everything else as it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WithinStatus {
    /// The largest dose that does, in the unit of the basis; absent where the smallest is too much.
    pub dose: Option<f64>,
    /// Slurry for it, kg.
    pub slurry_kg: Option<f64>,
    /// When that one could be given, RFC 3339, UTC.
    pub earliest: Option<String>,
    /// Total ammonia up to which the dose that was asked for would, mg/L as N.
    pub tan_at_most_mg_l: f64,
    /// pH would have to be lower by this all day for the dose that was asked for.
    pub ph_lower_by: Option<f64>,
}

/// What a dose does: upper bounds, with all of it dissolved at once in closed water.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DosePreviewStatus {
    /// pH now.
    pub ph: f64,
    /// After mixing, upper bound.
    pub ph_after_mixing: f64,
    /// In balance with air, a day or more later.
    pub ph_after_air: f64,
    /// The same without the dose.
    pub ph_after_air_without_dose: f64,
    /// Brucite stops dissolving here, before the dose is gone.
    pub ph_where_dissolving_stops: Option<f64>,
    /// Alkalinity before, mg/L as CaCO3.
    pub alkalinity_mg_l: f64,
    /// Un-ionised ammonia over a day like the last one without the dose, mg/L as N.
    pub nh3_n_mg_l_without_dose: Option<Nh3Status>,
    /// The same with it.
    pub nh3_n_mg_l_with_dose: Option<Nh3Status>,
    /// The limits of the gate.
    pub nh3_n_mg_l_limits: Nh3Status,
    /// Hours of the last day whose pH stands behind these.
    pub hours_known: f64,
    /// Share of sulfide that is hydrogen sulfide, before.
    pub h2s_share: f64,
    /// After mixing.
    pub h2s_share_after_mixing: f64,
}

/// Mean and peak of a day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Nh3Status {
    /// Mean, mg/L as N.
    pub mean: f64,
    /// Highest, mg/L as N.
    pub peak: f64,
}

impl From<Nh3Day> for Nh3Status {
    fn from(day: Nh3Day) -> Self {
        Self { mean: day.mean_mg_l, peak: day.peak_mg_l }
    }
}

/// What is to be planned, checked, and the product it is reckoned with.
#[derive(Debug)]
pub(super) struct Checked {
    pub(super) ask: DoseAsk,
    lot: Option<String>,
    solids_percent: f64,
    slurry_density_kg_l: f64,
}

/// Checks what is to be planned; what the request leaves open its lot says, or the farm's only one.
///
/// # Errors
/// With what was given and what is accepted.
pub(super) fn check(
    request: &DoseRequest,
    about: Option<&AboutPond>,
    products: &[Product],
) -> Result<Checked, Said> {
    checked(request, about, products).map_err(|why| {
        said!("refused-plan", "planning a dose for {pond}: {why}", pond = &request.pond, why = why)
    })
}

fn checked(request: &DoseRequest, about: Option<&AboutPond>, products: &[Product]) -> Result<Checked, Said> {
    let says_nothing = request.basis.is_none() && request.solids_percent.is_none();
    let lot = match (&request.lot, products) {
        (Some(lot), _) => Some(products.iter().find(|product| product.lot == *lot).ok_or_else(|| {
            let known: Vec<&str> = products.iter().map(|product| product.lot.as_str()).collect();
            let known = if known.is_empty() {
                said!("refused-plan-no-lots", "none is configured")
            } else {
                Said::plain(known.join(", "))
            };
            let lot = format!("{lot:?}");
            said!("refused-plan-lot", "there is no lot {lot}; accepted: {known}", lot = lot, known = known)
        })?),
        (None, [only]) if says_nothing => Some(only),
        (None, _) => None,
    };
    let basis = match &request.basis {
        Some(name) => Basis::from_name(name).ok_or_else(|| {
            said!(
                "refused-plan-basis",
                "{basis} is no basis; accepted are slurry_mass, solids_mass, slurry_volume",
                basis = format!("{name:?}")
            )
        })?,
        None => lot.map_or(Basis::SlurryMass, |lot| lot.basis),
    };
    let dose = request.dose.unwrap_or_else(|| programme(about, request.in_crop));
    if !(dose > 0.0 && dose <= 200.0) {
        return Err(said!(
            "refused-plan-dose",
            "{dose} {unit} is not accepted; more than 0 and at most 200 is",
            dose = dose.to_string(),
            unit = basis.unit()
        ));
    }
    let solids_percent =
        request.solids_percent.or_else(|| lot.map(|lot| lot.solids_percent)).unwrap_or(USUAL_SOLIDS_PERCENT);
    let slurry_density_kg_l = request
        .slurry_density_kg_l
        .or_else(|| lot.map(|lot| lot.slurry_density_kg_l))
        .unwrap_or_else(|| Slurry::ideal_density_kg_l(solids_percent));
    let slurry =
        Slurry::new(solids_percent, slurry_density_kg_l).map_err(|error| Said::plain(error.to_string()))?;
    let container_kg = request.container_kg.or_else(|| lot.and_then(|lot| lot.container_kg));
    if let Some(net) = container_kg.filter(|net| !(0.1..=10_000.0).contains(net)) {
        return Err(said!(
            "refused-plan-container",
            "a container of {kg} kg is not accepted; 0.1 to 10000 kg is",
            kg = net.to_string()
        ));
    }
    let basis_is_said = request.basis.is_some() || lot.is_some();
    let ask = DoseAsk { dose, basis, basis_is_said, slurry, container_kg, in_crop: request.in_crop };
    Ok(Checked { ask, lot: lot.map(|lot| lot.lot.clone()), solids_percent, slurry_density_kg_l })
}

/// What the pond's programme gives, in the unit of the lot's basis.
fn programme(about: Option<&AboutPond>, in_crop: bool) -> f64 {
    if in_crop {
        about.and_then(|about| about.dose_ppm).unwrap_or(USUAL_PPM)
    } else {
        about.and_then(|about| about.dose_before_stocking_ppm).unwrap_or(USUAL_PPM_BEFORE_STOCKING)
    }
}

/// The plan as it is said.
pub(super) fn dose_status(
    request: &DoseRequest,
    checked: &Checked,
    plan: &DosePlan,
    at: pondreeve_core::Timestamp,
) -> DosePlanStatus {
    DosePlanStatus {
        pond: request.pond.clone(),
        at: rfc3339(at),
        dose: checked.ask.dose,
        basis: checked.ask.basis.name().to_owned(),
        readings_kg: (!checked.ask.basis_is_said).then(|| {
            let of =
                |basis| Amount::of(checked.ask.dose, basis, checked.ask.slurry, plan.volume_m3).slurry_kg;
            [Basis::SlurryMass, Basis::SolidsMass, Basis::SlurryVolume].map(of)
        }),
        before_stocking: !request.in_crop,
        lot: checked.lot.clone(),
        solids_percent: checked.solids_percent,
        slurry_density_kg_l: checked.slurry_density_kg_l,
        volume_m3: plan.volume_m3,
        slurry_kg: plan.amount.slurry_kg,
        slurry_l: plan.amount.slurry_l,
        containers: plan.containers.map(|(containers, _)| containers),
        containers_to_open: plan.containers.map(|(_, opened)| opened),
        solids_mg_l: plan.amount.solids_mg_l,
        alkalinity_added_mg_l: plan.amount.alkalinity_added_mg_l,
        preview: plan.preview.map(|preview| DosePreviewStatus {
            ph: preview.ph_now,
            ph_after_mixing: preview.ph_after_mixing,
            ph_after_air: preview.ph_after_air,
            ph_after_air_without_dose: preview.ph_after_air_without_dose,
            ph_where_dissolving_stops: preview.ph_where_dissolving_stops,
            alkalinity_mg_l: preview.alkalinity_mg_l,
            nh3_n_mg_l_without_dose: preview.nh3.map(|[without, _]| without.into()),
            nh3_n_mg_l_with_dose: preview.nh3.map(|[_, with]| with.into()),
            nh3_n_mg_l_limits: Nh3Status { mean: NH3_MEAN_AT_MOST, peak: NH3_PEAK_AT_MOST },
            hours_known: preview.hours_known,
            h2s_share: preview.h2s_share.0,
            h2s_share_after_mixing: preview.h2s_share.1,
        }),
        go: plan.objections.is_empty(),
        reasons: plan.objections.iter().map(|own| own.words.english().to_owned()).collect(),
        reasons_said: plan.objections.iter().map(|own| SaidStatus::from(&own.words)).collect(),
        earliest: plan.earliest.map(rfc3339),
        within: plan.within.map(|own| WithinStatus {
            dose: own.dose,
            slurry_kg: own.dose.map(|dose| plan.amount.slurry_kg * dose / checked.ask.dose),
            earliest: own.earliest.map(rfc3339),
            tan_at_most_mg_l: own.tan_at_most_mg_l,
            ph_lower_by: own.ph_lower_by,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is asked for, else the pond's programme, else what is usual.
    #[test]
    fn a_dose_that_is_not_told_is_that_of_the_programme() {
        let request = |dose, in_crop| DoseRequest {
            pond: "p1".to_owned(),
            dose,
            lot: None,
            basis: None,
            solids_percent: None,
            slurry_density_kg_l: None,
            container_kg: None,
            in_crop,
        };
        let own =
            AboutPond { dose_ppm: Some(2.5), dose_before_stocking_ppm: Some(15.0), ..AboutPond::default() };
        for (dose, in_crop, about, expected) in [
            (None, true, Some(&own), 2.5),
            (None, false, Some(&own), 15.0),
            (Some(3.0), true, Some(&own), 3.0),
            (None, true, None, 4.0),
            (None, false, None, 20.0),
        ] {
            let checked = check(&request(dose, in_crop), about, &[]).unwrap();
            assert!((checked.ask.dose - expected).abs() < f64::EPSILON, "{:?}", checked.ask);
        }
    }
}
