//! What a page is made of: lines of text, rules and pictures, one below the other.

use super::face::Faces;
use crate::render::trend::Drawing;
use std::rc::Rc;

/// A piece of text on a line.
#[derive(Clone)]
pub(super) struct Part {
    /// From the left edge of the line.
    pub(super) x: f32,
    pub(super) size: f32,
    pub(super) bold: bool,
    pub(super) text: String,
}

/// One line, and what stands on it.
#[derive(Clone, Default)]
pub(super) struct Line {
    pub(super) height: f32,
    pub(super) parts: Vec<Part>,
    /// A rule along its top, of that length.
    pub(super) ruled: Option<f32>,
    /// It stands on the page and in the column of the line after it.
    pub(super) with_next: bool,
    /// Pictures, each with its distance from the left edge of the line and its width on the page.
    pub(super) drawings: Vec<(f32, Rc<Drawing>, f32)>,
}

/// Makes lines of one width and scale.
pub(super) struct Setter<'a> {
    pub(super) faces: &'a Faces,
    /// Every size is multiplied by it.
    pub(super) scale: f32,
    pub(super) width: f32,
}

/// Size of the running text.
pub(super) const TEXT: f32 = 8.4;

/// Distance of two lines in parts of the size.
const LEAD: f32 = 1.22;

impl Setter<'_> {
    /// A text in as many lines as it needs, from an indent on.
    pub(super) fn text(&self, text: &str, size: f32, bold: bool, indent: f32) -> Vec<Line> {
        let size = size * self.scale;
        let room = self.width - indent;
        let lines = self.faces.of(bold).wrap(text, size, room);
        lines
            .into_iter()
            .map(|text| Line {
                height: size * LEAD,
                parts: vec![Part {
                    x: indent,
                    size,
                    bold,
                    text,
                }],
                ..Line::default()
            })
            .collect()
    }

    /// Room between two things.
    pub(super) fn gap(&self, height: f32) -> Line {
        Line {
            height: height * self.scale,
            ..Line::default()
        }
    }

    /// A rule with room below it.
    pub(super) fn rule(&self, height: f32) -> Line {
        Line {
            ruled: Some(self.width),
            ..self.gap(height)
        }
    }

    /// A heading under a rule.
    pub(super) fn heading(&self, title: &str) -> Vec<Line> {
        let mut lines = vec![self.gap(4.5), self.rule(2.5)];
        lines.extend(self.text(title, TEXT, true, 0.0));
        for line in &mut lines {
            line.with_next = true;
        }
        lines
    }

    /// A heading with its lines as a list; nothing without lines.
    pub(super) fn section(&self, title: &str, items: &[String]) -> Vec<Line> {
        if items.is_empty() {
            return Vec::new();
        }
        let indent = 7.0 * self.scale;
        let mut lines = self.heading(title);
        for item in items {
            let mut item = self.text(item, TEXT, false, indent);
            if let Some(part) = item.first().and_then(|line| line.parts.first()).cloned() {
                let mark = Part {
                    x: 0.0,
                    text: "\u{2022}".to_owned(),
                    ..part
                };
                item.iter_mut()
                    .take(1)
                    .for_each(|line| line.parts.push(mark.clone()));
            }
            keep_together(&mut item);
            lines.extend(item);
        }
        lines
    }

    /// Rows of cells, each column as wide as its share of the line; cells wrap.
    pub(super) fn table(&self, shares: &[f32], rows: &[(bool, Vec<String>)]) -> Vec<Line> {
        let mut lines = Vec::new();
        let size = TEXT * self.scale;
        for (bold, cells) in rows {
            let mut x = 0.0;
            let mut row: Vec<Line> = Vec::new();
            for (cell, share) in cells.iter().zip(shares) {
                let width = share * self.width;
                let wrapped = self
                    .faces
                    .of(*bold)
                    .wrap(cell, size, width - 4.0 * self.scale);
                for (at, text) in wrapped.into_iter().enumerate() {
                    if row.len() <= at {
                        row.push(Line {
                            height: size * LEAD,
                            ..Line::default()
                        });
                    }
                    if let Some(line) = row.get_mut(at) {
                        line.parts.push(Part {
                            x,
                            size,
                            bold: *bold,
                            text,
                        });
                    }
                }
                x += width;
            }
            keep_together(&mut row);
            lines.extend(row);
        }
        lines
    }

    /// Pictures side by side from the left, each as wide as a share of the line.
    pub(super) fn drawings(&self, drawings: Vec<Drawing>, share: f32) -> Line {
        let width = self.width * share;
        let heights = drawings.iter();
        let heights = heights.map(|one| width * (one.height / one.width) as f32);
        let step = self.width / drawings.len().max(1) as f32;
        Line {
            height: heights.fold(0.0, f32::max),
            drawings: drawings
                .into_iter()
                .enumerate()
                .map(|(at, drawing)| (at as f32 * step, Rc::new(drawing), width))
                .collect(),
            ..Line::default()
        }
    }
}

fn keep_together(lines: &mut [Line]) {
    let last = lines.len().saturating_sub(1);
    lines
        .iter_mut()
        .take(last)
        .for_each(|line| line.with_next = true);
}
