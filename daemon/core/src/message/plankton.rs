//! What is said of the plankton.

use crate::metabolism::{Bloom, Crash};
use crate::said::{Said, fixed, said, tenth};

/// The production collapsed.
pub(super) fn crashed(place: &str, crash: Option<Crash>) -> Said {
    let todo = said!(
        "crash-do",
        "Look at the water's colour. If it has cleared or browned: all aerators, cut feed, exchange part of the water, test TAN. Do not lime or fertilise at once."
    );
    let Some(crash) = crash else {
        return said!(
            "said-crash-unknown",
            "{place}: the plankton may have crashed. {todo}",
            place = place,
            todo = todo
        );
    };
    let others = crash
        .others_share
        .map(|share| {
            said!("crash-others", "; other ponds made {share} % of theirs", share = fixed(share * 100.0, 0))
        })
        .unwrap_or_default();
    let acid = crash
        .ph_share
        .map(|share| {
            let share = fixed(share.max(0.0) * 100.0, 0);
            said!("crash-ph", ", pH rose by {share} % of the usual by day", share = share)
        })
        .unwrap_or_default();
    let cleared = if crash.has_cleared {
        said!("crash-cleared", "; the disc vanishes much deeper than the day before")
    } else {
        Said::default()
    };
    said!(
        "said-crash",
        "{place}: the plankton may have crashed: the day's oxygen production was {made} mg/L, usual is {usual}; the night's respiration is {night} times the usual{acid}{others}{cleared}. {todo}",
        place = place,
        made = tenth(crash.production_mg_l),
        usual = tenth(crash.usual_mg_l),
        night = tenth(crash.night_share),
        acid = acid,
        others = others,
        cleared = cleared,
        todo = todo
    )
}

/// The production rose for days.
pub(super) fn blooms(place: &str, bloom: Option<Bloom>) -> Said {
    let todo = said!(
        "bloom-do",
        "Less feed, exchange part of the water, aerate more at night. Dose nothing alkaline in the afternoon."
    );
    let Some(bloom) = bloom else {
        return said!(
            "said-bloom-unknown",
            "{place}: the plankton blooms. {todo}",
            place = place,
            todo = todo
        );
    };
    let (low, high) = bloom.do_range_mg_l;
    said!(
        "said-bloom",
        "{place}: the plankton blooms: the day's oxygen production is {made} mg/L, {usual} the days before; oxygen went from {low} to {high} mg/L within a day. {todo}",
        place = place,
        made = tenth(bloom.production_mg_l),
        usual = tenth(bloom.usual_mg_l),
        low = tenth(low),
        high = tenth(high),
        todo = todo
    )
}
