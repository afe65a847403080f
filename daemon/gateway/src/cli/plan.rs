//! `pondreeve plan dose`: what to dose, and what that does to pH, alkalinity and un-ionised ammonia.

use std::fmt::Write as _;

use pondreeve_core::ammonia_band;

use super::numbers::{above_0, within};
use super::plain::{self, paragraph};
use crate::console::text::{FarmClock, number};
use crate::exit_code::{DONE, Outcome};
use crate::local::dose::{DosePlanStatus, DosePreviewStatus, DoseRequest, WithinStatus};
use crate::local::protocol::{Ask, Reply};
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};

const AFTER: &str = "\
The plan is reckoned on today's water: the gauge's depth where there is one, the
newest pH, temperature and salinity, the last kit values. Its pH and ammonia are
upper bounds: all of the dose dissolved at once, no carbon dioxide from the air,
each hour of the last day as it was but for the dose.

4 ppm can mean three things; --basis says which:
  slurry_mass    mg of slurry to a litre of water
  solids_mass    mg of the solids in it
  slurry_volume  mL of slurry to a cubic metre

A person decides and doses. Nothing here is a licence to dose drugs, antibiotics
or disinfectants.

Examples:
  pondreeve plan dose --pond p1
  pondreeve plan dose --pond p1 --dose 20 --before-stocking --container-kg 25";

/// Arguments of `plan`.
#[derive(Debug, Clone, clap::Args)]
pub struct Arguments {
    /// What to plan
    #[command(subcommand)]
    pub what: What,
}

/// What can be planned.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum What {
    /// What to dose next, and what it does to pH, alkalinity and un-ionised ammonia
    Dose(Dose),
    /// What to do after a dose went wrong, step by step; needs no daemon
    WrongDose(super::wrong_dose::Arguments),
    /// What a day's feed brings into the water and asks of it: nitrogen, oxygen, alkalinity
    Feed(super::plan_feed::Arguments),
    /// Whether doses and feed as recorded agree with the alkalinity and hardness that kits read
    Balance(super::plan_balance::Arguments),
}

/// Arguments of `plan dose`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Dose {
    /// Which pond
    #[arg(long, value_name = "POND")]
    pub pond: String,
    /// How much; the pond's programme, else 4 in a crop, 20 before stocking
    #[arg(long, value_name = "PPM", value_parser = above_0(200.0, ""))]
    pub dose: Option<f64>,
    /// Lot of product, as configured; the farm's only one if nothing describes another
    #[arg(long, value_name = "LOT")]
    pub lot: Option<String>,
    /// What it counts; the lot's. Where nobody says it, no dose is approved
    #[arg(long, value_name = "BASIS")]
    pub basis: Option<String>,
    /// Solids in the slurry by mass, %; the lot's, else 60
    #[arg(long, value_name = "PERCENT", value_parser = within(1.0, 100.0, "%"))]
    pub solids_percent: Option<f64>,
    /// Density of the slurry, kg/L; the lot's, else that of ideal mixing
    #[arg(long, value_name = "KG/L", value_parser = within(0.9, 2.4, "kg/L"))]
    pub slurry_density_kg_l: Option<f64>,
    /// Slurry in a full container, kg
    #[arg(long, value_name = "KG", value_parser = within(0.1, 10_000.0, "kg"))]
    pub container_kg: Option<f64>,
    /// No shrimp are in the pond yet
    #[arg(long)]
    pub before_stocking: bool,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Plans.
