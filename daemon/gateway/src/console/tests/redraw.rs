//! How long a redraw takes, beside the least that one could be: run it with
//! `cargo test --release -p pondreeve --lib redraw -- --ignored --nocapture`.

use std::time::Instant;

use ratatui::buffer::Buffer;
use ratatui::widgets::{Paragraph, Widget as _};

use super::*;

/// Redraws that are timed.
const TIMES: usize = 400;

/// Median time of one, ms.
fn median_ms(mut act: impl FnMut(usize)) -> f64 {
    let mut taken: Vec<f64> = (0..TIMES)
        .map(|nr| {
            let began = Instant::now();
            act(nr);
            began.elapsed().as_secs_f64() * 1_000.0
        })
        .collect();
    taken.sort_by(f64::total_cmp);
    taken[TIMES / 2]
}

#[test]
#[ignore = "it measures, and asserts nothing"]
fn a_redraw_beside_a_plain_paragraph() {
    for words in
        [english(), chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()]
    {
        redraws(words);
    }
}

/// Pages in a language; the explanation has the longest text of all.
fn redraws(words: Words) {
    let area = Rect::new(0, 0, 80, 24);
    let mut why = Shown::of(sample::critical_alarm()).speaking(words).keys(&[Key::Char('w')]);
    why.ui.explained(Box::new(sample::doubted_oxygen()));
    let pages = [
        Shown::of(sample::normal_night()).speaking(words),
        Shown::of(sample::critical_alarm()).speaking(words),
        Shown::of(sample::critical_alarm()).speaking(words).with_curve().keys(&[Key::Char('1')]),
        why,
    ];
    let mut display = Display::new(std::io::sink(), area);
    let ours = median_ms(|nr| display.show(pages[nr % pages.len()].page(), None).unwrap());
    let texts: Vec<String> = pages.iter().map(Shown::text).collect();
    let mut display = Display::new(std::io::sink(), area);
    let plain = median_ms(|nr| {
        let mut page = Buffer::empty(area);
        Paragraph::new(texts[nr % texts.len()].as_str()).render(area, &mut page);
        display.show(page, None).unwrap();
    });
    println!(
        "{}: redraw {ours:.3} ms, the same text as a plain paragraph {plain:.3} ms: {:.1} times",
        words.code(),
        ours / plain
    );
}
