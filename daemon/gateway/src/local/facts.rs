//! What a report needs to know of the farm beside its readings and its diary: where it lies, how its ponds are
//! farmed, the limits in force with their sources, and the energy of a pond's aerators in a stretch of time.

use std::collections::BTreeMap;

use pondreeve_core::crop::{Energy, energy};
use pondreeve_core::effect::Flag;
use pondreeve_core::limit_change::LimitChange;
use pondreeve_core::site::{Channel, PondIndex, Site};
use pondreeve_core::{Quantity, Span, Timestamp};
use serde::{Deserialize, Serialize};

use super::protocol::Reply;
use super::requests::{Counter, Refusal, any_time};
use super::status::rfc3339;
use crate::audit::settings;
use crate::config::Farm;
use crate::journal::{Kept, Query};

/// Longest stretch of one answer.
const MOST: Span = Span::from_hours(24);

/// A motor's power holds this long where the configuration calls readings of it missing only later.
/// (Common practice, no source.)
const HOLDS: Span = Span::from_minutes(15);

/// The farm, for a report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FactsStatus {
    /// Degrees north.
    pub latitude_deg: f64,
    /// Degrees east.
    pub longitude_deg: f64,
    /// Name in the time-zone database; absent where the farm has a fixed offset.
    pub time_zone: Option<String>,
    /// How money is written.
    pub currency: Option<String>,
    /// What a kWh costs by the configuration.
    pub energy_price_per_kwh: Option<f64>,
    /// Readings are kept this long, days.
    pub raw_days: u32,
    /// Ponds, in the order of the configuration.
    pub ponds: Vec<PondFacts>,
}

/// One pond, for a report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PondFacts {
    /// Id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Species of the crop.
    pub species: String,
    /// Its stage.
    pub stage: String,
    /// How it is farmed, in the farm's own words.
    pub style: Option<String>,
    /// Water surface, m2.
    pub area_m2: f64,
    /// Mean depth by the configuration, m.
    pub depth_m: f64,
    /// The pond that the configuration calls alike.
    pub like: Option<String>,
    /// Limits in force: key, value in the unit that ends the key, source.
    pub limits: Vec<LimitInForce>,
}

/// A limit in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitInForce {
    /// As in the configuration, such as `do_low_mg_l.critical`.
    pub key: String,
    /// The limit.
    pub value: String,
    /// Where it comes from.
    pub source: Option<String>,
}

/// Energy of a pond's aerators.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupEnergy {
    /// Id of the aerator group.
    pub group: String,
    /// kWh in the time for which its power is known.
    pub kwh: f64,
    /// Hours for which its power is known.
    pub known_h: f64,
    /// `measured` where the meter tells a power, `rated` where it tells running or not and the power is the
    /// configured one.
    pub by: String,
}

/// The farm, as the configuration has it, with the limits that people changed since.
pub fn facts(farm: &Farm, changes: &[LimitChange]) -> FactsStatus {
    let all = settings::of_farm(farm);
    let ponds = farm.site.ponds.iter().enumerate().map(|(place, pond)| {
        let about = farm.about_ponds.get(place).cloned().unwrap_or_default();
        let like = pond.like.and_then(|like| farm.site.ponds.get(usize::from(like.0)));
        let index = PondIndex(u16::try_from(place).unwrap_or(u16::MAX));
        PondFacts {
            id: pond.id.clone(),
            name: pond.name.clone(),
            species: about.species,
            stage: about.stage,
            style: about.style,
            area_m2: pond.area_m2,
            depth_m: pond.depth_m,
            like: like.map(|like| like.id.clone()),
            limits: changed(farm, index, changes, limits(farm, index, &all, &pond.id)),
        }
    });
    FactsStatus {
        latitude_deg: farm.site.latitude_deg,
        longitude_deg: farm.site.longitude_deg,
        time_zone: farm.time_zone.iana_name().map(str::to_owned),
        currency: farm
            .site
            .energy_price
            .as_ref()
            .map(|price| price.currency.clone())
            .filter(|currency| !currency.is_empty()),
        energy_price_per_kwh: farm.site.energy_price.as_ref().map(|price| price.per_kwh),
        raw_days: farm.store.limits.raw_days,
        ponds: ponds.collect(),
    }
}

/// What of a setting is the limit itself; its delays and deadband are in the configuration.
const BESIDE: [&str; 3] = ["deadband", "on_delay", "off_delay"];

