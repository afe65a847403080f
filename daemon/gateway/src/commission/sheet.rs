//! The sheet: text, and one HTML page that needs no network and prints well.

use askama::Template;

use super::{Point, SECTIONS, Verdict};

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

/// What whoever takes an installation over must know.
pub const CAUTIONS: [&str; 7] = [
    "If in doubt, start aerators and look. A probe sees one spot at one depth, the forecast is an estimate, phone networks \
     fail: no alarm is no proof that all is well.",
    "Electricity and water: nobody in the pond while aerators are live. Switch off, lock, tag. No repair goes by this \
     gateway's advice; a licensed electrician and the local code decide.",
    "Night rounds alone: walk, do not run. Torch, life jacket, a check-in timer on the telephone; tell someone before \
     walking out. Lightning means indoors.",
    "Hydrogen sulfide collects in sludge pits, drains, pump sumps and tanks, and the nose tires of it. Never enter alone, \
     nor to rescue: gas meter, ventilation, a trained team. Values of the water (mg/L) say nothing about the air (ppm).",
    "Slurry is alkaline: goggles, gloves, boots, an eyewash at hand. Never mix it with acid, chlorine or other products; \
     keep the supplier's safety sheet.",
    "Water and sludge that are let out may need a permit, settling or reporting: ask for the local limit. None within 48 \
     hours of a dose without the adviser.",
    "Guidance, not a substitute for local codes, licensed electricians, veterinarians or regulators.",
];

/// What the sheet cannot say, and the signatures do not change.
pub const MEANING: &str = "Checked at one moment, as far as the gateway can see it. The gateway never switches an \
                           aerator: its only outputs are the horn and the lamp.";

struct Section<'a> {
    name: &'static str,
    points: Vec<&'a Point>,
}

#[derive(Template)]
#[template(path = "sheet.html")]
struct Page<'a> {
    head: &'a Head,
    sections: Vec<Section<'a>>,
    counts: String,
    bad: Vec<&'a Point>,
    cautions: &'static [&'static str],
    meaning: &'static str,
}

fn sections(points: &[Point]) -> Vec<Section<'_>> {
    let of = |name: &'static str| Section {
        name,
        points: points.iter().filter(|own| own.section == name).collect(),
    };
    SECTIONS.into_iter().map(of).filter(|section| !section.points.is_empty()).collect()
}

/// What is not in order, for the head of the sheet.
fn bad(points: &[Point]) -> Vec<&Point> {
    points.iter().filter(|own| own.verdict == Verdict::Bad).collect()
}

/// How many points came to what.
pub fn counts(points: &[Point]) -> String {
    let of = |verdict: Verdict| points.iter().filter(|own| own.verdict == verdict).count();
    format!(
        "{} points: {} in order, {} not in order, {} not checked",
        points.len(),
        of(Verdict::Good),
        of(Verdict::Bad),
        of(Verdict::NotChecked)
    )
}

/// The page.
///
/// # Errors
/// The template could not be filled in.
pub fn html(head: &Head, points: &[Point]) -> Result<String, askama::Error> {
    let (sections, counts, bad) = (sections(points), counts(points), bad(points));
    Page { head, sections, counts, bad, cautions: &CAUTIONS, meaning: MEANING }.render()
}

/// The same in lines of at most 80 columns.
pub fn text(head: &Head, points: &[Point]) -> String {
    let mut lines = vec![
        format!("COMMISSIONING SHEET  {} (gateway {})", head.farm, head.gateway),
        format!("{}  pondreeve {}", head.at, head.version),
        head.configuration.clone(),
        String::new(),
    ];
    wrap(&mut lines, &format!("{}.", counts(points)), "", "");
    for point in bad(points) {
        wrap(&mut lines, &format!("NOT IN ORDER: {}", point.name), "  ", "    ");
    }
    lines.push(String::new());
    for section in sections(points) {
        lines.push(section.name.to_uppercase());
        for point in section.points {
            wrap(&mut lines, &format!("[{}] {}", point.verdict.words(), point.name), "  ", "    ");
            wrap(&mut lines, &point.seen, "      ", "      ");
        }
        lines.push(String::new());
    }
    wrap(&mut lines, MEANING, "", "");
    lines.push(String::new());
    lines.push("BEFORE YOU TAKE OVER".to_owned());
    for caution in CAUTIONS {
        wrap(&mut lines, caution, "- ", "  ");
    }
    lines.push(String::new());
    for role in ["Installed and checked by", "Taken over by"] {
        lines.push(format!("{role:<26}{}", "_".repeat(50)));
        lines.push(format!("{:<26}{}", "Date and signature", "_".repeat(50)));
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
