//! Where lines stand: down one column, or down two of the same height, page after page.

use super::line::Line;

/// A4 in points, with its margins (ISO 216; 1 pt is 1/72 inch).
pub(super) const PAGE: (f32, f32) = (595.28, 841.89);
pub(super) const MARGIN: f32 = 34.0;
/// Room for the line at the foot of every page.
pub(super) const FOOT: f32 = 16.0;
/// Between two columns.
pub(super) const GUTTER: f32 = 18.0;

/// Width of one of two columns.
pub(super) const COLUMN: f32 = (PAGE.0 - 2.0 * MARGIN - GUTTER) / 2.0;

/// A line with the place of its top left corner.
pub(super) struct Placed {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) line: Line,
}

/// Pages as they fill.
pub(super) struct Pages {
    pub(super) pages: Vec<Vec<Placed>>,
    y: f32,
}

impl Pages {
    pub(super) fn new() -> Self {
        Pages {
            pages: vec![Vec::new()],
            y: MARGIN,
        }
    }

    const BOTTOM: f32 = PAGE.1 - MARGIN - FOOT;

    fn put(&mut self, x: f32, y: f32, line: Line) {
        if let Some(page) = self.pages.last_mut() {
            page.push(Placed { x, y, line });
        }
    }

    fn turn(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
    }

    /// Down the whole width.
    pub(super) fn down(&mut self, lines: Vec<Line>) {
        for block in blocks(lines) {
            if self.y + height(&block) > Self::BOTTOM && self.y > MARGIN {
                self.turn();
            }
            for line in block {
                let (y, height) = (self.y, line.height);
                self.put(MARGIN, y, line);
                self.y += height;
            }
        }
    }

    /// Down the left column, then the right one, both about as high.
    pub(super) fn columns(&mut self, lines: Vec<Line>) {
        let mut rest: std::collections::VecDeque<Vec<Line>> = blocks(lines).into();
        while !rest.is_empty() {
            let (top, room) = (self.y, Self::BOTTOM - self.y);
            let all: f32 = rest.iter().map(|block| height(block)).sum();
            let half = if all / 2.0 < room { all / 2.0 } else { room };
            let mut lowest = top;
            let mut placed = false;
            for (x, most) in [(MARGIN, half), (MARGIN + COLUMN + GUTTER, room)] {
                let mut y = top;
                while let Some(block) = rest.front() {
                    let end = y - top + height(block);
                    // The block that crosses the middle goes left, if there is room for it.
                    let fits = end <= room && (y - top < most);
                    let alone = y == top && top == MARGIN;
                    if !fits && !alone {
                        break;
                    }
                    for line in rest.pop_front().unwrap_or_default() {
                        let height = line.height;
                        self.put(x, y, line);
                        y += height;
                    }
                    placed = true;
                }
                lowest = lowest.max(y);
            }
            self.y = lowest;
            if !rest.is_empty() || !placed {
                self.turn();
            }
        }
    }
}

/// Lines that stay together.
fn blocks(lines: Vec<Line>) -> Vec<Vec<Line>> {
    let mut blocks: Vec<Vec<Line>> = Vec::new();
    let mut open = false;
    for line in lines {
        let with_next = line.with_next;
        match blocks.last_mut().filter(|_| open) {
            Some(block) => block.push(line),
            None => blocks.push(vec![line]),
        }
        open = with_next;
    }
    blocks
}

fn height(lines: &[Line]) -> f32 {
    lines.iter().map(|line| line.height).sum()
}
