//! What a day's feed brings into a pond's water, as it is told over the socket.

use pondreeve_core::mass_balance::{
    FeedLoad, MassBalance, OXYGEN_PER_FEED, PROTEIN_ACCEPTED, PoreWater, StruviteLook, USUAL_PROTEIN_PERCENT,
};
use pondreeve_core::said::said;
use serde::{Deserialize, Serialize};

use super::protocol::Reply;
use super::requests::{Counter, Refusal};
use super::status::rfc3339;

/// Most feed of a day that is accepted, kg.
pub const MOST_FEED_KG: f64 = 100_000.0;

/// What is asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeedAsk {
    /// Pond id.
    pub pond: String,
    /// Feed a day, kg; that of the last week if absent.
    pub feed_kg: Option<f64>,
    /// Protein in it, %.
    pub protein_percent: Option<f64>,
    /// Pore water of the sludge, where it was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pore: Option<PoreAsk>,
}

/// Pore water of the sludge as measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PoreAsk {
    /// Total ammonia, mg/L as N.
    pub tan_mg_l: f64,
    /// Phosphate, mg/L as P.
    pub phosphate_mg_l: f64,
    /// pH.
    pub ph: f64,
}

/// What it comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FeedLoadStatus {
    /// Pond id.
    pub pond: String,
    /// For when, RFC 3339.
    pub at: String,
    /// Feed, kg a day; absent where none is recorded, and so are the figures that follow from it.
    pub feed_kg: Option<f64>,
    /// Days with feed behind it, of the last seven; 0 where it was said.
    pub days: Option<usize>,
    /// Protein in the feed, %.
    pub protein_percent: f64,
    /// Water in the pond, m3.
    pub volume_m3: Option<f64>,
    /// Nitrogen in the feed, kg a day.
    pub nitrogen_kg: Option<f64>,
    /// Total ammonia, mg/L a day as N, least and most.
    pub tan_mg_l: Option<(f64, f64)>,
    /// Oxygen that the feed takes, mg/L a day.
    pub oxygen_mg_l: Option<f64>,
    /// Oxygen that goes if all of that ammonia is nitrified.
    pub nitrification_oxygen_mg_l: Option<(f64, f64)>,
    /// Alkalinity that goes if all of it is, mg/L a day as CaCO3.
    pub alkalinity_used_mg_l: Option<(f64, f64)>,
    /// Phosphorus not kept, mg/L a day as P.
    pub phosphorus_mg_l: Option<f64>,
    /// Alkalinity by the newest kit value, mg/L as CaCO3.
    pub alkalinity_mg_l: Option<f64>,
    /// Struvite in the water; absent where a kit value is missing or old.
    pub struvite: Option<StruviteStatus>,
    /// Struvite in the pore water of the sludge, where that was said; absent where the pond's temperature is not known.
    #[serde(default)]
    pub pore_struvite: Option<StruviteStatus>,
    /// Formulas and sources.
    pub formulas: Vec<String>,
}

/// How the water stands with struvite.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StruviteStatus {
    /// Total ammonia, mg/L as N.
    pub tan_mg_l: f64,
    /// Phosphate, mg/L as P.
    pub phosphate_mg_l: f64,
    /// Magnesium, mg/L.
    pub magnesium_mg_l: f64,
    /// Whether that was measured.
    pub magnesium_measured: bool,
    /// pH.
    pub ph: f64,
    /// log10 of how many times over saturation; negative below.
    pub saturation_index: Option<f64>,
    /// Struvite that could form, mg/L.
    pub struvite_mg_l_at_most: f64,
}

impl From<StruviteLook> for StruviteStatus {
    fn from(look: StruviteLook) -> Self {
        Self {
            tan_mg_l: look.tan_mg_l,
            phosphate_mg_l: look.phosphate_mg_l,
            magnesium_mg_l: look.magnesium_mg_l,
            magnesium_measured: look.is_magnesium_measured,
            ph: look.ph,
            saturation_index: look.saturation.index,
            struvite_mg_l_at_most: look.saturation.at_most_mg_l,
        }
    }
}

