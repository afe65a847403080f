//! The sheet: text, and one HTML page that needs no network and prints well.

use askama::Template;

use super::{Point, SECTIONS, Verdict};
use crate::texts::{Words, say};

/// What the head of a sheet says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The farm's name.
    pub farm: String,
    /// Gateway id.
    pub gateway: String,
    /// Program version.
    pub version: String,
    /// The configuration that was checked.
    pub configuration: String,
    /// Farm time of the check.
    pub at: String,
}

/// Keys of what whoever takes an installation over must know.
const CAUTIONS: [&str; 7] = [
    "sheet-caution-doubt",
    "sheet-caution-current",
    "sheet-caution-night",
    "sheet-caution-sulfide",
    "sheet-caution-slurry",
    "sheet-caution-water",
    "sheet-caution-guidance",
];

struct Section<'a> {
    name: String,
    points: Vec<&'a Point>,
}

#[derive(Template)]
#[template(path = "sheet.html")]
struct Page<'a> {
    head: &'a Head,
    sections: Vec<Section<'a>>,
    counts: String,
    bad: Vec<&'a Point>,
    cautions: Vec<String>,
    words: Words,
}

impl Page<'_> {
    fn verdict(&self, point: &Point) -> String {
        point.verdict.told(self.words)
    }

    fn is_bad(&self, point: &Point) -> bool {
        point.verdict == Verdict::Bad
    }
}

fn cautions(words: Words) -> Vec<String> {
    CAUTIONS.map(|key| words.get(key)).to_vec()
}

fn sections(points: &[Point], words: Words) -> Vec<Section<'_>> {
    let of = |key: &'static str| Section {
        name: words.get(key),
        points: points.iter().filter(|own| own.section == key).collect(),
    };
    SECTIONS.into_iter().map(of).filter(|section| !section.points.is_empty()).collect()
}

/// What is not in order, for the head of the sheet.
fn bad(points: &[Point]) -> Vec<&Point> {
    points.iter().filter(|own| own.verdict == Verdict::Bad).collect()
}

/// How many points came to what.
pub fn counts(points: &[Point], words: Words) -> String {
    let of = |verdict: Verdict| points.iter().filter(|own| own.verdict == verdict).count().to_string();
    say!(
        words,
        "sheet-counts",
        points = points.len().to_string(),
        good = of(Verdict::Good),
        bad = of(Verdict::Bad),
        rest = of(Verdict::NotChecked),
    )
}

/// The page.
///
/// # Errors
/// The template could not be filled in.
pub fn html(head: &Head, points: &[Point], words: Words) -> Result<String, askama::Error> {
    let (sections, counts, bad) = (sections(points, words), counts(points, words), bad(points));
    Page { head, sections, counts, bad, cautions: cautions(words), words }.render()
}

/// The same in lines of at most 80 columns.
pub fn text(head: &Head, points: &[Point], words: Words) -> String {
    let mut lines = vec![
        say!(words, "sheet-head", farm = &head.farm, gateway = &head.gateway),
        format!("{}  pondreeve {}", head.at, head.version),
        head.configuration.clone(),
        String::new(),
    ];
    wrap(&mut lines, &format!("{}.", counts(points, words)), "", "");
    for point in bad(points) {
        wrap(&mut lines, &format!("{}: {}", point.verdict.told(words), point.name), "  ", "    ");
    }
    lines.push(String::new());
    for section in sections(points, words) {
        lines.push(section.name.to_uppercase());
        for point in section.points {
            wrap(&mut lines, &format!("[{}] {}", point.verdict.told(words), point.name), "  ", "    ");
            wrap(&mut lines, &point.seen, "      ", "      ");
        }
        lines.push(String::new());
    }
    wrap(&mut lines, &say!(words, "sheet-meaning"), "", "");
    lines.push(String::new());
    lines.push(say!(words, "sheet-before").to_uppercase());
    for caution in cautions(words) {
        wrap(&mut lines, &caution, "- ", "  ");
    }
    lines.push(String::new());
    for role in [say!(words, "sheet-installed"), say!(words, "sheet-taken-over")] {
        lines.push(format!("{role:<26}{}", "_".repeat(50)));
        lines.push(format!("{:<26}{}", say!(words, "sheet-signature"), "_".repeat(50)));
        lines.push(String::new());
    }
    lines.join("\n")
}

/// Adds a paragraph in lines of at most 80 columns.
pub(crate) fn wrap(lines: &mut Vec<String>, text: &str, first: &str, rest: &str) {
    let mut line = first.to_owned();
    let mut is_empty = true;
    for word in text.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > 80 {
            lines.push(std::mem::replace(&mut line, rest.to_owned()));
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    lines.push(line);
}
