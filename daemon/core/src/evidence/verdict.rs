//! What may be said of a comparison. Never that anything is proved.

use alloc::format;
use alloc::vec::Vec;

use super::baci::{Baci, Interval, NoEstimate};
use super::bounce::{Bounce, SHAMS};
use super::differed::{Difference, Factor};
use super::outcome::{DOSES, Outcome, TESTS_A_WEEK, VALID_SHARE, Wanted};
use super::series::{Periods, Series};
use crate::said::{Said, fixed, said, tenth};

/// Said beside every result of a single pair.
pub fn caution() -> Said {
    said!(
        "evidence-caution",
        "Caution: among 154 pairs of series from real places of which neither had been touched, the usual paired test found an effect in 20 %, and in 15 % after correction for one day's likeness to the next (Murtaugh 2002, Ecology 83). One pair of ponds shows no more than that. Look at the curves, and judge."
    )
}

/// Pairs or crops that must agree before an effect counts as supported.
pub const PAIRS: usize = 3;

/// How strongly it may be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// The interval spans zero, data are missing, or there is none.
    NotEnough,
    /// One pair: right sign, interval without zero, nothing else differed.
    Consistent,
    /// Three pairs or crops or more, all with the same sign.
    Supported,
    /// The same as consistent, with the wrong sign.
    Contradicted,
}

impl Level {
    /// In the words that are used.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotEnough => "Not enough evidence",
            Self::Consistent => "Consistent with an effect",
            Self::Supported => "Supported",
            Self::Contradicted => "Contradicted",
        }
    }

    /// As files name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::NotEnough => "not_enough_evidence",
            Self::Consistent => "consistent_with_an_effect",
            Self::Supported => "supported",
            Self::Contradicted => "contradicted",
        }
    }
}

/// Why no more may be said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reason {
    /// The treated pond was not dosed in the trial.
    NoDose,
    /// So many days of the trial are still to come.
    NotOver(i64),
    /// It was chosen after the first dose what to compare.
    ChosenLate,
    /// The control was dosed.
    ControlDosed,
    /// Days before the first dose: are, needed.
    FewBefore(usize, usize),
    /// Days after it: are, needed.
    FewAfter(usize, usize),
    /// Share of the days on which both ponds have a value.
    FewValid(f64),
    /// Tests a week in both ponds.
    FewTests(f64),
    /// Doses that count.
    FewDoses(usize),
    /// Sham days to draw from.
    FewShams(usize),
    /// No interval.
    NoInterval(Option<NoEstimate>),
    /// Zero lies in the interval.
    SpansZero,
    /// So large a share of other days for the first dose would show as much.
    ShiftShows(f64),
    /// So large a share of draws of sham days shows as much.
    ShamsShow(f64),
    /// With the days that a person marked as disturbed it would say something else.
    MarksDecide(usize),
    /// With the doses as they were entered in time it would say something else; on so many days they differ.
    DosesDecide(usize),
    /// It did not stay alike; by which share, or else by how much.
    Differed(Factor),
    /// It is not known whether it stayed alike.
    NotLogged(Factor),
}

