//! Sentences of which only the English was kept, found again in the catalogue.
//!
//! The journal keeps the details of the gateway's own faults in English, and so does the audit trail, whose bytes its
//! hashes cover; sources of limits are texts of the configuration. Whatever of it was made by a pattern of the catalogue,
//! or stands there whole, is found by it again, and so can be said in another language. What is not found, such as what
//! a person wrote, is left as it is.

use std::sync::LazyLock;

use super::Words;
use super::choice::ENGLISH;
use super::said::translated;
use crate::local::said::{PutInStatus, SaidStatus};

/// Fewer letters in a pattern beside what is put in would be found in too much.
const FEWEST_LETTERS: usize = 5;

/// What is put in may be such a sentence itself, so deep.
const DEPTH: usize = 6;

/// Single words of the audit trail: what was done, to what, what it was and became; states of alarms are their ids.
pub(crate) const AUDIT_WORDS: [&str; 53] = [
    "configuration",
    "while running",
    "stop",
    "start",
    "hand reading",
    "diary",
    "trial",
    "limit",
    "low-oxygen limit",
    "setting",
    "acknowledge",
    "shelve",
    "unshelve",
    "reset",
    "clock step",
    "wall clock",
    "refused",
    "return to service",
    "out of service",
    "in service",
    "shelved",
    "trail begins",
    "software version",
    "store",
    "salvage",
    "made from another",
    "service step",
    "cleaned",
    "calibration",
    "horn test",
    "horn",
    "call",
    "done",
    "left out",
    "failed",
    "keeping",
    "clock",
    "trust",
    "input set aside",
    "sound",
    "calling",
    "machine",
    "fault",
    "over",
    "adopt the adjustment",
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned-unacknowledged",
    "latched-unacknowledged",
    "latched-acknowledged",
    "suppressed-by-design",
    "out-of-service",
];

/// The key of a single word of the audit trail.
pub(crate) fn audit_key(word: &str) -> String {
    format!("audit-word-{}", word.replace(' ', "-"))
}

/// A text of which the English was kept, in this language as far as it is known.
pub fn recognised(words: Words, english: &str) -> String {
    if words.code() == super::english().code() {
        return english.to_owned();
    }
    found(english, DEPTH).map_or_else(|| english.to_owned(), |said| translated(words, &said))
}

/// A field of the audit trail: a word of its own, the state of an alarm, or a sentence.
pub fn audit_field(words: Words, english: &str) -> String {
    if words.code() == super::english().code() {
        return english.to_owned();
    }
    let own = if AUDIT_WORDS.contains(&english) { words.find(&audit_key(english)) } else { None };
    own.unwrap_or_else(|| recognised(words, english))
}

/// A part of the gateway, as `status` has it: `bus east`.
pub fn part(words: Words, told: &str) -> String {
    let (part, which) = told.split_once(' ').unwrap_or((told, ""));
    let named = words.find(&format!("part-{part}")).unwrap_or_else(|| part.to_owned());
    if which.is_empty() { named } else { format!("{named} {which}") }
}

enum Part {
    Text(String),
    PutIn(String),
}

struct Pattern {
    key: String,
    parts: Vec<Part>,
    letters: usize,
}

static PATTERNS: LazyLock<Vec<Pattern>> = LazyLock::new(|| {
    let lines = ENGLISH.lines().filter(|line| line.starts_with(|first: char| first.is_ascii_alphabetic()));
    let patterns = lines.filter_map(|line| line.split_once(" = "));
    let mut all: Vec<Pattern> =
        patterns.filter(|(key, _)| is_kept(key)).filter_map(|(key, text)| pattern(key, text)).collect();
    // Of several that fit the one that says most of it.
    all.sort_by_key(|own| std::cmp::Reverse(own.letters));
    all
});

/// Texts of the console's own pages are never kept; names of alarms are.
fn is_kept(key: &str) -> bool {
    static SAID: LazyLock<std::collections::BTreeSet<&str>> = LazyLock::new(|| {
        let said = include_str!("../console/texts/said-en.ftl");
        said.lines().filter_map(|line| line.split_once(" = ")).map(|(key, _)| key).collect()
    });
    // Single words would be found in names.
    key.starts_with("alarm-") || (SAID.contains(key) && !key.starts_with("audit-word-"))
}

fn pattern(key: &str, text: &str) -> Option<Pattern> {
    let mut parts: Vec<Part> = Vec::new();
    let mut rest = text;
    let mut put = |text: &str| match parts.last_mut() {
        Some(Part::Text(before)) => before.push_str(text),
        _ if !text.is_empty() => parts.push(Part::Text(text.to_owned())),
        _ => {}
    };
    let mut names = Vec::new();
    while let Some((before, after)) = rest.split_once('{') {
        put(before);
        let (inner, behind) = after.split_once('}')?;
        let inner = inner.trim();
        match inner.strip_prefix('$') {
            Some(name) => {
                // A mark that no text has, until the parts are known.
                put("\u{0}");
                names.push(name.to_owned());
            }
            None => put(inner.trim_matches('"')),
        }
        rest = behind;
    }
    put(rest);
    let whole: String =
        parts.iter().map(|part| if let Part::Text(text) = part { text } else { "" }).collect();
    let mut parts = Vec::new();
    let mut names = names.into_iter();
    for (place, text) in whole.split('\u{0}').enumerate() {
        if place > 0 {
            // Two that are put in with nothing between them cannot be told apart.
            if matches!(parts.last(), Some(Part::PutIn(_))) {
                return None;
            }
            parts.push(Part::PutIn(names.next()?));
        }
        if !text.is_empty() {
            parts.push(Part::Text(text.to_owned()));
        }
    }
    let letters = whole.chars().filter(|letter| letter.is_alphabetic()).count();
    let is_whole = parts.iter().all(|part| matches!(part, Part::Text(_)));
    let is_told = match is_whole {
        // Single words would be found in names, but for what is tested in water.
        true => whole.contains(' ') || key.starts_with("water-"),
        false => {
            letters >= FEWEST_LETTERS
                || is_list(key)
                || ["audit-", "length-"].iter().any(|own| key.starts_with(own))
        }
    };
    is_told.then(|| Pattern { key: key.to_owned(), parts, letters })
}

