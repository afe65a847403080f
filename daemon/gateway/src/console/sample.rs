//! An invented farm on an invented coast, for tests of the pages.

use crate::local::protocol::{
    AdviceStatus, AerationNightStatus, AeratorStatus, AlarmStatus, BalanceStatus, CalledStatus, FarmStatus,
    FaultStatus, ForecastStatus, HistoryPoint, HornTestStatus, MetabolismStatus, NextCallStatus, PondStatus,
    ReadingStatus,
};
use crate::local::said::{PutInStatus, SaidStatus};
use crate::local::why::{InputStatus, VerdictStatus, WhyStatus, WorkedStatus};

/// 02:14 on the farm, five hours behind UTC.
pub(crate) const NOW: &str = "2026-11-25T07:14:00Z";

fn reading(quantity: &str, unit: &str, decimals: usize, value: f64, age_s: i64) -> ReadingStatus {
    ReadingStatus {
        quantity: quantity.to_owned(),
        unit: unit.to_owned(),
        decimals,
        value: Some(value),
        flag: 1,
        at: "2026-11-25T07:13:40Z".to_owned(),
        age_s,
        per_hour: None,
        probe: None,
    }
}

fn pond(id: &str, name: &str, oxygen: f64, slope: f64, lowest: f64) -> PondStatus {
    let mut do_mg_l = reading("do_mg_l", "mg/L", 2, oxygen, 20);
    do_mg_l.per_hour = Some(slope);
    let mut tan = reading("tan_mg_l", "mg/L", 2, 0.92, 64_800);
    tan.flag = 2;
    PondStatus {
        id: id.to_owned(),
        name: name.to_owned(),
        readings: vec![
            do_mg_l,
            reading("temperature_c", "°C", 1, 29.4, 20),
            reading("ph", "", 2, 7.86, 35),
            reading("salinity_psu", "PSU", 1, 18.2, 35),
            tan,
        ],
        derived: vec![
            reading("do_saturation_mg_l", "mg/L", 2, 6.91, 20),
            reading("do_saturation_percent", "%", 0, oxygen / 6.91 * 100.0, 20),
            reading("nh3_n_mg_l", "mg/L", 3, 0.041, 35),
            reading("night_slope_mg_l_h", "mg/L/h", 2, slope, 20),
            reading("dawn_do_mg_l", "mg/L", 1, lowest, 20),
        ],
        forecast: Some(ForecastStatus {
            at: "2026-11-25T07:10:00Z".to_owned(),
            do_min_mg_l: lowest,
            do_min_at: "2026-11-25T10:50:00Z".to_owned(),
            low_80: lowest - 0.6,
            high_80: lowest + 0.6,
            do_sunrise_mg_l: lowest + 0.1,
            night_slope_mg_l_h: slope,
            slope_if_aerators_stop_mg_l_h: (slope < -0.2).then_some(slope - 0.31),
            below: vec![(4.0, None, 0.04), (3.0, None, 0.01), (2.0, None, 0.0)],
            basis: "last night's low 3.9, -0.2 as the water holds less oxygen; from 9 nights of this pond"
                .to_owned(),
            basis_said: Some(Box::new(basis_said())),
        }),
        no_forecast: None,
        forecast_score: None,
        probe_or_water: None,
        no_forecast_said: None,
        probe_or_water_said: None,
        aeration_nights: vec![AerationNightStatus {
            sunset: "2026-03-17T23:12:00Z".to_owned(),
            kwh: 24.0,
            habit_kwh: 132.0,
            asked: 1,
            followed: 1,
        }],
        metabolism: Some(MetabolismStatus {
            ended: "2026-11-24T23:02:00Z".to_owned(),
            balance: Some(BalanceStatus {
                production_mg_l: 11.84,
                respiration_mg_l: 12.41,
                net_mg_l: -0.57,
                air_mg_l: -1.2,
                aerators_mg_l: 1.9,
            }),
            unknown: None,
            unknown_said: None,
            production_per_week_mg_l: Some(0.83),
            respiration_per_week_mg_l: Some(0.4),
            trend_days: 12,
        }),
        advice: Some(AdviceStatus {
            at: NOW.to_owned(),
            action: "rest".to_owned(),
            aerators: vec![],
            start: None,
            stop: None,
            kwh: 0.0,
            reason: format!("Lowest oxygen expected {lowest:.1} mg/L. No further aeration needed for now."),
            said: None,
        }),
        sunset: Some("2026-11-24T23:02:00Z".to_owned()),
        sunrise: Some("2026-11-25T11:05:00Z".to_owned()),
        diary: None,
        aerators: vec![
            AeratorStatus { id: "a".to_owned(), on: Some(true), stopped: false, power_kw: 4.5 },
            AeratorStatus { id: "b".to_owned(), on: Some(false), stopped: false, power_kw: 4.5 },
        ],
        do_low_mg_l: [4.0, 3.0, 2.0],
    }
}

