//! A backup: a copy of the store in plain files, made while the daemon runs.
//!
//! One file a day of sealed pieces, `hours-<day since 1970>.pieces`, each with what is needed to understand it; what
//! belongs to no hour twice, in `index.pieces` and `index-again.pieces`, for without it the days say little; and,
//! written last, the list of them (`backup_list.rs`).

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use pondreeve_core::said::{Said, said};

use super::backup_list::{self, List};
use super::keys::{key, kind, parts};
use super::pieces::{PiecesWriter, read_pieces};
use super::seal::progress_of;
use super::store::Journal;
use super::trail;
use super::verify::{unreadable, unreadable_store};
use crate::audit::Head;

/// A key with its value.
pub type Piece = (Vec<u8>, Vec<u8>);

/// Pieces in the order of their keys, and the key to go on from.
pub type Pieces = (Vec<Piece>, Option<Vec<u8>>);

const INDEX: &str = "index.pieces";
const INDEX_AGAIN: &str = "index-again.pieces";

impl Journal {
    /// What a backup begins with: how far sealing has come, where the audit trail ends, the shapes. Together, so that
    /// no seal comes between.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn backup_start(&self) -> Result<Vec<Piece>, String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let unreadable = |error: sled::Error| unreadable_store(&self.path, &error);
        let mut start = Vec::new();
        for single in [key(0, kind::PROGRESS, 0, 0), trail::head_key()] {
            if let Some(value) = store.sealed.get(single).map_err(unreadable)? {
                start.push((single.to_vec(), value.to_vec()));
            }
        }
        let shapes = store.sealed.range(key(0, kind::SHAPE, 0, 0)..key(0, kind::SHAPE + 1, 0, 0));
        for shape in shapes {
            let (key, value) = shape.map_err(unreadable)?;
            start.push((key.to_vec(), value.to_vec()));
        }
        Ok(start)
    }
}

/// A day's file that is being written.
#[derive(Debug)]
struct Day {
    day: u32,
    name: String,
    file: PiecesWriter,
    /// Numbers of the shapes in it.
    shapes: BTreeSet<u32>,
}

/// Writes a backup from pieces handed over in the order of their keys, hours first: days of an earlier backup into
/// the same folder that the store has no more are left.
#[derive(Debug)]
pub struct Backup {
    folder: PathBuf,
    progress: Vec<u8>,
    sealed_before: u64,
    trail: Head,
    shapes: BTreeMap<u32, Piece>,
    day: Option<Day>,
    index: Option<[PiecesWriter; 2]>,
    list: List,
    /// Pieces written, each counted once.
    pub pieces: u64,
}

impl Backup {
    /// Where to begin: the hours; then [`Backup::index`].
    pub fn hours() -> Vec<u8> {
        key(1, 0, 0, 0).to_vec()
    }

    /// The key of what belongs to no hour.
    pub fn index() -> Vec<u8> {
        key(0, 0, 0, 0).to_vec()
    }