/// A pattern with no letters of its own: it is found only where what it lists is.
fn is_list(key: &str) -> bool {
    key == "refused-list"
}

fn found(english: &str, depth: usize) -> Option<SaidStatus> {
    let depth = depth.checked_sub(1)?;
    PATTERNS.iter().find_map(|own| {
        let texts = fits(&own.parts, english)?;
        let names = own.parts.iter().filter_map(|part| match part {
            Part::PutIn(name) => Some(name.clone()),
            Part::Text(_) => None,
        });
        let put_in = |name: &str, text: &str| {
            // The kind of an entry is a word, and its name says so.
            let kind = if name == "kind" { Some(format!("kind-{text}")) } else { None };
            match kind.filter(|key| super::english().has(key)) {
                Some(key) => {
                    PutInStatus::Said(SaidStatus { key, english: text.to_owned(), with: Vec::new() })
                }
                None => {
                    found(text, depth).map_or_else(|| PutInStatus::Text(text.to_owned()), PutInStatus::Said)
                }
            }
        };
        let with: Vec<_> = names
            .zip(texts)
            .map(|(name, text)| {
                let put_in = put_in(&name, text);
                (name, put_in)
            })
            .collect();
        if is_list(&own.key) && !matches!(with.first(), Some((_, PutInStatus::Said(_)))) {
            return None;
        }
        Some(SaidStatus { key: own.key.clone(), english: english.to_owned(), with })
    })
}

/// What was put in, in order, if a text is made of these parts.
///
/// A text between two takes its first place: what follows it could be found behind a later place only where it can behind
/// the first, since what is put in may be anything. All ways of cutting a long text are never tried.
fn fits<'t>(parts: &[Part], text: &'t str) -> Option<Vec<&'t str>> {
    let (mut put_in, mut rest) = (Vec::new(), text);
    for (place, part) in parts.iter().enumerate() {
        let length = match (part, parts.get(place + 1..).unwrap_or_default()) {
            (Part::Text(own), _) => {
                rest = rest.strip_prefix(own.as_str())?;
                continue;
            }
            (Part::PutIn(_), []) => rest.len(),
            (Part::PutIn(_), [Part::Text(last)]) => rest.strip_suffix(last.as_str())?.len(),
            (Part::PutIn(_), [Part::Text(next), ..]) => {
                let first = rest.chars().next()?.len_utf8();
                first + rest.get(first..)?.find(next.as_str())?
            }
            (Part::PutIn(_), [Part::PutIn(_), ..]) => return None,
        };
        let (own, after) = rest.split_at_checked(length).filter(|(own, _)| !own.is_empty())?;
        put_in.push(own);
        rest = after;
    }
    rest.is_empty().then_some(put_in)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::texts::{Choice, chosen, english};

    fn spanish() -> Words {
        chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()
    }

    #[test]
    fn what_was_said_by_a_pattern_is_found_by_it_again() {
        let told = "serial port /dev/ttyUSB0 cannot be opened: No such file or directory (not plugged in, or held by \
                    another program); the probes of bus east are not read until it can";
        assert_eq!(
            recognised(spanish(), told),
            "no se puede abrir el puerto serie /dev/ttyUSB0: no existe el archivo o dispositivo (no está enchufado, o lo \
             tiene otro programa); mientras tanto no se leen las sondas del bus east"
        );
        assert_eq!(recognised(english(), told), told);
        let told = "nothing is being kept: /data/store: No space left on device (os error 28). Alarms go on, but a power \
                    cut now would lose the readings since.";
        assert!(
            recognised(spanish(), told).contains("no se está guardando nada"),
            "{}",
            recognised(spanish(), told)
        );
        // Names of alarms, with what they are of.
        assert_eq!(recognised(spanish(), "Serial bus east faulty"), "Falla el bus serie east");
    }

    #[test]
    fn what_a_person_wrote_is_left_as_it_is() {
        for own in ["", "cleaned the probe, Ana", "mg/L", "12.5", "p1-oxygen", "según el asesor", "a: b"] {
            assert_eq!(recognised(spanish(), own), own);
        }
    }

    /// Tried in all ways, this would take longer than anybody waits.
    #[test]
    fn a_long_text_that_nearly_fits_is_soon_passed_over() {
        let commas = ", ".repeat(20_000);
        for own in [
            format!("a against b{commas} should c{commas} to {commas}, at least"),
            format!("a: b{commas}: {commas}, c"),
        ] {
            assert_eq!(recognised(spanish(), &own), own);
        }
    }

    #[test]
    fn words_of_the_audit_trail_have_their_own() {
        assert_eq!(audit_field(spanish(), "low-oxygen limit"), "límite de oxígeno bajo");
        assert_eq!(audit_field(english(), "low-oxygen limit"), "low-oxygen limit");
        assert_eq!(audit_field(spanish(), "p1/do_mg_l"), "p1/do_mg_l");
    }
}
