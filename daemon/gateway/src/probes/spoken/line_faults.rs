//! A campaign of injected line faults with the truth known, for SDI-12 and for lines of text: no wrong value may ever
//! be accepted, and none that an earlier question asked for.
//!
//! The line is a pair of in-memory pipes on a clock that the test owns. Each value says whose it is, where it stands
//! and which question or measurement it answers.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use pondreeve_protocol::reported::Reported;
use pondreeve_protocol::sdi12::{Command, SensorMap, crc_text, crc16, decode_command};
use pondreeve_protocol::text_line::{Checksum, LineMap, Pattern, xor};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream, duplex};
use tokio::time::{Instant, sleep};

use super::super::far_end::{ANSWERS_AFTER, behind_noise, serve};
use super::sensor::{self, Manner, Owing};
use super::talk::Talk;
use super::{Failure, text};
use crate::config::farm::Wake;

const TIMEOUT: Duration = Duration::from_millis(300);

#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    None,
    Silent,
    Late(Duration),
    Noise(usize),
    Cut,
    Flipped(usize, u8),
    OtherAddress,
    OtherFirst,
    Echo,
    Twice,
    /// The measurement is lost.
    Aborted,
    /// The front of the answer is missing.
    Beheaded,
}

/// Thirteen kinds of trouble in so many questions.
fn any_fault(rng: &mut ChaCha8Rng, of: u32) -> Fault {
    match rng.random_range(0..of) {
        0 | 1 => Fault::Silent,
        2 | 3 => Fault::Late(Duration::from_millis(rng.random_range(250..9_000))),
        4 => Fault::Noise(rng.random_range(1..200)),
        5 => Fault::Cut,
        6 => Fault::Flipped(rng.random_range(0..20), rng.random_range(0..7)),
        7 => Fault::OtherAddress,
        8 => Fault::OtherFirst,
        9 => Fault::Echo,
        10 => Fault::Twice,
        11 => Fault::Aborted,
        12 => Fault::Beheaded,
        _ => Fault::None,
    }
}

/// Of a question and whether it is well, the answer.
type Answer = Box<dyn FnMut(&[u8], bool) -> Option<Vec<u8>> + Send>;

/// What the far end answers, and what is on the line in its place.
struct Far {
    answer: Answer,
    /// An answer of the same form from somebody else.
    other: Vec<u8>,
    end_of_question: u8,
}

async fn far_end(port: DuplexStream, mut far: Far, mut next: impl FnMut() -> Fault) {
    let answers = |received: &mut Vec<u8>| {
        let mut answers = Vec::new();
        while let Some(end) = received.iter().position(|byte| *byte == far.end_of_question) {
            let question: Vec<u8> = received.drain(..=end).collect();
            let fault = next();
            let Some(frame) = (far.answer)(&question, fault == Fault::Aborted) else { continue };
            let delay = ANSWERS_AFTER;
            let (frame, delay) = match fault {
                Fault::None | Fault::Aborted => (frame, delay),
                Fault::Silent => continue,
                Fault::Late(by) => (frame, by),
                Fault::Noise(count) => (behind_noise(count, frame), delay),
                Fault::Cut => (frame[..frame.len() - 2].to_vec(), delay),
                Fault::Beheaded => (frame[1..].to_vec(), delay),
                Fault::Flipped(place, bit) => {
                    let mut frame = frame;
                    let place = place % frame.len();
                    frame[place] ^= 1 << bit;
                    (frame, delay)
                }
                Fault::OtherAddress => (far.other.clone(), delay),
                Fault::OtherFirst => ([far.other.clone(), frame].concat(), delay),
                Fault::Echo => ([question, frame].concat(), delay),
                Fault::Twice => ([frame.clone(), frame].concat(), delay),
            };
            answers.push((frame, delay));
        }
        answers
    };
    serve(port, answers).await;
}

fn reported(channel: &str) -> Reported {
    let channel = channel.to_owned();
    Reported { channel, scale: 1.0, offset: 0.0, unit: String::new(), no_value: Vec::new(), range: None }
}

