//! The campaign itself.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use anyhow::Context as _;
use pondreeve::journal::Journal;
use pondreeve_core::Timestamp;
use pondreeve_tests::{Running, Scratch, program, python};

use super::cluster::Cluster;
use super::link::Link;
use super::verdict::{Told, arrived, judge};

/// Farm time runs so much faster than life: a summary of each pond each two and a half seconds.
const SPEED: f64 = 24.0;
const PONDS: usize = 20;

/// When the farm's time begins: 2026-03-01T00:00:00Z, night on the farm, when nothing is known of the oxygen.
pub const BEGINS: i64 = 1_772_323_200_000;

pub fn configuration(folder: &Path, [link, second, third]: [u16; 3]) -> String {
    let head = format!(
        "[farm]\nname = \"Kills\"\ngateway = \"g1\"\ntime_zone = \"-05:00\"\nlatitude = -3.4\nlongitude = -80.2\n\
         summary_every = \"1m\"\n\n[store]\npath = \"{0}/store\"\ndurable_within = \"1s\"\n\n[local]\nsocket = \
         \"{0}/sock\"\nmode = \"600\"\n\n[annunciation.calls]\nrepeat_every = \"10m\"\n\n[[destination]]\nid = \
         \"fleet\"\nhost = \"127.0.0.1\"\nport = {link}\nfurther_hosts = [\"127.0.0.1:{second}\", \"127.0.0.1:{third}\"]\nkeep_alive = \"5s\"\n",
        folder.display()
    );
    let ponds = (1..=PONDS).map(|pond| {
        format!(
            "\n[[pond]]\nid = \"p{pond}\"\nname = \"{pond}\"\nspecies = \"vannamei\"\nstage = \"grow-out\"\n\
             area_m2 = 5000\ndepth_m = 1.5\nsalinity_psu = 18\n"
        )
    });
    let probes = (1..=PONDS).map(|pond| {
        format!(
            "\n[[broker.probe]]\nid = \"node-{pond}\"\npond = \"p{pond}\"\ntopic = \"nodes/{pond}\"\nsends_every = \
             \"1m\"\nvalue = [{{ quantity = \"do_mg_l\", json = \"/oxygen\" }}]\n"
        )
    });
    let broker = "\n[[broker]]\nid = \"nodes\"\nhost = \"127.0.0.1\"\nport = 9\n".to_owned();
    std::iter::once(head).chain(ponds).chain([broker]).chain(probes).collect()
}

/// Splitmix64: the same moments for the same seed.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }

    fn millis(&mut self, from: u64, to: u64) -> Duration {
        Duration::from_millis(from + self.below(to - from))
    }
}

/// So long a kill may keep everything from arriving before it counts as a stall.
const STALLED: Duration = Duration::from_secs(60);

/// A gap longer than this is told with what daemon and nodes said meanwhile.
const TOLD_ABOVE_S: f64 = 6.0;

struct Farm {
    scratch: Scratch,
    begun: Instant,
    daemon: Option<Running>,
}

impl Farm {
    fn start_daemon(&mut self, speed: f64) {
        let ahead = (self.begun.elapsed().as_secs_f64() * 1_000.0 * SPEED) as i64;
        let mut command = Command::new(program("examples/forwarding_kills"));
        command.arg("gateway").arg(self.scratch.path("farm.toml"));
        command.arg((BEGINS + ahead).to_string()).arg(speed.to_string());
        self.daemon = Some(Running::start(&mut command, &self.scratch.path("daemon.log")));
    }

    fn kill_daemon(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            daemon.kill_hard();
        }
    }

    /// What daemon and nodes wrote into their logs since then, of leaders and connections.
    fn said_since(&self, begun: SystemTime) -> String {
        let of_day = |at: SystemTime| {
            at.duration_since(SystemTime::UNIX_EPOCH).map_or(0, |since| since.as_secs() % 86_400)
        };
        let stamp = |second: u64| format!("{:02}:{:02}:{:02}", second / 3_600, second / 60 % 60, second % 60);
        let (from, to) = (stamp(of_day(begun)), stamp(of_day(SystemTime::now())));
        let mut said = Vec::new();
        for log in ["daemon.log", "one.log", "two.log", "three.log"] {
            let text = fs::read_to_string(self.scratch.path(log)).unwrap_or_default();
            for line in text.lines() {
                let time = line.split(['T', ' ']).find(|word| {
                    word.split(':').count() == 3 && word.starts_with(|first: char| first.is_ascii_digit())
                });
                let Some(time) = time.and_then(|time| time.get(..8)) else { continue };
                if (from.as_str()..=to.as_str()).contains(&time) {
                    said.push(format!("  {log}: {}", line.chars().take(200).collect::<String>()));
                }
            }
        }
        said.join("\n")
    }

    fn waits(&self) -> Option<u64> {
        let output = self.scratch.pondreeve(&["status", "--json"]);
        let text = String::from_utf8(output.stdout).ok()?;
        let status: serde_json::Value = serde_json::from_str(text.lines().next()?).ok()?;
        status["waiting_to_forward"].as_u64()
    }
}

