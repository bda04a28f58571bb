//! The picture, from top to bottom: title, legend, events, plot, dates, one column an exam, foot.

use super::canvas::{Anchor, Canvas, Drawing, Face, Point, printable};
use super::column::{ColumnText, DOWN_COLUMN, DOWN_HEIGHT, FLAT_COLUMN, LINE};
use super::layout::{Flag, Stop, TimeAxis, WidthAxis, apart, calendar, clock, flags, is_of_hours};
use super::marks::{
    BAND, FRAME, HAIR, INK, Legend, QUIET, SMALL, TEXT, WHITE, draw_legend, eye, eye_interval,
    interval, mark, place_legend, wide_interval,
};
use super::{FOOT, Size, Trend, TrendPoint, compared, long_gap};
use crate::domain::Eye;
use chrono::{Datelike, NaiveDate};
use plotters::style::Color;

const TITLE: Face = Face::new(22.0, INK).bold();
const SUBTITLE: Face = Face::new(14.0, QUIET);

const LEFT: f64 = 76.0;
const RIGHT_MARGIN: f64 = 30.0;
/// Strip at the foot of the plot in which long gaps are named.
const GAP_STRIP: f64 = 46.0;
/// Half the room an exam takes on the time axis, and an event.
const EXAM_HALF: f64 = 17.0;
const EVENT_HALF: f64 = 9.0;
/// Distance of each eye's marker from the middle of the exam.
const EYE_OFFSET: f64 = 10.0;
const EVENT_ROW: f64 = 18.0;

/// The axis of millimetres of a figure alone.
pub(super) fn axis(trend: &Trend) -> String {
    let mut out = String::new();
    let plan = Plan::new(trend, Size::Figure);
    let mut canvas = Canvas::new(&mut out, LEFT, plan.height);
    plan.millimetres(&mut canvas);
    canvas.finish();
    out
}

