//! Why an alarm stands or does not, and what an advice rests on: the inputs with their flags and ages,
//! the limit, the formulas with the numbers put in, what would clear it. Asking changes nothing.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use pondreeve_chemistry::formulas::Formula;

use crate::alarm::Alarm;
use crate::alarm_set::CONDITIONS;
use crate::effect::{AlarmState, Flag, Priority, Test};
use crate::node::{self, NodeState};
use crate::pond::Scene;
use crate::power;
use crate::probe::ProbeState;
use crate::quantity::Quantity;
use crate::said::{Said, said};
use crate::site::{PondIndex, Probe};
use crate::state::State;
use crate::time::Timestamp;
use crate::verdict::Verdict;

mod conditions;
mod dosing;
mod water;
mod water_worked;
mod worked;

/// A reading that went into it.
#[derive(Debug, Clone, PartialEq)]
pub struct Witness {
    /// What.
    pub quantity: Quantity,
    /// Probe id; `None` for what a person entered.
    pub probe: Option<String>,
    /// In the unit of the quantity, where there is one that may warn.
    pub value: Option<f64>,
    /// Its flag now.
    pub flag: Flag,
    /// The tests that disliked it.
    pub disliked: Vec<(Test, Flag)>,
    /// When it was measured; `None` where nothing has come yet.
    pub at: Option<Timestamp>,
}

/// A formula with the numbers put in.
#[derive(Debug, Clone, PartialEq)]
pub struct Worked {
    /// The numbers, as a person would write them down.
    pub text: Said,
    /// Where the formula comes from; `None` for plain arithmetic.
    pub formula: Option<&'static Formula>,
    /// What it was applied to, where that is not plain.
    pub method: Option<Said>,
}

/// Every id that can be asked about.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Known {
    /// Ponds.
    pub ponds: Vec<String>,
    /// Alarms that are not in their normal state.
    pub open: Vec<String>,
    /// The others.
    pub calm: Vec<String>,
}

/// The explanation.
#[derive(Debug, Clone, PartialEq)]
pub struct Why {
    /// What was asked about.
    pub id: String,
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// Its name.
    pub name: Said,
    /// Priority and state, of an alarm.
    pub alarm: Option<(Priority, AlarmState)>,
    /// Since when it stands, where it does.
    pub since: Option<Timestamp>,
    /// What it says now.
    pub says: Said,
    /// What makes it true.
    pub raised_when: Said,
    /// What would clear it.
    pub clears_when: Said,
    /// Key of the limit in the pond's table `limits`, where it has one; its source stands there.
    pub limit_key: Option<&'static str>,
    /// The readings that count.
    pub inputs: Vec<Witness>,
    /// The formulas.
    pub worked: Vec<Worked>,
    /// What the forecast assumed, or why there is none.
    pub forecast: Vec<Said>,
    /// Sensor or water.
    pub verdict: Option<Verdict>,
    /// Whether somebody may have to go out to the water.
    pub at_the_water: bool,
}

impl State {
    /// Explains an alarm by its id, in alarm or not, or a pond's advice by the pond's id.
    ///
    /// # Errors
    /// With the ids that can be asked about, where there is no such.
    pub fn why(&self, id: &str) -> Result<Why, Known> {
        let Some(scene) = self.scene() else { return Err(Known::default()) };
        let site = scene.site;
        for (pond, configured) in self.ponds.iter().zip(&site.ponds) {
            if configured.id == id {
                return Ok(pond.why_advice(&scene, configured));
            }
            if let Some(place) = pond.alarms.iter().position(|alarm| alarm.id == id)
                && let (Some(alarm), Some((condition, ..))) = (pond.alarms.get(place), CONDITIONS.get(place))
            {
                return Ok(pond.why_alarm(&scene, configured, (alarm, *condition)));
            }
        }
        for (probe, configured) in self.probes.iter().zip(&site.probes) {
            if probe.alarm.id == id {
                return Ok(self.why_probe(&scene, probe, configured));
            }
        }
        if let Some(node) = self.nodes.iter().find(|node| node.alarm.id == id) {
            return Ok(self.why_node(&scene, node));
        }
        if let Some(alarm) = self.gateway_alarms.iter().find(|alarm| alarm.id == id) {
            return Ok(why_gateway(alarm));
        }
        if id == power::ID {
            return Ok(self.why_power(&scene));
        }
        Err(self.ids())
    }

    fn ids(&self) -> Known {
        let ponds = self.site.iter().flat_map(|site| &site.ponds).map(|pond| pond.id.clone());
        let is_normal = |alarm: &&Alarm| alarm.state == AlarmState::Normal;
        let open = self.alarms().filter(|alarm| !is_normal(alarm)).map(|alarm| alarm.id.clone());
        let calm = self.alarms().filter(is_normal).map(|alarm| alarm.id.clone());
        Known { ponds: ponds.collect(), open: open.collect(), calm: calm.collect() }
    }

