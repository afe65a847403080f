//! `pondreeve report`: the crop report, as a page with its tables, or as JSON lines.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::spoken;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::client::{self, Client};
use crate::local::diary::DeedStatus;
use crate::local::protocol::{AlarmLoadStatus, Ask, FactsStatus, FarmStatus, GroupEnergy, Reply, RollUp};
use crate::report::{self, AuditLine, Gathered, GatheredPond, Language, Period, QUANTITIES, Texts};
use crate::texts::say;

const AFTER: &str = "\
One HTML file that needs nothing else: no network, plots within, fit to print.
The first page says which pond needs attention and what may be said of a
treatment; then each pond by the day, its crop in figures, alarms, what people
did, what is not known, how every figure was worked out, and the limits in
force. Beside it stand the tables as CSV: report.html goes with
report-figures.csv and so on.

DATE is a day of the farm, such as 2026-03-17, or a time by RFC 3339. The days
of --from and --to are both in the report. Without --from it begins with the
oldest crop that is in a pond (400 days back at most), or 30 days back where no
stocking was recorded. Figures of a crop are those of the whole crop, whatever
--from says.

What was not recorded is said to be so, never taken for zero. Costs, prices,
feed, doses, samples and harvests come from the diary (pondreeve record).

With --json: one figure a line, with its unit, what it rests on and, where it
is not known, why.

Examples:
  pondreeve report --out crop.html
  pondreeve report --pond p1 --pond p2 --from 2026-03-01 --out march.html
  pondreeve report --language es --out informe.html
  pondreeve report --json";

/// Days back at most.
const MOST_DAYS: i64 = 400;

/// Days back where no crop is known.
const DAYS_WITHOUT_CROP: i64 = 30;

/// Stretches of one question.
const PAGE_DAYS: i64 = 31;

/// Deeds of one page.
const MOST_DEEDS: usize = 10_000;

/// Arguments of `report`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Only this pond; may be given more than once
    #[arg(long = "pond", value_name = "POND")]
    pub ponds: Vec<String>,
    /// From this day on
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Up to this day; today if not given
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// Language of the page; the farm's own if not given
    #[arg(long, value_enum)]
    pub language: Option<Language>,
    /// The page; its tables are written beside it
    #[arg(long, value_name = "FILE.html", required_unless_present = "json")]
    pub out: Option<PathBuf>,
    /// Print the figures as JSON, one object a line
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Makes the report.
///
/// # Errors
/// When no daemon answers, a pond or a date is not understood, or a file cannot be written.
pub fn run(arguments: &Arguments) -> Outcome {
    let farm = arguments.daemon.status()?;
    let words = spoken();
    arguments.ponds.iter().try_for_each(|id| super::known_pond(&farm, id, words))?;
    let out = arguments.out.as_deref();
    if let Some(path) = out.filter(|path| path.extension().is_none_or(|end| end != "html")) {
        let (named, better) = (path.display().to_string(), path.with_extension("html").display().to_string());
        return Err(Failure::usage(say!(words, "report-no-page", named = named, better = better)));
    }
    let language = arguments.language.unwrap_or_else(|| Language::of_farm(farm.language.as_deref()));
    let gathered = gather(arguments, farm)?;
    let reports = report::work_out(&gathered);
    if arguments.json {
        let figures = reports.iter().flat_map(|report| &report.figures);
        let lines: Result<String, Failure> = figures.map(super::json_line).collect();
        super::print(&lines?)?;
    }
    let Some(path) = out else { return Ok(DONE) };
    let texts = Texts::new(language);
    let page = report::html(&gathered, &reports, &texts)
        .map_err(|error| Failure::failed(say!(words, "report-not-made", error = error.to_string())))?;
    write(path, page.as_bytes())?;
    let mut names = vec![path.display().to_string()];
    for (name, rows) in report::tables::tables(&gathered, &reports) {
        let beside = beside(path, name);
        write(&beside, &csv(&rows)?)?;
        names.push(beside.display().to_string());
    }
    if arguments.json { Ok(DONE) } else { super::print(&(names.join("\n") + "\n")) }
}

/// `crop.html` goes with `crop-figures.csv`.
fn beside(page: &Path, table: &str) -> PathBuf {
    let stem = page.file_stem().map_or_else(|| "report".into(), std::ffi::OsStr::to_string_lossy);
    page.with_file_name(format!("{stem}-{table}.csv"))
}

