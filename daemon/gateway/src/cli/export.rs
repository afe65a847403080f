//! `pondreeve export`: what the store keeps, as CSV, SenML or Parquet.

use std::io::{BufWriter, IsTerminal as _, Stdout, Write};

use jiff::tz::TimeZone;
use pondreeve_core::Quantity;
use pondreeve_protocol::senml::Pack;

use super::export_parquet::Table;
use super::report::{day, zone};
use super::spoken;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::client::{self, Client};
use crate::local::protocol::{Ask, FarmStatus, KeptReading, Reply, RollUp};
use crate::texts::say;

const AFTER: &str = "\
CSV: time_utc,pond,quantity,probe,raw,value,flag,corrected, by pond and quantity,
oldest first. Flags are QARTOD's: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9
missing; empty where a reading was never judged. No probe: entered by hand or
computed. No pond: of the whole farm, as from a weather mast. value is raw as
calibrated at the time; corrected is value with what the probe's next service
found spread back over it, empty until then.
With --every: from_utc,pond,quantity,minimum,mean,maximum,usable,suspect,failed,
missing. Roll-ups are kept for years, readings for [store] raw_days.

DATE is a day of the farm, such as 2026-05-01, from midnight there, the day of
--to included; or a time as RFC 3339, such as 2026-05-01T02:10:00Z, that of --to
not included.

With --diary: what people did, oldest first, entries that were superseded or
withdrawn with what took their place; values as JSON in the last column. Without
--from the last 400 days.

SenML: one pack (a JSON array) a line, for each pond, quantity and six hours;
names are pond/quantity, with more about the record before it: /flag, /raw where
it differs, /corrected; /probe where another measured it than before. Roll-ups:
pond/quantity/minimum and so on, as in CSV.

Parquet: the same columns as CSV, empty fields as null, written in groups of rows
as they come; units and flags are explained in the file's metadata. It is not for
the screen: send it to a file or a pipe.

--audit: record,time_utc,time_local,user,place,action,object,old,new,reason,
previous,hash, every field in quotes. hash is the SHA-256 of the line up to the
comma before it, previous the hash of the line before: sha256sum is enough to
check that no record was changed, removed or added. README has the command.

Examples:
  pondreeve export --from 2026-05-01 --to 2026-05-07
  pondreeve export --from 2026-05-01T00:00:00Z --to 2026-05-08T00:00:00Z
  pondreeve export --pond p1 --quantity do_mg_l --every hour --from ...
  pondreeve export --format senml
  pondreeve export --format parquet --from ... > readings.parquet
  pondreeve export --audit > trail.csv";

/// Form of the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Comma-separated values with a header
    Csv,
    /// Sensor measurement lists, RFC 8428, in JSON
    Senml,
    /// One JSON object a line
    Json,
    /// A table for analysis programs, Apache Parquet
    Parquet,
}

/// Length of a roll-up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Every {
    /// A quarter of an hour
    Quarter,
    /// An hour
    Hour,
    /// A day, from midnight UTC
    Day,
}

/// Arguments of `export`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Only this pond; may be given more than once
    #[arg(long = "pond", value_name = "POND")]
    pub ponds: Vec<String>,
    /// Only this quantity, by its id; may be given more than once
    #[arg(long = "quantity", value_name = "ID")]
    pub quantities: Vec<String>,
    /// From this day or time on; a day before --to if not given
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Up to this day or time; now if not given
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// Roll-ups of this length rather than readings
    #[arg(long, value_name = "LENGTH")]
    pub every: Option<Every>,
    /// The audit trail instead of readings, all of it: CSV, or JSON with --json
    #[arg(long, conflicts_with_all = ["ponds", "quantities", "from", "to", "every"])]
    pub audit: bool,
    /// What people did instead of readings: the diary of the ponds, readings by hand,
    /// acknowledgements, services; CSV, or JSON with --json
    #[arg(long, conflicts_with_all = ["quantities", "every", "audit"])]
    pub diary: bool,
    /// Form of the output
    #[arg(long, value_enum, default_value = "csv")]
    pub format: Format,
    /// The same as --format json
    #[arg(long, conflicts_with = "format")]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Stretch of one question; the daemon goes on with its work in between.
