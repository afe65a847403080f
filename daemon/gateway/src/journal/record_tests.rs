//! What is written comes back, and what is damaged costs itself only.

use std::collections::BTreeMap;

use pondreeve_core::call::{CallPlan, Carried, Outcome};
use pondreeve_core::effect::Flag;
use pondreeve_core::input::{GatewayPart, ProbeFault, Sample};
use pondreeve_core::service::Step;
use pondreeve_core::site::{AeratorGroup, Channel, PondIndex, ProbeIndex, Timer};
use pondreeve_core::{Quantity, Site, Span};
use proptest::prelude::*;

use super::super::chunk::Chunk;
use super::super::codec::Malformed;
use super::super::flat::Piece;
use super::super::keys;
use super::super::seal::{Sealer, inputs_of};
use super::super::shapes::Shapes;
use super::super::verdict::{Verdict, code};
use super::*;

fn farm() -> Site {
    let mut site = Site::single_pond(
        -2.75,
        100.25,
        17.3,
        &[Quantity::DoMgL, Quantity::TemperatureC, Quantity::AeratorOn],
        Span::from_minutes(1),
    );
    site.ponds[0].name = "North pond, \"Añil\"".to_owned();
    site.ponds[0].aerators.push(AeratorGroup {
        id: "a".to_owned(),
        power_kw: 3.7,
        sae_kg_kwh: 1.1,
        must_run: true,
        timer: Some(Timer { on: Span::from_minutes(150), off: Span::from_minutes(765) }),
    });
    site.calls = CallPlan::usual();
    site.ponds[0].limits.do_fall_30min_mg_l = f64::INFINITY;
    site.probes[0].channels.push(Channel { aerator: Some(0), ..Channel::uncorrected(Quantity::AeratorKw) });
    site
}

fn any_number() -> impl Strategy<Value = f64> {
    // NaN compares unequal to itself; the codec's own test holds it to its bits.
    prop_oneof![
        any::<f64>().prop_filter("NaN", |value| !value.is_nan()),
        (-5_000_i32..5_000).prop_map(|n| f64::from(n) / 100.0)
    ]
}

fn any_quantity() -> impl Strategy<Value = Quantity> {
    (0..Quantity::ALL.len()).prop_map(|place| Quantity::ALL[place])
}

fn any_time() -> impl Strategy<Value = Timestamp> {
    any::<i64>().prop_map(Timestamp)
}

fn any_sample() -> impl Strategy<Value = Sample> {
    (any::<u16>(), any_quantity(), any::<Option<u16>>(), any_number(), prop::option::of(any_time())).prop_map(
        |(probe, quantity, channel, value, taken_at)| Sample {
            probe: ProbeIndex(probe),
            quantity,
            channel,
            value,
            taken_at,
        },
    )
}

fn any_step() -> impl Strategy<Value = Step> {
    let maybe = || prop::option::of(any_number());
    prop_oneof![
        any::<i64>().prop_map(|ms| Step::Begin { length: Span::from_millis(ms) }),
        (any_quantity(), maybe(), maybe()).prop_map(|(quantity, hand, reading)| Step::Before {
            quantity,
            hand,
            reading
        }),
        Just(Step::Cleaned),
        (any_quantity(), maybe(), maybe()).prop_map(|(quantity, hand, reading)| Step::After {
            quantity,
            hand,
            reading
        }),
        (any_quantity(), any_number(), maybe(), maybe()).prop_map(
            |(quantity, expected, reading, millivolts)| Step::Standard {
                quantity,
                expected,
                reading,
                millivolts
            }
        ),
        Just(Step::Adopt),
        Just(Step::End),
    ]
}