///
/// # Errors
/// When no daemon answers, or something asked for is not accepted.
pub fn run(arguments: &Arguments) -> Outcome {
    let arguments = match &arguments.what {
        What::Dose(own) => own,
        What::Feed(own) => return super::plan_feed::run(own),
        What::Balance(own) => return super::plan_balance::run(own),
        What::WrongDose(own) => return super::wrong_dose::run(own),
    };
    let request = DoseRequest {
        pond: arguments.pond.clone(),
        dose: arguments.dose,
        lot: arguments.lot.clone(),
        basis: arguments.basis.clone(),
        solids_percent: arguments.solids_percent,
        slurry_density_kg_l: arguments.slurry_density_kg_l,
        container_kg: arguments.container_kg,
        in_crop: !arguments.before_stocking,
    };
    let plan = match arguments.daemon.ask(Ask::PlanDose(request))? {
        Reply::DosePlan(plan) => plan,
        other => {
            let words = arguments.speech.words_by(&arguments.daemon)?;
            return Err(arguments.daemon.refused(&other, words));
        }
    };
    if arguments.json {
        // What its sentences are made of is for consoles.
        let plan = DosePlanStatus { reasons_said: Vec::new(), ..*plan };
        return super::print(&super::json_line(&plan)?);
    }
    let farm = arguments.daemon.status()?;
    let clock = plain::clock(&farm).read_in(arguments.speech.words_to_act(&farm)?);
    let name = farm.ponds.iter().find(|pond| pond.id == plan.pond).map_or("", |pond| pond.name.as_str());
    super::print_plain(&told(&plan, name, clock)).map(|_| DONE)
}

/// The plan for a person.
pub(super) fn told(plan: &DosePlanStatus, name: &str, clock: FarmClock) -> String {
    let words = clock.words();
    let mut out = String::new();
    let unit = match plan.basis.as_str() {
        "solids_mass" => say!(words, "unit-solids"),
        "slurry_volume" => say!(words, "unit-slurry-volume"),
        _ => say!(words, "unit-slurry"),
    };
    let mut head = say!(
        words,
        "plan-head",
        pond = plan.pond.to_uppercase(),
        name = name,
        dose = number(plan.dose, 1),
        unit = &unit,
        volume = number(plan.volume_m3, 0),
        kg = number(plan.slurry_kg, 1),
        litres = number(plan.slurry_l, 1),
    );
    if let (Some(containers), Some(open)) = (plan.containers, plan.containers_to_open) {
        let (containers, open) = (number(containers, 1), number(open, 0));
        head = say!(words, "plan-containers", head = head, containers = containers, open = open);
    }
    let product = say!(
        words,
        "plan-product",
        head = head,
        lot = match &plan.lot {
            Some(lot) => say!(words, "lot-named", lot = lot),
            None => say!(words, "plan-no-lot"),
        },
        solids = number(plan.solids_percent, 0),
        density = number(plan.slurry_density_kg_l, 2),
    );
    paragraph(&mut out, "", "  ", &product);
    if let Some([slurry, solids, volume]) = plan.readings_kg {
        let readings = say!(
            words,
            "plan-three-readings",
            dose = number(plan.dose, 1),
            slurry = number(slurry, 1),
            solids = number(solids, 1),
            volume = number(volume, 1),
        );
        paragraph(&mut out, "", "  ", &readings);
    }
    let reasons = plan.reasons.iter().enumerate();
    let reasons: Vec<String> =
        reasons.map(|(place, why)| told_in(words, why, plan.reasons_said.get(place))).collect();
    let (reasons, when) = (reasons.join("; "), plan.earliest.as_ref().map(|at| clock.time_and_day(at)));
    let verdict = match (plan.go, when) {
        (true, _) => say!(words, "plan-go"),
        (false, Some(when)) => say!(words, "plan-not-now-until", reasons = reasons, when = when),
        (false, None) => say!(words, "plan-not-now", reasons = reasons),
    };
    paragraph(&mut out, "", "  ", &verdict);
    if let Some(within) = &plan.within {
        paragraph(&mut out, "", "  ", &inside(plan, within, &unit, clock));
    }
    out.push('\n');
    match &plan.preview {
        None => paragraph(&mut out, "", "", &say!(words, "plan-no-preview")),
        Some(preview) => effect(&mut out, plan, preview, words),
    }
    out.push('\n');
    // Where it is not to be done, reasons and effects matter; with this below them the first lines, how much it is,
    // left a terminal of 24.
    if plan.go {
        paragraph(&mut out, "", "", &say!(words, "plan-how"));
    }
    if plan.before_stocking {
        paragraph(&mut out, "", "", &say!(words, "plan-before-stocking"));
    }
    paragraph(&mut out, "", "", &say!(words, "plan-caution"));
    out
}

