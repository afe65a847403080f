//! What cannot be true of a pond beside its other entries.

use alloc::format;
use alloc::vec::Vec;

use super::super::entry::{Entry, Kind, What};
use super::super::names::kind_said;
use super::{Book, CORRECTED_WITHIN, Fact, Kept, crop_of, ended_before};
use crate::said::{Said, fixed, length, said};

/// Shrimp that were harvested or found dead may come out this much above what was stocked: young are counted by
/// samples, and a sample tells the average weight to 5 to 10 %. (Common practice, no source.)
const COUNT_TOLERANCE: f64 = 0.10;

/// Shrimp do not shrink: a sample that comes out below this share of the one before is a slip or another unit.
/// (Common practice, no source.)
const SHRUNK: f64 = 0.5;

impl Book {
    /// Holds an entry against the others of its pond.
    ///
    /// # Errors
    /// What contradicts it, and what would have been accepted.
    pub fn contradiction(&self, entry: &Entry) -> Result<(), Said> {
        match entry.corrects {
            Some(number) => self.can_correct(number, entry.what.kind())?,
            None if entry.what.kind() == Kind::Withdrawal => {
                return Err(said!(
                    "refused-withdrawal",
                    "a withdrawal of nothing; accepted is the number of an entry"
                ));
            }
            None => {}
        }
        self.overlaps(entry)?;
        self.is_told_twice(entry)?;
        match &entry.what {
            What::Sampling(sample) => self.has_grown(entry, sample.abw_g())?,
            What::Harvest(taken) => {
                taken.abw_g.map_or(Ok(()), |abw_g| self.has_grown(entry, abw_g))?;
                self.left_for(entry, taken.kg, taken.abw_g)?;
            }
            _ => {}
        }
        self.adds_up(entry)
    }

    /// The entries beside which it would stand.
    pub(super) fn others(&self, entry: &Entry) -> impl Iterator<Item = &Kept> + Clone {
        let corrects = entry.corrects;
        self.valid().filter(move |kept| Some(kept.number) != corrects)
    }

    /// Water moves once at a time, and a dose goes in once at a time.
    fn overlaps(&self, entry: &Entry) -> Result<(), Said> {
        let kinds: &[Kind] = match entry.what.kind() {
            Kind::Drain | Kind::Exchange => &[Kind::Drain, Kind::Exchange],
            Kind::Dose => &[Kind::Dose],
            _ => return Ok(()),
        };
        let stop = entry.what.stop().unwrap_or(entry.at);
        let overlaps = |kept: &&Kept| {
            let ends = kept.stop.unwrap_or(kept.at);
            kinds.contains(&kept.kind) && (kept.at == entry.at || (kept.at < stop && entry.at < ends))
        };
        self.others(entry).find(overlaps).map_or(Ok(()), |kept| {
            Err(said!(
                "refused-overlap",
                "it overlaps entry {number}, {kind} of the same pond; accepted is a time outside that, or a correction of entry {number}",
                number = format!("{}", kept.number),
                kind = kind_said(kept.kind)
            ))
        })
    }

    /// The same at the same time was sent twice.
    fn is_told_twice(&self, entry: &Entry) -> Result<(), Said> {
        let fact = Fact::of(entry);
        let same = |kept: &&Kept| {
            kept.at == entry.at
                && kept.kind == entry.what.kind()
                && kept.fact == fact
                && !matches!(fact, Fact::Nothing | Fact::Disturbance | Fact::Cost { .. })
                && kept.stop == entry.what.stop()
        };
        self.others(entry).find(same).map_or(Ok(()), |kept| {
            Err(said!(
                "refused-twice",
                "entry {number} says the same of the same time; accepted is another time, or a correction of entry {number}",
                number = format!("{}", kept.number)
            ))
        })
    }

    /// Whether an average weight fits the one before it: a weight in kg, or of a few shrimp of many, does not.
    fn has_grown(&self, entry: &Entry, abw_g: f64) -> Result<(), Said> {
        let known = crop_of(self.others(entry), entry.at, 0.0).and_then(|crop| crop.abw_g);
        let Some((before_g, _)) = known.filter(|(before_g, _)| abw_g < SHRUNK * before_g) else {
            return Ok(());
        };
        Err(said!(
            "refused-shrunk",
            "{abw} g each, but they weighed {before} g each before; accepted are {least} g each and more, or a correction of that entry. Are all shrimp counted that were weighed, and is it grams?",
            abw = weight(abw_g),
            before = weight(before_g),
            least = weight(SHRUNK * before_g)
        ))
    }

    /// Whether no more come out of the pond than went into it, whenever in the crop that was entered.
    fn adds_up(&self, entry: &Entry) -> Result<(), Said> {
        let was = worst_moment(self.valid());
        let own = Kept {
            number: entry.number,
            kind: entry.what.kind(),
            recorded: entry.at,
            at: entry.at,
            stop: entry.what.stop(),
            fact: Fact::of(entry),
            over: None,
        };
        let Some(worst) = worst_moment(self.others(entry).chain(core::iter::once(&own))) else {
            return Ok(());
        };
        // What contradicted itself before is no reason to take nothing more.
        if worst.share() <= 1.0 + COUNT_TOLERANCE || was.is_some_and(|was| worst.share() <= was.share()) {
            return Ok(());
        }
        Err(said!(
            "refused-stock",
            "with it {out} shrimp would have been harvested or found dead of {stocked} stocked; accepted are {most} at most, or a correction of another entry of this crop",
            out = fixed(worst.out, 0),
            stocked = fixed(worst.stocked, 0),
            most = fixed(worst.stocked * (1.0 + COUNT_TOLERANCE), 0)
        ))
    }

