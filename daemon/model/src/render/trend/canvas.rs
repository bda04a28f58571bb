//! Lines, shapes and text in an SVG, in pixels from the top left corner.

use crate::legible;
use plotters::backend::{DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, TextStyle};
use plotters::style::{FontStyle, FontTransform, IntoFont, RGBAColor, RGBColor, ShapeStyle};
use std::fmt::Write as _;

/// Where a text stands from its point.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Anchor {
    Left,
    Middle,
    Right,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Face {
    pub(crate) size: f64,
    pub(crate) bold: bool,
    pub(crate) colour: RGBColor,
    pub(crate) anchor: Anchor,
    /// Reads downwards, like the back of a book.
    pub(crate) downwards: bool,
}

impl Face {
    pub(crate) const fn new(size: f64, colour: RGBColor) -> Self {
        Face {
            size,
            bold: false,
            colour,
            anchor: Anchor::Left,
            downwards: false,
        }
    }

    pub(crate) const fn bold(mut self) -> Self {
        self.bold = true;
        self
    }

    pub(crate) const fn at(mut self, anchor: Anchor) -> Self {
        self.anchor = anchor;
        self
    }

    pub(crate) const fn downwards(mut self) -> Self {
        self.downwards = true;
        self
    }

    /// Width of a text in pixels, on the safe side: no font is at hand to measure it.
    pub(crate) fn width(self, text: &str) -> f64 {
        let em = if self.bold { 0.66 } else { 0.59 };
        text.chars().count() as f64 * self.size * em
    }

    /// `text`, cut to a width.
    pub(crate) fn cut(self, text: &str, width: f64) -> String {
        if self.width(text) <= width {
            return text.to_owned();
        }
        let fits = (width / self.width("x")).floor().max(1.0) as usize;
        let mut cut: String = text.chars().take(fits.saturating_sub(1)).collect();
        cut.truncate(cut.trim_end().len());
        cut.push('\u{2026}');
        cut
    }

    /// `text` in lines of at most `width`, broken at blanks; what `most` lines cannot hold is
    /// cut.
    pub(crate) fn wrap(self, text: &str, width: f64, most: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            let full = lines.len() == most;
            match lines.last_mut() {
                // The last line takes the rest, to be cut.
                Some(line) if full || self.width(line) + self.width(word) < width => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_owned()),
            }
        }
        lines.iter().map(|line| self.cut(line, width)).collect()
    }
}

pub(crate) type Point = (f64, f64);

/// What was drawn, for pages that are no SVG. Positions are those of the SVG, in pixels.
#[derive(Debug, Clone)]
pub(crate) enum Shape {
    /// Points joined by a line of that width.
    Line(Vec<Point>, f64, RGBColor),
    /// A filled shape.
    Polygon(Vec<Point>, RGBAColor),
    /// A circle, filled or else drawn with a line of that width.
    Circle(Point, f64, RGBColor, Option<f64>),
    /// Text whose small letters are centred on the point's height.
    Text(String, Point, Face),
}

/// A finished picture.
pub(crate) struct Drawing {
    pub(crate) width: f64,
    pub(crate) height: f64,
    pub(crate) shapes: Vec<Shape>,
}

/// The picture under the pen.
pub(crate) struct Canvas<'s> {
    backend: SVGBackend<'s>,
    drawing: Drawing,
}

impl<'s> Canvas<'s> {
    pub(crate) fn new(out: &'s mut String, width: f64, height: f64) -> Self {
        let mut canvas = Canvas {
            backend: SVGBackend::with_string(out, (width as u32, height as u32)),
            drawing: Drawing {
                width,
                height,
                shapes: Vec::new(),
            },
        };
        canvas.rectangle(
            (0.0, 0.0),
            (width, height),
            RGBColor(255, 255, 255).to_rgba(),
        );
        canvas
    }