/// Nine values in three pages, of the measurement that was begun last.
fn a_sensor(begun: Arc<AtomicU32>) -> Far {
    let mut crc = false;
    let mut lost = false;
    let answer = move |question: &[u8], aborted: bool| {
        let (address, command) = decode_command(question)?;
        if address != b'1' {
            return None;
        }
        let mut text = vec![address];
        match command {
            Command::Acknowledge => {}
            Command::Measure { crc: asked, .. } | Command::Concurrent { crc: asked, .. } => {
                (crc, lost) = (asked, aborted);
                begun.fetch_add(1, Ordering::SeqCst);
                text.extend(if matches!(command, Command::Measure { .. }) { &b"0009"[..] } else { b"00009" });
            }
            Command::Data(page) => {
                if !lost && page < 3 {
                    for position in 1..=3 {
                        let number = begun.load(Ordering::SeqCst) % 1_000;
                        text.extend(format!("+1{number:03}.{}", u32::from(page) * 3 + position).bytes());
                    }
                }
                if crc {
                    let check = crc_text(crc16(&text));
                    text.extend(check);
                }
            }
            Command::Announce { .. } | Command::Describe { .. } => return None,
            Command::Identify => text.extend(b"14BENCH   CAMPGN100"),
        }
        text.extend(b"\r\n");
        Some(text)
    };
    Far { answer: Box::new(answer), other: b"2+9001.1+9001.2+9001.3\r\n".to_vec(), end_of_question: b'!' }
}

fn sensor_map(crc: bool) -> SensorMap {
    let values = (1..=9).map(|position| (position, reported(&position.to_string()))).collect();
    let measurement = Command::Measure { number: 0, crc };
    SensorMap { id: "campaign".into(), description: String::new(), measurement, values }
}

fn line(far: Far, next: impl FnMut() -> Fault + Send + 'static) -> Talk<DuplexStream> {
    let (ours, theirs) = duplex(4_096);
    tokio::spawn(far_end(theirs, far, next));
    Talk::new(ours, Duration::from_secs_f64(10.0 / 1_200.0), Duration::from_millis(5), TIMEOUT)
}

/// One whole measurement; whatever it gives must be true and of this measurement.
async fn measure(
    talk: &mut Talk<DuplexStream>,
    crc: bool,
    attempts: u32,
    owing: &mut Owing,
    begun_before: &AtomicU32,
) -> Result<Vec<f64>, Failure> {
    let map = sensor_map(crc);
    let manner = Manner { address: b'1', wake: Wake::Break, patience: TIMEOUT, attempts };
    let before = begun_before.load(Ordering::SeqCst);
    let begun = sensor::begin(talk, manner, &map, owing).await?;
    sensor::await_ready(talk, b'1', begun).await?;
    let values = sensor::collect(talk, manner, &map, begun, owing).await?;
    let (placed, problems) = sensor::placed(&map, &values);
    assert_eq!((placed.len(), problems.len()), (9, 0));
    for (channel, value) in &placed {
        let position: f64 = channel.parse().unwrap();
        let number = (value - 1_000.0).floor();
        assert!(
            (value - 1_000.0 - number - position / 10.0).abs() < 1e-9,
            "{channel}: {value}: another place"
        );
        assert!(number > f64::from(before), "{channel}: {value}: of a measurement before {before}");
    }
    Ok(values)
}

#[tokio::test(start_paused = true)]
async fn no_wrong_value_is_ever_accepted_from_a_sensor() {
    for (seed, crc) in (0..60).map(|seed| (seed, true)).chain((60..120).map(|seed| (seed, false))) {
        let begun = Arc::new(AtomicU32::new(0));
        let calm = Arc::new(AtomicBool::new(false));
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut far_rng, is_calm) = (ChaCha8Rng::seed_from_u64(seed + 1_000), Arc::clone(&calm));
        let mut talk = line(a_sensor(Arc::clone(&begun)), move || {
            if is_calm.load(Ordering::Relaxed) { Fault::None } else { any_fault(&mut far_rng, 52) }
        });
        let (mut owing, mut good) = (Owing::new(), 0);
        for _ in 0..60 {
            let attempts = rng.random_range(1..4);
            good += u32::from(measure(&mut talk, crc, attempts, &mut owing, &begun).await.is_ok());
            if rng.random_range(0..4) == 0 {
                sleep(Duration::from_millis(rng.random_range(0..3_000))).await;
            }
        }
        assert!(good >= 3, "seed {seed}: only {good} of 60 were read");
        calm.store(true, Ordering::Relaxed);
        let mut heard = false;
        for _ in 0..2 {
            sleep(Duration::from_secs(10)).await;
            heard |= measure(&mut talk, crc, 3, &mut owing, &begun).await.is_ok();
        }
        assert!(heard, "seed {seed}: not heard within two polls after the faults");
    }
}