/// What would keep predicted ammonia inside the limits.
fn inside(plan: &DosePlanStatus, within: &WithinStatus, unit: &str, clock: FarmClock) -> String {
    let words = clock.words();
    let smaller = match (within.dose, within.slurry_kg) {
        (Some(dose), Some(kg)) => {
            let (dose, kg) = (number(dose, 1), number(kg, 1));
            let smaller = say!(words, "plan-inside", dose = dose, unit = unit, kg = kg);
            match within.earliest.as_ref() {
                Some(at) if *at == plan.at => say!(words, "plan-inside-now", smaller = smaller),
                Some(at) => {
                    say!(words, "plan-inside-from", smaller = smaller, when = clock.time_and_day(at))
                }
                None => say!(words, "plan-inside-unsaid", smaller = smaller),
            }
        }
        _ => say!(words, "plan-inside-none"),
    };
    let (dose, tan) = (number(plan.dose, 1), number(within.tan_at_most_mg_l, 1));
    let change = match within.ph_lower_by {
        Some(lower) => {
            say!(words, "plan-inside-change", dose = dose, unit = unit, tan = tan, lower = number(lower, 2))
        }
        None => say!(words, "plan-inside-change-tan", dose = dose, unit = unit, tan = tan),
    };
    format!("{smaller} {change}")
}