    fn can_correct(&self, number: u64, kind: Kind) -> Result<(), Said> {
        let Some(kept) = self.kept.iter().find(|kept| kept.number == number) else {
            return Err(said!(
                "refused-correction",
                "it corrects entry {number}, which is none of this pond that can still be corrected; accepted are entries recorded in the last {within}, and those of the crop in the pond",
                number = format!("{number}"),
                within = length(CORRECTED_WITHIN)
            ));
        };
        if let Some(later) = kept.over {
            return Err(said!(
                "refused-superseded",
                "it corrects entry {number}, whose place entry {later} has taken; accepted is a correction of entry {later}, or a new entry",
                number = format!("{number}"),
                later = format!("{later}")
            ));
        }
        match kept.kind {
            Kind::Withdrawal => Err(said!(
                "refused-of-withdrawal",
                "it corrects entry {number}, which is a withdrawal; accepted is to record anew what was withdrawn",
                number = format!("{number}")
            )),
            own if own != kind && kind != Kind::Withdrawal => Err(said!(
                "refused-kind",
                "it corrects entry {number}, which is of another kind; accepted is {kind}, or a withdrawal of it and a new entry",
                number = format!("{number}"),
                kind = kind_said(own)
            )),
            _ => Ok(()),
        }
    }

    /// Whether a harvest is within what was stocked less what was harvested before.
    fn left_for(&self, entry: &Entry, kg: f64, abw_g: Option<f64>) -> Result<(), Said> {
        let ended = ended_before(self.others(entry), entry.at);
        let Some(crop) = crop_of(self.others(entry), entry.at, 0.0) else {
            // Where no stocking was recorded there is nothing to hold it against.
            return ended.map_or(Ok(()), |_| {
                Err(said!(
                    "refused-not-stocked",
                    "nothing was stocked since the final harvest; accepted is a harvest after a stocking, or a correction of that final harvest",
                ))
            });
        };
        let Some(abw_g) = abw_g.or(crop.abw_g.map(|(own, _)| own)) else { return Ok(()) };
        let (count, left) = (kg * 1_000.0 / abw_g, crop.alive_at_most());
        // Of the whole crop, as its counts are no better.
        let most = left + COUNT_TOLERANCE * crop.stocked;
        if count > most {
            return Err(said!(
                "refused-harvest",
                "{kg} kg at {abw} g are {count} shrimp, but {stocked} were stocked, {harvested} harvested and {dead} found dead before; up to {most} kg are accepted, or another average body weight",
                kg = format!("{kg}"),
                abw = fixed(abw_g, 2),
                count = fixed(count, 0),
                stocked = fixed(crop.stocked, 0),
                harvested = fixed(crop.harvested, 0),
                dead = fixed(crop.dead, 0),
                most = fixed((most * abw_g / 1_000.0).max(0.0), 0)
            ));
        }
        Ok(())
    }
}

/// A weight with as many digits as matter, g.
pub(super) fn weight(grams: f64) -> alloc::string::String {
    fixed(grams, if grams < 0.1 { 4 } else { 2 })
}

/// Shrimp that came out of a crop, and that went into it, up to a moment.
#[derive(Debug, Clone, Copy, Default)]
struct Moment {
    out: f64,
    stocked: f64,
}

impl Moment {
    fn share(&self) -> f64 {
        self.out / self.stocked
    }
}

/// The moment of any crop at which most had come out of it for what had gone in.
fn worst_moment<'a>(valid: impl Iterator<Item = &'a Kept>) -> Option<Moment> {
    let mut own: Vec<&Kept> = valid.filter(|kept| kept.fact.is_of_crop()).collect();
    let turn = |fact: &Fact| match fact {
        Fact::Stocking { .. } => 0_u8,
        Fact::Sampling { .. } => 1,
        _ => 2,
    };
    own.sort_by_key(|kept| (kept.at, turn(&kept.fact)));
    let mut worst: Option<Moment> = None;
    let (mut crop, mut abw): (Option<Moment>, Option<f64>) = (None, None);
    for kept in own {
        let by_weight = |kg: f64, abw: Option<f64>| abw.map_or(0.0, |abw| kg * 1_000.0 / abw);
        let mut is_over = false;
        match (kept.fact, &mut crop) {
            (Fact::Stocking { count, abw_g }, _) => {
                let before = crop.unwrap_or_default();
                crop = Some(Moment { stocked: before.stocked + count, ..before });
                abw = abw.or(abw_g);
            }
            (Fact::Sampling { abw_g }, _) => abw = Some(abw_g),
            (Fact::Mortality { count, kg }, Some(crop)) => {
                crop.out += count.unwrap_or_else(|| kg.map_or(0.0, |kg| by_weight(kg, abw)));
            }
            (Fact::Harvest { kg, abw_g, is_final }, Some(crop)) => {
                abw = abw_g.or(abw);
                crop.out += by_weight(kg, abw);
                is_over = is_final;
            }
            _ => {}
        }
        let is_worse = |crop: &Moment| worst.is_none_or(|worst| crop.share() > worst.share());
        if let Some(crop) = crop.filter(is_worse) {
            worst = Some(crop);
        }
        if is_over {
            (crop, abw) = (None, None);
        }
    }
    worst
}
