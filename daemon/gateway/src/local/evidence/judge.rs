//! From what was gathered of a trial to what may be said.

use std::collections::BTreeSet;

use pondreeve_core::diary::book::local_day;
use pondreeve_core::evidence::bounce::Aside;
use pondreeve_core::evidence::differed::{Difference, Factor, differed};
use pondreeve_core::evidence::trial::{Fixed, Trial, is_late};
use pondreeve_core::evidence::verdict::{
    Reason, Verdict, gaps, of_baci, of_bounce, unlike, with_and_without, with_doses_in_time,
};
use pondreeve_core::evidence::{Baci, Bounce, Level, Method, NoEstimate, Periods, Series, baci, bounce};

use pondreeve_core::Timestamp;
use pondreeve_core::said::Said;

use super::gather::Gathered;

/// Where more of one pond's water is let out on a day than of the other's, by this share in %, the day does not
/// count. (Common practice, no source.)
const WATER_APART: f64 = 1.0;

/// The numbers of either method.
#[derive(Debug)]
pub(super) enum Numbers {
    /// Before and after.
    Days(Result<Baci, NoEstimate>),
    /// The days after doses.
    Doses(Bounce),
    /// Nothing to compare: no dose.
    None,
}

/// What was found.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) verdict: Verdict,
    pub(super) numbers: Numbers,
    pub(super) periods: Periods,
    pub(super) treated: Series,
    pub(super) control: Series,
    pub(super) doses: Vec<i64>,
    pub(super) differed: Vec<Difference>,
    pub(super) noted: Vec<Said>,
}

impl Found {
    /// For several pairs together.
    pub(super) fn for_all(&self) -> (Verdict, Option<f64>) {
        let estimate = match &self.numbers {
            Numbers::Days(Ok(own)) => Some(own.interval.estimate),
            Numbers::Doses(own) => own.interval.map(|own| own.estimate),
            Numbers::Days(Err(_)) | Numbers::None => None,
        };
        (self.verdict.clone(), estimate)
    }
}

/// Judges a trial: with the doses on record, and as long as those entered in time would say the same.
pub(super) fn judge(fixed: &Fixed, gathered: &Gathered) -> Found {
    let day = |at: &Timestamp| local_day(*at, gathered.longitude_deg);
    let days = |doses: &[Timestamp]| doses.iter().map(day).collect::<BTreeSet<i64>>();
    let (now, in_time) = (days(&gathered.doses[0]), days(&gathered.doses_in_time));
    let apart = now.symmetric_difference(&in_time).count();
    let mut found = judged(fixed, gathered, &gathered.doses[0]);
    if apart > 0 {
        let other = judged(fixed, gathered, &gathered.doses_in_time);
        found.verdict = with_doses_in_time(found.verdict, &other.verdict, apart);
    }
    found
}

fn judged(fixed: &Fixed, gathered: &Gathered, given: &[Timestamp]) -> Found {
    let trial = &fixed.trial;
    let day = |at| local_day(at, gathered.longitude_deg);
    let (first, last) = gathered.stretch;
    // An entry can come after what it tells of, so the newest knowledge says what the first dose was.
    let doses: Vec<i64> = given.iter().map(|&at| day(at)).collect();
    let first_dose = given.first().copied();
    let periods = match doses.first() {
        Some(&dose) => Periods::around(first, dose, last),
        None => Periods { before: (first, last), after: (last.saturating_add(1), last) },
    };
    let mut against = Vec::new();
    if gathered.days_left > 0 {
        against.push(Reason::NotOver(gathered.days_left));
    }
    if trial.is_late || first_dose.is_some_and(|dose| is_late(fixed.at, dose)) {
        against.push(Reason::ChosenLate);
    }
    if !gathered.doses[1].is_empty() {
        against.push(Reason::ControlDosed);
    }
    let differences: Vec<Difference> = gathered
        .factors
        .iter()
        .map(|(factor, [treated, control])| differed(*factor, treated, control, &periods))
        .collect();
    let found = |verdict, numbers| Found {
        verdict,
        numbers,
        periods,
        treated: gathered.outcome[0].without(&gathered.marked),
        control: gathered.outcome[1].without(&gathered.marked),
        doses: doses.clone(),
        differed: differences.clone(),
        noted: gathered.noted.clone(),
    };
    if doses.is_empty() {
        against.insert(0, Reason::NoDose);
        return found(Verdict { level: Level::NotEnough, reasons: against }, Numbers::None);
    }
    let question = Question { trial, gathered, doses: &doses, periods: &periods, differences: &differences };
    let (verdict, numbers) = question.compare(&gathered.marked, against.clone());
    let marked = gathered.marked.len();
    if marked == 0 {
        return found(verdict, numbers);
    }
    let (with_all, _) = question.compare(&[], against);
    found(with_and_without(verdict, &with_all, marked), numbers)
}

struct Question<'a> {
    trial: &'a Trial,
    gathered: &'a Gathered,
    doses: &'a [i64],
    periods: &'a Periods,
    differences: &'a [Difference],
}

impl Question<'_> {
    /// What may be said without these days.
    fn compare(&self, left_out: &[i64], mut against: Vec<Reason>) -> (Verdict, Numbers) {
        let Self { trial, gathered, periods, .. } = *self;
        let [treated, control] = &gathered.outcome;
        let (treated, control) = (&treated.without(left_out), &control.without(left_out));
        let needed = (usize::from(trial.days_before), usize::from(trial.days_after));
        against.extend(gaps(trial.outcome, (treated, control), periods, needed));
        match trial.method {
            Method::BeforeAfter => {
                against.extend(unlike(trial.outcome, self.differences));
                let own = baci(treated, control, periods, trial.outcome.apart());
                (of_baci(&own, trial.wanted, against), Numbers::Days(own))
            }
            Method::Doses => {
                // What differed over weeks does not touch what is compared within days; each day is looked at.
                let water = gathered.factors.iter().find(|(factor, _)| *factor == Factor::Water);
                let apart = water.map(|(_, [own, other])| own.less(other)).unwrap_or_default();
                let parted = apart.days().iter().filter(|own| own.value.abs() > WATER_APART);
                let aside = Aside {
                    light: gathered.light.clone(),
                    aeration: gathered.aeration.clone(),
                    serviced: gathered.serviced.clone(),
                    disturbed: parted.map(|own| own.day).chain(left_out.iter().copied()).collect(),
                    is_before_dose: trial.outcome.is_before_dose(),
                };
                let own = bounce(treated, control, self.doses, &aside, gathered.stretch);
                (of_bounce(&own, trial.wanted, against), Numbers::Doses(own))
            }
        }
    }
}