const PAGE_MS: i64 = 6 * 3_600_000;
const PAGE_ROLLED_MS: i64 = 90 * 86_400_000;

/// Prints what is kept.
///
/// # Errors
/// When no daemon answers, or a pond, a quantity or a time is not understood.
pub fn run(arguments: &Arguments) -> Outcome {
    let (json, format) = if arguments.json { (true, Format::Json) } else { (false, arguments.format) };
    let json = json || format == Format::Json;
    if (arguments.audit || arguments.diary) && !json && format != Format::Csv {
        let named = if format == Format::Senml { "SenML" } else { "Parquet" };
        let words = arguments.daemon.words();
        return Err(Failure::usage(match arguments.audit {
            true => say!(words, "export-trail-form", form = named),
            false => say!(words, "export-diary-form", form = named),
        }));
    }
    if arguments.audit {
        return super::export_audit::run(&arguments.daemon, json);
    }
    if format == Format::Parquet && std::io::stdout().is_terminal() {
        return Err(Failure::usage(say!(arguments.daemon.words(), "export-not-for-screen")));
    }
    let farm = arguments.daemon.status()?;
    arguments.ponds.iter().try_for_each(|id| super::known_pond(&farm, id, spoken()))?;
    let ponds: Vec<String> = match &arguments.ponds[..] {
        // The last is the farm: what no pond has for itself.
        [] => farm.ponds.iter().map(|pond| pond.id.clone()).chain([String::new()]).collect(),
        named => once_each(named),
    };
    let quantities = arguments.quantities.iter().map(|id| {
        let known = || Quantity::ALL.iter().map(|one| one.id()).collect::<Vec<_>>().join(", ");
        let none = || say!(spoken(), "export-no-quantity", id = id, known = known());
        let found = Quantity::from_id(id);
        found.ok_or_else(|| Failure::usage(none()))
    });
    let mut quantities = once_each(&quantities.collect::<Result<Vec<Quantity>, Failure>>()?);
    if quantities.is_empty() {
        quantities = Quantity::ALL.to_vec();
    }
    let zone = match [&arguments.from, &arguments.to].into_iter().flatten().all(|text| is_time(text)) {
        true => TimeZone::UTC,
        false => farms_zone(&arguments.daemon, &farm)?,
    };
    let day_or_time =
        |text: &str, option, end| day(text, option, &zone, end).map(jiff::Timestamp::as_millisecond);
    let to = day_or_time(arguments.to.as_deref().unwrap_or(&farm.at), "--to", true)?;
    let days_back = if arguments.diary { super::export_diary::DAYS_BACK } else { 1 };
    let from = arguments.from.as_deref();
    let from = from.map_or(Ok(to - days_back * 86_400_000), |text| day_or_time(text, "--from", false))?;
    if from >= to {
        return Err(Failure::usage(say!(spoken(), "export-from-after-to")));
    }
    if arguments.diary {
        // What is recorded in this moment too.
        let to = if arguments.to.is_none() { to + 60_000 } else { to };
        return super::export_diary::run(&arguments.daemon, &arguments.ponds, (from, to), json);
    }
    let every = arguments.every.map(|every| match every {
        Every::Quarter => "quarter",
        Every::Hour => "hour",
        Every::Day => "day",
    });
    let printed = super::wait_for(async {
        let mut client =
            client::connect(&arguments.daemon.socket).await.map_err(|error| super::unreached(&error))?;
        let asked = [("from", rfc3339(from)), ("to", rfc3339(to))];
        let mut out = Out::new(format, every.is_some(), &quantities, &asked)?;
        for pond in &ponds {
            for &quantity in &quantities {
                let mut page = from;
                let length = if every.is_some() { PAGE_ROLLED_MS } else { PAGE_MS };
                while page < to {
                    // Pieces begin at multiples, so that no roll-up is asked for twice.
                    let end = ((page.div_euclid(length) + 1) * length).min(to);
                    let (found, none_before) =
                        ask(&mut client, &arguments.daemon, pond, quantity, (page, end), every).await?;
                    out.page(pond, quantity, &found)?;
                    // Years without anything are passed over at once.
                    page = none_before.map_or(end, |next| next.max(end));
                }
            }
        }
        out.finish()
    })?;
    match printed {
        Ok(()) | Err(Stop::Enough) => Ok(DONE),
        Err(Stop::Failed(failure)) => Err(failure),
    }
}

