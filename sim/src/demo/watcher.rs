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

/// What was last told of each pond's advice.
#[derive(Debug, Default)]
struct Told {
    advice: BTreeMap<String, (String, Vec<String>)>,
    next_line_ms: i64,
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
            let now = (advice.action.clone(), advice.aerators.clone());
            let before = self.advice.get(&pond.id);
            // "Nothing can be said" comes with an alarm or passes within minutes; rest is news only
            // after a call to start something.
            let is_news = match advice.action.as_str() {
                "start-now" | "start-at" => before != Some(&now),
                "rest" => before.is_some_and(|(action, _)| action.starts_with("start")),
                _ => false,
            };
            if is_news {
                self.advice.insert(pond.id.clone(), now);
                notebook.say(now_ms, &advice_line(pond, advice, notebook));
            }
        }
    }
}

/// Newest oxygen of a pond: value, and whether it is good.
fn oxygen(pond: &PondStatus) -> Option<(f64, bool)> {
    let reading = pond.readings.iter().find(|reading| reading.quantity == "do_mg_l")?;
    Some((reading.value?, reading.flag <= 2))
}

fn oxygen_line(status: &FarmStatus) -> String {
    let mut line = String::from("oxygen mg/L");
    for pond in &status.ponds {
        let value = match oxygen(pond) {
            Some((value, true)) => format!("{value:.1}"),
            Some((value, false)) => format!("{value:.1}?"),
            None => "no data".to_owned(),
        };
        let on: String = pond
            .aerators
            .iter()
            .filter(|group| group.on == Some(true))
            .map(|group| group.id.to_uppercase())
            .collect();
        let running = if on.is_empty() { String::new() } else { format!(" (on: {on})") };
        line.push_str(&format!(" | {} {value}{running}", pond.id.to_uppercase()));
    }
    line
}

fn advice_line(pond: &PondStatus, advice: &AdviceStatus, notebook: &Notebook) -> String {
    let groups: Vec<String> = advice.aerators.iter().map(|id| id.to_uppercase()).collect();
    let start = advice.start.as_ref().and_then(|start| start.parse::<jiff::Timestamp>().ok());
    let what = match (advice.action.as_str(), start) {
        ("start-now", _) if groups.is_empty() => "look now".to_owned(),
        ("start-now", _) => format!("start {} now", groups.join(", ")),
        ("start-at", Some(start)) => {
            format!("start {} at {}", groups.join(", "), notebook.clock_time(start.as_millisecond()))
        }
        _ => "no more aeration needed".to_owned(),
    };
    format!("advice for {}: {what}. {}", place(pond), advice.reason)
}
