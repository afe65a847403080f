//! The list of a backup's files, written last: without it nobody could tell that one is missing.
//!
//! ```text
//! pondreeve backup files 1
//! 36012 1a2b3c4d hours-020601.pieces        bytes, checksum of bytes and name, name
//! end 1 5e6f7a8b                            files, checksum of all lines before
//! ```
//! Checksums are CRC-32 (IEEE 802.3) in hexadecimal. A damaged line costs itself.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::{self, Write as _};
use std::path::Path;

use super::folder::sync_parent;

/// Name of the list.
pub(super) const NAME: &str = "files.list";

const TITLE: &str = "pondreeve backup files 1";

/// What a list says.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(super) struct List {
    /// Length of each file, bytes.
    pub(super) files: BTreeMap<String, u64>,
    /// Every line of it is as it was written.
    pub(super) is_whole: bool,
}

impl List {
    /// The list of a backup; `None` where it has none.
    pub(super) fn read(folder: &Path) -> io::Result<Option<Self>> {
        match fs::read(folder.join(NAME)) {
            Ok(bytes) => Ok(Some(Self::of_text(&String::from_utf8_lossy(&bytes)))),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn of_text(text: &str) -> Self {
        let mut list = Self::default();
        // One sum for all lines: one anew for each that says it is the last would take ever longer.
        let (mut before, mut ended, mut sum_before) = (0, false, crc32fast::Hasher::new());
        for line in text.split_inclusive('\n') {
            let words: Vec<&str> = line.trim_end_matches('\n').split(' ').collect();
            if let ["end", files, sum] = words[..] {
                let same = sum == written(sum_before.clone().finalize());
                ended = same
                    && files == list.files.len().to_string()
                    && line.ends_with('\n')
                    && before + line.len() == text.len();
            } else if let [bytes, sum, name] = words[..]
                && sum == sum_of(&format!("{bytes} {name}"))
                && let Ok(bytes) = bytes.parse()
            {
                list.files.insert(name.to_owned(), bytes);
            }
            before += line.len();
            sum_before.update(line.as_bytes());
        }
        list.is_whole = ended && text.starts_with(TITLE);
        list
    }

    fn to_text(&self) -> String {
        let mut text = format!("{TITLE}\n");
        for (name, bytes) in &self.files {
            let _ = writeln!(text, "{bytes} {} {name}", sum_of(&format!("{bytes} {name}")));
        }
        let sum = sum_of(&text);
        let _ = writeln!(text, "end {} {sum}", self.files.len());
        text
    }

    /// Puts it in a backup's folder, on disk for good, in one step.
    pub(super) fn write(&self, folder: &Path) -> io::Result<()> {
        let making = folder.join("files.making");
        let mut file = fs::File::create(&making)?;
        file.write_all(self.to_text().as_bytes())?;
        file.sync_all()?;
        fs::rename(making, folder.join(NAME))?;
        sync_parent(&folder.join(NAME))
    }
}

fn sum_of(text: &str) -> String {
    written(crc32fast::hash(text.as_bytes()))
}

fn written(sum: u32) -> String {
    format!("{sum:08x}")
}

/// A list of one day's file.
#[cfg(test)]
pub(super) fn of_a_day(day: u32, bytes: u64) -> String {
    let files = BTreeMap::from([(format!("hours-{day:06}.pieces"), bytes)]);
    List { files, is_whole: true }.to_text()
}

/// Whatever a list says: what was read is written and read again as it was.
pub(super) fn read_loose(bytes: &[u8]) {
    let list = List::of_text(&String::from_utf8_lossy(bytes));
    assert_eq!(List::of_text(&list.to_text()), List { is_whole: true, ..list });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damaged_line_costs_itself_and_is_noticed() {
        let files = (1..5_u64).map(|day| (format!("hours-02060{day}.pieces"), day * 1_000));
        let list = List { files: files.collect(), is_whole: true };
        let text = list.to_text();
        assert_eq!(List::of_text(&text), list);
        for place in 0..text.len() {
            for bit in 0..7 {
                let mut bytes = text.clone().into_bytes();
                bytes[place] ^= 1 << bit;
                let found = List::of_text(&String::from_utf8_lossy(&bytes));
                assert!(!found.is_whole, "byte {place} bit {bit}");
                let lost = list.files.iter().filter(|(name, bytes)| found.files.get(*name) != Some(*bytes));
                // A flipped end of a line joins two.
                assert!(lost.count() <= 2 && found.files.len() <= list.files.len());
            }
            assert!(!List::of_text(&text[..place]).is_whole, "cut at {place}");
        }
    }
}