fn day(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

/// Everything measured out before the pen moves.
struct Plan {
    width: f64,
    right: f64,
    legend: Vec<(Point, Legend)>,
    events_top: f64,
    flags: Vec<Flag>,
    time: TimeAxis,
    exam_xs: Vec<f64>,
    event_xs: Vec<f64>,
    mm: WidthAxis,
    top: f64,
    bottom: f64,
    columns_top: f64,
    columns: Vec<f64>,
    downwards: bool,
    texts: Vec<ColumnText>,
    foot: f64,
    height: f64,
}

/// Draws a trend whose points and events are sorted.
pub(super) fn paint(trend: &Trend, size: Size) -> (String, Drawing) {
    let mut out = String::new();
    let plan = Plan::new(trend, size);
    let mut canvas = Canvas::new(&mut out, plan.width, plan.height);
    if size == Size::Sheet {
        plan.heading(&mut canvas, trend);
    }
    draw_legend(&mut canvas, &plan.legend);
    plan.axes(&mut canvas, trend);
    plan.events(&mut canvas, trend);
    plan.between(&mut canvas, trend);
    for (point, x) in trend.points.iter().zip(&plan.exam_xs) {
        plan.exam(&mut canvas, point, *x);
    }
    for ((text, x), column) in plan.texts.iter().zip(&plan.exam_xs).zip(&plan.columns) {
        plan.leader(&mut canvas, *x, *column);
        text.draw(&mut canvas, (*column, plan.columns_top), plan.downwards);
    }
    plan.foot(&mut canvas, size);
    let drawing = canvas.finish();
    (out, drawing)
}

impl Plan {
    fn new(trend: &Trend, size: Size) -> Plan {
        let (least_width, plot_height, legend_top) = match size {
            Size::Sheet => (1200.0, 320.0, 98.0),
            // Heading and foot stand in the page around it.
            Size::Figure => (760.0, 180.0, 18.0),
        };
        let exams = trend.points.len() as f64;
        let stops_room = exams * 2.0 * EXAM_HALF + trend.events.len() as f64 * 2.0 * EVENT_HALF;
        let margins = LEFT + RIGHT_MARGIN;
        let width = f64::max(least_width, exams * DOWN_COLUMN + margins)
            .max(stops_room + margins + 40.0)
            .ceil();
        let right = width - RIGHT_MARGIN;
        let downwards = exams * FLAT_COLUMN > width - 40.0;

        let (legend, legend_bottom) = place_legend(trend, size, legend_top, right);

        let (time, exam_xs, event_xs) = set_stops(trend, LEFT + 30.0, right - 30.0);
        let poles: Vec<(f64, f64)> = trend
            .events
            .iter()
            .zip(&event_xs)
            .map(|((date, event), x)| (*x, TEXT.width(&event_words(*date, event)) + 8.0))
            .collect();
        let flags = flags(&poles, right);
        let rows = flags.iter().map(|flag| flag.row + 1).max().unwrap_or(0);
        let events_top = legend_bottom + 16.0;
        let top = events_top + rows as f64 * EVENT_ROW + 8.0;
        let gaps = trend
            .points
            .windows(2)
            .any(|pair| matches!(pair, [a, b] if long_gap(a.date, b.date).is_some()));
        let bottom = top + plot_height + if gaps { GAP_STRIP } else { 0.0 };
        let values = trend.points.iter().flat_map(TrendPoint::values);
        let mm = WidthAxis::new(values, top + 8.0, top + plot_height - 8.0);

        let column = if downwards { DOWN_COLUMN } else { FLAT_COLUMN };
        let columns = apart(&exam_xs, column, 20.0, width - 20.0);
        let columns_top = bottom + 54.0;
        let texts: Vec<ColumnText> = trend.points.iter().map(ColumnText::new).collect();
        let lines = texts.iter().map(|text| text.flat().len()).max();
        let columns_height = match lines {
            None => 0.0,
            Some(_) if downwards => DOWN_HEIGHT,
            Some(lines) => lines as f64 * LINE + 24.0,
        };
        let foot = columns_top + columns_height + 24.0;
        let height = match size {
            Size::Sheet => foot + 42.0,
            Size::Figure if time.stretched => foot,
            Size::Figure => foot - 20.0,
        };
        Plan {
            width,
            right,
            legend,
            events_top,
            flags,
            time,
            exam_xs,
            event_xs,
            mm,
            top,
            bottom,
            columns_top,
            columns,
            downwards,
            texts,
            foot,
            height,
        }
    }

    fn axes(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        for mm in self.mm.ticks() {
            let y = self.mm.y(mm);
            canvas.line((LEFT, y), (self.right, y), 1, HAIR);
        }
        self.millimetres(canvas);
        let middle = (self.top + self.bottom) / 2.0;
        if let (Some(first), Some(last)) = (trend.points.first(), trend.points.last()) {
            let event_first = trend.events.first().map(|(date, _)| *date);
            let event_last = trend.events.last().map(|(date, _)| *date);
            let from = event_first.map_or(first.day(), |date| first.day().min(day(date)));
            let to = event_last.map_or(last.day(), |date| last.day().max(day(date)));
            let ticks: Vec<(f64, String)> = if is_of_hours(from, to) {
                clock(from, to)
            } else {
                let first = event_first.map_or(first.date, |date| first.date.min(date));
                let last = event_last.map_or(last.date, |date| last.date.max(date));
                let months = calendar(first, last).into_iter();
                months.map(|(date, text)| (day(date), text)).collect()
            };
            let mut free_from = LEFT;
            for (at, text) in ticks {
                let Some(x) = self.time.x(at) else {
                    continue;
                };
                canvas.line((x, self.top), (x, self.bottom + 5.0), 1, HAIR);
                canvas.line((x, self.bottom), (x, self.bottom + 5.0), 1, FRAME);
                let half = SMALL.width(&text) / 2.0;
                if x - half > free_from {
                    canvas.text(&text, (x, self.bottom + 13.0), SMALL.at(Anchor::Middle));
                    free_from = x + half + 8.0;
                }
            }
        }
        canvas.line((LEFT, self.top), (LEFT, self.bottom), 1, FRAME);
        canvas.line((LEFT, self.bottom), (self.right, self.bottom), 1, FRAME);
        if trend.points.is_empty() {
            let face = Face::new(18.0, QUIET).at(Anchor::Middle);
            canvas.text("No exam to show", ((LEFT + self.right) / 2.0, middle), face);
        }
    }

    /// The axis of millimetres with its numbers.
    fn millimetres(&self, canvas: &mut Canvas<'_>) {
        for mm in self.mm.ticks() {
            let text = format!("{mm:.*}", self.mm.decimals());
            let at = (LEFT - 10.0, self.mm.y(mm));
            canvas.text(&text, at, TEXT.at(Anchor::Right));
        }
        let middle = (self.top + self.bottom) / 2.0;
        let unit = SMALL.at(Anchor::Middle).downwards();
        canvas.text("sheath diameter, mm", (30.0, middle), unit);
    }

    fn events(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        if trend.points.is_empty() {
            return;
        }
        let y = |flag: &Flag| self.events_top + flag.row as f64 * EVENT_ROW + 6.0;
        for (x, flag) in self.event_xs.iter().zip(&self.flags) {
            canvas.dashes((*x, y(flag) - 7.0), (*x, self.bottom), 1, INK);
        }
        for ((date, event), flag) in trend.events.iter().zip(&self.flags) {
            let (middle, inside) = (y(flag), (flag.left + 2.0, flag.right - 2.0));
            let corners = ((inside.0, middle - 8.0), (inside.1, middle + 8.0));
            canvas.rectangle(corners.0, corners.1, WHITE.to_rgba());
            canvas.text(&event_words(*date, event), (flag.left + 5.0, middle), TEXT);
        }
    }

    /// What joins an exam to the next: band and line, or a broken line across a long gap.
    fn between(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        let exams: Vec<(&TrendPoint, f64)> = trend
            .points
            .iter()
            .zip(self.exam_xs.iter().copied())
            .collect();
        for pair in exams.windows(2) {
            let [(a, from), (b, to)] = pair else { continue };
            let gap = long_gap(a.date, b.date);
            if let Some(years) = &gap {
                self.gap(canvas, *from, *to, years);
            } else if trend.events.iter().any(|(date, _)| between(*date, a, b)) {
                // What was expected before an event does not lead to what was expected after it.
            } else if let (Some((a_low, a_high)), Some((b_low, b_high)), false) =
                (a.interval(), b.interval(), a.too_wide || b.too_wide)
            {
                let corners = [(*from, a_high), (*to, b_high), (*to, b_low), (*from, a_low)];
                let corners = corners.map(|(x, mm)| (x, self.mm.y(mm)));
                canvas.polygon(&corners, BAND.mix(0.18));
            }
        }
        // An exam without a compared value breaks the line.
        let mut before: Option<(&TrendPoint, Point)> = None;
        for (point, x) in exams {
            let Some(mm) = point.both_mm else {
                before = None;
                continue;
            };
            let here = (x, self.mm.y(mm));
            if let Some((last, there)) = before {
                if long_gap(last.date, point.date).is_some() {
                    canvas.dashes(there, here, 1, FRAME);
                } else {
                    canvas.line(there, here, 1, QUIET);
                }
            }
            before = Some((point, here));
        }
    }

    fn gap(&self, canvas: &mut Canvas<'_>, from: f64, to: f64, years: &str) {
        let (from, to) = (from + 6.0, to - 6.0);
        let middle = (from + to) / 2.0;
        let strip = self.bottom - GAP_STRIP;
        let face = SMALL.at(Anchor::Middle);
        let one = format!("no exam for {years}");
        let y = self.bottom - 10.0;
        // A measure between two exams: nothing of the axis is left out.
        canvas.line((from, y), (to, y), 1, FRAME);
        for end in [from, to] {
            canvas.line((end, y - 4.0), (end, y + 4.0), 1, FRAME);
        }
        let two = format!("for {years}");
        // The exams on both sides leave some room of their own.
        let room = to - from + 12.0;
        if face.width(&one) <= to - from {
            canvas.text(&one, (middle, y - 15.0), face);
        } else if face.width(&two) <= room {
            canvas.text("no exam", (middle, strip + 7.0), face);
            canvas.text(&two, (middle, strip + 20.0), face);
        } else if face.width(years) <= room {
            canvas.text(years, (middle, strip + 20.0), face);
        }
    }

    fn exam(&self, canvas: &mut Canvas<'_>, point: &TrendPoint, x: f64) {
        let y = |mm: f64| self.mm.y(mm);
        if let Some((lower, upper)) = point.interval() {
            let expected = point.expected_mm.map(y);
            if point.too_wide {
                wide_interval(canvas, x, y(lower), y(upper), expected)
            } else {
                interval(canvas, x, y(lower), y(upper), expected)
            }
        }
        if let Some(one) = &point.deciding {
            let x = x + offset(one.eye == Eye::Right);
            let (lower, upper) = (y(one.lower_mm), y(one.upper_mm));
            eye_interval(canvas, x, lower, upper, y(one.expected_mm));
        }
        let filled = point.status.is_some_and(compared);
        for (value, right) in [(point.right_mm, true), (point.left_mm, false)] {
            if let Some(mm) = value {
                eye(canvas, (x + offset(right), y(mm)), right, filled);
            }
        }
        let own = point.deciding.map_or(point.status, |one| Some(one.both));
        if let Some(mm) = point.both_mm {
            mark(canvas, (x, y(mm)), own);
        }
        // The answer is marked where the eye lies that decided it.
        if let Some(one) = &point.deciding {
            let x = x + offset(one.eye == Eye::Right);
            mark(canvas, (x, y(one.mm)), point.status);
        }
    }

    /// From an exam on the time axis to its column.
    fn leader(&self, canvas: &mut Canvas<'_>, x: f64, column: f64) {
        canvas.line((x, self.bottom), (x, self.bottom + 5.0), 1, INK);
        let knee = (column, self.columns_top - 16.0);
        canvas.line((x, self.bottom + 20.0), knee, 1, FRAME);
    }

    fn rule(&self, canvas: &mut Canvas<'_>, y: f64) {
        canvas.line((30.0, y), (self.right, y), 1, HAIR);
    }

    fn heading(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        let room = self.right - LEFT + 46.0;
        let title = TITLE.cut(&printable(&trend.title), room);
        canvas.text(&title, (30.0, 34.0), TITLE);
        let subtitle = SUBTITLE.cut(&printable(&trend.subtitle), room);
        canvas.text(&subtitle, (30.0, 60.0), SUBTITLE);
        self.rule(canvas, 80.0);
    }

    fn foot(&self, canvas: &mut Canvas<'_>, size: Size) {
        let mut y = self.foot - 14.0;
        if size == Size::Sheet {
            self.rule(canvas, self.foot - 16.0);
            canvas.text(FOOT, (30.0, self.foot), TEXT);
            y = self.foot + 18.0;
        }
        if self.time.stretched {
            let text = "Distances on this axis are not to scale; read the dates.";
            canvas.text(text, (30.0, y), SMALL);
        }
    }
}

/// Exams and events on one time axis.
fn set_stops(trend: &Trend, from: f64, to: f64) -> (TimeAxis, Vec<f64>, Vec<f64>) {
    // On the same day an event comes first: the exam was taken after it, or so near that the
    // order does not show.
    let events = trend
        .events
        .iter()
        .enumerate()
        .map(|(at, (date, _))| (day(*date), 0, at));
    let exams = trend
        .points
        .iter()
        .enumerate()
        .map(|(at, point)| (point.day(), 1, at));
    let mut order: Vec<(f64, usize, usize)> = events.chain(exams).collect();
    order.sort_by(|a, b| {
        a.0.total_cmp(&b.0)
            .then_with(|| (a.1, a.2).cmp(&(b.1, b.2)))
    });
    let stops: Vec<Stop> = order
        .iter()
        .map(|(at, kind, _)| Stop {
            day: *at,
            half: if *kind == 0 { EVENT_HALF } else { EXAM_HALF },
        })
        .collect();
    let time = TimeAxis::new(&stops, from, to);
    let of = |wanted: usize| {
        order
            .iter()
            .zip(&time.xs)
            .filter(|((_, kind, _), _)| *kind == wanted)
            .map(|(_, x)| *x)
            .collect()
    };
    let (events, exams) = (of(0), of(1));
    (time, exams, events)
}

/// Where an eye's marker stands beside the middle of its exam.
fn offset(right: bool) -> f64 {
    if right { -EYE_OFFSET } else { EYE_OFFSET }
}

/// Whether an event lies between two exams. One of an exam's own day comes before it.
fn between(date: NaiveDate, a: &TrendPoint, b: &TrendPoint) -> bool {
    a.date < date && date <= b.date
}

fn event_words(date: NaiveDate, event: &str) -> String {
    const WIDEST: f64 = 300.0;
    TEXT.cut(&format!("{date} {}", printable(event)), WIDEST)
}