fn limits(farm: &Farm, pond: PondIndex, all: &BTreeMap<String, String>, id: &str) -> Vec<LimitInForce> {
    let prefix = format!("ponds.{id}.limits.");
    let own = all.iter().filter_map(|(key, value)| Some((key.strip_prefix(&prefix)?, value)));
    own.filter(|(key, _)| !BESIDE.iter().any(|beside| key.contains(beside)))
        .map(|(key, value)| {
            let key = key.strip_suffix(".limit").unwrap_or(key);
            let key = key.strip_prefix("water.").unwrap_or(key);
            let key = key.strip_prefix("thresholds.").unwrap_or(key);
            LimitInForce { key: key.to_owned(), value: value.clone(), source: source(farm, pond, key) }
        })
        .collect()
}

/// The same, with what somebody changed while the daemon ran.
fn changed(
    farm: &Farm,
    index: PondIndex,
    changes: &[LimitChange],
    mut limits: Vec<LimitInForce>,
) -> Vec<LimitInForce> {
    let id = farm.site.ponds.get(usize::from(index.0)).map(|pond| pond.id.as_str());
    for change in changes.iter().filter(|change| Some(change.pond.as_str()) == id) {
        let (key, value) = (change.key.clone(), change.value.to_string());
        let source = super::limits::source(farm, changes, index, &key);
        match limits.iter_mut().find(|limit| limit.key == key) {
            Some(limit) => *limit = LimitInForce { key, value, source },
            None => limits.push(LimitInForce { key, value, source }),
        }
    }
    limits
}

/// Settings whose name is not the key of their limit in the configuration.
const NAMED_OTHERWISE: [(&str, &str); 4] = [
    ("do_blind_after_ms", "do_blind"),
    ("do_forecast_mg_l", "do_forecast"),
    ("nitrite_safe", "nitrite_safe_mg_l"),
    ("tan_safe", "tan_safe_mg_l"),
];

/// The source of a limit, or of the table that it stands in.
fn source(farm: &Farm, pond: PondIndex, key: &str) -> Option<String> {
    let named = NAMED_OTHERWISE.iter().find(|(own, _)| *own == key);
    let mut at = named.map_or(key, |(_, key)| key);
    loop {
        if let Some(source) = farm.limit_source(pond, at) {
            return Some(source.to_owned());
        }
        at = at.rsplit_once('.')?.0;
    }
}

impl Counter {
    /// Energy of each aerator group of a pond between two times.
    pub(super) async fn energy(&self, id: &str, from: &str, to: &str) -> Result<Reply, Refusal> {
        let pond = self.pond(id)?;
        let (from, to) = (any_time(from)?, any_time(to)?);
        if to - from > MOST || to < from {
            return Err(Refusal::Bad(format!(
                "{} to {} was asked for: one answer covers 0 to {} hours",
                rfc3339(from),
                rfc3339(to),
                MOST.as_hours()
            )));
        }
        let mut found = BTreeMap::new();
        for quantity in [Quantity::AeratorKw, Quantity::AeratorOn] {
            let query = Query { pond: id.to_owned(), quantity, from: from - HOLDS, to };
            found.insert(quantity, self.desk.shelf().readings(query).await.map_err(Refusal::Failed)?);
        }
        Ok(Reply::Energy { groups: groups(&self.farm.site, pond, &found, (from, to)) })
    }
}

/// Energy of each group by what its meter told.
fn groups(
    site: &Site,
    pond: PondIndex,
    found: &BTreeMap<Quantity, Vec<Kept>>,
    (from, to): (Timestamp, Timestamp),
) -> Vec<GroupEnergy> {
    let Some(configured) = site.ponds.get(usize::from(pond.0)) else { return Vec::new() };
    let of_group = |group: u16, quantity: Quantity, times: f64| -> Option<Energy> {
        let mut holds = HOLDS;
        let mut readings: Vec<(Timestamp, f64)> = Vec::new();
        for kept in found.get(&quantity).into_iter().flatten() {
            if let Some(channel) = channel_of(site, kept, quantity)
                && channel.aerator == Some(group)
                && kept.flag.is_none_or(|flag| !matches!(flag, Flag::Fail | Flag::Missing))
                && let Some(value) = kept.value
            {
                holds = holds.max(channel.quality.missing_after.min(MOST));
                readings.push((kept.at, value * times));
            }
        }
        let is_known = !readings.is_empty();
        is_known.then(|| energy(readings.into_iter(), from, to, holds))
    };
    let groups = configured.aerators.iter().zip(0_u16..);
    groups
        .map(|(group, place)| {
            let (by, found) = match of_group(place, Quantity::AeratorKw, 1.0) {
                Some(found) => ("measured", Some(found)),
                None => ("rated", of_group(place, Quantity::AeratorOn, group.power_kw)),
            };
            GroupEnergy {
                group: group.id.clone(),
                kwh: found.map_or(0.0, |found| found.kwh),
                known_h: found.map_or(0.0, |found| found.known.as_hours()),
                by: by.to_owned(),
            }
        })
        .collect()
}