/// Each but once, however often it was named: nothing is to come out twice.
fn once_each<T: Clone + PartialEq>(named: &[T]) -> Vec<T> {
    let mut each: Vec<T> = Vec::new();
    for one in named {
        if !each.contains(one) {
            each.push(one.clone());
        }
    }
    each
}

pub(super) enum Found {
    Readings(Vec<KeptReading>),
    RollUps(Vec<RollUp>),
}

/// Why printing ends early.
pub(super) enum Stop {
    /// The reader has seen enough.
    Enough,
    /// With a failure.
    Failed(Failure),
}

impl From<Failure> for Stop {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::BrokenPipe => Self::Enough,
            _ => Self::Failed(super::unwritten(&error)),
        }
    }
}

/// A time that the daemon told.
pub(super) fn time(text: &str, of: &str) -> Result<i64, Failure> {
    let parsed = text.parse::<jiff::Timestamp>().map_err(|error| {
        let why = error.to_string();
        Failure::failed(say!(spoken(), "export-no-time", option = of, typed = text, why = why))
    })?;
    Ok(parsed.as_millisecond())
}

/// Where it is no time, only the farm knows when its day begins.
fn is_time(text: &str) -> bool {
    text.parse::<jiff::Timestamp>().is_ok()
}

fn farms_zone(daemon: &super::Daemon, farm: &FarmStatus) -> Result<TimeZone, Failure> {
    match daemon.ask(Ask::Facts)? {
        Reply::Facts(facts) => Ok(zone(&facts, farm)),
        other => Err(daemon.unexpected(&other)),
    }
}

fn rfc3339(at_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(at_ms).unwrap_or_default().to_string()
}

async fn ask(
    client: &mut Client,
    daemon: &super::Daemon,
    pond: &str,
    quantity: Quantity,
    (from, to): (i64, i64),
    every: Option<&str>,
) -> Result<(Found, Option<i64>), Failure> {
    let (pond, quantity) = (pond.to_owned(), quantity.id().to_owned());
    let (from, to) = (rfc3339(from), rfc3339(to));
    let asked = match every {
        None => Ask::Readings { pond, quantity, from, to },
        Some(every) => Ask::RollUps { pond, quantity, from, to, every: every.to_owned() },
    };
    let (found, none_before) = match client.ask(asked).await.map_err(|error| super::unreached(&error))? {
        Reply::Readings { readings, none_before } => (Found::Readings(readings), none_before),
        Reply::RollUps { roll_ups, none_before } => (Found::RollUps(roll_ups), none_before),
        other => return Err(daemon.unexpected(&other)),
    };
    Ok((found, none_before.map(|text| time(&text, "the daemon's time")).transpose()?))
}

/// Where it goes.
enum Out {
    Lines(Printer<BufWriter<Stdout>>),
    Table(Box<Table<Stdout>>),
}

impl Out {
    fn new(
        format: Format,
        rolled: bool,
        quantities: &[Quantity],
        asked: &[(&str, String)],
    ) -> Result<Self, Stop> {
        let out = std::io::stdout();
        if format == Format::Parquet {
            return Ok(Self::Table(Box::new(Table::new(out, rolled, quantities, asked)?)));
        }
        let mut printer = Printer { out: BufWriter::new(out), format, rolled };
        printer.header()?;
        Ok(Self::Lines(printer))
    }

