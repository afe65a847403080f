//! `pondreeve calibrate`: a probe's service, step by step, in a conversation or one step a call.

use std::io::{IsTerminal as _, Write as _};

use super::numbers::{length, within};
use super::plain::{COLUMNS, clock};
use crate::console::text::{FarmClock, number, signed, wrap};
use crate::console::words::quantity_name;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::local::service::{BesideAsk, OutStatus, ProbeStatus, StepAsk};
use crate::texts::said::told as told_in;
use crate::texts::{Words, say};
use pondreeve_core::service::SANE_GAIN;

pub(super) mod walk;

const AFTER: &str = "\
Order: begin, before, cleaned, after, standard (one or two), adopt, end. Without
a step, on a terminal, each is asked for in turn; a service that is on is taken
up where it stands, also after a restart.

A probe out of service alarms nothing and its readings count for nothing; its
pond is watched by its other probes and by hand readings, and blindness at night
still alarms. After --for (30 minutes) it returns by itself.

Cleaning and drift are told apart: fouling is what cleaning changed less what
the hand meter saw the water change; drift is what the clean probe is off in a
standard. A correction is spread back to the last good service; what was
reported is kept as it was. Nothing is adopted before `adopt`, and a dirty probe
is never calibrated.

Standards: a number in the unit of the quantity; for oxygen `air` (air-saturated
water or water-saturated air at the probe's temperature) and `zero`; for pH
`buffer7`, `buffer4`, `buffer10`. The bottle at hand counts more than our table.

Switch off and lock what drives the aerators before you reach into the pond. Do
not work alone at night.

Examples:
  pondreeve calibrate --probe p1-oxygen
  pondreeve calibrate --probe p1-oxygen begin --for 45m
  pondreeve calibrate --probe p1-oxygen before do_mg_l=5.3
  pondreeve calibrate --probe p1-oxygen cleaned
  pondreeve calibrate --probe p1-oxygen after do_mg_l=5.3
  pondreeve calibrate --probe p1-oxygen standard do_mg_l=air
  pondreeve calibrate --probe p1-oxygen adopt
  pondreeve calibrate --probe p1-oxygen end";

/// Arguments of `calibrate`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Which probe
    #[arg(long, value_name = "ID")]
    pub probe: String,
    /// What was done; asked for in turn where absent
    #[command(subcommand)]
    pub step: Option<StepArguments>,
    /// Print one JSON object instead
    #[arg(long, global = true)]
    pub json: bool,
    /// What to speak
    #[command(flatten)]
    pub speech: super::Speech,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// One step.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum StepArguments {
    /// Take it out of service
    Begin {
        /// It returns by itself after this
        #[arg(long = "for", value_name = "LENGTH", value_parser = length("usage-service-length"))]
        length: Option<std::time::Duration>,
    },
    /// Read before cleaning, with the hand meter's reading beside it
    Before(Beside),
    /// It is clean
    Cleaned,
    /// Read after cleaning, with the hand meter's reading beside it
    After(Beside),
    /// Read in a standard
    Standard {
        /// Quantity and standard, such as do_mg_l=air, ph=buffer7 or salinity_psu=15
        #[arg(value_name = "QUANTITY=STANDARD", value_parser = pair)]
        standard: (String, String),
        /// What the probe reads; its newest reading where absent
        #[arg(long, value_parser = within(-50_000.0, 50_000.0, "usage-own-unit"))]
        reading: Option<f64>,
        /// What the electrode gives, mV
        #[arg(long, value_parser = within(-2_000.0, 2_000.0, "mV"))]
        millivolts: Option<f64>,
        /// Temperature of the standard, C; the probe's own where absent
        #[arg(long, value_name = "C", value_parser = within(-5.0, 60.0, "C"))]
        temperature: Option<f64>,
        /// Salinity the probe reckons with in air, PSU; where absent the one it is configured with, else its
        /// pond's, else 0 with a salt cell of its own
        #[arg(long, value_name = "PSU", value_parser = within(0.0, 100.0, "PSU"))]
        salinity: Option<f64>,
    },
    /// Take the adjustment that the standards ask for
    Adopt,
    /// Put it back in service
    End,
    /// Show how far the service is and what adopting would do
    Show,
}

