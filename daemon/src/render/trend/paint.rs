//! The picture, from top to bottom: title, legend, events, plot, dates, one column an exam, foot.

use super::canvas::{Anchor, Canvas, Face, Point, printable};
use super::layout::{Stop, TimeAxis, WidthAxis, apart, calendar, rows};
use super::{FOOT, Trend, TrendPoint, compared, label_words, long_gap, word};
use crate::assess::Status;
use chrono::{Datelike, NaiveDate};
use plotters::style::{Color, RGBColor};

const INK: RGBColor = RGBColor(0x22, 0x2B, 0x35);
const QUIET: RGBColor = RGBColor(0x5C, 0x68, 0x75);
const HAIR: RGBColor = RGBColor(0xE3, 0xE8, 0xEC);
const FRAME: RGBColor = RGBColor(0x9A, 0xA5, 0xB0);
const BAND: RGBColor = RGBColor(0x8F, 0xA3, 0xB8);

const TITLE: Face = Face::new(22.0, INK).bold();
const SUBTITLE: Face = Face::new(14.0, QUIET);
const TEXT: Face = Face::new(12.0, INK);
const SMALL: Face = Face::new(11.0, QUIET);

const LEFT: f64 = 76.0;
const RIGHT_MARGIN: f64 = 30.0;
const LEAST_WIDTH: f64 = 1200.0;
const PLOT_HEIGHT: f64 = 320.0;
/// Strip at the foot of the plot in which long gaps are named.
const GAP_STRIP: f64 = 46.0;
/// Half the room an exam takes on the time axis, and an event.
const EXAM_HALF: f64 = 17.0;
const EVENT_HALF: f64 = 9.0;
/// Distance of each eye's marker from the middle of the exam.
const EYE_OFFSET: f64 = 10.0;
/// Columns of text below the plot: width when lines lie flat, and when they stand upright.
const FLAT_COLUMN: f64 = 104.0;
const UPRIGHT_COLUMN: f64 = 35.0;
const FLAT_HEIGHT: f64 = 118.0;
const UPRIGHT_HEIGHT: f64 = 184.0;

/// Colour of a status.
fn colour(status: Option<Status>) -> RGBColor {
    match status {
        Some(Status::WithinExpected) => RGBColor(0x2F, 0x55, 0x8A),
        Some(Status::AboveExpected) => RGBColor(0xB3, 0x62, 0x00),
        Some(Status::WellAboveExpected) => RGBColor(0x8A, 0x1C, 0x6B),
        Some(Status::BelowExpected) => RGBColor(0x0F, 0x76, 0x8A),
        Some(Status::NoBaseline | Status::NotComparable) | None => QUIET,
    }
}

