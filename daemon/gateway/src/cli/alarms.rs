//! `pondreeve alarms`: what stands, and what waits to be acknowledged; and how much the alarms ask of
//! people.

use std::fmt::Write as _;

use super::plain::paragraph;
use crate::console::text::age_words;
use crate::console::words::mark;
use crate::exit_code::Outcome;
use crate::local::protocol::{AlarmLoadStatus, Ask, Reply};
use crate::texts::english;

const AFTER: &str = "\
Most urgent first. <1C> critical: act within 15 minutes. /2H\\ high: within the
hour. [3M] medium: the same day. An alarm that is over stays listed until it is
acknowledged. What is shelved is listed with who, until when and why.

With --measures: how much the alarms asked of whoever is on watch over the last
30 days, beside what ANSI/ISA-18.2 and EEMUA 191 call acceptable (by public
summaries of them) and this farm's own aims.

With --json: one JSON object a line for each alarm, times in UTC.

Examples:
  pondreeve alarms
  pondreeve alarms --json
  pondreeve alarms --measures";

/// Arguments of `alarms`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Print how much the alarms asked of people over the last 30 days
    #[arg(long)]
    pub measures: bool,
    /// Print one JSON object a line instead
    #[arg(long)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Lists the alarms.
///
/// # Errors
/// When no daemon answers.
pub fn run(arguments: &Arguments) -> Outcome {
    if arguments.measures {
        return measures(arguments);
    }
    let farm = arguments.daemon.status()?;
    if !arguments.json {
        return super::print_plain(&super::plain::alarms(&farm, arguments.speech.words(&farm)?));
    }
    let lines: Result<String, _> = farm.alarms.iter().map(super::json_line).collect();
    super::print(&lines?)
}

fn measures(arguments: &Arguments) -> Outcome {
    let load = match arguments.daemon.ask(Ask::AlarmLoad)? {
        Reply::AlarmLoad(load) => load,
        other => return Err(arguments.daemon.unexpected(&other)),
    };
    if arguments.json {
        return super::print(&super::json_line(&*load)?);
    }
    super::print_plain(&measured(&load))
}

/// Of the most frequent alarms, so many are shown.
const MOST_SHOWN: usize = 8;

/// The measures as a table, with what is aimed at.
fn measured(load: &AlarmLoadStatus) -> String {
    let mut out = String::new();
    let days = load.days;
    let _ = writeln!(out, "{:<44}{:>12}  aim", format!("Alarms over the last {days:.1} days"), "measured");
    let mut row = |what: &str, measured: String, aim: &str| {
        let _ = writeln!(out, "{}", format!("{what:<44}{measured:>12}  {aim}").trim_end());
    };
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    row("raised in a day, mean", format!("{:.1}", load.raised_per_day), "under 10");
    row("raised in a night, mean", format!("{:.1}", load.raised_per_night), "under 2");
    row("raised in ten minutes, mean", format!("{:.3}", load.raised_per_10_min), "about 1, at most 2");
    row("most in any ten minutes", load.most_in_10_min.to_string(), "at most 10");
    row("ten-minute periods with more than ten", percent(load.flooded_share), "under 1 %");
    let [critical, high, medium] = load.raised_by_priority;
    row("critical, high, medium", format!("{critical}, {high}, {medium}"), "about 5, 15, 80 %");
    row("share of the ten most frequent", percent(load.most_frequent_share), "under 5 %, or a plan");
    row("chattering: three times in half an hour", load.chattering.len().to_string(), "none");
    row("stale: standing for more than a day", load.stale.len().to_string(), "under 5");
    row("shelved now; shelved in all", format!("{}; {}", load.shelved.len(), load.shelvings), "");
    let waited =
        load.acknowledged_after_s.map_or_else(|| "--".to_owned(), |after| age_words(english(), after));
    row("acknowledged after, median", waited, "critical: 15 min");
    if days < 1.0 {
        paragraph(&mut out, "", "", "Less than a day is known yet: these figures say little.");
    }
    if !load.most_frequent.is_empty() {
        out.push_str("\nMost frequent\n");
        // With the table above it fills a screen of 24 lines; --json has all of them.
        for own in load.most_frequent.iter().take(MOST_SHOWN) {
            let _ = writeln!(out, "{:>6}  {} {}", own.raised, mark(english(), own.priority), own.id);
        }
    }
    for (what, ids) in [("Chattering", &load.chattering), ("Stale", &load.stale), ("Shelved", &load.shelved)]
    {
        if !ids.is_empty() {
            paragraph(&mut out, &format!("{what}: "), "  ", &ids.join(", "));
        }
    }
    if load.flood_since.is_some() {
        paragraph(
            &mut out,
            "",
            "",
            "A flood is on: more alarms come than anybody can read. Act on the top one.",
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::local::protocol::FrequentAlarm;

    #[test]
    fn the_measures_stand_beside_what_is_aimed_at() {
        let frequent =
            |id: &str, priority: u8, raised: u64| FrequentAlarm { id: id.to_owned(), priority, raised };
        let load = AlarmLoadStatus {
            from: "2026-11-13T07:14:00Z".to_owned(),
            to: "2026-11-25T07:14:00Z".to_owned(),
            days: 12.0,
            raised: 60,
            raised_by_priority: [3, 9, 48],
            raised_by_night: 18,
            raised_per_10_min: 60.0 / 12.0 / 144.0,
            raised_per_day: 5.0,
            raised_per_night: 1.5,
            most_in_10_min: 4,
            flooded_share: 0.0,
            flood_since: None,
            most_frequent_share: 0.55,
            most_frequent: vec![
                frequent("p3.probe-fault.p3-oxygen", 3, 21),
                frequent("p1.do-forecast-warn", 3, 12),
            ],
            chattering: vec!["p3.probe-fault.p3-oxygen".to_owned()],
            stale: vec![],
            shelved: vec!["p1.ph-high-warn".to_owned()],
            shelvings: 2,
            acknowledged_after_s: Some(190),
        };
        let shown = measured(&load);
        for line in shown.lines() {
            assert!(line.len() <= 80, "wider than a serial console: {line}");
        }
        insta::assert_snapshot!(shown);
    }
}
