//! `pondreeve calibrate`: a probe's service, step by step, in a conversation or one step a call.

use std::io::{IsTerminal as _, Write as _};

use super::numbers::{length, within};
use super::plain::{COLUMNS, clock};
use crate::console::text::{FarmClock, number, signed, wrap};
use crate::console::words::quantity_name;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::local::service::{BesideAsk, OutStatus, ProbeStatus, StepAsk};
use crate::texts::english;
use pondreeve_core::service::SANE_GAIN;

mod walk;

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
        #[arg(long = "for", value_name = "LENGTH", value_parser = length("a time such as 30m: 1 min to 4 h"))]
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
        #[arg(long, value_parser = within(-50_000.0, 50_000.0, "in the quantity's unit"))]
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
    #[arg(long, value_parser = within(-50_000.0, 50_000.0, "in the quantity's unit"))]
    pub reading: Option<f64>,
}

fn pair(text: &str) -> Result<(String, String), String> {
    text.split_once('=')
        .filter(|(quantity, value)| !quantity.is_empty() && !value.is_empty())
        .map(|(quantity, value)| (quantity.to_owned(), value.to_owned()))
        .ok_or_else(|| format!("{text:?} is no QUANTITY=VALUE, such as do_mg_l=5.3"))
}

/// Takes a step, or walks through all of them.
///
/// # Errors
/// When no daemon answers, or the step cannot be taken.
pub fn run(arguments: &Arguments) -> Outcome {
    let Some(step) = &arguments.step else {
        if !std::io::stdin().is_terminal() || arguments.json {
            return Err(Failure::usage(
                "calibrating in turn needs a terminal: name a step instead, such as begin (see --help)"
                    .to_owned(),
            ));
        }
        let (mut input, mut out) = (std::io::stdin().lock(), std::io::stdout().lock());
        return walk::through(arguments, &mut input, &mut out);
    };
    for act in asks(step)? {
        take(arguments, act)?;
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
        Some(probe) => told_probe(&mut told, probe, clock(&farm)),
        None => {
            told.push_str(&format!(
                "{} is in service, and nothing is known of a service.\n",
                arguments.probe
            ));
        }
    }
    super::print_plain(&told).map(|_| DONE)
}

/// Sends a step.
fn take(arguments: &Arguments, act: StepAsk) -> Result<(), Failure> {
    match arguments.daemon.ask(Ask::Service { probe: arguments.probe.clone(), act })? {
        Reply::Done { warning, .. } => {
            if let Some(warning) = warning {
                let _ = writeln!(std::io::stderr(), "pondreeve: {warning}");
            }
            Ok(())
        }
        Reply::Error { message, bad_request, .. } => {
            let told = format!("servicing {} failed: {message}", arguments.probe);
            Err(if bad_request { Failure::usage(told) } else { Failure::failed(told) })
        }
        other => Err(arguments.daemon.unexpected(&other)),
    }
}

fn asks(step: &StepArguments) -> Result<Vec<StepAsk>, Failure> {
    let beside = |own: &Beside, make: fn(BesideAsk) -> StepAsk| {
        if own.reading.is_some() && own.hand.len() > 1 {
            return Err(Failure::usage(
                "--reading is for one quantity: give one QUANTITY=HAND with it".to_owned(),
            ));
        }
        own.hand
            .iter()
            .map(|(quantity, hand)| {
                let hand = match hand.as_str() {
                    "-" => None,
                    text => Some(text.parse().map_err(|_| {
                        Failure::usage(format!(
                            "{quantity}={text} is no number: accepted is 5.3, or - without a hand meter"
                        ))
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
fn told_probe(out: &mut String, probe: &ProbeStatus, clock: FarmClock) {
    let mut say = |text: &str| {
        for row in wrap(text, COLUMNS, 20) {
            out.push_str(&row);
            out.push('\n');
        }
    };
    match &probe.out_of_service {
        Some(own) => {
            say(&format!(
                "{} is out of service since {} by {}; it returns by itself at {}.",
                probe.id,
                clock.time_and_day(&own.since),
                own.by,
                clock.time_and_day(&own.until)
            ));
            for line in previews(own) {
                say(&line);
            }
            say(next(own));
        }
        None => {
            say(&format!("{} is in service.", probe.id));
            for channel in &probe.channels {
                let Some(last) = channel.services.last() else { continue };
                let outcome = match (last.rejected, last.gain, last.shift) {
                    (true, ..) => "too far off: what was read in between is rejected".to_owned(),
                    (_, Some(gain), Some(shift)) => {
                        format!("adopted: times {gain:.3}, {} added", signed(shift, 3))
                    }
                    _ => "nothing adopted".to_owned(),
                };
                say(&format!(
                    "{}, last service {}: fouling {}, drift {}; {outcome}. The correction is spread back to {}.",
                    quantity_name(english(), &channel.quantity),
                    clock.time_and_day(&last.to),
                    signed(last.fouling, 2),
                    signed(last.drift, 2),
                    clock.time_and_day(&last.from),
                ));
            }
        }
    }
}

/// What adopting would do, a line a quantity.
fn previews(own: &OutStatus) -> Vec<String> {
    let verb = if own.adopted { "adopted" } else { "adopting would make it" };
    own.previews
        .iter()
        .map(|preview| {
            let part = |name: &str, value: Option<f64>| {
                value.map_or_else(
                    || format!("{name} not known"),
                    |value| format!("{name} {}", signed(value, 2)),
                )
            };
            let mut line = format!(
                "{}: {}, {}",
                quantity_name(english(), &preview.quantity),
                part("fouling", preview.fouling),
                part("drift", preview.drift)
            );
            if let (Some(gain), Some(shift)) = (preview.gain, preview.shift) {
                if (SANE_GAIN.0..=SANE_GAIN.1).contains(&gain) {
                    line.push_str(&format!("; {verb} times {gain:.3}, {} added", signed(shift, 3)));
                } else {
                    line.push_str(&format!(
                        "; the standards ask for a factor of {gain:.1}, which is not adopted: look at the standard and the unit"
                    ));
                }
            }
            if let Some(slope) = preview.slope_percent {
                line.push_str(&format!("; slope {} %", number(slope, 0)));
            }
            if let Some(offset) = preview.offset_mv {
                line.push_str(&format!(", offset {} mV", signed(offset, 0)));
            }
            if preview.sensor_good == Some(false) {
                line.push_str(": outside what is accepted, REPLACE THE SENSOR");
            }
            if preview.rejected {
                line.push_str("; readings since the last service are too far off to be corrected");
            }
            line.push('.');
            line
        })
        .collect()
}

fn next(own: &OutStatus) -> &'static str {
    let has_standard = own.previews.iter().any(|preview| preview.drift.is_some());
    match (own.cleaned, has_standard, own.adopted) {
        (false, ..) => "Next: before QUANTITY=HAND, then clean it and say cleaned.",
        (true, false, false) => "Next: after QUANTITY=HAND, then standard QUANTITY=STANDARD.",
        (true, true, false) => "Next: another standard, or adopt, or end without adopting.",
        (true, _, true) => "Next: put it back into the pond, then end.",
    }
}

/// Quantities that a probe of this farm measures, as `check` and the register maps name them.
fn measured(farm: &FarmStatus, probe: &str) -> Option<OutStatus> {
    farm.probes.iter().find(|own| own.id == probe)?.out_of_service.clone()
}
