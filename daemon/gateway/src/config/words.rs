//! How things of a configuration file are named to a person: cut where long, in quotes where odd, with a
//! guess where misspelt.

use pondreeve_core::said::said;
use toml::de::DeValue;

/// What a person would call what stands there.
pub fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {}", quoted(text)),
        DeValue::Integer(number) => format!("the whole number {}", cut(&number.to_string())),
        DeValue::Float(number) => format!("the number {}", cut(&number.to_string())),
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(time) => format!("the date or time {time}"),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// Longest piece of a file that is repeated in a message, characters.
const LONGEST_REPEATED: usize = 60;

fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST_REPEATED) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// Text in quotes, cut if long, with nothing in it that steers a terminal.
pub fn quoted(text: &str) -> String {
    match text.char_indices().nth(LONGEST_REPEATED) {
        Some((end, _)) => format!("{:?}… ({} bytes)", &text[..end], text.len()),
        None => format!("{text:?}"),
    }
}

/// A key as it stands in a key path: in quotes where it is not one that a person would write.
pub(super) fn step(key: &str) -> String {
    let plain = !key.is_empty()
        && key.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_');
    if plain && key.len() <= LONGEST_REPEATED { key.to_owned() } else { quoted(key) }
}

/// The candidate that was probably meant, if one is near enough.
pub fn nearest<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // Comparing takes time that grows with the length; nobody misspells an id into a page of text.
    if found.len() > LONGEST_REPEATED {
        return None;
    }
    let found = found.to_lowercase();
    candidates
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(&found, candidate), candidate))
        .filter(|(distance, candidate)| {
            *distance <= (candidate.chars().count() / 3).max(1)
                || (found.len() >= 3 && (candidate.starts_with(&found) || found.starts_with(candidate)))
        })
        .min()
        .map(|(_, candidate)| candidate)
}

/// "did you mean" for an unknown name; `None` where nothing is near.
pub fn did_you_mean<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    nearest(found, candidates).map(|near| said!("did-you-mean", "did you mean `{near}`?", near = near).into())
}

/// Several names as a person lists them; `none` where there are none.
pub fn listed<'c>(names: impl IntoIterator<Item = &'c str>) -> String {
    let names: Vec<String> = names.into_iter().map(|name| format!("`{name}`")).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

/// Host and port of a server, as `192.168.1.50:502` or `[::1]:502`; `None` where it is none.
pub(crate) fn host_and_port(text: &str) -> Option<(String, u16)> {
    let (host, port) = text.rsplit_once(':')?;
    let port = port.parse().ok().filter(|port| *port > 0)?;
    let host = host.trim_start_matches('[').trim_end_matches(']');
    let is_host = !host.is_empty() && !host.contains([' ', '/', '@']);
    is_host.then(|| (host.to_owned(), port))
}

/// Whether a text can be an id in commands, topics and file names.
pub fn is_id(text: &str) -> bool {
    (1..=32).contains(&text.len())
        && text
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-' || byte == b'_')
        && text.starts_with(|first: char| first.is_ascii_alphanumeric())
}

#[cfg(test)]
mod tests {
    use super::{did_you_mean, is_id, quoted, step};

    #[test]
    fn guesses_are_near_or_none() {
        let keys = ["latitude", "longitude", "depth_m", "poll_every", "id"];
        assert_eq!(did_you_mean("Lattitude", keys).as_deref(), Some("did you mean `latitude`?"));
        assert_eq!(did_you_mean("depth", keys).as_deref(), Some("did you mean `depth_m`?"));
        assert_eq!(did_you_mean("colour", keys), None);
        assert_eq!(did_you_mean(&"x".repeat(100_000), keys), None);
    }

    #[test]
    fn nothing_odd_reaches_a_terminal() {
        assert_eq!(step("depth_m"), "depth_m");
        assert_eq!(step("a.b"), "\"a.b\"");
        assert_eq!(quoted("\u{1b}[2J\u{9b}"), "\"\\u{1b}[2J\\u{9b}\"");
        assert_eq!(quoted(&"é".repeat(61)), format!("\"{}\"… (122 bytes)", "é".repeat(60)));
    }

    #[test]
    fn ids_fit_into_commands_and_topics() {
        for id in ["p1", "north-line", "a_b", "7"] {
            assert!(is_id(id), "{id}");
        }
        for other in ["", "P1", "p 1", "p/1", "-p", "_p", "p+", "é", &"p".repeat(33)] {
            assert!(!is_id(other), "{other}");
        }
    }
}
