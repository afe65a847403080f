//! A made-up crop of a pair of ponds, day by day: lowest oxygen of each night in both, light, aeration,
//! services, doses.
//!
//! Nothing here knows what will be tested on it. Both ponds stand under one sky, whose days resemble each
//! other and which clouds over for days; each takes it in its own way. Each has its plankton, which goes its
//! own way for some days; a slow drift of its own; a growing crop that breathes more; a crash now and then. Each
//! probe fouls from cleaning to cleaning, is noisy, and misses days.

use pondreeve_core::evidence::bounce::Aside;
use pondreeve_core::evidence::{Periods, Series};
use sim::noise::Noise;

/// How alike the control is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Control {
    /// Same lot, same build, same crew: probes cleaned on a weekday without doses.
    Good,
    /// As control ponds usually are.
    Usual,
    /// One that goes its own way.
    Poor,
}

impl Control {
    pub const ALL: [Self; 3] = [Self::Good, Self::Usual, Self::Poor];

    pub fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Usual => "usual",
            Self::Poor => "poor",
        }
    }

    /// Lowest and highest spread of a pond's own plankton, mg/L.
    fn own_mg_l(self) -> (f64, f64) {
        match self {
            Self::Good => (0.18, 0.30),
            Self::Usual => (0.25, 0.45),
            Self::Poor => (0.35, 0.60),
        }
    }

    /// Slow drift, mg/L a day as steps of a random walk.
    fn drift_mg_l(self) -> f64 {
        match self {
            Self::Good => 0.015,
            Self::Usual => 0.03,
            Self::Poor => 0.05,
        }
    }

    /// By how much a pond's response to the sky may differ from the usual one.
    fn unlike(self) -> f64 {
        match self {
            Self::Good => 0.07,
            Self::Usual => 0.15,
            Self::Poor => 0.30,
        }
    }
}

/// What the treatment truly does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Truth {
    Nothing,
    /// The day after each dose, mg/L.
    Bounce(f64),
    /// From the first dose on, mg/L.
    Step(f64),
}

#[derive(Debug)]
pub struct Crop {
    pub treated: Series,
    pub control: Series,
    pub aside: Aside,
    pub doses: Vec<i64>,
    pub periods: Periods,
}

/// Numbers of one crop by name.
struct Source(Noise);

impl Source {
    fn between(&self, name: &str, (low, high): (f64, f64)) -> f64 {
        low + (high - low) * self.0.unit(Noise::stream(name), 0)
    }

    fn normal(&self, name: &str, day: usize) -> f64 {
        self.0.gaussian(Noise::stream(name), day as i64)
    }

    fn chance(&self, name: &str, day: usize, of: f64) -> bool {
        self.0.unit(Noise::stream(name), day as i64) <= of
    }

    /// Days with a spread of 1 that resemble the day before by `likeness`.
    fn course(&self, name: &str, days: usize, likeness: f64) -> Vec<f64> {
        let mut now = self.normal(name, 0);
        (0..days)
            .map(|day| {
                if day > 0 {
                    now = likeness * now + (1.0 - likeness * likeness).sqrt() * self.normal(name, day);
                }
                now
            })
            .collect()
    }
}

