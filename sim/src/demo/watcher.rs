//! Follows the daemon over its local socket, as any local program could: tells the plain lines of the
//! night, and shows each status to the technician.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use pondreeve::local::client::{self, Client};
use pondreeve::local::protocol::{AdviceStatus, Ask, FarmStatus, PondStatus, Reply};
use sim::pace::Pace;

use super::notebook::Notebook;
use super::technician::{Technician, place};

/// Real time between two looks: less than a farm minute at the demo's usual speed.
const LOOK_EVERY: Duration = Duration::from_millis(60);
/// How long the daemon may take to open its socket.
const SOCKET_WITHIN: Duration = Duration::from_secs(20);
/// Farm time between two lines of oxygen.
const LINE_EVERY_MS: i64 = 30 * 60_000;

/// Connects once the daemon listens.
pub(crate) async fn connect(socket: &Path) -> Result<Client, client::ClientError> {
    let began = tokio::time::Instant::now();
    loop {
        match client::connect(socket).await {
            Ok(client) => return Ok(client),
            Err(error) if began.elapsed() > SOCKET_WITHIN => return Err(error),
            Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    }
}

/// Farm time between two lines about one pond's advice while no new alarm asks for one: it is made
/// anew every few minutes, and its clock times wander.
const ADVICE_EVERY_MS: i64 = 60 * 60_000;

/// What was last told.
#[derive(Debug, Default)]
struct Told {
    advice: BTreeMap<String, ToldAdvice>,
    next_line_ms: i64,
}

/// What was last told of one pond's advice.
#[derive(Debug, Default)]
struct ToldAdvice {
    what: (String, Vec<String>),
    at_ms: i64,
    alarms: usize,
}

/// Looks again and again. Returns only when the connection breaks.
pub(crate) async fn follow(
    mut client: Client,
    mut technician: Technician,
    notebook: Notebook,
    pace: Pace,
) -> client::ClientError {
    let mut told = Told::default();
    loop {
        match client.ask(Ask::Status).await {
            Ok(Reply::Status(status)) => {
                let now_ms = pace.now_ms();
                told.tell(&status, &notebook, now_ms);
                technician.look(&status, &mut client, now_ms).await;
            }
            Ok(other) => tracing::warn!(?other, "the daemon did not tell its status"),
            Err(error) => return error,
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

impl Told {
    fn tell(&mut self, status: &FarmStatus, notebook: &Notebook, now_ms: i64) {
        if now_ms >= self.next_line_ms {
            // The first line waits until every pond has reported.
            if status.ponds.iter().all(|pond| oxygen(pond).is_some()) || self.next_line_ms != 0 {
                self.next_line_ms = now_ms - now_ms.rem_euclid(LINE_EVERY_MS) + LINE_EVERY_MS;
                notebook.say(now_ms, &oxygen_line(status));
            }
        }
        for pond in &status.ponds {
            let Some(advice) = &pond.advice else { continue };
            let told = self.advice.entry(pond.id.clone()).or_default();
            let alarms = urgent_oxygen_alarms(status, &pond.id);
            let what = (advice.action.clone(), advice.aerators.clone());
            let is_time = now_ms - told.at_ms >= ADVICE_EVERY_MS || alarms > told.alarms;
            // "Nothing can be said" comes with an alarm or passes within minutes; rest is news only
            // after a call to start something.
            let is_news = match advice.action.as_str() {
                "start-now" | "start-at" => told.what != what,
                "rest" | "keep-on" => told.what.0.starts_with("start"),
                _ => false,
            };
            told.alarms = alarms;
            if is_time && is_news {
                (told.what, told.at_ms) = (what, now_ms);
                notebook.say(now_ms, &advice_line(pond, advice, notebook));
            }
        }
    }
}

/// Standing alarms about a pond's oxygen that are not of the lowest priority.
fn urgent_oxygen_alarms(status: &FarmStatus, pond: &str) -> usize {
    let ours = status.alarms.iter().filter(|alarm| alarm.pond.as_deref() == Some(pond));
    ours.filter(|alarm| {
        alarm.id.contains(".do-") && alarm.priority <= 2 && alarm.state.ends_with("acknowledged")
    })
    .count()
}

/// Newest oxygen of a pond: value, and whether it is good.
fn oxygen(pond: &PondStatus) -> Option<(f64, bool)> {
    let reading = pond.readings.iter().find(|reading| reading.quantity == "do_mg_l")?;
    Some((reading.value?, reading.flag <= 2))
}

/// Oxygen of each pond in a column, with the aerator groups that turn.
fn oxygen_line(status: &FarmStatus) -> String {
    let mut line = String::from("oxygen");
    for pond in &status.ponds {
        let value = match oxygen(pond) {
            Some((value, true)) => format!("{value:.1}"),
            Some((value, false)) => format!("{value:.1}?"),
            None => "no data".to_owned(),
        };
        let turning: String = pond
            .aerators
            .iter()
            .filter(|group| group.on == Some(true))
            .map(|group| group.id.to_uppercase())
            .collect();
        let cell = format!("{} {value} {turning}", pond.id.to_uppercase());
        line.push_str(&format!("   {cell:<12}"));
    }
    line.trim_end().to_owned()
}

fn advice_line(pond: &PondStatus, advice: &AdviceStatus, notebook: &Notebook) -> String {
    let groups: Vec<String> = advice.aerators.iter().map(|id| id.to_uppercase()).collect();
    let start = advice.start.as_ref().and_then(|start| start.parse::<jiff::Timestamp>().ok());
    let what = match (advice.action.as_str(), start) {
        ("start-now", _) if groups.is_empty() => "look now".to_owned(),
        ("start-now", _) if pond.advises_what_stopped(advice) => {
            format!("look now why {} stopped", groups.join(", "))
        }
        ("start-now", _) => format!("start {} now", groups.join(", ")),
        ("start-at", Some(start)) => {
            format!("start {} at {}", groups.join(", "), notebook.clock_time(start.as_millisecond()))
        }
        ("keep-on", _) => format!("nothing more to start, keep {} on", groups.join(", ")),
        _ => "no more aeration needed".to_owned(),
    };
    format!("advice for {}: {what}. {}", place(pond), advice.reason)
}
