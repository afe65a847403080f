//! The terminal itself: what it can do, taking it over, and always giving it back.

use std::io::{self, IsTerminal as _, Write};
use std::sync::{Arc, Mutex, PoisonError};

use crossterm::{cursor, execute, queue, terminal};
use pondreeve_core::said::{Said, said};
use ratatui::backend::{Backend as _, CrosstermBackend};
use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::{Position, Rect};

use super::ConsoleError;

/// Columns and rows assumed where the terminal does not say: a serial line reports 0×0.
pub(crate) const ASSUMED_SIZE: (u16, u16) = (80, 24);

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Capabilities {
    /// Colours. Never needed to understand a page.
    pub(crate) colour: bool,
    /// Characters beyond ASCII.
    pub(crate) utf8: bool,
}

fn unsuitable(found: &Said) -> ConsoleError {
    ConsoleError::Unsuitable { found: found.english().to_owned() }
}

impl Capabilities {
    /// Reads them from the environment, `NO_COLOR`, `TERM` and the locale.
    ///
    /// # Errors
    /// When `TERM` says that text cannot be placed.
    pub(crate) fn from_environment(variable: impl Fn(&str) -> Option<String>) -> Result<Self, ConsoleError> {
        let set = |name: &str| variable(name).filter(|value| !value.is_empty());
        let term = set("TERM").unwrap_or_default();
        if term == "dumb" {
            return Err(unsuitable(&said!("terminal-dumb", "TERM is `dumb`")));
        }
        // Terminals of the vt52 to vt420 line, and entries that say so themselves, have no colour.
        let monochrome = term.is_empty()
            || ["vt5", "vt1", "vt2", "vt3", "vt4"].iter().any(|prefix| term.starts_with(prefix))
            || ["-m", "-mono"].iter().any(|suffix| term.ends_with(suffix));
        let locale = set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG")).unwrap_or_default();
        let locale = locale.to_ascii_lowercase();
        Ok(Self {
            colour: !monochrome && set("NO_COLOR").is_none(),
            utf8: locale.contains("utf-8") || locale.contains("utf8"),
        })
    }
}

/// Size to draw for, from what the terminal says and the environment's `COLUMNS` and `LINES`.
pub(crate) fn usable_size(reported: Option<(u16, u16)>, columns: Option<u16>, lines: Option<u16>) -> Rect {
    let (reported_columns, reported_lines) = reported.unwrap_or((0, 0));
    let pick = |reported: u16, told: Option<u16>, assumed: u16| match (reported, told) {
        (0, Some(told)) if told > 0 => told,
        (0, _) => assumed,
        (reported, _) => reported,
    };
    // ratatui counts cells in 16 bits; no terminal of use is wider than this.
    let columns = pick(reported_columns, columns, ASSUMED_SIZE.0).min(250);
    let lines = pick(reported_lines, lines, ASSUMED_SIZE.1).min(250);
    Rect::new(0, 0, columns, lines)
}

/// Size of this process's terminal.
pub(crate) fn size_now() -> Rect {
    let told = |name: &str| std::env::var(name).ok().and_then(|value| value.parse().ok());
    usable_size(terminal::size().ok(), told("COLUMNS"), told("LINES"))
}

/// Sends only what changed, and nothing at all where nothing did.
pub(crate) struct Display<W: Write> {
    backend: CrosstermBackend<W>,
    shown: Buffer,
    cursor: Option<Position>,
}

impl<W: Write> Display<W> {
    /// A display of a cleared screen of this size.
    pub(crate) fn new(writer: W, area: Rect) -> Self {
        Self { backend: CrosstermBackend::new(writer), shown: Buffer::empty(area), cursor: None }
    }

    /// Size drawn for.
    pub(crate) fn area(&self) -> Rect {
        self.shown.area
    }

    /// Clears the screen and forgets what was on it: after a resize, or when noise on the line has
    /// spoilt it.
    pub(crate) fn reset(&mut self, area: Rect) -> io::Result<()> {
        self.shown = Buffer::empty(area);
        self.cursor = None;
        queue!(self.backend, cursor::Hide, terminal::Clear(terminal::ClearType::All))?;
        Write::flush(&mut self.backend)
    }

    /// Brings the screen to this page.
    pub(crate) fn show(&mut self, page: Buffer, cursor_at: Option<Position>) -> io::Result<()> {
        let changes = self.shown.diff(&page);
        let changed = !changes.is_empty();
        if !changed && cursor_at == self.cursor {
            return Ok(());
        }
        if changed {
            let changes = without_short_gaps(&page, &changes);
            self.backend.draw(changes.into_iter())?;
        }
        match cursor_at {
            Some(at) => queue!(self.backend, cursor::MoveTo(at.x, at.y), cursor::Show)?,
            None if self.cursor.is_some() => queue!(self.backend, cursor::Hide)?,
            None => {}
        }
        Write::flush(&mut self.backend)?;
        self.cursor = cursor_at;
        self.shown = page;
        Ok(())
    }

    /// Sounds the terminal's bell.
    pub(crate) fn bell(&mut self) -> io::Result<()> {
        self.backend.write_all(b"\x07")?;
        Write::flush(&mut self.backend)
    }
}

