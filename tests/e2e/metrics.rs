//! The metrics of the real program, read by programs that know nothing of pondreeve: the parser of Python's
//! `prometheus_client`, Debian's `promtool`, and a Prometheus that scrapes them.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Running, Scratch, free_port, one_pond, python, wait_for};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(20);

fn configuration(scratch: &Scratch, broker: u16, metrics: u16) -> String {
    let rest = format!(
        r#"

[[bus]]
id = "east"
device = "/nowhere/serial"

[[bus.probe]]
id = "deep"
pond = "p1"
address = 11
profile = "salinity"
poll_every = "1m"

[[broker]]
id = "local"
host = "127.0.0.1"
port = {broker}

[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
qos = 1
sends_every = "1m"
value = [{{ quantity = "do_mg_l", json = "/oxygen" }}, {{ quantity = "temperature_c", json = "/temperature" }}]

[[destination]]
id = "office"
host = "127.0.0.1"
port = {broker}

[metrics]
listen = "127.0.0.1:{metrics}"
"#
    );
    one_pond(scratch.folder.path(), "100ms", "", &rest)
}

/// One request by hand: status, headers, body.
fn get(port: u16, request: &str) -> (u16, String, String) {
    let mut stream = wait_for("the metrics to listen", SOON, || TcpStream::connect(("127.0.0.1", port)).ok());
    stream.set_read_timeout(Some(SOON)).expect("time-out");
    write!(stream, "{request} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").expect("sent");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("UTF-8 until closed");
    let (head, body) = answer.split_once("\r\n\r\n").expect("head and body");
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).expect("a status");
    (status, head.to_ascii_lowercase(), body.to_owned())
}

/// The samples as the independent parser understands them; panics with its complaint.
fn parsed(text: &str) -> Vec<Value> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/e2e/read_metrics.py");
    let mut child = Command::new(python())
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python");
    child.stdin.take().expect("piped").write_all(text.as_bytes()).expect("fed");
    let output = child.wait_with_output().expect("ended");
    assert!(output.status.success(), "{}\n{text}", String::from_utf8_lossy(&output.stderr));
    let lines = String::from_utf8(output.stdout).expect("UTF-8");
    lines.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

fn value(samples: &[Value], name: &str, labels: &[(&str, &str)]) -> Option<f64> {
    let has = |sample: &&Value| {
        sample["name"] == name && labels.iter().all(|(label, value)| sample["labels"][label] == *value)
    };
    samples.iter().find(has)?["value"].as_f64()
}

struct Bench {
    scratch: Scratch,
    broker: Option<Mosquitto>,
    port: u16,
    _daemon: Running,
}

fn bench() -> Bench {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    let port = free_port();
    scratch.write("farm.toml", &configuration(&scratch, broker.port, port));
    let daemon = scratch.run_daemon();
    // Its socket is there first.
    wait_for("the metrics to listen", SOON, || TcpStream::connect(("127.0.0.1", port)).ok());
    Bench { scratch, broker: Some(broker), port, _daemon: daemon }
}

