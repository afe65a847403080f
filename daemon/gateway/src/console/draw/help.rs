//! Keys, signs and cautions.

use ratatui::layout::Position;
use ratatui::style::Style;

use crate::console::text::wrap;

use super::{Canvas, Context, Rows};

/// Headings start with `=`. Keys and cautions stand on the first screen.
const TEXT: &[&str] = &[
    "=KEYS",
    "a, space or Enter: acknowledge the alarm on top; on the alarm page, the marked one.",
    "1 to 9: open a pond. Up, down: choose. Tab: next page. Esc or 0: the farm. ?: this page.",
    "n: tonight's oxygen; again: the last nights. e: enter a hand reading. d: what was done; again: record it. w: why. q: leave; the daemon goes on. Ctrl-L: redraw.",
    "l: the limits of the chosen pond, and changing one. s: put the alarm aside for a while, with a reason; on a shelved one, take it back. r: check off what is over and latched.",
    "=BEFORE YOU WALK OUT",
    "If in doubt, start aerators and look. The numbers are guidance: a probe sees one spot at one depth, a \
     forecast is an estimate, and telephone networks fail. This program recommends; it does not switch aerators.",
    "Walk, do not run, on a wet dike. Tell someone before you go, wear a life jacket, set a check-in time. \
     Lightning: go indoors.",
    "Electricity and water: nobody in the pond while aerators are live. Switch off, lock, tag. Do not reset a \
     tripped breaker again and again. A licensed electrician and the local code decide.",
    "Sludge pits, drains and sumps: hydrogen sulfide kills, and the nose stops smelling it. Never enter alone \
     or to rescue.",
    "Mineral slurry is alkaline: goggles, gloves, boots; mix it with nothing. Dead or sick shrimp: call the \
     vet or the authority, and discharge nothing.",
    "=SIGNS",
    "<1C> critical: act within 15 minutes. /2H\\ high: within the hour. [3M] medium: the same day. \
     ! not acknowledged.",
    "good: passed its tests. unch, unchckd: not checked, such as a value entered by hand. SUSP: suspect, compare \
     with the hand meter. FAIL: failed its tests. NONE: nothing arrives. OLD: not the present value.",
    "2.81? do not rely on it. -- no value. <1m 12m 3h 2d: age.",
    "below 4.0, below 3.0: the time at which oxygen is expected to fall below that limit tonight. `below`: it \
     is below now. `may`: more than 1 in 10. `no`: not expected. `?`: the reading is in doubt.",
    "80% sure: in 8 of 10 such nights the lowest oxygen should lie in this range. On the page of the night: o the \
     expected course, : the edges of that range.",
    "All times are the farm's own.",
];

pub(super) fn page(canvas: &mut Canvas<'_>, context: &Context<'_>, rows: Rows) -> Option<Position> {
    let columns = canvas.columns();
    let mut lines: Vec<(String, bool)> = Vec::new();
    for text in TEXT {
        match text.strip_prefix('=') {
            Some(heading) => lines.push((heading.to_owned(), true)),
            None => {
                for line in wrap(text, usize::from(columns - 1), 9) {
                    lines.push((line, false));
                }
            }
        }
    }
    let height = usize::from(rows.height());
    let all = lines.len();
    let more = all > height;
    let shown = if more { height - 1 } else { height };
    let first = context.screen.ui.scroll.min(all.saturating_sub(shown));
    for (y, (line, heading)) in (rows.top..).zip(lines.iter().skip(first).take(shown)) {
        let style = if *heading { canvas.bold() } else { Style::new() };
        canvas.put(0, y, line, columns - 1, style);
    }
    if more {
        let last = (first + shown).min(all);
        let text = format!("lines {} to {last} of {all}: up and down arrows", first + 1);
        canvas.put_right(columns - 1, rows.bottom - 1, &text, canvas.bold());
    }
    None
}
