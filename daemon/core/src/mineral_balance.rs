//! Alkalinity and hardness of a pond reckoned on from a first kit value by what people did since, held against what the
//! last kit value says: doses that are recorded but not given, or given but not recorded, show here, and so does source
//! water that brings or takes minerals.
//!
//! Bounds, not a forecast. The upper one has every dose dissolved and no ammonia nitrified, the lower one no dose
//! dissolved and all of the feed's ammonia nitrified. What soil, rain, evaporation and algae do is in neither.

use crate::mass_balance::{ALKALINITY_PER_NITROGEN, TAN_PER_PROTEIN};
use crate::time::Timestamp;

/// A change of alkalinity or hardness below this cannot be told by most kits, mg/L as CaCO3. (Common practice, no source.)
pub const KIT_STEP_MG_L: f64 = 10.0;

/// Nor one below this share of what is read: hardness of brackish water is thousands of mg/L. (Common practice, no source.)
pub const KIT_SHARE: f64 = 0.05;

/// Where more of the water than this was replaced by water of which nothing is known, nothing is reckoned.
pub const UNKNOWN_SHARE: f64 = 0.05;

/// What is balanced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mineral {
    /// Total alkalinity, mg/L as CaCO3.
    Alkalinity,
    /// Total hardness, mg/L as CaCO3.
    Hardness,
}

/// Something that changed the water, or a kit value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// A dose: alkalinity that it adds once dissolved, mg/L as CaCO3. The magnesium of Mg(OH)2 adds as much hardness:
    /// one mole of it is one of CaCO3 in either count.
    Dose {
        /// mg/L as CaCO3.
        added_mg_l: f64,
    },
    /// Feed given.
    Feed {
        /// kg.
        kg: f64,
        /// Protein in it, %.
        protein_percent: f64,
        /// Water in the pond, m3.
        volume_m3: f64,
    },
    /// Water let out and replaced.
    Exchange {
        /// Share of the pond's water, 0 to 1.
        share: f64,
    },
    /// What a kit read, mg/L as CaCO3.
    Kit(f64),
}

/// How what was reckoned agrees with what was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Agreement {
    /// The last kit value lies within the bounds, to a kit's step.
    Within,
    /// It lies above them: more came in than is recorded.
    Above,
    /// It lies below them: less came in, or more was used, than is recorded.
    Below,
    /// It lies within the bounds, and so would the first value: too little was given for a kit to show.
    TooLittle,
}

/// The balance from the first kit value to the last.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// When the first was read, and what it said, mg/L as CaCO3.
    pub first: (Timestamp, f64),
    /// The same of the last.
    pub last: (Timestamp, f64),
    /// What is left of the doses between, all dissolved, mg/L as CaCO3.
    pub doses_mg_l: f64,
    /// Alkalinity that nitrifying all of the feed's ammonia took, most, mg/L as CaCO3; 0 for hardness.
    pub nitrified_mg_l: f64,
    /// Share of the first water that has been replaced, 0 to 1.
    pub exchanged_share: f64,
    /// Lower and upper bound of what the last value should be; `None` where water of which nothing is known replaced too
    /// much.
    pub expected_mg_l: Option<(f64, f64)>,
    /// How that agrees; `None` with it.
    pub agreement: Option<Agreement>,
}

/// A difference that a kit cannot show about this value, mg/L.
fn unseen_mg_l(value_mg_l: f64) -> f64 {
    KIT_STEP_MG_L.max(KIT_SHARE * value_mg_l)
}

/// Balances a mineral over changes in the order of their time. `source_mg_l` is what exchanged water brings.
///
/// `None` where there are not two kit values at different times.
pub fn balance(
    mineral: Mineral,
    changes: &[(Timestamp, Change)],
    source_mg_l: Option<f64>,
) -> Option<Balance> {
    let is_kit = |change: &&(Timestamp, Change)| matches!(change.1, Change::Kit(_));
    let (from, to) = (changes.iter().find(is_kit)?.0, changes.iter().rfind(is_kit)?.0);
    if to <= from {
        return None;
    }
    let (mut first, mut last) = (None, None);
    let (mut doses, mut nitrified, mut kept) = (0.0, 0.0, 1.0);
    let mut base = 0.0;
    for (at, change) in changes.iter().filter(|(at, _)| (from..=to).contains(at)) {
        match *change {
            Change::Kit(value) => {
                if first.is_none() {
                    first = Some((*at, value));
                    (doses, nitrified, kept, base) = (0.0, 0.0, 1.0, value);
                }
                last = Some((*at, value));
            }
            Change::Dose { added_mg_l } => doses += added_mg_l,
            Change::Feed { kg, protein_percent, volume_m3 } => {
                let protein_mg_l = kg * protein_percent / 100.0 * 1_000.0 / volume_m3;
                let used = protein_mg_l * TAN_PER_PROTEIN.1 * ALKALINITY_PER_NITROGEN;
                if mineral == Mineral::Alkalinity && used.is_finite() {
                    nitrified += used;
                }
            }
            Change::Exchange { share } => {
                let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
                let stays = 1.0 - share;
                (doses, nitrified, kept) = (doses * stays, nitrified * stays, kept * stays);
                base = base * stays + share * source_mg_l.unwrap_or(0.0);
            }
        }
    }
    let (first, last) = (first?, last?);
    let exchanged_share = 1.0 - kept;
    let is_known = source_mg_l.is_some() || exchanged_share <= UNKNOWN_SHARE;
    // Little water of which nothing is known is taken to be as the first was.
    let base = if source_mg_l.is_some() { base } else { first.1 };
    let expected_mg_l = is_known.then(|| ((base - nitrified).max(0.0), base + doses));
    let agreement = expected_mg_l.map(|(low, high)| {
        let unseen = unseen_mg_l(first.1.max(last.1));
        if last.1 > high + unseen {
            Agreement::Above
        } else if last.1 < low - unseen {
            Agreement::Below
        } else if high - low < unseen && (low - unseen..=high + unseen).contains(&first.1) {
            Agreement::TooLittle
        } else {
            Agreement::Within
        }
    });
    Some(Balance {
        first,
        last,
        doses_mg_l: doses,
        nitrified_mg_l: nitrified,
        exchanged_share,
        expected_mg_l,
        agreement,
    })
}

