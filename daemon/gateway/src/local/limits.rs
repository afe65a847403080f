//! Limits of alarms as they hold, and changing one while the daemon runs.

use pondreeve_core::Event;
use pondreeve_core::limit_change::{self, LimitChange};
use pondreeve_core::said::said;
use pondreeve_core::site::PondIndex;
use serde::{Deserialize, Serialize};

use super::protocol::Reply;
use super::requests::{Counter, Refusal};
use super::status::rfc3339;
use crate::config::Farm;
use crate::config::words::did_you_mean;

/// A limit of one pond.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitStatus {
    /// Key in the pond's table `limits`.
    pub key: String,
    /// What holds, in the unit of its name.
    pub value: f64,
    /// Where the configured one comes from.
    pub source: Option<String>,
    /// Who changed it, where somebody did.
    pub changed: Option<ChangedLimitStatus>,
}

/// A limit that somebody changed, and that holds over the configuration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChangedLimitStatus {
    /// Pond id.
    pub pond: String,
    /// Key in the pond's table `limits`.
    pub key: String,
    /// What the configuration says.
    pub configured: f64,
    /// What holds instead.
    pub value: f64,
    /// Since when, RFC 3339, UTC.
    pub at: String,
    /// Who changed it.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// As the socket tells it.
pub(super) fn changed_status(change: &LimitChange) -> ChangedLimitStatus {
    ChangedLimitStatus {
        pond: change.pond.clone(),
        key: change.key.clone(),
        configured: change.configured,
        value: change.value,
        at: rfc3339(change.at),
        by: change.by.clone(),
        reason: change.reason.clone(),
    }
}

/// Where a limit comes from, whoever changed it included.
pub(super) fn source(farm: &Farm, changes: &[LimitChange], pond: PondIndex, key: &str) -> Option<String> {
    let configured = farm.limit_source(pond, key).map(str::to_owned);
    let id = farm.site.ponds.get(usize::from(pond.0)).map(|own| own.id.as_str());
    let is_own = |change: &&LimitChange| {
        let rest = change.key.strip_prefix(key);
        Some(change.pond.as_str()) == id && rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
    };
    let told: Vec<String> = changes
        .iter()
        .filter(is_own)
        .map(|change| {
            let at = farm_time(farm, change);
            let LimitChange { value, configured, by, reason, key, .. } = change;
            said!(
                "limit-changed-to",
                "CHANGED to {value} by {by} on {at}: {reason} ({key}, configured {configured})",
                value = value.to_string(),
                by = by,
                at = at,
                reason = reason,
                key = key,
                configured = configured.to_string()
            )
            .into()
        })
        .collect();
    if told.is_empty() {
        return configured;
    }
    let told = told.join("; ");
    Some(match configured {
        Some(text) => {
            said!("limit-changed-from", "{told}; configured from: {text}", told = told, text = text).into()
        }
        None => told,
    })
}

fn farm_time(farm: &Farm, change: &LimitChange) -> String {
    let at = jiff::Timestamp::from_millisecond(change.at.as_millis()).unwrap_or_default();
    at.to_zoned_datetime(farm.time_zone.clone()).strftime("%d %b %Y %H:%M").to_string()
}

impl Counter {
    /// Every limit of a pond that can be changed.
    pub(super) async fn limits(&self, pond: &str) -> Result<Reply, Refusal> {
        let index = self.pond(pond)?;
        let view = self.desk.view().await.ok_or(Refusal::Ended)?;
        let configured = self.farm.site.ponds.get(usize::from(index.0)).map(|own| &own.limits);
        let limits = limit_change::keys().filter_map(|key| {
            let changed = view.limit_changes.iter().find(|own| own.pond == pond && own.key == key);
            // The forecast's two limits have one source.
            let table = key.split_once('.').map_or(key, |(table, _)| table);
            let source = self.farm.limit_source(index, key).or_else(|| self.farm.limit_source(index, table));
            Some(LimitStatus {
                key: key.to_owned(),
                value: changed.map(|own| own.value).or_else(|| limit_change::value_of(configured?, key))?,
                source: source.map(str::to_owned),
                changed: changed.map(changed_status),
            })
        });
        Ok(Reply::Limits { limits: limits.collect() })
    }

    /// Changes a limit, or takes the change back.
    pub(super) async fn change_limit(
        &self,
        pond: &str,
        key: &str,
        value: Option<f64>,
        reason: &str,
        by: &str,
    ) -> Result<Reply, Refusal> {
        let index = self.pond(pond)?;
        if !limit_change::keys().any(|own| own == key) {
            let known = limit_change::keys().collect::<Vec<_>>().join(", ");
            let key_told = format!("{key:?}");
            return Err(Refusal::Told(match did_you_mean(key, limit_change::keys()) {
                Some(hint) => said!(
                    "refused-no-limit-near",
                    "{key} is no limit that can be changed; {hint}: accepted are {known}",
                    key = key_told,
                    hint = hint,
                    known = known
                ),
                None => said!(
                    "refused-no-limit",
                    "{key} is no limit that can be changed: accepted are {known}",
                    key = key_told,
                    known = known
                ),
            }));
        }
        let event = Event::LimitChange {
            pond: index,
            key: key.to_owned(),
            value,
            reason: reason.to_owned(),
            by: by.to_owned(),
        };
        self.apply(vec![event]).await
    }
}
