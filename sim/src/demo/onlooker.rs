//! Somebody at the office end of the broker, who knows only what the daemon publishes.

use std::time::Duration;

use pondreeve_protocol::senml::{self, SenmlValue};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde_json::Value;

use super::notebook::Notebook;

/// Subscribes on a loopback port and notes what comes. Never returns.
pub(crate) async fn watch(port: u16, notebook: Notebook) {
    let mut options = MqttOptions::new("office", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(15));
    let (client, mut events) = AsyncClient::new(options, 16);
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                for topic in ["pondreeve/+/+/summary", "pondreeve/+/alarm", "pondreeve/+/health"] {
                    // Three requests fit the empty queue of sixteen.
                    let _ = client.try_subscribe(topic, QoS::AtLeastOnce);
                }
            }
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                let parts: Vec<&str> = publish.topic.split('/').collect();
                match parts.as_slice() {
                    [_, _, pond, "summary"] => note_summary(&notebook, pond, &publish.payload),
                    [_, _, "alarm"] => note_alarm(&notebook, &publish.payload),
                    [_, _, "health"] => {
                        let text = String::from_utf8_lossy(&publish.payload).into_owned();
                        notebook.with(|seen| seen.health = Some(text));
                    }
                    _ => {}
                }
            }
            Ok(_) => {}
            Err(_) => tokio::time::sleep(Duration::from_millis(200)).await,
        }
    }
}

fn note_summary(notebook: &Notebook, pond: &str, payload: &[u8]) {
    let Ok(json) = serde_json::from_slice(payload) else { return };
    let Ok(records) = senml::decode(&json) else { return };
    let sequence = records.iter().find(|record| record.name.ends_with("/sequence"));
    let Some(SenmlValue::Number(sequence)) = sequence.map(|record| &record.value) else { return };
    let sequence = *sequence as u64;
    notebook.with(|seen| {
        if !seen.summaries.entry(pond.to_owned()).or_default().insert(sequence) {
            seen.repeats += 1;
        }
    });
}

fn note_alarm(notebook: &Notebook, payload: &[u8]) {
    let Ok(alarm) = serde_json::from_slice::<Value>(payload) else { return };
    let text = |key: &str| alarm.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let Ok(at) = text("at").parse::<jiff::Timestamp>() else { return };
    let (at_ms, id, state) = (at.as_millisecond(), text("id"), text("state"));
    let priority = alarm.get("priority").and_then(Value::as_u64).unwrap_or_default();
    let raised = state == "unacknowledged";
    // Acknowledged once, but nothing got better: it asks for a person anew.
    let again = raised && text("previous_state") == "acknowledged";
    notebook.with(|seen| {
        let story = seen.alarms.entry(id.clone()).or_default();
        story.name = text("name");
        story.pond = alarm.get("pond").and_then(Value::as_str).map(str::to_owned);
        story.priority = priority;
        story.standing = matches!(state.as_str(), "unacknowledged" | "acknowledged");
        if again {
            story.sounded_again += 1;
        } else if raised && text("previous_state") != "unacknowledged" {
            story.raised.push(at_ms);
        }
        if let Some(by) = alarm.get("by").and_then(Value::as_str) {
            story.acknowledged.push((at_ms, by.to_owned()));
        }
    });
    let urgency = match priority {
        1 => "CRITICAL",
        2 => "HIGH",
        _ => "MEDIUM",
    };
    let line = match state.as_str() {
        "unacknowledged" if again => format!("sounds again, {urgency}: {} ({id})", text("name")),
        "unacknowledged" => format!("ALARM {urgency}: {}", text("message")),
        "acknowledged" | "normal" if !text("by").is_empty() => {
            format!("acknowledged by {}: {} ({id})", text("by"), text("name"))
        }
        "returned-unacknowledged" => format!("over, not yet acknowledged: {} ({id})", text("name")),
        "normal" => format!("over: {} ({id})", text("name")),
        _ => return,
    };
    notebook.say(at_ms, &line);
}
