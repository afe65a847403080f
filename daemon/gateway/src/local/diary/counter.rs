//! What the daemon does about entries: takes them, and tells them.

use std::collections::BTreeMap;

use pondreeve_core::diary::{Dose, Entry, What};
use pondreeve_core::effect::Recorded;
use pondreeve_core::said::{Said as Sentence, said};
use pondreeve_core::state::Doubts;
use pondreeve_core::{Event, Span, Timestamp};
use tokio::sync::oneshot;

use super::super::protocol::Reply;
use super::super::requests::{Counter, Refusal, any_time, asked_from};
use super::super::said::SaidStatus;
use super::super::status::rfc3339;
use super::deeds::{other_words, reading_values};
use super::words::{self, Said};
use super::{DeedStatus, RecordAsk, RecordedStatus, cautions, entries};
use crate::inbox::{Applied, Incoming};
use crate::journal::{Deed, Stretch};

/// A clock beside the pond may be this far ahead of ours; what was recorded as of then is found all the same.
const AHEAD: Span = Span::from_minutes(10);

/// Most of one answer: the one who asks goes on from there.
const MOST_DEEDS: usize = 10_000;

impl Counter {
    /// Takes an entry of the diary.
    pub(in super::super) async fn record(&self, ask: RecordAsk, by: &str) -> Result<Reply, Refusal> {
        let RecordAsk { pond: id, entry, at, corrects } = ask;
        let pond = self.pond(&id)?;
        let read = |text: &str| any_time(text).map_err(Refusal::words);
        let earlier = match corrects {
            Some(number) => self.entry(number).await?,
            None => None,
        };
        let at = match (at, &earlier) {
            (Some(text), _) => read(&text).map_err(Refusal::Bad)?,
            (None, Some(earlier)) => earlier.at,
            (None, None) => self.clock.now(),
        };
        let mut entry = entries::entry(entry, at, corrects, &self.farm, &read).map_err(Refusal::Bad)?;
        if let What::Dose(dose) = &entry.what
            && let Some(differs) = dose.mismatch().filter(|_| !dose.is_confirmed)
        {
            let unsure = said!(
                "unsure-dose",
                "dose of pond {pond}: {differs}. Nothing is recorded yet",
                pond = &id,
                differs = differs
            );
            return Ok(Reply::Unsure { message: unsure.english().to_owned(), said: SaidStatus::of(&unsure) });
        }
        // Before it is taken: afterwards it would be held against itself.
        let doubts = self.desk.doubts(pond, &entry).await.unwrap_or_default();
        if let What::Dose(dose) = &mut entry.what {
            note_against(dose, &doubts, earlier.as_ref());
        }
        let (done, answer) = oneshot::channel();
        let event = Event::Diary { pond, entry, by: by.to_owned() };
        let incoming = Incoming { event, done: Some(done), urgent: true, place: asked_from() };
        self.inbox.send(incoming).await.map_err(|_| Refusal::Ended)?;
        let recorded = match answer.await.map_err(|_| Refusal::Ended)? {
            Applied::Recorded(recorded) => recorded,
            Applied::Refused(reason) => return Err(Refusal::Told(reason)),
            Applied::Done => return Err(Refusal::Failed("the entry was not taken".to_owned())),
            Applied::NotKept(reason) => {
                let warning = said!(
                    "not-kept-recorded",
                    "recorded, but in memory only, a power cut would lose it: {reason}",
                    reason = reason
                );
                return Ok(Reply::done(Some(&warning)));
            }
        };
        let view = self.desk.view().await.ok_or(Refusal::Ended)?;
        let own = view.ponds.iter().find(|own| own.pond == pond).and_then(|own| own.diary);
        let Recorded { entry, at: recorded_at, by, .. } = *recorded;
        let mut told = Said::of(&entry).told;
        told.extend(own.iter().flat_map(|own| words::crop_told(&entry, own)));
        let crop = own.and_then(|own| own.crop);
        let wants_reason = cautions::wants_reason(&entry);
        let mut minded = cautions::of_doubts(&entry, doubts);
        minded.extend(cautions::cautions(&entry, own.and_then(|own| own.last_dose), crop.as_ref()));
        let entry = deed_of(&entry, Some(id), recorded_at, by);
        let english = |said: &[Sentence]| said.iter().map(|own| own.english().to_owned()).collect();
        Ok(Reply::Recorded(Box::new(RecordedStatus {
            entry,
            told: english(&told),
            cautions: english(&minded),
            told_said: told.iter().map(SaidStatus::from).collect(),
            cautions_said: minded.iter().map(SaidStatus::from).collect(),
            wants_reason,
        })))
    }

    /// An entry as it was taken.
    async fn entry(&self, number: u64) -> Result<Option<Entry>, Refusal> {
        let stretch = Stretch { from: Timestamp(0), to: Timestamp(i64::MAX), most: 1, number: Some(number) };
        let found = self.desk.shelf().deeds(stretch).await.map_err(Refusal::Failed)?;
        Ok(found.deeds.into_iter().find_map(|deed| match deed.event {
            Event::Diary { entry, .. } => Some(entry),
            _ => None,
        }))
    }

