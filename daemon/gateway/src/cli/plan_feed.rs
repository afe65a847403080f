//! `pondreeve plan feed`: what a day's feed brings into the water and asks of it.

use std::fmt::Write as _;

use pondreeve_core::mass_balance::PROTEIN_ACCEPTED;

use super::numbers::{above_0, within};
use super::plain::paragraph;
use crate::console::text::{number, signed};
use crate::exit_code::{DONE, Outcome};
use crate::local::mass_balance::{FeedAsk, FeedLoadStatus, MOST_FEED_KG, PoreAsk, StruviteStatus};
use crate::local::protocol::{Ask, Reply};
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

const AFTER: &str = "\
Orders of magnitude, to see which lever matters: algae, sludge and water that is
exchanged take up and give back what is not counted here. Without --feed-kg the
feed recorded on the last seven whole days counts.

Examples:
  pondreeve plan feed --pond p1
  pondreeve plan feed --pond p1 --feed-kg 152 --protein-percent 38
  pondreeve plan feed --pond p1 --sludge-tan 40 --sludge-phosphate 8 --sludge-ph 8";

/// Arguments of `plan feed`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Which pond
    #[arg(long, value_name = "POND")]
    pub pond: String,
    /// Feed a day; the last week's if not given
    #[arg(long, value_name = "KG", value_parser = above_0(MOST_FEED_KG, "kg a day"))]
    pub feed_kg: Option<f64>,
    /// Protein in the feed; 35 if not given
    #[arg(long, value_name = "PERCENT", value_parser = within(PROTEIN_ACCEPTED.0, PROTEIN_ACCEPTED.1, "%"))]
    pub protein_percent: Option<f64>,
    /// TAN in the sludge's pore water, mg/L as N
    #[arg(long, value_name = "MG_L", value_parser = within(0.0, 1_000.0, "mg/L"),
        requires_all = ["sludge_phosphate", "sludge_ph"])]
    pub sludge_tan: Option<f64>,
    /// Phosphate in it, mg/L as P
    #[arg(long, value_name = "MG_L", value_parser = within(0.0, 1_000.0, "mg/L"), requires = "sludge_tan")]
    pub sludge_phosphate: Option<f64>,
    /// Its pH
    #[arg(long, value_name = "PH", value_parser = within(4.0, 11.0, ""), requires = "sludge_tan")]
    pub sludge_ph: Option<f64>,
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

/// Tells.
///
/// # Errors
/// When no daemon answers, or something asked for is not accepted.
pub(super) fn run(arguments: &Arguments) -> Outcome {
    let ask = FeedAsk {
        pond: arguments.pond.clone(),
        feed_kg: arguments.feed_kg,
        protein_percent: arguments.protein_percent,
        pore: match (arguments.sludge_tan, arguments.sludge_phosphate, arguments.sludge_ph) {
            (Some(tan_mg_l), Some(phosphate_mg_l), Some(ph)) => {
                Some(PoreAsk { tan_mg_l, phosphate_mg_l, ph })
            }
            _ => None,
        },
    };
    let own = match arguments.daemon.ask(Ask::FeedLoad(ask))? {
        Reply::FeedLoad(own) => own,
        other => {
            let words = arguments.speech.words_by(&arguments.daemon)?;
            return Err(arguments.daemon.refused(&other, words));
        }
    };
    if arguments.json {
        return super::print(&super::json_line(&*own)?);
    }
    let words = arguments.speech.words_by(&arguments.daemon)?;
    super::print_plain(&told(&own, words)).map(|_| DONE)
}

/// The index is good to so much: published solubilities spread that far.
const GOOD_TO: f64 = 0.6;

/// For a person.
pub(super) fn told(own: &FeedLoadStatus, words: Words) -> String {
    let mut out = String::new();
    let pond = own.pond.to_uppercase();
    let mut row = |what: String, value: String, note: String| {
        let line = format!("  {what:<34}{value:>14}  {note}");
        let _ = writeln!(out, "{}", line.trim_end());
    };
    let range = |(least, most): (f64, f64), decimals| {
        say!(words, "feed-range", least = number(least, decimals), most = number(most, decimals))
    };
    if let (Some(feed), Some(volume), Some(nitrogen), Some(tan)) =
        (own.feed_kg, own.volume_m3, own.nitrogen_kg, own.tan_mg_l)
    {
        row(say!(words, "feed-nitrogen"), number(nitrogen, 1), String::new());
        row(say!(words, "feed-tan"), range(tan, 2), say!(words, "feed-solids"));
        if let (Some(oxygen), Some(used)) = (own.oxygen_mg_l, own.nitrification_oxygen_mg_l) {
            row(say!(words, "feed-oxygen"), number(oxygen, 1), say!(words, "feed-oxygen-from"));
            row(say!(words, "feed-nitrification"), range(used, 1), say!(words, "feed-if-all"));
        }
        if let Some(used) = own.alkalinity_used_mg_l {
            let note = match own.alkalinity_mg_l {
                Some(now) => say!(words, "feed-kit", now = number(now, 0)),
                None => say!(words, "feed-no-kit"),
            };
            row(say!(words, "feed-alkalinity"), range(used, 1), note);
        }
        if let Some(phosphorus) = own.phosphorus_mg_l {
            row(say!(words, "feed-phosphorus"), number(phosphorus, 2), say!(words, "feed-to-sludge"));
        }
        let head = say!(
            words,
            "feed-head",
            pond = pond,
            kg = number(feed, 0),
            whence = match own.days {
                Some(0) | None => say!(words, "feed-as-said"),
                Some(days) => say!(words, "feed-mean", days = days.to_string()),
            },
            protein = number(own.protein_percent, 0),
            volume = number(volume, 0),
        );
        let rows = std::mem::take(&mut out);
        paragraph(&mut out, "", "  ", &head);
        out.push_str(&rows);
    } else {
        paragraph(&mut out, "", "", &say!(words, "feed-none", pond = pond));
    }
    out.push('\n');
    match &own.struvite {
        Some(look) => struvite(&mut out, look, &say!(words, "struvite-in-water"), words),
        None => paragraph(&mut out, "", "  ", &say!(words, "struvite-unknown")),
    }
    match &own.pore_struvite {
        Some(look) => struvite(&mut out, look, &say!(words, "struvite-in-pore"), words),
        None => paragraph(&mut out, "", "", &say!(words, "struvite-sludge")),
    }
    let _ = writeln!(out, "\n{}", say!(words, "feed-how"));
    own.formulas.iter().for_each(|line| paragraph(&mut out, "  ", "    ", &recognised(words, line)));
    out
}

