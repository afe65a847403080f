//! A forecast read out as a sum that a person can check: last night's low, and what speaks for more or
//! less tonight.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::witness::Witnesses;
use crate::regression::Terms;
use crate::said::{Said, said, tenth};

/// Terms that say one thing to a person: what each adds, together.
const TERMS: [&[usize]; 5] = [&[0, 1], &[2, 3], &[4], &[5, 6, 9], &[7, 8]];

/// What a part of the sum says by adding or by taking away: those of [`TERMS`] in their order, then aeration.
fn reason(place: usize, adds: bool) -> Said {
    match (place, adds) {
        (0, true) => said!("basis-lows-higher", "lows have mostly been higher"),
        (0, false) => said!("basis-lows-lower", "lows have mostly been lower"),
        (1, true) => said!("basis-holds-more", "the water holds more oxygen"),
        (1, false) => said!("basis-holds-less", "the water holds less oxygen"),
        (2, true) => said!("basis-day-more", "there was more oxygen by day"),
        (2, false) => said!("basis-day-less", "there was less oxygen by day"),
        (3, true) => said!("basis-stands-higher", "oxygen stands higher than usual for the hour"),
        (3, false) => said!("basis-stands-lower", "oxygen stands lower than usual for the hour"),
        (4, true) => said!("basis-course-higher", "this evening's course leads higher"),
        (4, false) => said!("basis-course-lower", "this evening's course leads lower"),
        (_, true) => said!("basis-aeration-more", "more aeration runs than then"),
        (_, false) => said!("basis-aeration-less", "less aeration runs than then"),
    }
}

fn tenths(mg_l: f64) -> i64 {
    libm::round(mg_l.clamp(-1e6, 1e6) * 10.0) as i64
}

fn written(tenths: i64) -> String {
    format!("{}.{}", tenths / 10, tenths % 10)
}

/// Rounds parts to tenths so that together they are as far from their exact sum as rounding it once is:
/// what rounding loses goes to the parts that it hurt most.
fn rounded_to(parts: &[f64], sum: i64) -> Vec<i64> {
    let mut whole: Vec<i64> = parts.iter().map(|&part| tenths(part)).collect();
    let mut left = sum - whole.iter().sum::<i64>();
    let mut order: Vec<usize> = (0..parts.len()).collect();
    let lost = |whole: &[i64], at: usize| {
        parts.get(at).copied().unwrap_or(0.0) * 10.0 - whole.get(at).copied().unwrap_or(0) as f64
    };
    order.sort_by(|&a, &b| lost(&whole, b).total_cmp(&lost(&whole, a)));
    let towards = left.signum();
    let places: Vec<usize> = if left < 0 { order.into_iter().rev().collect() } else { order };
    for place in places {
        if left == 0 {
            break;
        }
        if let Some(part) = whole.get_mut(place) {
            *part += towards;
            left -= towards;
        }
    }
    whole
}

/// The sentence. `low_mg_l` is what the forecast says in the end, after it was kept between nothing and
/// the lowest already seen.
/// `shifted_mg_l` is what other aeration than last night's makes of it.
pub(super) fn basis(
    witnesses: &Witnesses,
    weights: &Terms,
    shifted_mg_l: f64,
    low_mg_l: f64,
    has_farm: bool,
) -> Said {
    let Some(memory) = witnesses.memory else { return first_night(witnesses, low_mg_l) };
    let terms = witnesses.terms();
    let part = |of: &[usize]| -> f64 {
        of.iter().filter_map(|&place| Some(weights.get(place)? * terms.get(place)?)).sum()
    };
    let mut corrections: Vec<f64> = TERMS.iter().map(|of| part(of)).collect();
    corrections.push(shifted_mg_l);
    let estimate = memory.last_low + corrections.iter().sum::<f64>();
    let sum = tenths(estimate) - tenths(memory.last_low);
    let last_low = written(tenths(memory.last_low).max(0));
    let mut parts = alloc::vec![match memory.nights_ago {
        ..=1 => said!("basis-last-night", "last night's low {low}", low = last_low),
        nights => said!(
            "basis-nights-ago",
            "the low {nights} nights ago {low}",
            nights = format!("{nights}"),
            low = last_low
        ),
    }];
    for (place, tenths) in rounded_to(&corrections, sum).into_iter().enumerate().filter(|(_, own)| *own != 0)
    {
        let by = format!("{}{}", if tenths > 0 { "+" } else { "-" }, written(tenths.abs()));
        parts.push(said!("basis-as", "{by} as {why}", by = by, why = reason(place, tenths > 0)));
    }
    let low = tenths(low_mg_l);
    if tenths(estimate) < low {
        parts.push(said!("basis-not-below", "and not below {low}", low = written(low)));
    } else if tenths(estimate) > low {
        parts.push(said!("basis-not-above", "and not above {low}, seen already", low = written(low)));
    }
    let nights = match memory.nights {
        1 => said!("basis-one-night", "one night"),
        nights => said!("basis-nights", "{nights} nights", nights = format!("{nights}")),
    };
    let farm = if has_farm && memory.nights < 7 {
        said!("basis-farm", " and what the farm's other ponds taught")
    } else {
        Said::default()
    };
    said!(
        "basis-from",
        "{sum}; from {nights} of this pond{farm}",
        sum = Said::joined(parts, ", "),
        nights = nights,
        farm = farm
    )
}