/// Readings side by side.
#[derive(Debug, Clone, clap::Args)]
pub struct Beside {
    /// Quantity and the hand meter's reading, such as `do_mg_l=5.3`; `do_mg_l=-` without a hand meter
    #[arg(value_name = "QUANTITY=HAND", value_parser = pair, required = true)]
    pub hand: Vec<(String, String)>,
    /// What the probe reads; its newest reading where absent; for one quantity only
    #[arg(long, value_parser = within(-50_000.0, 50_000.0, "usage-own-unit"))]
    pub reading: Option<f64>,
}

fn pair(text: &str) -> Result<(String, String), String> {
    text.split_once('=')
        .filter(|(quantity, value)| !quantity.is_empty() && !value.is_empty())
        .map(|(quantity, value)| (quantity.to_owned(), value.to_owned()))
        .ok_or_else(|| say!(super::spoken(), "usage-pair", typed = text))
}

/// Takes a step, or walks through all of them.
///
/// # Errors
/// When no daemon answers, or the step cannot be taken.
pub fn run(arguments: &Arguments) -> Outcome {
    let words = arguments.speech.words_by(&arguments.daemon)?;
    let Some(step) = &arguments.step else {
        if !std::io::stdin().is_terminal() || arguments.json {
            return Err(Failure::usage(say!(words, "service-needs-terminal")));
        }
        let (mut input, mut out) = (std::io::stdin().lock(), std::io::stdout().lock());
        return walk::through(arguments, &mut input, &mut out, words);
    };
    for act in asks(step, words)? {
        take(arguments, act, words)?;
    }
    let farm = arguments.daemon.status()?;
    let probe = farm.probes.iter().find(|probe| probe.id == arguments.probe);
    if arguments.json {
        return match probe {
            Some(probe) => super::print(&super::json_line(probe)?),
            None => super::print("{}\n"),
        };
    }
    let mut told = String::new();
    match probe {
        Some(probe) => told_probe(&mut told, probe, clock(&farm).read_in(words)),
        None => {
            told.push_str(&say!(words, "service-nothing-known", probe = &arguments.probe));
            told.push('\n');
        }
    }
    super::print_plain(&told).map(|_| DONE)
}

/// Sends a step.
fn take(arguments: &Arguments, act: StepAsk, words: Words) -> Result<(), Failure> {
    match arguments.daemon.ask(Ask::Service { probe: arguments.probe.clone(), act })? {
        Reply::Done { warning, warning_said, .. } => {
            if let Some(warning) = warning {
                let warning = told_in(words, &warning, warning_said.as_deref());
                let _ = writeln!(std::io::stderr(), "pondreeve: {warning}");
            }
            Ok(())
        }
        Reply::Error { message, said, bad_request } => {
            let message = told_in(words, &message, said.as_deref());
            let told = say!(words, "service-not-done", probe = &arguments.probe, message = message);
            Err(if bad_request { Failure::usage(told) } else { Failure::failed(told) })
        }
        other => Err(arguments.daemon.refused(&other, words)),
    }
}

fn asks(step: &StepArguments, words: Words) -> Result<Vec<StepAsk>, Failure> {
    let beside = |own: &Beside, make: fn(BesideAsk) -> StepAsk| {
        if own.reading.is_some() && own.hand.len() > 1 {
            return Err(Failure::usage(say!(words, "service-one-quantity")));
        }
        own.hand
            .iter()
            .map(|(quantity, hand)| {
                let hand = match hand.as_str() {
                    "-" => None,
                    text => Some(text.parse().map_err(|_| {
                        Failure::usage(say!(words, "service-no-number", quantity = quantity, typed = text))
                    })?),
                };
                Ok(make(BesideAsk { quantity: quantity.clone(), hand, reading: own.reading }))
            })
            .collect()
    };
    match step {
        StepArguments::Begin { length } => {
            Ok(vec![StepAsk::Begin { seconds: length.map(|length| length.as_secs()) }])
        }
        StepArguments::Before(own) => beside(own, StepAsk::Before),
        StepArguments::Cleaned => Ok(vec![StepAsk::Cleaned]),
        StepArguments::After(own) => beside(own, StepAsk::After),
        StepArguments::Standard {
            standard: (quantity, standard),
            reading,
            millivolts,
            temperature,
            salinity,
        } => Ok(vec![StepAsk::Standard {
            quantity: quantity.clone(),
            standard: standard.clone(),
            reading: *reading,
            millivolts: *millivolts,
            temperature_c: *temperature,
            salinity_psu: *salinity,
        }]),
        StepArguments::Adopt => Ok(vec![StepAsk::Adopt]),
        StepArguments::End => Ok(vec![StepAsk::End]),
        StepArguments::Show => Ok(Vec::new()),
    }
}