impl Reason {
    /// For people.
    pub fn words(&self) -> Said {
        let percent = |share: f64| format!("{:.0} %", share * 100.0);
        let count = |count: usize| format!("{count}");
        match *self {
            Self::NoDose => said!("evidence-no-dose", "no dose is recorded in the trial"),
            Self::NotOver(days) => said!(
                "evidence-not-over",
                "the trial runs for {days} more days; looking early finds too much",
                days = format!("{days}")
            ),
            Self::ChosenLate => {
                said!("evidence-chosen-late", "what is compared was chosen after the first dose")
            }
            Self::ControlDosed => said!("evidence-control-dosed", "the control was dosed as well"),
            Self::FewBefore(are, needed) => said!(
                "evidence-few-before",
                "{are} days before the first dose ({needed} needed)",
                are = count(are),
                needed = count(needed)
            ),
            Self::FewAfter(are, needed) => said!(
                "evidence-few-after",
                "{are} days after the first dose ({needed} needed)",
                are = count(are),
                needed = count(needed)
            ),
            Self::FewValid(share) => said!(
                "evidence-few-valid",
                "both ponds have a value on {share} of the days ({needed} needed)",
                // Rounded down, so that it never reads as enough.
                share = percent(libm::floor(share * 100.0) / 100.0),
                needed = percent(VALID_SHARE)
            ),
            Self::FewTests(rate) => said!(
                "evidence-few-tests",
                "{rate} tests a week in both ponds on the same day ({needed} needed)",
                rate = tenth(libm::floor(rate * 10.0) / 10.0),
                needed = fixed(TESTS_A_WEEK, 0)
            ),
            Self::FewDoses(doses) => said!(
                "evidence-few-doses",
                "{count} doses that count ({needed} needed)",
                count = count(doses),
                needed = format!("{DOSES}")
            ),
            Self::FewShams(days) => said!(
                "evidence-few-shams",
                "{count} days in weeks without a dose to compare with ({needed} needed)",
                count = count(days),
                needed = format!("{SHAMS}")
            ),
            Self::NoInterval(Some(NoEstimate::FewDays(before, after))) => said!(
                "evidence-few-days",
                "no interval can be computed from {before} days before and {after} after",
                before = format!("{before}"),
                after = format!("{after}")
            ),
            Self::NoInterval(Some(NoEstimate::NothingIndependent { correlation, .. })) => said!(
                "evidence-alike",
                "the days resemble each other too much (correlation {correlation}) for an interval",
                correlation = fixed(correlation, 2)
            ),
            Self::NoInterval(Some(NoEstimate::NoSpread)) => {
                said!("evidence-no-spread", "every day is the same: no interval can be computed")
            }
            Self::NoInterval(None) => said!("evidence-no-interval", "no interval can be computed"),
            Self::SpansZero => said!("evidence-spans-zero", "the interval spans zero"),
            Self::ShiftShows(share) => said!(
                "evidence-shift-shows",
                "{share} of other days for the first dose would show as much (at most 5 %)",
                share = percent(share)
            ),
            Self::ShamsShow(share) => said!(
                "evidence-shams-show",
                "{share} of draws of sham days show as much (at most 5 %)",
                share = percent(share)
            ),
            Self::Differed(factor) => said!(
                "evidence-differed",
                "{factor} changed in one pond and not in the other",
                factor = factor.said()
            ),
            Self::NotLogged(factor) => said!(
                "evidence-not-logged",
                "{factor} is not known of both ponds, before and after",
                factor = factor.said()
            ),
            Self::DosesDecide(days) => said!(
                "evidence-doses-decide",
                "without what was entered, corrected or withdrawn of doses more than 48 h afterwards ({days} days) it would not say the same",
                days = format!("{days}")
            ),
            Self::MarksDecide(days) => said!(
                "evidence-marks-decide",
                "with the {days} days that were marked as disturbed it would not say the same",
                days = format!("{days}")
            ),
        }
    }
}

/// What may be said.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// How strongly.
    pub level: Level,
    /// Why no more.
    pub reasons: Vec<Reason>,
}

/// What speaks against saying anything before the numbers are looked at.
pub fn gaps(
    outcome: Outcome,
    (treated, control): (&Series, &Series),
    periods: &Periods,
    needed: (usize, usize),
) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let (before, after) = (Periods::length(periods.before), Periods::length(periods.after));
    if before < needed.0 {
        reasons.push(Reason::FewBefore(before, needed.0));
    }
    if after < needed.1 {
        reasons.push(Reason::FewAfter(after, needed.1));
    }
    let both = treated.less(control);
    let mut least_share = 1.0_f64;
    let mut least_rate = f64::INFINITY;
    for (part, days) in [(periods.before, before), (periods.after, after)] {
        let known = both.within(part).count() as f64;
        least_share = least_share.min(known / days.max(1) as f64);
        least_rate = least_rate.min(known / (days.max(1) as f64 / 7.0));
    }
    if outcome.is_by_kit() {
        if least_rate < TESTS_A_WEEK {
            reasons.push(Reason::FewTests(least_rate));
        }
    } else if least_share < VALID_SHARE {
        reasons.push(Reason::FewValid(least_share));
    }
    reasons
}

