//! Pictures of the report: numbers with their intervals, and control charts. No colour means
//! anything; shapes and dashes do.

use super::Picture;
use crate::department::charts::{CUSUM_LIMIT, Chart, Point, Rule, Run, SHEWHART, ewma_limit};
use crate::render::trend::{Anchor, Canvas, FRAME, HAIR, INK, QUIET, SMALL, TEXT};
use plotters::style::Color;
use std::fmt::Write as _;

const WIDTH: f64 = 820.0;

/// One row of a picture of numbers.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bar {
    /// Whose number.
    pub(super) name: String,
    /// The number with the ends of its bar; `None`: the note says why not.
    pub(super) value: Option<(f64, f64, f64)>,
    /// What stands at its right end.
    pub(super) note: String,
    /// Stands back: a figure of somebody else.
    pub(super) quiet: bool,
}

/// Where the scale of a picture of numbers begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Base {
    /// At zero, so that small differences look small.
    Zero,
    /// Around a line at zero, where nothing would be to see.
    Line,
    /// Where the numbers are.
    Numbers,
}

/// Numbers below each other on one scale.
pub(super) fn bars(title: &str, axis: &str, base: Base, rows: &[Bar]) -> Picture {
    const LEFT: f64 = 260.0;
    const RIGHT: f64 = WIDTH - 230.0;
    const ROW: f64 = 22.0;
    const TOP: f64 = 14.0;
    let bottom = TOP + ROW * rows.len() as f64;
    let ends = rows.iter().filter_map(|row| row.value);
    let ends = ends
        .flat_map(|(low, value, high)| [low, value, high])
        .chain((base != Base::Numbers).then_some(0.0));
    let scale = Scale::new(ends, (LEFT + 8.0, RIGHT - 8.0), 7.0);
    let mut svg = String::new();
    let mut canvas = Canvas::new(&mut svg, WIDTH, bottom + 44.0);
    for (value, text) in scale.ticks() {
        let x = scale.at(value);
        canvas.line((x, TOP), (x, bottom + 4.0), 1, HAIR);
        canvas.text(&text, (x, bottom + 13.0), SMALL.at(Anchor::Middle));
    }
    canvas.text(
        axis,
        ((LEFT + RIGHT) / 2.0, bottom + 32.0),
        SMALL.at(Anchor::Middle),
    );
    canvas.line((LEFT, bottom), (RIGHT, bottom), 1, FRAME);
    if base == Base::Line {
        let x = scale.at(0.0);
        canvas.dashes((x, TOP), (x, bottom), 1, INK);
    }
    let mut description = format!("{axis}.");
    for (at, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (at as f64 + 0.5);
        let face = if row.quiet { SMALL } else { TEXT };
        canvas.text(&face.cut(&row.name, LEFT - 18.0), (6.0, y), face);
        canvas.text(
            &face.cut(&row.note, WIDTH - RIGHT - 14.0),
            (RIGHT + 10.0, y),
            face,
        );
        let _ = write!(description, " {}: {}.", row.name, row.note);
        if let Some((low, value, high)) = row.value {
            let colour = if row.quiet { QUIET } else { INK };
            let (from, to, x) = (scale.at(low), scale.at(high), scale.at(value));
            canvas.line((from, y), (to, y), if row.quiet { 1 } else { 2 }, colour);
            for end in [from, to] {
                canvas.line((end, y - 4.0), (end, y + 4.0), 1, colour);
            }
            if row.quiet {
                canvas.ring((x, y), 3, colour)
            } else {
                canvas.disc((x, y), 4, colour)
            }
        }
    }
    canvas.finish();
    Picture {
        title: title.to_owned(),
        description,
        svg,
    }
}

