//! The queryable end of a fleet: what `land.py` puts into a PostgreSQL of the test's own, from a broker of its own, and
//! through a kill of it.

use std::fs;
use std::os::unix::fs::{PermissionsExt as _, chown};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use pondreeve_tests::{Mosquitto, Running, Scratch, free_port, python, wait_for};

const SOON: Duration = Duration::from_secs(30);

fn deployed(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/fleet").join(name)
}

/// A program of the newest PostgreSQL that Debian has installed.
fn postgres_program(name: &str) -> PathBuf {
    let versions = fs::read_dir("/usr/lib/postgresql").expect("Debian's package postgresql");
    let newest = versions.flatten().map(|entry| entry.path()).max().expect("a version");
    newest.join("bin").join(name)
}

struct Database {
    port: u16,
    _server: Running,
}

impl Database {
    /// Listens on loopback; PostgreSQL does not run as root, so it runs as the user of its package where the test does.
    fn start(folder: &Path) -> Self {
        let is_root = nix::unistd::geteuid().is_root();
        let (data, port) = (folder.join("data"), free_port());
        fs::create_dir(&data).expect("folder");
        fs::set_permissions(folder, fs::Permissions::from_mode(0o755)).expect("readable");
        if is_root {
            let user = nix::unistd::User::from_name("postgres").expect("users").expect("the package's user");
            chown(&data, Some(user.uid.as_raw()), Some(user.gid.as_raw())).expect("given away");
        }
        let as_user = |program: &str| {
            let path = postgres_program(program);
            if is_root {
                let mut command = Command::new("setpriv");
                command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups"]).arg(path);
                command.current_dir("/");
                command
            } else {
                Command::new(path)
            }
        };
        let made = as_user("initdb")
            .args(["-U", "farms", "--auth=trust", "--no-sync", "-D"])
            .arg(&data)
            .output()
            .expect("initdb");
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let mut server = as_user("postgres");
        server.arg("-D").arg(&data).args(["-h", "127.0.0.1", "-k", "", "-p", &port.to_string()]);
        let server = Running::start(&mut server, &folder.join("postgres.log"));
        let database = Self { port, _server: server };
        wait_for("PostgreSQL to answer", SOON, || database.try_ask("select 1").ok());
        database
    }

    fn connection(&self) -> String {
        format!("host=127.0.0.1 port={} user=farms dbname=postgres", self.port)
    }

    fn psql(&self, arguments: &[&str]) -> Result<String, String> {
        let command = postgres_program("psql");
        let output = Command::new(command)
            .args(["-X", "-q", "-A", "-t", "-F", " ", "-v", "ON_ERROR_STOP=1", "-d", &self.connection()])
            .args(arguments)
            .output()
            .expect("psql");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim().to_owned();
        if output.status.success() { Ok(text(&output.stdout)) } else { Err(text(&output.stderr)) }
    }

    fn try_ask(&self, query: &str) -> Result<String, String> {
        self.psql(&["-c", query])
    }

    fn ask(&self, query: &str) -> String {
        self.try_ask(query).unwrap_or_else(|error| panic!("{query}: {error}"))
    }
}

fn loader(scratch: &Scratch, broker: &Mosquitto, database: &Database) -> Running {
    let mut command = Command::new(python());
    command.arg(deployed("land.py")).args(["127.0.0.1", &broker.port.to_string(), &database.connection()]);
    Running::start(&mut command, &scratch.path("land.log"))
}

/// Written by hand from deploy/schema/summary.v1.schema.json.
fn summary(sequence: u64, ended: u64, interval: u64, lowest: f64) -> String {
    format!(
        r#"[{{"bn":"pondreeve/g1/p1/","bt":{ended}.0,"n":"sequence","u":"count","v":{sequence}.0}},{{"n":"interval","u":"s","v":{interval}.0}},{{"n":"format","v":1.0}},{{"n":"do_mg_l/minimum","u":"mg/L","v":{lowest}}},{{"n":"do_mg_l/last","u":"mg/L","v":{lowest}}},{{"n":"alarms/critical","u":"count","v":0.0}},{{"n":"alarms/high","u":"count","v":0.0}},{{"n":"alarms/medium","u":"count","v":0.0}}]"#
    )
}

fn alarm(sequence: u64, state: &str, before: &str) -> String {
    format!(
        r#"{{"sequence":{sequence},"format":1,"gateway":"g1","pond":"p1","at":"2026-11-25T07:11:00Z","id":"p1.do-low-critical","name":"Oxygen critically low","priority":1,"state":"{state}","previous_state":"{before}","message":"P1: it's 2.5 mg/L","by":null}}"#
    )
}