/// What the dose does to the water, a row each.
fn effect(out: &mut String, plan: &DosePlanStatus, preview: &DosePreviewStatus, words: Words) {
    let mut row = |what: String, before: String, after: String, note: String| {
        let line = format!("{what:<26}{before:>8} {after:>8}  {note}");
        let _ = writeln!(out, "{}", line.trim_end());
    };
    row(String::new(), say!(words, "plan-without"), say!(words, "plan-with"), String::new());
    row(
        say!(words, "plan-ph-mixed"),
        number(preview.ph, 2),
        number(preview.ph_after_mixing, 2),
        say!(words, "plan-at-most"),
    );
    row(
        say!(words, "plan-ph-air"),
        number(preview.ph_after_air_without_dose, 2),
        number(preview.ph_after_air, 2),
        say!(words, "plan-later"),
    );
    // The step of most kits is 10 to 20 mg/L. (Common practice, no source.)
    let added = number(plan.alkalinity_added_mg_l, 1);
    row(
        say!(words, "plan-alkalinity"),
        number(preview.alkalinity_mg_l, 0),
        number(preview.alkalinity_mg_l + plan.alkalinity_added_mg_l, 0),
        if plan.alkalinity_added_mg_l < 10.0 {
            say!(words, "plan-alkalinity-unseen", added = added)
        } else {
            say!(words, "plan-alkalinity-added", added = added)
        },
    );
    if let (Some(without), Some(with)) = (preview.nh3_n_mg_l_without_dose, preview.nh3_n_mg_l_with_dose) {
        let limits = preview.nh3_n_mg_l_limits;
        let (limit, hours) = (number(limits.peak, 2), number(preview.hours_known, 0));
        // How far off the value with the dose may be, whatever the pH of its hour.
        let told = |value| ammonia_band::told(value, ammonia_band::half_band_mg_l(value, None, None, 0.0));
        let banded = |note, value| say!(words, "plan-nh3-band", note = note, half = told(value).1);
        row(
            say!(words, "plan-nh3-peak"),
            told(without.peak).0,
            told(with.peak).0,
            banded(say!(words, "plan-nh3-peak-limit", limit = limit, hours = hours), with.peak),
        );
        row(
            say!(words, "plan-nh3-mean"),
            told(without.mean).0,
            told(with.mean).0,
            banded(say!(words, "plan-nh3-mean-limit", limit = number(limits.mean, 2)), with.mean),
        );
    }
    row(
        say!(words, "plan-h2s"),
        number(100.0 * preview.h2s_share, 1),
        number(100.0 * preview.h2s_share_after_mixing, 1),
        say!(words, "plan-h2s-hidden"),
    );
    if let Some(stops) = preview.ph_where_dissolving_stops {
        paragraph(out, "", "", &say!(words, "plan-stops", ph = number(stops, 2)));
    }
    paragraph(out, "", "", &say!(words, "plan-check-meter"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::fits;
    use crate::local::dose::Nh3Status;

    fn plan() -> DosePlanStatus {
        DosePlanStatus {
            pond: "p3".to_owned(),
            at: "2026-11-25T20:30:00Z".to_owned(),
            dose: 4.0,
            basis: "slurry_mass".to_owned(),
            readings_kg: None,
            before_stocking: false,
            lot: Some("M-17".to_owned()),
            solids_percent: 60.0,
            slurry_density_kg_l: 1.53,
            volume_m3: 9_600.0,
            slurry_kg: 38.4,
            slurry_l: 25.1,
            containers: Some(1.536),
            containers_to_open: Some(2.0),
            solids_mg_l: 2.4,
            alkalinity_added_mg_l: 4.12,
            preview: Some(DosePreviewStatus {
                ph: 8.6,
                ph_after_mixing: 8.67,
                ph_after_air: 8.3,
                ph_after_air_without_dose: 8.28,
                ph_where_dissolving_stops: None,
                alkalinity_mg_l: 110.0,
                nh3_n_mg_l_without_dose: Some(Nh3Status { mean: 0.1, peak: 0.23 }),
                nh3_n_mg_l_with_dose: Some(Nh3Status { mean: 0.14, peak: 0.34 }),
                nh3_n_mg_l_limits: Nh3Status { mean: 0.12, peak: 0.3 },
                hours_known: 23.5,
                h2s_share: 0.02,
                h2s_share_after_mixing: 0.017,
            }),
            go: false,
            reasons: vec!["pH 8.60 (limit 8.5)".to_owned(), "not the hour for it".to_owned()],
            reasons_said: Vec::new(),
            earliest: Some("2026-11-26T11:15:00Z".to_owned()),
            within: None,
        }
    }

    /// Of 38.4 kg for 4 ppm, 2.5 ppm are 24.0 kg.
    #[test]
    fn too_much_ammonia_with_what_would_do() {
        let clock = FarmClock::new("2026-11-25T20:30:00Z", -5 * 3_600);
        let within = WithinStatus {
            dose: Some(2.5),
            slurry_kg: Some(24.0),
            earliest: Some("2026-11-26T11:15:00Z".to_owned()),
            tan_at_most_mg_l: 0.7,
            ph_lower_by: Some(0.15),
        };
        let reasons = vec!["predicted peak NH3-N 0.34 mg/L (limit 0.30)".to_owned()];
        let told_of = |within: WithinStatus| {
            let own =
                DosePlanStatus { within: Some(within), reasons: reasons.clone(), earliest: None, ..plan() };
            let shown = told(&own, "Curlew", clock);
            fits(&shown).split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let said = told_of(within.clone());
        assert!(
            said.contains(
                "At most 2.5 mg/L of slurry keep ammonia inside the limits: 24.0 kg, earliest Thu 06:15. For 4.0 mg/L of slurry: TAN at most 0.7 mg/L as N, or pH 0.15 lower all day."
            ),
            "{said}"
        );
        let said = told_of(WithinStatus { earliest: Some(plan().at), ..within.clone() });
        assert!(said.contains("24.0 kg, now. For"), "{said}");
        let said = told_of(WithinStatus { earliest: None, ..within.clone() });
        assert!(said.contains("24.0 kg, once the rest is mended. For"), "{said}");
        let said = told_of(WithinStatus { dose: None, slurry_kg: None, ph_lower_by: None, ..within });
        assert!(
            said.contains("Not the smallest dose keeps ammonia inside the limits. For 4.0 mg/L of slurry: TAN at most 0.7 mg/L as N."),
            "{said}"
        );
    }

    #[test]
    fn not_now_with_the_reason_and_the_earliest_time() {
        let clock = FarmClock::new("2026-11-25T20:30:00Z", -5 * 3_600);
        insta::assert_snapshot!(fits(&told(&plan(), "Curlew", clock)));
    }

    #[test]
    fn a_pond_of_which_too_little_is_known() {
        let clock = FarmClock::new("2026-11-25T20:30:00Z", -5 * 3_600);
        let plan = DosePlanStatus {
            preview: None,
            earliest: None,
            reasons: vec!["TAN is not known: test it".to_owned()],
            ..plan()
        };
        let shown = told(&plan, "Curlew", clock);
        let flat: Vec<&str> = fits(&shown).split_whitespace().collect();
        let flat = flat.join(" ");
        assert!(flat.contains("NOT NOW: TAN is not known: test it. When cannot be said"), "{shown}");
        assert!(flat.contains("What it does cannot be said"), "{shown}");
    }
}
