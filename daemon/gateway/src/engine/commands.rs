//! Commands from afar: all that one asks for, and its number, in one commit.

use pondreeve_core::Event;
use tokio::sync::oneshot;

use super::Engine;
use super::desk::{Desk, Question};
use crate::audit::Place;
use crate::commands::Taken;
use crate::inbox::Applied;
use crate::outbox::Change;

/// A command that may be done.
#[derive(Debug)]
pub struct Ordered {
    /// What it asks for; at least one.
    pub events: Vec<Event>,
    /// Where it comes from.
    pub place: Place,
    /// What is to be known of it; whether it was done, and what is said, is filled in.
    pub taken: Taken,
}

/// Who waits for an answer on what became of it.
pub(super) type Answer = oneshot::Sender<(Vec<Applied>, Taken)>;

impl Desk {
    /// Has a command done. Answers once it is on disk, or cannot be: then with [`Applied::NotKept`]. `None` once the
    /// engine has ended.
    pub async fn carry_out(&self, ordered: Ordered) -> Option<(Vec<Applied>, Taken)> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::CarryOut(Box::new((ordered, answer)))).await.ok()?;
        answered.await.ok()
    }
}

impl Engine {
    /// Answers a question, or does what is asked.
    pub(super) async fn attend(&mut self, question: Question) {
        match question {
            Question::CarryOut(ordered) => {
                let (ordered, answer) = *ordered;
                self.carry_out(ordered, answer).await;
            }
            question => self.answer(question),
        }
    }

    async fn carry_out(&mut self, ordered: Ordered, answer: Answer) {
        let Ordered { events, place, mut taken } = ordered;
        let mut applied = Vec::with_capacity(events.len());
        let mut last = None;
        for event in events {
            let (seq, told) = self.take_from(place, event).await;
            last = Some(seq);
            applied.push(told);
        }
        let Some(seq) = last else { return };
        let refused: Vec<&str> = applied
            .iter()
            .filter_map(|own| match own {
                Applied::Refused(reason) => Some(reason.english()),
                _ => None,
            })
            .collect();
        taken.done = refused.is_empty();
        taken.said = if taken.done { "done".to_owned() } else { refused.join("; ") };
        self.keeper.outbox(seq, &[Change::Commanded(taken.clone())]);
        if let Err(trouble) = self.keeper.commit_now(self.last_at).await {
            applied.push(Applied::NotKept(trouble));
        }
        self.hand_out();
        self.after_commit().await;
        // Whoever asked may be gone; it is done all the same.
        let _ = answer.send((applied, taken));
    }
}
