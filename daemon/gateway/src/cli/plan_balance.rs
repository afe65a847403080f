//! `pondreeve plan balance`: whether what is recorded of doses and feed agrees with what kits read of alkalinity and
//! hardness.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use pondreeve_core::Quantity;
use pondreeve_core::mass_balance::{PROTEIN_ACCEPTED, USUAL_PROTEIN_PERCENT};
use pondreeve_core::mineral_balance::{self, Agreement, Balance, Change, KIT_STEP_MG_L, Mineral};
use serde::Serialize;

use super::numbers::within;
use super::plain::{self, paragraph};
use super::report::{day, zone};
use crate::console::text::{FarmClock, number, signed};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::diary::DeedStatus;
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::say;

const AFTER: &str = "\
From the first kit value of the stretch to the last: what the recorded doses can
have added, what nitrifying the feed's ammonia can have taken, and where the last
value should therefore lie. A last value outside that says that something is not
recorded, was not given, or came with the water. DATE is a day of the farm, such
as 2026-03-17; without --from it begins with the crop that is in the pond, or 60
days back.

Soil, lime that is not in the diary, rain, evaporation and algae are not counted.

Examples:
  pondreeve plan balance --pond p1
  pondreeve plan balance --pond p1 --from 2026-03-01 --source-alkalinity-mg-l 95";

/// Days back where no crop is known.
const DAYS_WITHOUT_CROP: i64 = 60;
/// Entries of one answer.
const MOST_DEEDS: usize = 10_000;

/// Arguments of `plan balance`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Which pond
    #[arg(long, value_name = "POND")]
    pub pond: String,
    /// From this day on
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Up to this day; now if not given
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// Alkalinity of the water that is let in, mg/L as CaCO3
    #[arg(long, value_name = "MG/L", value_parser = within(0.0, 50_000.0, "mg/L"))]
    pub source_alkalinity_mg_l: Option<f64>,
    /// Hardness of the water that is let in, mg/L as CaCO3
    #[arg(long, value_name = "MG/L", value_parser = within(0.0, 50_000.0, "mg/L"))]
    pub source_hardness_mg_l: Option<f64>,
    /// Protein in the feed; 35 if not given
    #[arg(long, value_name = "PERCENT", default_value_t = USUAL_PROTEIN_PERCENT, value_parser = within(PROTEIN_ACCEPTED.0, PROTEIN_ACCEPTED.1, "%"))]
    pub protein_percent: f64,
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

/// What was found, as `--json` prints it.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Found {
    pond: String,
    from: String,
    to: String,
    doses: usize,
    /// Doses of which the alkalinity is not known.
    doses_not_counted: usize,
    feed_kg: f64,
    alkalinity: Option<Told>,
    hardness: Option<Told>,
}

/// One mineral's balance, mg/L as CaCO3.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Told {
    first_at: String,
    first_mg_l: f64,
    last_at: String,
    last_mg_l: f64,
    doses_at_most_mg_l: f64,
    nitrified_at_most_mg_l: f64,
    exchanged_share: f64,
    expected_mg_l: Option<(f64, f64)>,
    agreement: Option<&'static str>,
}

impl From<Balance> for Told {
    fn from(own: Balance) -> Self {
        let time = |at: pondreeve_core::Timestamp| {
            Timestamp::from_millisecond(at.as_millis()).map(|at| at.to_string()).unwrap_or_default()
        };
        Self {
            first_at: time(own.first.0),
            first_mg_l: own.first.1,
            last_at: time(own.last.0),
            last_mg_l: own.last.1,
            doses_at_most_mg_l: own.doses_mg_l,
            nitrified_at_most_mg_l: own.nitrified_mg_l,
            exchanged_share: own.exchanged_share,
            expected_mg_l: own.expected_mg_l,
            agreement: own.agreement.map(|agreement| match agreement {
                Agreement::Within => "within",
                Agreement::Above => "above",
                Agreement::Below => "below",
                Agreement::TooLittle => "too_little_to_tell",
            }),
        }
    }
}

