//! From what the core knows to what is said over the socket.

use pondreeve_core::Timestamp;
use pondreeve_core::effect::{Advice, Derived, Forecast, Latest, PartFault};
use pondreeve_core::pond::AerationNight;
use pondreeve_core::site::{Pond, Site};
use pondreeve_core::view::{AlarmView, FarmView, PondView};

use super::calls::{called_status, horn_test_status};
use super::diary::diary_status;
use super::limits::changed_status;
use super::protocol::{
    AdviceStatus, AerationNightStatus, AeratorStatus, AlarmStatus, BalanceStatus, FarmStatus, FaultStatus,
    ForecastScoreStatus, ForecastStatus, MetabolismStatus, PondStatus, ReadingStatus, ShelfStatus,
};
use super::said::SaidStatus;
use super::service::probes_status;
use crate::config::Farm;

/// RFC 3339 in UTC.
pub fn rfc3339(at: Timestamp) -> String {
    // jiff reaches from year −9999 to 9999; farm time stays far within.
    jiff::Timestamp::from_millisecond(at.as_millis()).unwrap_or_default().to_string()
}

/// The farm as the socket tells it.
pub fn farm_status(view: &FarmView, farm: &Farm, now: Timestamp, waiting_to_forward: u64) -> FarmStatus {
    let instant = jiff::Timestamp::from_millisecond(now.as_millis()).unwrap_or_default();
    let ponds = view.ponds.iter().filter_map(|pond| {
        let configured = farm.site.ponds.get(usize::from(pond.pond.0))?;
        Some(pond_status(pond, &farm.site, configured, now))
    });
    let pond_id = |alarm: &AlarmView| {
        let pond = farm.site.ponds.get(usize::from(alarm.pond?.0))?;
        Some(pond.id.clone())
    };
    FarmStatus {
        at: rfc3339(now),
        time_zone_offset_s: farm.time_zone.to_offset(instant).seconds(),
        farm: farm.name.clone(),
        gateway: farm.site.gateway.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        flood_since: view.flood_since.map(rfc3339),
        horn: view.horn,
        lamp: view.lamp,
        horn_test: view.horn_test.as_ref().map(horn_test_status),
        ponds: ponds.collect(),
        alarms: view.alarms.iter().map(|alarm| alarm_status(alarm, pond_id(alarm), farm)).collect(),
        probes: probes_status(view, farm),
        faults: view.faults.iter().map(fault_status).collect(),
        lots: farm.products.iter().map(|product| product.lot.clone()).collect(),
        changed_limits: view.limit_changes.iter().map(changed_status).collect(),
        waiting_to_forward,
        machine: None,
        language: farm.local.texts.language.clone(),
        texts: farm.local.texts.folder.clone(),
    }
}

fn pond_status(pond: &PondView, site: &Site, configured: &Pond, now: Timestamp) -> PondStatus {
    let aerators = configured.aerators.iter().enumerate().map(|(index, group)| AeratorStatus {
        id: group.id.clone(),
        on: pond.aerators_on.get(index).copied().flatten(),
        stopped: index < 64 && pond.aerators_stopped & (1 << index) != 0,
        power_kw: group.power_kw,
    });
    let verdict = pond.verdict.map(|verdict| verdict.line());
    PondStatus {
        id: configured.id.clone(),
        name: configured.name.clone(),
        readings: pond.latest.iter().map(|latest| latest_status(latest, site, now)).collect(),
        derived: pond.derived.iter().map(|derived| derived_status(derived, now)).collect(),
        forecast: pond.forecast.as_ref().map(forecast_status),
        forecast_score: pond.forecast_score.map(|score| ForecastScoreStatus {
            nights: score.nights,
            mean_error_mg_l: score.mean_error_mg_l,
            bias_mg_l: score.bias_mg_l,
            inside_80: score.inside_80,
        }),
        no_forecast: pond.no_forecast.as_ref().map(|why| why.english().to_owned()),
        no_forecast_said: pond.no_forecast.as_ref().and_then(SaidStatus::of),
        probe_or_water_said: verdict.as_ref().and_then(SaidStatus::of),
        probe_or_water: verdict.map(String::from),
        advice: pond.advice.as_ref().map(|advice| advice_status(advice, configured)),
        aeration_nights: pond.aeration_nights.iter().map(aeration_night_status).collect(),
        metabolism: metabolism_status(pond),
        sunset: pond.sunset.map(rfc3339),
        sunrise: pond.sunrise.map(rfc3339),
        aerators: aerators.collect(),
        diary: pond.diary.as_ref().map(diary_status),
        do_low_mg_l: pond.do_low_mg_l.unwrap_or(configured.limits.do_low_mg_l.map(|own| own.limit)),
    }
}