    /// Begins, with what [`Journal::backup_start`] said.
    ///
    /// # Errors
    /// What the system said about the folder.
    pub fn begin(folder: &Path, start: &[Piece]) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        let of = |wanted: &[u8]| start.iter().find(|(key, _)| key == wanted).map(|(_, value)| value.clone());
        let progress = of(&key(0, kind::PROGRESS, 0, 0)).unwrap_or_default();
        let sealed_before = progress_of(&progress).map_or(0, |(sealed_before, _)| sealed_before);
        let trail = of(&trail::head_key()).and_then(|value| trail::head_of(&value)).unwrap_or_default();
        let shapes = start.iter().filter_map(|piece| match parts(&piece.0) {
            Some((0, kind::SHAPE, number, _)) => Some((number, piece.clone())),
            _ => None,
        });
        let mut list = List::default();
        // What an earlier backup left here goes on belonging to it.
        let earlier = List::read(folder)?.unwrap_or_default();
        for path in files_of(folder)? {
            let length = fs::metadata(&path)?.len();
            let name = name_of(&path);
            list.files.insert(name.clone(), earlier.files.get(&name).copied().unwrap_or(length));
        }
        Ok(Self {
            folder: folder.to_owned(),
            progress,
            sealed_before,
            trail,
            shapes: shapes.collect(),
            day: None,
            index: None,
            list,
            pieces: 0,
        })
    }

    /// Takes a piece.
    ///
    /// # Errors
    /// What the system said.
    pub fn put(&mut self, found: &[u8], value: &[u8]) -> io::Result<()> {
        let hour = found.first_chunk::<4>().map_or(0, |hour| u32::from_be_bytes(*hour));
        if hour == 0 {
            return self.put_into_index(found, value);
        }
        // What was sealed since is not covered by the progress noted.
        if parts(found).is_some_and(|(.., seq)| seq >= self.sealed_before) {
            return Ok(());
        }
        let day = hour / 24;
        if self.day.as_ref().is_none_or(|open| open.day != day) {
            self.end_day()?;
            let name = format!("hours-{day:06}.pieces");
            let mut file = PiecesWriter::create(&self.folder.join(&name))?;
            file.put(&key(0, kind::PROGRESS, 0, 0), &self.progress)?;
            self.day = Some(Day { day, name, file, shapes: BTreeSet::new() });
        }
        let Some(open) = &mut self.day else { return Ok(()) };
        if let Some((_, of, number, _)) = parts(found)
            && needs_shape(of)
            && open.shapes.insert(number)
            && let Some((key, shape)) = self.shapes.get(&number)
        {
            open.file.put(key, shape)?;
        }
        open.file.put(found, value)?;
        self.pieces += 1;
        Ok(())
    }

    fn put_into_index(&mut self, found: &[u8], value: &[u8]) -> io::Result<()> {
        self.end_day()?;
        let index = match &mut self.index {
            Some(index) => index,
            None => {
                let create = |name: &str| PiecesWriter::create(&self.folder.join(name));
                self.index.insert([create(INDEX)?, create(INDEX_AGAIN)?])
            }
        };
        let head = trail::head_bytes(self.trail);
        let value = match parts(found) {
            Some((_, kind::PROGRESS, ..)) => &self.progress[..],
            Some((_, kind::AUDIT_HEAD, ..)) => &head[..],
            // Sealed since, as the inputs that it is of.
            Some((_, kind::AUDIT, _, record)) if record > self.trail.records => return Ok(()),
            _ => value,
        };
        self.pieces += 1;
        index.iter_mut().try_for_each(|file| file.put(found, value))
    }

    fn end_day(&mut self) -> io::Result<()> {
        let Some(Day { name, file, .. }) = self.day.take() else { return Ok(()) };
        let bytes = file.finish()?;
        self.list.files.insert(name, bytes);
        Ok(())
    }

    /// Ends it.
    ///
    /// # Errors
    /// What the system said.
    pub fn finish(mut self) -> io::Result<u64> {
        self.end_day()?;
        if let Some([index, again]) = self.index.take() {
            self.list.files.insert(INDEX.to_owned(), index.finish()?);
            self.list.files.insert(INDEX_AGAIN.to_owned(), again.finish()?);
        }
        self.list.write(&self.folder)?;
        Ok(self.pieces)
    }
}

/// Whether pieces of a kind can be read only with the shape of their number.
pub(super) fn needs_shape(of: u8) -> bool {
    matches!(of, kind::CHUNK | kind::DERIVED | kind::ENTRY | kind::MISSING | kind::AMENDED)
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Files of pieces, by name.
fn files_of(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = fs::read_dir(folder)?.collect::<io::Result<Vec<_>>>()?;
    let mut files: Vec<PathBuf> = entries.into_iter().map(|entry| entry.path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "pieces"));
    files.sort();
    Ok(files)
}

/// Whether a folder is a backup rather than a store: without its index and its list, too.
pub(super) fn is_backup(folder: &Path) -> bool {
    folder.join(backup_list::NAME).exists() || files_of(folder).is_ok_and(|files| !files.is_empty())
}

