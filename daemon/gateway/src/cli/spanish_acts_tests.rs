//! What a technician does on the demonstration's farm, answered in Spanish: by a running engine, so that every sentence is
//! the daemon's own.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity};
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;

use super::spanish_tests::{AFTERNOON, english_in, spanish, water};
use super::{acknowledge, enter, plain, record, shelve};
use crate::config::Farm;
use crate::engine::tests::Rig;
use crate::inbox::Applied;
use crate::local::diary::{DoseAsk, EntryAsk, RecordAsk, WaterAsk};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::local::requests::Counter;
use crate::local::server;
use crate::texts::said::told;

/// The demonstration's farm in the hands of a test.
pub(super) struct Living {
    pub(super) farm: Farm,
    rig: Rig,
    counter: Arc<Counter>,
    _folder: TempDir,
}

impl Living {
    pub(super) async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    pub(super) async fn start_with(change: impl FnOnce(&mut Farm)) -> Self {
        let folder = TempDir::new().unwrap();
        let demo = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo/farm.toml"));
        let mut farm = crate::config::load(demo).unwrap();
        farm.store.path = folder.path().join("store");
        farm.local.socket = folder.path().join("socket");
        farm.local.group = None;
        change(&mut farm);
        let rig = Rig::start(&farm, AFTERNOON).await;
        let counter = Arc::new(Counter {
            farm: Arc::new(farm.clone()),
            clock: rig.clock().clone(),
            desk: rig.desk.clone(),
            inbox: rig.inbox.clone(),
            queue: rig.queue.clone(),
            machine: crate::machine::Looked::default(),
            loans: Vec::new(),
            tally: crate::probes::tally::Tally::default(),
            tests: crate::annunciate::OutputTests::default(),
        });
        Self { farm, rig, counter, _folder: folder }
    }

    pub(super) fn pass_minutes(&self, minutes: u64) {
        self.rig.script.pass(Duration::from_secs(60 * minutes));
    }

    /// Every probe each two minutes for so long, as `value` has it by the hours since it began.
    pub(super) async fn hours(&self, hours: i64, value: impl Fn(Quantity, f64) -> Option<f64>) {
        for step in 0..hours * 30 {
            self.pass_minutes(2);
            let mut samples = Vec::new();
            for (position, probe) in self.farm.site.probes.iter().enumerate() {
                let probe_index = ProbeIndex(u16::try_from(position).unwrap());
                for channel in &probe.channels {
                    let Some(value) = value(channel.quantity, step as f64 / 30.0) else { continue };
                    let quantity = channel.quantity;
                    let taken_at = None;
                    samples.push(Sample { probe: probe_index, quantity, channel: None, value, taken_at });
                }
            }
            // Each is taken before time goes on, so that the same comes of it whenever this runs.
            assert_eq!(self.rig.send(Event::Sweep { samples }).await, Applied::Done);
        }
    }

    /// Lets commands in by the socket.
    pub(super) async fn listen(&self) {
        let socket = server::listen(&self.farm.local).await.unwrap();
        tokio::spawn(server::serve(socket, Arc::clone(&self.counter), CancellationToken::new()));
    }

    pub(super) async fn ask(&self, ask: Ask) -> Reply {
        self.counter.answer(ask, "ana").await
    }

    pub(super) async fn status(&self) -> FarmStatus {
        match self.ask(Ask::Status).await {
            Reply::Status(farm) => *farm,
            other => panic!("{other:?}"),
        }
    }

    pub(super) async fn done(&self, ask: Ask) {
        let reply = self.ask(ask).await;
        assert!(matches!(reply, Reply::Done { warning: None, .. }), "{reply:?}");
    }

    /// A refusal, as the command tells it.
    pub(super) async fn refused(&self, ask: Ask) -> String {
        match self.ask(ask).await {
            Reply::Error { message, said, bad_request: true } => {
                let shown = told(spanish(), &message, said.as_deref());
                assert_ne!(shown, message);
                format!("{shown}\n")
            }
            other => panic!("{other:?} where a refusal is due"),
        }
    }
}

/// What is shown, once it is sure that it has no English in it and fits a serial console.
pub(super) fn spoken(shown: String) -> String {
    assert_eq!(english_in(&shown), Vec::<String>::new(), "{shown}");
    assert!(!shown.contains('⟨'), "{shown}");
    shown
}

