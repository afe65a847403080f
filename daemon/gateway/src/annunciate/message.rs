//! A call as JSON: on a program's standard input and on the topic `pondreeve/<gateway>/call`.

use pondreeve_core::call::Call;
use pondreeve_core::site::PondIndex;
use serde::Serialize;

use crate::cli::At;

#[derive(Serialize)]
struct CallMessage<'a> {
    gateway: &'a str,
    at: At,
    step: &'a str,
    name: &'a str,
    /// How often this step was called before for the first alarm.
    before: u32,
    // Of the most urgent alarm, for those who want no list.
    id: Option<&'a str>,
    priority: Option<u8>,
    message: Option<&'a str>,
    alarms: Vec<CalledForMessage<'a>>,
}

#[derive(Serialize)]
struct CalledForMessage<'a> {
    id: &'a str,
    pond: Option<&'a str>,
    name: &'a str,
    priority: u8,
    state: &'a str,
    raised_at: At,
    message: &'a str,
}

/// One JSON object without a line break in it.
pub(crate) fn json<'a>(
    gateway: &'a str,
    pond: impl Fn(PondIndex) -> Option<&'a str>,
    call: &'a Call,
) -> Vec<u8> {
    let first = call.alarms.first();
    let message = CallMessage {
        gateway,
        at: At(call.at),
        step: &call.step,
        name: &call.name,
        before: call.before,
        id: first.map(|alarm| alarm.id.as_str()),
        priority: first.map(|alarm| alarm.priority.number()),
        message: first.map(|alarm| alarm.message.as_str()),
        alarms: call
            .alarms
            .iter()
            .map(|alarm| CalledForMessage {
                id: &alarm.id,
                pond: alarm.pond.and_then(&pond),
                name: &alarm.name,
                priority: alarm.priority.number(),
                state: alarm.state.id(),
                raised_at: At(alarm.raised_at),
                message: &alarm.message,
            })
            .collect(),
    };
    // Plain fields with text keys: nothing in it can fail to become JSON.
    serde_json::to_vec(&message).unwrap_or_default()
}