/// The shape of a status around a point.
fn mark(canvas: &mut Canvas<'_>, (x, y): Point, status: Option<Status>) {
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
fn eye(canvas: &mut Canvas<'_>, (x, y): Point, right: bool, filled: bool) {
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
fn interval(canvas: &mut Canvas<'_>, x: f64, lower: f64, upper: f64, expected: Option<f64>) {
    canvas.rectangle((x - 7.0, upper), (x + 7.0, lower), BAND.mix(0.55));
    for end in [lower, upper] {
        canvas.line((x - 7.0, end), (x + 7.0, end), 2, QUIET);
    }
    if let Some(y) = expected {
        canvas.line((x - 13.0, y), (x + 13.0, y), 2, INK);
    }
}

fn day(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

/// Everything measured out before the pen moves.
struct Plan {
    width: f64,
    right: f64,
    legend_top: f64,
    legend: Vec<(Point, Legend)>,
    events_top: f64,
    event_rows: Vec<usize>,
    time: TimeAxis,
    exam_xs: Vec<f64>,
    event_xs: Vec<f64>,
    mm: WidthAxis,
    top: f64,
    bottom: f64,
    columns_top: f64,
    columns: Vec<f64>,
    upright: bool,
    foot: f64,
    height: f64,
}

/// Draws a trend whose points and events are sorted.
pub(super) fn paint(trend: &Trend) -> String {
    let mut out = String::new();
    let plan = Plan::new(trend);
    let mut canvas = Canvas::new(&mut out, plan.width, plan.height);
    let room = plan.right - LEFT + 46.0;
    canvas.text(
        &TITLE.cut(&printable(&trend.title), room),
        (30.0, 34.0),
        TITLE,
    );
    canvas.text(
        &SUBTITLE.cut(&printable(&trend.subtitle), room),
        (30.0, 60.0),
        SUBTITLE,
    );
    plan.legend(&mut canvas);
    plan.axes(&mut canvas, trend);
    plan.events(&mut canvas, trend);
    plan.between(&mut canvas, trend);
    for (point, x) in trend.points.iter().zip(&plan.exam_xs) {
        plan.exam(&mut canvas, point, *x);
    }
    for ((point, x), column) in trend.points.iter().zip(&plan.exam_xs).zip(&plan.columns) {
        plan.column(&mut canvas, point, *x, *column);
    }
    plan.foot(&mut canvas);
    canvas.finish();
    out
}

#[derive(Debug, Clone, Copy)]
enum Legend {
    Right,
    Left,
    Interval,
    Status(Option<Status>),
}

impl Legend {
    const ALL: [Legend; 9] = [
        Legend::Right,
        Legend::Left,
        Legend::Interval,
        Legend::Status(Some(Status::WithinExpected)),
        Legend::Status(Some(Status::AboveExpected)),
        Legend::Status(Some(Status::WellAboveExpected)),
        Legend::Status(Some(Status::BelowExpected)),
        Legend::Status(Some(Status::NoBaseline)),
        Legend::Status(Some(Status::NotComparable)),
    ];

    fn words(self) -> String {
        match self {
            Legend::Right => "right eye".to_owned(),
            Legend::Left => "left eye".to_owned(),
            Legend::Interval => "expected value and interval".to_owned(),
            Legend::Status(Some(status)) if compared(status) => {
                format!("{} expected", word(Some(status)))
            }
            Legend::Status(status) => word(status).to_owned(),
        }
    }
}

impl Plan {
    fn new(trend: &Trend) -> Plan {
        let exams = trend.points.len() as f64;
        let stops_room = exams * 2.0 * EXAM_HALF + trend.events.len() as f64 * 2.0 * EVENT_HALF;
        let margins = LEFT + RIGHT_MARGIN;
        let width = LEAST_WIDTH
            .max(exams * UPRIGHT_COLUMN + margins)
            .max(stops_room + margins + 40.0)
            .ceil();
        let right = width - RIGHT_MARGIN;
        let upright = exams * FLAT_COLUMN > width - 40.0;

        let legend_top = 92.0;
        let (legend, legend_bottom) = set_legend(legend_top, right);

        let (time, exam_xs, event_xs) = set_stops(trend, LEFT + 30.0, right - 30.0);
        let reaches: Vec<(f64, f64)> = trend
            .events
            .iter()
            .zip(&event_xs)
            .map(|((date, event), x)| event_reach(*x, &event_words(*date, event), right))
            .collect();
        let event_rows = rows(&reaches);
        let row_count = event_rows.iter().max().map_or(0, |row| row + 1);
        let events_top = legend_bottom + 14.0;
        let top = events_top + row_count as f64 * 17.0 + 8.0;
        let gaps = trend
            .points
            .windows(2)
            .any(|pair| matches!(pair, [a, b] if long_gap(a.date, b.date).is_some()));
        let bottom = top + PLOT_HEIGHT + if gaps { GAP_STRIP } else { 0.0 };
        let values = trend.points.iter().flat_map(TrendPoint::values);
        let mm = WidthAxis::new(values, top + 8.0, top + PLOT_HEIGHT - 8.0);

        let column = if upright { UPRIGHT_COLUMN } else { FLAT_COLUMN };
        let columns = apart(&exam_xs, column, 20.0, width - 20.0);
        let columns_top = bottom + 54.0;
        let columns_height = match (trend.points.is_empty(), upright) {
            (true, _) => 0.0,
            (false, true) => UPRIGHT_HEIGHT,
            (false, false) => FLAT_HEIGHT,
        };
        let foot = columns_top + columns_height + 24.0;
        Plan {
            width,
            right,
            legend_top,
            legend,
            events_top,
            event_rows,
            time,
            exam_xs,
            event_xs,
            mm,
            top,
            bottom,
            columns_top,
            columns,
            upright,
            foot,
            height: foot + 42.0,
        }
    }

    fn legend(&self, canvas: &mut Canvas<'_>) {
        canvas.line(
            (30.0, self.legend_top - 14.0),
            (self.right, self.legend_top - 14.0),
            1,
            HAIR,
        );
        for (at @ (x, y), entry) in &self.legend {
            match entry {
                Legend::Right => eye(canvas, *at, true, true),
                Legend::Left => eye(canvas, *at, false, true),
                Legend::Interval => interval(canvas, *x, y + 8.0, y - 8.0, Some(*y)),
                Legend::Status(Some(Status::WellAboveExpected)) => {
                    mark(canvas, *at, Some(Status::WellAboveExpected));
                }
                Legend::Status(status) => mark(canvas, *at, *status),
            }
            canvas.text(&entry.words(), (x + 18.0, *y), TEXT);
        }
    }

    fn axes(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        for mm in self.mm.ticks() {
            let y = self.mm.y(mm);
            canvas.line((LEFT, y), (self.right, y), 1, HAIR);
            let text = format!("{mm:.*}", self.mm.decimals());
            canvas.text(&text, (LEFT - 10.0, y), TEXT.at(Anchor::Right));
        }
        let middle = (self.top + self.bottom) / 2.0;
        let unit = SMALL.at(Anchor::Middle).upright();
        canvas.text("sheath diameter, mm", (30.0, middle), unit);
        if let (Some(first), Some(last)) = (trend.points.first(), trend.points.last()) {
            let first = trend
                .events
                .first()
                .map_or(first.date, |(date, _)| first.date.min(*date));
            let last = trend
                .events
                .last()
                .map_or(last.date, |(date, _)| last.date.max(*date));
            let mut free_from = LEFT;
            for (date, text) in calendar(first, last) {
                let Some(x) = self.time.x(day(date)) else {
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

    fn events(&self, canvas: &mut Canvas<'_>, trend: &Trend) {
        if trend.points.is_empty() {
            return;
        }
        for (((date, event), x), row) in trend
            .events
            .iter()
            .zip(&self.event_xs)
            .zip(&self.event_rows)
        {
            let y = self.events_top + *row as f64 * 17.0 + 6.0;
            canvas.dashes((*x, y + 8.0), (*x, self.bottom), 1, INK);
            let words = event_words(*date, event);
            let (start, _) = event_reach(*x, &words, self.right);
            canvas.text(&words, (start, y), TEXT);
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
            } else if let (Some((a_low, a_high)), Some((b_low, b_high))) =
                (a.interval(), b.interval())
            {
                let corners = [(*from, a_high), (*to, b_high), (*to, b_low), (*from, a_low)];
                let corners = corners.map(|(x, mm)| (x, self.mm.y(mm)));
                canvas.polygon(&corners, BAND.mix(0.18));
            }
        }
        // The line passes over exams without a compared value; they are marked, not bridged.
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
        canvas.dashes((from, y), (to, y), 1, QUIET);
        for end in [from, to] {
            canvas.line((end, y - 4.0), (end, y + 4.0), 1, QUIET);
        }
        // Two strokes across: the sign of a broken line.
        canvas.rectangle(
            (middle - 3.0, y - 1.0),
            (middle + 3.0, y + 1.0),
            RGBColor(255, 255, 255).to_rgba(),
        );
        for x in [middle - 4.0, middle + 2.0] {
            canvas.line((x - 2.0, y + 5.0), (x + 3.0, y - 5.0), 1, QUIET);
        }
        if face.width(&one) <= to - from {
            canvas.text(&one, (middle, y - 15.0), face);
        } else {
            canvas.text("no exam", (middle, strip + 7.0), face);
            canvas.text(&format!("for {years}"), (middle, strip + 20.0), face);
        }
    }

    fn exam(&self, canvas: &mut Canvas<'_>, point: &TrendPoint, x: f64) {
        let y = |mm: f64| self.mm.y(mm);
        if let Some((lower, upper)) = point.interval() {
            interval(canvas, x, y(lower), y(upper), point.expected_mm.map(y));
        }
        let filled = point.status.is_some_and(compared);
        for (value, right) in [(point.right_mm, true), (point.left_mm, false)] {
            if let Some(mm) = value {
                let side = if right { -EYE_OFFSET } else { EYE_OFFSET };
                eye(canvas, (x + side, y(mm)), right, filled);
            }
        }
        if let Some(mm) = point.both_mm {
            mark(canvas, (x, y(mm)), point.status);
        }
    }

    /// One exam in words, below the plot.
    fn column(&self, canvas: &mut Canvas<'_>, point: &TrendPoint, x: f64, column: f64) {
        let axis = self.bottom + 20.0;
        let knee = self.columns_top - 12.0;
        canvas.line((x, self.bottom), (x, self.bottom + 5.0), 1, INK);
        canvas.line((x, axis), (column, knee), 1, FRAME);
        let top = self.columns_top;
        mark(canvas, (column, top + 2.0), point.status);
        let status = Face::new(12.0, colour(point.status)).bold();
        let date = point.date.to_string();
        let value = match (point.both_mm, point.measured()) {
            (Some(mm), _) => format!("{mm:.2} mm"),
            (None, true) => "not compared".to_owned(),
            (None, false) => "no usable value".to_owned(),
        };
        let expected = point.expected_mm.map(|mm| format!("expected {mm:.2}"));
        let label = point.label.map(label_words);
        let note = point.note.as_deref().map(printable);
        if self.upright {
            let more = [Some(value), expected].into_iter().flatten();
            let more = more.collect::<Vec<_>>().join(", ");
            let said: Vec<String> = [label, note].into_iter().flatten().collect();
            let start = top + 16.0;
            let face = |face: Face| face.upright().at(Anchor::Right);
            let room = UPRIGHT_HEIGHT - 20.0;
            let first = column - if said.is_empty() { 6.0 } else { 11.0 };
            canvas.text(&date, (first, start), face(TEXT));
            let word_at = start + TEXT.width(&date) + 2.0;
            canvas.text(word(point.status), (first, word_at), face(status));
            canvas.text(&SMALL.cut(&more, room), (first + 12.0, start), face(SMALL));
            if !said.is_empty() {
                let said = SMALL.cut(&said.join(", "), room);
                canvas.text(&said, (first + 23.0, start), face(SMALL));
            }
        } else {
            let mut y = top + 20.0;
            let mut put = |text: &str, face: Face| {
                let text = face.cut(text, FLAT_COLUMN - 4.0);
                canvas.text(&text, (column, y), face.at(Anchor::Middle));
                y += 16.0;
            };
            put(&date, TEXT.bold());
            put(word(point.status), status);
            put(&value, TEXT);
            for line in [expected, label, note].into_iter().flatten() {
                put(&line, SMALL);
            }
        }
    }

    fn foot(&self, canvas: &mut Canvas<'_>) {
        canvas.line(
            (30.0, self.foot - 16.0),
            (self.right, self.foot - 16.0),
            1,
            HAIR,
        );
        canvas.text(FOOT, (30.0, self.foot), TEXT);
        if self.time.stretched {
            let text = "Exams that lie close together are drawn further apart than they were; \
                        the dates hold.";
            canvas.text(text, (30.0, self.foot + 18.0), SMALL);
        }
    }
}

/// Places the legend's entries; the second value is the bottom of its last row.
fn set_legend(top: f64, right: f64) -> (Vec<(Point, Legend)>, f64) {
    let (mut x, mut y) = (40.0, top);
    let mut placed = Vec::new();
    for entry in Legend::ALL {
        let reach = 18.0 + TEXT.width(&entry.words());
        if x + reach > right {
            (x, y) = (40.0, y + 24.0);
        }
        placed.push(((x, y), entry));
        x += reach + 22.0;
    }
    (placed, y + 12.0)
}

/// Exams and events on one time axis.
fn set_stops(trend: &Trend, from: f64, to: f64) -> (TimeAxis, Vec<f64>, Vec<f64>) {
    // On the same day an event comes first: the exam was taken after it, or so near that the
    // order does not show.
    let events = trend
        .events
        .iter()
        .enumerate()
        .map(|(at, (date, _))| (*date, 0, at));
    let exams = trend
        .points
        .iter()
        .enumerate()
        .map(|(at, point)| (point.date, 1, at));
    let mut order: Vec<(NaiveDate, usize, usize)> = events.chain(exams).collect();
    order.sort();
    let stops: Vec<Stop> = order
        .iter()
        .map(|(date, kind, _)| Stop {
            day: day(*date),
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

fn event_words(date: NaiveDate, event: &str) -> String {
    const WIDEST: f64 = 300.0;
    TEXT.cut(&format!("{date} {}", printable(event)), WIDEST)
}

/// From where to where an event's words reach: centred on its line, inside the plot.
fn event_reach(x: f64, words: &str, right: f64) -> (f64, f64) {
    let width = TEXT.width(words);
    let start = (x - width / 2.0).min(right - width).max(LEFT);
    (start, start + width)
}
