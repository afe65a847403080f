//! What people did, in the order in which they said so: entries of the diary, readings by hand,
//! acknowledgements, steps of services. All of it is kept for ever.

use std::collections::{BTreeMap, VecDeque};
use std::panic::{AssertUnwindSafe, catch_unwind};

use pondreeve_core::limit_change::is_low_oxygen;
use pondreeve_core::site::{PondIndex, Site};
use pondreeve_core::{Event, Input, Timestamp};

use super::keys::{LAST, hour_of, key, kind, parts};
use super::record::read_batch;
use super::store::Journal;
use super::tail::{self, Kind};
use crate::local::status::rfc3339;

/// What is asked for: what was recorded in a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// Recorded from this time on.
    pub from: Timestamp,
    /// Up to this time, exclusive.
    pub to: Timestamp,
    /// At most so many, the newest.
    pub most: usize,
    /// Only the entry of the diary of this number.
    pub number: Option<u64>,
}

/// One thing that somebody did.
#[derive(Debug, Clone, PartialEq)]
pub struct Deed {
    /// When it was recorded.
    pub recorded: Timestamp,
    /// Id of the pond it is about, where it is about one.
    pub pond: Option<String>,
    /// Id of the probe it is about, where it is about one.
    pub probe: Option<String>,
    /// What was done, as it came.
    pub event: Event,
    /// Why it was refused, where the audit trail says that it was: then nothing came of it.
    pub refused: Option<String>,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Deeds {
    /// In the order in which they were recorded.
    pub deeds: VecDeque<Deed>,
    /// There were more than were asked for.
    pub is_cut: bool,
    /// Damaged pieces that were passed over.
    pub damaged: u64,
}

struct Course {
    stretch: Stretch,
    site: Option<Site>,
    next_seq: u64,
    found: Deeds,
}

impl Course {
    fn take(&mut self, input: Input) {
        if input.seq < self.next_seq {
            return;
        }
        self.next_seq = input.seq.saturating_add(1);
        let is_wanted = input.at >= self.stretch.from && input.at < self.stretch.to;
        let (pond, probe) = match &input.event {
            Event::Started { site } | Event::SiteChanged { site } => {
                self.site = Some(site.clone());
                return;
            }
            _ if !is_wanted => return,
            Event::Diary { entry, .. } if self.stretch.number.is_some_and(|own| own != entry.number) => {
                return;
            }
            event if self.stretch.number.is_some() && !matches!(event, Event::Diary { .. }) => return,
            // One without a number was refused when it came.
            Event::Diary { pond, entry, .. } if entry.number > 0 => (Some(*pond), None),
            Event::ManualSample { pond, .. } | Event::LimitChange { pond, .. } => (Some(*pond), None),
            Event::Service { probe, .. } => (None, Some(*probe)),
            Event::Acknowledge { .. }
            | Event::Shelve { .. }
            | Event::Unshelve { .. }
            | Event::Reset { .. } => (None, None),
            _ => return,
        };
        let site = self.site.as_ref();
        let probe = probe.and_then(|probe| site?.probes.get(usize::from(probe.0)));
        let pond = pond.or_else(|| probe?.pond);
        let pond = pond.and_then(|PondIndex(pond)| site?.ponds.get(usize::from(pond)));
        // An alarm's id begins with its pond's.
        let named = alarm_of(&input.event).and_then(|id| id.split('.').next());
        let pond = pond.or_else(|| site?.ponds.iter().find(|own| Some(own.id.as_str()) == named));
        self.found.deeds.push_back(Deed {
            recorded: input.at,
            pond: pond.map(|pond| pond.id.clone()),
            probe: probe.map(|probe| probe.id.clone()),
            event: input.event,
            refused: None,
        });
        if self.found.deeds.len() > self.stretch.most {
            self.found.deeds.pop_front();
            self.found.is_cut = true;
        }
    }
}

fn alarm_of(event: &Event) -> Option<&str> {
    match event {
        Event::Acknowledge { alarm, .. }
        | Event::Shelve { alarm, .. }
        | Event::Unshelve { alarm, .. }
        | Event::Reset { alarm, .. } => Some(alarm),
        _ => None,
    }
}

impl Journal {
    /// What people did in a stretch of time.
    ///
    /// # Errors
    /// Where the database is closed or cannot be read; the text says why.
    pub fn deeds(&self, stretch: Stretch) -> Result<Deeds, String> {
        let Some(store) = &self.store else { return Err(self.trouble.clone()) };
        let first = hour_of(stretch.from);
        let mut course = Course { stretch, site: None, next_seq: 0, found: Deeds::default() };
        if let Some(Input { event: Event::Started { site } | Event::SiteChanged { site }, .. }) =
            self.farm_before(first)
        {
            course.site = Some(site);
        }
        let read = catch_unwind(AssertUnwindSafe(|| -> Result<(), sled::Error> {
            // It is kept for ever, so never in a day's file.
            for entry in store.sealed.range(key(first, 0, 0, 0)..LAST) {
                let (found, value) = entry?;
                if let Some((_, kind::INPUT, _, seq)) = parts(&found) {
                    let batch = read_batch(seq, &value);
                    course.found.damaged += batch.damaged;
                    let inputs = batch.inputs.into_iter();
                    inputs
                        .filter(|input| !self.left_out.contains(&input.seq))
                        .for_each(|own| course.take(own));
                }
            }
            Ok(())
        }));
        let failed = |detail: String| format!("the store {} cannot be read{detail}", self.path.display());
        match read {
            Ok(Ok(())) => {}
            Ok(Err(error)) => return Err(failed(format!(": {error}"))),
            Err(_) => return Err(failed(String::new())),
        }
        let found = tail::read_after(&self.path, self.sealed_before, &mut |entry| {
            if entry.kind == Kind::Batch {
                let inputs = read_batch(entry.key, entry.body).inputs.into_iter();
                inputs.filter(|input| !self.left_out.contains(&input.seq)).for_each(|own| course.take(own));
            }
        });
        found.map_err(|error| failed(format!(": {error}")))?;
        self.say_what_was_refused(&mut course.found.deeds);
        Ok(course.found)
    }

