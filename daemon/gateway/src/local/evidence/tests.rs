//! A trial from its fixing to its end, through a running engine: seven weeks of two ponds.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::diary::{Disturbance, Dose, Entry, Feed, WaterMove, What};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Quantity, Site, Span, Timestamp};
use tempfile::TempDir;

use super::EvidenceStatus;
use crate::audit::Place;
use crate::engine::tests::{Rig, farm};
use crate::inbox::{Applied, Incoming};
use crate::local::protocol::{Ask, Reply};
use crate::local::requests::Counter;
use crate::local::trial::TrialAsk;

/// 2026-05-01 00:00 by the sun at 60° west.
const FIRST: Timestamp = Timestamp(1_777_608_000_000);
const QUARTER: Span = Span::from_minutes(15);

fn hours(hours: i64) -> Span {
    Span::from_hours(hours)
}

/// Oxygen of a pond: lowest about six in the morning, the days of both alike but for some of each one's own.
fn oxygen(pond: usize, hour: i64, quarter: i64) -> f64 {
    let (day, of_day) = ((hour / 24) as f64, (hour % 24) as f64 + quarter as f64 / 4.0);
    let shared = 0.4 * (day / 2.3).sin();
    let own =
        if pond == 0 { 0.15 * (day * 2.4).sin() + 0.1 * (day * 1.1).cos() } else { 0.05 * (day * 1.9).sin() };
    // The first dose is on the morning of day 16.
    let raised = if pond == 0 && hour >= 16 * 24 + 12 { 0.8 } else { 0.0 };
    6.0 - 2.0 * ((of_day - 5.0) / 24.0 * std::f64::consts::TAU).cos() + shared + own + raised
}

struct Trying {
    rig: Rig,
    counter: Counter,
    hour: i64,
}

impl Trying {
    async fn start(farm: &crate::config::Farm) -> Self {
        let rig = Rig::start(farm, FIRST).await;
        let counter = Counter {
            farm: Arc::new(farm.clone()),
            clock: rig.clock().clone(),
            desk: rig.desk.clone(),
            inbox: rig.inbox.clone(),
            queue: rig.queue.clone(),
            machine: crate::machine::Looked::default(),
            loans: Vec::new(),
            tally: crate::probes::tally::Tally::default(),
            tests: crate::annunciate::OutputTests::default(),
        };
        Self { rig, counter, hour: 0 }
    }

    /// Lives through some hours, with readings each quarter of one and feed each day.
    async fn live(&mut self, until: i64) {
        while self.hour < until {
            for quarter in 0..4 {
                self.rig.script.pass(Duration::from_secs(900));
                // The engine may take several at once; each says itself when it was measured.
                let at = FIRST + hours(self.hour) + Span::from_minutes(15 * (quarter + 1));
                let sample = |probe: u16, quantity, value| Sample {
                    probe: ProbeIndex(probe),
                    quantity,
                    channel: None,
                    value,
                    taken_at: Some(at),
                };
                let samples = vec![
                    sample(0, Quantity::DoMgL, oxygen(0, self.hour, quarter)),
                    sample(1, Quantity::DoMgL, oxygen(1, self.hour, quarter)),
                ];
                let event = Event::Sweep { samples };
                let incoming = Incoming { event, done: None, urgent: false, place: Place::Daemon };
                self.rig.inbox.send(incoming).await.unwrap();
                self.rig.desk.view().await.unwrap();
            }
            if self.hour % 24 == 9 {
                for pond in 0..2 {
                    self.record(pond, What::Feed(Feed { kg: 100.0, tray_left_percent: None })).await;
                }
            }
            self.hour += 1;
        }
    }

    async fn record(&self, pond: u16, what: What) {
        let at = FIRST + hours(self.hour);
        let entry = Entry { number: 0, at, corrects: None, basin: None, what };
        let event = Event::Diary { pond: PondIndex(pond), entry, by: "ana".to_owned() };
        let applied = self.rig.send(event).await;
        assert!(matches!(applied, Applied::Recorded(_)), "{applied:?}");
    }

    async fn fix(&self, change: impl FnOnce(&mut TrialAsk)) -> Reply {
        let mut ask = TrialAsk {
            treated: "p1".to_owned(),
            control: "p2".to_owned(),
            outcome: "dawn_minimum".to_owned(),
            wanted: None,
            method: "before_after".to_owned(),
            from: super::super::status::rfc3339(FIRST),
            to: super::super::status::rfc3339(FIRST + hours(46 * 24)),
            days_before: 14,
            days_after: 28,
            chosen_by: "adviser".to_owned(),
            reason: "drawn by lot".to_owned(),
            after_first_dose: false,
            replaces: None,
        };
        change(&mut ask);
        self.counter.answer(Ask::FixTrial(Box::new(ask)), "ana").await
    }

    async fn evidence(&self, trial: u64) -> EvidenceStatus {
        match self.counter.answer(Ask::Evidence { trial }, "ana").await {
            Reply::Evidence(own) => *own,
            other => panic!("{other:?} where evidence is due"),
        }
    }
}