/// The same of lines of an answer; a refusal is one line of any length.
pub(super) fn lines(shown: String) -> String {
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "wider than a serial console: {line}");
    }
    spoken(shown)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn alarms_are_acknowledged_and_put_aside_in_spanish() {
    let living = Living::start().await;
    living.hours(5, water(0.9)).await;
    let before = living.status().await;
    let (low, ph) = ("p1.do-low-critical", "p1.ph-high-warn");
    let of = |farm: &FarmStatus, id: &str| farm.alarms.iter().find(|own| own.id == id).cloned();
    let alarm = of(&before, low).unwrap();
    // Two others stay, so that the answer is short.
    let others = before.alarms.iter().filter(|own| own.awaits_acknowledgement());
    for own in others.filter(|own| ![low, ph, "p2.do-low-critical"].contains(&own.id.as_str())) {
        // Some are acknowledged with what is graver.
        living.ask(Ask::Acknowledge { id: own.id.clone() }).await;
    }
    living.done(Ask::Acknowledge { id: low.to_owned() }).await;
    let after = living.status().await;
    let told = |before, now: Option<_>| lines(acknowledge::told(before, now, &after, None, spanish()));
    let now = of(&after, low);
    let (first, again) = (told(&alarm, now.as_ref()), told(now.as_ref().unwrap(), now.as_ref()));
    insta::assert_snapshot!("acknowledge_in_spanish", format!("{first}\n{again}\n{}", told(&alarm, None)));

    let known = acknowledge::find(&after, "p1.do-low", spanish()).unwrap_err();
    let mut refused = spoken(known.message);
    refused.push('\n');
    refused.push_str(&spoken(living.refused(Ask::Acknowledge { id: low.to_owned() }).await));
    let shelve = |id: &str, seconds| Ask::Shelve {
        id: id.to_owned(),
        seconds,
        reason: crate::console::shelving::NO_REASON.to_owned(),
    };
    refused.push_str(&spoken(living.refused(shelve(low, 600)).await));
    refused.push_str(&spoken(living.refused(shelve("p1.ph", 600)).await));
    refused.push_str(&spoken(living.refused(Ask::Unshelve { id: ph.to_owned() }).await));
    refused.push_str(&spoken(living.refused(Ask::Reset { id: ph.to_owned() }).await));
    insta::assert_snapshot!("alarms_refused_in_spanish", refused);

    living.done(shelve(ph, 3_600)).await;
    let farm = living.status().await;
    let mut shown = lines(shelve::told(ph, of(&farm, ph).as_ref(), &farm, None, spanish()));
    living.done(Ask::Unshelve { id: ph.to_owned() }).await;
    let farm = living.status().await;
    shown.push_str(&lines(shelve::told(ph, of(&farm, ph).as_ref(), &farm, None, spanish())));
    // What is low still is in alarm again at once.
    let warn = "p1.do-low-warn";
    living.done(shelve(warn, 1_800)).await;
    living.done(Ask::Unshelve { id: warn.to_owned() }).await;
    let farm = living.status().await;
    shown.push_str(&lines(shelve::told(warn, of(&farm, warn).as_ref(), &farm, None, spanish())));
    insta::assert_snapshot!("shelve_in_spanish", shown);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn hand_readings_are_entered_in_spanish() {
    let living = Living::start().await;
    living.hours(2, water(0.9)).await;
    let typed: Vec<String> =
        ["tan_mg_l=2.0:NH4", "nitrite_mg_l=0.3", "do_mg_l=3.1", "ph=8.8"].map(str::to_owned).to_vec();
    let values = enter::values(&typed, spanish()).unwrap();
    let ask = Ask::Enter {
        pond: "p1".to_owned(),
        values: values.iter().map(|own| (own.quantity.id().to_owned(), own.stored())).collect(),
        at: None,
    };
    let Reply::Done { checks, .. } = living.ask(ask).await else { panic!("it is entered") };
    assert!(checks.iter().any(|check| check.check_probe), "{checks:?}");
    let farm = living.status().await;
    let clock = plain::clock(&farm).read_in(spanish());
    let mut shown = enter::told(&farm, "p1", (&farm.at, clock), &values, &checks, None);
    let hour = |value| vec![("2026-06-15T22:00:00Z".to_owned(), value)];
    for hours in [hour(8.9), Vec::new()] {
        let meaning = enter::ammonia::Meaning::of(1.55, &farm, "p1", &hours, &hour(29.0)).words(clock);
        plain::paragraph(&mut shown, "", "", &meaning);
    }
    let mut bare = farm.clone();
    bare.ponds.iter_mut().for_each(|pond| pond.readings.clear());
    plain::paragraph(
        &mut shown,
        "",
        "",
        &enter::ammonia::Meaning::of(1.55, &bare, "p1", &[], &[]).words(clock),
    );
    insta::assert_snapshot!("enter_in_spanish", lines(shown));

    let wrong: Vec<String> = [
        "tan=0.9",
        "do_mg_l=4,7",
        "tan_mg_l",
        "nh3_n_mg_l=0.1",
        "orp_mv=1",
        "orp_mv=2",
        "ph=82",
        "nitrate_mg_l=4:NO2",
        "salinity_psu=18:N",
        "nitrite_mg_l=4000:NO2",
        "aerator_on=3",
    ]
    .map(str::to_owned)
    .to_vec();
    let mut refused = enter::values(&wrong, spanish()).unwrap_err().message;
    for at in ["half", "24:10", "2999-01-01T00:00:00Z"] {
        refused.push('\n');
        refused.push_str(&enter::time(at, &farm, spanish()).unwrap_err().message);
    }
    insta::assert_snapshot!("enter_refused_in_spanish", spoken(refused));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_diary_is_kept_in_spanish() {
    let living = Living::start().await;
    living.hours(1, water(0.1)).await;
    let mut shown = String::new();
    let record = |entry: EntryAsk, corrects| {
        Ask::Record(Box::new(RecordAsk { pond: "p1".to_owned(), entry, at: None, corrects }))
    };
    let dose = DoseAsk {
        slurry_kg: Some(60.0),
        solids_percent: Some(60.0),
        slurry_density_kg_l: Some(1.53),
        ..DoseAsk::default()
    };
    let differs = DoseAsk { containers: Some(9.0), container_kg: Some(25.0), ..dose.clone() };
    let water = WaterAsk { level_before_m: Some(1.5), level_after_m: Some(1.3), ..WaterAsk::default() };
    let entries = vec![
        (
            EntryAsk::Stocking {
                count: 600_000,
                species: Some("vannamei".to_owned()),
                lot: None,
                size: Some("PL10".to_owned()),
                abw_g: Some(0.1),
            },
            None,
        ),
        (EntryAsk::Dose(dose), None),
        (EntryAsk::Feed { kg: 38.0, tray_left_percent: Some(5.0) }, None),
        (EntryAsk::Feed { kg: 36.0, tray_left_percent: None }, Some(3)),
        (EntryAsk::Drain(water), None),
        (EntryAsk::Sampling { count: 80, grams: 712.0 }, None),
        (EntryAsk::Mortality { count: Some(12), kg: None }, None),
        (
            EntryAsk::Count {
                lot: Some("M-18".to_owned()),
                left: 12.5,
                delivered: Some(2.0),
                container_kg: Some(25.0),
                reason: None,
            },
            None,
        ),
        (EntryAsk::Sludge { ph: Some(6.8), orp_mv: Some(-120.0), depth_cm: Some(4.0), method: None }, None),
        (EntryAsk::Withdrawal { reason: "era de p2".to_owned() }, Some(7)),
    ];
    for (entry, corrects) in entries {
        living.pass_minutes(3);
        let recorded = match living.ask(record(entry, corrects)).await {
            Reply::Recorded(recorded) => recorded,
            other => panic!("{other:?} where an entry is due"),
        };
        let farm = living.status().await;
        shown.push_str(&lines(record::told::recorded(&farm, &recorded, spanish())));
    }
    insta::assert_snapshot!("record_in_spanish", shown);

    let mut refused = match living.ask(record(EntryAsk::Dose(differs), None)).await {
        Reply::Unsure { message, said } => told(spanish(), &message, said.as_deref()) + "\n",
        other => panic!("{other:?} where it is unsure"),
    };
    let none = EntryAsk::Drain(WaterAsk::default());
    refused.push_str(&living.refused(record(none, None)).await);
    let feed = EntryAsk::Feed { kg: 1.0, tray_left_percent: None };
    refused.push_str(&living.refused(record(feed.clone(), Some(3))).await);
    refused.push_str(&living.refused(record(feed, Some(99))).await);
    let farm = living.status().await;
    for at in ["noon", "2999-01-01 06:30"] {
        refused.push_str(&record::time::read("--at", at, &farm, spanish()).unwrap_err().message);
        refused.push('\n');
    }
    insta::assert_snapshot!("record_refused_in_spanish", spoken(refused));

    living.done(Ask::Acknowledge { id: "p1.ph-high-warn".to_owned() }).await;
    let farm = living.status().await;
    let ask = Ask::Deeds {
        pond: None,
        from: "2026-06-15T00:00:00Z".to_owned(),
        to: "2026-06-17T00:00:00Z".to_owned(),
        most: 100,
    };
    let Reply::Deeds { deeds, .. } = living.ask(ask).await else { panic!("deeds are told") };
    let mut listed = lines(record::list::listed(&farm, &deeds, true, 7, spanish()));
    listed.push_str(&lines(record::list::listed(&farm, &[], false, 7, spanish())));
    insta::assert_snapshot!("record_list_in_spanish", listed);
}
