//! A probe out of service, from its begin to its return.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::{ProbeState, pond_place};
use crate::alarm::Cause;
use crate::effect::{Amended, Effect, Flag, ServiceChange, ServiceNews, Test};
use crate::quality::ChannelState;
use crate::quantity::Quantity;
use crate::said::{Said, length, said};
use crate::service::{Preview, Session, Step, check_length};
use crate::site::{Channel, Probe, ProbeIndex, Site};
use crate::time::Timestamp;

/// Temperature of standards where the probe tells none: that of a shaded bench in the tropics, C.
const BENCH_C: f64 = 27.0;

/// Of the first channel that measures the quantity.
fn reads_now(
    channels: &[ChannelState],
    probe: &Probe,
    quantity: Quantity,
    in_pond: bool,
    now: Timestamp,
) -> Option<f64> {
    let mut own = channels.iter().zip(&probe.channels);
    own.find(|(_, channel)| channel.quantity == quantity)
        .and_then(|(state, channel)| state.reads_now(channel, in_pond, now))
}

impl ProbeState {
    /// Takes one step of a service.
    ///
    /// # Errors
    /// With the reason, where the step cannot be taken; nothing has changed then.
    pub fn take_service(
        &mut self,
        (site, index): (&Site, ProbeIndex),
        step: &Step,
        by: &str,
        now: Timestamp,
        effects: &mut Vec<Effect>,
    ) -> Result<(), Said> {
        let Some(probe) = site.probes.get(usize::from(index.0)) else {
            return Err(Said::plain(format!("there is no probe number {}", index.0)));
        };
        match *step {
            Step::Begin { length } => {
                let length = check_length(length)?;
                match &mut self.service {
                    Some(session) => session.out.until = now + length,
                    none => *none = Some(Session::begin(now, length, by)),
                }
                self.take_out((site, index, probe), now, by, effects);
            }
            Step::End => {
                if self.service.is_none() {
                    return Err(said!(
                        "refused-service-not-out",
                        "it is not out of service: there is nothing to end"
                    ));
                }
                self.end_service((site, index, probe), now, Some(by), effects);
            }
            _ => {
                let channels = &self.channels;
                let in_pond = !matches!(step, Step::Standard { .. });
                let newest = |quantity| reads_now(channels, probe, quantity, in_pond, now);
                let measured = |quantity: Quantity| probe.channels.iter().any(|own| own.quantity == quantity);
                if let Step::Before { quantity, .. }
                | Step::After { quantity, .. }
                | Step::Standard { quantity, .. } = *step
                    && !measured(quantity)
                {
                    let own: Vec<&str> = probe.channels.iter().map(|channel| channel.quantity.id()).collect();
                    return Err(said!(
                        "refused-service-not-measured",
                        "it does not measure {what}: it measures {known}",
                        what = quantity.id(),
                        known = own.join(", ")
                    ));
                }
                let Some(session) = &mut self.service else {
                    return Err(said!(
                        "refused-service-not-begun",
                        "it is in service: begin the service first"
                    ));
                };
                session.take(step, now, newest)?;
                if *step == Step::Adopt {
                    self.adopt(probe);
                }
            }
        }
        self.set_deadline(probe);
        Ok(())
    }

    /// What it reads now of a quantity; see [`ChannelState::reads_now`].
    pub fn reads_now(&self, probe: &Probe, quantity: Quantity, in_pond: bool, now: Timestamp) -> Option<f64> {
        reads_now(&self.channels, probe, quantity, in_pond, now)
    }

    /// Takes over what an earlier life knew of its services.
    pub fn take_over_services(&mut self, probe: &Probe, old: &Probe, earlier: &Self) {
        self.service.clone_from(&earlier.service);
        let mut before: Vec<(&Channel, &ChannelState)> = old.channels.iter().zip(&earlier.channels).collect();
        for (channel, state) in probe.channels.iter().zip(&mut self.channels) {
            let same = |was: &Channel| was.quantity == channel.quantity && was.aerator == channel.aerator;
            if let Some(place) = before.iter().position(|(was, _)| same(was)) {
                state.take_over(before.remove(place).1);
            }
        }
        self.set_deadline(probe);
    }

