//! A patient's course on an axis of true time, from hours to years.
//!
//! Distances are to scale. What lies too close together to be told apart is told apart by a shorter
//! window, which is part of the address, so that zoom needs no script.

use crate::assess::Status;
use crate::domain::time::written;
use crate::domain::{Event, Eye};
use crate::results::Content;
use chrono::{Datelike, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta};
use maud::{Markup, html};

/// Width and height of the picture, in its own units.
const SIZE: [f64; 2] = [880.0, 330.0];
/// Where the axes lie: left, right, top, bottom.
const FRAME: [f64; 4] = [44.0, 868.0, 40.0, 270.0];
/// The shortest range of millimetres, so that noise does not look large.
const SHORTEST_MM: f64 = 1.6;
/// Most ticks on the axis of time.
const MOST_TICKS: i64 = 8;

/// One exam in the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// When, on the clock where it was done.
    pub at: NaiveDateTime,
    /// Mean of the right eye, mm.
    pub right_mm: Option<f64>,
    /// Mean of the left eye, mm.
    pub left_mm: Option<f64>,
    /// What was compared, mm.
    pub compared_mm: Option<f64>,
    /// The expected interval, mm.
    pub expected_mm: Option<(f64, f64)>,
    /// A rise was found.
    pub flagged: bool,
    /// The status.
    pub status: Status,
    /// Who measured, as a letter of the legend.
    pub operator: char,
}

/// The part of the course that is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// From.
    pub from: NaiveDateTime,
    /// To.
    pub to: NaiveDateTime,
}

/// A window one can choose: its word in the address, what people read, its hours.
pub const SPANS: [(&str, &str, i64); 6] = [
    ("2d", "48 hours", 48),
    ("7d", "7 days", 168),
    ("30d", "30 days", 720),
    ("1y", "1 year", 8_766),
    ("5y", "5 years", 43_830),
    ("all", "everything", 0),
];

impl Window {
    /// The window of a span that ends at `end`, or at the newest exam. Everything where the word is none
    /// of [`SPANS`].
    #[must_use]
    pub fn of(
        points: &[Point],
        events: &[Event],
        span: &str,
        end: Option<NaiveDateTime>,
    ) -> Window {
        let midnight = |day: NaiveDate| day.and_time(NaiveTime::MIN);
        let times = || {
            let exams = points.iter().map(|point| point.at);
            exams.chain(events.iter().map(|event| midnight(event.date)))
        };
        let newest = points.iter().map(|point| point.at).max();
        let last = end.or(newest).or_else(|| times().max()).unwrap_or_default();
        let hours = SPANS
            .iter()
            .find(|(word, _, _)| *word == span)
            .map_or(0, |one| one.2);
        let (from, to) = match hours {
            0 => (times().min().unwrap_or(last), times().max().unwrap_or(last)),
            hours => {
                let from = last.checked_sub_signed(TimeDelta::hours(hours));
                (from.unwrap_or(last), last)
            }
        };
        // Marks at the ends stay whole; one exam alone stands in the middle of a day.
        let around = ((to - from) / 25).max(TimeDelta::hours(1));
        let around = if from == to {
            TimeDelta::hours(12)
        } else {
            around
        };
        Window {
            from: from.checked_sub_signed(around).unwrap_or(from),
            to: to.checked_add_signed(around).unwrap_or(to),
        }
    }

    fn holds(&self, at: NaiveDateTime) -> bool {
        (self.from..=self.to).contains(&at)
    }

    fn x(&self, at: NaiveDateTime) -> f64 {
        let [left, right, ..] = FRAME;
        let whole = (self.to - self.from).num_seconds().max(1) as f64;
        left + (at - self.from).num_seconds() as f64 / whole * (right - left)
    }
}

/// The exams of a course with the letters of their operators, in the order of time.
#[must_use]
pub fn points(contents: &[&Content]) -> (Vec<Point>, Vec<(char, String)>) {
    let mut letters: Vec<(char, String)> = Vec::new();
    let mut points: Vec<Point> = contents
        .iter()
        .map(|content| {
            let name = crate::results::phrases::operator(content.exam.operator.as_deref());
            point(content, letter(&mut letters, name))
        })
        .collect();
    points.sort_by_key(|point| point.at);
    (points, letters)
}

fn letter(letters: &mut Vec<(char, String)>, name: String) -> char {
    if let Some((letter, _)) = letters.iter().find(|(_, known)| *known == name) {
        return *letter;
    }
    let next = u8::try_from(letters.len()).ok().filter(|count| *count < 26);
    let letter = next.map_or('*', |count| char::from(b'A' + count));
    letters.push((letter, name));
    letter
}

