//! Words, numbers and times as a tired person reads them, and fitting them into a row.
//!
//! Nothing here knows a page. All clock times are the farm's own; all lengths are in terminal columns.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::Offset;
use ratatui::text::Span;

use crate::texts::{Words, english, say};

/// What stands where there is no number.
pub(crate) const NO_VALUE: &str = "--";

/// Columns a text takes.
pub(crate) fn width(text: &str) -> usize {
    Span::raw(text).width()
}

/// The first of these that fits, or the last, cut.
pub(crate) fn first_that_fits(choices: &[&str], columns: usize) -> String {
    for choice in choices {
        if width(choice) <= columns {
            return (*choice).to_owned();
        }
    }
    cut(choices.last().copied().unwrap_or_default(), columns)
}

/// Shortens to `columns`, at a word boundary where one is near, and marks the cut with `..`.
pub(crate) fn cut(text: &str, columns: usize) -> String {
    if width(text) <= columns {
        return text.to_owned();
    }
    if columns <= 2 {
        return ".".repeat(columns);
    }
    let mut kept = String::new();
    for character in text.chars() {
        kept.push(character);
        if width(&kept) > columns - 2 {
            kept.pop();
            break;
        }
    }
    // A cut inside a number would change it: go back to the space before it, and a little further
    // for an ordinary word too, but never lose more than a third.
    if let Some(space) = kept.rfind(' ') {
        let word = kept.get(space + 1..).unwrap_or_default();
        if word.contains(|c: char| c.is_ascii_digit()) || space * 3 >= kept.len() * 2 {
            kept.truncate(space);
        }
    }
    kept.push_str("..");
    kept
}

/// Breaks at spaces into at most `lines` rows of at most `columns`; what does not fit is cut with `..`.
pub(crate) fn wrap(text: &str, columns: usize, lines: usize) -> Vec<String> {
    let mut rows: Vec<String> = Vec::new();
    let mut row = String::new();
    let mut words = text.split_whitespace().peekable();
    while let Some(word) = words.next() {
        let needed = if row.is_empty() { width(word) } else { width(&row) + 1 + width(word) };
        if needed <= columns {
            if !row.is_empty() {
                row.push(' ');
            }
            row.push_str(word);
            continue;
        }
        if rows.len() + 1 >= lines {
            // The last row: let the cut see the rest, so that it breaks where it should.
            for word in std::iter::once(word).chain(words.by_ref()) {
                row.push(' ');
                row.push_str(word);
            }
            row = cut(row.trim_start(), columns);
            break;
        }
        if row.is_empty() {
            rows.push(cut(word, columns));
        } else {
            rows.push(std::mem::take(&mut row));
            row.push_str(&if width(word) > columns { cut(word, columns) } else { word.to_owned() });
        }
    }
    if !row.is_empty() && rows.len() < lines {
        rows.push(row);
    }
    rows
}

/// Makes a text from outside safe to place: no control characters, and only what the terminal can
/// show. Without UTF-8 each character is spelt in ASCII.
pub(crate) fn clean(text: &str, utf8: bool) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        if character.is_control() {
            out.push(' ');
        } else if utf8 || character.is_ascii() {
            out.push(character);
        } else {
            out.push_str(spelt(character));
        }
    }
    out
}

/// How a character is written with ASCII alone.
fn spelt(character: char) -> &'static str {
    match character {
        '°' => "deg ",
        'µ' | 'μ' => "u",
        '–' | '—' | '−' | '‐' | '─' => "-",
        '│' => "|",
        '•' | '·' => "*",
        '×' => "x",
        '±' => "+/-",
        '≥' => ">=",
        '≤' => "<=",
        '→' => "->",
        '‘' | '’' => "'",
        '“' | '”' => "\"",
        '…' => "..",
        '²' | '₂' => "2",
        '³' | '₃' => "3",
        '₄' => "4",
        '½' => "1/2",
        'á' | 'à' | 'â' | 'ä' | 'ã' | 'å' => "a",
        'Á' | 'À' | 'Â' | 'Ä' | 'Ã' | 'Å' => "A",
        'é' | 'è' | 'ê' | 'ë' => "e",
        'É' | 'È' | 'Ê' | 'Ë' => "E",
        'í' | 'ì' | 'î' | 'ï' => "i",
        'Í' | 'Ì' | 'Î' | 'Ï' => "I",
        'ó' | 'ò' | 'ô' | 'ö' | 'õ' | 'ø' => "o",
        'Ó' | 'Ò' | 'Ô' | 'Ö' | 'Õ' | 'Ø' => "O",
        'ú' | 'ù' | 'û' | 'ü' => "u",
        'Ú' | 'Ù' | 'Û' | 'Ü' => "U",
        'ñ' => "n",
        'Ñ' => "N",
        'ç' => "c",
        'Ç' => "C",
        'ß' => "ss",
        'ý' | 'ÿ' => "y",
        'Ý' => "Y",
        // Without its accents Spanish does without these too.
        '¿' | '¡' => "",
        'º' => "o",
        'ª' => "a",
        '«' | '»' => "\"",
        '\u{a0}' | '\u{202f}' | '\u{2009}' => " ",
        _ => "?",
    }
}

