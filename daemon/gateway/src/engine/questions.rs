//! What is asked of the engine and changes nothing. A question that makes the program fail gets no answer.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use super::Engine;
use super::desk::Question;

impl Engine {
    pub(super) fn answer(&mut self, question: Question) {
        match question {
            // See `attend`.
            Question::CarryOut(_) => {}
            Question::View(answer) => {
                if self.view.is_none() {
                    let state = &self.state;
                    // Showing must not be able to end the watching; the one who asked gets no answer.
                    self.view = catch_unwind(AssertUnwindSafe(|| state.view())).ok().map(Arc::new);
                }
                if let Some(view) = &self.view {
                    let _ = answer.send(Arc::clone(view));
                }
            }
            Question::Why { id, answer } => {
                let state = &self.state;
                if let Ok(why) = catch_unwind(AssertUnwindSafe(|| state.why(&id).map(Box::new))) {
                    let _ = answer.send(why);
                }
            }
            Question::AlarmLoad(answer) => {
                let state = &self.state;
                if let Ok(load) = catch_unwind(AssertUnwindSafe(|| state.alarm_load())) {
                    let _ = answer.send(load);
                }
            }
            Question::MassBalance { pond, feed_kg, protein_percent, pore, answer } => {
                let state = &self.state;
                let found = catch_unwind(AssertUnwindSafe(|| {
                    state.mass_balance(pond, feed_kg, protein_percent, pore)
                }));
                if let Ok(found) = found {
                    let _ = answer.send(found);
                }
            }
            Question::Trials(answer) => {
                let _ = answer.send(self.state.trials().to_vec());
            }
            Question::Channels(answer) => {
                let state = &self.state;
                if let Ok(channels) = catch_unwind(AssertUnwindSafe(|| state.channels_now())) {
                    let _ = answer.send(channels);
                }
            }
            Question::Doubts { pond, entry, answer } => {
                let state = &self.state;
                // An entry is recorded whether or not this is known.
                let doubts = catch_unwind(AssertUnwindSafe(|| state.doubts(pond, &entry)));
                let _ = answer.send(doubts.unwrap_or_default());
            }
            Question::PlanDose { pond, ask, answer } => {
                let state = &self.state;
                let plan = catch_unwind(AssertUnwindSafe(|| state.plan_dose(pond, &ask).map(Box::new)));
                if let Ok(plan) = plan {
                    let _ = answer.send(plan);
                }
            }
            Question::History { pond, quantity, from, most, answer } => {
                let _ = answer.send(self.recent.since(&pond, quantity, from, most));
            }
        }
    }
}
