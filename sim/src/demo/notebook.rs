//! What was seen in the course of a demo, and the plain lines that tell of it as it happens.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::sync::{Arc, Mutex, PoisonError};

/// Widest plain line; a serial console has 80 columns.
const WIDTH: usize = 79;
/// Where the text of a line begins, after its time.
const INDENT: usize = 7;

/// Farm-local clock time.
pub(crate) fn clock_time(at_ms: i64, utc_offset_ms: i64) -> String {
    let minutes = of_day_ms(at_ms, utc_offset_ms) / 60_000;
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

fn of_day_ms(at_ms: i64, utc_offset_ms: i64) -> i64 {
    (at_ms + utc_offset_ms).rem_euclid(86_400_000)
}

/// One alarm over the night.
#[derive(Debug, Clone, Default)]
pub(crate) struct AlarmStory {
    pub(crate) name: String,
    pub(crate) pond: Option<String>,
    pub(crate) priority: u64,
    pub(crate) raised: Vec<i64>,
    /// How often it asked anew after an acknowledgement.
    pub(crate) sounded_again: usize,
    /// When and by whom.
    pub(crate) acknowledged: Vec<(i64, String)>,
    pub(crate) standing: bool,
}

/// Everything seen.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    pub(crate) alarms: BTreeMap<String, AlarmStory>,
    /// Sequence numbers of summaries by pond.
    pub(crate) summaries: BTreeMap<String, BTreeSet<u64>>,
    /// Summaries that came more than once.
    pub(crate) repeats: u64,
    /// Text of the newest health message.
    pub(crate) health: Option<String>,
}

/// A shared notebook.
#[derive(Debug, Clone)]
pub(crate) struct Notebook {
    seen: Arc<Mutex<Seen>>,
    utc_offset_ms: i64,
    aloud: bool,
}

impl Notebook {
    /// A notebook that prints what is told to it, or only keeps it while a full-screen console shows.
    pub(crate) fn new(utc_offset_ms: i64, aloud: bool) -> Self {
        Self { seen: Arc::default(), utc_offset_ms, aloud }
    }

    /// Changes or reads what was seen.
    pub(crate) fn with<T>(&self, act: impl FnOnce(&mut Seen) -> T) -> T {
        act(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Farm-local clock time.
    pub(crate) fn clock_time(&self, at_ms: i64) -> String {
        clock_time(at_ms, self.utc_offset_ms)
    }

    /// Milliseconds since the farm's midnight.
    pub(crate) fn of_day_ms(&self, at_ms: i64) -> i64 {
        of_day_ms(at_ms, self.utc_offset_ms)
    }

    /// Prints a line with its farm time, wrapped.
    pub(crate) fn say(&self, at_ms: i64, text: &str) {
        if self.aloud {
            print(&wrapped(&format!("{}  {text}", self.clock_time(at_ms)), INDENT));
        }
    }
}

/// Prints lines; a reader that has gone is no reason to stop the demo.
pub(crate) fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// Text with lines broken at single spaces, continued at an indent, each ended. Runs of spaces, such
/// as those of columns, stay.
pub(crate) fn wrapped(text: &str, indent: usize) -> String {
    let mut out = String::new();
    let mut width = 0;
    for (index, word) in text.split(' ').enumerate() {
        let long = word.chars().count();
        if index > 0 {
            if width + 1 + long > WIDTH {
                out.push('\n');
                out.push_str(&" ".repeat(indent));
                width = indent;
            } else {
                out.push(' ');
                width += 1;
            }
        }
        out.push_str(word);
        width += long;
    }
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::{WIDTH, clock_time, wrapped};

    #[test]
    fn lines_fit_a_serial_console_and_keep_every_word() {
        let text = format!("  P1 {}", "oxygen low since ".repeat(20).trim_end());
        let lines = wrapped(&text, 6);
        assert!(lines.lines().count() > 3);
        assert!(lines.lines().all(|line| line.len() <= WIDTH));
        assert!(lines.starts_with("  P1 oxygen"));
        assert!(lines.lines().skip(1).all(|line| line.starts_with("      ") && !line.starts_with("       ")));
        assert_eq!(lines.split_whitespace().count(), text.split_whitespace().count());
        assert_eq!(wrapped("02:00  oxygen   P1 5.1 AC", 7), "02:00  oxygen   P1 5.1 AC\n");
    }

    #[test]
    fn clock_times_are_those_of_the_farm() {
        // 2026-03-19T07:10:00Z, five hours west.
        assert_eq!(clock_time(1_773_904_200_000, -5 * 3_600_000), "02:10");
    }
}