/// Moving the cursor costs up to eight bytes: unchanged cells between two changed ones are sent again
/// where that is shorter and their look is the same.
fn without_short_gaps<'a>(page: &'a Buffer, changes: &[(u16, u16, &'a Cell)]) -> Vec<(u16, u16, &'a Cell)> {
    const LONGEST_GAP: u16 = 6;
    let mut all: Vec<(u16, u16, &Cell)> = Vec::with_capacity(changes.len());
    for &(x, y, cell) in changes {
        if let Some(&(last_x, last_y, last)) = all.last()
            && last_y == y
            && (2..=LONGEST_GAP + 1).contains(&x.saturating_sub(last_x))
        {
            let between = (last_x + 1..x).filter_map(|x| Some((x, y, page.cell((x, y))?)));
            let same = |cell: &Cell| {
                cell.symbol().len() == 1
                    && (cell.fg, cell.bg, cell.modifier) == (last.fg, last.bg, last.modifier)
            };
            if between.clone().all(|(_, _, cell)| same(cell)) {
                all.extend(between);
            }
        }
        all.push((x, y, cell));
    }
    all
}

type Hook = Box<dyn Fn(&std::panic::PanicHookInfo<'_>) + Sync + Send + 'static>;

/// The terminal in raw mode on its alternate screen, until dropped.
///
/// Panics of any part are kept while it lasts, since their text would land in the middle of the page,
/// and printed once the terminal is as it was.
pub(crate) struct Held {
    said: Arc<Mutex<Vec<String>>>,
    previous_hook: Arc<Mutex<Option<Hook>>>,
}

impl Held {
    /// Takes the terminal over.
    ///
    /// # Errors
    /// When input or output is not a terminal, or it refuses.
    pub(crate) fn take() -> Result<Self, ConsoleError> {
        if !io::stdout().is_terminal() {
            return Err(unsuitable(&said!("terminal-no-output", "standard output is not a terminal")));
        }
        if !io::stdin().is_terminal() {
            return Err(unsuitable(&said!("terminal-no-input", "standard input is not a terminal")));
        }
        // We decide about colour ourselves: the library's own handling of NO_COLOR emits an empty
        // attribute sequence that cancels bold.
        crossterm::style::force_color_output(true);
        terminal::enable_raw_mode()?;
        let said = Arc::new(Mutex::new(Vec::new()));
        let keep = Arc::clone(&said);
        let previous_hook = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            keep.lock().unwrap_or_else(PoisonError::into_inner).push(info.to_string());
        }));
        let held = Self { said, previous_hook: Arc::new(Mutex::new(Some(previous_hook))) };
        execute!(
            io::stdout(),
            terminal::EnterAlternateScreen,
            cursor::Hide,
            terminal::Clear(terminal::ClearType::All)
        )?;
        Ok(held)
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        // Cleared first for terminals without an alternate screen.
        let restored = execute!(
            io::stdout(),
            crossterm::style::ResetColor,
            terminal::Clear(terminal::ClearType::All),
            cursor::MoveTo(0, 0),
            terminal::LeaveAlternateScreen,
            cursor::Show
        );
        let cooked = terminal::disable_raw_mode();
        // `set_hook` is refused while this thread unwinds; the kept hook then stays, harmless.
        if !std::thread::panicking()
            && let Some(hook) = self.previous_hook.lock().unwrap_or_else(PoisonError::into_inner).take()
        {
            std::panic::set_hook(hook);
        }
        for text in self.said.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            eprintln!("{text}");
        }
        if let Err(error) = restored.and(cooked) {
            eprintln!("the terminal could not be restored ({error}); type `reset`");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn capabilities(pairs: &[(&str, &str)]) -> Result<Capabilities, ConsoleError> {
        Capabilities::from_environment(|name| {
            pairs.iter().find(|(key, _)| *key == name).map(|(_, value)| (*value).to_owned())
        })
    }

    #[test]
    fn the_environment_decides() {
        let found = capabilities(&[("TERM", "xterm-256color"), ("LANG", "en_GB.UTF-8")]).unwrap();
        assert_eq!(found, Capabilities { colour: true, utf8: true });
        let found = capabilities(&[("TERM", "xterm"), ("LANG", "en_GB.UTF-8"), ("LC_ALL", "C")]).unwrap();
        assert_eq!(found, Capabilities { colour: true, utf8: false });
        let found = capabilities(&[("TERM", "vt220"), ("LC_CTYPE", "C.utf8")]).unwrap();
        assert_eq!(found, Capabilities { colour: false, utf8: true });
        let found = capabilities(&[("TERM", "linux"), ("NO_COLOR", "1")]).unwrap();
        assert_eq!(found, Capabilities { colour: false, utf8: false });
        let found = capabilities(&[("TERM", "linux"), ("NO_COLOR", "")]).unwrap();
        assert!(found.colour, "an empty NO_COLOR counts as not set");
        let error = capabilities(&[("TERM", "dumb")]).unwrap_err().to_string();
        assert!(error.contains("pondreeve status"), "{error}");
    }

    #[test]
    fn a_terminal_that_reports_no_size_is_80_by_24() {
        assert_eq!(usable_size(Some((0, 0)), None, None), Rect::new(0, 0, 80, 24));
        assert_eq!(usable_size(None, Some(132), Some(0)), Rect::new(0, 0, 132, 24));
        assert_eq!(usable_size(Some((60, 20)), Some(132), Some(50)), Rect::new(0, 0, 60, 20));
    }

    #[test]
    fn an_unchanged_page_sends_nothing() {
        let area = Rect::new(0, 0, 20, 3);
        let mut sent = Vec::new();
        let mut display = Display::new(&mut sent, area);
        let mut page = Buffer::empty(area);
        page.set_string(2, 1, "2.81 mg/L", ratatui::style::Style::new());
        display.show(page.clone(), None).unwrap();
        display.show(page, None).unwrap();
        let text = String::from_utf8(sent).unwrap();
        assert_eq!(text.matches("2.81").count(), 1, "{text:?}");
    }
}