/// A control chart: points with their moving average above, cumulative sums below.
pub(super) fn control(chart: &Chart, run: &Run) -> Picture {
    const LEFT: f64 = 52.0;
    const RIGHT: f64 = WIDTH - 130.0;
    const UPPER: (f64, f64) = (28.0, 190.0);
    const LOWER: (f64, f64) = (218.0, 318.0);
    let points = &run.points;
    let first = points.first().map_or(1, |point| point.exam);
    let step = (RIGHT - LEFT - 16.0) / points.len().saturating_sub(1).max(1) as f64;
    let x = |exam: usize| LEFT + 8.0 + step * exam.saturating_sub(first) as f64;
    let q = points.iter().filter_map(|point| point.q);
    let top = Scale::new(q.chain([-3.6, 3.6]), (UPPER.1, UPPER.0), 7.0);
    let sums = points
        .iter()
        .flat_map(|point| [point.cusum_high, -point.cusum_low]);
    let low = Scale::new(sums.chain([-6.0, 6.0]), (LOWER.1, LOWER.0), 4.0);
    let mut svg = String::new();
    let mut canvas = Canvas::new(&mut svg, WIDTH, 372.0);
    for ((from, to), scale, name) in [
        (UPPER, &top, "against earlier exams, SD"),
        (LOWER, &low, "cumulative sums"),
    ] {
        canvas.text(name, (LEFT, from - 12.0), SMALL);
        for (value, text) in scale.ticks() {
            let y = scale.at(value);
            canvas.line((LEFT, y), (RIGHT, y), 1, HAIR);
            canvas.text(&text, (LEFT - 8.0, y), SMALL.at(Anchor::Right));
        }
        canvas.line((LEFT, from), (LEFT, to), 1, FRAME);
        canvas.line((LEFT, scale.at(0.0)), (RIGHT, scale.at(0.0)), 1, FRAME);
    }
    let limits = [
        (&top, SHEWHART, "one point, 3 SD"),
        (&top, ewma_limit(), "moving average"),
        (&low, CUSUM_LIMIT, "cumulative sum"),
    ];
    for (scale, limit, name) in limits {
        for side in [1.0, -1.0] {
            let y = scale.at(side * limit);
            canvas.dashes((LEFT, y), (RIGHT, y), 1, QUIET);
            canvas.text(name, (RIGHT + 6.0, y), SMALL);
        }
    }
    let shown = |value: fn(&Point) -> f64| move |point: &Point| (x(point.exam), value(point));
    for (scale, value, width) in [
        (&top, shown(|point| point.ewma), 2),
        (&low, shown(|point| point.cusum_high), 2),
        (&low, shown(|point| -point.cusum_low), 1),
    ] {
        let line = points
            .iter()
            .map(value)
            .map(|(x, value)| (x, scale.at(value)));
        let line: Vec<(f64, f64)> = line.collect();
        for pair in line.windows(2) {
            if let [from, to] = pair {
                canvas.line(*from, *to, width, INK);
            }
        }
    }
    for point in points {
        if let Some(q) = point.q {
            canvas.ring((x(point.exam), top.at(q)), 2, QUIET);
        }
    }
    let mut free = LEFT;
    for pair in points.windows(2) {
        if let [before, point] = pair
            && before.week.format("%Y-%m").to_string() != point.week.format("%Y-%m").to_string()
        {
            let (at, text) = (x(point.exam), point.week.format("%Y-%m").to_string());
            let half = SMALL.width(&text) / 2.0;
            if at - half > free && at + half < RIGHT + 20.0 {
                canvas.line((at, LOWER.1), (at, LOWER.1 + 5.0), 1, FRAME);
                canvas.text(&text, (at, LOWER.1 + 14.0), SMALL.at(Anchor::Middle));
                free = at + half + 12.0;
            }
        }
    }
    let axis = match first {
        1 => format!("all {} exams, in the order of time", points.len()),
        _ => format!(
            "the newest {} of {} exams, in the order of time",
            points.len(),
            chart.exams
        ),
    };
    canvas.text(
        &axis,
        ((LEFT + RIGHT) / 2.0, LOWER.1 + 34.0),
        SMALL.at(Anchor::Middle),
    );
    for signal in run.signals.iter().filter(|signal| signal.exam >= first) {
        let place = points.iter().find(|point| point.exam == signal.exam);
        let Some(point) = place else { continue };
        let y = match signal.rule {
            Rule::Shewhart => top.at(point.q.unwrap_or_default()),
            Rule::Ewma => top.at(point.ewma),
            Rule::Cusum if signal.higher => low.at(point.cusum_high),
            Rule::Cusum => low.at(-point.cusum_low),
        };
        let (x, up) = (x(signal.exam), if signal.higher { 1.0 } else { -1.0 });
        let corners = [
            (x, y - 8.0 * up),
            (x + 7.0, y + 6.0 * up),
            (x - 7.0, y + 6.0 * up),
        ];
        canvas.polygon(&corners, INK.to_rgba());
    }
    canvas.finish();
    let mut description = format!(
        "{} exams in order, each against the earlier ones of the same chart; \
         {} signals, drawn as filled triangles.",
        points.len(),
        run.signals.len()
    );
    for signal in &run.signals {
        let side = if signal.higher { "higher" } else { "lower" };
        let (rule, week) = (signal.rule.word(), signal.week);
        let _ = write!(description, " {rule}, week of {week}: {side}.");
    }
    Picture {
        title: format!("Control chart: {}", chart.of.words()),
        description,
        svg,
    }
}

/// From numbers to pixels, along either axis.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
    pixels: (f64, f64),
}

impl Scale {
    /// A scale that holds all numbers, with round ends and about `most` steps.
    fn new(values: impl Iterator<Item = f64>, pixels: (f64, f64), most: f64) -> Scale {
        let (low, high) = values
            .filter(|value| value.is_finite())
            .fold(None, |ends: Option<(f64, f64)>, value| {
                let (low, high) = ends.unwrap_or((value, value));
                Some((low.min(value), high.max(value)))
            })
            .unwrap_or((0.0, 1.0));
        let room = (high - low).max(0.02);
        let tens = 10_f64.powf((room / most).log10().floor());
        let fits = |step: &f64| room / step <= most;
        let steps = [1.0, 2.0, 5.0, 10.0].map(|step| step * tens);
        let step = steps.into_iter().find(fits).unwrap_or(10.0 * tens);
        Scale {
            low: (low / step).floor() * step,
            high: ((low + room) / step).ceil() * step,
            step,
            pixels,
        }
    }

    fn at(&self, value: f64) -> f64 {
        let (from, to) = self.pixels;
        from + (value - self.low) / (self.high - self.low) * (to - from)
    }

    fn ticks(&self) -> impl Iterator<Item = (f64, String)> {
        let count = ((self.high - self.low) / self.step).round() as usize;
        let decimals = (-self.step.log10().floor()).max(0.0) as usize;
        (0..=count).map(move |index| {
            let value = self.low + index as f64 * self.step;
            // No minus zero.
            (
                value,
                format!(
                    "{:.decimals$}",
                    if value.abs() < 1e-9 { 0.0 } else { value }
                ),
            )
        })
    }
}