    #[expect(
        clippy::expect_used,
        reason = "the pen writes to a string, and no input makes that fail"
    )]
    fn draw<E: std::fmt::Debug>(done: Result<(), E>) {
        done.expect("writing to a string");
    }

    pub(crate) fn finish(mut self) -> Drawing {
        Self::draw(self.backend.present());
        self.drawing
    }

    fn keep(&mut self, shape: Shape) {
        self.drawing.shapes.push(shape);
    }

    pub(crate) fn line(&mut self, from: Point, to: Point, width: u32, colour: RGBColor) {
        let style = ShapeStyle::from(colour).stroke_width(width);
        self.keep(Shape::Line(vec![from, to], width.into(), colour));
        Self::draw(self.backend.draw_line(px(from), px(to), &style));
    }

    /// A line of dashes.
    pub(crate) fn dashes(&mut self, from: Point, to: Point, width: u32, colour: RGBColor) {
        const DASH: f64 = 5.0;
        const GAP: f64 = 4.0;
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        let along = |at: f64| {
            let share = (at / length).min(1.0);
            (from.0 + dx * share, from.1 + dy * share)
        };
        let mut at = 0.0;
        while at < length {
            self.line(along(at), along(at + DASH), width, colour);
            at += DASH + GAP;
        }
    }

    pub(crate) fn rectangle(&mut self, from: Point, to: Point, colour: RGBAColor) {
        let style = ShapeStyle::from(colour).filled();
        let corners = vec![from, (to.0, from.1), to, (from.0, to.1)];
        self.keep(Shape::Polygon(corners, colour));
        Self::draw(self.backend.draw_rect(px(from), px(to), &style, true));
    }

    pub(crate) fn polygon(&mut self, points: &[Point], colour: RGBAColor) {
        self.keep(Shape::Polygon(points.to_vec(), colour));
        let points = points.iter().copied().map(px);
        Self::draw(self.backend.fill_polygon(points, &ShapeStyle::from(colour)));
    }

    /// The outline of a shape, closed, white inside.
    pub(crate) fn outline(&mut self, points: &[Point], colour: RGBColor) {
        self.polygon(points, RGBColor(255, 255, 255).to_rgba());
        let closed = points.iter().chain(points.first()).copied();
        self.keep(Shape::Line(closed.clone().collect(), 2.0, colour));
        let closed = closed.map(px);
        let style = ShapeStyle::from(colour).stroke_width(2);
        Self::draw(self.backend.draw_path(closed, &style));
    }

    pub(crate) fn disc(&mut self, centre: Point, radius: u32, colour: RGBColor) {
        let style = ShapeStyle::from(colour).filled();
        self.keep(Shape::Circle(centre, radius.into(), colour, None));
        Self::draw(self.backend.draw_circle(px(centre), radius, &style, true));
    }

    pub(crate) fn ring(&mut self, centre: Point, radius: u32, colour: RGBColor) {
        self.disc(centre, radius, RGBColor(255, 255, 255));
        let style = ShapeStyle::from(colour).stroke_width(2);
        self.keep(Shape::Circle(centre, radius.into(), colour, Some(2.0)));
        Self::draw(self.backend.draw_circle(px(centre), radius, &style, false));
    }

    /// Text whose small letters are centred on the point's height.
    pub(crate) fn text(&mut self, text: &str, at: Point, face: Face) {
        self.keep(Shape::Text(printable(text), at, face));
        // The pen divides sizes by this number, to match bitmap fonts.
        const PEN: f64 = 1.24;
        let mut font = ("sans-serif", face.size * PEN).into_font();
        if face.bold {
            font = font.style(FontStyle::Bold);
        }
        if face.downwards {
            font = font.transform(FontTransform::Rotate90);
        }
        let anchor = match face.anchor {
            Anchor::Left => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::Right => HPos::Right,
        };
        let style = TextStyle::from(font)
            .color(&face.colour)
            .pos(Pos::new(anchor, VPos::Center));
        Self::draw(self.backend.draw_text(&printable(text), &style, px(at)));
    }
}

fn px(point: Point) -> (i32, i32) {
    // `as` keeps any number inside the range of i32.
    (point.0.round() as i32, point.1.round() as i32)
}

/// `text` without what XML 1.0 (section 2.2, Char) forbids and without what misleads: both would let a
/// text damage or falsify the picture.
pub(crate) fn printable(text: &str) -> String {
    legible::line(text)
}

/// Puts a name and a description into a finished picture, for those who cannot see it.
pub(crate) fn describe(svg: &str, id: &str, title: &str, description: &str) -> String {
    let (head, body) = svg.split_once('>').unwrap_or((svg, ""));
    let mut out = String::with_capacity(svg.len() + description.len() + 200);
    let _ = write!(
        out,
        "{head} role=\"img\" aria-labelledby=\"{id}-title {id}-description\">\n\
         <title id=\"{id}-title\">{}</title>\n\
         <desc id=\"{id}-description\">{}</desc>{body}",
        escaped(title),
        escaped(description)
    );
    out
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            _ => out.push(c),
        }
    }
    out
}