#[test]
fn messages_land_once_whatever_is_repeated_or_killed() {
    let scratch = Scratch::new();
    let broker = Mosquitto::start(scratch.folder.path());
    let database = Database::start(scratch.folder.path());
    let script = deployed("landing.sql");
    // Twice: an update of the schema must do no harm.
    for _ in 0..2 {
        database.psql(&["-f", &script.display().to_string()]).expect("the schema");
    }
    let mut running = loader(&scratch, &broker, &database);
    wait_for("the loader to subscribe", SOON, || {
        broker.publish("pondreeve/g1/health", "online", 1);
        (database.ask("select says from pondreeve.health") == "online").then_some(())
    });
    // 2026-11-25T07:15:00Z, and a quarter of an hour later; the second one three times.
    broker.publish("pondreeve/g1/p1/summary", &summary(100, 1_795_590_900, 900, 2.5), 1);
    for _ in 0..3 {
        broker.publish("pondreeve/g1/p1/summary", &summary(101, 1_795_591_800, 900, 2.25), 1);
    }
    broker.publish("pondreeve/g1/alarm", &alarm(102, "unacknowledged", "normal"), 1);
    broker.publish("pondreeve/g1/alarm", &alarm(102, "unacknowledged", "normal"), 1);
    wait_for("the alarm", SOON, || {
        (database.ask("select count(*) from pondreeve.alarm") == "1").then_some(())
    });
    assert_eq!(
        database.ask("select count(*), min(sequence), max(sequence) from pondreeve.summary"),
        "10 100 101"
    );
    assert_eq!(
        database.ask("select id, message from pondreeve.standing"),
        "p1.do-low-critical P1: it's 2.5 mg/L"
    );
    assert_eq!(database.ask("select count(*) from pondreeve.gap"), "0");

    // What comes while nobody loads waits with the broker.
    running.kill_hard();
    broker.publish("pondreeve/g1/alarm", &alarm(104, "normal", "acknowledged"), 1);
    // The coarser summary that stands for 100 and 101 has the number of the last, and is no repeat of it.
    broker.publish("pondreeve/g1/p1/summary", &summary(101, 1_795_591_800, 1_800, 2.25), 1);
    let _again = loader(&scratch, &broker, &database);
    wait_for("what came meanwhile", SOON, || {
        (database.ask("select count(*) from pondreeve.summary") == "15").then_some(())
    });
    assert_eq!(database.ask("select count(*) from pondreeve.standing"), "0");
    assert_eq!(database.ask("select gateway, first_missing, last_missing from pondreeve.gap"), "g1 103 103");
    assert_eq!(
        database.ask("select value, ended at time zone 'UTC' from pondreeve.newest limit 1"),
        "2.25 2026-11-25 07:30:00"
    );
    // What an outage kept back comes late, and is not the newest.
    let late = format!(
        "select pondreeve.land('pondreeve/g1/p1/summary', '{}')",
        summary(103, 1_795_590_000, 900, 3.5)
    );
    database.ask(&late);
    assert_eq!(database.ask("select value from pondreeve.newest where quantity = 'do_mg_l'"), "2.25");
    assert_eq!(database.ask("select count(*) from pondreeve.gap"), "0");
    // 07:15 UTC at 80 degrees west is five to two in the night that began on the 24th.
    assert_eq!(
        database.ask("select pond, night, do_min_mg_l from pondreeve.night_low(-80)"),
        "p1 2026-11-24 2.25"
    );
    // The dashboards of the page that describes all this.
    let page = fs::read_to_string(deployed("README.md")).expect("the fleet's page");
    let (_, queries) = page.split_once("```sql\n").expect("dashboards");
    let queries = queries.split_once("```").expect("an end").0;
    let found = database.psql(&["-c", queries]).expect("each query is one that PostgreSQL understands");
    assert!(
        found.lines().any(|line| line.starts_with("g1 2026-11-2")),
        "who was silent for an hour: {found}"
    );
    assert!(found.contains("g1 p1 2026-11-23"), "the week's lowest oxygen: {found}");

    let refused = database.try_ask("select pondreeve.land('pondreeve/g1/weather', '{}')").unwrap_err();
    assert!(refused.contains("no table takes the topic pondreeve/g1/weather"), "{refused}");

    // What no table takes is kept with the reason, and holds up nobody: not even what came with it.
    broker.publish("pondreeve/g1/weather", "{}", 1);
    broker.publish("pondreeve/g1/p1/summary", "\u{1}no JSON", 1);
    broker.publish("pondreeve/g1/p1/summary", "[]", 1);
    broker.publish(
        "pondreeve/g1/alarm",
        &alarm(105, "normal", "acknowledged").replace("\"format\":1", "\"format\":2"),
        1,
    );
    broker.publish("pondreeve/g1/p1/summary", &summary(106, 1_795_592_700, 900, 2.0), 1);
    wait_for("what came behind it", SOON, || {
        (database.ask("select max(sequence) from pondreeve.summary") == "106").then_some(())
    });
    assert_eq!(
        database.ask(
            "select distinct topic, encode(payload, 'escape') from pondreeve.refused where why like 'no %'"
        ),
        "pondreeve/g1/alarm ".to_owned()
            + &alarm(105, "normal", "acknowledged").replace("\"format\":1", "\"format\":2")
            + "\npondreeve/g1/p1/summary []\npondreeve/g1/weather {}"
    );
    assert_eq!(
        database.ask(
            "select count(distinct payload) from pondreeve.refused where why like 'invalid input syntax%'"
        ),
        "1"
    );
    assert_eq!(database.ask("select count(*) from pondreeve.alarm"), "2");
}
