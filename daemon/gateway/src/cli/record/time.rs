//! Times as people write them.

use jiff::civil::{DateTime, Time};
use jiff::{Timestamp, ToSpan as _};

use super::super::plain;
use crate::exit_code::Failure;
use crate::local::protocol::FarmStatus;
use crate::texts::{Words, say};

/// Reads the end of what began at a time: a clock time is the first after that.
///
/// # Errors
/// Where it is none, or lies ahead.
pub(super) fn read_stop(
    text: &str,
    start: Option<Timestamp>,
    farm: &FarmStatus,
    words: Words,
) -> Result<Timestamp, Failure> {
    let stop = read("--stop", text, farm, words)?;
    match start.filter(|start| clock_time(text).is_some() && stop < *start) {
        // Taken for yesterday's; today's has not come yet.
        Some(start) if stop + 24.hours() > start => {
            let clock = plain::clock(farm).read_in(words);
            let why = say!(words, "time-ahead", now = clock.date_and_time());
            Err(Failure::usage(say!(words, "time-refused", option = "--stop", typed = text, why = why)))
        }
        _ => Ok(stop),
    }
}

/// Reads a time: RFC 3339 with an offset, a day and a time of the farm, or a clock time of the farm within
/// the last 24 hours.
pub(crate) fn read(option: &str, text: &str, farm: &FarmStatus, words: Words) -> Result<Timestamp, Failure> {
    let refused =
        |why: String| Failure::usage(say!(words, "time-refused", option = option, typed = text, why = why));
    let clock = plain::clock(farm).read_in(words);
    let now = clock.now().ok_or_else(|| Failure::failed(say!(words, "command-no-time")))?;
    let placed =
        |at: DateTime| clock.offset().to_timestamp(at).map_err(|_| refused(say!(words, "time-no-calendar")));
    let at = if let Ok(at) = text.parse::<Timestamp>() {
        at
    } else if let Some((hour, minute)) = clock_time(text) {
        let time = Time::new(hour, minute, 0, 0).map_err(|_| refused(say!(words, "time-not-of-day")))?;
        let today = clock.offset().to_datetime(now).date();
        let at = placed(today.to_datetime(time))?;
        if at <= now { at } else { at - 24.hours() }
    } else if let Ok(at) =
        DateTime::strptime("%Y-%m-%d %H:%M", text).or_else(|_| DateTime::strptime("%Y-%m-%dT%H:%M", text))
    {
        placed(at)?
    } else {
        return Err(refused(say!(words, "time-none")));
    };
    if at > now {
        return Err(refused(say!(words, "time-ahead", now = clock.date_and_time())));
    }
    Ok(at)
}

/// Hour and minute of what looks like a clock time, such as 6:30.
fn clock_time(text: &str) -> Option<(i8, i8)> {
    let (hour, minute) = text.split_once(':')?;
    let well = |part: &str| part.len() <= 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    (well(hour) && minute.len() == 2 && well(minute)).then_some(())?;
    Some((hour.parse().ok()?, minute.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::console::sample;

    /// It is 02:14 on the farm: what began at 01:50 cannot have ended at 03:00, and did not end yesterday.
    #[test]
    fn an_end_that_lies_ahead_is_told_as_that() {
        let farm = sample::normal_night();
        let start = "2026-11-25T06:50:00Z".parse().ok();
        let read =
            |text: &str| read_stop(text, start, &farm, crate::texts::english()).map(|at| at.to_string());
        assert_eq!(read("02:10").unwrap(), "2026-11-25T07:10:00Z");
        let refused = read("03:00").expect_err("ahead");
        assert!(
            refused.message.contains("--stop 03:00 lies ahead, it is Wed 25 Nov 02:14"),
            "{}",
            refused.message
        );
        assert_eq!(
            read("2026-11-24 03:00").unwrap(),
            "2026-11-24T08:00:00Z",
            "the daemon says what is wrong"
        );
    }

    /// It is 02:14 on the farm, five hours behind UTC, on 25 November.
    #[test]
    fn times_are_the_farms_own() {
        let farm = sample::normal_night();
        let read = |text: &str| read("--at", text, &farm, crate::texts::english()).map(|at| at.to_string());
        assert_eq!(read("01:50").unwrap(), "2026-11-25T06:50:00Z");
        assert_eq!(read("18:30").unwrap(), "2026-11-24T23:30:00Z");
        assert_eq!(read("2026-11-20 06:30").unwrap(), "2026-11-20T11:30:00Z");
        assert_eq!(read("2026-11-20T06:30").unwrap(), "2026-11-20T11:30:00Z");
        assert_eq!(read("2026-11-20T06:30:00Z").unwrap(), "2026-11-20T06:30:00Z");
        for wrong in ["2026-11-26 06:30", "25:10", "noon", "2026-13-01 00:00", "2026-11-25T07:15:00Z"] {
            let refused = read(wrong).expect_err(wrong);
            assert_eq!(refused.status, 2);
            assert!(refused.message.contains(wrong) && refused.message.contains("accepted"));
        }
    }
}