/// Doses each seventh day, `doses` of them, after `before` days.
pub fn crop(seed: u64, control: Control, before: usize, doses: usize, truth: Truth) -> Crop {
    let days = before + 7 * doses + 1;
    let source = Source(Noise::new(seed));
    let given: Vec<i64> = (0..doses).map(|week| (before + 7 * week) as i64).collect();
    let light = sky(&source, days);
    let mut serviced = Vec::new();
    let mut ponds = Vec::new();
    for name in ["treated", "control"] {
        let weekday = if control == Control::Good { Some(before % 7 + 3) } else { None };
        let (own, services) = pond(&source, name, control, &light, weekday);
        serviced.extend(services);
        ponds.push(own);
    }
    let values = |place: usize| {
        let own: &Vec<f64> = &ponds[place];
        let name = ["treated", "control"][place];
        let known =
            own.iter().enumerate().filter(|(day, _)| !source.chance(&format!("{name} misses"), *day, 0.03));
        let told = known.map(|(day, value)| {
            let day = day as i64;
            let effect = match truth {
                Truth::Bounce(rise) if place == 0 && given.contains(&(day - 1)) => rise,
                Truth::Step(rise) if place == 0 && day > given[0] => rise,
                _ => 0.0,
            };
            (day, value + effect)
        });
        Series::new(told.collect::<Vec<_>>())
    };
    // More aeration after dark days, in both ponds, and some of each crew's own.
    let aeration = |name: &str| {
        let own = source.course(&format!("{name} crew"), days, 0.3);
        let kwh =
            light.iter().zip(own).map(|(light, own)| 280.0 * (1.15 - 0.15 * light) * (1.0 + 0.03 * own));
        Series::new(kwh.enumerate().map(|(day, kwh)| (day as i64, kwh)).collect::<Vec<_>>())
    };
    // What a night's lowest follows is the light of the day before it.
    let shone = light.iter().enumerate().map(|(day, light)| (day as i64 + 1, light * 38.0));
    Crop {
        treated: values(0),
        control: values(1),
        aside: Aside {
            light: Series::new(shone.collect::<Vec<_>>()),
            aeration: [aeration("treated"), aeration("control")],
            serviced,
            disturbed: Vec::new(),
            is_before_dose: true,
        },
        doses: given,
        periods: Periods::around(0, before as i64, days as i64 - 1),
    }
}

/// Light of each day against the usual.
fn sky(source: &Source, days: usize) -> Vec<f64> {
    let course = source.course("sky", days, 0.5);
    let mut dark_until = 0;
    course
        .iter()
        .enumerate()
        .map(|(day, own)| {
            if source.chance("clouds over", day, 0.04) {
                dark_until = dark_until.max(day + 1 + usize::from(source.chance("for two", day, 0.5)));
            }
            let light = (1.0 + 0.15 * own).clamp(0.3, 1.25);
            if day < dark_until { light * 0.45 } else { light }
        })
        .collect()
}

/// Lowest oxygen of each night as the probe tells it, and the days on which that was cleaned.
fn pond(
    source: &Source,
    name: &str,
    control: Control,
    light: &[f64],
    weekday: Option<usize>,
) -> (Vec<f64>, Vec<i64>) {
    let of = |what: &str| format!("{name} {what}");
    let response = 1.0 + control.unlike() * (2.0 * source.between(&of("response"), (0.0, 1.0)) - 1.0);
    let growth = 1.0 + control.unlike() * (2.0 * source.between(&of("growth"), (0.0, 1.0)) - 1.0);
    let likeness = source.between(&of("likeness"), (0.4, 0.8));
    let spread = source.between(&of("spread"), control.own_mg_l());
    let plankton = source.course(&of("plankton"), light.len(), likeness);
    let fouling = source.between(&of("fouling"), (0.0, 0.02));
    let every = source.between(&of("every"), (6.0, 12.0)) as usize;
    let (mut drift, mut crash) = (0.0, 0.0);
    // When it was cleaned last before the first day.
    let mut cleaned = -(source.between(&of("cleaned"), (0.0, every as f64)) as i64);
    let mut services = Vec::new();
    let lows = (0..light.len()).map(|day| {
        drift += control.drift_mg_l() * source.normal(&of("drift"), day);
        crash *= (-0.25_f64).exp();
        if source.chance(&of("crashes"), day, 1.0 / 90.0) {
            crash -= source.between(&of("how deep"), (0.5, 1.5));
        }
        let due = match weekday {
            Some(weekday) => day % 7 == weekday % 7,
            None => day as i64 - cleaned >= every as i64,
        };
        if due {
            cleaned = day as i64;
            services.push(day as i64);
        }
        // The night follows the day before.
        let shone = light[day.saturating_sub(1)];
        4.6 + 2.0 * response * (shone - 1.0) - 0.012 * growth * day as f64
            + spread * plankton[day]
            + drift
            + crash
            - fouling * (day as i64 - cleaned) as f64
            + 0.1 * source.normal(&of("noise"), day)
    });
    (lows.collect(), services)
}
