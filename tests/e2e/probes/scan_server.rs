//! `pondreeve scan` of lines that serial servers have: pymodbus and the simulator behind them, alone and on loan, and what
//! is no such server.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::process::Output;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_protocol::modbus::Framing;
use pondreeve_tests::{Scratch, free_port, wait_for};
use serde_json::Value;
use sim::rtu::{Answer, Part, Server};

use super::our_servers::map;
use super::pymodbus::FarEnd;
use super::scan::{addresses, check_fit, farm, lent, objects, oxygen_at, unit};

const SOON: Duration = Duration::from_secs(60);

fn scan(scratch: &Scratch, server: &str, arguments: &[&str]) -> Output {
    scratch.pondreeve(&[&["scan", "--server", server], arguments].concat())
}

fn told(output: &Output) -> String {
    format!("{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// What a fragment makes of a farm: its bus.
fn checked(scratch: &Scratch, fragment: &str) -> Value {
    let config = scratch.write("with.toml", &farm(scratch.folder.path(), fragment));
    let checked = scratch.pondreeve(&["check", "--json", "--config", config.to_str().expect("UTF-8")]);
    let said = told(&checked);
    assert_eq!(checked.status.code(), Some(0), "{said}\n{fragment}");
    let all = objects(&checked);
    all.iter().find(|own| own["kind"] == "farm").expect("a farm")["buses"][0].clone()
}

#[test]
fn probes_behind_pymodbus_are_found_over_modbus_tcp() {
    let scratch = Scratch::new();
    let port = free_port();
    let _far_end = FarEnd::over_tcp(scratch.folder.path(), port);
    let server = format!("127.0.0.1:{port}");
    let found = scratch.path("found.toml");
    let file = found.to_str().expect("UTF-8");
    let asked = ["--addresses", "9-16,40,51-53", "--pond", "p1", "--write", file, "--json"];
    let output = scan(&scratch, &server, &asked);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let all = objects(&output);
    // pymodbus says of a unit that it has not: exception 4.
    assert_eq!(addresses(&all, "unit"), [11, 12, 13, 14, 15, 16, 40, 51, 52]);
    check_fit(unit(&all, 11), "optical-oxygen", true, &[6.42, 28.9]);
    check_fit(unit(&all, 13), "salinity", true, &[29.3, 18.2]);
    check_fit(unit(&all, 40), "weather-mast", true, &[1_450.0, 1_011.32]);
    check_fit(unit(&all, 51), "motor-1", true, &[1.0, 4.41]);
    assert_eq!(unit(&all, 14)["registers"][0]["words"][0], 786);
    assert_eq!(unit(&all, 11)["identity"], "Bench, B-1, 2.0");
    assert_eq!(unit(&all, 11)["setting"], "Modbus TCP");
    let end = all.last().expect("an end");
    assert_eq!((&end["server"], &end["device"]), (&server.as_str().into(), &Value::Null));
    assert_eq!((end["tried"].as_array().map(Vec::len), &end["tried"][0]["absent"]), (Some(1), &3.into()));

    let fragment = fs::read_to_string(&found).expect("written");
    assert!(fragment.contains(&format!("server = \"{server}\"\nframing = \"tcp\"\n\n")), "{fragment}");
    assert_eq!(checked(&scratch, &fragment)["probes"], 5, "{fragment}");

    // It is there and hears nobody: said at once, and nothing else is tried.
    let output = scan(&scratch, &server, &["--addresses", "1-9"]);
    let said = told(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("of 9 the server says") && said.contains("hears no probe"), "{said}");
    assert!(!said.contains("trying Modbus RTU"), "{said}");
    let watched = scan(&scratch, &server, &["--addresses", "11", "--watch", "5s", "--json"]);
    let all = objects(&watched);
    let oxygen =
        all.iter().find(|own| own["kind"] == "watched" && own["channel"] == "do_mg_l").expect("watched");
    assert!(oxygen["values"].as_array().is_some_and(|values| values.len() >= 3), "{oxygen}");
    // What is the server's own to set cannot be tried: said once.
    let output = scan(&scratch, &server, &["--addresses", "11", "--framing", "tcp"]);
    let said = told(&output);
    assert_eq!(said.replace("\n  ", " ").matches("set on the serial server itself").count(), 1, "{said}");
    assert!(
        said.contains("fits optical-oxygen") && said.contains(&format!("--server {server} --framing tcp"))
    );
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
}

/// A line of pymodbus probes on a pseudo-terminal, which socat lays on a port: what many serial servers do.
#[test]
fn probes_behind_a_server_of_plain_bytes_are_found() {
    for framing in ["rtu", "ascii"] {
        let scratch = Scratch::new();
        let folder = scratch.folder.path();
        let port = free_port();
        let _far_end = FarEnd::behind_bytes(folder, framing, port);
        let server = format!("localhost:{port}");
        let found = scratch.path("found.toml");
        let file = found.to_str().expect("UTF-8");
        // Modbus TCP is what nobody understands there, and silence.
        let asked = ["--addresses", "10-14,20-22,51,90", "--pond", "p1", "--write", file, "--json"];
        let output = scan(&scratch, &server, &asked);
        let said = told(&output);
        assert_eq!(output.status.code(), Some(0), "{said}");
        let all = objects(&output);
        assert_eq!(addresses(&all, "unit"), [11, 12, 13, 14, 20, 22, 51], "{said}");
        assert_eq!(addresses(&all, "garbled"), [21], "its checksums do not fit");
        check_fit(unit(&all, 11), "optical-oxygen", true, &[6.42, 28.9]);
        check_fit(unit(&all, 20), "glass-ph", true, &[8.02]);
        check_fit(unit(&all, 22), "glass-ph", true, &[8.11]);
        let setting = format!("Modbus {} / TCP", framing.to_uppercase());
        assert_eq!(unit(&all, 11)["setting"], setting.as_str());
        let fragment = fs::read_to_string(&found).expect("written");
        assert!(fragment.contains(&format!("framing = \"{framing}\"\n\n")), "{fragment}");
        assert_eq!(checked(&scratch, &fragment)["probes"], 5, "{fragment}");
    }
}

/// The simulator's serial server, which the daemon has; it takes one client at a time, as many do.
#[test]
fn the_daemon_lends_the_line_of_its_server() {
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let port = listener.local_addr().expect("bound").port();
    let ask = |unit: u8| {
        let (name, values) = match unit {
            11 => ("optical-oxygen", vec![6.42, 28.9]),
            12 => ("glass-ph", vec![7.86]),
            _ => return None,
        };
        Some(Answer { parts: vec![Part { map: Arc::clone(&map(name)), values }], fault: None })
    };
    let _server = Server::over_tcp(listener, Framing::Tcp, ask).expect("a server");
    let bus = format!(
        "[[bus]]\nid = \"line\"\nserver = \"127.0.0.1:{port}\"\nframing = \"tcp\"\n[[bus.probe]]\n\
         id = \"p1-oxygen\"\npond = \"p1\"\naddress = 11\nprofile = \"optical-oxygen\"\npoll_every = \"2s\"\n"
    );
    scratch.write("farm.toml", &farm(folder, &bus));
    let _daemon = scratch.run_daemon();
    wait_for("the first reading", SOON, || oxygen_at(&scratch));
    let found = scratch.path("found.toml");
    // By another of its names.
    let server = format!("localhost:{port}");
    let asked = ["--addresses", "10-13", "--pond", "p1", "--write", found.to_str().expect("UTF-8"), "--json"];
    let output = scan(&scratch, &server, &asked);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let all = objects(&output);
    assert_eq!(addresses(&all, "unit"), [11, 12]);
    assert_eq!(
        (&unit(&all, 11)["configured_as"][0], &all.last().expect("an end")["bus"]),
        (&"p1-oxygen".into(), &"line".into())
    );
    check_fit(unit(&all, 12), "glass-ph", true, &[7.86]);
    let fragment = fs::read_to_string(&found).expect("written");
    assert!(!fragment.contains("[[bus]]\n") && fragment.contains("address = 12"), "{fragment}");
    assert_eq!(checked(&scratch, &format!("{bus}\n{fragment}"))["probes"], 2, "{fragment}");
    let before = oxygen_at(&scratch);
    wait_for("the daemon to poll again", SOON, || {
        (oxygen_at(&scratch) > before && !lent(&scratch)).then_some(())
    });
}

/// Takes connections and treats each as it is told.
fn far(mut treat: impl FnMut(TcpStream) + Send + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let server = listener.local_addr().expect("bound").to_string();
    std::thread::spawn(move || listener.incoming().flatten().for_each(&mut treat));
    server
}

#[test]
fn what_is_no_server_of_modbus_is_told_plainly() {
    let scratch = Scratch::new();
    const REFUSAL: &[u8] = b"HTTP/1.1 400 Bad Request\r\n\r\n";
    let web = far(|mut client| {
        let mut chunk = [0; 256];
        while let Ok(1..) = client.read(&mut chunk) {
            if client.write_all(REFUSAL).is_err() {
                return;
            }
        }
    });
    let output = scan(&scratch, &web, &["--addresses", "1-9", "--framing", "tcp"]);
    let said = told(&output).replace("\n  ", " ");
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("is no Modbus TCP: what came first was \"HTTP/1.1 400 Bad Request"), "{said}");
    assert!(said.contains("addresses 5-9 by Modbus TCP"), "{said}");

    let hangs_up = far(|mut client| {
        let mut chunk = [0; 256];
        let _ = client.read(&mut chunk);
        let _ = client.write_all(REFUSAL);
    });
    let output = scan(&scratch, &hangs_up, &["--addresses", "1-9"]);
    let said = told(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("it hung up; what came first was \"HTTP/1.1 400") && said.contains("ASCII / TCP"),
        "{said}"
    );

    // Unit 1 is there; at unit 3 the connection ends. What was found until then is not forgotten.
    let midway = far(|mut client| {
        let mut question = [0; 12];
        while client.read_exact(&mut question).is_ok() && question[6] < 3 {
            // The transaction, a length of 5, unit, function, two bytes of data.
            let answer = [question[0], question[1], 0, 0, 0, 5, question[6], question[7], 2, 0x03, 0x12];
            if question[6] == 1 && client.write_all(&answer).is_err() {
                return;
            }
        }
    });
    let output = scan(&scratch, &midway, &["--addresses", "1-9"]);
    let said = told(&output).replace("\n  ", " ");
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("address 1 answers") && said.contains("Tried Modbus TCP: addresses 1-2"), "{said}");
    assert!(said.contains("STOPPED EARLY: the connection to the serial server ended: it hung up"), "{said}");
    assert!(!said.contains("trying Modbus RTU"), "{said}");

    let closed = format!("127.0.0.1:{}", free_port());
    for (server, more, status, why) in [
        ("no-such-host.invalid:502", "--json", 1, "no such host is known"),
        (closed.as_str(), "--json", 1, "nothing takes connections at this port"),
        ("127.0.0.1", "--json", 2, "no host and port of a serial server"),
        (closed.as_str(), "--speeds=9600", 2, "leave --speeds out"),
        (closed.as_str(), "--kind=text", 2, "cannot be used with"),
        (closed.as_str(), "--line=/dev/ttyUSB0", 2, "cannot be used with"),
    ] {
        let output = scan(&scratch, server, &["--addresses", "1", more]);
        let said = told(&output);
        assert!(output.status.code() == Some(status) && said.contains(why), "{said}");
    }
}

