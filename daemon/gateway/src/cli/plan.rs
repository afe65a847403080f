//! `pondreeve plan dose`: what to dose, and what that does to pH, alkalinity and un-ionised ammonia.

use std::fmt::Write as _;

use super::numbers::{above_0, within};
use super::plain::{self, paragraph};
use crate::console::text::{FarmClock, number};
use crate::exit_code::{DONE, Outcome};
use crate::local::dose::{DosePlanStatus, DoseRequest};
use crate::local::protocol::{Ask, Reply};

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
    /// How much; 4 in a crop, 20 before stocking
    #[arg(long, value_name = "PPM", value_parser = above_0(200.0, ""))]
    pub dose: Option<f64>,
    /// Lot of product, as configured; the farm's only one if nothing describes another
    #[arg(long, value_name = "LOT")]
    pub lot: Option<String>,
    /// What it counts; the lot's, else slurry_mass
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
    let usual = if arguments.before_stocking { 20.0 } else { 4.0 };
    let request = DoseRequest {
        pond: arguments.pond.clone(),
        dose: arguments.dose.unwrap_or(usual),
        lot: arguments.lot.clone(),
        basis: arguments.basis.clone(),
        solids_percent: arguments.solids_percent,
        slurry_density_kg_l: arguments.slurry_density_kg_l,
        container_kg: arguments.container_kg,
        in_crop: !arguments.before_stocking,
    };
    let plan = match arguments.daemon.ask(Ask::PlanDose(request))? {
        Reply::DosePlan(plan) => plan,
        other => return Err(arguments.daemon.unexpected(&other)),
    };
    if arguments.json {
        return super::print(&super::json_line(&*plan)?);
    }
    let farm = arguments.daemon.status()?;
    let name = farm.ponds.iter().find(|pond| pond.id == plan.pond).map_or("", |pond| pond.name.as_str());
    super::print_plain(&told(&plan, name, plain::clock(&farm))).map(|_| DONE)
}

/// The plan for a person.
fn told(plan: &DosePlanStatus, name: &str, clock: FarmClock) -> String {
    let mut out = String::new();
    let unit = if plan.basis == "slurry_volume" { "mL/m3" } else { "mg/L" };
    let counts = match plan.basis.as_str() {
        "solids_mass" => "of solids",
        _ => "of slurry",
    };
    let mut head = format!(
        "{} {name}: {} {unit} {counts} in {} m3 is {} kg = {} L",
        plan.pond.to_uppercase(),
        number(plan.dose, 1),
        number(plan.volume_m3, 0),
        number(plan.slurry_kg, 1),
        number(plan.slurry_l, 1),
    );
    if let (Some(containers), Some(open)) = (plan.containers, plan.containers_to_open) {
        let _ = write!(head, " = {} containers ({} to open)", number(containers, 1), number(open, 0));
    }
    let product = match &plan.lot {
        Some(lot) => format!("lot {lot}"),
        None => "no lot named".to_owned(),
    };
    let solids = number(plan.solids_percent, 0);
    let density = number(plan.slurry_density_kg_l, 2);
    paragraph(&mut out, "", "  ", &format!("{head}. ({product}: {solids} % solids, {density} kg/L)"));
    let when = plan.earliest.as_ref().map(|at| clock.time_and_day(at));
    let verdict = match (plan.go, &when) {
        (true, _) => "Nothing known speaks against dosing now.".to_owned(),
        (false, Some(when)) => format!("NOT NOW: {}. Earliest {when}.", plan.reasons.join("; ")),
        (false, None) => {
            format!("NOT NOW: {}. When cannot be said before that is mended.", plan.reasons.join("; "))
        }
    };
    paragraph(&mut out, "", "  ", &verdict);
    out.push('\n');
    match &plan.preview {
        None => paragraph(
            &mut out,
            "",
            "",
            "What it does cannot be said: pH, temperature and an alkalinity by kit are needed.",
        ),
        Some(preview) => {
            let mut row = |what: &str, before: String, after: String, note: &str| {
                let line = format!("{what:<26}{before:>8} {after:>8}  {note}");
                let _ = writeln!(out, "{}", line.trim_end());
            };
            row("", "without".into(), "with it".into(), "");
            row("pH after mixing", number(preview.ph, 2), number(preview.ph_after_mixing, 2), "at most");
            row(
                "pH in balance with air",
                number(preview.ph_after_air_without_dose, 2),
                number(preview.ph_after_air, 2),
                "a day or more later",
            );
            // The step of most kits is 10 to 20 mg/L. (Common practice, no source.)
            let seen = if plan.alkalinity_added_mg_l < 10.0 { ": below what most kits can tell" } else { "" };
            row(
                "alkalinity, mg/L CaCO3",
                number(preview.alkalinity_mg_l, 0),
                number(preview.alkalinity_mg_l + plan.alkalinity_added_mg_l, 0),
                &format!("+{}{seen}", number(plan.alkalinity_added_mg_l, 1)),
            );
            if let (Some(without), Some(with)) =
                (preview.nh3_n_mg_l_without_dose, preview.nh3_n_mg_l_with_dose)
            {
                let limits = preview.nh3_n_mg_l_limits;
                let hours = number(preview.hours_known, 0);
                row(
                    "NH3-N, peak of a day, mg/L",
                    number(without.peak, 2),
                    number(with.peak, 2),
                    &format!("limit {}; {hours} h of pH known", number(limits.peak, 2)),
                );
                row(
                    "NH3-N, mean, mg/L",
                    number(without.mean, 2),
                    number(with.mean, 2),
                    &format!("limit {}", number(limits.mean, 2)),
                );
            }
            row(
                "H2S, share of sulfide, %",
                number(100.0 * preview.h2s_share, 1),
                number(100.0 * preview.h2s_share_after_mixing, 1),
                "hidden as HS-, not removed",
            );
            if let Some(stops) = preview.ph_where_dissolving_stops {
                let words = format!(
                    "Not all of it dissolves: brucite stops at pH {}. Less, or in parts.",
                    number(stops, 2)
                );
                paragraph(&mut out, "", "", &words);
            }
            paragraph(
                &mut out,
                "",
                "",
                "A pH that is 0.1 off moves NH3-N by a fifth: check the meter before a large dose.",
            );
        }
    }
    out.push('\n');
    let how = "How: stir the drum, spread along the upwind side, aerators on for 30 to 60 min, away from feed \
               trays and probes. Read pH after 1, 4 and 24 h. Do not drain within 48 h without the adviser.";
    paragraph(&mut out, "", "", how);
    let caution = "Slurry is alkaline: goggles, gloves, boots, eyewash; never with acid or chlorine. Guidance, \
                   not a substitute for local codes, vets or regulators. A person decides.";
    paragraph(&mut out, "", "", caution);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::local::dose::{DosePreviewStatus, Nh3Status};

    fn plan() -> DosePlanStatus {
        DosePlanStatus {
            pond: "p3".to_owned(),
            at: "2026-11-25T20:30:00Z".to_owned(),
            dose: 4.0,
            basis: "slurry_mass".to_owned(),
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
            earliest: Some("2026-11-26T11:15:00Z".to_owned()),
        }
    }

    fn fits(shown: &str) -> &str {
        for line in shown.lines() {
            assert!(line.len() <= 80, "wider than a serial console: {line}");
        }
        shown
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