/// What the forecasts rest on, beside the English.
fn basis_said() -> SaidStatus {
    let said = |key: &str, with: Vec<(&str, PutInStatus)>| SaidStatus {
        key: key.to_owned(),
        english: "in English".to_owned(),
        with: with.into_iter().map(|(name, own)| (name.to_owned(), own)).collect(),
    };
    let text = |text: &str| PutInStatus::Text(text.to_owned());
    let part = |key: &str, with: Vec<(&str, PutInStatus)>| PutInStatus::Said(said(key, with));
    let low = part("basis-last-night", vec![("low", text("3.9"))]);
    let less = part("basis-as", vec![("by", text("-0.2")), ("why", part("basis-holds-less", vec![]))]);
    let sum = part("joined", vec![("between", text(", ")), ("part", low), ("part", less)]);
    let nights = part("basis-nights", vec![("nights", text("9"))]);
    said("basis-from", vec![("sum", sum), ("nights", nights), ("farm", text(""))])
}

/// Four ponds, all well.
pub(crate) fn normal_night() -> FarmStatus {
    FarmStatus {
        at: NOW.to_owned(),
        time_zone_offset_s: -5 * 3_600,
        farm: "Tidewick Ponds".to_owned(),
        gateway: "tidewick".to_owned(),
        version: "0.1.0".to_owned(),
        flood_since: None,
        horn: false,
        lamp: false,
        horn_test: None,
        ponds: vec![
            pond("p1", "Heron", 6.12, -0.35, 4.9),
            pond("p2", "Ibis", 5.71, -0.31, 4.6),
            pond("p3", "Curlew", 5.20, -0.22, 4.5),
            pond("p4", "Avocet", 6.48, -0.28, 5.4),
        ],
        alarms: vec![],
        faults: vec![],
        probes: vec![],
        lots: vec!["M-17".to_owned(), "M-18".to_owned()],
        changed_limits: Vec::new(),
        waiting_to_forward: 0,
        machine: None,
        language: None,
        texts: None,
    }
}

fn alarm(pond: &str, kind: &str, name: &str, priority: u8, message: &str) -> AlarmStatus {
    AlarmStatus {
        id: format!("{pond}.{kind}"),
        pond: Some(pond.to_owned()),
        name: name.to_owned(),
        priority,
        state: "unacknowledged".to_owned(),
        raised_at: "2026-11-25T07:11:00Z".to_owned(),
        changed_at: "2026-11-25T07:11:00Z".to_owned(),
        message: message.to_owned(),
        said: None,
        acknowledged_by: None,
        shelf: None,
        root: None,
        inside: 0,
        called: Vec::new(),
        next_call: None,
    }
}

