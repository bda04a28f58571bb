//! Colours, marks and the legend that explains them.

use super::canvas::{Canvas, Face, Point};
use super::{Size, Trend, compared, long_gap, word};
use crate::assess::Status;
use crate::domain::Eye;
use plotters::style::{Color, RGBColor};

pub(crate) const INK: RGBColor = RGBColor(0x22, 0x2B, 0x35);
pub(crate) const QUIET: RGBColor = RGBColor(0x5C, 0x68, 0x75);
pub(crate) const HAIR: RGBColor = RGBColor(0xE3, 0xE8, 0xEC);
pub(crate) const FRAME: RGBColor = RGBColor(0x9A, 0xA5, 0xB0);
pub(crate) const BAND: RGBColor = RGBColor(0x8F, 0xA3, 0xB8);

pub(crate) const WHITE: RGBColor = RGBColor(255, 255, 255);

pub(crate) const TEXT: Face = Face::new(12.0, INK);
pub(crate) const SMALL: Face = Face::new(11.0, QUIET);

/// Colour of a status.
pub(super) fn colour(status: Option<Status>) -> RGBColor {
    match status {
        Some(Status::WithinExpected) => RGBColor(0x2F, 0x55, 0x8A),
        Some(Status::AboveExpected) => RGBColor(0xB3, 0x62, 0x00),
        Some(Status::WellAboveExpected) => RGBColor(0x8A, 0x1C, 0x6B),
        Some(Status::BelowExpected) => RGBColor(0x0F, 0x76, 0x8A),
        Some(Status::NoBaseline | Status::NotComparable) | None => QUIET,
    }
}

/// The shape of a status around a point.
pub(super) fn mark(canvas: &mut Canvas<'_>, (x, y): Point, status: Option<Status>) {
    let colour = colour(status);
    let mut triangle = |middle: f64, up: f64| {
        let (tip, base) = (middle - 6.0 * up, middle + 5.0 * up);
        let points = [(x, tip), (x + 7.0, base), (x - 7.0, base)];
        canvas.polygon(&points, colour.to_rgba());
    };
    match status {
        Some(Status::WithinExpected) => canvas.disc((x, y), 6, colour),
        Some(Status::AboveExpected) => triangle(y, 1.0),
        Some(Status::WellAboveExpected) => {
            triangle(y - 6.0, 1.0);
            triangle(y + 6.0, 1.0);
        }
        Some(Status::BelowExpected) => triangle(y, -1.0),
        Some(Status::NoBaseline) => canvas.ring((x, y), 5, colour),
        Some(Status::NotComparable) => {
            canvas.ring((x, y), 6, colour);
            canvas.line((x - 7.0, y + 7.0), (x + 7.0, y - 7.0), 2, colour);
        }
        None => {
            canvas.line((x - 5.0, y), (x + 5.0, y), 2, colour);
            canvas.line((x, y - 5.0), (x, y + 5.0), 2, colour);
        }
    }
}

/// Right eye: a square. Left eye: a diamond. Hollow where nothing was compared.
pub(super) fn eye(canvas: &mut Canvas<'_>, (x, y): Point, right: bool, filled: bool) {
    let points = if right {
        [
            (x - 4.0, y - 4.0),
            (x + 4.0, y - 4.0),
            (x + 4.0, y + 4.0),
            (x - 4.0, y + 4.0),
        ]
    } else {
        [(x, y - 6.0), (x + 6.0, y), (x, y + 6.0), (x - 6.0, y)]
    };
    if filled {
        canvas.polygon(&points, INK.to_rgba());
    } else {
        canvas.outline(&points, INK);
    }
}

/// The expected interval with the expected value.
pub(super) fn interval(
    canvas: &mut Canvas<'_>,
    x: f64,
    lower: f64,
    upper: f64,
    expected: Option<f64>,
) {
    canvas.rectangle((x - 7.0, upper), (x + 7.0, lower), BAND.mix(0.55));
    for end in [lower, upper] {
        canvas.line((x - 7.0, end), (x + 7.0, end), 2, QUIET);
    }
    if let Some(y) = expected {
        canvas.line((x - 13.0, y), (x + 13.0, y), 2, INK);
    }
}

/// The same where it is too wide to compare: an outline with strokes across.
pub(super) fn wide_interval(
    canvas: &mut Canvas<'_>,
    x: f64,
    lower: f64,
    upper: f64,
    expected: Option<f64>,
) {
    let corners = [
        (x - 7.0, upper),
        (x + 7.0, upper),
        (x + 7.0, lower),
        (x - 7.0, lower),
    ];
    let edges = corners.iter().zip(corners.iter().cycle().skip(1));
    for (from, to) in edges {
        canvas.line(*from, *to, 1, QUIET);
    }
    const STROKE: f64 = 7.0;
    let mut y = upper + STROKE;
    while y <= lower {
        // Each stroke rises by the width of the bar, as far as there is room above.
        let rise = f64::min(14.0, y - upper);
        canvas.line((x - 7.0, y), (x - 7.0 + rise, y - rise), 1, FRAME);
        y += STROKE;
    }
    if let Some(y) = expected {
        canvas.line((x - 13.0, y), (x + 13.0, y), 2, INK);
    }
}

/// The expected interval of one eye beside that of both.
pub(super) fn eye_interval(canvas: &mut Canvas<'_>, x: f64, lower: f64, upper: f64, expected: f64) {
    canvas.line((x, upper), (x, lower), 1, INK);
    for end in [lower, upper] {
        canvas.line((x - 4.0, end), (x + 4.0, end), 1, INK);
    }
    canvas.line((x - 4.0, expected), (x + 4.0, expected), 2, INK);
}