/// How far a service is, or what the last one found.
pub(super) fn told_probe(out: &mut String, probe: &ProbeStatus, clock: FarmClock) {
    let words = clock.words();
    let mut row = |text: &str| {
        for row in wrap(text, COLUMNS, 20) {
            out.push_str(&row);
            out.push('\n');
        }
    };
    match &probe.out_of_service {
        Some(own) => {
            row(&say!(
                words,
                "service-out",
                probe = &probe.id,
                since = clock.time_and_day(&own.since),
                by = &own.by,
                until = clock.time_and_day(&own.until),
            ));
            for line in previews(own, words) {
                row(&line);
            }
            row(&next(own, words));
        }
        None => {
            row(&say!(words, "service-in", probe = &probe.id));
            for channel in &probe.channels {
                let Some(last) = channel.services.last() else { continue };
                let outcome = match (last.rejected, last.gain, last.shift) {
                    (true, ..) => say!(words, "service-last-rejected"),
                    (_, Some(gain), Some(shift)) => say!(
                        words,
                        "service-last-adopted",
                        gain = format!("{gain:.3}"),
                        shift = signed(shift, 3),
                    ),
                    _ => say!(words, "service-last-nothing"),
                };
                row(&say!(
                    words,
                    "service-last",
                    name = quantity_name(words, &channel.quantity),
                    at = clock.time_and_day(&last.to),
                    fouling = signed(last.fouling, 2),
                    drift = signed(last.drift, 2),
                    outcome = outcome,
                    from = clock.time_and_day(&last.from),
                ));
            }
        }
    }
}

/// What adopting would do, a line a quantity.
fn previews(own: &OutStatus, words: Words) -> Vec<String> {
    own.previews
        .iter()
        .map(|preview| {
            let fouling = match preview.fouling {
                Some(value) => say!(words, "service-fouling", value = signed(value, 2)),
                None => say!(words, "service-fouling-unknown"),
            };
            let drift = match preview.drift {
                Some(value) => say!(words, "service-drift", value = signed(value, 2)),
                None => say!(words, "service-drift-unknown"),
            };
            let mut line = format!("{}: {fouling}, {drift}", quantity_name(words, &preview.quantity));
            if let (Some(gain), Some(shift)) = (preview.gain, preview.shift) {
                let (factor, shift) = (format!("{gain:.3}"), signed(shift, 3));
                line.push_str(&if !(SANE_GAIN.0..=SANE_GAIN.1).contains(&gain) {
                    say!(words, "service-factor", gain = format!("{gain:.1}"))
                } else if own.adopted {
                    say!(words, "service-adopted", gain = factor, shift = shift)
                } else {
                    say!(words, "service-would-be", gain = factor, shift = shift)
                });
            }
            if let Some(slope) = preview.slope_percent {
                line.push_str(&say!(words, "service-slope", slope = number(slope, 0)));
            }
            if let Some(offset) = preview.offset_mv {
                line.push_str(&say!(words, "service-offset", offset = signed(offset, 0)));
            }
            if preview.sensor_good == Some(false) {
                line.push_str(&say!(words, "service-replace"));
            }
            if preview.rejected {
                line.push_str(&say!(words, "service-beyond"));
            }
            line.push('.');
            line
        })
        .collect()
}

fn next(own: &OutStatus, words: Words) -> String {
    let has_standard = own.previews.iter().any(|preview| preview.drift.is_some());
    match (own.cleaned, has_standard, own.adopted) {
        (false, ..) => say!(words, "service-next-before"),
        (true, false, false) => say!(words, "service-next-after"),
        (true, true, false) => say!(words, "service-next-adopt"),
        (true, _, true) => say!(words, "service-next-end"),
    }
}

/// Quantities that a probe of this farm measures, as `check` and the register maps name them.
fn measured(farm: &FarmStatus, probe: &str) -> Option<OutStatus> {
    farm.probes.iter().find(|own| own.id == probe)?.out_of_service.clone()
}