    /// What people did in a stretch of time, the newest last.
    pub(in super::super) async fn deeds(
        &self,
        pond: Option<&str>,
        from: &str,
        to: &str,
        most: usize,
    ) -> Result<Reply, Refusal> {
        if let Some(pond) = pond {
            self.pond(pond)?;
        }
        let (from, to) = (any_time(from)?, any_time(to)?);
        if most == 0 || most > MOST_DEEDS {
            return Err(Refusal::Bad(format!("{most} entries were asked for: 1 to {MOST_DEEDS} are given")));
        }
        // Up to now, since a later entry may have taken the place of one in the stretch.
        let stretch = Stretch { from: from - AHEAD, to: Timestamp(i64::MAX), most: usize::MAX, number: None };
        let found = self.desk.shelf().deeds(stretch).await.map_err(Refusal::Failed)?;
        let mut deeds: Vec<(Timestamp, DeedStatus)> = settle(found.deeds.into_iter());
        deeds.retain(|(at, deed)| {
            (from..to).contains(at) && pond.is_none_or(|pond| deed.pond.as_deref() == Some(pond))
        });
        // What came later stays behind what came before, at the same time.
        deeds.sort_by_key(|(at, _)| *at);
        let is_cut = deeds.len() > most;
        let deeds = deeds.split_off(deeds.len().saturating_sub(most));
        Ok(Reply::Deeds { deeds: deeds.into_iter().map(|(_, deed)| deed).collect(), is_cut })
    }
}

/// Keeps with a dose what speaks against it. What spoke against the entry that it corrects, and the reason that was
/// given then, go on to hold: a corrected weight does not make it well advised.
pub(super) fn note_against(dose: &mut Dose, doubts: &Doubts, earlier: Option<&Entry>) {
    let against = Sentence::joined(doubts.against.clone(), "; ");
    dose.against = Some(against.english().to_owned()).filter(|against| !against.is_empty());
    if let Some(What::Dose(earlier)) = earlier.map(|earlier| &earlier.what) {
        dose.against = dose.against.take().or_else(|| earlier.against.clone());
        dose.reason = dose.reason.take().or_else(|| earlier.reason.clone());
    }
}

/// What each deed says, and which took whose place.
pub(super) fn settle(deeds: impl Iterator<Item = Deed>) -> Vec<(Timestamp, DeedStatus)> {
    let mut told: Vec<(Timestamp, DeedStatus)> = Vec::new();
    let mut places: BTreeMap<u64, usize> = BTreeMap::new();
    for Deed { recorded, pond, probe, event, refused } in deeds {
        if let Event::Diary { entry, by, .. } = event {
            let over = entry.corrects.and_then(|number| places.get(&number));
            if let Some((_, earlier)) = over.and_then(|&place| told.get_mut(place)) {
                earlier.superseded_by = Some(entry.number);
                if let What::Withdrawal { reason } = &entry.what {
                    earlier.withdrawn = Some(reason.clone());
                }
            }
            places.insert(entry.number, told.len());
            told.push((entry.at, deed_of(&entry, pond, recorded, by)));
            continue;
        }
        let Some((kind, mut line)) = other_words(&event, probe.as_deref()) else { continue };
        if let Some(reason) = &refused {
            line = said!("deed-refused", "REFUSED: {reason}", reason = reason);
        }
        let (at, by, values) = match event {
            Event::ManualSample { quantity, value, taken_at, by, .. } => {
                (taken_at.unwrap_or(recorded), by, reading_values(quantity, value))
            }
            Event::Acknowledge { by, .. }
            | Event::LimitChange { by, .. }
            | Event::Shelve { by, .. }
            | Event::Unshelve { by, .. }
            | Event::Reset { by, .. }
            | Event::Service { by, .. } => (recorded, by, BTreeMap::new()),
            _ => continue,
        };
        told.push((
            at,
            DeedStatus {
                kind: kind.to_owned(),
                number: None,
                pond,
                at: rfc3339(at),
                stop: None,
                recorded: rfc3339(recorded),
                by,
                corrects: None,
                superseded_by: None,
                withdrawn: None,
                refused,
                said: SaidStatus::of(&line),
                words: line.into(),
                values,
            },
        ));
    }
    told
}

fn deed_of(entry: &Entry, pond: Option<String>, recorded: Timestamp, by: String) -> DeedStatus {
    let said = Said::of(entry);
    DeedStatus {
        kind: entry.what.kind().id().to_owned(),
        number: Some(entry.number),
        pond,
        at: rfc3339(entry.at),
        stop: words::stop(entry),
        recorded: rfc3339(recorded),
        by,
        corrects: entry.corrects,
        superseded_by: None,
        withdrawn: None,
        refused: None,
        words: said.words,
        values: said.values,
        said: None,
    }
}