fn any_event() -> impl Strategy<Value = Event> {
    let fault = prop_oneof![
        Just(ProbeFault::Silent),
        Just(ProbeFault::Garbled),
        any::<u8>().prop_map(ProbeFault::Exception),
        any::<String>().prop_map(ProbeFault::Undecodable),
        Just(ProbeFault::Unreachable),
        Just(ProbeFault::Lent),
    ];
    let part = prop_oneof![
        Just(GatewayPart::Store),
        Just(GatewayPart::Bus),
        Just(GatewayPart::Broker),
        Just(GatewayPart::Forward),
        Just(GatewayPart::Clock),
        Just(GatewayPart::Quarantine),
        Just(GatewayPart::Horn),
        Just(GatewayPart::Call),
        Just(GatewayPart::Machine),
    ];
    let outcome = prop_oneof![
        Just(Outcome::Done),
        any::<String>().prop_map(Outcome::LeftOut),
        any::<String>().prop_map(Outcome::Failed),
    ];
    prop_oneof![
        Just(Event::Started { site: farm() }),
        Just(Event::SiteChanged { site: farm() }),
        Just(Event::Stopped),
        Just(Event::Tick),
        prop::collection::vec(any_sample(), 0..5).prop_map(|samples| Event::Sweep { samples }),
        (any::<u16>(), fault)
            .prop_map(|(probe, fault)| Event::ProbeFault { probe: ProbeIndex(probe), fault }),
        (any::<u16>(), any_quantity(), any_number(), prop::option::of(any_time()), any::<String>()).prop_map(
            |(pond, quantity, value, taken_at, by)| Event::ManualSample {
                pond: PondIndex(pond),
                quantity,
                value,
                taken_at,
                by
            }
        ),
        (any::<u16>(), any_number())
            .prop_map(|(probe, salinity_psu)| Event::ProbeSetting { probe: ProbeIndex(probe), salinity_psu }),
        (any::<u16>(), any_step(), any::<String>()).prop_map(|(probe, step, by)| Event::Service {
            probe: ProbeIndex(probe),
            step,
            by
        }),
        any::<(String, String)>().prop_map(|(alarm, by)| Event::Acknowledge { alarm, by }),
        (any::<u16>(), prop::option::of(any_number()), any::<(String, String, String)>()).prop_map(
            |(pond, value, (key, reason, by))| Event::LimitChange {
                pond: PondIndex(pond),
                key,
                value,
                reason,
                by
            }
        ),
        any::<(String, i64, String, String)>().prop_map(|(alarm, length_ms, reason, by)| Event::Shelve {
            alarm,
            length: Span::from_millis(length_ms),
            reason,
            by,
        }),
        any::<(String, String)>().prop_map(|(alarm, by)| Event::Unshelve { alarm, by }),
        any::<(String, String)>().prop_map(|(alarm, by)| Event::Reset { alarm, by }),
        (part, any::<String>(), any::<Option<String>>())
            .prop_map(|(part, which, detail)| Event::GatewayFault { part, which, detail }),
        (any::<Option<String>>(), any_time(), outcome).prop_map(|(step, asked_at, outcome)| Event::Carried {
            what: step.map_or(Carried::HornTest, |step| Carried::Call { step, asked_at }),
            outcome,
        }),
        any::<(String, bool)>().prop_map(|(node, is_there)| Event::NodeSaid { node, is_there }),
        (any_time(), any_time()).prop_map(|(from, to)| Event::ClockStepped { from, to }),
    ]
}

/// A batch as the engine writes it: numbers in a row from the key on.
fn write(key: u64, base: Timestamp, events: &[Event]) -> (Vec<Input>, Vec<u8>) {
    let mut batch = BatchWriter::new(key, base);
    let inputs: Vec<Input> = (key..)
        .zip(events)
        .map(|(seq, event)| Input {
            seq,
            at: base + Span::from_millis((seq - key) as i64 * 70),
            event: event.clone(),
        })
        .collect();
    inputs.iter().for_each(|input| batch.input(input));
    (inputs, batch.finish())
}

proptest! {
    #[test]
    fn every_event_comes_back(
        key in 0_u64..u64::MAX / 2,
        base in any_time(),
        events in prop::collection::vec(any_event(), 0..6),
    ) {
        let (inputs, bytes) = write(key, base, &events);
        let batch = read_batch(key, &bytes);
        prop_assert_eq!(batch.damaged, 0);
        prop_assert_eq!(&batch.inputs, &inputs);
        prop_assert_eq!(batch.next_seq, if inputs.is_empty() { 0 } else { key + inputs.len() as u64 });
    }

    #[test]
    fn no_bytes_make_the_reader_fail(key: u64, bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let batch = read_batch(key, &bytes);
        // A good checksum does not come about by chance.
        prop_assert!(batch.inputs.is_empty());
    }
}

fn sweeps() -> Vec<Event> {
    (0..12_u16)
        .map(|n| {
            let sample = |quantity, value| Sample {
                probe: ProbeIndex(n % 4),
                quantity,
                channel: None,
                value,
                taken_at: None,
            };
            Event::Sweep {
                samples: vec![
                    sample(Quantity::DoMgL, 4.0 + f64::from(n) / 100.0),
                    sample(Quantity::TemperatureC, 28.5),
                ],
            }
        })
        .collect()
}

/// Every single bit of a batch is flipped in turn: the flip is noticed, nothing false is read, and no
/// record but the one that was hit is lost.
#[test]
fn a_flipped_bit_costs_at_most_its_own_record() {
    let (inputs, bytes) = write(77, Timestamp(1_780_000_000_000), &sweeps());
    for bit in 0..bytes.len() * 8 {
        let mut damaged = bytes.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let batch = read_batch(77, &damaged);
        assert!(batch.damaged > 0, "bit {bit} went unnoticed");
        assert!(
            batch.inputs.len() >= inputs.len() - 1,
            "bit {bit} cost {} inputs",
            inputs.len() - batch.inputs.len()
        );
        assert!(batch.inputs.iter().all(|input| inputs.contains(input)), "bit {bit} made something up");
    }
}

