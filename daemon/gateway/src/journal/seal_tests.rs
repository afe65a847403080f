//! Sealing and unsealing.

use pondreeve_core::effect::Flag;
use pondreeve_core::input::{ProbeFault, Sample};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Input, Quantity, Timestamp};

use super::chunk::Chunk;
use super::keys::{kind, parts};
use super::record::{BatchWriter, read_batch};
use super::seal::{Sealed, Sealer, inputs_of};
use super::shapes::Shapes;
use super::verdict::{Late, Origin, Verdict, Verdicts};

const START: i64 = 1_780_000_000_000;

/// Inputs of two probes in the rhythm of polling, and now and then something else; `every_ms` apart.
pub(crate) fn mixed(count: u64, every_ms: i64) -> Vec<Input> {
    let folder = std::env::temp_dir();
    let site = crate::engine::tests::farm(&folder).site;
    let sample =
        |probe, quantity, channel, value, taken_at| Sample { probe, quantity, channel, value, taken_at };
    (1..=count)
        .map(|seq| {
            let n = seq as i64;
            let at = Timestamp(START + n * every_ms + (n * 7919) % 23);
            let (probe, part) = (ProbeIndex((seq % 2) as u16), f64::from((n * 31 % 400) as i32));
            let taken = Timestamp(at.as_millis() - 40 - n % 3);
            let event = match seq % 50 {
                1 if seq == 1 => Event::Started { site: site.clone() },
                7 => Event::Tick,
                11 => Event::ProbeFault { probe, fault: ProbeFault::Silent },
                13 => Event::Acknowledge { alarm: format!("p1.x-{seq}"), by: "ana".to_owned() },
                17 => Event::Sweep { samples: vec![] },
                19 => Event::Sweep {
                    samples: vec![sample(
                        probe,
                        Quantity::DoMgL,
                        None,
                        f64::from_bits(0x7ff8_0000_dead_beef),
                        None,
                    )],
                },
                odd if odd % 2 == 1 => Event::Sweep {
                    samples: vec![
                        sample(probe, Quantity::DoMgL, None, 4.0 + part / 100.0, None),
                        sample(
                            probe,
                            Quantity::TemperatureC,
                            Some(1),
                            f64::from(28.1_f32 + part as f32),
                            None,
                        ),
                    ],
                },
                _ => Event::Sweep {
                    samples: vec![
                        sample(probe, Quantity::Ph, None, 7.0 + part / 1000.0, Some(taken)),
                        sample(probe, Quantity::DoMgL, None, part * 0.1, Some(taken)),
                    ],
                },
            };
            Input { seq, at, event }
        })
        .collect()
}

/// Everything sealed in one go.
fn sealed(batches: &[Vec<u8>], key: u64) -> (Vec<Sealed>, Shapes) {
    let (mut sealer, mut shapes, mut all) = (Sealer::default(), Shapes::default(), Vec::new());
    for bytes in batches {
        sealer.batch(&read_batch(key, bytes), &mut shapes, &mut |sealed| all.push(sealed));
    }
    all.push(sealer.finish(&mut shapes));
    (all, shapes)
}

#[test]
fn polled_sweeps_take_about_a_byte_a_reading() {
    // 8 quantities, each 10 s, values that wander by some hundredths, arrival off by up to 15 ms.
    let quantities = [
        Quantity::DoMgL,
        Quantity::TemperatureC,
        Quantity::Ph,
        Quantity::SalinityPsu,
        Quantity::OrpMv,
        Quantity::TurbidityNtu,
        Quantity::ConductivityMsCm,
        Quantity::DepthM,
    ];
    let mut batch = BatchWriter::new(1, Timestamp(START));
    for n in 0..360_i64 {
        let samples = quantities.iter().enumerate().map(|(place, &quantity)| Sample {
            probe: ProbeIndex(0),
            quantity,
            channel: None,
            value: f64::from((500 + n / 6 + (n * 7919 + place as i64 * 31) % 5) as i32) / 100.0,
            taken_at: None,
        });
        let event = Event::Sweep { samples: samples.collect() };
        batch.input(&Input {
            seq: n as u64 + 1,
            at: Timestamp(START + n * 10_000 + n * 104_729 % 15),
            event,
        });
    }
    let (all, _) = sealed(&[batch.finish()], 1);
    let bytes: usize =
        all.iter().flat_map(|sealed| &sealed.entries).map(|(key, value)| key.len() + value.len()).sum();
    let readings = 360 * quantities.len();
    assert!(bytes * 10 < readings * 13, "{bytes} bytes for {readings} readings");
}