fn csv(rows: &[Vec<String>]) -> Result<Vec<u8>, Failure> {
    let failed = |error: &dyn std::fmt::Display| {
        Failure::failed(say!(spoken(), "report-no-table", error = error.to_string()))
    };
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.write_record(row).map_err(|error| failed(&error))?;
    }
    writer.into_inner().map_err(|error| failed(&error))
}

/// The file has its name only once it is whole: a report that is there can be read.
fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let mut name = path.as_os_str().to_owned();
    name.push(".making");
    let making = PathBuf::from(name);
    let written = fs::File::create(&making).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&making, path)
    });
    written.map_err(|error| {
        let _ = fs::remove_file(&making);
        let path = path.display().to_string();
        Failure::failed(say!(spoken(), "report-not-written", path = path, error = super::error_in(&error)))
    })
}

fn gather(arguments: &Arguments, farm: FarmStatus) -> Result<Gathered, Failure> {
    super::wait_for(async {
        let client = client::connect(&arguments.daemon.socket).await;
        let client = client.map_err(|error| super::unreached(&error))?;
        let mut asker = Asker { client, daemon: &arguments.daemon };
        asker.gather(arguments, farm).await
    })?
}

struct Asker<'a> {
    client: Client,
    daemon: &'a super::Daemon,
}