#[test]
fn a_batch_cut_anywhere_gives_what_is_before_the_cut() {
    let (inputs, bytes) = write(5, Timestamp(1_780_000_000_000), &sweeps());
    for length in 0..bytes.len() {
        let batch = read_batch(5, &bytes[..length]);
        assert!(batch.damaged > 0, "cut to {length} bytes");
        assert_eq!(batch.inputs[..], inputs[..batch.inputs.len()], "cut to {length} bytes");
    }
}

#[test]
fn a_batch_under_the_key_of_another_is_not_read() {
    let (_, bytes) = write(5, Timestamp(1_780_000_000_000), &sweeps());
    let batch = read_batch(6, &bytes);
    assert_eq!((batch.inputs.len(), batch.damaged), (0, 1));
}

/// The bytes of a batch, put together in Python from the description at the head of the module, with
/// `zlib.crc32` for the checksums. A change here means that stores in the field can no longer be read.
#[test]
fn the_form_on_disk_stays_as_it_is() {
    let head = "010068e5cf8b01000049f2ac9b";
    let sweep = "0904018c01010200035c28e7ede9";
    let acknowledgement = "0c0702010470312e7803616e611f74eee0";
    let text = [head, sweep, acknowledgement, head].concat();
    let bytes: Vec<u8> =
        (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect();
    let sample =
        Sample { probe: ProbeIndex(2), quantity: Quantity::DoMgL, channel: None, value: 4.6, taken_at: None };
    let inputs = [
        Input { seq: 4, at: Timestamp(1_700_000_000_070), event: Event::Sweep { samples: vec![sample] } },
        Input {
            seq: 5,
            at: Timestamp(1_699_999_999_999),
            event: Event::Acknowledge { alarm: "p1.x".to_owned(), by: "ana".to_owned() },
        },
    ];
    assert_eq!(read_batch(3, &bytes).inputs, inputs);
    let mut batch = BatchWriter::new(3, Timestamp(1_700_000_000_000));
    inputs.iter().for_each(|input| batch.input(input));
    assert_eq!(batch.finish(), bytes);
}

#[test]
fn every_quantity_has_its_code() {
    for &quantity in Quantity::ALL {
        assert_eq!(quantity_of_code(quantity_code(quantity)), Ok(quantity));
    }
    assert_eq!(
        quantity_of_code(crate::journal::quantity_code::QUANTITY_CODES.len() as u64),
        Err(Malformed::Unknown)
    );
    assert_eq!(quantity_of_code(u64::MAX), Err(Malformed::Unknown));
}

/// What a batch's writer lays out for sealing is what a reader of its bytes finds, number by number and bit by bit;
/// and so is what becomes of both in the database.
#[test]
fn what_a_writer_holds_is_what_a_reader_finds() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;

    let mut runner = TestRunner::deterministic();
    let some = prop::collection::vec((any_event(), prop::collection::vec(any::<bool>(), 3)), 0..9);
    for round in 0..400_u64 {
        let events = some.new_tree(&mut runner).unwrap().current();
        let (key, base) = (round * 3 + 1, Timestamp(1_780_000_000_000));
        let mut batch = BatchWriter::holding(key, base);
        for (seq, (event, chosen)) in (key..).zip(&events) {
            let input = Input { seq, at: base + Span::from_millis(seq as i64 * 70), event: event.clone() };
            let mut verdicts = Verdicts { seq, ..Verdicts::default() };
            if let (Event::Sweep { samples }, [true, as_expected, _]) = (event, &chosen[..]) {
                for sample in samples {
                    let value = if *as_expected { sample.value } else { sample.value / 3.0 };
                    let verdict = Verdict { flag: Flag::Suspect, value: Some(value) };
                    verdicts.codes.push(code(Some(verdict), sample.value, &mut verdicts.told));
                }
            }
            // The engine writes the input first; nothing hangs on it.
            if chosen[2] {
                batch.verdicts(&verdicts);
            }
            batch.input(&input);
            if !chosen[2] {
                batch.verdicts(&verdicts);
            }
            batch.settings(seq, "settings");
        }
        let (bytes, held) = batch.finish_held();
        let (held, read) = (held.unwrap(), read_batch(key, &bytes));
        let texts = |pieces: &mut dyn Iterator<Item = Piece<'_>>| -> Vec<String> {
            pieces.map(|piece| format!("{:?} {:?}", piece.input(), piece.said)).collect()
        };
        assert_eq!(texts(&mut held.pieces()), texts(&mut read.pieces()));
        assert_eq!((held.rest.next_seq, &held.rest.settings), (read.next_seq, &read.settings));
        assert_eq!(held.newest_at(), read.inputs.iter().map(|input| input.at).max());
        let (mut shapes, mut sealed) = ([Shapes::default(), Shapes::default()], [Vec::new(), Vec::new()]);
        let mut sealers = [Sealer::default(), Sealer::default()];
        sealers[0].flat(&held, &mut shapes[0], &mut |own| sealed[0].push(format!("{own:?}")));
        sealers[1].batch(&read, &mut shapes[1], &mut |own| sealed[1].push(format!("{own:?}")));
        let rest = [0, 1].map(|place| format!("{:?}", sealers[place].finish(&mut shapes[place])));
        assert_eq!((&sealed[0], &rest[0]), (&sealed[1], &rest[1]));
    }
}