fn struvite(out: &mut String, look: &StruviteStatus, place: &str, words: Words) {
    let with = say!(
        words,
        "struvite-with",
        tan = number(look.tan_mg_l, 2),
        phosphate = number(look.phosphate_mg_l, 2),
        magnesium = number(look.magnesium_mg_l, 0),
        whence = if look.magnesium_measured {
            say!(words, "struvite-measured")
        } else {
            say!(words, "struvite-as-sea")
        },
        ph = number(look.ph, 2),
    );
    let text = match look.saturation_index {
        Some(index) if index < -GOOD_TO => {
            let (index, times) = (signed(index, 1), times_below(index));
            say!(words, "struvite-below", place = place, index = index, times = times, with = with)
        }
        Some(index) if index <= GOOD_TO => {
            say!(words, "struvite-near", place = place, index = signed(index, 1), with = with)
        }
        Some(index) => say!(
            words,
            "struvite-above",
            place = place,
            index = signed(index, 1),
            with = with,
            most = number(look.struvite_mg_l_at_most, 1),
        ),
        None => say!(words, "struvite-none", place = place, with = with),
    };
    paragraph(out, "", "  ", &text);
}

/// How many times, to two digits.
fn times_below(index: f64) -> String {
    let times = 10_f64.powf(-index);
    let step = 10_f64.powf(times.log10().floor() - 1.0);
    number((times / step).round() * step, if times < 10.0 { 1 } else { 0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::fits;

    fn own() -> FeedLoadStatus {
        FeedLoadStatus {
            pond: "p1".to_owned(),
            at: "2026-11-25T20:30:00Z".to_owned(),
            feed_kg: Some(152.0),
            days: Some(7),
            protein_percent: 35.0,
            volume_m3: Some(7_500.0),
            nitrogen_kg: Some(8.512),
            tan_mg_l: Some((0.6526, 1.0214)),
            oxygen_mg_l: Some(25.33),
            nitrification_oxygen_mg_l: Some((2.98, 4.67)),
            alkalinity_used_mg_l: Some((4.66, 7.3)),
            phosphorus_mg_l: Some(0.1946),
            alkalinity_mg_l: Some(112.0),
            struvite: Some(StruviteStatus {
                tan_mg_l: 0.9,
                phosphate_mg_l: 0.4,
                magnesium_mg_l: 667.0,
                magnesium_measured: false,
                ph: 8.1,
                saturation_index: Some(-2.1),
                struvite_mg_l_at_most: 0.0,
            }),
            pore_struvite: None,
            formulas: vec!["nitrogen = feed x protein / 6.25".to_owned()],
        }
    }

    #[test]
    fn a_day_of_feed_and_no_struvite() {
        insta::assert_snapshot!(fits(&told(&own(), crate::texts::english())));
    }

    #[test]
    fn the_sludge_s_own_water_may_form_some() {
        let pore = StruviteStatus {
            tan_mg_l: 40.0,
            phosphate_mg_l: 8.0,
            ph: 8.7,
            saturation_index: Some(0.9),
            struvite_mg_l_at_most: 31.4,
            ..own().struvite.expect("of the water")
        };
        let told = told(&FeedLoadStatus { pore_struvite: Some(pore), ..own() }, crate::texts::english());
        let flat = fits(&told).split_whitespace().collect::<Vec<_>>().join(" ");
        let wanted = "Struvite in the sludge's pore water: index +0.9 with TAN 40.00, phosphate 8.00, magnesium 667 mg/L (as in sea water of this salinity), pH 8.70. At most 31.4 mg/L could form.";
        assert!(flat.contains(wanted) && !flat.contains("--sludge-tan"), "{told}");
    }

    #[test]
    fn nothing_known() {
        let none = FeedLoadStatus { feed_kg: None, struvite: None, ..own() };
        insta::assert_snapshot!(fits(&told(&none, crate::texts::english())));
    }

    /// 10^2.1 is 126, 10^0.5 is 3.2, 10^3.37 is 2,344.
    #[test]
    fn so_many_times_to_two_digits() {
        assert_eq!([-2.1, -0.5, -3.37].map(times_below), ["130", "3.2", "2300"]);
    }
}
