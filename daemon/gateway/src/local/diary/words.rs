//! Entries in plain words: one line for a list, sentences for the one who has just recorded, values for
//! programs.

use std::collections::BTreeMap;

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::diary::{Basin, Count, Dose, Entry, WaterMove, What};
use pondreeve_core::mineral_balance::KIT_STEP_MG_L;
use pondreeve_core::said::{Said as Sentence, said};
use pondreeve_core::view::DiaryView;
use serde_json::Value;

use super::super::status::rfc3339;
use crate::console::text::number;

/// A number as a person writes it: as many digits as matter, no zeros behind the point.
pub(super) fn amount(value: f64) -> String {
    let decimals = match value.abs() {
        size if size >= 1_000.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 0.1 => 2,
        _ => 4,
    };
    let text = number(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A number as it was typed: who reads it back must find every digit.
pub(super) fn typed(value: f64) -> String {
    format!("{value}")
}

/// A computed value for programs, without the noise of its last bits.
fn rounded(value: f64) -> f64 {
    let rounded = (value * 1e6).round() / 1e6;
    if rounded.is_finite() { rounded } else { value }
}

/// How a basis is said.
fn basis_words(basis: Basis) -> Sentence {
    match basis {
        Basis::SlurryMass => said!("unit-slurry", "mg/L of slurry"),
        Basis::SolidsMass => said!("unit-solids", "mg/L of solids"),
        Basis::SlurryVolume => said!("unit-slurry-volume", "mL/m3 of slurry"),
    }
}

/// What was said and what follows from it.
#[derive(Debug, Default)]
pub(super) struct Said {
    /// In one line.
    pub(super) words: String,
    /// In sentences.
    pub(super) told: Vec<Sentence>,
    /// For programs.
    pub(super) values: BTreeMap<String, Value>,
}

impl Said {
    fn value(&mut self, name: &str, value: impl Into<Value>) {
        self.values.insert(name.to_owned(), value.into());
    }

    fn number(&mut self, name: &str, value: Option<f64>) {
        if let Some(value) = value {
            self.value(name, rounded(value));
        }
    }

    fn text(&mut self, name: &str, value: Option<&String>) {
        if let Some(value) = value {
            self.value(name, value.as_str());
        }
    }

    /// The words of an entry.
    pub(super) fn of(entry: &Entry) -> Self {
        let mut said = Self::default();
        match &entry.what {
            What::Dose(dose) => said.dose(dose, entry.basin.as_ref()),
            What::Feed(feed) => {
                said.value("kg", feed.kg);
                said.number("tray_left_percent", feed.tray_left_percent);
                let tray = feed.tray_left_percent;
                let tray = tray.map_or_else(String::new, |left| format!(", tray left {} %", typed(left)));
                said.words = format!("{} kg of feed{tray}", typed(feed.kg));
            }
            What::Drain(water) => said.water(water, entry.basin.as_ref(), "let out"),
            What::Exchange(water) => said.water(water, entry.basin.as_ref(), "exchanged"),
            What::Sampling(sample) => {
                let (count, grams, abw) = (sample.count, sample.total_g, sample.abw_g());
                said.value("count", count);
                said.value("grams", grams);
                said.value("abw_g", rounded(abw));
                said.words = format!("{count} shrimp, {} g: {} g each", typed(grams), amount(abw));
                said.told.push(said!("told-sample", "A sample tells the average to 5 to 10 %."));
            }
            What::Stocking(own) => {
                said.value("count", own.count);
                said.text("species", own.species.as_ref());
                said.text("lot", own.lot.as_ref());
                said.text("size", own.size.as_ref());
                said.number("abw_g", own.abw_g);
                let size = own.size.as_ref().map_or_else(String::new, |size| format!(" {size}"));
                let species = own.species.as_ref().map_or_else(String::new, |own| format!(" {own}"));
                let lot = own.lot.as_ref().map_or_else(String::new, |lot| format!(", lot {lot}"));
                said.words = format!("{}{species}{size} stocked{lot}", own.count);
                if let Some(basin) = &entry.basin {
                    let per_m2 = f64::from(own.count) / basin.area_m2;
                    said.value("per_m2", rounded(per_m2));
                    said.told.push(said!(
                        "told-per-m2",
                        "That is {count} to the m2.",
                        count = amount(per_m2)
                    ));
                }
            }
            What::Mortality(dead) => {
                if let Some(count) = dead.count {
                    said.value("count", count);
                    said.words = format!("{count} found dead");
                }
                if let Some(kg) = dead.kg {
                    said.value("kg", kg);
                    said.words = format!("{} kg found dead", typed(kg));
                }
            }
            What::Harvest(taken) => said.harvest(taken),
            What::Sludge(sludge) => {
                said.number("ph", sludge.ph);
                said.number("orp_mv", sludge.orp_mv);
                said.number("depth_cm", sludge.depth_cm);
                said.text("method", sludge.method.as_ref());
                let parts = [
                    sludge.ph.map(|ph| format!("pH {}", number(ph, 1))),
                    sludge.orp_mv.map(|orp| format!("{} mV", number(orp, 0))),
                    sludge.depth_cm.map(|depth| format!("{} cm thick", amount(depth))),
                    sludge.method.as_ref().map(|method| format!("({method})")),
                ];
                let parts: Vec<String> = parts.into_iter().flatten().collect();
                said.words = format!("sludge {}", parts.join(", "));
            }
            What::Count(own) => said.count(own),
            What::Disturbance(own) => {
                said.value("words", own.words.as_str());
                said.words = format!("disturbed: {}", own.words);
            }
            What::Weather { words } | What::Note { words } => {
                said.value("words", words.as_str());
                said.words.clone_from(words);
            }
            What::Cost { item, amount: spent } => {
                said.value("item", item.as_str());
                said.value("amount", *spent);
                said.words = format!("{item}: {} spent", number(*spent, 2));
            }
            What::Price { item, amount: paid, per } => {
                said.value("item", item.as_str());
                said.value("amount", *paid);
                said.value("per", per.as_str());
                said.words = format!("{item}: {} per {per}", number(*paid, 2));
            }
            What::Withdrawal { reason } => {
                said.value("reason", reason.as_str());
                said.words = match entry.corrects {
                    Some(number) => format!("entry {number} withdrawn: {reason}"),
                    None => format!("withdrawn: {reason}"),
                };
            }
        }
        if let Some(basin) = &entry.basin {
            said.value("pond_m3", rounded(basin.volume_m3()));
        }
        said
    }

    fn dose(&mut self, dose: &Dose, basin: Option<&Basin>) {
        self.text("lot", dose.lot.as_ref());
        self.text("reason", dose.reason.as_ref());
        self.text("against", dose.against.as_ref());
        for (name, value) in [
            ("slurry_kg", dose.kg()),
            ("slurry_l", dose.litres()),
            ("containers", dose.containers),
            ("solids_percent", dose.solids_percent),
            ("slurry_density_kg_l", dose.density_kg_l),
            ("container_kg", dose.container_kg),
        ] {
            self.number(name, value);
        }
        let mut amounts: Vec<String> = Vec::new();
        let said = |typed_value: Option<f64>, value: f64| typed_value.map_or_else(|| amount(value), typed);
        amounts.extend(dose.kg().map(|kg| format!("{} kg", said(dose.slurry_kg, kg))));
        amounts.extend(dose.litres().map(|litres| format!("{} L", said(dose.slurry_l, litres))));
        let lot = dose.lot.as_ref().map_or_else(String::new, |lot| format!(" of lot {lot}"));
        let emptied = dose
            .containers
            .map_or_else(String::new, |emptied| format!(", {} containers emptied", typed(emptied)));
        self.words = format!("{} of slurry{lot}{emptied}", amounts.join(" = "));
        if let (None, Some(kg), Some(each)) = (dose.containers, dose.kg(), dose.container_kg) {
            self.told.push(said!(
                "told-containers",
                "That is {count} containers of {each} kg.",
                count = amount(kg / each),
                each = amount(each)
            ));
        }
        if let Some(differs) = dose.mismatch() {
            self.value("mismatch", differs.english());
            self.told.push(said!("told-confirmed", "Confirmed although {differs}.", differs = differs));
        }
        let Some(basin) = basin else { return };
        let volume = basin.volume_m3();
        let bases = [Basis::SlurryMass, Basis::SolidsMass, Basis::SlurryVolume];
        let strengths: Vec<(Basis, f64)> =
            bases.into_iter().filter_map(|basis| Some((basis, dose.strength(basis, volume)?))).collect();
        for (basis, strength) in &strengths {
            let name = match basis {
                Basis::SlurryMass => "slurry_mg_l",
                Basis::SolidsMass => "solids_mg_l",
                Basis::SlurryVolume => "slurry_ml_m3",
            };
            self.value(name, rounded(*strength));
        }
        let own = dose.basis.and_then(|own| strengths.iter().find(|(basis, _)| *basis == own));
        if let Some((basis, strength)) = own.or(strengths.first()) {
            let said = format!("{} {}", amount(*strength), basis_words(*basis));
            self.words = format!("{}, {said}", self.words);
        }
        if let Some(against) = &dose.against {
            let why = dose.reason.as_deref().unwrap_or("nobody says why");
            self.words = format!("{}; against advice ({why}): {against}", self.words);
        }
        let strength = |(basis, strength): &(Basis, f64)| {
            said!(
                "told-strength",
                "{strength} {unit}",
                strength = amount(*strength),
                unit = basis_words(*basis)
            )
        };
        let known = if basin.is_measured {
            said!("told-as-measured", "as measured")
        } else {
            said!("told-by-configuration", "by the configured depth")
        };
        self.told.push(said!(
            "told-in-water",
            "In {volume} m3 of water ({depth} m deep, {known}): {strengths}.",
            volume = amount(volume),
            depth = number(basin.depth_m, 2),
            known = known,
            strengths = Sentence::joined(strengths.iter().map(strength).collect(), ", ")
        ));
        if let Some(own) = dose.basis {
            self.value("basis", own.name());
            self.told.push(said!("told-ppm", "ppm of this lot count {unit}.", unit = basis_words(own)));
        } else if dose.density_kg_l.is_none() {
            self.told.push(said!(
                "told-no-lot",
                "The lot's solids and density are not in the configuration, so the rest cannot be told."
            ));
        }
        if let Some(added) = dose.alkalinity_added_mg_l(volume) {
            self.value("alkalinity_added_mg_l", rounded(added));
            let unseen = if added < KIT_STEP_MG_L {
                said!("told-unseen", ", less than most kits can tell")
            } else {
                Sentence::default()
            };
            self.told.push(said!(
                "told-alkalinity",
                "Once dissolved it adds {added} mg/L of alkalinity as CaCO3{unseen}.",
                added = number(added, 1),
                unseen = unseen
            ));
        }
    }

    fn count(&mut self, own: &Count) {
        self.text("lot", own.lot.as_ref());
        self.value("left", own.left);
        self.number("delivered", own.delivered);
        self.number("container_kg", own.container_kg);
        self.text("reason", own.reason.as_ref());
        let lot = own.lot.as_ref().map_or_else(String::new, |lot| format!(" of lot {lot}"));
        let kg =
            own.container_kg.map_or_else(String::new, |each| format!(" ({} kg)", amount(own.left * each)));
        let delivered = own
            .delivered
            .map_or_else(String::new, |came| format!(", {} delivered since the last count", typed(came)));
        let reason =
            own.reason.as_ref().map_or_else(String::new, |reason| format!("; gone because: {reason}"));
        self.words = format!("{} containers{lot} left{kg}{delivered}{reason}", typed(own.left));
        self.told.push(said!(
            "told-count",
            "It is held against the count before and the doses of all ponds from this lot."
        ));
    }

    fn water(&mut self, water: &WaterMove, basin: Option<&Basin>, how: &str) {
        for (name, value) in [
            ("level_before_m", water.level_before_m),
            ("level_after_m", water.level_after_m),
            ("refilled_to_m", water.refilled_to_m),
            ("volume_m3", water.volume_m3),
            ("ph", water.ph),
        ] {
            self.number(name, value);
        }
        let mut words = format!("water {how}");
        if let Some((basin, moved)) = basin.and_then(|basin| Some((basin, water.moved_m3(basin)?))) {
            let before = water.before_m3(basin);
            let percent = 100.0 * moved / before;
            self.value("volume_m3", rounded(moved));
            self.value("percent", rounded(percent));
            words = format!("{} m3 {how}, {} % of {} m3", amount(moved), amount(percent), amount(before));
        }
        if let (Some(before), Some(after)) = (water.level_before_m, water.level_after_m) {
            words = format!("{words}, level {} to {} m", number(before, 2), number(after, 2));
        }
        if let Some(level) = water.refilled_to_m {
            words = format!("{words}, filled up to {} m", number(level, 2));
        }
        if let Some(ph) = water.ph {
            words = format!("{words}, pH {}", number(ph, 1));
        }
        self.words = words;
    }

    fn harvest(&mut self, taken: &pondreeve_core::diary::Harvest) {
        self.value("kg", taken.kg);
        self.number("abw_g", taken.abw_g);
        self.number("price_per_kg", taken.price_per_kg);
        self.value("final", taken.is_final);
        let which = if taken.is_final { "final" } else { "partial" };
        let abw = taken.abw_g.map_or_else(String::new, |abw| format!(" at {} g", typed(abw)));
        let price =
            taken.price_per_kg.map_or_else(String::new, |price| format!(", {} a kg", number(price, 2)));
        self.words = format!("{which} harvest, {} kg{abw}{price}", typed(taken.kg));
        if let Some(abw) = taken.abw_g {
            self.value("count", (taken.kg * 1_000.0 / abw).round());
            self.told.push(said!(
                "told-shrimp",
                "That is about {count} shrimp.",
                count = amount(taken.kg * 1_000.0 / abw)
            ));
        }
        if let Some(price) = taken.price_per_kg {
            self.value("money", rounded(taken.kg * price));
            self.told.push(said!("told-brought", "It brought {money}.", money = number(taken.kg * price, 2)));
        }
    }
}

/// What is known of the pond now, where the entry changes that.
pub(super) fn crop_told(entry: &Entry, view: &DiaryView) -> Vec<Sentence> {
    let mut told = Vec::new();
    match (&entry.what, &view.crop) {
        (What::Feed(_), _) => {
            let (kg, meals) = (view.feed_today.kg, view.feed_today.meals);
            if meals > 1 {
                told.push(said!(
                    "told-today",
                    "Today so far {kg} kg in {meals} meals.",
                    kg = amount(kg),
                    meals = meals.to_string()
                ));
            }
        }
        (What::Sampling(_) | What::Stocking(_) | What::Mortality(_) | What::Harvest(_), Some(crop)) => {
            told.push(said!("told-day", "Day of culture {day}.", day = crop.day.to_string()));
            if let (Some(most), Some(guess)) = (crop.biomass_at_most_kg(), crop.biomass_guess_kg()) {
                told.push(said!(
                    "told-biomass",
                    "In the pond about {guess} kg, a guess ({share} % of what was stocked lives); {most} kg at most.",
                    guess = amount(guess),
                    share = (pondreeve_core::diary::book::GUESSED_SURVIVAL * 100.0).to_string(),
                    most = amount(most)
                ));
            }
        }
        (What::Sampling(_) | What::Mortality(_), None) => {
            told.push(said!(
                "told-no-stocking",
                "No stocking is recorded, so neither day of culture nor biomass is known."
            ));
        }
        (What::Harvest(taken), None) if !taken.is_final => {
            told.push(said!(
                "told-not-held",
                "No stocking is recorded, so it is not held against what is left."
            ));
        }
        (What::Drain(_) | What::Exchange(_), _) => {
            let basin = &view.basin;
            let known = if basin.is_measured {
                Sentence::default()
            } else {
                said!("told-so-configured", " by the configured depth")
            };
            told.push(said!(
                "told-next-dose",
                "The next dose is reckoned with {volume} m3{known}.",
                volume = amount(basin.volume_m3()),
                known = known
            ));
        }
        _ => {}
    }
    told
}

/// The time an entry ended, as it is told.
pub(super) fn stop(entry: &Entry) -> Option<String> {
    entry.what.stop().map(rfc3339)
}
