//! What probes on buses and on brokers have in common: their place, channels, corrections and quality.

use std::time::Duration;

use pondreeve_core::Quantity;
use pondreeve_core::site::{Channel, Layer, Node, PondIndex, Probe, ProbeIndex, QualityLimits};

use super::super::raw::{RawCalibration, RawQuality};
use super::super::reader::At;
use super::super::words::{did_you_mean, listed};
use super::{KnownPond, Resolver, span};

/// Offsets and slopes per quantity.
pub(super) type Calibrations = Option<At<Vec<(At<Quantity>, At<RawCalibration>)>>>;
/// Parameters of quality tests per quantity.
pub(super) type Qualities = Option<At<Vec<(At<Quantity>, At<RawQuality>)>>>;

/// A channel before corrections.
pub(super) struct RawChannel<'a> {
    pub(super) quantity: Quantity,
    /// The aerator group, and the key that names it.
    pub(super) aerator: Option<&'a At<String>>,
    /// How deep its probe hangs.
    pub(super) layer: Option<Layer>,
    /// Where to report a problem with this channel.
    pub(super) place: At<()>,
}

impl Resolver<'_> {
    /// Finds the pond a probe stands in: `Err` if it is not on the farm, `Ok(None)` if it names none.
    pub(super) fn pond_of(&self, raw: Option<&At<String>>) -> Result<Option<KnownPond>, ()> {
        let Some(named) = raw else { return Ok(None) };
        let ponds = self.ponds.borrow();
        if let Some(pond) = ponds.iter().find(|pond| pond.id.value == named.value) {
            return Ok(Some(pond.clone()));
        }
        if self.ponds_unread || ponds.is_empty() {
            return Err(());
        }
        let ids = || ponds.iter().map(|pond| pond.id.value.as_str());
        let mut problem = self.problems.about(
            named,
            format!("the pond `{}`, which is not on this farm", named.value),
            format!("one of {}", listed(ids())),
        );
        problem.hint = did_you_mean(&named.value, ids());
        self.problems.push(problem);
        Err(())
    }

    /// Adds a probe that hangs on the line or broker `link`, and is carried by `node`, to the site.
    pub(super) fn add_probe(
        &self,
        id: &At<String>,
        (pond, link, node): (Option<&KnownPond>, &str, Option<Node>),
        every: &At<Duration>,
        raw_channels: &[RawChannel<'_>],
        calibrations: &Calibrations,
        qualities: &Qualities,
    ) -> Option<ProbeIndex> {
        let free = self.claim(&mut self.probe_ids.borrow_mut(), id, "probe");
        self.check_quantities(raw_channels, calibrations, qualities);
        let channels: Vec<Option<Channel>> = raw_channels
            .iter()
            .map(|raw| {
                let aerator = self.aerator_of(raw, pond);
                let quality = self.quality(raw.quantity, every.value, qualities);
                let own =
                    calibrations.iter().flat_map(|at| &at.value).find(|(key, _)| key.value == raw.quantity);
                let number = |pick: fn(&RawCalibration) -> &Option<At<f64>>, default: f64| {
                    own.and_then(|(_, at)| pick(&at.value).as_ref()).map_or(default, |at| at.value)
                };
                let compensation = self.compensation(raw.quantity, own.map(|(_, at)| &at.value), pond);
                Some(Channel {
                    compensation,
                    aerator: aerator?,
                    layer: raw.layer,
                    calibration_slope: number(|raw| &raw.slope, 1.0),
                    calibration_offset: number(|raw| &raw.offset, 0.0),
                    quality: quality?,
                    ..Channel::uncorrected(raw.quantity)
                })
            })
            .collect();
        let channels = channels.into_iter().collect::<Option<Vec<_>>>()?;
        if let Some(pond) = pond
            && channels.iter().any(|channel| channel.quantity == Quantity::DoMgL)
        {
            self.oxygen_every.borrow_mut().entry(pond.index).or_default().push(every.clone());
        }
        let mut probes = self.probes.borrow_mut();
        let index = u16::try_from(probes.len()).ok()?;
        let (id, pond) = (id.value.clone(), pond.map(|pond| pond.index));
        probes.push(Probe { id, pond, link: link.to_owned(), node, channels });
        free.then_some(ProbeIndex(index))
    }

    /// Corrections and quality limits for quantities that the probe does not report are mistakes.
    fn check_quantities(
        &self,
        channels: &[RawChannel<'_>],
        calibrations: &Calibrations,
        qualities: &Qualities,
    ) {
        let ids = || channels.iter().map(|channel| channel.quantity.id());
        let calibrated = calibrations.iter().flat_map(|at| &at.value).map(|(key, _)| key);
        let judged = qualities.iter().flat_map(|at| &at.value).map(|(key, _)| key);
        for key in calibrated.chain(judged) {
            if !channels.iter().any(|channel| channel.quantity == key.value) {
                let found = format!("the quantity `{}`, which this probe does not report", key.value.id());
                self.problems.push(self.problems.about(key, found, format!("one of {}", listed(ids()))));
            }
        }
    }

    /// The aerator group that a channel tells about: `None` on a problem.
    #[expect(clippy::option_option, reason = "outer: sound or not; inner: an aerator or none")]
    fn aerator_of(&self, raw: &RawChannel<'_>, pond: Option<&KnownPond>) -> Option<Option<u16>> {
        let about_aerator = matches!(raw.quantity, Quantity::AeratorOn | Quantity::AeratorKw);
        let quantity = raw.quantity.id();
        match (about_aerator, raw.aerator) {
            (false, None) => Some(None),
            (false, Some(at)) => {
                let found = format!("an aerator for `{quantity}`");
                self.problems.push(self.problems.about(
                    at,
                    found,
                    "`aerator` only with `aerator_on` or `aerator_kw`",
                ));
                None
            }
            (true, None) => {
                let found = format!("`{quantity}` without a word on which aerator group");
                let accepted = "`aerator` with the id of a group of the probe's pond";
                self.problems.push(self.problems.about(&raw.place, found, accepted));
                None
            }
            (true, Some(at)) => {
                let Some(pond) = pond else {
                    let found = format!("the aerator `{}` on a probe that stands in no pond", at.value);
                    self.problems.push(self.problems.about(
                        at,
                        found,
                        "`pond` with the id of the aerator's pond",
                    ));
                    return None;
                };
                let Some(index) = pond.aerators.iter().position(|id| *id == at.value) else {
                    let mut problem = self.problems.about(
                        at,
                        format!("the aerator `{}`, which pond `{}` does not have", at.value, pond.id.value),
                        format!("one of {}", listed(pond.aerators.iter().map(String::as_str))),
                    );
                    problem.hint = did_you_mean(&at.value, pond.aerators.iter().map(String::as_str));
                    self.problems.push(problem);
                    return None;
                };
                let index = u16::try_from(index).ok()?;
                let PondIndex(pond_index) = pond.index;
                if let Some(first) =
                    self.aerators_told.borrow_mut().insert((pond_index, index, quantity), at.span.clone())
                {
                    let found = format!(
                        "a second `{quantity}` for aerator `{}` of pond `{}`",
                        at.value, pond.id.value
                    );
                    let problem =
                        self.problems.about(at, found, "one probe for each aerator group and quantity");
                    self.problems.push(problem.with_also(first, "first told here"));
                }
                Some(Some(index))
            }
        }
    }

    fn quality(&self, quantity: Quantity, every: Duration, qualities: &Qualities) -> Option<QualityLimits> {
        let defaults = QualityLimits::for_quantity(quantity).reporting_every(span(every));
        let own = qualities.iter().flat_map(|at| &at.value).find(|(key, _)| key.value == quantity);
        let Some((_, raw)) = own else { return Some(defaults) };
        let range =
            |own: Option<&At<Vec<At<f64>>>>, default: (f64, f64)| match own.map(|at| at.value.as_slice()) {
                Some([low, high]) => (low.value, high.value),
                _ => default,
            };
        let after = |own: Option<&At<Duration>>, default| own.map_or(default, |at| span(at.value));
        let raw_quality = &raw.value;
        let pair = |own: Option<&At<Vec<At<f64>>>>, default: Option<(f64, f64)>| match own
            .map(|at| at.value.as_slice())
        {
            Some([suspect, fail]) => Some((suspect.value, fail.value)),
            _ => default,
        };
        let one = |own: Option<&At<f64>>, default: Option<f64>| own.map(|at| at.value).or(default);
        let flat_line = match (
            defaults.flat_line,
            one(raw_quality.flat_tolerance.as_ref(), None),
            &raw_quality.flat_suspect_after,
            &raw_quality.flat_fail_after,
        ) {
            (Some((tolerance, suspect, fail)), own, own_suspect, own_fail) => Some((
                own.unwrap_or(tolerance),
                own_suspect.as_ref().map_or(suspect, |at| span(at.value)),
                own_fail.as_ref().map_or(fail, |at| span(at.value)),
            )),
            (None, Some(tolerance), Some(suspect), Some(fail)) => {
                Some((tolerance, span(suspect.value), span(fail.value)))
            }
            _ => None,
        };
        let climatology = match (
            defaults.climatology,
            one(raw_quality.climatology_sigmas.as_ref(), None),
            one(raw_quality.climatology_least.as_ref(), None),
        ) {
            (Some((sigmas, least)), own_sigmas, own_least) => {
                Some((own_sigmas.unwrap_or(sigmas), own_least.unwrap_or(least)))
            }
            (None, Some(sigmas), Some(least)) => Some((sigmas, least)),
            _ => None,
        };
        let limits = QualityLimits {
            spike: pair(raw_quality.spike.as_ref(), defaults.spike),
            rate_per_h: one(raw_quality.rate_per_h.as_ref(), defaults.rate_per_h),
            flat_line,
            climatology,
            attenuated_share: one(raw_quality.attenuated_share.as_ref(), defaults.attenuated_share),
            pinned_below: one(raw_quality.pinned_below.as_ref(), defaults.pinned_below),
            neighbour: one(raw_quality.neighbour.as_ref(), defaults.neighbour),
            service_every: raw_quality.service_every.as_ref().map_or(defaults.service_every, |at| {
                Some(span(at.value)).filter(|every| every.as_millis() > 0)
            }),
            fail: range(raw.value.fail.as_ref(), defaults.fail),
            suspect: range(raw.value.suspect.as_ref(), defaults.suspect),
            stale_after: after(raw.value.stale_after.as_ref(), defaults.stale_after),
            missing_after: after(raw.value.missing_after.as_ref(), defaults.missing_after),
        };
        let mut sound = true;
        let mut refuse = |found: String, accepted: &str| {
            self.problems.push(self.problems.about(raw, found, accepted));
            sound = false;
        };
        let (fail, suspect) = (limits.fail, limits.suspect);
        if limits.spike.is_some_and(|(suspect, fail)| suspect <= 0.0 || fail < suspect) {
            refuse(
                "spike with a fail below its suspect, or nothing".to_owned(),
                "[suspect, fail], both above 0, rising",
            );
        }
        if let Some((_, suspect, fail)) = limits.flat_line
            && fail < suspect
        {
            refuse(
                "flat_fail_after shorter than flat_suspect_after (with the defaults filled in)".to_owned(),
                "flat_fail_after at least as long",
            );
        }
        if fail.0 >= fail.1 || suspect.0 >= suspect.1 || suspect.0 < fail.0 || suspect.1 > fail.1 {
            refuse(
                format!(
                    "fail [{}, {}] with suspect [{}, {}] (with the defaults filled in)",
                    fail.0, fail.1, suspect.0, suspect.1
                ),
                "[lowest, highest] each, the suspect range inside the fail range",
            );
        }
        if limits.stale_after < span(every) {
            refuse(
                format!(
                    "stale_after of {} s for a probe that reports each {} s",
                    limits.stale_after.as_millis() / 1_000,
                    every.as_secs()
                ),
                "longer than the time between two readings, or every reading would be late",
            );
        }
        if limits.missing_after <= limits.stale_after {
            refuse(
                format!(
                    "missing_after of {} s with stale_after of {} s (with the defaults filled in)",
                    limits.missing_after.as_millis() / 1_000,
                    limits.stale_after.as_millis() / 1_000
                ),
                "missing_after longer than stale_after",
            );
        }
        sound.then_some(limits)
    }
}
