//! The counter at which others ask the engine: what is known now, what was measured, what changes.

use std::sync::Arc;

use pondreeve_core::alarm_load::LoadReport;
use pondreeve_core::diary::Entry;
use pondreeve_core::dosing::{DoseAsk, DosePlan};
use pondreeve_core::evidence::trial::Fixed;
use pondreeve_core::mass_balance::{MassBalance, PoreWater};
use pondreeve_core::site::PondIndex;
use pondreeve_core::state::Doubts;
use pondreeve_core::view::{ChannelNow, FarmView};
use pondreeve_core::why::{Known, Why};
use pondreeve_core::{Effect, Quantity, Timestamp};
use tokio::sync::{broadcast, mpsc, oneshot};

use super::commands::{Answer, Ordered};
use super::recent::Point;
use super::shelf::Shelf;
use crate::service_manager::Pulse;

/// Bound of the queue of questions. Each local client has at most one open, and there are at most
/// [`crate::local::server::MOST_CLIENTS`] of them.
pub(super) const QUESTIONS_BOUND: usize = 64;

/// Bound of the effects kept for a listener that is behind. A listener that falls further behind is
/// told that it missed some, and asks for the whole view instead.
pub(super) const CHANGES_BOUND: usize = 1024;

/// Something asked of the engine.
#[derive(Debug)]
pub(super) enum Question {
    CarryOut(Box<(Ordered, Answer)>),
    View(oneshot::Sender<Arc<FarmView>>),
    Why {
        id: String,
        answer: oneshot::Sender<Result<Box<Why>, Known>>,
    },
    AlarmLoad(oneshot::Sender<LoadReport>),
    MassBalance {
        pond: PondIndex,
        feed_kg: Option<f64>,
        protein_percent: f64,
        pore: Option<PoreWater>,
        answer: oneshot::Sender<Option<MassBalance>>,
    },
    Trials(oneshot::Sender<Vec<Fixed>>),
    Channels(oneshot::Sender<Vec<ChannelNow>>),
    PlanDose {
        pond: PondIndex,
        ask: DoseAsk,
        answer: oneshot::Sender<Option<Box<DosePlan>>>,
    },
    Doubts {
        pond: PondIndex,
        entry: Box<Entry>,
        answer: oneshot::Sender<Doubts>,
    },
    History {
        pond: String,
        quantity: Quantity,
        from: Timestamp,
        most: usize,
        answer: oneshot::Sender<Vec<Point>>,
    },
}

/// Handle of the counter; clone it freely.
#[derive(Debug, Clone)]
pub struct Desk {
    pub(super) questions: mpsc::Sender<Question>,
    pub(super) changes: broadcast::Sender<Arc<Effect>>,
    pub(super) shelf: Shelf,
    pub(super) pulse: Pulse,
}

impl Desk {
    /// Up to where everything is on disk.
    pub(crate) fn pulse(&self) -> Pulse {
        self.pulse.clone()
    }

    /// The farm now. Shows nothing that rests on an input which is not yet on disk and that people
    /// act on: alarms and acknowledgements. `None` once the engine has ended.
    pub async fn view(&self) -> Option<Arc<FarmView>> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::View(answer)).await.ok()?;
        answered.await.ok()
    }

    /// Why an alarm stands or does not, or what a pond's advice rests on; the ids that can be asked about
    /// where there is no such. `None` once the engine has ended.
    pub async fn why(&self, id: &str) -> Option<Result<Box<Why>, Known>> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::Why { id: id.to_owned(), answer }).await.ok()?;
        answered.await.ok()
    }

    /// What the alarms have asked of people over the last thirty days. `None` once the engine has ended.
    pub async fn alarm_load(&self) -> Option<LoadReport> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::AlarmLoad(answer)).await.ok()?;
        answered.await.ok()
    }

    /// What a day's feed brings into a pond's water; `None` inside where there is no such pond. `None` once the
    /// engine has ended.
    pub async fn mass_balance(
        &self,
        pond: PondIndex,
        feed_kg: Option<f64>,
        protein_percent: f64,
        pore: Option<PoreWater>,
    ) -> Option<Option<MassBalance>> {
        let (answer, answered) = oneshot::channel();
        let question = Question::MassBalance { pond, feed_kg, protein_percent, pore, answer };
        self.questions.send(question).await.ok()?;
        answered.await.ok()
    }

    /// Every trial that was fixed, oldest first. `None` once the engine has ended.
    pub async fn trials(&self) -> Option<Vec<Fixed>> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::Trials(answer)).await.ok()?;
        answered.await.ok()
    }

    /// The newest of every channel of every probe. `None` once the engine has ended.
    pub async fn channels(&self) -> Option<Vec<ChannelNow>> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::Channels(answer)).await.ok()?;
        answered.await.ok()
    }

    /// Plans a dose for a pond as it is now; `None` inside where there is no such pond. `None` once the
    /// engine has ended.
    pub async fn plan_dose(&self, pond: PondIndex, ask: DoseAsk) -> Option<Option<Box<DosePlan>>> {
        let (answer, answered) = oneshot::channel();
        self.questions.send(Question::PlanDose { pond, ask, answer }).await.ok()?;
        answered.await.ok()
    }

    /// What is odd about an entry that is to be recorded. `None` once the engine has ended.
    pub async fn doubts(&self, pond: PondIndex, entry: &Entry) -> Option<Doubts> {
        let (answer, answered) = oneshot::channel();
        let entry = Box::new(entry.clone());
        self.questions.send(Question::Doubts { pond, entry, answer }).await.ok()?;
        answered.await.ok()
    }

    /// Values of one quantity of a pond since a time, oldest first, at most `most`.
    pub async fn history(
        &self,
        pond: &str,
        quantity: Quantity,
        from: Timestamp,
        most: usize,
    ) -> Option<Vec<Point>> {
        let (answer, answered) = oneshot::channel();
        let question = Question::History { pond: pond.to_owned(), quantity, from, most, answer };
        self.questions.send(question).await.ok()?;
        answered.await.ok()
    }

    /// What the store keeps.
    pub fn shelf(&self) -> &Shelf {
        &self.shelf
    }

    /// Every effect from now on, each once it may be seen.
    pub fn changes(&self) -> broadcast::Receiver<Arc<Effect>> {
        self.changes.subscribe()
    }
}