fn latest_status(latest: &Latest, site: &Site, now: Timestamp) -> ReadingStatus {
    let probe = latest.probe.and_then(|probe| site.probes.get(usize::from(probe.0)));
    ReadingStatus {
        quantity: latest.quantity.id().to_owned(),
        unit: latest.quantity.unit().to_owned(),
        decimals: latest.quantity.decimals(),
        value: latest.value,
        flag: latest.flag.code(),
        at: rfc3339(latest.at),
        age_s: age_s(latest.at, now),
        per_hour: latest.per_hour,
        probe: probe.map(|probe| probe.id.clone()),
    }
}

fn derived_status(derived: &Derived, now: Timestamp) -> ReadingStatus {
    ReadingStatus {
        quantity: derived.quantity.id().to_owned(),
        unit: derived.quantity.unit().to_owned(),
        decimals: derived.quantity.decimals(),
        value: Some(derived.value),
        flag: derived.flag.code(),
        at: rfc3339(derived.at),
        age_s: age_s(derived.at, now),
        per_hour: None,
        probe: None,
    }
}

fn age_s(at: Timestamp, now: Timestamp) -> i64 {
    (now - at).as_millis().max(0) / 1_000
}

fn forecast_status(forecast: &Forecast) -> ForecastStatus {
    let below = forecast.below.iter();
    ForecastStatus {
        at: rfc3339(forecast.at),
        do_min_mg_l: forecast.do_min_mg_l,
        do_min_at: rfc3339(forecast.do_min_at),
        low_80: forecast.low_80,
        high_80: forecast.high_80,
        do_sunrise_mg_l: forecast.do_sunrise_mg_l,
        night_slope_mg_l_h: forecast.night_slope_mg_l_h,
        slope_if_aerators_stop_mg_l_h: forecast.slope_if_aerators_stop_mg_l_h,
        below: below
            .map(|crossing| (crossing.limit_mg_l, crossing.at.map(rfc3339), crossing.probability))
            .collect(),
        basis: forecast.basis.english().to_owned(),
        basis_said: SaidStatus::of(&forecast.basis),
    }
}

fn advice_status(advice: &Advice, configured: &Pond) -> AdviceStatus {
    let groups = advice.aerators.iter().filter_map(|&group| configured.aerators.get(usize::from(group)));
    AdviceStatus {
        at: rfc3339(advice.at),
        action: advice.action.id().to_owned(),
        aerators: groups.map(|group| group.id.clone()).collect(),
        start: advice.start.map(rfc3339),
        stop: advice.stop.map(rfc3339),
        kwh: advice.kwh,
        reason: advice.reason.english().to_owned(),
        said: SaidStatus::of(&advice.reason),
    }
}

fn aeration_night_status(night: &AerationNight) -> AerationNightStatus {
    AerationNightStatus {
        sunset: rfc3339(night.sunset),
        kwh: night.kwh,
        habit_kwh: night.habit_kwh,
        asked: night.asked,
        followed: night.followed,
    }
}

fn metabolism_status(pond: &PondView) -> Option<MetabolismStatus> {
    let day = pond.turnover?;
    let unknown = day.balance.err().map(|unknown| unknown.words());
    let trend = pond.turnover_trend;
    Some(MetabolismStatus {
        ended: rfc3339(day.ended),
        balance: day.balance.ok().map(|balance| BalanceStatus {
            production_mg_l: balance.production_mg_l,
            respiration_mg_l: balance.respiration_mg_l,
            net_mg_l: balance.net_mg_l(),
            air_mg_l: balance.air_mg_l,
            aerators_mg_l: balance.aerators_mg_l,
        }),
        unknown_said: unknown.as_ref().and_then(SaidStatus::of),
        unknown: unknown.map(String::from),
        production_per_week_mg_l: trend.map(|trend| trend.production_mg_l),
        respiration_per_week_mg_l: trend.map(|trend| trend.respiration_mg_l),
        trend_days: trend.map_or(0, |trend| trend.days),
    })
}

fn alarm_status(alarm: &AlarmView, pond: Option<String>, farm: &Farm) -> AlarmStatus {
    let (called, next_call) = called_status(alarm, &farm.site.calls);
    AlarmStatus {
        id: alarm.id.clone(),
        pond,
        name: alarm.name.clone(),
        priority: alarm.priority.number(),
        state: alarm.state.id().to_owned(),
        raised_at: rfc3339(alarm.raised_at),
        changed_at: rfc3339(alarm.changed_at),
        message: alarm.message.english().to_owned(),
        said: SaidStatus::of(&alarm.message),
        acknowledged_by: alarm.acknowledged_by.clone(),
        shelf: alarm.shelf.as_ref().map(|shelf| ShelfStatus {
            until: rfc3339(shelf.until),
            by: shelf.by.clone(),
            reason: shelf.reason.clone(),
        }),
        root: alarm.root.clone(),
        inside: alarm.inside as u64,
        called,
        next_call,
    }
}

fn fault_status(fault: &PartFault) -> FaultStatus {
    let part = fault.part.id();
    FaultStatus {
        part: if fault.which.is_empty() { part.to_owned() } else { format!("{part} {}", fault.which) },
        detail: fault.detail.clone(),
        since: rfc3339(fault.since),
    }
}
