//! The technician's full-screen terminal, over the local socket.
//!
//! Made for one tired person at an 80×24 serial terminal at night: which pond, what, how sure, how long
//! is left, what to do, and one key that acknowledges from every page.
//!
//! - `link` tells the loop the farm's state and carries what the person asks;
//! - `keys` puts together the keys that a slow line takes apart;
//! - `ui` and `entry` say what each key does, and know no terminal;
//! - `draw` makes a page from state, and knows neither socket nor keys;
//! - `terminal` takes the terminal over, sends only what changed, and always gives it back.
//!
//! # On a slow line
//! 9600 baud carry 960 bytes a second. Measured for four ponds at 80×24 by the test
//! `a_redraw_fits_a_slow_line`: nothing new 0 bytes, a minute later with new readings in every pond 110,
//! an acknowledgement 250, a whole page with a critical alarm 1,830 (under two seconds).
//!
//! # Never
//! The console never shows a state it last heard as the present one, never sends later what could not be
//! sent at once, and never acknowledges an alarm that came on top within a moment of the key.

pub(crate) mod ammonia;
mod answers;
mod aside;
pub(crate) mod deed_words;
mod deeds;
pub(crate) mod diary;
mod draw;
pub(crate) mod entry;
pub(crate) mod explanation;
mod keys;
pub(crate) mod limits;
mod link;
#[cfg(test)]
pub(crate) mod sample;
pub(crate) mod shelving;
mod terminal;
#[cfg(test)]
mod tests;
pub(crate) mod text;
mod ui;
pub(crate) mod words;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::said::told;
use crate::texts::{Choice, Words, chosen, say};

use draw::{Curve, Link, Nights, Screen};
use keys::{Assembler, ESCAPE_WAIT_MS, Key, Reader};
use link::News;
use terminal::{Capabilities, Display, Held};
use ui::{Action, Page, Ui};

/// How to run the console.
#[derive(Debug, Clone)]
pub struct Options {
    /// The daemon's socket.
    pub socket: PathBuf,
    /// A short text for the top line, such as what is simulated.
    pub title: Option<String>,
    /// Ring the terminal's bell for urgent alarms.
    pub bell: bool,
    /// What decides on the language, but for the farm's configuration, which the daemon tells.
    pub choice: Choice,
}

impl From<PathBuf> for Options {
    fn from(socket: PathBuf) -> Self {
        Self { socket, title: None, bell: true, choice: Choice::default() }
    }
}

/// Why the console ended other than by its own key.
#[derive(Debug, thiserror::Error)]
pub enum ConsoleError {
    /// Not a terminal, or one that cannot place text.
    #[error(
        "cannot open the full-screen console: {found}; it needs a terminal that can place text \
         (vt100 or better). Use `pondreeve status` and `pondreeve alarms` for plain lines instead"
    )]
    Unsuitable {
        /// What was found.
        found: String,
    },
    /// There are no such texts.
    #[error("{0}")]
    Language(String),
    /// The terminal failed.
    #[error("the terminal could not be read or written: {0}")]
    Terminal(#[from] std::io::Error),
}

/// The daemon sends its state each second; after so long without one, what is shown is old.
const SILENT_AFTER: Duration = Duration::from_secs(8);

/// The curve is asked for again when the farm's clock has moved this far, seconds.
const CURVE_EVERY_S: i64 = 300;

/// But never more often than this, whatever the farm's clock does.
const CURVE_PAUSE: Duration = Duration::from_secs(2);

/// Answers on their way back; a person asks one thing at a time and the curve is one more.
const ANSWERS_BOUND: usize = 8;