async fn one(fault: Fault) -> Result<Vec<f64>, Failure> {
    let mut first = true;
    let begun = Arc::new(AtomicU32::new(0));
    let mut talk =
        line(
            a_sensor(Arc::clone(&begun)),
            move || {
                if std::mem::take(&mut first) { fault } else { Fault::None }
            },
        );
    measure(&mut talk, true, 1, &mut Owing::new(), &begun).await
}

#[tokio::test(start_paused = true)]
async fn each_fault_is_told_for_what_it_is() {
    assert!(one(Fault::None).await.is_ok());
    for fault in [Fault::OtherFirst, Fault::Echo, Fault::Twice] {
        assert!(one(fault).await.is_ok(), "{fault:?} is read through");
    }
    assert!(matches!(one(Fault::Silent).await, Err(Failure::Silent)));
    match one(Fault::OtherAddress).await {
        Err(Failure::Garbled { why, .. }) => {
            assert!(why.contains("address `2` answered, `1` was asked"), "{why}");
        }
        other => panic!("{other:?}"),
    }
    match one(Fault::Aborted).await {
        Err(Failure::NoValues(why)) => assert!(why.contains("aborted: 0 of 9"), "{why}"),
        other => panic!("{other:?}"),
    }
    assert!(matches!(one(Fault::Cut).await, Err(Failure::Garbled { .. })));
}

/// A sensor that says after some seconds that it is ready, and one that forgets to.
#[tokio::test(start_paused = true)]
async fn a_service_request_is_awaited_and_missed_without_harm() {
    for (says, seconds) in [(true, 4), (false, 31)] {
        let (ours, mut theirs) = duplex(4_096);
        tokio::spawn(async move {
            let mut bytes = [0; 64];
            loop {
                let Ok(count @ 1..) = theirs.read(&mut bytes).await else { return };
                match &bytes[..count] {
                    b"1MC!" => {
                        theirs.write_all(b"10301\r\n").await.unwrap();
                        sleep(Duration::from_secs(4)).await;
                        // Somebody else's is none.
                        theirs.write_all(if says { b"2\r\n1\r\n" } else { b"2\r\n" }).await.unwrap();
                    }
                    b"1D0!" => {
                        let check = crc_text(crc16(b"1+7.5"));
                        theirs.write_all(&[&b"1+7.5"[..], &check, b"\r\n"].concat()).await.unwrap();
                    }
                    other => panic!("{other:?}"),
                }
            }
        });
        let mut talk =
            Talk::new(ours, Duration::from_millis(8), Duration::from_millis(5), Duration::from_millis(300));
        let map = sensor_map(true);
        let manner = Manner { address: b'1', wake: Wake::Adapter, patience: TIMEOUT, attempts: 1 };
        let mut owing = Owing::new();
        let began = Instant::now();
        let begun = sensor::begin(&mut talk, manner, &map, &mut owing).await.unwrap();
        sensor::await_ready(&mut talk, b'1', begun).await.unwrap();
        assert_eq!(began.elapsed().as_secs(), seconds);
        assert_eq!(sensor::collect(&mut talk, manner, &map, begun, &mut owing).await.unwrap(), [7.5]);
    }
}

/// Each answer says which question it answers.
fn a_line_probe(asked: Arc<AtomicU32>) -> Far {
    let answer = move |question: &[u8], _| {
        assert_eq!(question, b"R\r");
        let text = format!("$OX,{}.5,28.9", asked.fetch_add(1, Ordering::SeqCst) + 1);
        Some(format!("{text}*{:02X}\r\n", xor(text.as_bytes())).into_bytes())
    };
    Far { answer: Box::new(answer), other: b"$PH,7.86*00\r\n".to_vec(), end_of_question: b'\r' }
}

