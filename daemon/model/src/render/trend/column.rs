//! One exam in words, in a column below the plot.

use super::canvas::{Anchor, Canvas, Face, Point, printable};
use super::marks::{SMALL, TEXT, colour, mark};
use super::{TrendPoint, answer, label_words};
use crate::assess::Status;

/// Columns of text below the plot: width when lines lie flat, and when they read downwards.
pub(super) const FLAT_COLUMN: f64 = 116.0;
pub(super) const DOWN_COLUMN: f64 = 46.0;
pub(super) const DOWN_HEIGHT: f64 = 212.0;
pub(super) const LINE: f64 = 16.0;

/// What an exam's column says.
pub(super) struct ColumnText {
    status: Option<Status>,
    date: String,
    time: Option<String>,
    answer: String,
    value: String,
    expected: Option<String>,
    label: Option<String>,
    changed: Option<String>,
    note: Option<String>,
}

impl ColumnText {
    pub(super) fn new(point: &TrendPoint) -> Self {
        ColumnText {
            status: point.status,
            date: point.date.to_string(),
            time: point.time.map(|time| time.format("%H:%M").to_string()),
            answer: answer(point),
            value: match (&point.deciding, point.both_mm, point.measured()) {
                (Some(one), _, _) => format!("{:.2} mm", one.mm),
                (None, Some(mm), _) => format!("{mm:.2} mm"),
                (None, None, true) => "not compared".to_owned(),
                (None, None, false) => "no usable value".to_owned(),
            },
            expected: match &point.deciding {
                Some(one) => Some(format!("expected {:.2}", one.expected_mm)),
                None => point.expected_mm.map(|mm| format!("expected {mm:.2}")),
            },
            label: point.label.map(label_words),
            changed: point.changed.as_deref().map(printable),
            note: point.note.as_deref().map(printable),
        }
    }

    fn status_face(&self) -> Face {
        Face::new(12.0, colour(self.status)).bold()
    }

    /// Lines of a flat column.
    pub(super) fn flat(&self) -> Vec<(String, Face)> {
        const NOTE_LINES: usize = 3;
        let room = FLAT_COLUMN - 4.0;
        let mut lines = vec![(self.date.clone(), TEXT.bold())];
        lines.extend(self.time.iter().map(|time| (time.clone(), TEXT.bold())));
        lines.extend([
            (self.answer.clone(), self.status_face()),
            (self.value.clone(), TEXT),
        ]);
        for text in [&self.expected, &self.label, &self.changed, &self.note]
            .into_iter()
            .flatten()
        {
            let wrapped = SMALL.wrap(text, room, NOTE_LINES);
            lines.extend(wrapped.into_iter().map(|line| (line, SMALL)));
        }
        lines
    }

    /// Draws the column around a middle, with the mark of the exam on top.
    pub(super) fn draw(&self, canvas: &mut Canvas<'_>, (column, top): Point, downwards: bool) {
        mark(canvas, (column, top - 1.0), self.status);
        if !downwards {
            let mut y = top + 20.0;
            for (line, face) in self.flat() {
                canvas.text(&line, (column, y), face.at(Anchor::Middle));
                y += LINE;
            }
            return;
        }
        // The first line is the rightmost, since the lines read downwards.
        let start = top + 17.0;
        let room = DOWN_HEIGHT - 26.0;
        let said = [&self.label, &self.changed, &self.note]
            .into_iter()
            .flatten()
            .cloned()
            .collect::<Vec<_>>();
        let more = [Some(&self.value), self.expected.as_ref()]
            .into_iter()
            .flatten()
            .cloned();
        let more = more.collect::<Vec<_>>().join(", ");
        let first = column + if said.is_empty() { 7.0 } else { 14.0 };
        canvas.text(&self.date, (first, start), TEXT.downwards());
        let mut word_at = start + TEXT.width(&self.date) + 4.0;
        if let Some(time) = &self.time {
            canvas.text(time, (first, word_at), TEXT.downwards());
            word_at += TEXT.width(time) + 4.0;
        }
        canvas.text(
            &self.answer,
            (first, word_at),
            self.status_face().downwards(),
        );
        for (line, offset) in [(more, 14.0), (said.join(", "), 28.0)] {
            let line = SMALL.cut(&line, room);
            if !line.is_empty() {
                canvas.text(&line, (first - offset, start), SMALL.downwards());
            }
        }
    }
}