    fn page(&mut self, pond: &str, quantity: Quantity, found: &Found) -> Result<(), Stop> {
        match self {
            Self::Lines(printer) => printer.page(pond, quantity, found),
            Self::Table(table) => table.page(pond, quantity, found),
        }
    }

    fn finish(self) -> Result<(), Stop> {
        match self {
            Self::Lines(mut printer) => Ok(printer.out.flush()?),
            Self::Table(table) => table.finish(),
        }
    }
}

struct Printer<W: Write> {
    out: W,
    format: Format,
    rolled: bool,
}

impl<W: Write> Printer<W> {
    fn header(&mut self) -> Result<(), Stop> {
        match (self.format, self.rolled) {
            (Format::Csv, false) => {
                writeln!(self.out, "time_utc,pond,quantity,probe,raw,value,flag,corrected")?;
            }
            (Format::Csv, true) => writeln!(
                self.out,
                "from_utc,pond,quantity,minimum,mean,maximum,usable,suspect,failed,missing"
            )?,
            _ => {}
        }
        Ok(())
    }

    fn page(&mut self, pond: &str, quantity: Quantity, found: &Found) -> Result<(), Stop> {
        let id = quantity.id();
        let of = Some(pond).filter(|pond| !pond.is_empty());
        // Ids hold letters, digits, '-' and '_' only, so nothing needs quotes.
        let text = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
        match (self.format, found) {
            // A table has a writer of its own.
            (Format::Parquet, _) => {}
            (Format::Senml, found) => return self.senml(pond, quantity, found),
            (Format::Csv, Found::Readings(readings)) => {
                for KeptReading { at, probe, raw, value, corrected, flag } in readings {
                    let flag = flag.map(|flag| flag.to_string()).unwrap_or_default();
                    writeln!(
                        self.out,
                        "{at},{pond},{id},{probe},{},{},{flag},{}",
                        text(*raw),
                        text(*value),
                        text(*corrected)
                    )?;
                }
            }
            (Format::Csv, Found::RollUps(roll_ups)) => {
                for own in roll_ups {
                    let [low, mean, high] = [own.minimum, own.mean, own.maximum].map(text);
                    let RollUp { from, usable, suspect, failed, missing, .. } = own;
                    writeln!(
                        self.out,
                        "{from},{pond},{id},{low},{mean},{high},{usable},{suspect},{failed},{missing}"
                    )?;
                }
            }
            (Format::Json, Found::Readings(readings)) => {
                for reading in readings {
                    let object = serde_json::json!({
                        "at": reading.at, "pond": of, "quantity": id, "probe": reading.probe,
                        "raw": reading.raw, "value": reading.value, "flag": reading.flag,
                        "corrected": reading.corrected,
                    });
                    writeln!(self.out, "{object}")?;
                }
            }
            (Format::Json, Found::RollUps(roll_ups)) => {
                for own in roll_ups {
                    let object = serde_json::json!({
                        "from": own.from, "pond": of, "quantity": id, "minimum": own.minimum,
                        "mean": own.mean, "maximum": own.maximum, "usable": own.usable,
                        "suspect": own.suspect, "failed": own.failed, "missing": own.missing,
                    });
                    writeln!(self.out, "{object}")?;
                }
            }
        }
        Ok(())
    }

    fn senml(&mut self, pond: &str, quantity: Quantity, found: &Found) -> Result<(), Stop> {
        let records = super::export_senml::records(pond, quantity, found)?;
        if records.is_empty() {
            return Ok(());
        }
        let pack = Pack(records).encode();
        let pack = pack.map_err(|error| {
            Failure::failed(say!(spoken(), "export-form-failed", form = "SenML", error = error.to_string()))
        })?;
        writeln!(self.out, "{pack}")?;
        Ok(())
    }
}
