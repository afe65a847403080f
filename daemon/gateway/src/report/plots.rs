//! Plots as SVG to stand in a page: lines by the day with gaps left open, bars, limits with their names.
//!
//! What a series is shows by its marks and strokes and stands in the caption, never by colour alone; a day that was
//! seen in part has a hollow mark.

use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const WIDTH: u32 = 420;
const HEIGHT: u32 = 250;

/// No quantity, weight or energy of a pond comes near it; the drawing library's axis would not end.
const MOST: f64 = 1e9;

/// Room beside the plot for the names of limits.
const LABELS: u32 = 66;

/// plotters takes sizes in a unit of its own: this is 12 px.
const SMALL: (&str, u32) = ("sans-serif", 15);

const INK: RGBColor = RGBColor(0x33, 0x33, 0x33);
const GRID: RGBColor = RGBColor(0xdd, 0xdd, 0xdd);
const LIMIT: RGBColor = RGBColor(0xa0, 0x1c, 0x1c);
const COLOURS: [RGBColor; 4] = [
    RGBColor(0x0b, 0x4f, 0x8a),
    RGBColor(0xa3, 0x47, 0x00),
    RGBColor(0x1d, 0x6b, 0x35),
    RGBColor(0x6a, 0x3d, 0x9a),
];

/// Marks of the series, in their order, as the captions name them.
pub(super) const MARKS: [&str; 4] = ["●", "▲", "✕", "■"];

/// One value of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// Days after the first day of the plot.
    pub(super) day: f64,
    /// The value; `None` is a gap.
    pub(super) value: Option<f64>,
    /// Too little was seen.
    pub(super) is_lost: bool,
}

/// A line by the day.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Series {
    /// What it is.
    pub(super) name: String,
    /// In order.
    pub(super) points: Vec<Point>,
}

/// A limit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limit {
    /// Such as "warn 4.0".
    pub(super) name: String,
    /// Where it lies.
    pub(super) value: f64,
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plot {
    /// Unique in the page.
    pub(super) id: String,
    /// For those who do not see it.
    pub(super) title: String,
    /// For those who do not see it.
    pub(super) description: String,
    /// Of the values.
    pub(super) unit: String,
    /// Decimals of the values.
    pub(super) decimals: usize,
    /// At most four.
    pub(super) series: Vec<Series>,
    /// Only those near the values are drawn.
    pub(super) limits: Vec<Limit>,
    /// Names of the days, from the first on.
    pub(super) days: Vec<String>,
    /// Bars from zero rather than lines.
    pub(super) bars: bool,
}

type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type Drawn<T> = Result<T, Box<dyn std::error::Error>>;

impl Plot {
    /// Whether there is anything to draw, and nothing beyond all sense among it.
    pub(super) fn has_values(&self) -> bool {
        self.values().next().is_some() && self.values().all(|value| value.abs() < MOST)
    }

    fn values(&self) -> impl Iterator<Item = f64> {
        self.series.iter().flat_map(|series| &series.points).filter_map(|point| point.value)
    }

    /// Lowest and highest of the axis.
    fn range(&self) -> (f64, f64) {
        let low = self.values().fold(f64::INFINITY, f64::min);
        let high = self.values().fold(f64::NEG_INFINITY, f64::max);
        if self.bars {
            return (0.0, if high > 0.0 { high * 1.1 } else { 1.0 });
        }
        let spread = (high - low).max(10_f64.powi(-i32::try_from(self.decimals).unwrap_or(2)) * 4.0);
        // Values that hardly differ stand in the middle, so that the axis names different numbers.
        let middle = low.midpoint(high);
        let (low, high) = (low.min(middle - spread / 2.0), high.max(middle + spread / 2.0));
        // A limit as far away as the values are apart is shown; one further off would flatten them.
        let near = self.limits.iter().map(|limit| limit.value);
        let near = near.filter(|value| *value > low - spread * 1.2 && *value < high + spread * 1.2);
        let (low, high) = near.fold((low, high), |(low, high), value| (low.min(value), high.max(value)));
        let margin = (high - low).max(spread) * 0.1;
        let bottom = low - margin;
        (if low >= 0.0 { bottom.max(0.0) } else { bottom }, high + margin)
    }