fn point(content: &Content, operator: char) -> Point {
    let assessment = &content.assessment;
    let rows = &assessment.rows;
    let eye = |eye: Eye| rows.of(eye).map(|row| row.measured_mm);
    let shown = assessment.decided().map(|(_, row)| row);
    let shown = shown.or(rows.both.as_ref()).or(rows.right.as_ref());
    let shown = shown.or(rows.left.as_ref());
    Point {
        at: content.exam.performed_at.local,
        right_mm: eye(Eye::Right),
        left_mm: eye(Eye::Left),
        compared_mm: shown.map(|row| row.measured_mm),
        expected_mm: shown
            .and_then(|row| row.expected())
            .map(|c| (c.lower_mm, c.upper_mm)),
        flagged: assessment.flagged,
        status: assessment.status,
        operator,
    }
}

/// The picture of what lies in the window.
#[must_use]
pub fn picture(points: &[Point], events: &[Event], window: Window) -> Markup {
    let shown: Vec<&Point> = points
        .iter()
        .filter(|point| window.holds(point.at))
        .collect();
    let [left, right, top, bottom] = FRAME;
    let axis = Widths::of(&shown);
    let [width, height] = SIZE;
    html! {
        svg viewBox=(format!("0 0 {width} {height}")) role="img" aria-labelledby="course-title"
            font-family="inherit" font-size="12" {
            title #course-title { (described(points, &shown, window)) }
            @for tick in axis.ticks() {
                @let y = number(axis.y(tick));
                line x1=(left) x2=(right) y1=(y) y2=(y) stroke="#ddd" stroke-width="1" {}
            }
            (axis.words())
            line x1=(left) x2=(right) y1=(bottom) y2=(bottom) stroke="#111" stroke-width="1" {}
            @for (at, words) in ticks(window) {
                @let x = number(window.x(at));
                line x1=(x) x2=(x) y1=(bottom) y2=(bottom + 5.0) stroke="#111" stroke-width="1" {}
                text x=(x) y=(bottom + 18.0) text-anchor="middle" fill="#444" { (words) }
            }
            @for event in events {
                @let at = event.date.and_time(NaiveTime::MIN);
                @if window.holds(at) {
                    @let x = window.x(at);
                    line x1=(number(x)) x2=(number(x)) y1=(top) y2=(bottom) stroke="#111" stroke-width="1"
                        stroke-dasharray="2 3" {}
                    @let is_right = x > right - 130.0;
                    text x=(number(if is_right { x - 4.0 } else { x + 4.0 })) y="14" fill="#111"
                        text-anchor=[is_right.then_some("end")] {
                        (event.kind.title())
                    }
                }
            }
            @for point in &shown { (mark(point, window, &axis)) }
            text x="4" y=(bottom + 38.0) fill="#444" { "operator" }
        }
        // The axis once more: on a narrow screen it stays in sight while the course is moved below it.
        svg.axis viewBox=(format!("0 0 {left} {height}")) aria-hidden="true" font-family="inherit"
            font-size="12" {
            rect width=(left) height=(bottom) fill="#fff" {}
            (axis.words())
        }
    }
}

fn mark(point: &Point, window: Window, axis: &Widths) -> Markup {
    let x = window.x(point.at);
    let of = |mm: Option<f64>| mm.filter(|mm| mm.abs() <= WIDEST_MM).map(|mm| axis.y(mm));
    let [.., bottom] = FRAME;
    html! {
        @if let Some((low, high)) = point.expected_mm {
            rect x=(number(x - 4.0)) y=(number(axis.y(high))) width="8"
                height=(number((axis.y(low) - axis.y(high)).max(1.0))) fill="#e4e4e4" stroke="#777"
                stroke-width="1" {}
        }
        @if let Some(y) = of(point.right_mm) {
            circle cx=(number(x)) cy=(number(y)) r="4" fill="#fff" stroke="#123a7a" stroke-width="1.6" {}
        }
        @if let Some(y) = of(point.left_mm) {
            rect x=(number(x - 3.6)) y=(number(y - 3.6)) width="7.2" height="7.2" fill="#fff"
                stroke="#8a5a00" stroke-width="1.6" {}
        }
        @if let Some(y) = of(point.compared_mm) {
            circle cx=(number(x)) cy=(number(y)) r="2.4" fill="#111" {}
            @if point.flagged {
                // Round the marks of the eyes, not over them.
                path d=(format!("M{} {} l17 28 h-34 z", number(x), number(y - 18.0))) fill="none"
                    stroke="#7a2150" stroke-width="2.4" {}
                // A white edge keeps lines of the grid out of the word.
                text x=(number(x)) y=(number(y - 22.0)) text-anchor="middle" fill="#111" font-weight="700"
                    stroke="#fff" stroke-width="3" paint-order="stroke" {
                    "rise"
                }
            }
        }
        text x=(number(x)) y=(bottom + 38.0) text-anchor="middle" fill="#111" { (point.operator) }
    }
}