/// Balances.
///
/// # Errors
/// When no daemon answers, or something asked for is not accepted.
pub(super) fn run(arguments: &Arguments) -> Outcome {
    let farm = arguments.daemon.status()?;
    let words = arguments.speech.words_to_act(&farm)?;
    super::known_pond(&farm, &arguments.pond, words)?;
    let facts = match arguments.daemon.ask(Ask::Facts)? {
        Reply::Facts(facts) => *facts,
        other => return Err(arguments.daemon.refused(&other, words)),
    };
    let zone = zone(&facts, &farm);
    let now: Timestamp = farm.at.parse().map_err(|_| Failure::failed(say!(words, "command-no-time")))?;
    // What is recorded in this moment too.
    let to = arguments.to.as_deref().map(|text| day(text, "--to", &zone, true)).transpose()?;
    let to = to.unwrap_or(now + SignedDuration::from_secs(60));
    let from = match &arguments.from {
        Some(text) => day(text, "--from", &zone, false)?,
        None => stocked_at(&farm, &arguments.pond)
            .unwrap_or(to - SignedDuration::from_hours(24 * DAYS_WITHOUT_CROP)),
    };
    if from >= to {
        return Err(Failure::usage(say!(words, "balance-from-after-to")));
    }
    let ask = Ask::Deeds {
        pond: Some(arguments.pond.clone()),
        from: from.to_string(),
        to: to.to_string(),
        most: MOST_DEEDS,
    };
    let deeds = match arguments.daemon.ask(ask)? {
        Reply::Deeds { is_cut: true, .. } => {
            return Err(Failure::failed(say!(
                words,
                "balance-too-many",
                pond = &arguments.pond,
                most = MOST_DEEDS.to_string(),
                from = from.to_string(),
                to = to.to_string(),
            )));
        }
        Reply::Deeds { deeds, .. } => deeds,
        other => return Err(arguments.daemon.refused(&other, words)),
    };
    let found = find(arguments, &deeds, (from, to));
    if arguments.json {
        return super::print(&super::json_line(&found)?);
    }
    super::print_plain(&told(&found, plain::clock(&farm).read_in(words))).map(|_| DONE)
}

fn stocked_at(farm: &FarmStatus, pond: &str) -> Option<Timestamp> {
    let diary = farm.ponds.iter().find(|own| own.id == pond)?.diary.as_ref()?;
    diary.crop.as_ref()?.stocked_at.parse().ok()
}

/// Deeds as changes of the water, in the order of their time.
fn changes(
    deeds: &[DeedStatus],
    kit: Quantity,
    protein_percent: f64,
) -> Vec<(pondreeve_core::Timestamp, Change)> {
    let of = |deed: &DeedStatus| {
        let at: Timestamp = deed.at.parse().ok()?;
        let value = |name: &str| deed.values.get(name).and_then(serde_json::Value::as_f64);
        let change = match deed.kind.as_str() {
            "dose" => Change::Dose { added_mg_l: value("alkalinity_added_mg_l")? },
            "feed" => Change::Feed { kg: value("kg")?, protein_percent, volume_m3: value("pond_m3")? },
            "exchange" => Change::Exchange { share: value("percent")? / 100.0 },
            "reading" => Change::Kit(value(kit.id())?),
            _ => return None,
        };
        Some((pondreeve_core::Timestamp(at.as_millisecond()), change))
    };
    let mut changes: Vec<_> = deeds.iter().filter(|deed| stands(deed)).filter_map(of).collect();
    changes.sort_by_key(|(at, _)| *at);
    changes
}

/// Neither corrected nor withdrawn nor refused.
fn stands(deed: &DeedStatus) -> bool {
    deed.superseded_by.is_none() && deed.withdrawn.is_none() && deed.refused.is_none()
}

fn find(arguments: &Arguments, deeds: &[DeedStatus], (from, to): (Timestamp, Timestamp)) -> Found {
    let balance = |mineral, kit, source| {
        let changes = changes(deeds, kit, arguments.protein_percent);
        mineral_balance::balance(mineral, &changes, source).map(Told::from)
    };
    let all = |kind: &'static str| deeds.iter().filter(move |deed| deed.kind == kind && stands(deed));
    Found {
        pond: arguments.pond.clone(),
        from: from.to_string(),
        to: to.to_string(),
        doses: all("dose").count(),
        doses_not_counted: all("dose")
            .filter(|dose| !dose.values.contains_key("alkalinity_added_mg_l"))
            .count(),
        feed_kg: all("feed").filter_map(|feed| feed.values.get("kg")?.as_f64()).sum(),
        alkalinity: balance(Mineral::Alkalinity, Quantity::AlkalinityMgL, arguments.source_alkalinity_mg_l),
        hardness: balance(Mineral::Hardness, Quantity::HardnessMgL, arguments.source_hardness_mg_l),
    }
}

