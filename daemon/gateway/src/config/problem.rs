//! What is wrong in a file that a person wrote, where, and what would have been right.

use std::fmt::{self, Write as _};
use std::io::IsTerminal as _;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use miette::{
    Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode, ThemeCharacters,
};

/// Longer lines are not drawn: a drawing wider than any screen helps nobody.
const WIDEST_DRAWN_LINE: usize = 240;
/// Further problems are told in plain lines: one mistake repeated for each probe should not fill ten screens.
const MOST_DRAWN: usize = 20;

/// A text that was read, kept so that a problem can be shown in its place.
#[derive(Debug)]
pub struct Source {
    file: PathBuf,
    text: String,
    /// Byte offset of the start of each line.
    lines: Vec<usize>,
    /// The text as it is drawn: same length, but nothing in it can steer a terminal.
    drawn: NamedSource<String>,
}

impl Source {
    /// Keeps `text` as read from `file`.
    pub fn new(file: impl Into<PathBuf>, text: impl Into<String>) -> Arc<Self> {
        let (file, text) = (file.into(), text.into());
        let drawn = NamedSource::new(file.display().to_string(), without_control(&text));
        let lines = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Arc::new(Self { file, text, lines, drawn })
    }

    /// The file it was read from.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// The text.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Line and column of a byte offset, both counted from 1, columns in characters.
    pub fn line_column(&self, offset: usize) -> (usize, usize) {
        let mut end = offset.min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let line = self.lines.partition_point(|start| *start <= end).max(1);
        let start = self.lines.get(line - 1).copied().unwrap_or_default();
        (line, self.text[start..end].chars().count() + 1)
    }

    fn longest_line_at(&self, span: &Range<usize>) -> usize {
        let start = span.start.min(self.text.len());
        let text = self.text.as_bytes();
        let from = text[..start].iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        let to = text[start..].iter().position(|&byte| byte == b'\n').map_or(text.len(), |at| start + at);
        to - from
    }
}

/// Replaces control characters by harmless ones of the same length in bytes.
fn without_control(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' | '\t' => c,
            '\u{0}'..='\u{1f}' | '\u{7f}' => ' ',
            '\u{80}'..='\u{9f}' => '\u{b7}',
            _ => c,
        })
        .collect()
}

/// Whether a problem stops the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Nothing is started while it stands.
    Error,
    /// The program goes on; a person should look.
    Warning,
}

/// One problem in a file.
#[derive(Debug, Clone)]
pub struct Problem {
    /// Whether it stops the program.
    pub severity: Severity,
    /// The file.
    pub file: PathBuf,
    /// Line, counted from 1; 0 where the problem is the file as a whole.
    pub line: usize,
    /// Column in characters, counted from 1; 0 where the problem is the file as a whole.
    pub column: usize,
    /// Bytes of the text it is about.
    pub span: Range<usize>,
    /// Which key, such as `pond.p1.depth_m`; empty where it is about none.
    pub path: String,
    /// What was found there.
    pub found: String,
    /// What would have been accepted.
    pub accepted: String,
    /// How to mend it, where that is not plain from what is accepted.
    pub hint: Option<String>,
    /// Other places that have to do with it, and what they are.
    pub also: Vec<(Range<usize>, String)>,
    source: Arc<Source>,
}

impl Problem {
    /// A problem at a place in a text.
    pub fn new(
        source: &Arc<Source>,
        span: Range<usize>,
        path: impl Into<String>,
        found: impl Into<String>,
        accepted: impl Into<String>,
    ) -> Self {
        let (line, column) = source.line_column(span.start);
        Self {
            severity: Severity::Error,
            file: source.file.clone(),
            line,
            column,
            span,
            path: path.into(),
            found: found.into(),
            accepted: accepted.into(),
            hint: None,
            also: Vec::new(),
            source: Arc::clone(source),
        }
    }

    /// A problem at a byte offset of a text that is read only here.
    pub fn at(
        file: &str,
        text: &str,
        offset: usize,
        found: impl Into<String>,
        accepted: impl Into<String>,
    ) -> Self {
        Self::new(&Source::new(file, text), offset..offset, "", found, accepted)
    }

    /// A problem of a file as a whole, such as one that cannot be read.
    pub fn whole_file(
        file: impl Into<PathBuf>,
        found: impl Into<String>,
        accepted: impl Into<String>,
    ) -> Self {
        let source = Source::new(file, "");
        Self { line: 0, column: 0, ..Self::new(&source, 0..0, "", found, accepted) }
    }

    /// Adds how to mend it.
    #[must_use]
    pub fn with_hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Adds another place that has to do with it.
    #[must_use]
    pub fn with_also(mut self, span: Range<usize>, what: impl Into<String>) -> Self {
        self.also.push((span, what.into()));
        self
    }

    /// Makes it a warning.
    #[must_use]
    pub fn as_warning(mut self) -> Self {
        self.severity = Severity::Warning;
        self
    }

    /// `file`, or `file:line:column`.
    pub fn place(&self) -> String {
        if self.line == 0 {
            self.file.display().to_string()
        } else {
            format!("{}:{}:{}", self.file.display(), self.line, self.column)
        }
    }

    fn drawable(&self) -> bool {
        self.line > 0 && self.source.longest_line_at(&self.span) <= WIDEST_DRAWN_LINE
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() {
            write!(f, "found {}", self.found)
        } else {
            write!(f, "{}: found {}", self.path, self.found)
        }
    }
}

impl std::error::Error for Problem {}