#[cfg(test)]
mod tests {
    use alloc::vec;
    use alloc::vec::Vec;

    use super::*;

    fn day(days: i64) -> Timestamp {
        Timestamp(days * 86_400_000)
    }

    /// Six weekly doses of 4 mg/L slurry at 60 %: 2.4 mg/L Mg(OH)2 each, so 2.4 x 1.716 = 4.12 mg/L as CaCO3 each.
    fn six_doses() -> Vec<(Timestamp, Change)> {
        (0..6).map(|week| (day(7 * week + 1), Change::Dose { added_mg_l: 4.12 })).collect()
    }

    fn with_kits(mut changes: Vec<(Timestamp, Change)>, first: f64, last: f64) -> Vec<(Timestamp, Change)> {
        changes.push((day(0), Change::Kit(first)));
        changes.push((day(42), Change::Kit(last)));
        changes.sort_by_key(|(at, _)| *at);
        changes
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 0.02
    }

    #[test]
    fn doses_add_up_and_nitrification_takes() {
        let mut changes = six_doses();
        // 100 kg of 35 % protein in 7,500 m3: 35 kg x 0.144 = 5.04 kg N = 0.672 mg/L; x 7.146 = 4.80 mg/L as CaCO3.
        changes.push((day(20), Change::Feed { kg: 100.0, protein_percent: 35.0, volume_m3: 7_500.0 }));
        let own = balance(Mineral::Alkalinity, &with_kits(changes.clone(), 110.0, 125.0), None).unwrap();
        assert!(close(own.doses_mg_l, 24.72) && close(own.nitrified_mg_l, 4.80), "{own:?}");
        let (low, high) = own.expected_mg_l.unwrap();
        assert!(close(low, 105.20) && close(high, 134.72), "{own:?}");
        assert_eq!(own.agreement, Some(Agreement::Within));
        // Nitrification takes no hardness.
        let own = balance(Mineral::Hardness, &with_kits(changes, 110.0, 125.0), None).unwrap();
        assert_eq!(own.nitrified_mg_l, 0.0);
    }

    #[test]
    fn what_is_not_recorded_shows() {
        // 24.72 at most came in; 110 to 150 is 40, and a kit's step of 10 does not bridge it.
        let own = balance(Mineral::Alkalinity, &with_kits(six_doses(), 110.0, 150.0), None).unwrap();
        assert_eq!(own.agreement, Some(Agreement::Above));
        let own = balance(Mineral::Alkalinity, &with_kits(six_doses(), 110.0, 95.0), None).unwrap();
        assert_eq!(own.agreement, Some(Agreement::Below));
    }

    #[test]
    fn one_small_dose_is_less_than_a_kit_shows() {
        let changes = vec![(day(3), Change::Dose { added_mg_l: 4.12 })];
        let own = balance(Mineral::Alkalinity, &with_kits(changes.clone(), 110.0, 118.0), None).unwrap();
        assert_eq!(own.agreement, Some(Agreement::TooLittle));
        // Six doses in hardness of 3,000: a kit tells 150 of that at best.
        let own = balance(Mineral::Hardness, &with_kits(six_doses(), 3_000.0, 3_120.0), None).unwrap();
        assert_eq!(own.agreement, Some(Agreement::TooLittle));
    }

    #[test]
    fn exchanged_water_takes_doses_with_it_and_brings_its_own() {
        // A dose of 20, then half of the water replaced by such of 80: 0.5 x 110 + 0.5 x 80 + 10 = 105.
        let changes =
            vec![(day(1), Change::Dose { added_mg_l: 20.0 }), (day(2), Change::Exchange { share: 0.5 })];
        let changes = with_kits(changes, 110.0, 104.0);
        let own = balance(Mineral::Alkalinity, &changes, Some(80.0)).unwrap();
        assert_eq!(own.expected_mg_l, Some((95.0, 105.0)));
        assert!(close(own.doses_mg_l, 10.0) && close(own.exchanged_share, 0.5));
        let unknown = balance(Mineral::Alkalinity, &changes, None).unwrap();
        assert_eq!((unknown.expected_mg_l, unknown.agreement), (None, None));
    }

    #[test]
    fn two_kit_values_are_needed_and_what_lies_outside_them_does_not_count() {
        assert_eq!(balance(Mineral::Alkalinity, &six_doses(), None), None);
        assert_eq!(balance(Mineral::Alkalinity, &[(day(0), Change::Kit(100.0)); 2], None), None);
        let mut changes = with_kits(Vec::new(), 110.0, 112.0);
        changes.push((day(43), Change::Dose { added_mg_l: 50.0 }));
        assert_eq!(balance(Mineral::Alkalinity, &changes, None).unwrap().doses_mg_l, 0.0);
    }
}
