//! What the consumer's record says.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::Path;

use anyhow::Context as _;
use serde_json::Value;

/// What came of a campaign.
#[derive(Debug, Default)]
pub struct Told {
    pub kills: BTreeMap<&'static str, u32>,
    pub numbered: u64,
    pub arrived: u64,
    pub missing: Vec<u64>,
    pub repeats: u64,
    pub changed: u64,
    pub out_of_order: u64,
    /// New to the consumer and behind newer ones, but marked by the cluster as delivered before: it was on its way to the
    /// consumer when that lost its connection. Cannot be where one message is on its way at a time.
    pub redelivered_late: u64,
    /// From a kill until something arrives after it is mended, at most, by what was killed.
    pub longest_until_more_s: BTreeMap<&'static str, f64>,
    /// From the loss of each of the daemon's connections until a message was confirmed again, sorted: its own part of the
    /// gap and the cluster's, without the consumer's.
    pub cut_off_s: Vec<f64>,
    /// Kills after which nothing came for a minute.
    pub stalls: u32,
    pub longest_gap_s: f64,
    /// Seconds until everything was there once the killing had stopped; `None` where it never was.
    pub settled_s: Option<f64>,
}

impl Told {
    pub fn is_well(&self) -> bool {
        self.numbered > 0
            && self.missing.is_empty()
            && self.changed == 0
            && self.out_of_order == 0
            && self.settled_s.is_some()
    }
}

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kills: Vec<String> =
            self.kills.iter().map(|(what, count)| format!("{count} of the {what}")).collect();
        let gaps: Vec<String> =
            self.longest_until_more_s.iter().map(|(what, gap)| format!("{what} {gap:.1} s")).collect();
        writeln!(f, "kills: {}; stalls: {}", kills.join(", "), self.stalls)?;
        let missing = self.missing.iter().take(20).collect::<Vec<_>>();
        writeln!(
            f,
            "messages: {} numbered, {} arrived, {} missing {missing:?}",
            self.numbered,
            self.arrived,
            self.missing.len()
        )?;
        writeln!(
            f,
            "repeats: {}, {} of them changed; out of order: {}; delivered a second time and late: {}",
            self.repeats, self.changed, self.out_of_order, self.redelivered_late
        )?;
        let settled = self.settled_s.map_or("never".to_owned(), |settled| format!("{settled:.1} s"));
        let middle = self.cut_off_s.get(self.cut_off_s.len() / 2).copied().unwrap_or_default();
        writeln!(
            f,
            "connections of the gateway lost: {}; until it was confirmed again {middle:.1} s in the middle, {:.1} s at most",
            self.cut_off_s.len(),
            self.cut_off_s.last().copied().unwrap_or_default()
        )?;
        write!(
            f,
            "longest from a kill until more came: {}; longest gap {:.1} s; all there after {settled}",
            gaps.join(", "),
            self.longest_gap_s
        )
    }
}

/// Numbers that arrived so far.
pub fn arrived(record: &Path) -> anyhow::Result<BTreeSet<u64>> {
    Ok(lines(record)?.into_iter().map(|line| line.number).collect())
}

/// Judges the record against the numbers that were given, `first` to `last`.
pub fn judge(record: &Path, last: u64, told: &mut Told) -> anyhow::Result<()> {
    let mut seen: BTreeMap<u64, (String, String)> = BTreeMap::new();
    let mut newest: BTreeMap<String, u64> = BTreeMap::new();
    let mut before: Option<f64> = None;
    for Line { topic, number, payload, at, dup } in lines(record)? {
        told.longest_gap_s = told.longest_gap_s.max(before.map_or(0.0, |before| at - before));
        before = Some(at);
        if let Some(known) = seen.get(&number) {
            told.repeats += 1;
            told.changed += u64::from(*known != (topic.clone(), payload));
            continue;
        }
        let newest = newest.entry(topic.clone()).or_default();
        told.out_of_order += u64::from(number < *newest && !dup);
        told.redelivered_late += u64::from(number < *newest && dup);
        *newest = number.max(*newest);
        seen.insert(number, (topic, payload));
    }
    let first = *seen.keys().next().context("nothing arrived")?;
    told.numbered = last.saturating_sub(first) + 1;
    told.arrived = seen.len() as u64;
    told.missing = (first..=last).filter(|number| !seen.contains_key(number)).collect();
    Ok(())
}

struct Line {
    topic: String,
    number: u64,
    payload: String,
    at: f64,
    /// The cluster says that it has delivered it before.
    dup: bool,
}

/// Every message but health.
fn lines(record: &Path) -> anyhow::Result<Vec<Line>> {
    let text = std::fs::read_to_string(record).unwrap_or_default();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    let mut lines = Vec::new();
    for line in whole.lines() {
        let line: Value = serde_json::from_str(line).with_context(|| line.to_owned())?;
        let topic = line["topic"].as_str().context("a topic")?.to_owned();
        if topic.ends_with("/health") {
            continue;
        }
        let hex = line["payload"].as_str().context("a payload")?.to_owned();
        let bytes: Vec<u8> = (0..hex.len() / 2)
            .map(|place| u8::from_str_radix(&hex[place * 2..place * 2 + 2], 16))
            .collect::<Result<_, _>>()?;
        let said: Value = serde_json::from_slice(&bytes)?;
        let number = if said.is_array() { &said[0]["v"] } else { &said["sequence"] };
        let number = number.as_f64().with_context(|| format!("no number in {said}"))? as u64;
        let (at, dup) = (line["at"].as_f64().unwrap_or_default(), line["dup"].as_bool().unwrap_or_default());
        lines.push(Line { topic, number, payload: hex, at, dup });
    }
    Ok(lines)
}