/// Shows the console until the person leaves it. Restores the terminal whatever happens.
///
/// # Errors
/// When standard output or input is no suitable terminal, or it fails. A daemon that does not answer
/// is no error: the console says so and keeps trying.
pub async fn run(options: impl Into<Options>) -> Result<(), ConsoleError> {
    let options = options.into();
    let capabilities = Capabilities::from_environment(|name| std::env::var(name).ok())?;
    // A language that only the farm's folder has is known once the daemon has told where that is.
    let asked = Choice { language: None, ..options.choice.clone() };
    let words = chosen(&asked).map_err(ConsoleError::Language)?;
    let words = chosen(&options.choice).unwrap_or(words);
    let held = Held::take()?;
    let result = shown(&options, capabilities, words).await;
    drop(held);
    result
}

/// The loop itself, on a terminal that has been taken over.
async fn shown(options: &Options, capabilities: Capabilities, words: Words) -> Result<(), ConsoleError> {
    let (reader, mut keys) = Reader::start()?;
    let mut terminate = signal(SignalKind::terminate())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut resized = signal(SignalKind::window_change())?;
    let (out, mut news) = mpsc::channel(link::NEWS_BOUND);
    let watcher = tokio::spawn(link::watch(options.socket.clone(), out));
    let (answers_out, mut answers) = mpsc::channel(ANSWERS_BOUND);
    let display = Display::new(std::io::BufWriter::new(std::io::stdout()), terminal::size_now());
    let mut console = Console {
        options,
        capabilities,
        display,
        ui: Ui::speaking(words),
        farm: None,
        heard: None,
        lost: None,
        curve: None,
        curve_asked: None,
        nights: None,
        nights_asked: None,
        answers: answers_out,
        started: Instant::now(),
    };
    let mut assembler = Assembler::default();
    let mut second = tokio::time::interval(Duration::from_secs(1));
    second.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    console.draw()?;
    let result = loop {
        let held_escape = tokio::time::sleep(Duration::from_millis(ESCAPE_WAIT_MS + 1));
        let pressed = tokio::select! {
            // Keys first: an acknowledgement never waits behind news.
            biased;
            key = keys.recv() => match key {
                Some(key) => assembler.press(key, console.now_ms()),
                // Hung up: nobody looks any more.
                None => break Ok(()),
            },
            () = held_escape, if assembler.holds() => assembler.expire(console.now_ms()),
            Some(said) = news.recv() => {
                if console.heard(said) && options.bell {
                    console.display.bell()?;
                }
                Vec::new()
            }
            Some((ask, answer)) = answers.recv() => {
                console.answered(&ask, answer);
                Vec::new()
            }
            _ = second.tick() => {
                // Some terminals change size without a signal.
                if terminal::size_now() == console.display.area() { Vec::new() } else { vec![Key::Resized] }
            }
            _ = resized.recv() => vec![Key::Resized],
            _ = terminate.recv() => break Ok(()),
            _ = hang_up.recv() => break Ok(()),
            _ = interrupt.recv() => break Ok(()),
        };
        let mut leave = false;
        for key in pressed {
            leave |= console.pressed(key)?;
        }
        if leave {
            break Ok(());
        }
        console.want_curve();
        console.want_nights();
        console.draw()?;
    };
    watcher.abort();
    drop(reader);
    result
}

/// What is said of an answer to something else.
fn unexpected(words: Words, reply: &Reply) -> String {
    say!(words, "unexpected-answer", reply = format!("{reply:?}"))
}

/// Everything the loop holds.
struct Console<'a, W: std::io::Write> {
    options: &'a Options,
    capabilities: Capabilities,
    display: Display<W>,
    ui: Ui,
    farm: Option<Box<FarmStatus>>,
    heard: Option<Instant>,
    lost: Option<String>,
    curve: Option<Curve>,
    curve_asked: Option<(String, i64, Instant)>,
    nights: Option<Nights>,
    nights_asked: Option<(String, Option<String>, i64, Instant)>,
    answers: mpsc::Sender<(Ask, Result<Reply, String>)>,
    started: Instant,
}

