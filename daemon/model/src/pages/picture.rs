//! The pictures that calipers were drawn in, with the calipers drawn over them.

mod of_exam;
mod served;

pub use of_exam::{Known, Place, pictures as of_exam, places};
pub use served::served;

use crate::domain::Point;
use maud::{Markup, html};

/// One line that somebody measured along.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is of: `right, 5.9 mm, used`.
    pub words: String,
    /// Its ends.
    pub ends: [Point; 2],
    /// Through its middle, straight across the nerve; `None` where the nerve's axis is not known.
    pub across: Option<[Point; 2]>,
    /// Across the nerve at the depth that the site measures at; `None` where the globe's edge or the
    /// axis is not known.
    pub at_depth: Option<[Point; 2]>,
}

/// A picture with its lines.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// What it is, in words.
    pub title: String,
    /// Where it is served; `None`: its pixels are not kept.
    pub href: Option<String>,
    /// Columns and rows.
    pub size: [u32; 2],
    /// The lines in it.
    pub lines: Vec<Line>,
    /// The depth that the site measures at, mm.
    pub depth_mm: f64,
    /// Why something is not shown, in words.
    pub without: Vec<String>,
}

/// The pictures of an exam.
#[must_use]
pub fn pictures(all: &[Picture]) -> Markup {
    html! {
        @if !all.is_empty() {
            section #pictures {
                h2 { "Pictures with the calipers that were drawn in them" }
                @for (number, one) in all.iter().enumerate() { (picture(number, one)) }
                p.help {
                    "Solid line with ends: the caliper, numbered. Dashed: straight across the nerve at the \
                     caliper's middle. Dotted: where the depth to measure at would lie. Lines appear where \
                     the report tells the nerve's axis and the globe's edge."
                }
            }
        }
    }
}

fn picture(number: usize, one: &Picture) -> Markup {
    let [columns, rows] = one.size;
    let [x, y, width, height] = shown(one);
    let id = format!("picture-{number}");
    html! {
        figure.drawn {
            h3 { bdi { (one.title) } }
            svg viewBox=(format!("{x:.1} {y:.1} {width:.1} {height:.1}")) role="img" aria-labelledby=(id) {
                title id=(id) { (described(one)) }
                @if let Some(href) = &one.href {
                    image href=(href) x="0" y="0" width=(columns) height=(rows) preserveAspectRatio="none" {}
                } @else {
                    rect x=(x) y=(y) width=(width) height=(height) fill="#ddd" {}
                }
                @for (place, line) in one.lines.iter().enumerate() { (drawn(one, place + 1, line)) }
            }
            figcaption {
                @if one.href.is_none() { "The pixels are not kept: the lines stand where they were drawn. " }
                ol { @for line in &one.lines { li { bdi { (line.words) } } } }
                @for why in &one.without { p { bdi { (why) } } }
            }
        }
    }
}

/// The part that is shown: all of a picture, and without pixels only where lines are.
fn shown(one: &Picture) -> [f64; 4] {
    let [columns, rows] = one.size.map(f64::from);
    let ends = |line: &Line| {
        let more = line.across.into_iter().chain(line.at_depth);
        [line.ends]
            .into_iter()
            .chain(more)
            .flatten()
            .collect::<Vec<_>>()
    };
    let points: Vec<Point> = one.lines.iter().flat_map(ends).collect();
    let (Some(first), None) = (points.first(), &one.href) else {
        return [0.0, 0.0, columns.max(1.0), rows.max(1.0)];
    };
    let (mut low, mut high) = ([first.column, first.row], [first.column, first.row]);
    for point in &points {
        low = [low[0].min(point.column), low[1].min(point.row)];
        high = [high[0].max(point.column), high[1].max(point.row)];
    }
    let around = 0.25 * (high[0] - low[0]).max(high[1] - low[1]).max(8.0);
    let [width, height] = [high[0] - low[0], high[1] - low[1]].map(|one| one + 2.0 * around);
    [low[0] - around, low[1] - around, width, height]
}

/// A line, its ends and its number: white within black, so that it is seen on any ground.
fn drawn(one: &Picture, number: usize, line: &Line) -> Markup {
    let [from, to] = line.ends;
    // A hair of the picture, whatever its size.
    let [_, _, width, height] = shown(one);
    let hair = width.max(height) / 640.0;
    let (dx, dy) = (to.column - from.column, to.row - from.row);
    let length = libm::hypot(dx, dy).max(1.0);
    let (nx, ny) = (-dy / length * 6.0 * hair, dx / length * 6.0 * hair);
    let whole = format!(
        "M{} {} L{} {} M{} {} L{} {} M{} {} L{} {}",
        number_of(from.column),
        number_of(from.row),
        number_of(to.column),
        number_of(to.row),
        number_of(from.column - nx),
        number_of(from.row - ny),
        number_of(from.column + nx),
        number_of(from.row + ny),
        number_of(to.column - nx),
        number_of(to.row - ny),
        number_of(to.column + nx),
        number_of(to.row + ny),
    );
    let dashed = |ends: [Point; 2], dashes: String| {
        let [from, to] = ends;
        let path = format!(
            "M{} {} L{} {}",
            number_of(from.column),
            number_of(from.row),
            number_of(to.column),
            number_of(to.row)
        );
        html! {
            path d=(path) fill="none" stroke="#000" stroke-width=(number_of(3.0 * hair)) {}
            path d=(path) fill="none" stroke="#fff" stroke-width=(number_of(1.4 * hair))
                stroke-dasharray=(dashes) {}
        }
    };
    html! {
        @if let Some(ends) = line.across {
            (dashed(ends, format!("{} {}", number_of(7.0 * hair), number_of(4.0 * hair))))
        }
        @if let Some(ends) = line.at_depth {
            (dashed(ends, format!("{} {}", number_of(1.6 * hair), number_of(3.0 * hair))))
        }
        path d=(whole) fill="none" stroke="#000" stroke-width=(number_of(4.0 * hair)) {}
        path d=(whole) fill="none" stroke="#fff" stroke-width=(number_of(1.8 * hair)) {}
        text x=(number_of(to.column + 8.0 * hair)) y=(number_of(to.row + 5.0 * hair)) fill="#fff"
            stroke="#000" stroke-width=(number_of(3.0 * hair)) paint-order="stroke"
            font-size=(number_of(15.0 * hair)) font-weight="700" { (number) }
    }
}

fn number_of(value: f64) -> String {
    format!("{value:.2}")
}

fn described(one: &Picture) -> String {
    let lines: Vec<&str> = one.lines.iter().map(|line| line.words.as_str()).collect();
    match lines.as_slice() {
        [] => "No caliper is drawn in it.".to_owned(),
        lines => format!("Calipers: {}.", lines.join("; ")),
    }
}
