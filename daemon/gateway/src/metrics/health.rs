//! Whether the daemon truly does its work, as far as it can tell.

use std::time::Duration;

use pondreeve_core::effect::Flag;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::view::{ChannelNow, FarmView};

use super::Sources;

/// An engine that has not answered after this long hangs. It waits for the disk for five seconds at most.
const ENGINE_PATIENCE: Duration = Duration::from_secs(10);

/// Why it does not, in plain words.
pub(super) async fn health(sources: &Sources) -> Result<(), Vec<String>> {
    let desk = &sources.counter.desk;
    let asked = async { Some((desk.view().await?, desk.channels().await?)) };
    match tokio::time::timeout(ENGINE_PATIENCE, asked).await {
        Ok(Some((view, channels))) => judged(&view, &channels),
        Ok(None) => Err(vec!["the part that watches the ponds has ended".to_owned()]),
        Err(_) => Err(vec![format!(
            "the part that watches the ponds has not answered for {} s",
            ENGINE_PATIENCE.as_secs()
        )]),
    }
}

/// What stands in the way of readings becoming alarms that somebody learns of. A single probe or line that
/// fails is not: that is what its own alarm is for.
pub(super) fn judged(view: &FarmView, channels: &[ChannelNow]) -> Result<(), Vec<String>> {
    let broken = |part| {
        matches!(part, GatewayPart::Store | GatewayPart::Quarantine | GatewayPart::Horn | GatewayPart::Call)
    };
    let faults = view.faults.iter().filter(|fault| broken(fault.part));
    // Of the store only that it takes nothing: what it says of the past is told by an alarm.
    let faults = faults.filter(|fault| fault.part != GatewayPart::Store || fault.which.is_empty());
    let mut reasons: Vec<String> = faults
        .map(|fault| {
            let which = if fault.which.is_empty() { String::new() } else { format!(" {}", fault.which) };
            format!("{}{which}: {}", fault.part.id(), fault.detail)
        })
        .collect();
    let mut probed = channels.iter().filter(|channel| channel.probe.is_some()).peekable();
    if probed.peek().is_some() && probed.all(|channel| channel.flag == Flag::Missing) {
        reasons.push("no probe reports".to_owned());
    }
    if reasons.is_empty() { Ok(()) } else { Err(reasons) }
}