/// What was found wrong with a backup's files.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(super) struct Faults {
    /// Damaged places; a file that is missing or cannot be read is one.
    pub(super) damaged: u64,
    /// Each file that is not as it was written, and how.
    pub(super) lines: Vec<String>,
    /// Nothing says which files belong to it: it was made by an earlier version.
    pub(super) without_list: bool,
}

impl Faults {
    fn note(&mut self, places: u64, said: &Said) {
        self.damaged += places;
        self.lines.push(said.english().to_owned());
    }
}

fn missing(name: &str) -> Said {
    said!("backup-missing", "{name} is missing", name = name)
}

fn damaged(name: &str, places: u64) -> Said {
    match places {
        1 => said!("backup-damaged", "{name} is damaged in 1 place", name = name),
        places => {
            let places = places.to_string();
            said!("backup-damaged-some", "{name} is damaged in {places} places", name = name, places = places)
        }
    }
}

fn other_length(name: &str, bytes: u64, written: u64) -> Said {
    let (has, was) = (bytes.to_string(), written.to_string());
    match bytes < written {
        true => said!(
            "backup-cut-short",
            "{name} is cut short: it has {bytes} bytes, {written} were written",
            name = name,
            bytes = has,
            written = was
        ),
        false => said!(
            "backup-other",
            "{name} is another one: it has {bytes} bytes, {written} were written",
            name = name,
            bytes = has,
            written = was
        ),
    }
}

/// Hands every piece of a backup that can be read to `each`, pieces of hour 0 once although they are there more than
/// once; what is wrong with it.
pub(super) fn each_of_backup(folder: &Path, each: &mut dyn FnMut(&[u8], &[u8])) -> io::Result<Faults> {
    let mut faults = Faults::default();
    let list = List::read(folder)?;
    let mut of_hour_0 = BTreeSet::new();
    let (progress_key, mut sealed_before) = (key(0, kind::PROGRESS, 0, 0), None);
    let mut once = |key: &[u8], value: &[u8]| {
        let is_new = if key == progress_key {
            // Files of an earlier backup say less.
            let before = sealed_before.max(progress_of(value).map(|(before, _)| before));
            before != std::mem::replace(&mut sealed_before, before)
        } else {
            !key.starts_with(&[0; 4]) || of_hour_0.insert(key.to_vec())
        };
        if is_new {
            each(key, value);
        }
    };
    let mut newest = 0;
    let mut there = BTreeSet::new();
    let mut files = files_of(folder)?;
    files.sort_by_key(|path| !name_of(path).starts_with("index"));
    for path in files {
        let name = name_of(&path);
        let read = fs::metadata(&path).and_then(|meta| Ok((meta.len(), read_pieces(&path, &mut once)?)));
        match read {
            Err(error) => faults.note(1, &unreadable(&name, &error)),
            Ok((bytes, found)) => {
                newest = newest.max(found.version.unwrap_or(0));
                let written = list.as_ref().and_then(|list| list.files.get(&name)).copied();
                if let Some(written) = written.filter(|written| *written != bytes) {
                    faults.note(found.damaged.max(1), &other_length(&name, bytes, written));
                } else if found.damaged > 0 {
                    faults.note(found.damaged, &damaged(&name, found.damaged));
                }
            }
        }
        there.insert(name);
    }
    match &list {
        Some(list) => {
            for name in list.files.keys().filter(|name| !there.contains(*name)) {
                faults.note(1, &missing(name));
            }
            if !list.is_whole {
                let said = said!(
                    "backup-list-damaged",
                    "{name} is damaged: a file that is missing may go unnoticed",
                    name = backup_list::NAME
                );
                faults.note(1, &said);
            }
        }
        None if newest >= 2 => {
            let said = said!(
                "backup-list-missing",
                "{name} is missing: the backup was not finished, and files may be missing from it",
                name = backup_list::NAME
            );
            faults.note(1, &said);
        }
        None => {
            faults.without_list = true;
            if !there.contains(INDEX) {
                faults.note(1, &missing(INDEX));
            }
        }
    }
    Ok(faults)
}
