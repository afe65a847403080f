//! Ponds, their aerators and their limits.

use std::collections::HashMap;
use std::time::Duration;

use pondreeve_core::defaults::AERATION_RISK;
use pondreeve_core::dosing::IN_CROP_AT_MOST;
use pondreeve_core::site::{AeratorGroup, Limits, Pond, PondIndex, Timer};
use pondreeve_core::{Quantity, Span};

use super::super::farm::{AboutPond, LimitSources};
use super::super::raw::{RawAerator, RawFarm, RawPond};
use super::super::reader::At;
use super::super::words::{did_you_mean, listed, quoted};
use super::super::{builtin, files};
use super::{KnownPond, Resolver, limits, sources, span};

impl Resolver<'_> {
    pub(super) fn all_ponds(&self, raw: &RawFarm) -> Option<Vec<Pond>> {
        let list = raw.pond.as_ref()?;
        if list.value.is_empty() {
            let problem = self.problems.about(list, "no ponds", "at least one `[[pond]]`");
            self.problems.push(problem.with_hint("see the commented example: pondreeve check --example"));
            return None;
        }
        let mut taken = HashMap::new();
        for (index, pond) in list.value.iter().enumerate() {
            if let (Some(id), Ok(index)) = (&pond.value.id, u16::try_from(index))
                && self.claim(&mut taken, id, "pond")
            {
                let groups = pond.value.aerator.iter().flat_map(|list| &list.value);
                let aerators = groups
                    .map(|group| group.value.id.as_ref().map_or_else(String::new, |id| id.value.clone()));
                let known =
                    KnownPond { index: PondIndex(index), id: id.clone(), aerators: aerators.collect() };
                self.ponds.borrow_mut().push(known);
            }
        }
        let mut names: HashMap<&str, &At<String>> = HashMap::new();
        for name in list.value.iter().filter_map(|pond| pond.value.name.as_ref()) {
            if let Some(first) = names.insert(&name.value, name) {
                let found = format!("the name \"{}\" for a second pond", name.value);
                let problem = self.problems.about(
                    name,
                    found,
                    "a name of its own, so that nobody walks to the wrong pond",
                );
                self.problems.push(problem.with_also(first.span.clone(), "first used here").as_warning());
            }
        }
        let ponds: Vec<Option<Pond>> = list.value.iter().map(|pond| self.pond(&pond.value)).collect();
        ponds.into_iter().collect()
    }

    fn pond(&self, raw: &RawPond) -> Option<Pond> {
        let aerators = self.aerators(raw);
        let limits = match (&raw.species, &raw.stage) {
            (Some(species), Some(stage)) => self.default_limits(species, stage),
            _ => None,
        };
        let (defaults, sources) = limits.unzip();
        let own = raw.limits.as_ref().map(|at| &at.value);
        let sources = sources::of_pond(sources.unwrap_or_default(), own);
        self.limit_sources.borrow_mut().push(sources);
        let said = |text: &Option<At<String>>| text.as_ref().map(|at| at.value.clone());
        self.about_ponds.borrow_mut().push(AboutPond {
            species: said(&raw.species).unwrap_or_default(),
            stage: said(&raw.stage).unwrap_or_default(),
            style: said(&raw.style),
            dose_ppm: raw.dose_ppm.as_ref().map(|at| at.value),
            dose_before_stocking_ppm: raw.dose_before_stocking_ppm.as_ref().map(|at| at.value),
        });
        self.strong_dose(raw);
        let limits = defaults.and_then(|base| limits::for_pond(raw.limits.as_ref(), &base, self.problems));
        Some(Pond {
            id: raw.id.as_ref()?.value.clone(),
            name: raw.name.as_ref()?.value.clone(),
            area_m2: raw.area_m2.as_ref()?.value,
            depth_m: raw.depth_m.as_ref()?.value,
            salinity_psu: raw.salinity_psu.as_ref()?.value,
            aerators: aerators?,
            limits: limits?,
            like: self.like_pond(raw),
            dose_every: raw.dose_every.as_ref().map(|at| span(at.value)),
            aeration_risk: raw.aeration_risk.as_ref().map_or(AERATION_RISK, |at| at.value),
        })
    }

    /// A programme that no plan will approve.
    fn strong_dose(&self, raw: &RawPond) {
        let Some(at) = raw.dose_ppm.as_ref().filter(|at| at.value > IN_CROP_AT_MOST) else { return };
        let found = format!("doses of {} ppm while shrimp are in the pond", at.value);
        let accepted = format!(
            "at most {IN_CROP_AT_MOST} mg/L of slurry in a dose, or as it is: `plan dose` then says NOT NOW each time, and who doses all the same is asked why"
        );
        self.problems.push(self.problems.about(at, found, accepted).as_warning());
    }

    /// The like pond that a pond names.
    fn like_pond(&self, raw: &RawPond) -> Option<PondIndex> {
        let named = raw.like.as_ref()?;
        let ponds = self.ponds.borrow();
        let own = raw.id.as_ref().map(|id| id.value.as_str());
        let found =
            ponds.iter().find(|pond| pond.id.value == named.value && Some(named.value.as_str()) != own);
        if found.is_none() {
            let others = ponds.iter().map(|pond| pond.id.value.as_str()).filter(|id| Some(*id) != own);
            let found = format!("`{}`, which is no other pond of this farm", named.value);
            let accepted = format!("another pond: {}", listed(others));
            self.problems.push(self.problems.about(named, found, accepted));
        }
        found.map(|pond| pond.index)
    }

    fn aerators(&self, raw: &RawPond) -> Option<Vec<AeratorGroup>> {
        let mut taken = HashMap::new();
        let groups: Vec<Option<AeratorGroup>> = raw
            .aerator
            .iter()
            .flat_map(|list| &list.value)
            .map(|group| self.aerator(&group.value, &mut taken))
            .collect();
        groups.into_iter().collect()
    }

    fn aerator(
        &self,
        raw: &RawAerator,
        taken: &mut HashMap<String, std::ops::Range<usize>>,
    ) -> Option<AeratorGroup> {
        let id = raw.id.as_ref()?;
        let free = self.claim(taken, id, "aerator");
        let group = AeratorGroup {
            id: id.value.clone(),
            power_kw: raw.power_kw.as_ref()?.value,
            sae_kg_kwh: raw.sae_kg_kwh.as_ref()?.value,
            must_run: raw.must_run.as_ref().is_some_and(|at| at.value),
            timer: match &raw.timer {
                Some(timer) => Some(self.timer(timer)?),
                None => None,
            },
        };
        free.then_some(group)
    }

    /// From when to when a panel's clock is on, as times after midnight UTC.
    fn timer(&self, at: &At<String>) -> Option<Timer> {
        let time = |text: &str| {
            let time =
                (text.len() == 5).then(|| jiff::civil::Time::strptime("%H:%M", text).ok()).flatten()?;
            Some(Span::from_minutes(i64::from(time.hour()) * 60 + i64::from(time.minute())))
        };
        let both = at.value.split_once('-').and_then(|(on, off)| time(on).zip(time(off)));
        let Some((on, off)) = both.filter(|(on, off)| on != off) else {
            let accepted = "two different times of day, farm time, such as \"21:30-07:45\"";
            self.problems.push(self.problems.about(at, format!("the timer {}", quoted(&at.value)), accepted));
            return None;
        };
        let offset_ms = i64::from(self.standard_offset_s) * 1_000;
        let utc = |farm: Span| Span::from_millis((farm.as_millis() - offset_ms).rem_euclid(86_400_000));
        Some(Timer { on: utc(on), off: utc(off) })
    }

    /// The default limits of a species and stage: from the folder `limits` beside the configuration, or
    /// built in.
    fn default_limits(&self, species: &At<String>, stage: &At<String>) -> Option<(Limits, LimitSources)> {
        let name = format!("{}-{}", species.value, stage.value);
        let beside = self.folder.join("limits").join(format!("{name}.toml"));
        let text = if beside.exists() {
            files::read(&beside).map_err(|problem| self.elsewhere.borrow_mut().push(*problem)).ok()?
        } else if let Some(text) = builtin::limits(&name) {
            text.to_owned()
        } else {
            let mut known = builtin::limits_names();
            known.extend(files::names_in(&self.folder.join("limits")));
            known.sort();
            known.dedup();
            let problem = self.problems.about(
                stage,
                format!(
                    "species `{}` with stage `{}`, for which there are no limits",
                    species.value, stage.value
                ),
                format!(
                    "a species and stage with a file of limits: {}",
                    listed(known.iter().map(String::as_str))
                ),
            );
            let hint = did_you_mean(&name, known.iter().map(String::as_str)).unwrap_or_else(|| {
                format!(
                    "or copy one of the files of limits to {} and change it with an adviser",
                    beside.display()
                )
            });
            self.problems.push(problem.with_hint(hint));
            return None;
        };
        let (limits, problems) = limits_file(&beside, &text, Some((&species.value, &stage.value)));
        self.elsewhere.borrow_mut().extend(problems);
        limits
    }

    /// An oxygen probe that reports more seldom than its silence is alarmed would alarm every night.
    pub(super) fn check_oxygen_intervals(&self, ponds: &[Pond]) {
        let told = |length: Duration| humantime::format_duration(length).to_string();
        for (PondIndex(index), intervals) in self.oxygen_every.borrow().iter() {
            let (Some(pond), Some(every)) =
                (ponds.get(usize::from(*index)), intervals.iter().min_by_key(|every| every.value))
            else {
                continue;
            };
            let blind = Duration::from_millis(pond.limits.do_blind_after[0].as_millis().unsigned_abs());
            let found = format!(
                "oxygen of pond `{}` reported each {}, though no oxygen for {} is an alarm at night",
                pond.id,
                told(every.value),
                told(blind)
            );
            let accepted = "an interval of at most half that time, so that one lost reading is no alarm";
            let hint = "report oftener, or let an adviser lengthen do_blind in the pond's limits";
            let problem = self.problems.about(every, found, accepted).with_hint(hint);
            if every.value >= blind {
                self.problems.push(problem);
            } else if every.value * 2 > blind {
                self.problems.push(problem.as_warning());
            }
        }
    }

    /// A pond whose oxygen no probe reports is watched by nobody: allowed, but never silently.
    pub(super) fn warn_of_unwatched_ponds(&self) {
        let probes = self.probes.borrow();
        for pond in self.ponds.borrow().iter() {
            let watched = probes
                .iter()
                .filter(|probe| probe.pond == Some(pond.index))
                .any(|probe| probe.channels.iter().any(|channel| channel.quantity == Quantity::DoMgL));
            if !watched {
                self.problems.push(
                    self.problems
                        .about(&pond.id, format!("pond `{}` without a probe that reports do_mg_l", pond.id.value), "an oxygen probe in each pond")
                        .with_hint("without one, the alarm \"no oxygen data\" stands every night until somebody measures by hand")
                        .as_warning(),
                );
            }
        }
    }
}

/// Reads a file of default limits; with `named`, for that species and stage.
pub(in crate::config) fn limits_file(
    file: &std::path::Path,
    text: &str,
    named: Option<(&str, &str)>,
) -> (Option<(Limits, LimitSources)>, Vec<super::super::problem::Problem>) {
    use super::super::problem::Source;
    use super::super::raw::RawLimitsFile;
    use super::super::reader::{Problems, read_document};

    let problems = Problems::new(&Source::new(file, text));
    let raw: Option<RawLimitsFile> = read_document(&problems);
    let sources = raw.as_ref().and_then(|raw| raw.limits.as_ref()).map(|at| sources::of_defaults(&at.value));
    let limits = raw.as_ref().and_then(|raw| limits::from_file(raw, &problems)).zip(sources);
    if let (Some(raw), Some((species, stage))) = (&raw, named) {
        for (at, wanted) in [(&raw.species, species), (&raw.stage, stage)] {
            if let Some(at) = at
                && at.value != wanted
            {
                let accepted = format!("`{wanted}`, as the file's name says");
                problems.push(problems.about(at, format!("`{}`", at.value), accepted));
            }
        }
    }
    let list = problems.into_inner();
    (if list.is_empty() { limits } else { None }, list)
}