/// Formulas and sources; other languages find them by their English.
fn formulas() -> Vec<String> {
    [
        said!("feed-formula-nitrogen", "nitrogen = feed x protein / 6.25 (Jones 1931, USDA Circular 183)"),
        said!(
            "feed-formula-tan",
            "TAN = feed x protein x 0.092 where solids are taken out (Timmons and Ebeling, Recirculating Aquaculture; from memory), x 0.144 where nothing is (Ebeling, Timmons and Bisogni 2006, Aquaculture 257; from memory)"
        ),
        said!(
            "feed-formula-oxygen",
            "oxygen = feed x {ratio} (Boyd, Oxygen demand of aquaculture feed); nitrification's share 4.57 mg O2 to each mg N",
            ratio = OXYGEN_PER_FEED.to_string()
        ),
        said!(
            "feed-formula-alkalinity",
            "alkalinity = 7.14 mg CaCO3 to each mg N nitrified: NH4+ + 2 O2 -> NO3- + 2 H+ + H2O"
        ),
        said!(
            "feed-formula-phosphorus",
            "phosphorus = feed x 1.2 % x 80 % not kept (common practice, no source)"
        ),
        said!(
            "feed-formula-struvite",
            "struvite: index = log10 of ion activity product over solubility product, pK 13.26 at 25 °C (Ronteltap and others 2007), good to ±0.6"
        ),
    ]
    .map(String::from)
    .to_vec()
}

fn status(pond: String, at: String, protein_percent: f64, own: &MassBalance) -> FeedLoadStatus {
    let of = |value: fn(&FeedLoad) -> f64| own.load.as_ref().map(value);
    let range = |value: fn(&FeedLoad) -> (f64, f64)| own.load.as_ref().map(value);
    FeedLoadStatus {
        pond,
        at,
        feed_kg: of(|load| load.feed_kg),
        days: own.load.map(|load| load.days),
        protein_percent,
        volume_m3: of(|load| load.volume_m3),
        nitrogen_kg: of(|load| load.nitrogen_kg),
        tan_mg_l: range(|load| load.tan_mg_l),
        oxygen_mg_l: of(|load| load.oxygen_mg_l),
        nitrification_oxygen_mg_l: range(|load| load.nitrification_oxygen_mg_l),
        alkalinity_used_mg_l: range(|load| load.alkalinity_mg_l),
        phosphorus_mg_l: of(|load| load.phosphorus_mg_l),
        alkalinity_mg_l: own.alkalinity_mg_l,
        struvite: own.struvite.map(StruviteStatus::from),
        pore_struvite: own.pore_struvite.map(StruviteStatus::from),
        formulas: formulas(),
    }
}

impl Counter {
    /// What a day's feed brings into a pond's water.
    pub(super) async fn feed_load(&self, ask: FeedAsk) -> Result<Reply, Refusal> {
        let pond = self.pond(&ask.pond)?;
        let protein = ask.protein_percent.unwrap_or(USUAL_PROTEIN_PERCENT);
        let (least, most) = PROTEIN_ACCEPTED;
        if !(least..=most).contains(&protein) {
            return Err(Refusal::Told(said!(
                "refused-feed-protein",
                "feed of {pond}: {protein} % of protein is not accepted; {least} to {most} % is",
                pond = &ask.pond,
                protein = protein.to_string(),
                least = least.to_string(),
                most = most.to_string()
            )));
        }
        if let Some(kg) = ask.feed_kg.filter(|kg| !(*kg > 0.0 && *kg <= MOST_FEED_KG)) {
            return Err(Refusal::Told(said!(
                "refused-feed-kg",
                "feed of {pond}: {kg} kg a day is not accepted; more than 0 and at most {most} kg is",
                pond = &ask.pond,
                kg = kg.to_string(),
                most = MOST_FEED_KG.to_string()
            )));
        }
        let pore = ask.pore.map(|PoreAsk { tan_mg_l, phosphate_mg_l, ph }| PoreWater {
            tan_mg_l,
            phosphate_mg_l,
            ph,
        });
        let found = self.desk.mass_balance(pond, ask.feed_kg, protein, pore).await.ok_or(Refusal::Ended)?;
        if pore.is_some() && matches!(found, Some(MassBalance { pore_struvite: None, .. })) {
            return Err(Refusal::Told(said!(
                "refused-pore",
                "pore water of {pond}: struvite cannot be told; accepted are TAN and phosphate of 0 to 1000 mg/L, a pH of 4 to 11, and a pond whose temperature is known: enter temperature_c",
                pond = &ask.pond
            )));
        }
        let found = found.ok_or_else(|| {
            let early = said!(
                "refused-feed-early",
                "feed of {pond}, before the daemon has started: ask again",
                pond = &ask.pond
            );
            Refusal::Failed(early.into())
        })?;
        Ok(Reply::FeedLoad(Box::new(status(ask.pond, rfc3339(self.clock.now()), protein, &found))))
    }
}
