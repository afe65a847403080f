//! Kinds of entries, their fields and units as they are told: English has the words of commands and files, other
//! languages those of the console.

use alloc::string::String;
use alloc::vec::Vec;

use super::entry::Kind;
use crate::said::Said;

/// A kind of entry.
pub(crate) fn kind_said(kind: Kind) -> Said {
    let key = match kind {
        Kind::Dose => "kind-dose",
        Kind::Feed => "kind-feed",
        Kind::Drain => "kind-drain",
        Kind::Exchange => "kind-exchange",
        Kind::Sampling => "kind-sampling",
        Kind::Stocking => "kind-stocking",
        Kind::Mortality => "kind-mortality",
        Kind::Harvest => "kind-harvest",
        Kind::Sludge => "kind-sludge",
        Kind::Count => "kind-count",
        Kind::Weather => "kind-weather",
        Kind::Cost => "kind-cost",
        Kind::Price => "kind-price",
        Kind::Note => "kind-note",
        Kind::Disturbance => "kind-disturbance",
        Kind::Withdrawal => "kind-withdrawal",
    };
    Said::new(String::from(kind.id()), key, Vec::new())
}

/// A field of an entry by its name in commands.
pub(super) fn named(name: &str) -> Said {
    let key = match name {
        "kg" => "named-kg",
        "tray_left_percent" => "named-tray-left",
        "count" => "named-count",
        "grams" => "named-grams",
        "the average body weight" | "abw_g" => "named-body-weight",
        "price_per_kg" => "named-price",
        "ph" => "named-ph",
        "orp_mv" => "named-redox",
        "depth_cm" => "named-thickness",
        "left" => "named-left",
        "delivered" => "named-delivered",
        "container_kg" => "named-container-kg",
        "containers" => "named-containers",
        "amount" => "named-amount",
        "slurry_kg" => "named-slurry-kg",
        "slurry_l" => "named-slurry-l",
        "level_before_m" => "named-level-before",
        "level_after_m" => "named-level-after",
        "refilled_to_m" => "named-refilled",
        "volume_m3" => "named-volume",
        "species" => "named-species",
        "lot" => "named-lot",
        "size" => "named-size",
        "method" => "named-method",
        "item" => "named-item",
        "per" => "named-per",
        "the reason" => "named-reason",
        "the text" => "named-text",
        "what disturbed the pond" => "named-disturbance",
        _ => return Said::plain(name),
    };
    Said::new(String::from(name), key, Vec::new())
}

/// A unit of a field.
pub(super) fn unit_said(unit: &str) -> Said {
    let key = match unit {
        "shrimp" => "unit-shrimp",
        "containers" => "unit-containers",
        "per kg" => "unit-per-kg",
        _ => return Said::plain(unit),
    };
    Said::new(String::from(unit), key, Vec::new())
}
