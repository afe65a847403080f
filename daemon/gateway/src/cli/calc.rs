//! `pondreeve calc`: the chemistry as a calculator, one JSON object a line in, one a line out.
//!
//! Every line is answered in its place: with results, or with `{"error":"…"}` that names each field
//! at fault, its value and what is accepted. A line with an error carries no number.

mod computes;
mod inputs;
mod line;

use crate::exit_code::{DONE, Failure, Outcome};
use inputs::Inputs;
use std::io::{self, BufRead, ErrorKind, Write};

const AFTER: &str = "\
One JSON object a line on standard input, one answer a line on standard output,
in the same order. A line that is wrong is answered {\"error\":\"...\"} in its
place, and the exit status is 2 at the end.

  {\"compute\":\"un_ionised_ammonia\",\"temperature_c\":29,\"ph\":8.2,
   \"salinity_psu\":18,\"tan_mg_l\":0.9}        (on one line)

compute, its inputs, and in [brackets] what may be left out:
  oxygen_saturation   temperature_c salinity_psu pressure_hpa [do_mg_l]
  un_ionised_ammonia  temperature_c ph salinity_psu [tan_mg_l ph_error
                      temperature_error_c]
  hydrogen_sulfide    temperature_c ph salinity_psu [sulfide_mg_l]
  carbonate           temperature_c ph salinity_psu alkalinity_mg_l [tan_mg_l]
  dose                area_m2 depth_m (or volume_m3) dose basis solids_percent
                      slurry_density_kg_l temperature_c ph salinity_psu
                      alkalinity_mg_l [tan_mg_l magnesium_mg_l]
                      basis: slurry_mass or solids_mass (mg/L),
                      slurry_volume (mL/m3)
  struvite            temperature_c ph salinity_psu magnesium_mg_l tan_mg_l
                      phosphate_mg_l
  aeration            sotr_kg_h sae_kg_kwh temperature_c salinity_psu
                      pressure_hpa do_mg_l alpha beta theta
                      [oxygen_demand_mg_l_h volume_m3 hours]
  sun                 latitude longitude date [clear_sky]
  trend               x y (arrays)
  oxygen_probe        temperature_c do_mg_l salinity_psu pressure_hpa
                      set_salinity_psu set_pressure_hpa
  ammonia_day         hours temperature_c ph (arrays) salinity_psu [tan_mg_l]
  nitrite_limit       salinity_psu, or chloride_mg_l
  convert             value_mg_l from to
                      (N NH3 NH4 NO2 NO3, P PO4 P2O5, S H2S SO4)

Where ph is asked for, ph_scale may say nbs (what a pond meter calibrated in
buffers reads; so it is taken when left out) or total. Any line may say
\"cite\":true to be given the formulas and their sources.";

/// `pondreeve calc`
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Answers are JSON lines in any case
    #[arg(long)]
    pub json: bool,
}

/// Answers standard input on standard output.
///
/// # Errors
/// A line that was wrong (status 2), or input or output that failed (status 1).
pub fn command(_: &Arguments) -> Outcome {
    match run(io::stdin().lock(), io::stdout().lock()) {
        Ok(true) => Ok(DONE),
        Ok(false) => Err(Failure::usage(
            "calc could not answer every line: each that was wrong has its error in place",
        )),
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(DONE),
        Err(error) => Err(Failure::failed(format!("calc could not read or write its lines: {error}"))),
    }
}

/// Longest line taken, bytes: room for two arrays of the most points a trend accepts, many times
/// over, and far below what would trouble the gateway's memory.
const LONGEST_LINE: usize = 1 << 20;

/// Answers every line of the input. True when all were good.
///
/// Answers leave as soon as the input at hand is used up, so a script may write a line and wait for
/// its answer.
pub fn run(mut input: impl BufRead, mut output: impl Write) -> io::Result<bool> {
    let mut lines =
        Lines { partial: Vec::new(), too_long: false, is_first: true, all_good: true, answers: Vec::new() };
    loop {
        let taken = match input.fill_buf() {
            Ok([]) => break,
            Ok(chunk) => {
                lines.take(chunk);
                chunk.len()
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        input.consume(taken);
        output.write_all(&lines.answers)?;
        output.flush()?;
        lines.answers.clear();
    }
    lines.end();
    output.write_all(&lines.answers)?;
    output.flush()?;
    Ok(lines.all_good)
}

/// Lines put together from what the input hands over, and their answers.
struct Lines {
    /// The beginning of a line whose end has not come yet.
    partial: Vec<u8>,
    /// That line has passed the limit; the rest of it is dropped.
    too_long: bool,
    /// No line has ended yet: what some editors and spreadsheets put before a text is before the first.
    is_first: bool,
    all_good: bool,
    answers: Vec<u8>,
}

impl Lines {
    fn take(&mut self, mut chunk: &[u8]) {
        while let Some(end) = chunk.iter().position(|&byte| byte == b'\n') {
            let (line, rest) = chunk.split_at(end);
            chunk = rest.get(1..).unwrap_or_default();
            if self.partial.is_empty() && !self.too_long && line.len() <= LONGEST_LINE {
                let line = without_mark(line, std::mem::take(&mut self.is_first));
                self.all_good &= answer(line, &mut self.answers);
            } else {
                self.keep(line);
                self.finish_partial();
            }
        }
        self.keep(chunk);
    }

    fn keep(&mut self, bytes: &[u8]) {
        if self.too_long || self.partial.len() + bytes.len() > LONGEST_LINE {
            self.too_long = true;
            self.partial.clear();
        } else {
            self.partial.extend_from_slice(bytes);
        }
    }

    fn finish_partial(&mut self) {
        if self.too_long {
            write_error(
                &mut self.answers,
                &format!("the line is longer than the accepted {LONGEST_LINE} bytes"),
            );
            self.all_good = false;
        } else {
            let line = std::mem::take(&mut self.partial);
            let line = without_mark(&line, self.is_first);
            self.all_good &= answer(line, &mut self.answers);
        }
        self.is_first = false;
        self.partial.clear();
        self.too_long = false;
    }

    /// The input has ended; its last line need not end in a line break.
    fn end(&mut self) {
        if !self.partial.is_empty() || self.too_long {
            self.finish_partial();
        }
    }
}

/// A line without the byte order mark that a text may begin with.
fn without_mark(line: &[u8], is_first: bool) -> &[u8] {
    if is_first { line.strip_prefix("\u{feff}".as_bytes()).unwrap_or(line) } else { line }
}

/// Answers one line; true when it was good.
fn answer(line: &[u8], answers: &mut Vec<u8>) -> bool {
    let start = answers.len();
    match try_answer(line, answers) {
        Ok(()) => true,
        Err(problem) => {
            answers.truncate(start);
            write_error(answers, &problem);
            false
        }
    }
}

fn try_answer(line: &[u8], answers: &mut Vec<u8>) -> Result<(), String> {
    let text = std::str::from_utf8(line)
        .map_err(|error| format!("the line is not UTF-8 text after byte {}", error.valid_up_to()))?;
    if text.trim().is_empty() {
        return Err("the line is blank, accepted is a JSON object with \"compute\"".to_owned());
    }
    let cells = line::parse(text)?;
    computes::answer(Inputs::new(cells), answers)
}

fn write_error(answers: &mut Vec<u8>, problem: &str) {
    answers.extend_from_slice(b"{\"error\":");
    inputs::write_text(answers, problem);
    answers.extend_from_slice(b"}\n");
}

#[cfg(test)]
mod tests;