impl Diagnostic for Problem {
    fn severity(&self) -> Option<miette::Severity> {
        Some(match self.severity {
            Severity::Error => miette::Severity::Error,
            Severity::Warning => miette::Severity::Warning,
        })
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        let hint = self.hint.as_ref();
        Some(Box::new(match hint {
            Some(hint) => format!("accepted: {}\nmend: {hint}", self.accepted),
            None => format!("accepted: {}", self.accepted),
        }))
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.drawable().then_some(&self.source.drawn as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        if !self.drawable() {
            return None;
        }
        let length = self.source.text.len();
        let clip = move |span: &Range<usize>| span.start.min(length)..span.end.min(length);
        let first = LabeledSpan::new_primary_with_span(Some("here".into()), clip(&self.span));
        let others = self
            .also
            .iter()
            .map(move |(span, what)| LabeledSpan::new_with_span(Some(what.clone()), clip(span)));
        Some(Box::new(std::iter::once(first).chain(others)))
    }
}

/// How a report is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// With the lines of the file, drawn and coloured.
    Drawn,
    /// Plain lines, for pipes, dumb terminals and people who asked for no colour.
    Plain,
}

impl Style {
    /// What suits standard error now.
    pub fn for_stderr() -> Self {
        let asked_plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        if std::io::stderr().is_terminal() && !asked_plain && !dumb { Self::Drawn } else { Self::Plain }
    }
}

/// Several problems, shown together in the order of the files and lines.
#[derive(Debug, Clone, Default)]
pub struct Report {
    problems: Vec<Problem>,
}

impl Report {
    /// Sorts the problems by file and place.
    pub fn new(mut problems: Vec<Problem>) -> Self {
        problems.sort_by(|a, b| {
            (a.severity, &a.file, a.span.start, &a.path).cmp(&(b.severity, &b.file, b.span.start, &b.path))
        });
        problems.dedup_by(|a, b| {
            a.file == b.file
                && a.span == b.span
                && a.path == b.path
                && a.found == b.found
                && a.accepted == b.accepted
        });
        Self { problems }
    }

    /// The problems, errors first, then by file and place.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }

    /// How many errors and how many warnings.
    pub fn counts(&self) -> (usize, usize) {
        let errors = self.problems.iter().filter(|problem| problem.severity == Severity::Error).count();
        (errors, self.problems.len() - errors)
    }

    /// The whole report as text.
    pub fn render(&self, style: Style) -> String {
        let mut text = String::new();
        for (index, problem) in self.problems.iter().enumerate() {
            match style {
                Style::Drawn if index < MOST_DRAWN => draw(problem, &mut text),
                _ => plain(problem, &mut text),
            }
        }
        text
    }
}

fn draw(problem: &Problem, text: &mut String) {
    // Characters that every console font has, in colour.
    let theme = GraphicalTheme { characters: ThemeCharacters::ascii(), ..GraphicalTheme::unicode() };
    let handler = GraphicalReportHandler::new_themed(theme).with_links(false).with_width(width());
    // Writing to a String cannot fail; a problem that cannot be drawn is still told plainly.
    if !problem.drawable() || handler.render_report(text, problem).is_err() {
        plain(problem, text);
    }
    text.push('\n');
}

/// Columns of the terminal. Serial consoles report none: 80.
fn width() -> usize {
    crossterm::terminal::size().map_or(80, |(columns, _)| usize::from(columns)).clamp(80, 120)
}

fn plain(problem: &Problem, text: &mut String) {
    let word = match problem.severity {
        Severity::Error => "",
        Severity::Warning => "warning: ",
    };
    let mut lines = format!("{}: {word}{problem}\n    accepted: {}\n", problem.place(), problem.accepted);
    if let Some(hint) = &problem.hint {
        lines.push_str("    mend: ");
        lines.push_str(hint);
        lines.push('\n');
    }
    for (span, what) in &problem.also {
        let (line, column) = problem.source.line_column(span.start);
        let _infallible = writeln!(lines, "    see also {}:{line}:{column}: {what}", problem.file.display());
    }
    text.push_str(&lines);
}

#[cfg(test)]
mod tests {
    use super::{Problem, Report, Source, Style};

    #[test]
    fn places_count_lines_and_characters_from_one() {
        let source = Source::new("farm.toml", "a = 1\nname = \"Río\" # x\nb = 2\n");
        assert_eq!(source.line_column(0), (1, 1));
        assert_eq!(source.line_column(6), (2, 1));
        // The byte after the two bytes of `í`.
        assert_eq!(source.line_column("a = 1\nname = \"Rí".len()), (2, 11));
        assert_eq!(source.line_column(usize::MAX), (4, 1));
    }

    #[test]
    fn a_report_tells_every_problem_in_file_order() {
        let source = Source::new("farm.toml", "a = 1\nb = 2\n");
        let report = Report::new(vec![
            Problem::new(&source, 10..11, "b", "2", "1").with_hint("write b = 1"),
            Problem::new(&source, 4..5, "a", "1", "text").with_also(10..11, "as in here"),
            Problem::whole_file("z.toml", "nothing", "a file"),
        ]);
        assert_eq!(
            report.render(Style::Plain),
            "farm.toml:1:5: a: found 1\n    accepted: text\n    see also farm.toml:2:5: as in here\n\
             farm.toml:2:5: b: found 2\n    accepted: 1\n    mend: write b = 1\n\
             z.toml: found nothing\n    accepted: a file\n"
        );
    }

    #[test]
    fn a_drawing_shows_the_line_and_cannot_steer_the_terminal() {
        let source = Source::new("farm.toml", "a = \"\u{1b}[2J\u{9b}x\"\n");
        let drawn =
            Report::new(vec![Problem::new(&source, 4..5, "a", "text", "a number")]).render(Style::Drawn);
        assert!(drawn.contains("farm.toml:1:5"), "{drawn}");
        assert!(!drawn.contains("\u{1b}[2J") && !drawn.contains('\u{9b}'), "{drawn:?}");
    }
}
