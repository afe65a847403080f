//! A planned dose as it is said over the socket.

use pondreeve_chemistry::dose::{Basis, Slurry};
use pondreeve_core::dosing::{DoseAsk, DosePlan, NH3_MEAN_AT_MOST, NH3_PEAK_AT_MOST, Nh3Day};
use serde::{Deserialize, Serialize};

use super::status::rfc3339;

/// What is to be planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoseRequest {
    /// Pond id.
    pub pond: String,
    /// How much, in the unit of the basis.
    pub dose: f64,
    /// `slurry_mass`, `solids_mass` or `slurry_volume`.
    pub basis: String,
    /// Solids in the slurry by mass, %.
    pub solids_percent: f64,
    /// Its density, kg/L; that of ideal mixing where absent.
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
    /// The first morning on which nothing known now would, RFC 3339, UTC.
    pub earliest: Option<String>,
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

/// What is to be planned, checked.
///
/// # Errors
/// With what was given and what is accepted.
pub(super) fn ask(request: &DoseRequest) -> Result<DoseAsk, String> {
    let basis = Basis::from_name(&request.basis).ok_or_else(|| {
        format!(
            "planning a dose for {}: {:?} is no basis; accepted are slurry_mass, solids_mass, slurry_volume",
            request.pond, request.basis
        )
    })?;
    if !(request.dose > 0.0 && request.dose <= 200.0) {
        return Err(format!(
            "planning a dose for {}: {} {} is not accepted; more than 0 and at most 200 is",
            request.pond,
            request.dose,
            basis.unit()
        ));
    }
    let density =
        request.slurry_density_kg_l.unwrap_or_else(|| Slurry::ideal_density_kg_l(request.solids_percent));
    let slurry = Slurry::new(request.solids_percent, density)
        .map_err(|error| format!("planning a dose for {}: {error}", request.pond))?;
    if let Some(net) = request.container_kg.filter(|net| !(0.1..=10_000.0).contains(net)) {
        return Err(format!(
            "planning a dose for {}: a container of {net} kg is not accepted; 0.1 to 10000 kg is",
            request.pond
        ));
    }
    Ok(DoseAsk {
        dose: request.dose,
        basis,
        slurry,
        container_kg: request.container_kg,
        in_crop: request.in_crop,
    })
}

/// The plan as it is said.
pub(super) fn dose_status(
    request: &DoseRequest,
    plan: &DosePlan,
    at: pondreeve_core::Timestamp,
) -> DosePlanStatus {
    DosePlanStatus {
        pond: request.pond.clone(),
        at: rfc3339(at),
        dose: request.dose,
        basis: request.basis.clone(),
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
        reasons: plan.objections.iter().map(|objection| objection.words.clone()).collect(),
        earliest: plan.earliest.map(rfc3339),
    }
}