/// How the value that was compared is named.
#[derive(Debug, Clone, Copy)]
pub(super) enum Compared {
    /// It is the value of one eye.
    Eye(Eye),
    /// The page around the picture says what it is.
    Named,
    Explained,
}

/// One entry of the legend.
#[derive(Debug, Clone, Copy)]
pub(super) enum Legend {
    Right,
    Left,
    Compared(Compared),
    Interval,
    TooWide,
    EyeInterval(Eye),
    Gap,
    Event,
    First,
    Status(Status),
}

/// First the marks of values, then those of statuses.
fn entries(trend: &Trend, size: Size) -> [Vec<Legend>; 2] {
    let compared = match (trend.eye, size) {
        (Some(eye), _) => Compared::Eye(eye),
        (None, Size::Sheet) => Compared::Explained,
        (None, Size::Figure) => Compared::Named,
    };
    let mut values = vec![Legend::Compared(compared), Legend::Interval];
    if trend.eye.is_none() {
        values.splice(0..0, [Legend::Right, Legend::Left]);
    }
    let points = || trend.points.iter();
    if points().any(|point| point.too_wide) {
        values.push(Legend::TooWide);
    }
    if let Some(one) = points().rev().find_map(|point| point.deciding) {
        values.push(Legend::EyeInterval(one.eye));
    }
    let dates = || points().map(|point| point.date);
    if dates()
        .zip(dates().skip(1))
        .any(|(a, b)| long_gap(a, b).is_some())
    {
        values.push(Legend::Gap);
    }
    if !trend.events.is_empty() && !trend.points.is_empty() {
        values.push(Legend::Event);
    }
    let shown = |status: &Status| {
        size == Size::Sheet
            || trend
                .points
                .iter()
                .any(|point| point.status == Some(*status))
    };
    let statuses = Status::ALL.into_iter().filter(shown);
    // A first exam has no baseline either; the mark is the same.
    let without = || points().filter(|point| point.status == Some(Status::NoBaseline));
    let only_first = without().next().is_some() && without().all(|point| point.first);
    let statuses = statuses.map(|status| match status {
        Status::NoBaseline if only_first => Legend::First,
        status => Legend::Status(status),
    });
    [values, statuses.collect()]
}

impl Legend {
    fn words(self) -> String {
        match self {
            Legend::Right => "right eye".to_owned(),
            Legend::Left => "left eye".to_owned(),
            Legend::Compared(Compared::Explained) => {
                "compared value: mean of both eyes, or the only one".to_owned()
            }
            Legend::Compared(Compared::Named) => "compared value".to_owned(),
            Legend::Compared(Compared::Eye(eye)) => format!("{} eye", eye.word()),
            Legend::Interval => "expected value and interval".to_owned(),
            Legend::TooWide => "interval too wide to compare".to_owned(),
            Legend::EyeInterval(eye) => {
                format!("interval of the {} eye, which decided", eye.word())
            }
            Legend::Gap => "no exam for over a year".to_owned(),
            Legend::Event => "event".to_owned(),
            Legend::First => "first exam".to_owned(),
            Legend::Status(status) if compared(status) => {
                format!("{} expected", word(Some(status)))
            }
            Legend::Status(status) => word(Some(status)).to_owned(),
        }
    }
}

/// Places the legend's entries up to a right edge; the second value is the bottom of its last row.
pub(super) fn place_legend(
    trend: &Trend,
    size: Size,
    top: f64,
    edge: f64,
) -> (Vec<(Point, Legend)>, f64) {
    const START: f64 = 44.0;
    const ROW: f64 = 28.0;
    let mut y = top - ROW;
    let mut placed = Vec::new();
    for row in entries(trend, size) {
        let mut x = f64::INFINITY;
        for entry in row {
            let width = 19.0 + TEXT.width(&entry.words());
            if x + width > edge {
                (x, y) = (START, y + ROW);
            }
            placed.push(((x, y), entry));
            x += width + 24.0;
        }
    }
    (placed, y + 10.0)
}

/// Draws a placed legend.
pub(super) fn draw_legend(canvas: &mut Canvas<'_>, placed: &[(Point, Legend)]) {
    for (at @ (x, y), entry) in placed {
        match entry {
            Legend::Right => eye(canvas, *at, true, true),
            Legend::Left => eye(canvas, *at, false, true),
            Legend::Compared(_) => canvas.line((x - 12.0, *y), (x + 12.0, *y), 1, QUIET),
            Legend::Interval => interval(canvas, *x, y + 8.0, y - 8.0, Some(*y)),
            Legend::TooWide => wide_interval(canvas, *x, y + 8.0, y - 8.0, Some(*y)),
            Legend::EyeInterval(_) => eye_interval(canvas, *x, y + 8.0, y - 8.0, *y),
            Legend::Gap => canvas.dashes((x - 12.0, *y), (x + 12.0, *y), 1, FRAME),
            Legend::Event => canvas.dashes((*x, y - 9.0), (*x, y + 9.0), 1, INK),
            Legend::First => mark(canvas, *at, Some(Status::NoBaseline)),
            Legend::Status(status) => mark(canvas, *at, Some(*status)),
        }
        canvas.text(&entry.words(), (x + 19.0, *y), TEXT);
    }
}
