//! What is said of the plankton.

use alloc::format;
use alloc::string::String;

use crate::metabolism::{Bloom, Crash};

/// The production collapsed.
pub(super) fn crashed(place: &str, crash: Option<Crash>) -> String {
    let todo = "Look at the water's colour. If it has cleared or browned: all aerators, cut feed, exchange part of the water, test TAN. Do not lime or fertilise at once.";
    let Some(crash) = crash else {
        return format!("{place}: the plankton may have crashed. {todo}");
    };
    let others = crash
        .others_share
        .map(|share| format!("; other ponds made {:.0} % of theirs", share * 100.0))
        .unwrap_or_default();
    let acid = crash
        .ph_share
        .map(|share| format!(", pH rose by {:.0} % of the usual by day", share.max(0.0) * 100.0))
        .unwrap_or_default();
    format!(
        "{place}: the plankton may have crashed: the day's oxygen production was {:.1} mg/L, usual is {:.1}; the night's respiration is {:.1} times the usual{acid}{others}. {todo}",
        crash.production_mg_l, crash.usual_mg_l, crash.night_share,
    )
}

/// The production rose for days.
pub(super) fn blooms(place: &str, bloom: Option<Bloom>) -> String {
    let todo = "Less feed, exchange part of the water, aerate more at night. Dose nothing alkaline in the afternoon.";
    let Some(bloom) = bloom else {
        return format!("{place}: the plankton blooms. {todo}");
    };
    let (low, high) = bloom.do_range_mg_l;
    format!(
        "{place}: the plankton blooms: the day's oxygen production is {:.1} mg/L, {:.1} the days before; oxygen went from {low:.1} to {high:.1} mg/L within a day. {todo}",
        bloom.production_mg_l, bloom.usual_mg_l,
    )
}
