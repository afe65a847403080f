//! Loss of power, told from the aerators: by night, everything that ran stops within a minute or two,
//! in more than one pond and not all on advice, and nothing runs any more.
//!
//! One alarm tells of it. Alarms that only repeat it (stopped aerators, probes and buses that fall silent
//! with it) are suppressed by design and counted in it; what is known of a pond's oxygen never is.
//!
//! Where probes have no power but the mains (the farm says which), nobody sees the aerators stop: everything that hangs
//! on such a line or device falls silent together, by day or night. That is the same alarm.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Cause, Delays, Sight};
use crate::effect::{AlarmState, Effect, Priority};
use crate::message::place;
use crate::node::NodeState;
use crate::pond::{PondState, Scene};
use crate::said::{Said, length, said, tenth};
use crate::time::{Span, Timestamp};

/// Its id.
pub const ID: &str = "farm.power-lost";

/// What stops with the mains stops within this: two polls of a current meter. (Common practice, no
/// source.)
const TOGETHER: Span = Span::from_minutes(2);

/// The stops are proof enough; aerators are started again one after another, which takes a while.
/// (Common practice, no source.)
const DELAYS: Delays = Delays::minutes(0, 5);

/// A probe or a bus that has fallen silent this long before the aerators were seen to stop fell silent
/// with them: a meter is polled seldom. (Common practice, no source.)
const BEFORE: Span = Span::from_minutes(2);

/// Oxygen to which the time left is told, mg/L: the critical limit's place in a pond's limits.
const CRITICAL: usize = 1;

/// The mains, as far as aerators tell.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
pub struct Power {
    /// The one alarm.
    pub alarm: Alarm,
    /// When the first of the stops was seen, or anything of what has no other power was last heard.
    lost_at: Option<Timestamp>,
    /// It was told from what fell silent, since no aerator was seen to stop.
    is_by_silence: bool,
}

impl Default for Power {
    fn default() -> Self {
        let alarm =
            Alarm::new(String::from(ID), String::from("Power lost, aerators off"), None, Priority::Critical);
        Self { alarm: alarm.latching(), lost_at: None, is_by_silence: false }
    }
}

/// What the farm's aerators do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Tally {
    running: usize,
    stopped: usize,
    ponds: usize,
    unadvised: u32,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
}

impl Tally {
    /// Counts what runs and what stopped tonight.
    fn of(ponds: &[PondState], now: Timestamp) -> Self {
        let mut tally = Self::default();
        for pond in ponds {
            tally.running += pond.aerators_on.iter().filter(|on| **on == Some(true)).count();
            let mut any = false;
            for at in pond.stops_tonight(now) {
                any = true;
                tally.stopped += 1;
                tally.first = Some(tally.first.map_or(at, |first| first.min(at)));
                tally.last = Some(tally.last.map_or(at, |last| last.max(at)));
            }
            tally.ponds += usize::from(any);
            tally.unadvised += pond.stopped_tonight(now).count_ones();
        }
        tally
    }

    fn sight(&self) -> Sight {
        let (Some(first), Some(last)) = (self.first, self.last) else { return Sight::Clear };
        if self.running > 0 {
            Sight::Clear
        } else if self.ponds >= 2 && self.unadvised > 0 && last - first <= TOGETHER {
            Sight::Beyond
        } else {
            // Nothing runs, but it was not one event, or no longer looks like it.
            Sight::Deadband
        }
    }
}

impl Power {
    /// Since when power is lost, while it is.
    pub fn lost(&self) -> Option<Timestamp> {
        self.lost_at.filter(|_| self.alarm.stands()).map(|at| at - BEFORE)
    }

    /// Judges the alarm. Says whether it was raised or is over, so that everything else must be judged
    /// anew.
    pub fn settle(
        &mut self,
        scene: &Scene<'_>,
        (ponds, nodes): (&[PondState], &[NodeState]),
        effects: &mut Vec<Effect>,
    ) -> bool {
        let tally = Tally::of(ponds, scene.now);
        let stood = self.alarm.stands();
        let silent_since = silent_since(scene, nodes);
        let sight = if silent_since.is_some() { Sight::Beyond } else { tally.sight() };
        let (lost_at, is_by_silence) = match (tally.sight(), silent_since) {
            (Sight::Beyond, _) | (_, None) => (tally.first, false),
            (_, Some(since)) => (Some(since), true),
        };
        let Some(cause) = self.alarm.observe(scene.now, sight, DELAYS) else {
            if self.alarm.stands() && !stood {
                (self.lost_at, self.is_by_silence) = (lost_at, is_by_silence);
            }
            return self.alarm.stands() != stood;
        };
        let message = if cause == Cause::Clears || !self.would_stand(cause) {
            cleared(scene, ponds, self.is_by_silence)
        } else {
            if cause == Cause::Occurs {
                (self.lost_at, self.is_by_silence) = (lost_at, is_by_silence);
            }
            message(scene, (ponds, nodes))
        };
        effects.extend(self.alarm.apply(scene.now, cause, None, Some(message)).map(Effect::AlarmChanged));
        self.alarm.stands() != stood
    }

    fn would_stand(&self, cause: Cause) -> bool {
        cause != Cause::ShelfEnds || self.alarm.stands()
    }

    /// The present text, for the view: `inside` are the alarms that are counted in it.
    pub fn message(&self, scene: &Scene<'_>, what: (&[PondState], &[NodeState]), inside: usize) -> Said {
        if !self.alarm.state.is_standing() {
            return self.alarm.message.clone();
        }
        Said::joined(alloc::vec![message(scene, what), counted(inside)], "")
    }
}