fn publish_until_read(bench: &Bench) -> Vec<Value> {
    let broker = bench.broker.as_ref().expect("running");
    wait_for("a reading in the metrics", SOON, || {
        broker.publish("nodes/p1", r#"{"oxygen": 5.25, "temperature": 29.5}"#, 1);
        let samples = parsed(&get(bench.port, "GET /metrics").2);
        value(&samples, "pondreeve_reading", &[("quantity", "do_mg_l")])?;
        value(&samples, "pondreeve_derived", &[("quantity", "do_saturation_percent")]).map(|_| samples)
    })
}

#[test]
fn an_independent_parser_reads_what_the_farm_does() {
    let bench = bench();
    let samples = publish_until_read(&bench);
    let node = |quantity| [("pond", "p1"), ("probe", "node"), ("quantity", quantity)];
    assert_eq!(value(&samples, "pondreeve_reading", &node("do_mg_l")), Some(5.25));
    assert_eq!(value(&samples, "pondreeve_reading", &node("temperature_c")), Some(29.5));
    assert!(value(&samples, "pondreeve_reading_flag", &node("do_mg_l")).is_some_and(|flag| flag < 4.0));
    assert!(value(&samples, "pondreeve_reading_age_seconds", &node("do_mg_l")).is_some_and(|age| age < 20.0));
    // Saturation at 29.5 °C and 18 PSU is 6.94 mg/L (Benson and Krause, the formula of the reference tables).
    let percent = [("pond", "p1"), ("quantity", "do_saturation_percent")];
    assert!(value(&samples, "pondreeve_derived", &percent).is_some_and(|value| (value - 75.6).abs() < 1.0));
    let info = [("version", "0.1.0"), ("gateway", "g1")];
    assert_eq!(value(&samples, "pondreeve_build_info", &info), Some(1.0));
    let link = [("link", "local"), ("probe", "node")];
    assert!(value(&samples, "pondreeve_probe_answers_total", &link).is_some_and(|count| count >= 1.0));
    let bus = [("part", "bus"), ("link", "east")];
    assert!(value(&samples, "pondreeve_link_failures_total", &bus).is_some_and(|count| count >= 1.0));
    let deep = [("link", "east"), ("probe", "deep"), ("kind", "unreachable")];
    assert!(value(&samples, "pondreeve_probe_errors_total", &deep).is_some_and(|count| count >= 1.0));
    let medium = [("priority", "medium"), ("state", "unacknowledged")];
    assert!(value(&samples, "pondreeve_alarms", &medium).is_some_and(|count| count >= 1.0), "the dead bus");
    // A new store has its two tail files of two mebibytes.
    assert!(value(&samples, "pondreeve_store_size_bytes", &[]).is_some_and(|bytes| bytes > 2e6));
    assert!(value(&samples, "pondreeve_store_written_bytes_total", &[]).is_some_and(|bytes| bytes > 2e6));
    let office = [("destination", "office")];
    assert_eq!(value(&samples, "pondreeve_forward_waiting", &office), Some(0.0));
    assert_eq!(value(&samples, "pondreeve_forward_connected", &office), Some(1.0));
    assert!(samples.iter().all(|sample| !sample["help"].as_str().expect("help").is_empty()));

    let (status, head, _) = get(bench.port, "GET /metrics");
    assert_eq!(status, 200);
    assert!(head.contains("content-type: application/openmetrics-text; version=1.0.0"), "{head}");
    assert_eq!(get(bench.port, "GET /healthz").0, 200);
    assert_eq!(get(bench.port, "GET /elsewhere").0, 404);
    assert_eq!(get(bench.port, "POST /metrics").0, 405);
}

#[test]
fn a_broker_that_goes_shows_in_the_metrics() {
    let mut bench = bench();
    publish_until_read(&bench);
    bench.broker.take().expect("running").kill_hard();
    wait_for("the lost broker", SOON, || {
        let samples = parsed(&get(bench.port, "GET /metrics").2);
        let connected = value(&samples, "pondreeve_forward_connected", &[("destination", "office")]);
        let failed =
            value(&samples, "pondreeve_link_failures_total", &[("part", "broker"), ("link", "local")]);
        let waiting = value(&samples, "pondreeve_forward_waiting", &[("destination", "office")]);
        (connected == Some(0.0) && failed.is_some() && waiting > Some(0.0)).then_some(())
    });
    // One line that fails has its own alarm; the daemon still does its work.
    assert_eq!(get(bench.port, "GET /healthz").0, 200);
}

#[test]
fn a_farm_from_which_nothing_comes_is_not_well() {
    let scratch = Scratch::new();
    let port = free_port();
    let text = configuration(&scratch, 9, port);
    let (before, bus) = text.split_once("[[bus]]").expect("a bus");
    let (_, broker) = bus.split_once("[[broker]]").expect("a broker");
    let silence = ["do_mg_l", "temperature_c"]
        .map(|id| format!("quality.{id} = {{ stale_after = \"1s\", missing_after = \"2s\" }}\n"))
        .concat();
    let broker = broker.replace("sends_every = \"1m\"\n", &format!("sends_every = \"1s\"\n{silence}"));
    scratch.write("farm.toml", &format!("{before}[[broker]]{broker}"));
    let _daemon = scratch.run_daemon();
    // Its socket is there first.
    wait_for("the metrics to listen", SOON, || TcpStream::connect(("127.0.0.1", port)).ok());
    let body = wait_for("health to be refused", Duration::from_secs(60), || {
        let (status, _, body) = get(port, "GET /healthz");
        (status == 503).then_some(body)
    });
    assert!(body.contains("no probe reports"), "{body}");
}

/// Who asks on and on and never reads would keep a place from a collector.
#[test]
fn a_connection_is_for_one_request() {
    let bench = bench();
    let mut stream = TcpStream::connect(("127.0.0.1", bench.port)).expect("the metrics listen");
    stream.set_read_timeout(Some(SOON)).expect("time-out");
    stream.write_all("GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n".repeat(2).as_bytes()).expect("sent");
    let mut answer = Vec::new();
    // It may end with a reset, for what was not read.
    let _ = stream.read_to_end(&mut answer);
    assert_eq!(String::from_utf8_lossy(&answer).matches("HTTP/1.1 ").count(), 1);
}

#[test]
fn debian_s_prometheus_scrapes_it() {
    let bench = bench();
    publish_until_read(&bench);
    let text = get(bench.port, "GET /metrics").2;
    // promtool knows the older format only, which has no end mark, no units and no info.
    let older =
        text.replace("# EOF\n", "").replace("# TYPE pondreeve_build info", "# TYPE pondreeve_build gauge");
    let mut promtool = Command::new("promtool")
        .args(["check", "metrics", "--extended"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool (Debian's package prometheus)");
    promtool.stdin.take().expect("piped").write_all(older.as_bytes()).expect("fed");
    let said = promtool.wait_with_output().expect("ended");
    let complaints = String::from_utf8_lossy(&said.stderr).into_owned();
    assert!(!complaints.contains("error while linting"), "{complaints}");

    let (scratch, own) = (&bench.scratch, free_port());
    let scrape = format!(
        "global:\n  scrape_interval: 1s\nscrape_configs:\n  - job_name: pondreeve\n    static_configs:\n      \
         - targets: ['127.0.0.1:{}']\n",
        bench.port
    );
    let config = scratch.write("prometheus.yml", &scrape);
    let mut command = Command::new("prometheus");
    command
        .arg(format!("--config.file={}", config.display()))
        .arg(format!("--storage.tsdb.path={}", scratch.path("tsdb").display()))
        .arg(format!("--web.listen-address=127.0.0.1:{own}"));
    let log = scratch.path("prometheus.log");
    let _prometheus = Running::start(&mut command, &log);
    let query = "GET /api/v1/query?query=pondreeve_reading%7Bquantity%3D%22do_mg_l%22%7D";
    wait_for("Prometheus to have the reading", Duration::from_secs(40), || {
        TcpStream::connect(("127.0.0.1", own)).ok()?;
        let (_, _, body) = get(own, query);
        let json = &body[body.find('{')?..=body.rfind('}')?];
        let answer: Value = serde_json::from_str(json).ok()?;
        let found = answer["data"]["result"].get(0)?;
        (found["metric"]["pond"] == "p1" && found["value"][1] == "5.25").then_some(())
    });
    let up = get(own, "GET /api/v1/query?query=up").2;
    assert!(up.contains("\"1\""), "{up}\n{}", fs::read_to_string(&log).unwrap_or_default());
}
