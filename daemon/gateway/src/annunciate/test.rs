//! The daily test of the horn.

use std::time::Duration;

use jiff::tz::TimeZone;
use pondreeve_core::call::{Carried, Outcome};
use pondreeve_core::{Event, Timestamp};

use tokio::sync::mpsc;

use super::TestAsk;
use super::switch::{Knob, Stands};
use crate::audit::Place;
use crate::clock::Clock;
use crate::config::annunciation::HornTestPlan;
use crate::inbox::{Inbox, Incoming};

/// A switch that has not answered after this long has failed the test; longer than all its attempts.
const ANSWER_WITHIN: Duration = Duration::from_secs(15);

/// Tests the horn each day, for ever.
pub(super) async fn daily(knob: Knob, plan: HornTestPlan, zone: TimeZone, clock: Clock, inbox: Inbox) {
    loop {
        let Some(due) = next_at(clock.now(), plan.at, &zone) else {
            // Beyond the calendar; a clock that is not set yet is set one day.
            tokio::time::sleep(Duration::from_secs(3_600)).await;
            continue;
        };
        clock.sleep_until(due).await;
        if is_missed(due, &clock) {
            tracing::info!("the clock was set past the horn's test of the day: it is left for tomorrow");
            continue;
        }
        let outcome = once(&knob, plan.sound).await;
        tracing::info!(?outcome, "the horn's test of the day");
        let event = Event::Carried { what: Carried::HornTest, outcome };
        if inbox.send(Incoming { event, done: None, urgent: false, place: Place::Daemon }).await.is_err() {
            return;
        }
    }
}

/// Whoever wakes at its time is there within this.
const LATE: Duration = Duration::from_secs(15 * 60);

/// Whether the clock was set past the time of the test. A horn at two in the morning is no test to anybody.
fn is_missed(due: Timestamp, clock: &Clock) -> bool {
    clock.real_duration(clock.now() - due) > LATE
}

/// How long an output is on in a test that was asked for, where the configuration has no test of the day.
const SOUND: Duration = Duration::from_secs(2);

/// Tests the horn or the lamp whenever somebody asks for it.
pub(super) async fn when_asked(
    horn: Option<Knob>,
    lamp: Option<Knob>,
    mut asked: mpsc::Receiver<TestAsk>,
    plan: Option<HornTestPlan>,
    inbox: Inbox,
) {
    let sound = plan.map_or(SOUND, |plan| plan.sound);
    while let Some(TestAsk { is_horn, answer }) = asked.recv().await {
        let Some(knob) = (if is_horn { &horn } else { &lamp }) else {
            let which = if is_horn { "horn" } else { "lamp" };
            let _ = answer.send(Err(format!("the configuration has no {which} under [annunciation]")));
            continue;
        };
        let outcome = once(knob, sound).await;
        tracing::info!(?outcome, is_horn, "a test that was asked for");
        if is_horn {
            let event = Event::Carried { what: Carried::HornTest, outcome: outcome.clone() };
            if inbox.send(Incoming { event, done: None, urgent: false, place: Place::Command }).await.is_err()
            {
                return;
            }
        }
        // Whoever has gone needs no answer.
        let _ = answer.send(Ok(outcome));
    }
    // The set of tasks ends where one ends.
    std::future::pending::<()>().await;
}

/// Sounds the horn for a moment, unless it sounds already.
pub(super) async fn once(knob: &Knob, sound: Duration) -> Outcome {
    if knob.is_wanted() {
        return Outcome::LeftOut("an alarm was sounding".to_owned());
    }
    let mut stands = knob.stands();
    stands.mark_unchanged();
    knob.test(true);
    let sounded = answered(&mut stands, true).await;
    if sounded.is_ok() {
        tokio::time::sleep(sound).await;
    }
    stands.mark_unchanged();
    knob.test(false);
    if let Err(why) = sounded {
        return Outcome::Failed(why);
    }
    if knob.is_wanted() {
        // An alarm came in between, and the horn rightly goes on.
        return Outcome::Done;
    }
    match answered(&mut stands, false).await {
        Err(why) if !knob.is_wanted() => Outcome::Failed(why),
        _ => Outcome::Done,
    }
}

async fn answered(stands: &mut tokio::sync::watch::Receiver<Stands>, on: bool) -> Result<(), String> {
    let answer = async {
        loop {
            if stands.changed().await.is_err() {
                return Err("the program is ending".to_owned());
            }
            match &*stands.borrow_and_update() {
                Stands::Confirmed(state) if *state == on => return Ok(()),
                Stands::Failed(why) => return Err(why.clone()),
                Stands::Confirmed(_) | Stands::Unknown => {}
            }
        }
    };
    match tokio::time::timeout(ANSWER_WITHIN, answer).await {
        Ok(answer) => answer,
        Err(_elapsed) => Err(format!("nothing was heard of it for {} s", ANSWER_WITHIN.as_secs())),
    }
}

/// The next time after `now` that clocks on the farm show `at`. Where clocks are put forward over it, the
/// hour after; where it comes twice, the first.
fn next_at(now: Timestamp, at: jiff::civil::Time, zone: &TimeZone) -> Option<Timestamp> {
    let now_utc = jiff::Timestamp::from_millisecond(now.as_millis()).ok()?;
    let mut day = zone.to_datetime(now_utc).date();
    for _ in 0..3 {
        let due = zone.to_timestamp(day.to_datetime(at)).ok()?;
        if due.as_millisecond() > now.as_millis() {
            return Some(Timestamp(due.as_millisecond()));
        }
        day = day.tomorrow().ok()?;
    }
    None
}

#[cfg(test)]
mod tests {
    use pondreeve_core::Span;

    use super::*;
    use crate::clock::script::Script;

    fn at(text: &str) -> Timestamp {
        Timestamp(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
    }

    #[test]
    fn a_clock_that_is_set_past_it_sounds_no_horn_in_the_night() {
        let due = at("2026-11-28T22:00:00Z");
        let (script, clock) = Script::at(at("2026-11-28T21:00:00Z"));
        script.pass(Duration::from_secs(3_602));
        assert!(!is_missed(due, &clock));
        script.set(Span::from_hours(9));
        assert!(is_missed(due, &clock));
        // Ten minutes of a farm's time are a second at this speed.
        let fast = Clock::accelerated(due + Span::from_hours(1), 600.0);
        assert!(!is_missed(due, &fast));
    }

    #[test]
    fn it_comes_once_a_day_by_the_farms_own_clock() {
        let five = jiff::civil::time(17, 0, 0, 0);
        let west = TimeZone::fixed(jiff::tz::offset(-5));
        let next = |now: &str| next_at(at(now), five, &west).unwrap();
        // 17:00 there is 22:00 UTC.
        assert_eq!(next("2026-11-28T12:00:00Z"), at("2026-11-28T22:00:00Z"));
        assert_eq!(next("2026-11-28T21:59:59.999Z"), at("2026-11-28T22:00:00Z"));
        assert_eq!(next("2026-11-28T22:00:00Z"), at("2026-11-29T22:00:00Z"), "not twice");
        // Just past midnight UTC it is still the evening of the day before there.
        assert_eq!(next("2026-11-29T00:30:00Z"), at("2026-11-29T22:00:00Z"));
    }
}