    fn take_out(
        &mut self,
        (site, index, probe): (&Site, ProbeIndex, &Probe),
        now: Timestamp,
        by: &str,
        effects: &mut Vec<Effect>,
    ) {
        let Some(until) = self.service.as_ref().map(|session| session.out.until) else { return };
        effects.push(Effect::Service(ServiceChange {
            pond: probe.pond,
            probe: index,
            at: now,
            by: Some(String::from(by)),
            what: ServiceNews::Out(until),
        }));
        let message = said!(
            "said-probe-out",
            "{place}: probe {probe} is out of service; it returns by itself in {left}. Its pond is watched by its other probes and by hand readings.",
            place = pond_place(site, probe.pond),
            probe = &probe.id,
            left = length(until - now)
        );
        let change = self.alarm.apply(now, Cause::TakeOut, Some(by), Some(message));
        effects.extend(change.map(Effect::AlarmChanged));
    }

    fn adopt(&mut self, probe: &Probe) {
        let Some(session) = &self.service else { return };
        for (state, channel) in self.channels.iter_mut().zip(&probe.channels) {
            if let Some(adjustment) = session.adjustment(channel.quantity) {
                state.adjust(&adjustment);
            }
        }
    }

    /// Ends a service: keeps what it found and puts the probe back.
    pub(super) fn end_service(
        &mut self,
        (site, index, probe): (&Site, ProbeIndex, &Probe),
        now: Timestamp,
        by: Option<&str>,
        effects: &mut Vec<Effect>,
    ) {
        let Some(session) = self.service.take() else { return };
        let change =
            |what| ServiceChange { pond: probe.pond, probe: index, at: now, by: by.map(String::from), what };
        let temperature_c = self.temperature_c(probe, now);
        let good_since = |quantity: Quantity| {
            let mut own = self.channels.iter().zip(&probe.channels);
            own.find(|(_, channel)| channel.quantity == quantity).map_or(now, |(state, _)| state.good_since())
        };
        for found in session.results(session.out.since, temperature_c, good_since) {
            effects.push(Effect::Service(change(ServiceNews::Done(found))));
            for (place, (state, channel)) in self.channels.iter_mut().zip(&probe.channels).enumerate() {
                if channel.quantity != found.quantity {
                    continue;
                }
                state.keep_service(found);
                if found.rejected {
                    effects.push(Effect::Amended(Amended {
                        pond: probe.pond,
                        probe: index,
                        channel: u16::try_from(place).unwrap_or(u16::MAX),
                        quantity: found.quantity,
                        from: found.from,
                        to: found.to,
                        test: Test::Service,
                        flag: Flag::Fail,
                    }));
                }
            }
        }
        for (state, channel) in self.channels.iter_mut().zip(&probe.channels) {
            let in_standard = session.standards.iter().any(|own| own.quantity == channel.quantity);
            if session.cleaned_at.is_some() || in_standard {
                state.serviced(now);
            }
            state.put_back(now);
        }
        effects.push(Effect::Service(change(ServiceNews::Back)));
        let message = said!(
            "over-probe-out",
            "{place}: probe {probe} is back in service.",
            place = pond_place(site, probe.pond),
            probe = &probe.id
        );
        let change = self.alarm.apply(now, Cause::PutBack, by, Some(message));
        effects.extend(change.map(Effect::AlarmChanged));
    }

    /// What adopting would do, per quantity, while it is out of service.
    pub fn preview(&self, probe: &Probe, now: Timestamp) -> Vec<Preview> {
        let temperature_c = self.temperature_c(probe, now);
        self.service.as_ref().map(|session| session.preview(temperature_c)).unwrap_or_default()
    }

    /// Its own temperature, or that of a bench.
    pub fn temperature_c(&self, probe: &Probe, now: Timestamp) -> f64 {
        self.reads_now(probe, Quantity::TemperatureC, false, now)
            .filter(|temperature| (0.0..=45.0).contains(temperature))
            .unwrap_or(BENCH_C)
    }
}
