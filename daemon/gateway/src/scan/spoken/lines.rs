//! Probes that send lines: what comes by itself, what comes to the questions of known profiles, and what fits it.

use std::time::Duration;

use pondreeve_protocol::text_line::{LineMap, Splitter};
use tokio::time::Instant;

use super::super::fit::look_again;
use super::super::{Progress, Setting};
use super::guess::{self, Guess};
use super::{Heard, Outcome, Stop, Walk, shown};
use crate::config::profile::Profile;

/// So many lines are enough.
const LINES: usize = 3;

/// A probe that was asked is waited for at least this long.
const ANSWER_WITHIN: Duration = Duration::from_secs(1);

/// The second character of a line's end comes within this.
const END_WITHIN: Duration = Duration::from_millis(50);

/// Bytes that are kept of a line that babbles.
const BYTES_MAX: usize = 8_192;

/// A line with a smaller share of printable characters comes of a wrong speed, %.
const PRINTABLE_PERCENT: usize = 90;

/// The shortest line that means anything.
const SHORTEST: usize = 2;

impl Walk<'_> {
    pub(super) async fn lines(&mut self, setting: Setting, outcome: &mut Outcome) -> Result<(), Stop> {
        self.access.open_for_text(setting, ANSWER_WITHIN).await.map_err(Stop)?;
        let plan = self.plan;
        (self.tell)(Progress::Listen(plan.listen));
        let came = self.take(plan.listen, false).await?;
        let mut heard = heard(setting, None, &came);
        // Only a line on which nobody speaks is asked on: a question to a probe that sends by itself would be an order.
        if came.is_empty() {
            for profile in &plan.profiles {
                let Profile::Text(map) = profile else { continue };
                let Some(ask) = &map.ask else { continue };
                (self.tell)(Progress::Asked(map.id.clone()));
                let talk = self.talk().await?;
                talk.make_ready().await?;
                talk.send(ask).await?;
                let answer = self.take(ANSWER_WITHIN.max(plan.patience), true).await?;
                let own = answer.strip_prefix(ask.as_slice()).unwrap_or(&answer);
                heard = self::heard(setting, Some(ask.clone()), own);
                if heard.is_some() {
                    break;
                }
            }
        }
        match heard {
            Some(mut heard) => {
                self.guess(&mut heard);
                outcome.heard.push(heard);
            }
            None => {
                if let Some(tried) = outcome.tried.last_mut() {
                    tried.unasked_bytes = came.len();
                }
            }
        }
        Ok(())
    }

    /// What comes within a time, or until there are lines enough; `is_answer` ends it with the first.
    async fn take(&mut self, length: Duration, is_answer: bool) -> Result<Vec<u8>, Stop> {
        let until = Instant::now() + length;
        let mut came = Vec::new();
        let mut told = 0;
        let enough = if is_answer { 1 } else { LINES };
        loop {
            // In slices, so that the line is given back when it is wanted.
            let slice = until.min(Instant::now() + Duration::from_secs(1));
            match self.talk().await?.receive(slice).await? {
                Some(bytes) => came.extend(bytes),
                None if Instant::now() >= until => return Ok(came),
                None => continue,
            }
            let (lines, _) = split(&came, is_answer);
            for line in lines.iter().take(enough).skip(told).filter(|line| is_readable(line)) {
                (self.tell)(Progress::Line(shown(line)));
            }
            told = lines.len();
            if told >= enough || came.len() > BYTES_MAX {
                // A carriage return may be half of the end of a line.
                came.extend(
                    self.talk().await?.receive(Instant::now() + END_WITHIN).await?.unwrap_or_default(),
                );
                return Ok(came);
            }
        }
    }

    fn guess(&self, heard: &mut Heard) {
        for profile in &self.plan.profiles {
            let Profile::Text(map) = profile else { continue };
            match fits(profile, map, heard) {
                Ok(guess) => heard.guesses.push(guess),
                Err(why) => heard.others.push((map.id.clone(), why)),
            }
        }
        guess::sort(&mut heard.guesses, &mut heard.others);
    }
}

/// The whole lines of what came, if they can be read as text.
fn heard(setting: Setting, asked: Option<Vec<u8>>, came: &[u8]) -> Option<Heard> {
    let (lines, end) = split(came, asked.is_some());
    let mut lines: Vec<Vec<u8>> = lines.into_iter().filter(|line| is_readable(line)).collect();
    // The newest: the kernel may have kept many.
    lines.drain(..lines.len().saturating_sub(LINES));
    let is_found = !lines.is_empty();
    is_found.then_some(Heard { setting, asked, lines, end, guesses: Vec::new(), others: Vec::new() })
}

