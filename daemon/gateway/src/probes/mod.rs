//! Readings in: serial buses and brokers, one task each, all ending in the engine's inbox.
//!
//! The tasks know which quantity stands where; what a value means is the core's to say. A task that
//! cannot read says so as an event and goes on trying.

use std::sync::Arc;

use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::config::Farm;
use crate::inbox::Inbox;

use serial::coils::CoilSender;
use serial::loan::LoanSender;
use tally::Tally;

pub mod capture;
pub mod exchanges;
#[cfg(test)]
mod far_end;
pub mod mqtt;
mod report;
pub mod serial;
pub(crate) mod spoken;
pub mod tally;

/// Starts one task for each bus, each line and each broker of the farm. They run until `stop` is cancelled or the
/// inbox closes; the set is empty then. The senders switch coils, one for each bus in order, and borrow lines, one for
/// each bus and then one for each line. Each answer and each failure counts in `tally`.
#[expect(clippy::needless_pass_by_value, reason = "the tasks own all four from here on")]
pub fn start(
    farm: Arc<Farm>,
    clock: Clock,
    inbox: Inbox,
    stop: CancellationToken,
    tally: &Tally,
) -> (JoinSet<()>, Vec<CoilSender>, Vec<LoanSender>) {
    let mut tasks = JoinSet::new();
    let (mut coil_senders, mut loan_senders) = (Vec::new(), Vec::new());
    for index in 0..farm.buses.len() {
        let (sender, coils) = serial::coils::queue();
        coil_senders.push(sender);
        let (sender, loans) = serial::loan::queue();
        loan_senders.push(sender);
        let (farm, clock, inbox, stop) = (Arc::clone(&farm), clock.clone(), inbox.clone(), stop.clone());
        tasks.spawn(serial::run(farm, index, clock, (inbox, tally.clone()), (coils, loans), stop));
    }
    for index in 0..farm.lines.len() {
        let (sender, loans) = serial::loan::queue();
        loan_senders.push(sender);
        let (farm, clock, stop) = (Arc::clone(&farm), clock.clone(), stop.clone());
        tasks.spawn(spoken::run(farm, index, clock, (inbox.clone(), tally.clone()), loans, stop));
    }
    for index in 0..farm.brokers.len() {
        tasks.spawn(mqtt::run(
            Arc::clone(&farm),
            index,
            clock.clone(),
            (inbox.clone(), tally.clone()),
            stop.clone(),
        ));
    }
    (tasks, coil_senders, loan_senders)
}
