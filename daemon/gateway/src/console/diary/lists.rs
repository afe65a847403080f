//! What the form of the diary asks for: the kinds of entries, their fields, and what is chosen by its number.

use crate::texts::Words;

/// What can be chosen, as the daemon keeps it, with the word its keys begin with.
pub(crate) type Choices = (&'static str, &'static [&'static str]);

/// What a field takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sort {
    /// A number.
    Number,
    /// A time of day on the farm.
    Time,
    /// One of these, by its number.
    Choice(Choices),
    /// One of the lots in the configuration, by its number.
    Lot,
}

/// One field: keys of what it is and of what to mind.
pub(crate) type Field = (&'static str, &'static str, Sort);

/// A kind of entry and its fields.
pub(crate) type Kind = (&'static str, &'static [Field]);

const WATER: &[Field] = &[
    ("field-level-before", "hint-m", Sort::Number),
    ("field-level-after", "hint-level-after", Sort::Number),
    ("field-filled-to", "hint-filled-to", Sort::Number),
    ("field-or-volume", "hint-volume", Sort::Number),
    ("field-ended-at", "hint-time", Sort::Time),
];

const WEATHERS: Choices = (
    "weather",
    &["clear", "part cloud", "overcast", "rain", "heavy rain", "storm", "hot and still", "windy", "fog"],
);

const NOTES: Choices = (
    "note",
    &[
        "shrimp at the surface or the edge",
        "water colour changed",
        "foam or dead algae",
        "power was out",
        "generator ran",
        "feeder or aerator repaired",
        "bad smell at the bottom",
        "adviser called",
        "visitors at the ponds",
    ],
);

const COSTS: Choices =
    ("cost", &["feed", "power", "fuel", "labour", "post-larvae", "slurry", "repair", "treatment", "other"]);

const ENDS: Choices = ("harvest", &["partial: some stay", "final: the pond is empty"]);

const METHODS: Choices = ("method", &["in place", "in a sample", "diluted 1:1"]);

/// Why containers are gone that were given to no pond.
const GONE: Choices =
    ("gone", &["spilled or spoilt", "lent or sold", "sent back", "thrown away", "counted wrongly before"]);

/// Why a dose was given against advice.
pub(crate) const DOSED: Choices = (
    "dosed",
    &[
        "the adviser approved it",
        "the farm manager ordered it",
        "pH and ammonia measured since are lower",
        "alkalinity or the bottom was too bad to wait",
        "by mistake",
    ],
);

const PRICED: Choices = ("priced", &["shrimp", "feed", "slurry", "power"]);

/// Everything that can be chosen.
pub(crate) const CHOICES: [Choices; 8] = [WEATHERS, NOTES, COSTS, ENDS, METHODS, GONE, DOSED, PRICED];

/// The kinds, those of every day first.
pub(crate) const KINDS: [Kind; 14] = [
    ("feed", &[("field-feed", "hint-kg", Sort::Number), ("field-tray-left", "hint-tray-left", Sort::Number)]),
    (
        "dose",
        &[
            ("field-slurry", "hint-weighed", Sort::Number),
            ("field-or-slurry", "hint-measured-out", Sort::Number),
            ("field-containers", "hint-containers", Sort::Number),
            ("field-lot", "", Sort::Lot),
            ("field-ended-at", "hint-time", Sort::Time),
        ],
    ),
    ("drain", WATER),
    ("exchange", WATER),
    (
        "sampling",
        &[("field-shrimp", "hint-counted", Sort::Number), ("field-weight", "hint-together", Sort::Number)],
    ),
    (
        "mortality",
        &[("field-dead", "hint-counted", Sort::Number), ("field-or-dead", "hint-kg", Sort::Number)],
    ),
    (
        "harvest",
        &[
            ("field-harvested", "hint-kg", Sort::Number),
            ("field-body-weight", "hint-body-weight", Sort::Number),
            ("field-price", "hint-price", Sort::Number),
            ("field-which", "", Sort::Choice(ENDS)),
        ],
    ),
    ("weather", &[("field-weather", "", Sort::Choice(WEATHERS))]),
    ("note", &[("field-note", "", Sort::Choice(NOTES))]),
    (
        "sludge",
        &[
            ("field-ph", "", Sort::Number),
            ("field-redox", "hint-mv", Sort::Number),
            ("field-thickness", "hint-cm", Sort::Number),
            ("field-measured", "", Sort::Choice(METHODS)),
        ],
    ),
    (
        "count",
        &[
            ("field-left", "hint-left", Sort::Number),
            ("field-delivered", "hint-delivered", Sort::Number),
            ("field-lot", "", Sort::Lot),
            ("field-gone", "", Sort::Choice(GONE)),
        ],
    ),
    (
        "stocking",
        &[
            ("field-stocked", "hint-thousands", Sort::Number),
            ("field-body-weight", "hint-body-weight", Sort::Number),
        ],
    ),
    ("cost", &[("field-for", "", Sort::Choice(COSTS)), ("field-spent", "hint-in-all", Sort::Number)]),
    ("price", &[("field-of", "", Sort::Choice(PRICED)), ("field-price", "hint-price-of", Sort::Number)]),
];

/// Key of one of a list.
pub(crate) fn choice_key(list: &str, place: usize) -> String {
    format!("{list}-{}", place + 1)
}

/// What somebody chose from a list of the form, as a person reads it; anything else as it is.
pub(crate) fn choice_words(words: Words, kept: &str) -> String {
    let found = CHOICES
        .iter()
        .find_map(|(list, own)| own.iter().position(|own| *own == kept).map(|place| choice_key(list, place)));
    found.map_or_else(|| kept.to_owned(), |key| words.get(&key))
}