    fn why_power(&self, scene: &Scene<'_>) -> Why {
        let alarm = &self.power.alarm;
        let inside = power::inside(self.alarms(), power::ID);
        let stands = alarm.state.is_standing();
        let says = if stands {
            self.power.message(scene, (&self.ponds, &self.nodes), inside)
        } else {
            said!("not-power", "Not in alarm: aerators run, or they did not stop all at once by night.")
        };
        Why {
            id: alarm.id.clone(),
            pond: None,
            name: Said::plain(alarm.name.as_str()),
            alarm: Some((alarm.priority, alarm.state)),
            since: stands.then_some(alarm.raised_at),
            says,
            raised_when: power::raised_when(),
            clears_when: said!(
                "until-power",
                "any aerator group runs for 5 min, or the night is over, and what has no power but the mains answers for 5 min; then it waits to be acknowledged and reset by somebody who has looked at each pond",
            ),
            limit_key: None,
            inputs: Vec::new(),
            worked: Vec::new(),
            forecast: Vec::new(),
            verdict: None,
            at_the_water: true,
        }
    }

    fn why_node(&self, scene: &Scene<'_>, node: &NodeState) -> Why {
        let alarm = &node.alarm;
        let inside = power::inside(self.alarms(), &alarm.id);
        let stands = alarm.state.is_standing();
        let carried = scene.site.probes.iter().zip(&self.probes).enumerate();
        let inputs =
            carried.filter(|(position, _)| node.carries(*position)).flat_map(|(_, (probe, known))| {
                let channels = probe.channels.iter().zip(&known.channels);
                channels.map(move |(channel, state)| witness(probe, channel.quantity, state))
            });
        let says = if stands {
            node.message(scene.site, &self.probes, scene.now, inside)
        } else {
            said!(
                "not-node",
                "Not in alarm: something of it was heard not long ago, or it hangs on what has an alarm itself.",
            )
        };
        Why {
            id: alarm.id.clone(),
            pond: alarm.pond,
            name: Said::plain(alarm.name.as_str()),
            alarm: Some((alarm.priority, alarm.state)),
            since: stands.then_some(alarm.raised_at),
            says,
            raised_when: node::raised_when(),
            clears_when: said!(
                "until-node",
                "any of its probes heard again for 5 min, and not said to be gone since",
            ),
            limit_key: None,
            inputs: inputs.collect(),
            worked: Vec::new(),
            forecast: Vec::new(),
            verdict: None,
            at_the_water: true,
        }
    }

    fn why_probe(&self, scene: &Scene<'_>, probe: &ProbeState, configured: &Probe) -> Why {
        let stands = probe.alarm.state.is_standing();
        let inputs = configured
            .channels
            .iter()
            .zip(&probe.channels)
            .map(|(channel, state)| witness(configured, channel.quantity, state));
        let pond = configured.pond.and_then(|pond| self.ponds.get(usize::from(pond.0)));
        let verdict = pond.and_then(|pond| {
            let doubted =
                configured.channels.iter().zip(&probe.channels).find(|(channel, state)| {
                    state.doubt.is_some() || state.is_contradicted(channel.quantity)
                })?;
            pond.verdict_on(scene, doubted.0.quantity)
        });
        let says = if stands {
            probe.message(scene.site, configured, scene.now)
        } else {
            said!("not-probe", "Not in alarm: the probe answers, and no test speaks against it long enough.")
        };
        Why {
            id: probe.alarm.id.clone(),
            pond: configured.pond,
            name: Said::plain(probe.alarm.name.as_str()),
            alarm: Some((probe.alarm.priority, probe.alarm.state)),
            since: stands.then_some(probe.alarm.raised_at),
            says,
            raised_when: said!(
                "when-probe",
                "it sends nothing until its readings count as missing; or it answers with an error for 5 min; or its readings fail a test for 5 min, or are suspect for 30 min; or a hand meter contradicts it",
            ),
            clears_when: said!(
                "until-probe",
                "sound readings for 5 min; after a hand meter contradicted it, a hand reading that agrees, or its service",
            ),
            limit_key: None,
            inputs: inputs.collect(),
            worked: Vec::new(),
            forecast: Vec::new(),
            verdict,
            at_the_water: true,
        }
    }
}

fn why_gateway(alarm: &Alarm) -> Why {
    let stands = alarm.state.is_standing();
    Why {
        id: alarm.id.clone(),
        pond: None,
        name: Said::plain(alarm.name.as_str()),
        alarm: Some((alarm.priority, alarm.state)),
        since: stands.then_some(alarm.raised_at),
        says: if stands {
            alarm.message.clone()
        } else {
            said!("not-gateway", "Not in alarm. Last: {last}", last = &alarm.message)
        },
        raised_when: said!("when-gateway", "the part reports a fault it cannot mend by trying again"),
        clears_when: said!("until-gateway", "the part reports that it works again"),
        limit_key: None,
        inputs: Vec::new(),
        worked: Vec::new(),
        forecast: Vec::new(),
        verdict: None,
        at_the_water: false,
    }
}

/// A channel as a witness.
pub(crate) fn witness(probe: &Probe, quantity: Quantity, state: &crate::quality::ChannelState) -> Witness {
    Witness {
        quantity,
        probe: Some(probe.id.clone()),
        value: state.seen.map(|seen| seen.value),
        flag: if state.is_contradicted(quantity) {
            state.flag_now().worst(Flag::Suspect)
        } else {
            state.flag_now()
        },
        disliked: state.disliked.clone(),
        at: state.newest_at(),
    }
}

/// A number with the decimals people read it with.
pub(crate) fn number(quantity: Quantity, value: f64) -> String {
    format!("{value:.*}", quantity.decimals())
}