    /// Marks what came to nothing. An act and its record have the same time, user, action and object, and lie in the
    /// same order; where the trail cannot be read, nothing is marked.
    fn say_what_was_refused(&self, deeds: &mut VecDeque<Deed>) {
        let Some(first) = deeds.iter().find(|deed| by_of(deed).is_some()).map(|deed| deed.recorded) else {
            return;
        };
        let mut told: BTreeMap<[String; 4], VecDeque<Option<String>>> = BTreeMap::new();
        for fields in self.trail_since(first) {
            let [_, at, _, user, _, action, object, _, new, reason, ..] = fields.as_slice() else { continue };
            let refused = (new == "refused").then(|| reason.clone());
            let key = [at, user, action, object].map(Clone::clone);
            told.entry(key).or_default().push_back(refused);
        }
        for deed in deeds.iter_mut() {
            let Some([action, object, by]) = by_of(deed) else { continue };
            let key = [rfc3339(deed.recorded), by, action, object];
            deed.refused = told.get_mut(&key).and_then(VecDeque::pop_front).flatten();
        }
    }
}

/// What is done to an alarm or a limit, as the audit trail says it: action, object, user.
fn by_of(deed: &Deed) -> Option<[String; 3]> {
    let (action, object, by) = match &deed.event {
        Event::Acknowledge { alarm, by } => ("acknowledge", alarm.clone(), by),
        Event::Shelve { alarm, by, .. } => ("shelve", alarm.clone(), by),
        Event::Unshelve { alarm, by } => ("unshelve", alarm.clone(), by),
        Event::Reset { alarm, by } => ("reset", alarm.clone(), by),
        Event::LimitChange { key, by, .. } => {
            let pond = deed.pond.as_deref()?;
            let action = if is_low_oxygen(key) { "low-oxygen limit" } else { "limit" };
            (action, format!("{pond}/{key}"), by)
        }
        _ => return None,
    };
    Some([action.to_owned(), object, by.clone()])
}