/// A number with so many decimals; never `-0.00`, and a number that is none is `--`.
pub(crate) fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NO_VALUE.to_owned();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        _ => text,
    }
}

/// A change with its sign always shown.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = number(value, decimals);
    if value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) { format!("+{text}") } else { text }
}

/// An age in at most four columns: `<1m`, `12m`, `3h`, `2d`.
pub(crate) fn age(seconds: i64) -> String {
    match seconds {
        ..60 => "<1m".to_owned(),
        60..7_200 => format!("{}m", seconds / 60),
        7_200..172_800 => format!("{}h", seconds / 3_600),
        172_800..8_640_000 => format!("{}d", seconds / 86_400),
        _ => ">99d".to_owned(),
    }
}

/// An age in words: `under 1 min`, `12 min`, `3 h 5 min`, `2 days`.
pub(crate) fn age_words(words: Words, seconds: i64) -> String {
    match seconds {
        ..60 => say!(words, "age-under"),
        60..3_600 => say!(words, "age-minutes", minutes = seconds / 60),
        3_600..172_800 => {
            say!(words, "age-hours", hours = seconds / 3_600, minutes = seconds % 3_600 / 60)
        }
        _ => say!(words, "age-days", days = (seconds / 86_400).to_string()),
    }
}

/// What a QARTOD flag means, in one word.
pub(crate) fn quality(words: Words, flag: u8) -> String {
    words.get(match flag {
        1 => "quality-good",
        2 => "quality-unchecked",
        3 => "quality-suspect",
        4 => "quality-failed",
        9 => "quality-missing",
        _ => "quality-unknown",
    })
}

/// The same in at most four columns.
pub(crate) fn quality_short(words: Words, flag: u8) -> String {
    words.get(match flag {
        1 => "quality-short-good",
        2 => "quality-short-unchecked",
        3 => "quality-short-suspect",
        4 => "quality-short-failed",
        9 => "quality-short-missing",
        _ => "quality-short-unknown",
    })
}

/// Farm time: reads the protocol's UTC times and says them as the clock on the wall does.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FarmClock {
    offset: Offset,
    now: Option<Timestamp>,
    words: Words,
}

impl FarmClock {
    /// From the farm's present time and its offset from UTC.
    pub(crate) fn new(now: &str, offset_s: i32) -> Self {
        let offset = Offset::from_seconds(offset_s).unwrap_or(Offset::UTC);
        Self { offset, now: now.parse().ok(), words: english() }
    }

    /// The same clock, read out in another language.
    #[must_use]
    pub(crate) fn read_in(self, words: Words) -> Self {
        Self { words, ..self }
    }

    /// The language it is read out in.
    pub(crate) fn words(self) -> Words {
        self.words
    }

    /// The offset of local time.
    pub(crate) fn offset(self) -> Offset {
        self.offset
    }

    /// Farm time now, if it could be read.
    pub(crate) fn now(self) -> Option<Timestamp> {
        self.now
    }

    /// Five columns: `02:14`.
    pub(crate) fn time(self, at: &str) -> String {
        at.parse::<Timestamp>().map_or_else(|_| "??:??".to_owned(), |at| self.time_of(at))
    }

    /// Five columns: `02:14`.
    pub(crate) fn time_of(self, at: Timestamp) -> String {
        let local = self.offset.to_datetime(at);
        format!("{:02}:{:02}", local.hour(), local.minute())
    }

    /// `02:14`, with the day before it where that is not plain: more than 12 hours from now.
    pub(crate) fn time_and_day(self, at: &str) -> String {
        let Ok(at) = at.parse::<Timestamp>() else { return "??:??".to_owned() };
        let mut text = String::new();
        let apart = self.now.map_or(0, |now| now.as_second().abs_diff(at.as_second()));
        if apart > 12 * 3_600 {
            let local = self.offset.to_datetime(at);
            if apart < 6 * 86_400 {
                let _ = write!(text, "{} ", self.weekday(local.weekday()));
            } else {
                let _ = write!(text, "{} {} ", local.day(), self.month(local.month()));
            }
            // Written so, a day of another year would pass for one of this.
            if apart > 300 * 86_400 {
                let _ = write!(text, "{} ", local.year());
            }
        }
        text.push_str(&self.time_of(at));
        text
    }

    /// The same with its day wherever that is another than today: what is read back must not pass for today's.
    pub(crate) fn time_and_own_day(self, at: &str) -> String {
        let day = |at: Timestamp| self.offset.to_datetime(at).date();
        let own =
            at.parse::<Timestamp>().ok().filter(|own| self.now.is_some_and(|now| day(now) != day(*own)));
        match own
            .filter(|own| self.now.is_some_and(|now| now.as_second().abs_diff(own.as_second()) <= 12 * 3_600))
        {
            Some(own) => format!("{} {}", self.weekday(day(own).weekday()), self.time_of(own)),
            None => self.time_and_day(at),
        }
    }