/// For a person.
fn told(found: &Found, clock: FarmClock) -> String {
    let words = clock.words();
    let mut out = String::new();
    let head = say!(
        words,
        "balance-head",
        pond = found.pond.to_uppercase(),
        from = clock.time_and_day(&found.from),
        doses = match found.doses {
            1 => say!(words, "balance-one-dose"),
            doses => say!(words, "balance-some-doses", doses = doses.to_string()),
        },
        feed = number(found.feed_kg, 0),
    );
    paragraph(&mut out, "", "  ", &head);
    if found.doses_not_counted > 0 {
        let doses = found.doses_not_counted.to_string();
        paragraph(&mut out, "  ", "  ", &say!(words, "balance-not-counted", doses = doses));
    }
    let alkalinity = (say!(words, "balance-alkalinity"), Quantity::AlkalinityMgL, "--source-alkalinity-mg-l");
    mineral(&mut out, alkalinity, found.alkalinity.as_ref(), clock);
    let hardness = (say!(words, "balance-hardness"), Quantity::HardnessMgL, "--source-hardness-mg-l");
    mineral(&mut out, hardness, found.hardness.as_ref(), clock);
    out.push('\n');
    paragraph(&mut out, "", "  ", &say!(words, "balance-how", step = format!("{KIT_STEP_MG_L:.0}")));
    out
}