/// No width of an eye is beyond this; a value that is comes from a mistake of units.
const WIDEST_MM: f64 = 100.0;

/// The axis of millimetres.
struct Widths {
    low: f64,
    high: f64,
    step: f64,
}

impl Widths {
    fn of(shown: &[&Point]) -> Widths {
        let values = shown.iter().flat_map(|point| {
            let interval = point
                .expected_mm
                .into_iter()
                .flat_map(|(low, high)| [low, high]);
            let measured = [point.right_mm, point.left_mm, point.compared_mm];
            measured.into_iter().flatten().chain(interval)
        });
        let (low, high) = values
            .filter(|mm| mm.abs() <= WIDEST_MM)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mm| {
                (low.min(mm), high.max(mm))
            });
        let (low, high) = if low <= high { (low, high) } else { (4.0, 6.0) };
        let short = (SHORTEST_MM - (high - low)).max(0.2) / 2.0;
        let (low, high) = (low - short, high + short);
        let step = [0.5, 1.0, 2.0, 5.0, 10.0, 50.0]
            .into_iter()
            .find(|step| (high - low) / step <= 8.0)
            .unwrap_or(100.0);
        Widths { low, high, step }
    }

    fn y(&self, mm: f64) -> f64 {
        let [_, _, top, bottom] = FRAME;
        bottom - (mm - self.low) / (self.high - self.low) * (bottom - top)
    }

    /// Its unit and numbers.
    fn words(&self) -> Markup {
        let [left, ..] = FRAME;
        html! {
            text x="4" y="14" fill="#444" { "mm" }
            @for tick in self.ticks() {
                text x=(left - 6.0) y=(number(self.y(tick) + 4.0)) text-anchor="end" fill="#444" {
                    (format!("{tick:.1}"))
                }
            }
        }
    }

    fn ticks(&self) -> Vec<f64> {
        let first = (self.low / self.step).ceil() as i64;
        let last = (self.high / self.step).floor() as i64;
        (first..=last).map(|n| n as f64 * self.step).collect()
    }
}

/// Moments with a tick, with their words: hours, days, months or years, as many as are legible.
fn ticks(window: Window) -> Vec<(NaiveDateTime, String)> {
    let hours = (window.to - window.from).num_hours();
    let fits = |step: &&i64| hours / **step <= MOST_TICKS;
    let midnight = |day: NaiveDate| day.and_time(NaiveTime::MIN);
    if let Some(step) = [1, 3, 6, 12, 24, 48, 168, 336].iter().find(fits) {
        let first = midnight(window.from.date());
        let all = std::iter::successors(Some(first), |at| {
            at.checked_add_signed(TimeDelta::hours(*step))
        });
        return all
            .skip_while(|at| *at < window.from)
            .take_while(|at| *at <= window.to)
            .map(|at| {
                let is_day = *step >= 24 || at.time() == NaiveTime::MIN;
                let words = if is_day {
                    at.format("%Y-%m-%d")
                } else {
                    at.format("%H:%M")
                };
                (at, words.to_string())
            })
            .collect();
    }
    let months = hours / 730;
    let step = [1, 2, 3, 6, 12, 24, 60, 120, 240]
        .into_iter()
        .find(|step| months / step <= MOST_TICKS)
        .unwrap_or(600);
    let month = |at: NaiveDateTime| i64::from(at.year()) * 12 + i64::from(at.month0());
    let first = month(window.from).div_euclid(step) * step;
    (0..=MOST_TICKS + 2)
        .filter_map(|n| {
            let month = first + n * step;
            let year = i32::try_from(month.div_euclid(12)).ok()?;
            let of_year = u32::try_from(month.rem_euclid(12)).ok()?;
            let at = midnight(NaiveDate::from_ymd_opt(year, of_year + 1, 1)?);
            let words = if step % 12 == 0 {
                at.format("%Y")
            } else {
                at.format("%Y-%m")
            };
            window.holds(at).then(|| (at, words.to_string()))
        })
        .collect()
}

/// One decimal is finer than a screen.
fn number(value: f64) -> String {
    format!("{value:.1}")
}

fn described(all: &[Point], shown: &[&Point], window: Window) -> String {
    let at = |at: NaiveDateTime| written(at.date(), Some(at.time()));
    let rises = shown.iter().filter(|point| point.flagged).count();
    format!(
        "{} of {} exams, from {} to {}; a rise was found in {rises}. The table below holds every value.",
        shown.len(),
        all.len(),
        at(window.from),
        at(window.to)
    )
}