#[test]
fn verdicts_are_kept_beside_the_sweeps() {
    let folder = std::env::temp_dir();
    let site = crate::engine::tests::farm(&folder).site;
    let mut batch = BatchWriter::new(1, Timestamp(START));
    batch.input(&Input { seq: 1, at: Timestamp(START), event: Event::Started { site } });
    let said = [
        Some(Verdict { flag: Flag::Pass, value: Some(5.0) }),
        None,
        Some(Verdict { flag: Flag::Suspect, value: Some(4.75) }),
        Some(Verdict { flag: Flag::Fail, value: None }),
    ];
    for (seq, verdict) in (2..).zip(said) {
        let samples = vec![Sample {
            probe: ProbeIndex(0),
            quantity: Quantity::DoMgL,
            channel: None,
            value: 5.0,
            taken_at: None,
        }];
        let event = Event::Sweep { samples };
        batch.input(&Input { seq, at: Timestamp(START + seq as i64), event });
        let mut verdicts = Verdicts { seq, ..Verdicts::default() };
        verdicts.codes.push(super::verdict::code(verdict, 5.0, &mut verdicts.told));
        batch.verdicts(&verdicts);
    }
    batch.late(&Late {
        origin: Origin::Derived,
        pond: Some(pondreeve_core::site::PondIndex(0)),
        probe: None,
        quantity: Quantity::Nh3NMgL,
        at: Timestamp(START),
        value: Some(0.012_345_678),
        flag: Flag::Pass,
        channel: None,
        until: Timestamp(START),
    });
    let (all, shapes) = sealed(&[batch.finish()], 1);
    let entries = &all[0].entries;
    let chunks: Vec<_> = entries.iter().filter(|(key, _)| parts(key).unwrap().1 == kind::CHUNK).collect();
    let (key, value) = chunks[0];
    let shape = shapes.get(parts(key).unwrap().2).unwrap();
    let column = Chunk::open(shape, key, value).unwrap().column(0).unwrap();
    assert_eq!(column.verdicts, said);
    assert_eq!(column.values, [5.0; 4]);
    assert_eq!(shape.columns[0].pond, "pond");
    let derived = entries.iter().find(|(key, _)| parts(key).unwrap().1 == kind::DERIVED).unwrap();
    let shape = shapes.get(parts(&derived.0).unwrap().2).unwrap();
    let column = Chunk::open(shape, &derived.0, &derived.1).unwrap().column(0).unwrap();
    let decimals = Quantity::Nh3NMgL.decimals() + 2;
    let close = column.values[0] - 0.012_345_678;
    assert!(close.abs() <= 0.5 / 10_f64.powi(decimals as i32), "{:?}", column.values);
}

#[test]
fn a_flipped_bit_in_any_piece_is_noticed() {
    let inputs = mixed(300, 5_000);
    let mut batch = BatchWriter::new(1, inputs[0].at);
    inputs.iter().for_each(|input| batch.input(input));
    let (all, shapes) = sealed(&[batch.finish()], 1);
    let entries: Vec<_> = all.iter().flat_map(|sealed| sealed.entries.iter().cloned()).collect();
    for (place, (key, value)) in entries.iter().enumerate().filter(|(_, (key, _))| parts(key).unwrap().0 > 0)
    {
        for bit in (0..value.len() * 8).step_by(1 + value.len() / 40) {
            let mut flipped = entries.clone();
            flipped[place].1[bit / 8] ^= 1 << (bit % 8);
            let (found, damaged) = inputs_of(flipped.iter().map(|(k, v)| (&k[..], &v[..])), &shapes);
            assert!(damaged > 0, "bit {bit} of {key:?}");
            assert!(found.len() < inputs.len() || parts(key).unwrap().1 != kind::CHUNK);
            let known = |input: &Input| {
                let text = format!("{input:?}");
                inputs.get(input.seq as usize - 1).is_some_and(|own| format!("{own:?}") == text)
            };
            assert!(found.iter().all(known));
        }
    }
}

