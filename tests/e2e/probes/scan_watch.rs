//! `pondreeve scan` with a person at the pond: a probe that is lifted out, and two that have one address.

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::time::Duration;

use pondreeve_protocol::modbus::{Request, answer, take_request};
use pondreeve_tests::Scratch;
use serde_json::{Value, json};
use sim::pty::Line;

use super::scan::objects;
use super::spoken::sensors;

/// Unit 11 holds oxygen and temperature as floats in its input registers; each of its answers may be several, with
/// 30 ms between them. `oxygen` says what they are.
fn serve(line: &Line, mut oxygen: impl FnMut() -> Vec<f32> + Send + 'static) {
    let mut port: File = line.probes.try_clone().expect("a pty");
    std::thread::spawn(move || {
        let mut received = Vec::new();
        let mut chunk = [0; 256];
        while let Ok(count @ 1..) = port.read(&mut chunk) {
            received.extend_from_slice(&chunk[..count]);
            let (request, used) = take_request(&received);
            received.drain(..used);
            let Some(request) = request.filter(|own| own.unit() == 11) else { continue };
            if !matches!(request, Request::Read(_)) {
                continue;
            }
            for mg_l in oxygen() {
                let words: Vec<u16> = [mg_l, 28.9_f32]
                    .iter()
                    .flat_map(|own| [(own.to_bits() >> 16) as u16, own.to_bits() as u16])
                    .collect();
                let register = |table, place: u16| {
                    let is_input = table == pondreeve_protocol::register_map::Table::Input;
                    words.get(usize::from(place)).copied().filter(|_| is_input)
                };
                if port.write_all(&answer(&request, register)).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(30));
            }
        }
    });
}

fn watched(all: &[Value]) -> Vec<&Value> {
    all.iter().filter(|own| own["kind"] == "watched").collect()
}

#[test]
fn a_probe_that_is_lifted_out_shows() {
    let scratch = Scratch::new();
    let device = scratch.path("near");
    let far = Line::open(&device).expect("a pty");
    let began = std::time::Instant::now();
    // In the air from the fifth second on: it takes a second or two until it is watched.
    serve(&far, move || vec![if began.elapsed() < Duration::from_secs(5) { 6.0 } else { 8.0 }]);
    let line = device.to_str().expect("UTF-8");
    let asked = ["scan", "--line", line, "--addresses", "11", "--speeds", "9600", "--watch", "9s"];
    let output = scratch.pondreeve(&[&asked[..], &["--json"]].concat());
    let all = objects(&output);
    let rows = watched(&all);
    let channels: Vec<&Value> = rows.iter().map(|own| &own["channel"]).collect();
    assert_eq!(channels, [&json!("do_mg_l"), &json!("temperature_c")], "{all:#?}");
    let values = rows[0]["values"].as_array().expect("values");
    assert!(values.len() >= 5, "{values:?}");
    assert_eq!((values.first(), values.last()), (Some(&json!(6.0)), Some(&json!(8.0))));
    let text = scratch.pondreeve(&[&asked[..8], &["5s"]].concat());
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    let row = text.lines().find(|own| own.starts_with(" 11 do_mg_l")).unwrap_or_else(|| panic!("{text}"));
    assert!(row.ends_with(" mg/L          8.00     8.00 -----"), "it stays: {row}");
    assert!(text.lines().all(|own| own.chars().count() <= 80), "{text}");
    for wrong in [&["--watch", "1s"][..], &["--watch", "10m"], &["--kind", "text", "--watch", "9s"]] {
        assert_eq!(scratch.pondreeve(&[&asked[..7], wrong].concat()).status.code(), Some(2), "{wrong:?}");
    }
}

#[test]
fn sensors_are_watched_too() {
    let scratch = Scratch::new();
    let device = scratch.path("near");
    let far = Line::open(&device).expect("a pty");
    let _server = sensors(&far, std::sync::Arc::default());
    let line = device.to_str().expect("UTF-8");
    let asked = ["scan", "--line", line, "--kind", "sdi12", "--addresses", "1,2", "--watch", "5s", "--json"];
    let all = objects(&scratch.pondreeve(&asked));
    let rows: Vec<_> = watched(&all)
        .iter()
        .map(|own| (own["address"].clone(), own["channel"].clone(), own["values"][0].clone()))
        .collect();
    let row = |address: &str, channel: &str, value: f64| (json!(address), json!(channel), json!(value));
    assert_eq!(rows, [row("1", "do_mg_l", 6.42), row("1", "temperature_c", 28.9), row("2", "depth_m", 1.25)]);
}

/// One of them is a little slower, so that both can be read: its answer would be taken for that to the next question.
#[test]
fn two_probes_with_one_address_are_told_and_not_believed() {
    let scratch = Scratch::new();
    let device = scratch.path("near");
    let far = Line::open(&device).expect("a pty");
    serve(&far, || vec![6.0, 9.0]);
    let line = device.to_str().expect("UTF-8");
    let found = scratch.path("found.toml");
    let asked = ["scan", "--line", line, "--addresses", "10-12", "--speeds", "9600", "--write"];
    let output = scratch.pondreeve(&[&asked[..], &[found.to_str().expect("UTF-8")]].concat());
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("address 11 at 9600 8N1: two answers came to one question"), "{said}");
    assert!(said.contains("unplug all probes but one") && !said.contains("fits "), "{said}");
    assert!(!found.exists(), "nothing is written down");
}