/// How many alarms are counted in a root.
pub(crate) fn counted(inside: usize) -> Said {
    match inside {
        0 => Said::default(),
        1 => said!("power-inside-one", " One further alarm is counted in this one."),
        _ => said!(
            "power-inside",
            " {inside} further alarms are counted in this one.",
            inside = format!("{inside}")
        ),
    }
}

/// Ponds by the time left until oxygen is critically low, shortest first, and those of which it is not
/// known at the head: they need eyes first.
fn ranking(scene: &Scene<'_>, ponds: &[PondState]) -> Said {
    let mut left: Vec<(Option<Option<Span>>, Said)> = ponds
        .iter()
        .zip(&scene.site.ponds)
        .map(|(pond, configured)| {
            let limit = configured.limits.do_low_mg_l.get(CRITICAL).map_or(3.0, |threshold| threshold.limit);
            let left = pond.left_without_aerators(scene, configured, limit);
            let said = match left {
                None => {
                    said!("power-unknown", "{place}: not known, measure by hand", place = place(configured))
                }
                Some(None) => {
                    said!("power-morning", "{place}: not before the morning", place = place(configured))
                }
                Some(Some(left)) if left == Span::ZERO => said!(
                    "power-already",
                    "{place}: below {limit} mg/L already",
                    place = place(configured),
                    limit = tenth(limit)
                ),
                Some(Some(left)) => said!(
                    "power-left",
                    "{place}: {limit} mg/L in about {left}",
                    place = place(configured),
                    limit = tenth(limit),
                    left = length(left)
                ),
            };
            (left, said)
        })
        .collect();
    left.sort_by_key(|(left, _)| match left {
        None => (0, Span::ZERO),
        Some(Some(left)) => (1, *left),
        Some(None) => (2, Span::ZERO),
    });
    Said::joined(left.into_iter().map(|(_, said)| said).collect(), "; ")
}

/// Since when nothing is heard of what has no power but the mains: of all of it, so that one broken cable among
/// several lines is no loss of power.
fn silent_since(scene: &Scene<'_>, nodes: &[NodeState]) -> Option<Timestamp> {
    let on_mains = nodes.iter().filter(|node| node.is_on_mains());
    let silent: Option<Vec<Timestamp>> =
        on_mains.map(|node| node.mains_lost(scene.site, scene.probes, scene.now)).collect();
    silent?.into_iter().max()
}

fn message(scene: &Scene<'_>, (ponds, nodes): (&[PondState], &[NodeState])) -> Said {
    let tally = Tally::of(ponds, scene.now);
    if tally.sight() != Sight::Beyond
        && let Some(since) = silent_since(scene, nodes)
    {
        return said!(
            "said-power-silent",
            "Farm: power seems lost: all that has no power but the mains fell silent together, last heard {since} ago. Whether aerators turn is not seen: look. Start the generator, then aerators one after another, 10 s apart. Time left: {left}. Walk, do not run; stay out of the water; a licensed electrician for the mains.",
            since = length(scene.now - since),
            left = ranking(scene, ponds)
        );
    }
    said!(
        "said-power",
        "Farm: power seems lost, all {groups} running aerator groups in {ponds} ponds stopped together. Start the generator, then aerators one after another, 10 s apart. Time left: {left}. Walk, do not run; stay out of the water; a licensed electrician for the mains.",
        groups = format!("{}", tally.stopped),
        left = ranking(scene, ponds),
        ponds = format!("{}", tally.ponds)
    )
}

/// What is said when it is over: what did not start again, and what the loss leaves behind.
fn cleared(scene: &Scene<'_>, ponds: &[PondState], is_by_silence: bool) -> Said {
    let still: Vec<String> = ponds
        .iter()
        .zip(&scene.site.ponds)
        .flat_map(|(pond, configured)| {
            let stopped = pond.stopped_tonight(scene.now);
            let groups = configured.aerators.iter().take(64).enumerate();
            groups
                .filter(move |(group, _)| stopped & (1 << group) != 0)
                .map(|(_, group)| format!("{} {}", configured.id, group.id))
        })
        .collect();
    let running = Tally::of(ponds, scene.now).running;
    let head = if is_by_silence && still.is_empty() {
        said!(
            "power-over-silence",
            "Farm: what has no power but the mains answers again; aerator groups known to run: {running}.",
            running = format!("{running}")
        )
    } else if running == 0 {
        said!(
            "power-over-night",
            "Farm: the night is over and no aerator runs: whether the power is back is not known here."
        )
    } else if still.is_empty() {
        said!("power-over-all", "Farm: aerators run again, everything that had stopped among them.")
    } else {
        said!(
            "power-over-some",
            "Farm: aerators run again. Not running again: {groups}.",
            groups = still.join(", ")
        )
    };
    said!(
        "power-over",
        "{head} Look at each pond, and test TAN today and tomorrow: ammonia may rise for hours after oxygen was short.",
        head = head
    )
}

/// Why the farm's power is in alarm, for the explanation.
pub fn raised_when() -> Said {
    said!(
        "when-power",
        "by night, every aerator group that ran has stopped within {together}, in two ponds or more, and none runs; or at any hour all lines and devices whose power is the mains alone are silent together",
        together = length(TOGETHER)
    )
}

/// How many alarms are counted in one with this id.
pub fn inside<'a>(alarms: impl Iterator<Item = &'a Alarm>, id: &str) -> usize {
    alarms
        .filter(|alarm| alarm.state == AlarmState::Suppressed && alarm.stands())
        .filter(|alarm| alarm.root.as_deref() == Some(id))
        .count()
}