fn line_map(ask: Option<&[u8]>) -> LineMap {
    LineMap {
        id: "campaign".into(),
        description: String::new(),
        ask: ask.map(<[u8]>::to_vec),
        end: b"\r\n".to_vec(),
        longest: 40,
        checksum: Checksum::Xor,
        pattern: Pattern::new(r"\$OX,(?P<ox>\d+\.\d),(?P<temp>\d+\.\d)").unwrap(),
        values: vec![("ox".into(), reported("do_mg_l")), ("temp".into(), reported("temperature_c"))],
        example: String::new(),
    }
}

#[tokio::test(start_paused = true)]
async fn no_wrong_value_is_ever_accepted_from_a_line_of_text() {
    let map = line_map(Some(b"R\r"));
    for seed in 0..80 {
        let asked = Arc::new(AtomicU32::new(0));
        let calm = Arc::new(AtomicBool::new(false));
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut far_rng, is_calm) = (ChaCha8Rng::seed_from_u64(seed + 1_000), Arc::clone(&calm));
        let mut talk = line(a_line_probe(Arc::clone(&asked)), move || {
            if is_calm.load(Ordering::Relaxed) { Fault::None } else { any_fault(&mut far_rng, 39) }
        });
        let (mut good, mut owed) = (0, text::Owed::default());
        for poll in 0..200 {
            if poll == 180 {
                calm.store(true, Ordering::Relaxed);
                sleep(Duration::from_secs(20)).await;
            }
            let before = asked.load(Ordering::SeqCst);
            let attempts = rng.random_range(1..4);
            match text::read(&mut talk, &map, TIMEOUT, attempts, &mut owed).await {
                Ok(values) => {
                    good += 1;
                    let read: Vec<f64> = values.into_iter().map(|(_, value)| value.unwrap()).collect();
                    assert_eq!(read[1], 28.9, "seed {seed}");
                    let question = read[0] - 0.5;
                    assert!(
                        question > f64::from(before) && question.fract() == 0.0,
                        "seed {seed}: {read:?}, though {before} questions came before this poll"
                    );
                }
                Err(failure) => assert!(poll < 182, "seed {seed}: {failure:?} after the faults"),
            }
            if rng.random_range(0..4) == 0 {
                sleep(Duration::from_millis(rng.random_range(0..3_000))).await;
            }
        }
        assert!(good > 20, "seed {seed}: only {good} of 200 were read");
    }
}

/// A probe that sends by itself is cut into by noise, pauses and a gateway that listens late.
#[tokio::test(start_paused = true)]
async fn a_line_that_is_listened_to_gives_whole_lines_alone() {
    let map = line_map(None);
    let (ours, mut theirs) = duplex(64);
    tokio::spawn(async move {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        for number in 1_000_u32.. {
            let text = format!("$OX,{number}.5,28.9");
            let mut frame = format!("{text}*{:02X}\r\n", xor(text.as_bytes())).into_bytes();
            match rng.random_range(0..8) {
                0 => frame.truncate(rng.random_range(1..frame.len())),
                1 => drop(frame.drain(..rng.random_range(1..frame.len()))),
                2 => frame.insert(rng.random_range(0..frame.len()), 0xFF),
                3 => {
                    let place = rng.random_range(0..frame.len());
                    frame[place] ^= 0x08;
                }
                _ => {}
            }
            let pause =
                if rng.random_range(0..8) == 0 { rng.random_range(0..frame.len()) } else { frame.len() };
            let (head, tail) = frame.split_at(pause);
            if theirs.write_all(head).await.is_err() {
                return;
            }
            sleep(Duration::from_millis(rng.random_range(0..400))).await;
            if theirs.write_all(tail).await.is_err() {
                return;
            }
            sleep(Duration::from_millis(400)).await;
        }
    });
    let mut talk = Talk::new(ours, Duration::from_millis(1), Duration::from_millis(5), TIMEOUT);
    let (mut good, mut last) = (0, 0.0);
    for _ in 0..300 {
        let patience = Duration::from_secs(5);
        if let Ok(values) = text::read(&mut talk, &map, patience, 1, &mut text::Owed::default()).await {
            let read: Vec<f64> = values.into_iter().map(|(_, value)| value.unwrap()).collect();
            assert!(read[0] > last && read[0].fract() == 0.5 && read[1] == 28.9, "{read:?} after {last}");
            (good, last) = (good + 1, read[0]);
        }
        sleep(Duration::from_millis(700)).await;
    }
    assert!(good > 250, "{good} of 300");
}
