//! Speed of the core: `cargo bench -p pondreeve-core`. divan prints items a second, an item being one
//! reading.

use divan::counter::ItemsCount;
use pondreeve_core::effect::Effect;
use pondreeve_core::input::Sample;
use pondreeve_core::site::{Channel, PondIndex, Probe, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, State, Timestamp};

const QUANTITIES: [Quantity; 4] =
    [Quantity::DoMgL, Quantity::TemperatureC, Quantity::Ph, Quantity::SalinityPsu];

fn main() {
    divan::main();
}

/// `ponds` ponds with one probe of four quantities each, far enough apart from sunset to see both day
/// and night in one day of readings.
fn site(ponds: u16) -> Site {
    let mut site = Site::single_pond(9.0, -75.0, 18.0, &QUANTITIES, Span::from_minutes(1));
    let pond = site.ponds[0].clone();
    site.ponds.clear();
    site.probes.clear();
    for index in 0..ponds {
        let mut pond = pond.clone();
        pond.id = format!("p{index}");
        site.ponds.push(pond);
        site.probes.push(Probe {
            id: format!("probe{index}"),
            pond: Some(PondIndex(index)),
            link: String::new(),
            node: None,
            channels: QUANTITIES.map(Channel::uncorrected).to_vec(),
        });
    }
    site
}

/// Readings each minute: oxygen swings between 4 and 10 mg/L over the day.
fn day(ponds: u16, days: i64) -> Vec<Input> {
    let start = Timestamp(1_795_564_800_000);
    let mut inputs = vec![Input { seq: 0, at: start, event: Event::Started { site: site(ponds) } }];
    for minute in 1..days * 24 * 60 {
        let at = start + Span::from_minutes(minute);
        let phase = (minute % 1_440) as f64 / 1_440.0 * core::f64::consts::TAU;
        let (swing, noise) = (phase.sin(), (minute * 7_919 % 101) as f64 / 1_000.0);
        for probe in 0..ponds {
            let sample = |quantity, value| Sample {
                probe: ProbeIndex(probe),
                quantity,
                channel: None,
                value,
                taken_at: None,
            };
            let samples = vec![
                sample(Quantity::DoMgL, 7.0 + 3.0 * swing + noise),
                sample(Quantity::TemperatureC, 29.0 + swing),
                sample(Quantity::Ph, 8.1 + 0.2 * swing),
                sample(Quantity::SalinityPsu, 18.0),
            ];
            inputs.push(Input { seq: inputs.len() as u64, at, event: Event::Sweep { samples } });
        }
    }
    inputs
}

fn run(inputs: &[Input]) -> State {
    let (mut state, mut effects) = (State::new(), Vec::new());
    for input in inputs {
        state.step(input, &mut effects);
        divan::black_box(&effects);
        effects.clear();
    }
    state
}

/// Days and nights of minute readings through the whole pipeline.
#[divan::bench(args = [(1, 7), (20, 1)], sample_count = 5)]
fn readings(bencher: divan::Bencher<'_, '_>, (ponds, days): (u16, i64)) {
    let inputs = day(ponds, days);
    bencher.counter(ItemsCount::new((inputs.len() - 1) * QUANTITIES.len())).bench_local(|| run(&inputs));
}

/// What the shell asks between inputs, on a farm of 20 ponds.
#[divan::bench]
fn next_deadline(bencher: divan::Bencher<'_, '_>) {
    let state = run(&day(20, 1));
    bencher.bench_local(|| divan::black_box(&state).next_deadline());
}

/// What the console asks, on a farm of 20 ponds.
#[divan::bench]
fn view(bencher: divan::Bencher<'_, '_>) {
    let state = run(&day(20, 1));
    bencher.bench_local(|| divan::black_box(&state).view());
}

/// A 120-day crop of one pond at a reading a minute; at most 2 s is wanted.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn crop(bencher: divan::Bencher<'_, '_>) {
    let inputs = day(1, 120);
    bencher.counter(ItemsCount::new((inputs.len() - 1) * QUANTITIES.len())).bench_local(|| run(&inputs));
}

/// The step that takes a reading and makes a forecast from it, late in a night after 20 others; at most
/// 50 µs is wanted. Beside it, [`plain_step`], the same without a forecast.
#[divan::bench]
fn forecast_step(bencher: divan::Bencher<'_, '_>) {
    step_at(bencher, true);
}

#[divan::bench]
fn plain_step(bencher: divan::Bencher<'_, '_>) {
    step_at(bencher, false);
}

/// Times one step of the 20th night, some nine hours after sunset, that makes a forecast or does not.
fn step_at(bencher: divan::Bencher<'_, '_>, with_forecast: bool) {
    let inputs = day(1, 21);
    let from = 20 * 1_440 + 8 * 60;
    let mut state = run(&inputs[..from]);
    let is_forecast = |effects: &[Effect]| effects.iter().any(|it| matches!(it, Effect::Forecast(_)));
    for input in &inputs[from..] {
        let (before, mut effects) = (state.clone(), Vec::new());
        state.step(input, &mut effects);
        if is_forecast(&effects) == with_forecast {
            bencher.with_inputs(|| (before.clone(), Vec::with_capacity(16))).bench_local_refs(
                |(state, effects)| {
                    state.step(input, effects);
                },
            );
            return;
        }
    }
    unreachable!("a night has both");
}
