//! RFC 3339 times as milliseconds since 1970, without a calendar library.

/// Reads an RFC 3339 date and time with its offset, such as `2026-03-01T05:12:00.25-05:00`.
/// Digits past the millisecond are cut off; a leap second is read as the second after it.
///
/// # Errors
/// Which part does not fit, in words.
pub fn parse_rfc3339(text: &str) -> Result<i64, &'static str> {
    const FORM: &str = "not of the form 2026-03-01T05:12:00Z or 2026-03-01T05:12:00-05:00";
    let mut rest = text.as_bytes();
    let year = digits(&mut rest, 4).ok_or(FORM)?;
    mark(&mut rest, b"-").ok_or(FORM)?;
    let month = digits(&mut rest, 2).ok_or(FORM)?;
    mark(&mut rest, b"-").ok_or(FORM)?;
    let day = digits(&mut rest, 2).ok_or(FORM)?;
    mark(&mut rest, b"Tt ").ok_or(FORM)?;
    let hour = digits(&mut rest, 2).ok_or(FORM)?;
    mark(&mut rest, b":").ok_or(FORM)?;
    let minute = digits(&mut rest, 2).ok_or(FORM)?;
    mark(&mut rest, b":").ok_or(FORM)?;
    let second = digits(&mut rest, 2).ok_or(FORM)?;
    let mut ms = 0;
    if mark(&mut rest, b".").is_some() {
        let mut weight = 100;
        digits(&mut rest.get(..1).unwrap_or_default(), 1).ok_or(FORM)?;
        while let Some(digit) = digits(&mut rest, 1) {
            ms += digit * weight;
            weight /= 10;
        }
    }
    let offset_minutes =
        match mark(&mut rest, b"Zz+-").ok_or("the offset from UTC is missing (`Z` or `-05:00`)")? {
            sign @ (b'+' | b'-') => {
                let hours = digits(&mut rest, 2).ok_or(FORM)?;
                mark(&mut rest, b":").ok_or(FORM)?;
                let minutes = digits(&mut rest, 2).ok_or(FORM)?;
                if hours > 23 || minutes > 59 {
                    return Err("the offset from UTC is beyond 23:59");
                }
                let total = hours * 60 + minutes;
                if sign == b'-' { -total } else { total }
            }
            _ => 0,
        };
    if !rest.is_empty() {
        return Err("something follows the time");
    }
    if !(1..=12).contains(&month) || day < 1 || day > days_in(year, month) {
        return Err("no such day");
    }
    if hour > 23 || minute > 59 || second > 60 {
        return Err("no such time of day");
    }
    let seconds =
        ((days_since_1970(year, month, day) * 24 + hour) * 60 + minute - offset_minutes) * 60 + second;
    Ok(seconds * 1_000 + ms)
}

fn digits(rest: &mut &[u8], count: usize) -> Option<i64> {
    let (these, after) = rest.split_at_checked(count)?;
    let mut number = 0;
    for byte in these {
        number = number * 10 + i64::from(byte.checked_sub(b'0').filter(|digit| *digit <= 9)?);
    }
    *rest = after;
    Some(number)
}

fn mark(rest: &mut &[u8], allowed: &[u8]) -> Option<u8> {
    let (first, after) = rest.split_first()?;
    allowed.contains(first).then(|| *rest = after)?;
    Some(*first)
}

const fn is_leap(year: i64) -> bool {
    year % 4 == 0 && (year % 100 != 0 || year % 400 == 0)
}

const fn days_in(year: i64, month: i64) -> i64 {
    match month {
        2 if is_leap(year) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// Days from 1970-01-01 to a date of the Gregorian calendar, years 0 to 9999.
fn days_since_1970(year: i64, month: i64, day: i64) -> i64 {
    let before = year - 1;
    let leap_days = if year > 0 { before / 4 - before / 100 + before / 400 + 1 } else { 0 };
    let month_days: i64 = (1..month).map(|m| days_in(year, m)).sum();
    // 719,528 days lie between 0000-01-01 and 1970-01-01.
    year * 365 + leap_days + month_days + day - 1 - 719_528
}

#[cfg(test)]
mod tests {
    use super::parse_rfc3339;

    #[test]
    fn published_times_are_read() {
        // RFC 3339 section 5.8, its five examples; seconds since 1970 by GNU date.
        for (text, ms) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1990-12-31T23:59:60Z", 662_688_000_000),
            ("1990-12-31T15:59:60-08:00", 662_688_000_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
            ("1970-01-01T00:00:00Z", 0),
            ("2000-02-29 12:00:00z", 951_825_600_000),
            ("2026-03-01T00:12:00.25-05:00", 1_772_341_920_250),
            ("0000-01-01T00:00:00Z", -62_167_219_200_000),
            ("9999-12-31T23:59:59.9999Z", 253_402_300_799_999),
        ] {
            assert_eq!(parse_rfc3339(text), Ok(ms), "{text}");
        }
    }

    #[test]
    fn what_is_not_a_time_is_refused() {
        for text in [
            "",
            "now",
            "2026-03-01",
            "2026-03-01T05:12:00",
            "2026-02-29T00:00:00Z",
            "2026-13-01T00:00:00Z",
            "2026-03-01T24:00:00Z",
            "2026-03-01T00:60:00Z",
            "2026-03-01T00:00:00.Z",
            "2026-03-01T00:00:00+24:00",
            "2026-03-01T00:00:00Zz",
            "2026-03-00T00:00:00Z",
            "２026-03-01T00:00:00Z",
        ] {
            assert!(parse_rfc3339(text).is_err(), "{text}");
        }
    }
}