/// One pond's oxygen critically low, another's probe suspect and already acknowledged.
pub(crate) fn critical_alarm() -> FarmStatus {
    let mut farm = normal_night();
    let mut heron = pond("p1", "Heron", 2.81, -0.66, 1.4);
    if let Some(forecast) = &mut heron.forecast {
        forecast.below = vec![
            (4.0, Some(NOW.to_owned()), 1.0),
            (3.0, Some(NOW.to_owned()), 0.99),
            (2.0, Some("2026-11-25T08:27:00Z".to_owned()), 0.86),
        ];
    }
    heron.advice = Some(AdviceStatus {
        at: NOW.to_owned(),
        action: "start-now".to_owned(),
        aerators: vec!["b".to_owned()],
        start: Some(NOW.to_owned()),
        stop: Some("2026-11-25T12:30:00Z".to_owned()),
        kwh: 23.6,
        reason: "Oxygen is 2.81 mg/L and falls 0.66 mg/L per hour; group B is off.".to_owned(),
        said: None,
    });
    farm.ponds[0] = heron;
    farm.horn = true;
    farm.alarms = vec![
        alarm(
            "p1",
            "do-low-critical",
            "oxygen critically low",
            1,
            "P1 Heron: oxygen 2.81 mg/L, below 3.0 for 5 min, reading good. Start aerators now and look.",
        ),
        AlarmStatus {
            state: "acknowledged".to_owned(),
            acknowledged_by: Some("mira".to_owned()),
            raised_at: "2026-11-24T23:40:00Z".to_owned(),
            ..alarm(
                "p3",
                "probe-ph",
                "pH probe does not answer",
                3,
                "P3 Curlew: the pH probe does not answer.",
            )
        },
    ];
    farm
}

/// The same at 02:14, the technician on shift called at 02:11 and the second person just now.
pub(crate) fn people_called() -> FarmStatus {
    let called = |step: &str, name: &str, at: &str, outcome: Option<&str>| CalledStatus {
        step: step.to_owned(),
        name: name.to_owned(),
        at: at.to_owned(),
        times: 1,
        outcome: outcome.map(str::to_owned),
        why: None,
    };
    let mut farm = critical_alarm();
    farm.lamp = true;
    farm.horn_test =
        Some(HornTestStatus { at: "2026-11-24T22:00:00Z".to_owned(), outcome: "done".to_owned(), why: None });
    farm.alarms[0]
        .message
        .push_str(" Not acknowledged for 3 min: start by hand every aerator that can run (b).");
    farm.alarms[0].called = vec![
        called("on-shift", "technician on shift", "2026-11-25T07:11:00Z", Some("done")),
        called("second-person", "second person", "2026-11-25T07:14:00Z", None),
    ];
    farm.alarms[0].next_call = Some(NextCallStatus {
        step: "adviser".to_owned(),
        name: "adviser or manager".to_owned(),
        at: "2026-11-25T07:19:00Z".to_owned(),
    });
    farm
}

/// A pond whose oxygen has not been seen for 25 minutes.
pub(crate) fn blind_pond() -> FarmStatus {
    let mut farm = normal_night();
    let ibis = &mut farm.ponds[1];
    ibis.readings[0].value = None;
    ibis.readings[0].flag = 9;
    ibis.readings[0].age_s = 1_500;
    ibis.readings[0].per_hour = None;
    ibis.derived.clear();
    ibis.forecast = None;
    ibis.no_forecast = Some("no valid oxygen for 25 min".to_owned());
    ibis.metabolism = ibis.metabolism.take().map(|day| MetabolismStatus {
        balance: None,
        unknown: Some("it is not known which aerators ran".to_owned()),
        ..day
    });
    ibis.advice = Some(AdviceStatus {
        at: NOW.to_owned(),
        action: "unknown".to_owned(),
        aerators: vec![],
        start: None,
        stop: None,
        kwh: 0.0,
        reason: "Nothing is known of the oxygen here.".to_owned(),
        said: None,
    });
    farm.horn = true;
    farm.alarms = vec![alarm(
        "p2",
        "do-blind-critical",
        "oxygen not observed at night",
        1,
        "P2 Ibis: no valid oxygen for 25 min at night. Treat as low oxygen: start aerators, measure by hand.",
    )];
    farm.faults = vec![FaultStatus {
        part: "bus rs485-1".to_owned(),
        detail: "/dev/ttyUSB0 is not there".to_owned(),
        since: "2026-11-25T06:49:00Z".to_owned(),
    }];
    farm
}

