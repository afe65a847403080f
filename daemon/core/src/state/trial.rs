//! Trials, fixed before the first dose.

use alloc::vec::Vec;

use super::State;
use crate::diary::Book;
use crate::effect::Effect;
use crate::evidence::Trial;
use crate::evidence::trial::{Doses, Fixed, check};
use crate::said::{Said, said};
use crate::time::Timestamp;

impl State {
    /// Every trial that was fixed, oldest first, those whose place was taken too.
    pub fn trials(&self) -> &[Fixed] {
        self.trials.all()
    }

    /// Gives a trial its number, if it is acceptable.
    pub(super) fn complete_trial(&self, trial: &mut Trial, now: Timestamp) {
        trial.number = 0;
        if let Ok(completed) = self.completed_trial(trial, now) {
            *trial = completed;
        }
    }

    fn completed_trial(&self, trial: &Trial, now: Timestamp) -> Result<Trial, Said> {
        let tried = |why: Said| {
            said!(
                "refused-trial",
                "fixing a trial of {treated} against {control}: {why}",
                treated = &trial.treated,
                control = &trial.control,
                why = why
            )
        };
        let site = self.site.as_ref().ok_or_else(|| tried(Said::plain("the farm is not known yet")))?;
        let ponds: Vec<&str> = site.ponds.iter().map(|pond| pond.id.as_str()).collect();
        let newest = |pond: &str| Some(self.diary.book(pond).and_then(Book::last_dose)?.at);
        let doses = Doses { treated: newest(&trial.treated), control: newest(&trial.control) };
        check(trial, &ponds, doses, now).map_err(tried)?;
        self.trials.can_replace(trial).map_err(tried)?;
        let is_late = doses.treated.is_some_and(|at| at >= trial.from);
        Ok(Trial { number: self.trials.newest().saturating_add(1), is_late, ..trial.clone() })
    }

    /// Takes a trial. One that [`State::complete`] has numbered was accepted when it was fixed, and is taken as
    /// it stands.
    pub(super) fn take_trial(&mut self, trial: &Trial, by: &str, effects: &mut Vec<Effect>) {
        let now = self.now;
        if trial.number > self.trials.newest() {
            return self.trials.take(trial, now, by);
        }
        match self.completed_trial(trial, now) {
            Ok(trial) => self.trials.take(&trial, now, by),
            Err(reason) => self.refuse(reason, effects),
        }
    }
}