impl<W: std::io::Write> Console<'_, W> {
    fn now_ms(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// Takes in news. Says whether the bell should sound.
    fn heard(&mut self, said: News) -> bool {
        match said {
            News::Farm(farm) => {
                self.speak_as_configured(&farm);
                let bell = self.ui.heard(&farm, self.now_ms());
                self.farm = Some(farm);
                self.heard = Some(Instant::now());
                if self.lost.take().is_some() {
                    self.ui.reconnected();
                }
                bell
            }
            News::Lost(why) => {
                self.lost = Some(why.told(self.ui.words));
                false
            }
        }
    }

    /// Takes up the language that the farm's configuration says, where it says another one than before and nobody
    /// asked for a file.
    fn speak_as_configured(&mut self, farm: &FarmStatus) {
        let before = self.farm.as_ref().map(|farm| (&farm.language, &farm.texts));
        if before == Some((&farm.language, &farm.texts)) || self.options.choice.file.is_some() {
            return;
        }
        let mut choice = self.options.choice.clone();
        (choice.configured, choice.folder) = (farm.language.clone(), farm.texts.clone());
        match chosen(&choice) {
            Ok(words) => self.ui.words = words,
            Err(why) => self.ui.say(&why, true, self.now_ms()),
        }
    }

    fn link(&self) -> Link {
        match (&self.heard, &self.lost) {
            (None, why) => Link::Waiting { why: why.clone() },
            (Some(heard), why) => {
                let silence = heard.elapsed();
                let for_s = i64::try_from(silence.as_secs()).unwrap_or(i64::MAX);
                match why {
                    Some(why) => Link::Lost { for_s, why: why.clone() },
                    None if silence > SILENT_AFTER => {
                        Link::Lost { for_s, why: say!(self.ui.words, "daemon-silent") }
                    }
                    None => Link::Live,
                }
            }
        }
    }

    fn answered(&mut self, ask: &Ask, answer: Result<Reply, String>) {
        let words = self.ui.words;
        if let Ask::History { pond, .. } = ask {
            let (points, trouble) = match answer {
                Ok(Reply::History { points }) => (points, None),
                Ok(Reply::Error { message, said, .. }) => {
                    (Vec::new(), Some(told(words, &message, said.as_deref())))
                }
                Err(message) => (Vec::new(), Some(message)),
                Ok(other) => (Vec::new(), Some(unexpected(words, &other))),
            };
            self.curve = Some(Curve { pond: pond.clone(), points, trouble });
            return;
        }
        if let Ask::Night { pond } = ask {
            let (status, trouble) = match answer {
                Ok(Reply::Night(status)) => (Some(status), None),
                Ok(Reply::Error { message, said, .. }) => {
                    (None, Some(told(words, &message, said.as_deref())))
                }
                Err(message) => (None, Some(message)),
                Ok(other) => (None, Some(unexpected(words, &other))),
            };
            self.nights = Some(Nights { pond: pond.clone(), status, trouble });
            return;
        }
        let answer = match answer {
            Ok(Reply::Why(why)) => return self.ui.explained(why),
            Ok(Reply::Limits { limits }) => return self.ui.told_limits(limits),
            Ok(Reply::Deeds { deeds, .. }) => return self.ui.told_deeds(deeds),
            Ok(Reply::Unsure { message, said }) => {
                return self.ui.unsure(told(words, &message, said.as_deref()), self.now_ms());
            }
            Ok(Reply::Recorded(recorded)) => {
                let now_ms = self.now_ms();
                if let Some(Action::Ask(ask)) = self.ui.recorded(recorded, self.farm.as_deref(), now_ms) {
                    self.send(ask);
                }
                return;
            }
            Ok(Reply::Done { warning, warning_said, .. }) => {
                Ok(warning.map(|warning| told(words, &warning, warning_said.as_deref())))
            }
            Ok(Reply::Error { message, said, .. }) => Err(told(words, &message, said.as_deref())),
            Ok(other) => Err(unexpected(words, &other)),
            Err(why) => Err(why),
        };
        let is_changed = answer.is_ok();
        self.ui.answered(ask, answer, self.now_ms());
        if let Ask::ChangeLimit { pond, .. } = ask
            && is_changed
        {
            self.send(Ask::Limits { pond: pond.clone() });
        }
    }

    /// Handles a key. Says whether to leave.
    fn pressed(&mut self, key: Key) -> Result<bool, ConsoleError> {
        let live = self.link() == Link::Live;
        match self.ui.key(key, self.farm.as_deref(), live, self.now_ms()) {
            Some(Action::Leave) => return Ok(true),
            Some(Action::Redraw) => self.display.reset(terminal::size_now())?,
            Some(Action::Ask(ask)) => self.send(ask),
            None => {}
        }
        Ok(false)
    }

    fn send(&self, ask: Ask) {
        let (socket, answers, words) = (self.options.socket.clone(), self.answers.clone(), self.ui.words);
        tokio::spawn(async move {
            let answer = link::ask(&socket, ask.clone(), words).await;
            // Nobody listens only when the console has been left.
            drop(answers.send((ask, answer)).await);
        });
    }

    /// Asks for the chosen pond's curve where its page is open and what is there is old.
    fn want_curve(&mut self) {
        if !matches!(self.ui.page, Page::Pond | Page::Night) || self.link() != Link::Live {
            return;
        }
        let Some(farm) = &self.farm else { return };
        let (Some(pond), Ok(now)) = (farm.ponds.get(self.ui.pond), farm.at.parse::<jiff::Timestamp>()) else {
            return;
        };
        let fresh = self.curve_asked.as_ref().is_some_and(|(id, at, asked)| {
            *id == pond.id && (asked.elapsed() < CURVE_PAUSE || now.as_second() - at < CURVE_EVERY_S)
        });
        if fresh {
            return;
        }
        // The page of the night may begin a little before the other.
        let from = draw::span(pond, now).0.min(draw::night_span(pond, now).0);
        let seconds = u64::try_from(now.as_second() - from).unwrap_or(0);
        let ask = Ask::History {
            pond: pond.id.clone(),
            quantity: "do_mg_l".to_owned(),
            seconds,
            // More than there are columns says nothing more.
            points: usize::from(self.display.area().width),
        };
        self.curve_asked = Some((pond.id.clone(), now.as_second(), Instant::now()));
        self.send(ask);
    }

    /// Asks for the chosen pond's nights where they are shown and the forecast is another one than when they
    /// were last asked for.
    fn want_nights(&mut self) {
        if !matches!(self.ui.page, Page::Night | Page::Nights) || self.link() != Link::Live {
            return;
        }
        let Some(farm) = &self.farm else { return };
        let (Some(pond), Ok(now)) = (farm.ponds.get(self.ui.pond), farm.at.parse::<jiff::Timestamp>()) else {
            return;
        };
        let made = pond.forecast.as_ref().map(|forecast| forecast.at.clone());
        let fresh = self.nights_asked.as_ref().is_some_and(|(id, at_made, at, asked)| {
            let same = *at_made == made && now.as_second() - at < CURVE_EVERY_S;
            *id == pond.id && (same || asked.elapsed() < CURVE_PAUSE)
        });
        if fresh {
            return;
        }
        let ask = Ask::Night { pond: pond.id.clone() };
        self.nights_asked = Some((pond.id.clone(), made, now.as_second(), Instant::now()));
        self.send(ask);
    }

    fn draw(&mut self) -> Result<(), ConsoleError> {
        self.ui.tick(self.now_ms());
        let link = self.link();
        let screen = Screen {
            farm: self.farm.as_deref(),
            link: &link,
            ui: &self.ui,
            curve: self.curve.as_ref(),
            nights: self.nights.as_ref(),
            title: self.options.title.as_deref(),
            capabilities: self.capabilities,
        };
        let (page, cursor) = draw::draw(self.display.area(), &screen);
        self.display.show(page, cursor)?;
        Ok(())
    }
}