/// The channel that a reading came by; `None` where the probe is gone, or reports the quantity more than once and
/// does not say which it was.
fn channel_of<'a>(site: &'a Site, kept: &Kept, quantity: Quantity) -> Option<&'a Channel> {
    let probe = site.probes.iter().find(|probe| probe.id == kept.probe)?;
    if let Some(place) = kept.channel {
        return probe.channels.get(usize::from(place)).filter(|channel| channel.quantity == quantity);
    }
    let mut fitting = probe.channels.iter().filter(|channel| channel.quantity == quantity);
    fitting.next().filter(|_| fitting.next().is_none())
}

#[cfg(test)]
mod tests {
    use super::*;
    use pondreeve_core::site::{AeratorGroup, Probe};

    fn at(minutes: i64) -> Timestamp {
        Timestamp(0) + Span::from_minutes(minutes)
    }

    fn kept(minutes: i64, channel: Option<u16>, value: f64, flag: Flag) -> Kept {
        let value = Some(value);
        Kept { at: at(minutes), probe: "clamps".to_owned(), channel, raw: value, value, flag: Some(flag) }
    }

    /// One meter with a clamp for each of two groups: 3 kW measured for an hour, and 2 kW rated that ran for half of
    /// an hour; a third group is not metered.
    #[test]
    fn each_group_has_its_own_energy() {
        let mut farm = crate::engine::tests::farm(std::path::Path::new("/var/lib/x"));
        let group = |id: &str| AeratorGroup {
            id: id.to_owned(),
            power_kw: 2.0,
            sae_kg_kwh: 1.2,
            must_run: false,
            timer: None,
        };
        farm.site.ponds[0].aerators = vec![group("a"), group("b"), group("c")];
        let channel = |quantity: Quantity, aerator: u16| Channel {
            aerator: Some(aerator),
            ..Channel::uncorrected(quantity)
        };
        farm.site.probes.push(Probe {
            id: "clamps".to_owned(),
            pond: Some(PondIndex(0)),
            link: String::new(),
            node: None,
            channels: vec![channel(Quantity::AeratorKw, 0), channel(Quantity::AeratorOn, 1)],
        });
        let every = |minutes: i64| (minutes..minutes + 60).step_by(5);
        let kw = every(0).map(|minute| kept(minute, Some(0), 3.0, Flag::Pass)).collect();
        let on = every(0)
            .map(|minute| kept(minute, None, if minute < 30 { 1.0 } else { 0.0 }, Flag::NotEvaluated))
            .chain([kept(58, None, 1.0, Flag::Fail)])
            .collect();
        let found = BTreeMap::from([(Quantity::AeratorKw, kw), (Quantity::AeratorOn, on)]);
        let told = groups(&farm.site, PondIndex(0), &found, (at(0), at(60)));
        let rounded = |value: f64| (value * 1e6).round() / 1e6;
        let told: Vec<_> = told
            .iter()
            .map(|own| (own.group.as_str(), rounded(own.kwh), rounded(own.known_h), own.by.as_str()))
            .collect();
        assert_eq!(told, [("a", 3.0, 1.0, "measured"), ("b", 1.0, 1.0, "rated"), ("c", 0.0, 0.0, "rated")]);
    }

    /// Every limit that low oxygen is alarmed by is told with where it comes from.
    #[test]
    fn limits_in_force_have_their_sources() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo/farm.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let farm = crate::config::from_text(&path, text).unwrap().farm;
        let change = LimitChange {
            pond: "p4".to_owned(),
            key: "do_low_mg_l.critical".to_owned(),
            configured: 3.0,
            value: 3.4,
            at: at(0),
            by: "adviser".to_owned(),
            reason: "a weak crop".to_owned(),
        };
        let facts = facts(&farm, &[change]);
        let p4 = &facts.ponds[3];
        assert_eq!((p4.species.as_str(), p4.style.as_deref()), ("monodon", Some("earthen")));
        let silent: Vec<&str> = p4
            .limits
            .iter()
            .filter(|limit| limit.source.as_deref().is_none_or(str::is_empty))
            .map(|limit| limit.key.as_str())
            .collect();
        assert_eq!(silent, [""; 0], "limits without a source");
        let critical = |pond: &PondFacts| {
            let own = pond.limits.iter().find(|limit| limit.key == "do_low_mg_l.critical").unwrap();
            (own.value.clone(), own.source.clone().unwrap())
        };
        let (value, source) = critical(p4);
        assert!(value == "3.4" && source.contains("CHANGED to 3.4 by adviser"), "{value} {source}");
        assert_eq!(critical(&facts.ponds[0]).0, "3.0");
    }
}