/// The same over hours of polling: forms that come again and again, probes with a clock, a calibration that changes in the
/// middle, verdicts that are as expected and such that are not, and values that a calibration by 1 and 0 changes (-0).
#[test]
fn hours_of_what_writers_hold_are_what_readers_find() {
    let mut inputs = crate::journal::seal_tests::mixed(3_000, 9_000);
    let Event::Started { mut site } = inputs[0].event.clone() else { panic!("the farm comes first") };
    site.probes[0].channels[0].calibration_slope = 1.01;
    inputs[1_400].event = Event::SiteChanged { site };
    let (mut shapes, mut sealed) = ([Shapes::default(), Shapes::default()], [Vec::new(), Vec::new()]);
    let mut sealers = [Sealer::default(), Sealer::default()];
    let mut told = BTreeMap::new();
    for some in inputs.chunks_mut(70) {
        let (key, base) = (some[0].seq, some[0].at);
        let mut batch = BatchWriter::holding(key, base);
        for input in some {
            let mut verdicts = Verdicts { seq: input.seq, ..Verdicts::default() };
            if let Event::Sweep { samples } = &mut input.event {
                for (place, sample) in samples.iter_mut().enumerate() {
                    if input.seq % 90 == 5 {
                        sample.value = -0.0;
                    }
                    let (flag, value) = match input.seq % 40 {
                        3 => (Flag::Suspect, Some(sample.value)),
                        9 => (Flag::Fail, None),
                        15 => (Flag::Pass, Some(sample.value + 0.125)),
                        _ => (Flag::Pass, Some(sample.value)),
                    };
                    let verdict = Some(Verdict { flag, value });
                    verdicts.codes.push(code(verdict, sample.value, &mut verdicts.told));
                    told.insert((input.seq, place), (flag, value.map(f64::to_bits)));
                }
                batch.verdicts(&verdicts);
            }
            batch.input(input);
        }
        let (bytes, held) = batch.finish_held();
        sealers[0].flat(&held.unwrap(), &mut shapes[0], &mut |own| sealed[0].push(own));
        sealers[1].batch(&read_batch(key, &bytes), &mut shapes[1], &mut |own| sealed[1].push(own));
    }
    for (place, sealer) in sealers.iter_mut().enumerate() {
        sealed[place].push(sealer.finish(&mut shapes[place]));
    }
    assert!(told.len() > 4_000 && sealed[0].len() > 5, "{} verdicts, {} hours", told.len(), sealed[0].len());
    assert_eq!(format!("{:?}", sealed[0]), format!("{:?}", sealed[1]));
    // And what is read of them is what was written.
    let hours = sealed[0].iter().map(|hour| hour.entries.iter().map(|(key, value)| (&key[..], &value[..])));
    let back: Vec<_> = hours.map(|hour| inputs_of(hour, &shapes[0])).collect();
    assert!(back.iter().all(|(_, damaged)| *damaged == 0));
    let back: Vec<Input> = back.into_iter().flat_map(|(inputs, _)| inputs).collect();
    assert_eq!(format!("{back:?}"), format!("{inputs:?}"));
    let mut found = BTreeMap::new();
    for (key, value) in sealed[0].iter().flat_map(|hour| &hour.entries) {
        let Some((_, keys::kind::CHUNK, number, _)) = keys::parts(key) else { continue };
        let shape = shapes[0].get(number).unwrap();
        let chunk = Chunk::open(shape, key, value).unwrap();
        for place in 0..shape.columns.len() {
            let column = chunk.column(place).unwrap();
            let verdicts = chunk.seqs.iter().zip(column.verdicts);
            found.extend(verdicts.map(|(seq, own)| {
                ((*seq as u64, place), own.map(|own| (own.flag, own.value.map(f64::to_bits))).unwrap())
            }));
        }
    }
    assert_eq!(found, told);
}
