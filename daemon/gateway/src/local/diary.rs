//! The diary as it is asked for and told over the socket.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::said::SaidStatus;

mod cautions;
mod counter;
pub(crate) mod deeds;
mod entries;
#[cfg(test)]
mod tests;
mod words;

/// One entry, as asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum EntryAsk {
    /// Mineral slurry was given.
    Dose(DoseAsk),
    /// Fed.
    Feed {
        /// Feed, kg.
        kg: f64,
        /// What was left in the tray of this meal, %.
        tray_left_percent: Option<f64>,
    },
    /// Water was let out.
    Drain(WaterAsk),
    /// Water was replaced.
    Exchange(WaterAsk),
    /// A sample was counted and weighed.
    Sampling {
        /// Shrimp in it.
        count: u32,
        /// Their weight together, g.
        grams: f64,
    },
    /// Stocked.
    Stocking {
        /// How many.
        count: u32,
        /// Which species.
        species: Option<String>,
        /// Which lot.
        lot: Option<String>,
        /// Their age or stage.
        size: Option<String>,
        /// Average body weight, g.
        abw_g: Option<f64>,
    },
    /// Dead shrimp were found: one of the two.
    Mortality {
        /// How many.
        count: Option<u32>,
        /// How much.
        kg: Option<f64>,
    },
    /// Harvested.
    Harvest {
        /// How much.
        kg: f64,
        /// Average body weight, g.
        abw_g: Option<f64>,
        /// What a kg brought.
        price_per_kg: Option<f64>,
        /// Nothing is left in the pond.
        #[serde(rename = "final")]
        is_final: bool,
    },
    /// The sludge was looked at.
    Sludge {
        /// pH.
        ph: Option<f64>,
        /// Redox potential, mV.
        orp_mv: Option<f64>,
        /// How thick it lies, cm.
        depth_cm: Option<f64>,
        /// How it was measured.
        method: Option<String>,
    },
    /// Containers of a lot of slurry were counted.
    Count {
        /// Lot; where the configuration knows one only and none is said, that one.
        lot: Option<String>,
        /// Those that are left, an opened one as its part.
        left: f64,
        /// Those delivered since the last count.
        delivered: Option<f64>,
        /// Slurry in a full one, kg; the lot's where absent.
        container_kg: Option<f64>,
        /// Why what is gone was not given to a pond.
        reason: Option<String>,
    },
    /// The pond was not as it is, for a time.
    Disturbance {
        /// When it was over, RFC 3339; its day only, where absent.
        stop: Option<String>,
        /// What it was.
        words: String,
    },
    /// The weather.
    Weather {
        /// In words.
        words: String,
    },
    /// Money spent.
    Cost {
        /// For what.
        item: String,
        /// How much.
        amount: f64,
    },
    /// What a unit of something costs or brings.
    Price {
        /// Of what.
        item: String,
        /// How much.
        amount: f64,
        /// For how much of it.
        per: String,
    },
    /// Anything else.
    Note {
        /// In words.
        words: String,
    },
    /// The entry that is corrected is taken back.
    Withdrawal {
        /// Why.
        reason: String,
    },
}

/// A dose, as asked for.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DoseAsk {
    /// Slurry, kg.
    pub slurry_kg: Option<f64>,
    /// Slurry, L.
    pub slurry_l: Option<f64>,
    /// Containers that were emptied.
    pub containers: Option<f64>,
    /// Lot; where the configuration knows one only and none is said, that one.
    pub lot: Option<String>,
    /// Solids by mass, %; the lot's where absent.
    pub solids_percent: Option<f64>,
    /// Density of the slurry, kg/L; the lot's where absent.
    pub slurry_density_kg_l: Option<f64>,
    /// Slurry in a full container, kg; the lot's where absent.
    pub container_kg: Option<f64>,
    /// RFC 3339 time at which the last of it was in.
    pub stop: Option<String>,
    /// Why it was given against advice.
    pub reason: Option<String>,
    /// It is so although the amounts contradict each other.
    pub confirm_mismatch: bool,
}

/// Water let out, as asked for.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WaterAsk {
    /// RFC 3339 time at which it ended.
    pub stop: Option<String>,
    /// Mean depth before, m.
    pub level_before_m: Option<f64>,
    /// Mean depth once the water was out, m.
    pub level_after_m: Option<f64>,
    /// Mean depth once the pond was filled up again, m.
    pub refilled_to_m: Option<f64>,
    /// Volume, m3, where no levels were read.
    pub volume_m3: Option<f64>,
    /// pH of what was let out.
    pub ph: Option<f64>,
}