/// What speaks against it in what else differed.
pub fn unlike(outcome: Outcome, differences: &[Difference]) -> Vec<Reason> {
    // What is compared cannot speak against itself.
    let aside = |factor: Factor| outcome == Outcome::AerationKwh && factor == Factor::Aeration;
    let told = differences.iter().filter(|own| !aside(own.factor));
    told.filter_map(|own| match own.is_balanced {
        Some(true) => None,
        Some(false) => Some(Reason::Differed(own.factor)),
        None => own.factor.is_needed().then_some(Reason::NotLogged(own.factor)),
    })
    .collect()
}

fn verdict(interval: Option<Interval>, wanted: Wanted, mut reasons: Vec<Reason>) -> Verdict {
    if interval.is_some_and(|interval| !interval.excludes_zero()) {
        reasons.push(Reason::SpansZero);
    }
    let level = match interval {
        Some(own) if reasons.is_empty() => {
            if wanted.is_met(own.estimate) {
                Level::Consistent
            } else {
                Level::Contradicted
            }
        }
        _ => Level::NotEnough,
    };
    Verdict { level, reasons }
}

/// Judges a comparison of before and after. `against` is everything that already speaks against saying more.
pub fn of_baci(found: &Result<Baci, NoEstimate>, wanted: Wanted, mut against: Vec<Reason>) -> Verdict {
    match found {
        Err(why) => against.push(Reason::NoInterval(Some(*why))),
        Ok(own) if !own.is_clear() && own.interval.excludes_zero() => {
            against.push(Reason::ShiftShows(own.shift_chance));
        }
        Ok(_) => {}
    }
    verdict(found.as_ref().ok().map(|own| own.interval), wanted, against)
}

/// Judges the days after doses.
pub fn of_bounce(found: &Bounce, wanted: Wanted, mut against: Vec<Reason>) -> Verdict {
    if found.doses.len() < DOSES {
        against.push(Reason::FewDoses(found.doses.len()));
    }
    if found.interval.is_none() {
        against.push(Reason::NoInterval(None));
    }
    match found.sham_chance {
        None => against.push(Reason::FewShams(found.shams.map_or(0, |own| own.0))),
        Some(chance) if !found.is_clear() && found.interval.is_some_and(|own| own.excludes_zero()) => {
            if chance > super::baci::MISSES {
                against.push(Reason::ShamsShow(chance));
            }
        }
        Some(_) => {}
    }
    verdict(found.interval, wanted, against)
}

/// What stands of a verdict that was reached without `left_out` days that a person marked as disturbed, beside that
/// of all days: what hangs on the marks is not said.
pub fn with_and_without(without: Verdict, all: &Verdict, left_out: usize) -> Verdict {
    if left_out == 0 || without.level == all.level || without.level == Level::NotEnough {
        return without;
    }
    let Verdict { mut reasons, .. } = without;
    reasons.push(Reason::MarksDecide(left_out));
    Verdict { level: Level::NotEnough, reasons }
}

/// What stands of a verdict that was reached with the doses as they are on record now, beside that with the doses as
/// they were entered in time: who knows the outcome may choose among doses as well as among days.
pub fn with_doses_in_time(now: Verdict, in_time: &Verdict, days: usize) -> Verdict {
    if days == 0 || now.level == in_time.level || now.level == Level::NotEnough {
        return now;
    }
    let Verdict { mut reasons, .. } = now;
    reasons.push(Reason::DosesDecide(days));
    Verdict { level: Level::NotEnough, reasons }
}

/// What several pairs or crops of the same comparison say together: each verdict with its estimate.
pub fn together(pairs: &[(Verdict, Option<f64>)], wanted: Wanted) -> Level {
    let count = |level: Level| pairs.iter().filter(|(own, _)| own.level == level).count();
    let (consistent, contradicted) = (count(Level::Consistent), count(Level::Contradicted));
    // A pair that could not be judged still has a sign, where it has an estimate. Of many pairs one is clear by
    // chance: as many that lean the other way outweigh it. (Our own choice.)
    let (mut with, mut against) = (0, 0);
    for estimate in pairs.iter().filter_map(|(_, estimate)| *estimate) {
        *(if wanted.is_met(estimate) { &mut with } else { &mut against }) += 1;
    }
    match (consistent, contradicted) {
        (PAIRS.., 0) if against == 0 => Level::Supported,
        (1.., 0) if against < consistent => Level::Consistent,
        (0, 1..) if with < contradicted => Level::Contradicted,
        _ => Level::NotEnough,
    }
}