/// What a pond's quantity was, from sealed hours and the tail alike, with flags, hand readings and late
/// verdicts.
#[test]
fn a_query_finds_what_was_measured_with_its_flags() {
    let folder = tempfile::TempDir::new().unwrap();
    let site = crate::engine::tests::farm(folder.path()).site;
    let (mut journal, _) = super::Journal::open(&folder.path().join("store"), Timestamp(START)).unwrap();
    let probe = ProbeIndex(0);
    let pond = pondreeve_core::site::PondIndex(0);
    let mut seq = 0;
    let mut commit = |journal: &mut super::Journal, at: i64, event: Event, late: &[Late]| {
        seq += 1;
        let at = Timestamp(START + at);
        let mut batch = BatchWriter::new(seq, at);
        if let Event::Sweep { samples } = &event {
            let mut verdicts = Verdicts { seq, ..Verdicts::default() };
            for sample in samples {
                let verdict = Verdict { flag: Flag::Pass, value: Some(sample.value) };
                verdicts.codes.push(super::verdict::code(Some(verdict), sample.value, &mut verdicts.told));
            }
            batch.input(&Input { seq, at, event });
            batch.verdicts(&verdicts);
        } else {
            batch.input(&Input { seq, at, event });
        }
        late.iter().for_each(|late| batch.late(late));
        let batches = vec![(seq, batch.finish()).into()];
        journal.commit(&super::Commit { batches, ..super::Commit::default() }, at).unwrap();
        journal.upkeep(at);
    };
    commit(&mut journal, 0, Event::Started { site }, &[]);
    let sweep = |value, taken_at| Event::Sweep {
        samples: vec![Sample { probe, quantity: Quantity::DoMgL, channel: None, value, taken_at }],
    };
    const MINUTE: i64 = 60_000;
    for minute in 1..=150 {
        commit(&mut journal, minute * MINUTE, sweep(minute as f64 / 10.0, None), &[]);
    }
    // One that a probe kept for two hours, one entered by hand, one that is judged anew later.
    let kept = Some(Timestamp(START + 30 * MINUTE + 500));
    commit(&mut journal, 151 * MINUTE, sweep(9.75, kept), &[]);
    let entry = Event::ManualSample {
        pond,
        quantity: Quantity::DoMgL,
        value: 3.3,
        taken_at: Some(Timestamp(START + 40 * MINUTE + 500)),
        by: "ana".to_owned(),
    };
    commit(&mut journal, 152 * MINUTE, entry, &[]);
    let amended = Late {
        origin: Origin::Amended,
        pond: Some(pond),
        probe: Some(probe),
        quantity: Quantity::DoMgL,
        at: Timestamp(START + 49 * MINUTE),
        value: None,
        flag: Flag::Suspect,
        channel: Some(0),
        until: Timestamp(START + 50 * MINUTE),
    };
    commit(&mut journal, 153 * MINUTE, Event::Tick, &[amended]);
    let ask = |journal: &super::Journal, from: i64, to: i64| {
        let (from, to) = (Timestamp(START + from * MINUTE), Timestamp(START + to * MINUTE));
        let query = super::Query { pond: "pond".to_owned(), quantity: Quantity::DoMgL, from, to };
        let mut found = Vec::new();
        let answered = journal.query(&query, &mut |kept| found.push(kept.clone())).unwrap();
        assert_eq!((answered.damaged, answered.readings), (0, found.len() as u64));
        assert!(found.is_sorted_by_key(|kept| kept.at));
        found
    };
    for sealed in [false, true] {
        if sealed {
            journal.seal_all(Timestamp(START + 154 * MINUTE));
        }
        assert_eq!(ask(&journal, 0, 1_000).len(), 152, "{sealed}");
        let found = ask(&journal, 29, 52);
        assert_eq!(found.len(), 25, "{sealed}: {found:?}");
        assert!(found.iter().any(|kept| kept.value == Some(9.75) && kept.probe == "recorded"));
        assert!(found.iter().any(|kept| kept.value == Some(3.3) && kept.probe.is_empty()));
        let anew = found.iter().find(|kept| kept.at.as_millis() == START + 50 * MINUTE).unwrap();
        assert_eq!((anew.flag, anew.value), (Some(Flag::Suspect), Some(5.0)));
        assert_eq!(found.iter().filter(|kept| kept.flag == Some(Flag::Pass)).count(), 22);
        assert!(ask(&journal, 200, 300).is_empty());
    }
}
