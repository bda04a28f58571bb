//! Each eye as an interval and a mark: where it was measured, beside where it was expected.

use crate::assess::{Row, Status};
use crate::results::numbers::Printed;
use crate::results::{Content, phrases};
use maud::{Markup, html};

/// Width of the picture, in its own units: as much as a telephone shows legibly.
const WIDTH: f64 = 500.0;
/// Room at both ends, for the sign and half a number.
const SIDE: f64 = 18.0;
/// Height of one row: its words, and below them its bar.
const ROW: f64 = 46.0;
/// Numbers that stand beside each other on a telephone.
const MOST_TICKS: f64 = 6.0;
/// Height of the words of a row, from its top.
const WORDS: f64 = 20.0;
/// Beyond the outermost value on either side, mm.
const AROUND_MM: f64 = 0.2;

/// A place on the axis: millimetres to units of the picture.
struct Axis {
    from: f64,
    to: f64,
}

impl Axis {
    fn at(&self, mm: f64) -> f64 {
        SIDE + (mm - self.from) / (self.to - self.from) * (WIDTH - 2.0 * SIDE)
    }

    /// Half, whole or more millimetres on it, as many as have room for their numbers.
    fn ticks(&self) -> Vec<f64> {
        let fits = |step: &f64| (self.to - self.from) / step < MOST_TICKS;
        let step = [0.5, 1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .find(fits)
            .unwrap_or(50.0);
        let first = (self.from / step).ceil() as i64;
        let last = (self.to / step).floor() as i64;
        (first..=last).map(|n| n as f64 * step).collect()
    }
}

/// The eyes of an exam; nothing where nothing was expected of any.
#[must_use]
pub(super) fn eyes(content: &Content) -> Markup {
    let mut rows: Vec<_> = phrases::named_rows(content).collect();
    if rows.len() > 1 {
        rows.rotate_left(1);
    }
    let Some(axis) = axis(&rows) else {
        return html! {};
    };
    let height = ROW * rows.len() as f64 + 26.0;
    let foot = height - 22.0;
    html! {
        figure.spans {
            h2 { "Measured beside expected" }
            svg viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-labelledby="spans-title"
                font-family="inherit" font-size="13" {
                title #spans-title { (described(&rows)) }
                @for tick in axis.ticks() {
                    @let x = number(axis.at(tick));
                    // Beside the bars alone: a line through words makes them hard to read.
                    @for place in 0..rows.len() {
                        @let top = ROW * place as f64;
                        line x1=(x) x2=(x) y1=(number(top + WORDS)) y2=(number(top + ROW)) stroke="#ccc"
                            stroke-width="1" {}
                    }
                    text x=(x) y=(number(foot + 16.0)) text-anchor="middle" fill="#444" { (format!("{tick:.1} mm")) }
                }
                @for (place, (name, row)) in rows.iter().enumerate() {
                    (line(&axis, place, name, row))
                }
            }
            figcaption {
                "Bar: the interval expected from this patient's earlier exams, its middle marked. Sign: what \
                 was measured; filled where it lies outside the bar."
            }
        }
    }
}

fn axis(rows: &[(&str, &Row)]) -> Option<Axis> {
    let expected = || rows.iter().filter_map(|(_, row)| row.expected());
    let values = rows.iter().map(|(_, row)| row.measured_mm);
    let all: Vec<f64> = values
        .chain(expected().flat_map(|c| [c.lower_mm, c.upper_mm]))
        .filter(|mm| mm.is_finite() && mm.abs() <= 100.0)
        .collect();
    expected().next()?;
    let from = all.iter().copied().reduce(f64::min)? - AROUND_MM;
    let to = all.iter().copied().reduce(f64::max)? + AROUND_MM;
    Some(Axis { from, to })
}

fn line(axis: &Axis, place: usize, name: &str, row: &Row) -> Markup {
    let top = ROW * place as f64;
    let middle = top + 30.0;
    let outside = row
        .comparison
        .is_some_and(|c| c.status != Status::WithinExpected);
    let is_wide = row.comparison.is_none();
    let x = axis.at(row.measured_mm);
    let printed = Printed::of(row);
    html! {
        text x="0" y=(number(top + 15.0)) fill="#111" font-weight=[outside.then_some("700")] {
            (name) ": " (printed.measured) " mm, " (phrases::row_status(row))
        }
        @if let Some(c) = row.expected() {
            @let (from, to) = (axis.at(c.lower_mm), axis.at(c.upper_mm));
            rect x=(number(from)) y=(number(middle - 7.0)) width=(number(to - from)) height="14"
                fill="#e4e4e4" stroke="#111" stroke-width="1"
                stroke-dasharray=[is_wide.then_some("4 3")] {}
            @let expected = number(axis.at(c.expected_mm));
            line x1=(expected) x2=(expected) y1=(number(middle - 7.0)) y2=(number(middle + 7.0))
                stroke="#111" stroke-width="1" {}
        }
        @if outside {
            path d=(format!("M{} {} l8 8 l-8 8 l-8 -8 z", number(x), number(middle - 8.0)))
                fill="#111" stroke="#fff" stroke-width="1" {}
        } @else {
            circle cx=(number(x)) cy=(number(middle)) r="6" fill="#fff" stroke="#111" stroke-width="2" {}
        }
    }
}

/// One decimal is finer than a screen.
fn number(value: f64) -> String {
    format!("{value:.1}")
}

fn described(rows: &[(&str, &Row)]) -> String {
    let one = |(name, row): &(&str, &Row)| {
        let printed = Printed::of(row);
        let expected = printed.expected.map_or("nothing expected".to_owned(), |e| {
            format!("expected {} mm, {}", e.mm, e.interval)
        });
        format!(
            "{name}: measured {} mm, {expected}, {}.",
            printed.measured,
            phrases::row_status(row)
        )
    };
    rows.iter().map(one).collect::<Vec<_>>().join(" ")
}