/// Answers to questions that were not put, or to another unit's, are nobody's; those that are late count.
#[test]
fn an_answer_belongs_to_the_question_whose_number_it_has() {
    let scratch = Scratch::new();
    let far = far(|mut client| {
        let mut question = [0; 12];
        while client.read_exact(&mut question).is_ok() {
            let number = u16::from_be_bytes([question[0], question[1]]);
            let unit = question[6];
            let answer = |number: u16, unit: u8| {
                let [high, low] = number.to_be_bytes();
                [high, low, 0, 0, 0, 5, unit, question[7], 2, 0x03, 0x12]
            };
            let sent = match unit {
                2 => answer(number.wrapping_add(7), unit),
                3 => answer(number, 103),
                // Late by one question, and only then.
                5 => answer(number.wrapping_sub(1), 4),
                6 => answer(number, unit),
                _ => continue,
            };
            if client.write_all(&sent).is_err() {
                return;
            }
        }
    });
    let output =
        scan(&scratch, &far, &["--addresses", "2-6", "--framing", "tcp", "--json", "--profile", "glass-ph"]);
    let all = objects(&output);
    assert!(told(&output).contains("address 4 answers"), "{}", told(&output));
    assert_eq!(addresses(&all, "unit"), [6], "4 does not answer a second time: {}", told(&output));
    // What comes to the second question to 5 has the number of the first, and another's name.
    assert_eq!(addresses(&all, "garbled"), [2, 3, 5], "{}", told(&output));
}
