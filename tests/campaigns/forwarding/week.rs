//! A week without a link, then the link: how long the backlog takes, and how late a live alarm is meanwhile.

use std::fmt;
use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use pondreeve_tests::{Mosquitto, Running, Scratch, program};
use serde_json::Value;

use super::bench::{BEGINS, configuration, consumer};
use super::link::Link;
use super::verdict::{Told, arrived, judge};

/// Farm time while the link is away, so many times as fast as life: a week in a little over a minute.
const SPEED: f64 = 8_000.0;

/// What came of it.
#[derive(Debug, Default)]
pub struct Week {
    pub days: f64,
    pub waited: u64,
    /// From the link's return until everything was with the consumer.
    pub caught_up: Duration,
    /// From asking for an acknowledgement to its message being with a consumer, in the middle of it all: the program's
    /// start, the commit and the way out.
    pub live_alarms: Vec<Duration>,
    pub told: Told,
}

impl fmt::Display for Week {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let late = self.live_alarms.iter().max().copied().unwrap_or_default();
        writeln!(
            f,
            "{:.1} days without a link, {} messages waited: all there {:.1} s after it came back",
            self.days,
            self.waited,
            self.caught_up.as_secs_f64()
        )?;
        writeln!(
            f,
            "{} live alarms meanwhile, the latest after {:.3} s",
            self.live_alarms.len(),
            late.as_secs_f64()
        )?;
        write!(f, "{}", self.told)
    }
}

/// `days` without a link.
pub fn run(days: f64) -> anyhow::Result<Week> {
    let scratch = Scratch::new();
    let folder = scratch.path("broker");
    fs::create_dir(&folder)?;
    let broker = Mosquitto::start_with(&folder, "max_queued_messages 0");
    let link = Link::to([broker.port; 3]);
    link.cut();
    let text = configuration(scratch.folder.path(), link.ports)
        .replace("summary_every = \"1m\"", "summary_every = \"15m\"");
    scratch.write("farm.toml", &text);
    let start = |origin: i64, speed: f64| {
        let mut command = Command::new(program("examples/forwarding_kills"));
        command.arg("gateway").arg(scratch.path("farm.toml")).arg(origin.to_string()).arg(speed.to_string());
        Running::start(command.stdin(Stdio::null()), &scratch.path("daemon.log"))
    };
    let status = || -> Option<Value> {
        let output = scratch.pondreeve(&["status", "--json"]);
        serde_json::from_str(String::from_utf8(output.stdout).ok()?.lines().next()?).ok()
    };
    let mut week = Week { days, ..Week::default() };
    let begun = Instant::now();
    let mut daemon = start(BEGINS, SPEED);
    let length = Duration::from_secs_f64(days * 86_400.0 / SPEED);
    while begun.elapsed() < length {
        std::thread::sleep(Duration::from_millis(100));
    }
    daemon.stop(Duration::from_secs(30));
    // From here on at the pace of life: nearly all there is to send waits on disk.
    let now = BEGINS + (begun.elapsed().as_secs_f64() * SPEED * 1_000.0) as i64;
    let _daemon = start(now, 1.0);
    let begun = Instant::now();
    let waiting = loop {
        match status().and_then(|own| own["waiting_to_forward"].as_u64()) {
            Some(waiting) => break waiting,
            None => anyhow::ensure!(begun.elapsed() < Duration::from_secs(60), "the daemon does not answer"),
        }
        std::thread::sleep(Duration::from_millis(200));
    };
    week.waited = waiting;
    let record = scratch.path("record.lines");
    // There before the link is.
    let _consumer = consumer(&record, [broker.port; 3])?;
    let onlooker = broker.listen("pondreeve/g1/alarm");
    let mut unacknowledged: Vec<String> = scratch
        .json(&["alarms"])
        .iter()
        .filter(|alarm| alarm["state"] == "unacknowledged")
        .filter_map(|alarm| alarm["id"].as_str().map(str::to_owned))
        .collect();
    anyhow::ensure!(!unacknowledged.is_empty(), "no alarm stands that could be acknowledged");
    link.mend();
    let begun = Instant::now();
    while fs::metadata(&record).map_or(0, |meta| meta.len()) < 4_096 {
        anyhow::ensure!(begun.elapsed() < Duration::from_secs(90), "nothing comes");
        std::thread::sleep(Duration::from_millis(10));
    }
    let first = Instant::now();
    while status().and_then(|own| own["waiting_to_forward"].as_u64()) != Some(0) {
        anyhow::ensure!(first.elapsed() < Duration::from_secs(300), "the backlog does not end");
        if let Some(id) = unacknowledged.pop() {
            let asked = Instant::now();
            let done = scratch.pondreeve(&["acknowledge", &id]);
            anyhow::ensure!(done.status.success(), "{id} could not be acknowledged: {done:?}");
            let wanted = format!("\"id\":\"{id}\"");
            onlooker.find("the acknowledgement", Duration::from_secs(60), |_, payload| {
                payload.contains(&wanted) && !payload.contains("\"by\":null")
            });
            week.live_alarms.push(asked.elapsed());
        }
        std::thread::sleep(Duration::from_secs(1));
    }
    week.caught_up = first.elapsed();
    // What the broker has taken reaches the consumer, which puts each message on disk, a little later.
    let (mut before, mut now) = (0, fs::metadata(&record)?.len());
    while before != now {
        std::thread::sleep(Duration::from_secs(3));
        (before, now) = (now, fs::metadata(&record)?.len());
    }
    let last = *arrived(&record)?.last().context("nothing arrived")?;
    judge(&record, last, &mut week.told)?;
    week.told.settled_s = Some(week.caught_up.as_secs_f64());
    Ok(week)
}
