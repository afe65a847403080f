//! A captured line answering again, for a support case on a bench.

use std::net::TcpListener;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context as _, Result, anyhow, bail};
use pondreeve::frames::{self, Captured};
use sim::played::{self, Exchange};
use sim::pty::Line;

use super::Signals;
use super::notebook::print;

/// What to play.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Options {
    /// The capture: what a bus or line with `capture` in its configuration writes
    #[arg(value_name = "FILE")]
    capture: PathBuf,
    /// Make the line here, for a daemon or `pondreeve scan` to open; must not exist yet
    #[arg(long, value_name = "PATH")]
    line: Option<PathBuf>,
    /// Listen on this port of 127.0.0.1 instead, for a capture of Modbus TCP; 0: a free one, which is told
    #[arg(long, value_name = "PORT", conflicts_with = "line", required_unless_present = "line")]
    port: Option<u16>,
}

/// An answer that came later than this belongs to no question: nobody waits so long.
const LATEST: Duration = Duration::from_secs(60);

/// Plays until a signal comes.
pub(crate) async fn run(options: Options) -> Result<()> {
    let mut signals = Signals::new()?;
    let file = options.capture.display();
    let text = std::fs::read_to_string(&options.capture).with_context(|| format!("reading {file} failed"))?;
    let captured = frames::parse(&text).map_err(|why| anyhow!("{file}: {why}"))?;
    let exchanges = exchanges(&captured);
    if exchanges.is_empty() {
        bail!("{file}: nothing was sent or came; accepted is a capture with at least one line of bytes");
    }
    let questions = exchanges.iter().filter(|own| !own.sent.is_empty()).count();
    let speaks = captured.speaks.clone().unwrap_or_else(|| "it does not say what".to_owned());
    let tell = |asked: &[u8]| {
        let bytes: Vec<String> = asked.iter().map(|byte| format!("{byte:02X}")).collect();
        print(&format!("asked, but not in the capture: {}\n", bytes.join(" ")));
    };
    // Held to the end: the line goes when it is dropped.
    let (_server, _line, place) = match (&options.line, options.port) {
        (Some(path), _) if captured.speaks.as_deref() == Some("tcp") => {
            bail!("{file} is of Modbus TCP: accepted is --port and not --line {}", path.display())
        }
        (Some(path), _) => {
            let line = Line::open(path).with_context(|| {
                format!(
                    "making the serial line {} failed; accepted is a path that does not exist yet, in a folder that does",
                    path.display()
                )
            })?;
            (played::on_line(&line, exchanges, tell)?, Some(line), path.display().to_string())
        }
        (None, port) => {
            if captured.speaks.as_deref().is_some_and(|speaks| speaks != "tcp") {
                bail!("{file} is of a line that speaks {speaks}: accepted is --line and not --port");
            }
            let port = port.unwrap_or_default();
            let listener = TcpListener::bind(("127.0.0.1", port))
                .with_context(|| format!("listening on port {port} failed"))?;
            let place = listener.local_addr()?.to_string();
            (played::over_tcp(listener, exchanges, tell)?, None, place)
        }
    };
    print(&format!(
        "{file} ({speaks}, {questions} questions) answers as it did, at {place}. Ctrl-C ends it.\n"
    ));
    signals.any().await;
    Ok(())
}

/// What was captured, with the delays that its times tell; a time that is none tells no delay.
fn exchanges(captured: &Captured) -> Vec<Exchange> {
    let of_one = |own: &frames::Exchange| {
        let began = own.at.parse::<jiff::Timestamp>().ok();
        let mut rest = own.received.as_slice();
        let came = own.came_at.iter().map(|(at, count)| {
            let (bytes, after) = rest.split_at((*count).min(rest.len()));
            rest = after;
            let at = at.parse::<jiff::Timestamp>().ok();
            let delay = began.zip(at).and_then(|(began, at)| at.duration_since(began).try_into().ok());
            // A line that was only listened to may be long silent.
            let delay: Duration = delay.unwrap_or_default();
            (if own.sent.is_empty() { delay } else { delay.min(LATEST) }, bytes.to_vec())
        });
        Exchange { sent: own.sent.clone(), came: came.collect() }
    };
    captured.exchanges.iter().map(of_one).collect()
}