impl Asker<'_> {
    async fn ask(&mut self, ask: Ask) -> Result<Reply, Failure> {
        self.client.ask(ask).await.map_err(|error| super::unreached(&error))
    }

    async fn gather(&mut self, arguments: &Arguments, farm: FarmStatus) -> Result<Gathered, Failure> {
        let facts = self.facts().await?;
        let now: Timestamp =
            farm.at.parse().map_err(|_| Failure::failed(say!(spoken(), "command-no-time")))?;
        let zone = zone(&facts, &farm);
        let to = match &arguments.to {
            Some(text) => day(text, "--to", &zone, true)?.min(now),
            // What is recorded in this moment too.
            None => now + SignedDuration::from_secs(60),
        };
        let ids: Vec<String> = match &arguments.ponds[..] {
            [] => farm.ponds.iter().map(|pond| pond.id.clone()).collect(),
            named => named.to_vec(),
        };
        let mut gathered = Gathered {
            farm,
            facts,
            period: Period { from: to - SignedDuration::from_hours(24 * MOST_DAYS), to },
            ponds: Vec::new(),
            deeds: Vec::new(),
            alarm_load: self.alarm_load().await?,
            audit: Vec::new(),
            audit_head: (0, String::new()),
            did_it_help: report::DidItHelp::NoTrial,
        };
        gathered.deeds = self.deeds(gathered.period, &ids).await?;
        gathered.ponds = ids.iter().map(|id| GatheredPond { id: id.clone(), ..Default::default() }).collect();
        let crops = gathered.ponds.iter().map(|pond| {
            let facts = gathered.facts_of(&pond.id)?;
            Some(report::books::book(&gathered, pond, facts).crop?.stocked_at)
        });
        let crops: Vec<Option<Timestamp>> = crops.collect();
        let from = match &arguments.from {
            Some(text) => day(text, "--from", &zone, false)?,
            None => crops
                .iter()
                .flatten()
                .min()
                .copied()
                .unwrap_or(to - SignedDuration::from_hours(24 * DAYS_WITHOUT_CROP)),
        };
        if from >= to {
            return Err(Failure::usage(say!(spoken(), "balance-from-after-to")));
        }
        if to - from > SignedDuration::from_hours(24 * MOST_DAYS) {
            return Err(Failure::usage(say!(spoken(), "report-too-long", days = MOST_DAYS.to_string())));
        }
        gathered.period.from = from;
        let period = gathered.period;
        for (pond, crop) in gathered.ponds.iter_mut().zip(crops) {
            for quantity in QUANTITIES {
                pond.quarters.insert(quantity, self.quarters(&pond.id, quantity, period).await?);
            }
            let since = crop.map_or(from, |crop| crop.min(from));
            pond.energy = self.energy(&pond.id, Period { from: since, to }, &zone, crop).await?;
        }
        (gathered.audit, gathered.audit_head) = self.audit(period).await?;
        gathered.did_it_help = self.did_it_help(&ids).await?;
        Ok(gathered)
    }

    /// What the trials of these ponds came to, but for those whose place another took.
    async fn did_it_help(&mut self, ponds: &[String]) -> Result<report::DidItHelp, Failure> {
        let trials = match self.ask(Ask::Trials).await? {
            Reply::Trials { trials } => trials,
            other => return Err(self.daemon.unexpected(&other)),
        };
        let is_here = |pond: &String| ponds.contains(pond);
        let mut told = Vec::new();
        for trial in trials {
            if trial.replaced_by.is_some() || !is_here(&trial.treated) || !is_here(&trial.control) {
                continue;
            }
            match self.ask(Ask::Evidence { trial: trial.trial }).await? {
                Reply::Evidence(evidence) => told.push(report::evidence::Trial::from(&*evidence)),
                other => return Err(self.daemon.unexpected(&other)),
            }
        }
        Ok(if told.is_empty() { report::DidItHelp::NoTrial } else { report::DidItHelp::Trials(told) })
    }

    async fn facts(&mut self) -> Result<FactsStatus, Failure> {
        match self.ask(Ask::Facts).await? {
            Reply::Facts(facts) => Ok(*facts),
            other => Err(self.daemon.unexpected(&other)),
        }
    }

    async fn alarm_load(&mut self) -> Result<AlarmLoadStatus, Failure> {
        match self.ask(Ask::AlarmLoad).await? {
            Reply::AlarmLoad(load) => Ok(*load),
            other => Err(self.daemon.unexpected(&other)),
        }
    }

    /// What was done to these ponds, and to none: in one answer where it fits.
    async fn deeds(&mut self, period: Period, ponds: &[String]) -> Result<Vec<DeedStatus>, Failure> {
        let mut deeds = match self.deeds_of(period).await? {
            (deeds, false) => deeds,
            (_, true) => {
                let mut deeds = Vec::new();
                for page in pages(period) {
                    let (found, is_cut) = self.deeds_of(page).await?;
                    if is_cut {
                        return Err(Failure::failed(say!(
                            spoken(),
                            "report-too-many",
                            most = MOST_DEEDS.to_string(),
                            from = page.from.to_string(),
                            to = page.to.to_string(),
                        )));
                    }
                    deeds.extend(found);
                }
                deeds
            }
        };
        deeds.retain(|deed| deed.pond.as_ref().is_none_or(|pond| ponds.contains(pond)));
        Ok(deeds)
    }

    /// Deeds of a stretch, and whether there were more.
    async fn deeds_of(&mut self, period: Period) -> Result<(Vec<DeedStatus>, bool), Failure> {
        let (from, to) = (period.from.to_string(), period.to.to_string());
        match self.ask(Ask::Deeds { pond: None, from, to, most: MOST_DEEDS }).await? {
            Reply::Deeds { deeds, is_cut } => Ok((deeds, is_cut)),
            other => Err(self.daemon.unexpected(&other)),
        }
    }

    async fn quarters(&mut self, pond: &str, quantity: &str, period: Period) -> Result<Vec<RollUp>, Failure> {
        let mut quarters = Vec::new();
        for page in pages(period) {
            let ask = Ask::RollUps {
                pond: pond.to_owned(),
                quantity: quantity.to_owned(),
                from: page.from.to_string(),
                to: page.to.to_string(),
                every: "quarter".to_owned(),
            };
            match self.ask(ask).await? {
                Reply::RollUps { roll_ups, .. } => quarters.extend(roll_ups),
                other => return Err(self.daemon.unexpected(&other)),
            }
        }
        Ok(quarters)
    }

    /// Energy by days of the farm, parted where the crop begins.
    async fn energy(
        &mut self,
        pond: &str,
        period: Period,
        zone: &TimeZone,
        crop: Option<Timestamp>,
    ) -> Result<Vec<(Period, Vec<GroupEnergy>)>, Failure> {
        let mut found = Vec::new();
        let mut from = period.from;
        while from < period.to {
            let next = zone.to_datetime(from).date().tomorrow().ok();
            let next = next.and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok());
            // The longest day of a change of clocks takes two answers.
            let next = next.unwrap_or(period.to).min(from + SignedDuration::from_hours(24)).min(period.to);
            let next = crop.filter(|crop| *crop > from && *crop < next).unwrap_or(next);
            let ask = Ask::Energy { pond: pond.to_owned(), from: from.to_string(), to: next.to_string() };
            match self.ask(ask).await? {
                Reply::Energy { groups } => found.push((Period { from, to: next }, groups)),
                other => return Err(self.daemon.unexpected(&other)),
            }
            from = next;
        }
        Ok(found)
    }

    /// Records of the period; number and hash of the newest record of all.
    async fn audit(&mut self, period: Period) -> Result<(Vec<AuditLine>, (u64, String)), Failure> {
        let (mut lines, mut head) = (Vec::new(), (0, String::new()));
        loop {
            let records = match self.ask(Ask::AuditTrail { from: head.0 + 1 }).await? {
                Reply::AuditTrail { records } => records,
                other => return Err(self.daemon.unexpected(&other)),
            };
            let Some(last) = records.last().filter(|last| last.record > head.0) else { break };
            head = (last.record, last.hash.clone());
            let rows = records.into_iter().filter_map(|own| {
                let row = crate::audit::Row { text: own.text, hash: crate::audit::Hash::default() };
                Some((own.record, row.fields()?))
            });
            for (record, fields) in rows {
                let field = |place: usize| fields.get(place).cloned().unwrap_or_default();
                let line = AuditLine {
                    record,
                    at: field(1),
                    user: field(3),
                    place: field(4),
                    action: field(5),
                    object: field(6),
                    old: field(7),
                    new: field(8),
                    reason: field(9),
                };
                if line.at.parse().is_ok_and(|at| period.has(at)) {
                    lines.push(line);
                }
            }
        }
        Ok((lines, head))
    }
}