pub fn consumer(record: &Path, nodes: [u16; 3]) -> anyhow::Result<Running> {
    let ports = nodes.map(|port| port.to_string()).join(",");
    let mut child = Command::new(python())
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/consumer.py"))
        .arg(record)
        .args(["127.0.0.1", &ports, "landing"])
        .stdout(Stdio::piped())
        .stderr(fs::File::create(record.with_extension("log"))?)
        .spawn()?;
    let mut line = String::new();
    BufReader::new(child.stdout.take().context("piped")?).read_line(&mut line)?;
    anyhow::ensure!(line == "ready\n", "the consumer did not subscribe");
    Ok(Running(child))
}

/// So many kills, at the moments that the seed gives; then everything has `patience` to arrive.
/// The cluster has `in_flight` messages on their way to the consumer at most.
pub fn campaign(kills: u32, seed: u64, patience: Duration, in_flight: u32) -> anyhow::Result<Told> {
    let scratch = Scratch::new();
    let mut cluster = Cluster::start(scratch.folder.path(), in_flight);
    let record = scratch.path("record.lines");
    let _consumer = consumer(&record, cluster.mqtt)?;
    let link = Link::to(cluster.mqtt);
    scratch.write("farm.toml", &configuration(scratch.folder.path(), link.ports));
    let mut farm = Farm { scratch, begun: Instant::now(), daemon: None };
    farm.start_daemon(SPEED);
    let (mut dice, mut told) = (Dice(seed), Told::default());
    std::thread::sleep(Duration::from_secs(3));
    for _ in 0..kills {
        std::thread::sleep(dice.millis(200, 2_500));
        let (killed, killed_at) = (Instant::now(), SystemTime::now());
        let victim = match dice.below(10) {
            0..4 => {
                farm.kill_daemon();
                std::thread::sleep(dice.millis(0, 500));
                farm.start_daemon(SPEED);
                "daemon"
            }
            4..8 => {
                let node = dice.below(3) as usize;
                cluster.kill(node);
                std::thread::sleep(dice.millis(500, 4_000));
                cluster.revive(node);
                "nodes"
            }
            _ => {
                link.cut();
                std::thread::sleep(dice.millis(0, 3_000));
                link.mend();
                "link"
            }
        };
        *told.kills.entry(victim).or_default() += 1;
        // A cluster that is killed anew before it has found itself hands nothing on; the next kill is to fall among
        // messages again.
        let size = || fs::metadata(&record).map_or(0, |meta| meta.len());
        let before = size();
        while size() == before && killed.elapsed() < STALLED {
            std::thread::sleep(Duration::from_millis(50));
        }
        let gap_s = killed.elapsed().as_secs_f64();
        if gap_s > TOLD_ABOVE_S {
            eprintln!("{gap_s:.1} s without a message after {victim}");
            eprintln!("{}", farm.said_since(killed_at));
        }
        let gap = told.longest_until_more_s.entry(victim).or_default();
        *gap = gap_s.max(*gap);
        told.stalls += u32::from(size() == before);
        std::thread::sleep(dice.millis(0, 500));
    }
    // From here on nearly nothing new comes, so that an end can be told.
    let over = Instant::now();
    farm.kill_daemon();
    farm.start_daemon(0.01);
    while over.elapsed() < patience && farm.waits() != Some(0) {
        std::thread::sleep(Duration::from_millis(500));
    }
    farm.kill_daemon();
    let (mut journal, _) = Journal::open(&farm.scratch.path("store"), Timestamp(BEGINS))
        .map_err(|error| anyhow::anyhow!("the store does not open: {error}"))?;
    let last = journal.take_outbox().last;
    drop(journal);
    while over.elapsed() < patience {
        let numbers = arrived(&record)?;
        if let Some(first) = numbers.first()
            && numbers.len() as u64 == last.saturating_sub(*first) + 1
        {
            told.settled_s = Some(over.elapsed().as_secs_f64());
            break;
        }
        std::thread::sleep(Duration::from_millis(500));
    }
    let log = fs::read_to_string(farm.scratch.path("daemon.log")).unwrap_or_default();
    let own = log
        .lines()
        .filter_map(|line| line.split("confirms again after ").nth(1)?.strip_suffix(" s")?.parse().ok());
    told.cut_off_s = own.collect();
    told.cut_off_s.sort_by(f64::total_cmp);
    judge(&record, last, &mut told)?;
    if !told.is_well() {
        let kept = std::env::temp_dir().join(format!("forwarding-kills-{seed}"));
        let _ = fs::remove_dir_all(&kept);
        let copied = Command::new("cp").arg("-r").arg(farm.scratch.folder.path()).arg(&kept).status()?;
        eprintln!("what is left of it is in {} ({copied})", kept.display());
    }
    Ok(told)
}
