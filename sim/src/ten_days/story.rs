//! What happens in the ten days: causes in the water and on the wires, and what people do and enter.
//!
//! Nothing here says what any probe reads. P1 to P4 are ponds 0 to 3.

use super::clock::{HOUR_MS, MINUTE_MS, at};
use super::film::Film;
use super::pond::{Life, USUAL};
use crate::faults::{Fault, Kind};

/// Something that changes the world.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cause {
    /// Somebody, or a timer, switches groups at the panel of a pond.
    Switch(usize, &'static str, bool),
    /// The feeder of groups loses or gets back power.
    Feeder(usize, &'static str, bool),
    /// The mains go or come.
    Mains(bool),
    /// The generator runs or stands.
    Generator(bool),
    /// What lives in a pond, as shares of the usual.
    Life(usize, Life),
    /// Alkali is poured in: alkalinity in mg/L that dissolves in so many hours.
    Dose(usize, f64, f64),
    /// The overflow at the surface is opened or shut.
    Overflow(usize, bool),
}

/// What a person does that the gateway hears of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Act {
    /// Enters a value: pond, quantity id, value.
    Enters(usize, &'static str, f64),
    /// Records a dose of [`LOT`]: pond, kg of slurry.
    Doses(usize, f64),
    /// Counts how many containers of [`LOT`] are left, in the store at a pond.
    Counts(usize, f64),
    /// Takes a probe out of service for a while, to clean it and read it in standards.
    TakesOut(&'static str),
    /// Reads a probe beside a hand meter before cleaning it: quantity id, hand meter.
    ReadsBefore(&'static str, &'static str, f64),
    /// Has cleaned it.
    Cleaned(&'static str),
    /// Reads it beside a hand meter after cleaning it.
    ReadsAfter(&'static str, &'static str, f64),
    /// Puts it back in service.
    PutsBack(&'static str),
    /// The adviser changes three limits after looking at the ten days.
    ChangesLimits,
}

/// Who did it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Person {
    /// On shift by day.
    DayTechnician,
    /// On shift by night.
    NightTechnician,
    /// Comes by, or calls.
    Adviser,
}

impl Person {
    /// As it stands in the journal.
    pub const fn told(self) -> &'static str {
        match self {
            Self::DayTechnician => "day technician",
            Self::NightTechnician => "night technician",
            Self::Adviser => "adviser",
        }
    }
}

/// The slurry of the ten days, as the label on its drums describes it.
pub const LOT: Lot = Lot { id: "T-03", container_kg: 25.0, solids_percent: 60.0, density_kg_l: 1.53 };

/// A lot of slurry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lot {
    /// As on the drums.
    pub id: &'static str,
    /// Slurry in a full drum.
    pub container_kg: f64,
    /// Solids by mass.
    pub solids_percent: f64,
    /// Density.
    pub density_kg_l: f64,
}

/// Alkalinity, mg/L as CaCO3, that a mass of slurry brings: 60 % magnesium hydroxide by mass, 1.72 mg of
/// alkalinity for each (two moles of charge, 100.09 and 58.32 g/mol).
const fn alkalinity_of_slurry(kg: f64, volume_m3: f64) -> f64 {
    kg * 1_000.0 / volume_m3 * 0.60 * 1.716
}

/// Hours and minutes of farm time; from 24 on in the morning after.
pub type Clock = (i64, i64);

/// The farm's timers: pond, groups, on and off. What people decide for a single night is among the causes.
pub const TIMERS: [(usize, &str, Clock, Clock); 6] = [
    (0, "ac", (21, 30), (31, 45)),
    (0, "b", (24, 0), (31, 45)),
    (1, "ac", (21, 30), (31, 45)),
    (2, "a", (25, 0), (31, 45)),
    (2, "b", (28, 0), (31, 45)),
    (1, "b", (28, 0), (31, 45)),
];

/// Nights (by the day on which they begin) in which people do something else with a pond's groups.
fn has_own_plan(pond: usize, day: i64) -> bool {
    // P1: the still night with the trip, after the dark days, and the power cut. P2: the crash.
    matches!((pond, day), (0, 2 | 5 | 6 | 7) | (1, 5 | 6 | 7 | 9 | 10) | (2, 5..=7))
}

/// Everything that changes the world, in order of time.
pub(super) fn causes() -> Vec<(i64, Cause)> {
    use Cause::{Dose, Feeder, Generator, Life as Lives, Mains, Overflow, Switch};
    let mut causes: Vec<(i64, Cause)> = Vec::new();
    for day in 0..=10 {
        for (pond, groups, on, off) in TIMERS {
            if !has_own_plan(pond, day) {
                causes.push((at(day, on.0, on.1), Switch(pond, groups, true)));
                causes.push((at(day, off.0, off.1), Switch(pond, groups, false)));
            }
        }
    }
    // Ten seconds between two motors, so that the generator bears their starting.
    let starts = |from: i64, list: &[(usize, &'static str)]| -> Vec<(i64, Cause)> {
        (0..).zip(list).map(|(nr, &(pond, group))| (from + nr * 10_000, Switch(pond, group, true))).collect()
    };

    // Day 1: P1 gets 30 kg of slurry at its pH minimum.
    causes.push((at(1, 7, 20), Dose(0, alkalinity_of_slurry(30.0, 7_500.0), 6.0)));
    // The plankton has grown a little by day 2, in both lined ponds.
    causes.push((at(2, 3, 0), Lives(0, Life { bloom: 1.03, ..USUAL })));
    causes.push((at(2, 3, 0), Lives(1, Life { bloom: 1.02, ..USUAL })));

    // Night of day 2 to 3, incident 1: feeder 1 of P1 trips with A and C on it; B stands idle on feeder 2.
    causes.extend([
        (at(2, 22, 0), Switch(0, "ac", true)),
        (at(3, 2, 10), Feeder(0, "ac", false)),
        (at(3, 2, 13), Switch(0, "b", true)),
        (at(3, 3, 30), Feeder(0, "ac", true)),
        (at(3, 7, 45), Switch(0, "abc", false)),
    ]);

    // Day 5 is dark: less feed in P1, and B and C from 22:00 instead of A and C; A as well from 05:40 on. The
    // other ponds aerate early too.
    causes.extend([
        (at(5, 12, 0), Lives(0, Life { feed: 0.6, water: 0.86, ..USUAL })),
        (at(5, 21, 0), Switch(1, "ac", true)),
        (at(5, 22, 0), Switch(0, "bc", true)),
        (at(5, 23, 0), Switch(1, "b", true)),
        (at(5, 22, 30), Switch(2, "a", true)),
        (at(6, 1, 0), Switch(2, "b", true)),
        (at(6, 5, 40), Switch(0, "a", true)),
        (at(6, 7, 45), Switch(1, "abc", false)),
        (at(6, 7, 45), Switch(2, "ab", false)),
        (at(6, 8, 30), Switch(0, "abc", false)),
        (at(6, 8, 30), Lives(0, USUAL)),
    ]);

    // Day 6, incident 3: rain before dawn. Running wheels mix it in; P4's stand, and the storm stirs its bottom.
    causes.extend([
        (at(6, 2, 45), Lives(3, Life { bottom: 5.2, water: 2.0, sludge_mmol_l_h: 0.042, ..USUAL })),
        (at(6, 5, 45), Overflow(3, true)),
        (at(6, 5, 45), Switch(3, "ab", true)),
        (at(6, 6, 0), Lives(3, USUAL)),
        (at(6, 9, 0), Overflow(3, false)),
        (at(6, 16, 0), Switch(3, "ab", false)),
        (at(6, 21, 30), Switch(0, "abc", true)),
        (at(6, 22, 0), Switch(1, "abc", true)),
        (at(6, 22, 30), Switch(2, "a", true)),
        (at(7, 1, 0), Switch(2, "b", true)),
        (at(7, 7, 45), Switch(0, "abc", false)),
        (at(7, 7, 45), Switch(1, "abc", false)),
        (at(7, 7, 45), Switch(2, "ab", false)),
    ]);

    // Night of day 7 to 8, incident 4: no mains from 23:40 to 01:05. The generator fails at its first start
    // and runs from 23:52; motors that have stopped stay off until somebody starts them, one after another.
    causes.extend([
        (at(7, 21, 30), Switch(0, "ac", true)),
        (at(7, 21, 30), Switch(1, "ac", true)),
        (at(7, 22, 0), Switch(2, "a", true)),
        (at(7, 23, 40), Mains(false)),
        (at(7, 23, 41), Switch(0, "abc", false)),
        (at(7, 23, 41), Switch(1, "abc", false)),
        (at(7, 23, 41), Switch(2, "ab", false)),
        (at(7, 23, 52), Generator(true)),
        (at(8, 1, 5), Mains(true)),
        (at(8, 1, 15), Generator(false)),
        (at(8, 2, 0), Switch(0, "b", true)),
        (at(8, 4, 0), Switch(2, "b", true)),
        (at(8, 7, 45), Switch(0, "abc", false)),
        (at(8, 7, 45), Switch(1, "abc", false)),
        (at(8, 7, 45), Switch(2, "ab", false)),
    ]);
    causes.extend(starts(at(7, 23, 52), &[(0, "a"), (0, "c"), (1, "a"), (1, "c"), (2, "a")]));

    // Day 8, incident 5: 120 kg instead of 38.4 kg into P3, in the afternoon. In water as alkaline as that a
    // part lies undissolved.
    causes.push((at(8, 15, 30), Dose(2, 0.7 * alkalinity_of_slurry(120.0, 9_600.0), 1.5)));

    // Day 9, incident 6: P2's plankton dies before dawn and rots. All aerators from dusk on, no feed.
    causes.extend([
        (at(9, 5, 0), Lives(1, Life { bloom: 0.70, water: 1.6, ..USUAL })),
        (at(9, 10, 45), Switch(1, "abc", true)),
        (at(9, 10, 45), Lives(1, Life { bloom: 0.66, water: 1.9, feed: 0.0, ..USUAL })),
        (at(9, 17, 30), Lives(1, Life { bloom: 0.35, water: 4.1, feed: 0.0, ..USUAL })),
    ]);
    causes.sort_by_key(|(at_ms, _)| *at_ms);
    causes
}

/// Days' films on oxygen caps.
pub(super) fn films() -> Vec<Film> {
    // Incident 2: slime on P3's bottom cap, from the morning of day 3 on until it is wiped.
    vec![Film {
        probe: "p3-bottom",
        from_ms: at(3, 4, 0),
        full_ms: at(3, 14, 0),
        wiped_ms: at(4, 6, 40),
        takes_share: 0.41,
        lags_h: 3.6,
    }]
}

/// Other faults of probes.
pub(super) fn faults() -> Vec<Fault> {
    let from_ms = at(4, 11, 20);
    vec![Fault {
        probe: "p1-ph".into(),
        quantity: Some("ph".into()),
        from_ms,
        until_ms: from_ms + 9 * HOUR_MS,
        kind: Kind::Stuck,
    }]
}

/// What people do and enter, in order of time.
pub(super) fn acts() -> Vec<(i64, Person, Act)> {
    use Act::{ChangesLimits, Cleaned, Counts, Doses, Enters, PutsBack, ReadsAfter, ReadsBefore, TakesOut};
    use Person::{Adviser, DayTechnician as Day, NightTechnician as Night};
    let mut acts: Vec<(i64, Person, Act)> = Vec::new();
    // Day 1: every probe in the water is cleaned and put back, one after another.
    for (nr, probe) in (0_i64..).zip(super::probes::IN_WATER) {
        let from = at(1, 8, 40) + nr * 15 * MINUTE_MS;
        acts.push((from, Day, TakesOut(probe)));
        acts.push((from + 5 * MINUTE_MS, Day, Cleaned(probe)));
        acts.push((from + 10 * MINUTE_MS, Day, PutsBack(probe)));
    }
    acts.extend([
        // Day 1: the drums are counted, and one and a fifth of them go into P1. On day 8 somebody records what was
        // planned for P3, one and a half, and pours 120 kg: 4.8 drums more are gone, 34 of 40 are left.
        (at(1, 7, 0), Day, Counts(0, 40.0)),
        (at(1, 7, 20), Day, Doses(0, 30.0)),
        (at(8, 15, 30), Day, Doses(2, 38.4)),
        (at(8, 15, 40), Day, Counts(2, 34.0)),
        // The kit of the week.
        (at(1, 11, 40), Day, Enters(0, "alkalinity_mg_l", 112.0)),
        (at(1, 11, 50), Day, Enters(0, "secchi_cm", 30.0)),
        (at(1, 11, 55), Day, Enters(1, "secchi_cm", 28.0)),
        (at(4, 9, 0), Day, Enters(0, "tan_mg_l", 0.5)),
        // Incident 2: the dawn round's hand meter beside the slimed cap, and the wipe.
        (at(4, 5, 40), Night, Enters(2, "do_mg_l", 4.7)),
        (at(4, 6, 30), Night, TakesOut("p3-bottom")),
        (at(4, 6, 35), Night, ReadsBefore("p3-bottom", "do_mg_l", 4.6)),
        (at(4, 6, 40), Night, Cleaned("p3-bottom")),
        (at(4, 6, 45), Night, ReadsAfter("p3-bottom", "do_mg_l", 4.6)),
        (at(4, 6, 50), Night, PutsBack("p3-bottom")),
        // Incident 3: before the rain, under it, and after mixing.
        (at(5, 10, 0), Day, Enters(3, "alkalinity_mg_l", 108.0)),
        (at(5, 18, 30), Night, Enters(3, "ph", 7.9)),
        (at(6, 6, 0), Night, Enters(3, "ph", 7.3)),
        (at(6, 6, 10), Night, Enters(3, "alkalinity_mg_l", 82.0)),
        (at(6, 11, 0), Day, Enters(3, "alkalinity_mg_l", 101.0)),
        // The kits before incidents 5 and 6, and after them.
        (at(8, 8, 30), Day, Enters(1, "tan_mg_l", 0.8)),
        (at(8, 10, 0), Day, Enters(1, "secchi_cm", 28.0)),
        (at(8, 14, 30), Day, Enters(2, "tan_mg_l", 0.9)),
        (at(9, 10, 0), Day, Enters(1, "secchi_cm", 65.0)),
        (at(10, 8, 30), Day, Enters(1, "tan_mg_l", 2.4)),
        (at(10, 11, 0), Adviser, ChangesLimits),
    ]);
    acts.sort_by_key(|(at_ms, ..)| *at_ms);
    acts
}