/// Whole lines and what ends them. The first piece of what is listened to may be the rest of an earlier line.
fn split(came: &[u8], is_answer: bool) -> (Vec<Vec<u8>>, Vec<u8>) {
    let has = |end: &[u8]| came.windows(end.len()).any(|bytes| bytes == end);
    let ends: [&[u8]; 3] = [b"\r\n", b"\n", b"\r"];
    let end = ends.into_iter().find(|end| has(end)).unwrap_or(b"\r\n");
    let lines = Splitter::new(end, BYTES_MAX, is_answer).take(came);
    (lines.into_iter().filter(|line| line.len() >= SHORTEST).collect(), end.to_vec())
}

fn is_readable(line: &[u8]) -> bool {
    let printable = line.iter().filter(|byte| (0x20..0x7F).contains(*byte) || **byte == b'\t').count();
    printable * 100 >= line.len() * PRINTABLE_PERCENT
}

fn fits(profile: &Profile, map: &LineMap, heard: &Heard) -> Result<Guess, String> {
    match (&map.ask, &heard.asked) {
        (Some(_), None) => {
            return Err("its probe speaks when it is asked; this one speaks by itself".to_owned());
        }
        (None, Some(_)) => return Err("its probe speaks by itself; this one was asked".to_owned()),
        (Some(own), Some(asked)) if own != asked => return Err("it asks for something else".to_owned()),
        _ => {}
    }
    if map.end != heard.end {
        return Err(format!("its lines end in {:?}, these in {:?}", shown(&map.end), shown(&heard.end)));
    }
    let mut seen: Vec<super::super::Seen> = Vec::new();
    for line in &heard.lines {
        let values = map.read(line).map_err(|why| why.to_string())?;
        for (channel, value) in values {
            let Some((_, reported)) = map.values.iter().find(|(_, own)| own.channel == channel) else {
                continue;
            };
            let raw = value.map_or(0.0, |value| reported.raw(value));
            let own = guess::told(reported, value, raw)?;
            match seen.iter_mut().find(|known| known.channel == channel) {
                Some(known) => look_again(known, own),
                None => seen.push(own),
            }
        }
    }
    Ok(Guess { profile: profile.clone(), seen, is_exact: true, in_doubt: false, told: 0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{builtin, profile};

    fn profile(name: &str) -> Profile {
        profile::parse_any(builtin::profile(name).expect("built in"), name).expect("sound")
    }

    fn guess(name: &str, asked: Option<&[u8]>, came: &[u8]) -> Result<Guess, String> {
        let setting = Setting::parse("9600").unwrap();
        let heard = heard(setting, asked.map(<[u8]>::to_vec), came).ok_or("nothing readable")?;
        let profile = profile(name);
        let Profile::Text(map) = &profile else { panic!("{profile:?}") };
        fits(&profile, map, &heard)
    }

    #[test]
    fn lines_are_known_by_their_pattern_and_checksum() {
        // The checksum of `WX,1011.3,1450`, and that of the line after it, worked out in Python.
        let weather = b"3,1450*13\r\n$WX,1011.3,1450*13\r\n$WX,1011.4,1452*16\r\n";
        let found = guess("text-weather", None, weather).unwrap();
        assert_eq!(found.seen[0].values, [Some(1_011.3), Some(1_011.4)]);
        assert!(found.is_evident());
        let wrong = guess("text-weather", None, b"\r\n$WX,1011.3,1450*14\r\n").unwrap_err();
        assert!(wrong.contains("checksum"), "{wrong}");
        let asked = guess("text-oxygen", Some(b"R\r"), b"OX 6.42 mg/L 28.9 C\r\n").unwrap();
        assert_eq!(asked.seen.len(), 2);
        let other = guess("text-oxygen", Some(b"R\r"), b"OX 6.42 ppm 28.9 C\r\n").unwrap_err();
        assert!(other.contains("does not fit"), "{other}");
        let by_itself = guess("text-oxygen", None, b"\r\nOX 6.42 mg/L 28.9 C\r\n").unwrap_err();
        assert!(by_itself.contains("when it is asked"), "{by_itself}");
    }

    #[test]
    fn a_wrong_speed_is_no_line() {
        assert_eq!(
            guess("text-oxygen", None, b"\xF0\x9E\r\n\xE0\x80\xF8\x11\r\n"),
            Err("nothing readable".into())
        );
        assert!(guess("text-weather", None, b"$WX,1011.3,1450").is_err(), "no end of a line");
    }
}