    /// The plot as an element of a page; empty where drawing fails, which no value makes it do.
    pub(super) fn svg(&self) -> String {
        let mut text = String::new();
        if !self.has_values() || self.draw(&mut text).is_err() {
            return String::new();
        }
        let Some((_, inside)) = text.split_once('>') else { return String::new() };
        let (id, title, description) = (&self.id, escaped(&self.title), escaped(&self.description));
        format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\
             <title id=\"{id}-t\">{title}</title><desc id=\"{id}-d\">{description}</desc>{}",
            inside.trim()
        )
    }

    fn draw(&self, text: &mut String) -> Drawn<()> {
        let root = SVGBackend::with_string(text, (WIDTH, HEIGHT)).into_drawing_area();
        let (low, high) = self.range();
        let last = self.days.len().saturating_sub(1).max(1) as f64;
        // Numbers of five characters would run into the unit; how far off a value may be stands in the heading.
        let beside = if self.decimals > 2 { 64 } else { 52 };
        let unit = self.unit.split(" ±").next().unwrap_or_default();
        let mut chart = ChartBuilder::on(&root)
            .margin(8)
            .margin_right(if self.limits.is_empty() { 16 } else { LABELS })
            .x_label_area_size(30)
            .y_label_area_size(beside)
            .build_cartesian_2d(-0.5..last + 0.5, low..high)?;
        let decimals = self.decimals;
        let days = &self.days;
        let every = days.len().div_ceil(5).max(1);
        let name = |at: &f64| {
            let place = at.round();
            let is_day = (at - place).abs() < 0.01 && place >= 0.0;
            let place = place as usize;
            days.get(place).filter(|_| is_day).cloned().unwrap_or_default()
        };
        chart
            .configure_mesh()
            .disable_x_mesh()
            .disable_x_axis()
            .light_line_style(TRANSPARENT)
            .bold_line_style(GRID)
            .axis_style(INK)
            .y_labels(5)
            .y_desc(unit)
            .axis_desc_style(SMALL.into_font().color(&INK))
            .label_style(SMALL.into_font().color(&INK))
            .y_label_formatter(&|value| format!("{value:.decimals$}"))
            .draw()?;
        // The days are named by hand: the library's own places fall between them.
        let below = SMALL.into_font().color(&INK).pos(Pos::new(HPos::Center, VPos::Top));
        for place in (0..days.len()).step_by(every) {
            let (x, y) = chart.backend_coord(&(place as f64, low));
            root.draw(&PathElement::new([(x, y), (x, y + 4)], INK))?;
            root.draw(&Text::new(name(&(place as f64)), (x, y + 7), &below))?;
        }
        let (left, y) = chart.backend_coord(&(-0.5, low));
        let (right, _) = chart.backend_coord(&(last + 0.5, low));
        root.draw(&PathElement::new([(left, y), (right, y)], INK))?;
        for limit in self.limits.iter().filter(|limit| limit.value > low && limit.value < high) {
            let line = [(-0.5, limit.value), (last + 0.5, limit.value)];
            chart.draw_series(DashedLineSeries::new(line, 7, 4, LIMIT.stroke_width(1)))?;
            // Beside the plot, where no value lies.
            let label = SMALL.into_font().color(&LIMIT).pos(Pos::new(HPos::Left, VPos::Center));
            let (x, y) = chart.backend_coord(&(last + 0.5, limit.value));
            root.draw(&Text::new(limit.name.clone(), (x + 4, y), label))?;
        }
        for (nr, series) in self.series.iter().enumerate().take(COLOURS.len()) {
            if self.bars { bars(&mut chart, series)? } else { line(&mut chart, nr, series)? }
        }
        drop(chart);
        root.present()?;
        Ok(())
    }
}

fn bars(chart: &mut Chart<'_, '_>, series: &Series) -> Drawn<()> {
    let colour = COLOURS[0];
    for point in &series.points {
        let Some(value) = point.value else { continue };
        let corners = [(point.day - 0.32, 0.0), (point.day + 0.32, value)];
        if !point.is_lost {
            chart.draw_series([Rectangle::new(corners, colour.filled())])?;
        } else {
            chart.draw_series([Rectangle::new(corners, colour.stroke_width(2))])?;
        }
    }
    Ok(())
}