fn mineral(
    out: &mut String,
    (name, kit, option): (String, Quantity, &str),
    own: Option<&Told>,
    clock: FarmClock,
) {
    let words = clock.words();
    out.push('\n');
    let Some(own) = own else {
        return paragraph(out, "", "  ", &say!(words, "balance-too-few", name = name, id = kit.id()));
    };
    let _ = writeln!(out, "{}", say!(words, "balance-unit", name = name));
    let mut row = |what: String, value: String, note: String| {
        let line = format!("  {what:<36}{value:>10}  {note}");
        let _ = writeln!(out, "{}", line.trim_end());
    };
    row(say!(words, "balance-first"), number(own.first_mg_l, 0), clock.time_and_day(&own.first_at));
    row(say!(words, "balance-doses"), signed(own.doses_at_most_mg_l, 1), say!(words, "balance-dissolved"));
    if own.nitrified_at_most_mg_l > 0.0 {
        let nitrified = signed(-own.nitrified_at_most_mg_l, 1);
        row(say!(words, "balance-nitrified"), nitrified, say!(words, "balance-all-tan"));
    }
    let share = number(100.0 * own.exchanged_share, 0);
    if own.exchanged_share > 0.0 {
        row(say!(words, "balance-replaced"), share.clone(), String::new());
    }
    if let Some((low, high)) = own.expected_mg_l {
        let range = say!(words, "balance-range", low = number(low, 0), high = number(high, 0));
        row(say!(words, "balance-expected"), range, String::new());
    }
    row(say!(words, "balance-last"), number(own.last_mg_l, 0), clock.time_and_day(&own.last_at));
    let text = match own.agreement {
        None => say!(words, "balance-unknown-water", share = share, option = option),
        Some("within") => say!(words, "balance-within"),
        Some("too_little_to_tell") => say!(words, "balance-too-little"),
        Some("above") => say!(words, "balance-above"),
        Some(_) => say!(words, "balance-below"),
    };
    paragraph(out, "  ", "  ", &text);
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use clap::Parser as _;
    use serde_json::json;

    use super::*;
    use crate::cli::spanish_tests::{english_in, spanish};
    use crate::texts::{Words, english};

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        own: Arguments,
    }

    fn arguments(more: &[&str]) -> Arguments {
        Line::parse_from(["plan", "--pond", "p1"].into_iter().chain(more.iter().copied())).own
    }

    fn deed(kind: &str, at: &str, values: serde_json::Value) -> DeedStatus {
        DeedStatus {
            kind: kind.to_owned(),
            number: Some(1),
            pond: Some("p1".to_owned()),
            at: at.to_owned(),
            stop: None,
            recorded: at.to_owned(),
            by: "ana".to_owned(),
            corrects: None,
            superseded_by: None,
            withdrawn: None,
            refused: None,
            words: String::new(),
            values: serde_json::from_value::<BTreeMap<_, _>>(values).unwrap(),
            said: None,
        }
    }

    fn deeds(last_alkalinity: f64) -> Vec<DeedStatus> {
        let mut deeds = vec![deed("reading", "2026-03-01T12:00:00Z", json!({"alkalinity_mg_l": 110.0}))];
        for day in [3, 10, 17, 24] {
            let at = format!("2026-03-{day:02}T12:00:00Z");
            deeds.push(deed("dose", &at, json!({"slurry_kg": 30.0, "alkalinity_added_mg_l": 4.119})));
            // 50 kg x 35 % x 0.144 / 7,500 m3 = 0.336 mg/L of N, x 7.146 = 2.40.
            deeds.push(deed("feed", &at, json!({"kg": 50.0, "pond_m3": 7_500.0})));
        }
        let mut withdrawn = deed("dose", "2026-03-25T12:00:00Z", json!({"alkalinity_added_mg_l": 90.0}));
        withdrawn.superseded_by = Some(9);
        deeds.push(withdrawn);
        deeds.push(deed("reading", "2026-03-28T12:00:00Z", json!({"alkalinity_mg_l": last_alkalinity})));
        deeds
    }

    fn shown(deeds: &[DeedStatus], more: &[&str]) -> String {
        shown_in(deeds, more, english())
    }

    fn shown_in(deeds: &[DeedStatus], more: &[&str], words: Words) -> String {
        let time = |text: &str| text.parse::<Timestamp>().unwrap();
        let found =
            find(&arguments(more), deeds, (time("2026-03-01T05:00:00Z"), time("2026-03-29T05:00:00Z")));
        let shown = told(&found, FarmClock::new("2026-03-29T05:00:00Z", -18_000).read_in(words));
        for line in shown.lines() {
            assert!(line.chars().count() <= 80, "wider than a serial console: {line}");
        }
        shown
    }

    #[test]
    fn doses_and_feed_beside_what_the_kit_reads() {
        insta::assert_snapshot!(shown(&deeds(121.0), &[]));
    }

    #[test]
    fn the_same_in_spanish() {
        let mut replaced = deeds(100.0);
        replaced.insert(5, deed("exchange", "2026-03-11T12:00:00Z", json!({"percent": 30.0})));
        let all = [deeds(121.0), deeds(160.0), deeds(80.0), replaced, Vec::new()];
        let shown: Vec<String> = all.iter().map(|deeds| shown_in(deeds, &[], spanish())).collect();
        let shown = shown.join("\n");
        assert_eq!(english_in(&shown), Vec::<String>::new(), "{shown}");
        insta::assert_snapshot!(shown);
    }

    #[test]
    fn a_dose_that_nobody_wrote_down_shows() {
        let text = shown(&deeds(160.0), &[]);
        assert!(text.contains("+16.5") && text.contains("-9.6") && text.contains("100 to 126"), "{text}");
        assert!(text.contains("MORE than what is recorded"), "{text}");
        assert!(shown(&deeds(80.0), &[]).contains("LESS than what is recorded"));
    }

    #[test]
    fn water_that_was_replaced_must_be_known() {
        let mut deeds = deeds(100.0);
        deeds.insert(5, deed("exchange", "2026-03-11T12:00:00Z", json!({"percent": 30.0})));
        let words = shown(&deeds, &[]);
        let words: Vec<&str> = words.split_whitespace().collect();
        assert!(words.join(" ").contains("give it with --source-alkalinity-mg-l"));
        let text = shown(&deeds, &["--source-alkalinity-mg-l", "95"]);
        // 110 x 0.7 + 95 x 0.3 = 105.5; of the doses two before it are left at 0.7: 2 x 2.883 + 2 x 4.119 = 14.0;
        // of nitrification 2 x 1.68 + 2 x 2.40 = 8.2.
        assert!(text.contains("97 to 120"), "{text}");
        assert!(Line::try_parse_from(["plan", "--pond", "p1", "--source-alkalinity-mg-l", "-3"]).is_err());
    }
}
