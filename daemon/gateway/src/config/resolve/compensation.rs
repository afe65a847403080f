//! What oxygen probes leave to the gateway: salt and air pressure, once and not twice.

use pondreeve_core::Quantity;
use pondreeve_core::compensation::Compensation;

use super::super::raw::RawCalibration;
use super::super::reader::At;
use super::{KnownPond, Resolver};

impl Resolver<'_> {
    /// What a channel's probe assumes about its water.
    pub(super) fn compensation(
        &self,
        quantity: Quantity,
        own: Option<&RawCalibration>,
        pond: Option<&KnownPond>,
    ) -> Compensation {
        let assumed = |pick: fn(&RawCalibration) -> &Option<At<f64>>| {
            let at = own.and_then(|raw| pick(raw).as_ref())?;
            if quantity != Quantity::DoMgL {
                let found = format!("a compensation of `{}`", quantity.id());
                self.problems.push(self.problems.about(at, found, "it in `calibration.do_mg_l` only"));
            } else if pond.is_none() {
                let found = "a compensation for an oxygen probe that stands in no pond";
                let accepted = "`pond`, whose water it is compensated for";
                self.problems.push(self.problems.about(at, found, accepted));
            }
            Some(at.value)
        };
        let compensation = Compensation {
            assumed_salinity_psu: assumed(|raw| &raw.probe_salinity_psu),
            assumed_pressure_hpa: assumed(|raw| &raw.probe_pressure_hpa),
        };
        if let (Some(at), Some(pond)) = (own.and_then(|raw| raw.probe_salinity_psu.as_ref()), pond) {
            self.without_salt.borrow_mut().push((pond.clone(), at.clone()));
        }
        compensation
    }

    /// What is compensated with a guess may be wrong: allowed, but never silently.
    pub(super) fn warn_of_unmeasured_salt(&self) {
        let probes = self.probes.borrow();
        for (pond, at) in self.without_salt.borrow().iter() {
            let measured = probes
                .iter()
                .filter(|probe| probe.pond == Some(pond.index))
                .any(|probe| probe.channels.iter().any(|own| own.quantity == Quantity::SalinityPsu));
            if !measured {
                let found = format!(
                    "an oxygen probe that does not follow salinity, in pond `{}`, whose salinity no probe reports",
                    pond.id.value
                );
                let problem =
                    self.problems.about(at, found, "a probe that reports salinity_psu in that pond");
                self.problems.push(
                    problem
                        .with_hint(
                            "until a salinity is entered by hand, oxygen is compensated with the pond's `salinity_psu`: 5 PSU too little there, and oxygen reads about 3 % too high",
                        )
                        .as_warning(),
                );
            }
        }
    }
}