/// Pieces of a stretch, one question each. They begin at multiples of a day, so that no roll-up is asked for
/// twice.
fn pages(period: Period) -> Vec<Period> {
    let length_ms = PAGE_DAYS * 86_400_000;
    let mut pages = Vec::new();
    let mut from = period.from;
    while from < period.to {
        let next = (from.as_millisecond().div_euclid(length_ms) + 1) * length_ms;
        let next = Timestamp::from_millisecond(next).unwrap_or(period.to).min(period.to);
        pages.push(Period { from, to: next });
        from = next;
    }
    pages
}

pub(super) fn zone(facts: &FactsStatus, farm: &FarmStatus) -> TimeZone {
    let named = facts.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok());
    named.unwrap_or_else(|| {
        jiff::tz::Offset::from_seconds(farm.time_zone_offset_s).map_or(TimeZone::UTC, TimeZone::fixed)
    })
}

/// A day of the farm, at its beginning or its end, or a time.
pub(super) fn day(text: &str, option: &str, zone: &TimeZone, end: bool) -> Result<Timestamp, Failure> {
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let date = jiff::civil::Date::strptime("%Y-%m-%d", text).ok();
    let date = if end { date.and_then(|date| date.tomorrow().ok()) } else { date };
    date.and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok())
        .ok_or_else(|| Failure::usage(say!(spoken(), "command-no-day", option = option, typed = text)))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    #[test]
    fn days_are_the_farms_own_and_the_last_is_whole() {
        let zone = TimeZone::fixed(jiff::tz::offset(-5));
        let told = |text: &str, end: bool| day(text, "--to", &zone, end).map(|at| at.to_string());
        assert_eq!(told("2026-03-17", false).unwrap(), "2026-03-17T05:00:00Z");
        assert_eq!(told("2026-03-17", true).unwrap(), "2026-03-18T05:00:00Z");
        assert_eq!(told("2026-03-17T05:00:00-05:00", true).unwrap(), "2026-03-17T10:00:00Z");
        for wrong in ["yesterday", "17.03.2026", "2026-02-30", ""] {
            let refused = told(wrong, false).expect_err(wrong);
            assert!(refused.status == 2 && refused.message.contains("2026-03-17"), "{}", refused.message);
        }
    }

    #[test]
    fn pages_cover_a_stretch_once() {
        let period = Period {
            from: "2026-01-05T03:07:00Z".parse().unwrap(),
            to: "2026-05-01T00:00:00Z".parse().unwrap(),
        };
        let pages = pages(period);
        assert_eq!((pages[0].from, pages.last().unwrap().to), (period.from, period.to));
        assert!(pages.windows(2).all(|pair| pair[0].to == pair[1].from), "{pages:?}");
        let days: BTreeMap<i64, usize> =
            pages.iter().map(|page| (page.from.as_millisecond() % 86_400_000, 1)).collect();
        assert_eq!(days.len(), 2, "all but the first begin at midnight UTC");
    }

    #[test]
    fn tables_stand_beside_the_page() {
        assert_eq!(beside(Path::new("/a/crop.html"), "days"), Path::new("/a/crop-days.csv"));
    }
}