/// Where the pond has no night behind it yet.
fn first_night(witnesses: &Witnesses, low_mg_l: f64) -> Said {
    let usual = tenth(witnesses.usual_mg_l);
    match (witnesses.balance_mg_l, witnesses.exponential_mg_l) {
        (Some(balance), _) if witnesses.has_timers => said!(
            "basis-first-timers",
            "no night of this pond is known yet: what it used up this evening, drawn towards what ponds usually use up, leads to {balance} mg/L with the aerators that run and those that timers switch",
            balance = tenth(balance)
        ),
        (Some(balance), _) => said!(
            "basis-first-balance",
            "no night of this pond is known yet: what it used up this evening, drawn towards what ponds usually use up, leads to {balance} mg/L with the aerators that run",
            balance = tenth(balance)
        ),
        (None, Some(course)) => said!(
            "basis-first-course",
            "no night of this pond is known yet: this evening's course leads to {course} mg/L and a usual fall in ponds to {usual}, together {low}",
            course = tenth(course),
            usual = usual,
            low = tenth(low_mg_l)
        ),
        (None, None) => said!(
            "basis-first",
            "no night of this pond is known yet, and too little of this evening: a usual fall in ponds leads to {usual} mg/L",
            usual = usual
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::super::witness::Memory;
    use super::*;

    fn tonight() -> Witnesses {
        Witnesses {
            oxygen_mg_l: 6.2,
            half_hour_mg_l: 6.2,
            hours_seen: 3.0,
            hours_left: 9.0,
            line_mg_l: None,
            exponential_mg_l: None,
            balance_mg_l: None,
            has_timers: false,
            usual_mg_l: 4.0,
            day_mg_l: Some(8.0),
            saturation_mg_l: Some(6.26),
            memory: Some(Memory {
                last_low: 3.5,
                usual_low: 3.88,
                mean_low: 3.88,
                last_fall: None,
                usual_fall: None,
                usual_share: None,
                last_saturation: Some(6.6),
                usual_saturation: Some(6.6),
                last_day: Some(9.0),
                nights: 6,
                nights_ago: 1,
            }),
        }
    }

    /// By hand: twice 0.5 · 0.38 is +0.38, twice 0.5 · -0.34 is -0.34, 0.33 · -1 is -0.33; together 3.21.
    /// Rounded one by one they would make 3.3: the one that rounding raised most is told a tenth lower.
    #[test]
    fn what_is_told_adds_up() {
        let weights = [0.5, 0.5, 0.5, 0.5, 0.33, 0.0, 0.0, 0.0, 0.0, 0.0];
        assert_eq!(
            basis(&tonight(), &weights, 0.0, 3.21, false).english(),
            "last night's low 3.5, +0.4 as lows have mostly been higher, -0.4 as the water holds less oxygen, \
             -0.3 as there was less oxygen by day; from 6 nights of this pond"
        );
    }

    #[test]
    fn bounds_are_told() {
        let weights = [0.0; 10];
        assert!(
            basis(&tonight(), &weights, 0.0, 3.1, false)
                .ends_with(", and not above 3.1, seen already; from 6 nights of this pond")
        );
        let lower = [0.0, 0.0, 6.0, 6.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        assert!(basis(&tonight(), &lower, 0.0, 0.0, false).contains("and not below 0.0"));
    }

    #[test]
    fn a_low_of_longer_ago_is_not_called_last_nights() {
        let mut gap = tonight();
        gap.memory = gap.memory.map(|memory| Memory { nights_ago: 3, ..memory });
        assert!(basis(&gap, &[0.0; 10], 0.0, 3.5, false).starts_with("the low 3 nights ago 3.5"));
    }

    #[test]
    fn a_first_night_says_that_nothing_is_known() {
        let first = Witnesses { memory: None, ..tonight() };
        assert!(basis(&first, &[0.0; 10], 0.0, 4.0, false).starts_with("no night of this pond is known yet"));
    }

    #[test]
    fn rounding_never_breaks_the_sum() {
        for seed in 0..2_000_i64 {
            let part = |n: i64| ((seed * 7_919 + n * 104_729) % 2_001 - 1_000) as f64 / 700.0;
            let parts: Vec<f64> = (0..5).map(part).collect();
            let sum = tenths(parts.iter().sum());
            let told = rounded_to(&parts, sum);
            assert_eq!(told.iter().sum::<i64>(), sum);
            for (told, part) in told.iter().zip(&parts) {
                assert!((*told as f64 - part * 10.0).abs() < 1.51, "{parts:?}");
            }
        }
    }
}
