//! Placing text on a page, and how the abnormal looks.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

use crate::console::terminal::Capabilities;
use crate::console::text::{clean, cut, width, wrap};

/// A page being drawn, cell by cell.
pub(super) struct Canvas<'b> {
    pub(super) buffer: &'b mut Buffer,
    pub(super) capabilities: Capabilities,
}

impl Canvas<'_> {
    pub(super) fn columns(&self) -> u16 {
        self.buffer.area.width
    }

    /// Places text in at most `columns` columns, cut with `..` if it is longer. Gives the column after
    /// it.
    pub(super) fn put(&mut self, x: u16, y: u16, text: &str, columns: u16, style: Style) -> u16 {
        if y >= self.buffer.area.height || x >= self.columns() {
            return x;
        }
        let columns = columns.min(self.columns() - x);
        let text = cut(&clean(text, self.capabilities.utf8), usize::from(columns));
        self.buffer.set_stringn(x, y, text, usize::from(columns), style).0
    }

    /// Places text so that it ends just before column `end`. Gives the column it starts in.
    pub(super) fn put_right(&mut self, end: u16, y: u16, text: &str, style: Style) -> u16 {
        let text = clean(text, self.capabilities.utf8);
        let x = end.saturating_sub(u16::try_from(width(&text)).unwrap_or(u16::MAX));
        self.put(x, y, &text, end - x, style);
        x
    }

    /// Places wrapped text. Gives how many rows it took.
    pub(super) fn paragraph(
        &mut self,
        x: u16,
        y: u16,
        text: &str,
        columns: u16,
        lines: u16,
        style: Style,
    ) -> u16 {
        let text = clean(text, self.capabilities.utf8);
        let mut row = y;
        for line in wrap(&text, usize::from(columns), usize::from(lines)) {
            self.put(x, row, &line, columns, style);
            row += 1;
        }
        row - y
    }

    /// Gives a whole row one look.
    pub(super) fn style_row(&mut self, y: u16, style: Style) {
        let row = Rect::new(0, y, self.columns(), 1).intersection(self.buffer.area);
        self.buffer.set_style(row, style);
    }

    pub(super) fn bold(&self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    pub(super) fn reverse(&self) -> Style {
        Style::new().add_modifier(Modifier::REVERSED | Modifier::BOLD)
    }

    /// How an alarm of this priority looks.
    pub(super) fn alarm(&self, priority: u8, unacknowledged: bool) -> Style {
        let colour = match priority {
            1 => Color::LightRed,
            2 => Color::Yellow,
            _ => Color::LightYellow,
        };
        let mut style = self.bold();
        if self.capabilities.colour {
            style = style.fg(colour);
        }
        if unacknowledged { style.add_modifier(Modifier::REVERSED) } else { style }
    }

    /// How a value looks that is not to be relied on.
    pub(super) fn doubtful(&self) -> Style {
        if self.capabilities.colour { self.bold().fg(Color::Yellow) } else { self.bold() }
    }
}