fn line(chart: &mut Chart<'_, '_>, nr: usize, series: &Series) -> Drawn<()> {
    let colour = *COLOURS.get(nr).unwrap_or(&INK);
    let pieces = series.points.split(|point| point.value.is_none());
    for piece in pieces.filter(|piece| piece.len() > 1) {
        let piece = piece.iter().filter_map(|point| Some((point.day, point.value?)));
        match nr {
            0 => _ = chart.draw_series(LineSeries::new(piece, colour.stroke_width(2)))?,
            1 => _ = chart.draw_series(DashedLineSeries::new(piece, 6, 4, colour.stroke_width(2)))?,
            2 => _ = chart.draw_series(DashedLineSeries::new(piece, 2, 4, colour.stroke_width(2)))?,
            _ => _ = chart.draw_series(DashedLineSeries::new(piece, 10, 3, colour.stroke_width(1)))?,
        }
    }
    // Over a long crop marks would run into one another.
    let size = if series.points.len() > 60 { 2 } else { 4 };
    for point in &series.points {
        let Some(value) = point.value else { continue };
        let at = (point.day, value);
        let style = if point.is_lost { colour.stroke_width(1) } else { colour.filled() };
        if point.is_lost {
            chart.draw_series([Circle::new(at, size, WHITE.filled())])?;
        }
        match nr {
            0 => _ = chart.draw_series([Circle::new(at, size, style)])?,
            1 => _ = chart.draw_series([TriangleMarker::new(at, size + 1, style)])?,
            2 => _ = chart.draw_series([Cross::new(at, size, colour.stroke_width(2))])?,
            _ => {
                let square = Rectangle::new([(-size, -size), (size, size)], style);
                chart.draw_series([EmptyElement::at(at) + square])?;
            }
        }
    }
    Ok(())
}

/// Text that can stand in an element.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plot(values: &[Option<f64>]) -> Plot {
        let points = values.iter().enumerate();
        let points = points.map(|(day, value)| Point { day: day as f64, value: *value, is_lost: day == 3 });
        Plot {
            id: "x".to_owned(),
            title: "Oxygen <b>".to_owned(),
            description: "a & b".to_owned(),
            unit: "mg/L".to_owned(),
            decimals: 1,
            series: vec![Series { name: "dawn".to_owned(), points: points.collect() }],
            limits: vec![
                Limit { name: "warn 4.0".to_owned(), value: 4.0 },
                Limit { name: "far".to_owned(), value: 400.0 },
            ],
            days: (0..values.len()).map(|day| format!("{}<3", day + 1)).collect(),
            bars: false,
        }
    }

    #[test]
    fn a_gap_is_left_open_and_text_is_escaped() {
        let whole = plot(&[Some(4.5), Some(4.4), Some(4.3), Some(4.2), Some(4.1)]).svg();
        let gap = plot(&[Some(4.5), Some(4.4), None, Some(4.2), Some(4.1)]).svg();
        let lines = |svg: &str| svg.matches("<polyline").count();
        assert_eq!(lines(&gap), lines(&whole) + 1, "{gap}");
        assert!(gap.contains("warn 4.0") && !gap.contains(">far<") && !gap.contains("\nfar\n"), "{gap}");
        assert!(!gap.contains("<b>") && gap.contains("a &amp; b") && gap.contains("&lt;3"), "{gap}");
        assert!(!gap.contains("http") && gap.ends_with("</svg>"), "{gap}");
    }

    /// One value, equal values, a single day, numbers beyond all sense: drawn, or nothing, never a panic.
    #[test]
    fn odd_values_do_not_break_it() {
        for values in [
            &[Some(4.5)] as &[Option<f64>],
            &[Some(0.0), Some(0.0)],
            &[None, None],
            &[Some(1e300), Some(-1e300)],
            &[Some(f64::MIN_POSITIVE), None],
        ] {
            let _ = plot(values).svg();
            let _ = Plot { bars: true, ..plot(values) }.svg();
        }
        assert!(!plot(&[None, None]).has_values() && !plot(&[Some(1e300)]).has_values());
    }
}