fn refused(reply: Reply) -> String {
    match reply {
        Reply::Error { message, bad_request: true, .. } => message,
        other => panic!("{other:?} where a refusal is due"),
    }
}

/// Two ponds without aerators, each with an oxygen probe.
fn two_ponds(folder: &std::path::Path) -> crate::config::Farm {
    let mut farm = farm(folder);
    let mut site = Site::single_pond(10.0, -60.0, 15.0, &[Quantity::DoMgL], QUARTER);
    let (mut pond, mut probe) = (site.ponds[0].clone(), site.probes[0].clone());
    site.ponds[0].id = "p1".to_owned();
    site.ponds[0].aerators.clear();
    pond.id = "p2".to_owned();
    pond.aerators.clear();
    probe.id = "other".to_owned();
    probe.pond = Some(PondIndex(1));
    site.ponds.push(pond);
    site.probes.push(probe);
    farm.site = site;
    farm
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_trial_is_fixed_lived_through_and_told() {
    let folder = TempDir::new().unwrap();
    let farm = two_ponds(folder.path());
    let mut trying = Trying::start(&farm).await;
    trying.live(30).await;

    let why = refused(trying.fix(|ask| ask.control = "p1".to_owned()).await);
    assert!(why.contains("p1 cannot be its own control") && why.contains("accepted"), "{why}");
    let why = refused(trying.fix(|ask| ask.control = "p9".to_owned()).await);
    assert!(why.contains("p9 is no pond") && why.contains("p1, p2"), "{why}");
    let why = refused(trying.fix(|ask| ask.outcome = "luck".to_owned()).await);
    assert!(why.contains("luck") && why.contains("dawn_minimum"), "{why}");
    let why = refused(trying.fix(|ask| ask.days_before = 5).await);
    assert!(why.contains("at least 14 and 28"), "{why}");
    let why = refused(trying.fix(|ask| (ask.outcome, ask.method) = ("tan".into(), "doses".into())).await);
    assert!(why.contains("tan cannot be looked at dose by dose"), "{why}");
    let Reply::Trials { trials } = trying.fix(|_| {}).await else { panic!("it is fixed") };
    assert_eq!((trials.len(), trials[0].trial, trials[0].after_first_dose), (1, 1, false));
    let why = refused(trying.fix(|_| {}).await);
    assert!(why.contains("trial 1 already compares the same"), "{why}");

    trying.live(16 * 24 + 11).await;
    trying.record(0, What::Dose(Dose { slurry_kg: Some(30.0), ..Dose::default() })).await;
    let own = trying.evidence(1).await;
    assert_eq!(own.doses, ["2026-05-17"], "known on the same day");
    assert_eq!((own.before.days, own.after.days), (16, 0));
    trying.live(20 * 24).await;
    let early = trying.evidence(1).await;
    assert_eq!(early.level, "not_enough_evidence");
    assert!(early.reasons.iter().any(|why| why.contains("runs for 26 more days")), "{:?}", early.reasons);

    // Chosen now, when everybody has seen the first days.
    let why = refused(trying.fix(|ask| ask.outcome = "dusk_peak".to_owned()).await);
    assert!(why.contains("chosen after the first dose"), "{why}");
    let late = |ask: &mut TrialAsk| {
        ask.outcome = "dusk_peak".to_owned();
        ask.after_first_dose = true;
    };
    let Reply::Trials { trials } = trying.fix(late).await else { panic!("it is fixed") };
    assert!(trials[1].after_first_dose);

    let own = trying.evidence(1).await;
    assert!(own.noted[0].starts_with("one of 2 comparisons that were fixed for p1"), "{:?}", own.noted);

    // The control's bank breaks on day 24; somebody says so on the same day.
    trying.live(24 * 24 + 12).await;
    let broke = |words: &str| What::Disturbance(Disturbance { stop: None, words: words.to_owned() });
    trying.record(1, broke("bank broke")).await;

    trying.live(46 * 24 + 2).await;
    let own = trying.evidence(1).await;
    assert_eq!((own.level.as_str(), &own.reasons), ("consistent_with_an_effect", &Vec::<String>::new()));
    let effect = own.effect.unwrap();
    assert!(effect.low < 0.8 && 0.8 < effect.high && effect.low > 0.0, "{effect:?}");
    assert_eq!((own.before.days, own.before.known), (16, 15), "the night before the first day was not seen");
    // A step that comes within a quarter of an hour is doubted for a day or two.
    assert!(own.after.days == 29 && (25..=27).contains(&own.after.known), "{:?}", own.after);
    // The low of the next morning shows that day too.
    let told = "2026-05-25 to 2026-05-26 p2: disturbed: bank broke: left out";
    assert!(own.noted.iter().any(|own| own == told), "{:?}", own.noted);

    // A day that is marked when its value is known stays in.
    let known = own.after.known;
    let at = FIRST + hours(24 * 30 + 12);
    let entry = Entry { number: 0, at, corrects: None, basin: None, what: broke("came to mind") };
    trying.rig.send(Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() }).await;
    let own = trying.evidence(1).await;
    assert_eq!((own.after.known, own.level.as_str()), (known, "consistent_with_an_effect"));
    let told = "2026-05-31 to 2026-06-01 p1: disturbed: came to mind: marked more than 48 h after it was over: counted all the same";
    assert!(own.noted.iter().any(|own| own == told), "{:?}", own.noted);
    assert_eq!(own.doses, ["2026-05-17"]);
    assert!(own.caution.contains("20 %") && own.caution.contains("Murtaugh"));
    let late = trying.evidence(2).await;
    assert_eq!(late.level, "not_enough_evidence");
    assert_eq!(late.reasons, ["what is compared was chosen after the first dose"]);

    // A dose that comes to mind when the outcome is known is told as that; so is one that is withdrawn then.
    let at = FIRST + hours(24 * 18 + 11);
    let what = What::Dose(Dose { slurry_kg: Some(30.0), ..Dose::default() });
    let entry = Entry { number: 0, at, corrects: None, basin: None, what };
    let applied = trying.rig.send(Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() }).await;
    let Applied::Recorded(second) = applied else { panic!("{applied:?}") };
    let own = trying.evidence(1).await;
    assert_eq!((own.doses.len(), own.level.as_str()), (2, "consistent_with_an_effect"), "as without it");
    let number = second.entry.number;
    let told = format!("2026-05-19 p1: a dose was entered more than 48 h afterwards (entry {number})");
    assert!(own.noted.contains(&told), "{:?}", own.noted);
    let what = What::Withdrawal { reason: "it was not".to_owned() };
    let entry = Entry { number: 0, at, corrects: Some(number), basin: None, what };
    trying.rig.send(Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() }).await;
    let own = trying.evidence(1).await;
    let later = number + 1;
    let told = format!(
        "2026-05-19 p1: entry {number} of a dose was corrected or withdrawn more than 48 h afterwards (entry {later})"
    );
    assert!(own.doses.len() == 1 && own.noted.contains(&told), "{:?}", own.noted);

    // What else was done to one pond only takes the evidence away, whenever it is recorded.
    for day in 20..30 {
        let stop = Some(FIRST + hours(24 * day + 13));
        let water = WaterMove { volume_m3: Some(1_000.0), stop, ..WaterMove::default() };
        let at = FIRST + hours(24 * day + 12);
        let entry = Entry { number: 0, at, corrects: None, basin: None, what: What::Drain(water) };
        let event = Event::Diary { pond: PondIndex(0), entry, by: "ana".to_owned() };
        let applied = trying.rig.send(event).await;
        assert!(matches!(applied, Applied::Recorded(_)), "{applied:?}");
    }
    let own = trying.evidence(1).await;
    assert_eq!(own.level, "not_enough_evidence");
    assert_eq!(own.reasons, ["water let out changed in one pond and not in the other"]);

    // A later trial takes the place of the first; both are told.
    let Reply::Trials { trials } = trying
        .fix(|ask| {
            ask.replaces = Some(1);
            ask.after_first_dose = true;
            ask.to = super::super::status::rfc3339(FIRST + hours(60 * 24));
        })
        .await
    else {
        panic!("it is fixed")
    };
    assert_eq!((trials[0].replaced_by, trials[2].replaces), (Some(3), Some(1)));
    let own = trying.evidence(3).await;
    assert_eq!(own.earlier.iter().map(|own| own.trial).collect::<Vec<_>>(), [1]);
    assert!(own.reasons.iter().any(|why| why.contains("chosen after the first dose")));

    // All of it is in the audit trail, and outlives the state.
    let rows = trying.rig.desk.shelf().trail(1).await.unwrap();
    let told: Vec<&str> =
        rows.iter().map(|(_, row)| row.text.as_str()).filter(|text| text.contains("\"trial\"")).collect();
    assert_eq!(told.iter().filter(|text| !text.contains("refused")).count(), 3, "{told:?}");
    let lived = trying.rig.end().await;
    std::fs::remove_file(farm.store.path.join("checkpoint")).unwrap();
    let again = crate::engine::tests::replayed(&farm).await;
    assert!(again.reading.cut_short, "the first trial is older than what a start reads");
    assert_eq!(again.state.trials(), lived.trials());
}

/// What a trial of the oldest form in the journal says stays; see the record's own test for its bytes.
#[tokio::test]
async fn an_unknown_trial_is_named_with_those_known() {
    let folder = TempDir::new().unwrap();
    let trying = Trying::start(&two_ponds(folder.path())).await;
    let why = refused(trying.counter.answer(Ask::Evidence { trial: 4 }, "ana").await);
    assert!(why.contains("no trial 4") && why.contains("none yet"), "{why}");
    trying.rig.end().await;
}
