//! `pondreeve alarms`: what stands, and what waits to be acknowledged; and how much the alarms ask of
//! people.

use std::fmt::Write as _;

use super::plain::paragraph;
use crate::console::text::age_words;
use crate::console::words::mark;
use crate::exit_code::Outcome;
use crate::local::protocol::{AlarmLoadStatus, Ask, Reply};
use crate::texts::{Words, say};

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
    let words = arguments.speech.words_by(&arguments.daemon)?;
    super::print_plain(&measured(&load, words))
}

/// Of the most frequent alarms, so many are shown.
const MOST_SHOWN: usize = 8;

/// The measures as a table, with what is aimed at.
fn measured(load: &AlarmLoadStatus, words: Words) -> String {
    let mut out = String::new();
    let days = load.days;
    let number = |value: f64, decimals: usize| format!("{value:.decimals$}");
    let head = say!(words, "load-head", days = number(days, 1));
    let _ = writeln!(out, "{head:<44}{:>12}  {}", say!(words, "load-measured"), say!(words, "load-aim"));
    let mut row = |what: String, measured: String, aim: String| {
        let _ = writeln!(out, "{}", format!("{what:<44}{measured:>12}  {aim}").trim_end());
    };
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    row(say!(words, "load-day"), number(load.raised_per_day, 1), say!(words, "load-day-aim"));
    row(say!(words, "load-night"), number(load.raised_per_night, 1), say!(words, "load-night-aim"));
    row(say!(words, "load-ten"), number(load.raised_per_10_min, 3), say!(words, "load-ten-aim"));
    row(say!(words, "load-most"), load.most_in_10_min.to_string(), say!(words, "load-most-aim"));
    row(say!(words, "load-flooded"), percent(load.flooded_share), say!(words, "load-flooded-aim"));
    let [critical, high, medium] = load.raised_by_priority;
    let by_priority = format!("{critical}, {high}, {medium}");
    row(say!(words, "load-priority"), by_priority, say!(words, "load-priority-aim"));
    row(say!(words, "load-frequent"), percent(load.most_frequent_share), say!(words, "load-frequent-aim"));
    row(say!(words, "load-chatter"), load.chattering.len().to_string(), say!(words, "load-chatter-aim"));
    row(say!(words, "load-stale"), load.stale.len().to_string(), say!(words, "load-stale-aim"));
    let shelved = format!("{}; {}", load.shelved.len(), load.shelvings);
    row(say!(words, "load-shelved"), shelved, String::new());
    let waited = load.acknowledged_after_s.map_or_else(|| "--".to_owned(), |after| age_words(words, after));
    row(say!(words, "load-waited"), waited, say!(words, "load-waited-aim"));
    if days < 1.0 {
        paragraph(&mut out, "", "", &say!(words, "load-little"));
    }
    if !load.most_frequent.is_empty() {
        let _ = writeln!(out, "\n{}", say!(words, "load-list"));
        // With the table above it fills a screen of 24 lines; --json has all of them.
        for own in load.most_frequent.iter().take(MOST_SHOWN) {
            let _ = writeln!(out, "{:>6}  {} {}", own.raised, mark(words, own.priority), own.id);
        }
    }
    let lists = [
        (say!(words, "load-chattering"), &load.chattering),
        (say!(words, "load-standing"), &load.stale),
        (say!(words, "load-aside"), &load.shelved),
    ];
    for (what, ids) in lists {
        if !ids.is_empty() {
            paragraph(&mut out, &format!("{what}: "), "  ", &ids.join(", "));
        }
    }
    if load.flood_since.is_some() {
        paragraph(&mut out, "", "", &say!(words, "load-flood"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::spanish_tests::{english_in, spanish};
    use super::*;
    use crate::cli::fits;
    use crate::local::protocol::FrequentAlarm;
    use crate::texts::english;

    fn load() -> AlarmLoadStatus {
        let frequent =
            |id: &str, priority: u8, raised: u64| FrequentAlarm { id: id.to_owned(), priority, raised };
        AlarmLoadStatus {
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
        }
    }

    #[test]
    fn the_measures_stand_beside_what_is_aimed_at() {
        insta::assert_snapshot!(fits(&measured(&load(), english())));
    }

    #[test]
    fn the_measures_are_told_in_spanish() {
        let flood = AlarmLoadStatus {
            days: 0.4,
            flood_since: Some("2026-11-25T07:14:00Z".to_owned()),
            stale: vec!["p1.secchi-low-warn".to_owned()],
            acknowledged_after_s: None,
            ..load()
        };
        let shown = fits(&measured(&load(), spanish())).to_owned() + fits(&measured(&flood, spanish()));
        assert_eq!(english_in(&shown), Vec::<String>::new(), "{shown}");
        insta::assert_snapshot!(shown);
    }
}