/// A pond whose oxygen is suspect.
pub(crate) fn suspect_probe() -> FarmStatus {
    let mut farm = normal_night();
    let curlew = &mut farm.ponds[2];
    curlew.readings[0].value = Some(3.1);
    curlew.readings[0].flag = 3;
    curlew.derived[1].flag = 3;
    curlew.advice = Some(AdviceStatus {
        at: NOW.to_owned(),
        action: "unknown".to_owned(),
        aerators: vec![],
        start: None,
        stop: None,
        kwh: 0.0,
        reason: "The oxygen reading is suspect; measure by hand.".to_owned(),
        said: None,
    });
    curlew.forecast = None;
    curlew.no_forecast = Some("the oxygen reading is suspect".to_owned());
    farm.alarms = vec![alarm(
        "p3",
        "probe-suspect-do",
        "oxygen probe suspect",
        2,
        "P3 Curlew: oxygen reads 3.10 mg/L, SUSPECT. Compare with the hand meter, then wipe the probe.",
    )];
    farm
}

/// The first pond's oxygen since sunset, one point each quarter of an hour, down to `last`.
pub(crate) fn curve(last: f64) -> Vec<HistoryPoint> {
    let sunset: jiff::Timestamp = "2026-11-24T23:02:00Z".parse().unwrap();
    (0..33)
        .map(|step| HistoryPoint {
            at: (sunset + jiff::SignedDuration::from_mins(step * 15)).to_string(),
            value: 7.9 - (7.9 - last) * step as f64 / 32.0,
            flag: if step == 12 { 3 } else { 1 },
        })
        .collect()
}

/// Why a doubted oxygen reading alarms.
pub(crate) fn doubted_oxygen() -> WhyStatus {
    WhyStatus {
        id: "p1.do-low-critical".to_owned(),
        at: NOW.to_owned(),
        time_zone_offset_s: -5 * 3_600,
        pond: Some("p1".to_owned()),
        name: "Oxygen critically low".to_owned(),
        priority: Some(1),
        state: Some("unacknowledged".to_owned()),
        since: Some("2026-11-25T07:09:00Z".to_owned()),
        says: "Heron (p1): oxygen critically low, 2.7 mg/L (limit 3.0), steady. Oxygen reading suspect, looks \
               like the probe: has not moved for 47 min: check with a hand meter. If in doubt, start aerators \
               and look."
            .to_owned(),
        raised_when: "oxygen below 3.0 mg/L for 5 min".to_owned(),
        clears_when: "oxygen at or above 3.4 mg/L for 15 min".to_owned(),
        limit_source: Some("an invented source".to_owned()),
        inputs: vec![
            InputStatus {
                quantity: "do_mg_l".to_owned(),
                unit: "mg/L".to_owned(),
                decimals: 2,
                probe: Some("p1-oxygen".to_owned()),
                value: Some(2.7),
                flag: 3,
                disliked: vec![("flat_line".to_owned(), 3, "has not moved: stuck".to_owned())],
                at: Some("2026-11-25T07:13:40Z".to_owned()),
                age_s: Some(20),
            },
            InputStatus {
                quantity: "do_mg_l".to_owned(),
                unit: "mg/L".to_owned(),
                decimals: 2,
                probe: None,
                value: None,
                flag: 9,
                disliked: Vec::new(),
                at: None,
                age_s: None,
            },
        ],
        formulas: vec![WorkedStatus {
            text: "saturation 6.91 mg/L at 29.4 C, 18.2 PSU, 1009 hPa; 2.70 / 6.91 = 39 %".to_owned(),
            formula: Some("ln C = ...".to_owned()),
            source: Some("Benson & Krause 1984".to_owned()),
            of: None,
        }],
        forecast: vec!["No forecast: the oxygen reading is suspect, check with a hand meter.".to_owned()],
        verdict: Some(VerdictStatus {
            probe: "p1-oxygen".to_owned(),
            leaning: "probe".to_owned(),
            line: "looks like the probe: has not moved for 47 min".to_owned(),
            score: 2,
            clues: vec![
                ("shape".to_owned(), "has not moved for 47 min".to_owned(), 3),
                ("timing".to_owned(), "it is night, when oxygen falls".to_owned(), -1),
            ],
            what_to_do: "Start aerators all the same.".to_owned(),
        }),
        at_the_water: true,
        said: None,
    }
}