/// What was asked for, and of which time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordAsk {
    /// Pond id.
    pub pond: String,
    /// What was done.
    pub entry: EntryAsk,
    /// RFC 3339 time at which it happened or began; now, or that of the corrected entry, if absent.
    #[serde(default)]
    pub at: Option<String>,
    /// Number of the entry whose place it takes.
    #[serde(default)]
    pub corrects: Option<u64>,
}

/// Something that somebody did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeedStatus {
    /// `dose`, `feed` and so on for entries of the diary; `reading`, `acknowledgement`,
    /// `shelving`, `reset`, `service`.
    pub kind: String,
    /// Number of the entry.
    pub number: Option<u64>,
    /// Pond id.
    pub pond: Option<String>,
    /// When it happened or began, RFC 3339.
    pub at: String,
    /// When it ended.
    pub stop: Option<String>,
    /// When it was recorded.
    pub recorded: String,
    /// Who recorded it.
    pub by: String,
    /// The entry whose place it took.
    pub corrects: Option<u64>,
    /// The entry that took its place.
    pub superseded_by: Option<u64>,
    /// Why it was withdrawn, where it was.
    pub withdrawn: Option<String>,
    /// Why it was refused, so that nothing came of it, where it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
    /// In one line.
    pub words: String,
    /// What was said and what follows from it; units stand last in the names.
    pub values: BTreeMap<String, serde_json::Value>,
    /// What the line is made of, for other languages, where the values do not say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Box<SaidStatus>>,
}

/// An entry as it was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordedStatus {
    /// The entry.
    pub entry: DeedStatus,
    /// What was understood, and what follows from it, in sentences.
    pub told: Vec<String>,
    /// What to mind.
    pub cautions: Vec<String>,
    /// What the sentences are made of, for other languages.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub told_said: Vec<SaidStatus>,
    /// The same of what to mind.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions_said: Vec<SaidStatus>,
    /// A dose that `plan dose` had something against, of which nobody says why it was given.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub wants_reason: bool,
}

/// A pond's diary in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DiaryStatus {
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth, m.
    pub depth_m: f64,
    /// Whether that was measured within a day.
    pub depth_is_measured: bool,
    /// Water in the pond, m3.
    pub volume_m3: f64,
    /// The crop that is in the pond.
    pub crop: Option<CropStatus>,
    /// Feed of this day, kg.
    pub feed_today_kg: f64,
    /// In so many meals.
    pub meals_today: usize,
    /// When the last dose began.
    pub last_dose_at: Option<String>,
    /// What it was in the water, mg of slurry to the litre.
    pub last_dose_mg_l: Option<f64>,
}

/// The crop in a pond.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CropStatus {
    /// When it was first stocked.
    pub stocked_at: String,
    /// Day of culture; the day of stocking is 0.
    pub day_of_culture: i64,
    /// Stocked in all.
    pub stocked: f64,
    /// Average body weight, g.
    pub abw_g: Option<f64>,
    /// When that was weighed.
    pub abw_at: Option<String>,
    /// Harvested so far, kg.
    pub harvested_kg: f64,
    /// If all live that were not harvested or found dead, kg.
    pub biomass_at_most_kg: Option<f64>,
    /// If four fifths of the stocked live: a guess, kg.
    pub biomass_guess_kg: Option<f64>,
}

pub(super) use entries::diary_status;

/// An entry in one line, with its kind; other languages tell of harvests, stockings and the dead in their numbers.
pub(crate) fn line_said(entry: &pondreeve_core::diary::Entry) -> pondreeve_core::said::Said {
    use pondreeve_core::diary::What;
    use pondreeve_core::said::Said;
    let with = |key, values: Vec<(&'static str, String)>| {
        let arguments = values.into_iter().map(|(name, value)| (name.into(), value.into())).collect();
        Said::new(line(entry), key, arguments)
    };
    match &entry.what {
        What::Harvest(own) if own.is_final => with("noted-final-harvest", vec![("kg", own.kg.to_string())]),
        What::Harvest(own) => with("noted-partial-harvest", vec![("kg", own.kg.to_string())]),
        What::Stocking(own) => with("noted-stocking", vec![("count", own.count.to_string())]),
        What::Mortality(own) => match (own.count, own.kg) {
            (Some(count), _) => with("noted-dead", vec![("count", count.to_string())]),
            (None, kg) => with("noted-dead-kg", vec![("kg", kg.unwrap_or_default().to_string())]),
        },
        _ => Said::plain(line(entry)),
    }
}

/// An entry in one line, with its kind.
pub(crate) fn line(entry: &pondreeve_core::diary::Entry) -> String {
    format!("{}: {}", entry.what.kind().id(), words::Said::of(entry).words)
}