    /// `Wed 25 Nov 02:14`, now.
    pub(crate) fn date_and_time(self) -> String {
        self.now.map_or_else(
            || say!(self.words, "clock-unknown"),
            |now| {
                let local = self.offset.to_datetime(now);
                format!(
                    "{} {} {} {}",
                    self.weekday(local.weekday()),
                    local.day(),
                    self.month(local.month()),
                    self.time_of(now)
                )
            },
        )
    }

    /// `Wed 25 Nov`.
    pub(crate) fn date(self, at: &str) -> String {
        let Ok(at) = at.parse::<Timestamp>() else { return "??".to_owned() };
        let local = self.offset.to_datetime(at);
        format!("{} {:>2} {}", self.weekday(local.weekday()), local.day(), self.month(local.month()))
    }

    /// Seconds from `at` until now; negative if `at` lies ahead.
    pub(crate) fn seconds_since(self, at: &str) -> Option<i64> {
        Some(self.now?.as_second() - at.parse::<Timestamp>().ok()?.as_second())
    }

    fn weekday(self, day: jiff::civil::Weekday) -> String {
        nth(&say!(self.words, "weekdays"), day.to_monday_zero_offset())
    }

    fn month(self, month: i8) -> String {
        nth(&say!(self.words, "months"), month - 1)
    }
}

/// The word at this place in a list with spaces between.
fn nth(list: &str, place: i8) -> String {
    list.split_whitespace().nth(usize::from(place.unsigned_abs())).unwrap_or("??").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cut_never_leaves_part_of_a_number() {
        assert_eq!(cut("lowest 3.14 mg/L", 11), "lowest..");
        assert_eq!(cut("start both groups", 12), "start both..");
        assert_eq!(cut("short", 5), "short");
        assert_eq!(cut("abcdef", 2), "..");
        for columns in 0..20 {
            assert!(width(&cut("Oxygen below 3.00 mg/L at 04:35", columns)) <= columns);
        }
    }

    #[test]
    fn wrapping_keeps_every_word_where_there_is_room() {
        let text = "DO 2.8 mg/L and falling. Start group B now, then look at the trip.";
        let rows = wrap(text, 24, 9);
        assert_eq!(rows.join(" "), text);
        assert!(rows.iter().all(|row| width(row) <= 24), "{rows:?}");
        let rows = wrap(text, 24, 2);
        assert_eq!(rows.len(), 2);
        assert!(rows[1].ends_with(".."), "{rows:?}");
        assert_eq!(wrap("", 24, 2), Vec::<String>::new());
        assert_eq!(wrap("Donaudampfschifffahrt on", 10, 3), ["Donaudam..", "on"]);
    }

    #[test]
    fn outside_text_cannot_steer_the_terminal() {
        assert_eq!(clean("P1\x1b[2J\u{7}\u{9b}31m", true), "P1 [2J  31m");
        assert_eq!(clean("29 °C ≥ Ñandú ◆", false), "29 deg C >= Nandu ?");
        assert_eq!(clean("29 °C", true), "29 °C");
    }

    #[test]
    fn numbers_ages_and_words() {
        assert_eq!(number(-0.001, 2), "0.00");
        assert_eq!(number(f64::NAN, 2), NO_VALUE);
        assert_eq!(signed(0.4, 2), "+0.40");
        assert_eq!(signed(-0.66, 2), "-0.66");
        assert_eq!(signed(0.001, 2), "0.00");
        assert_eq!(age(59), "<1m");
        assert_eq!(age(7_199), "119m");
        assert_eq!(age(7_200), "2h");
        assert_eq!(age(200_000), "2d");
        assert_eq!(age(i64::MAX), ">99d");
        assert_eq!(age_words(english(), 3_900), "1 h 5 min");
        for flag in 0..=9 {
            assert!(width(&quality_short(english(), flag)) <= 4);
        }
    }

    #[test]
    fn times_are_the_farms() {
        // 07:14 UTC is 02:14 at five hours behind.
        let clock = FarmClock::new("2026-11-25T07:14:30Z", -5 * 3_600);
        assert_eq!(clock.date_and_time(), "Wed 25 Nov 02:14");
        assert_eq!(clock.time("2026-11-25T09:35:00Z"), "04:35");
        assert_eq!(clock.time("nonsense"), "??:??");
        assert_eq!(clock.time_and_day("2026-11-24T20:00:00Z"), "15:00");
        assert_eq!(clock.time_and_day("2026-11-23T20:00:00Z"), "Mon 15:00");
        assert_eq!(clock.time_and_day("2026-11-01T20:00:00Z"), "1 Nov 15:00");
        assert_eq!(clock.time_and_day("2001-06-01T12:00:00Z"), "1 Jun 2001 07:00");
        assert_eq!(clock.seconds_since("2026-11-25T07:11:30Z"), Some(180));
    }
}
