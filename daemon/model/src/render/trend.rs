//! One patient's exams as a picture: what was measured, and what was expected each time.
//!
//! [`svg`] is pure and deterministic: the same [`Trend`] gives the same bytes, on any machine.
//! Nothing of the patient is in the picture but what the title and the notes say.
//!
//! A status is told by shape, colour and word together. The colours are dark blue, ochre, plum
//! and teal, which stay apart for colour-blind readers and in grey; none means "all is well".

mod canvas;
mod column;
mod layout;
mod marks;
mod of;
mod paint;

#[cfg(test)]
mod tests;

pub(crate) use canvas::{Anchor, Canvas, Drawing, Shape, describe};
pub(crate) use marks::{FRAME, HAIR, INK, QUIET, SMALL, TEXT};
pub use of::of_contents;

use crate::assess::Status;
use crate::domain::time::written;
use crate::domain::{Eye, Label};
use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};
use std::fmt::Write as _;

/// What stands below every picture.
pub const FOOT: &str = "Compared with the patient's own earlier exams. Not a diagnosis. \
                        'Within expected' does not exclude raised pressure.";

/// A gap between two exams is named in the picture when it is longer than this many days.
const LONG_GAP_DAYS: i64 = 365;

/// No width of an eye is beyond this; a value that is comes from a mistake of units.
const WIDEST_MM: f64 = 100.0;

/// A patient's exams and what happened between them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trend {
    /// First line of the picture. The only place for a name or an id, if one is wanted.
    pub title: String,
    /// Second line, smaller; may be empty.
    pub subtitle: String,
    /// The eye it is about; `None` for both and what was compared of them.
    pub eye: Option<Eye>,
    /// The exams, in any order.
    pub points: Vec<TrendPoint>,
    /// Dated facts with the words to show, in any order.
    pub events: Vec<(NaiveDate, String)>,
}

impl Trend {
    /// The same with the day on which the picture is made, for one that stands alone.
    #[must_use]
    pub fn made_on(mut self, day: NaiveDate) -> Self {
        let _ = write!(self.subtitle, "; made on {day}");
        self
    }
}

/// One exam. Widths in mm; a value that no eye can have (not within 100 mm of 0) is left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TrendPoint {
    /// The day of the exam.
    pub date: NaiveDate,
    /// The time of day, when it is told.
    pub time: Option<NaiveTime>,
    /// Nothing lies before it that it could have been compared with.
    pub first: bool,
    /// Mean of the right eye's readings.
    pub right_mm: Option<f64>,
    /// Mean of the left eye's readings.
    pub left_mm: Option<f64>,
    /// The value that was compared: mean of both eyes, or the only eye measured; in the trend of
    /// one eye, the value of that eye.
    pub both_mm: Option<f64>,
    /// The value expected from earlier exams.
    pub expected_mm: Option<f64>,
    /// Lower end of the expected interval.
    pub lower_mm: Option<f64>,
    /// Upper end of the expected interval.
    pub upper_mm: Option<f64>,
    /// The interval is too wide to compare: it is shown, and no status rests on it.
    pub too_wide: bool,
    /// The answer; `None` if the exam was not assessed.
    pub status: Option<Status>,
    /// The one eye that decided the answer, where both were compared: its marks tell it, and the
    /// compared value has the mark of its own row.
    pub deciding: Option<Deciding>,
    /// What a person said of the exam.
    pub label: Option<Label>,
    /// How operator or device differ from those of the exam before, in a few words.
    pub changed: Option<String>,
    /// One short remark.
    pub note: Option<String>,
}

/// The eye that decided, with its own numbers, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deciding {
    /// Which eye.
    pub eye: Eye,
    /// What was measured.
    pub mm: f64,
    /// The value expected.
    pub expected_mm: f64,
    /// Lower end of its interval.
    pub lower_mm: f64,
    /// Upper end of its interval.
    pub upper_mm: f64,
    /// What the row of both eyes says on its own.
    pub both: Status,
}

impl Deciding {
    fn is_drawable(&self) -> bool {
        let all = [self.mm, self.expected_mm, self.lower_mm, self.upper_mm];
        all.iter().all(|mm| mm.abs() <= WIDEST_MM)
    }
}

impl TrendPoint {
    /// The moment on the time axis, in days.
    fn day(&self) -> f64 {
        let time = self.time.map_or(0, |time| time.num_seconds_from_midnight());
        f64::from(self.date.num_days_from_ce()) + f64::from(time) / 86_400.0
    }

    /// Every value of the exam.
    fn values(&self) -> impl Iterator<Item = f64> {
        [
            self.right_mm,
            self.left_mm,
            self.both_mm,
            self.expected_mm,
            self.lower_mm,
            self.upper_mm,
        ]
        .into_iter()
        .flatten()
        .chain(
            self.deciding
                .iter()
                .flat_map(|one| [one.mm, one.lower_mm, one.upper_mm]),
        )
    }

    fn interval(&self) -> Option<(f64, f64)> {
        Some((self.lower_mm?, self.upper_mm?))
    }

    fn measured(&self) -> bool {
        self.right_mm.or(self.left_mm).or(self.both_mm).is_some()
    }

    /// The exam without values that would break the scale.
    fn drawable(&self) -> TrendPoint {
        let drawable = |value: Option<f64>| value.filter(|v| v.abs() <= WIDEST_MM);
        TrendPoint {
            right_mm: drawable(self.right_mm),
            left_mm: drawable(self.left_mm),
            both_mm: drawable(self.both_mm),
            expected_mm: drawable(self.expected_mm),
            lower_mm: drawable(self.lower_mm),
            upper_mm: drawable(self.upper_mm),
            deciding: self.deciding.filter(Deciding::is_drawable),
            ..self.clone()
        }
    }
}

/// What the picture is drawn for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Size {
    /// A picture of its own.
    Sheet,
    /// A figure within a page: narrower and lower, and only the marks it shows are explained.
    Figure,
}

/// The picture as a standalone SVG document.
#[must_use]
pub fn svg(trend: &Trend) -> String {
    draw(trend, Size::Sheet, "trend")
}

/// The picture as an `svg` element for a page. `id` starts the ids of its title and description,
/// so give each picture of a page another one.
#[must_use]
pub fn figure(trend: &Trend, id: &'static str) -> String {
    // HTML knows the element without its namespace.
    draw(trend, Size::Figure, id).replacen(" xmlns=\"http://www.w3.org/2000/svg\"", "", 1)
}

/// The axis of millimetres of that figure by itself, of the same height and scale: it stays in sight
/// where the figure is wider than the screen.
#[must_use]
pub fn axis(trend: &Trend) -> String {
    paint::axis(&sorted(trend))
        .replacen("<svg ", "<svg class=\"axis\" aria-hidden=\"true\" ", 1)
        .replacen(" xmlns=\"http://www.w3.org/2000/svg\"", "", 1)
}

/// The figure for a page that is no HTML.
pub(super) fn drawing(trend: &Trend) -> Drawing {
    paint::paint(&sorted(trend), Size::Figure).1
}

fn draw(trend: &Trend, size: Size, id: &str) -> String {
    let trend = sorted(trend);
    let (picture, _) = paint::paint(&trend, size);
    canvas::describe(&picture, id, &trend.title, &description(&trend))
}

/// The trend in the order of time, without values that would break the scale.
fn sorted(trend: &Trend) -> Trend {
    let mut trend = Trend {
        points: trend.points.iter().map(TrendPoint::drawable).collect(),
        ..trend.clone()
    };
    trend.points.sort_by_key(|point| (point.date, point.time));
    trend.events.sort();
    trend
}

/// A status in a word or two.
fn word(status: Option<Status>) -> &'static str {
    match status {
        Some(Status::WithinExpected) => "within",
        Some(Status::AboveExpected) => "above",
        Some(Status::WellAboveExpected) => "well above",
        Some(Status::BelowExpected) => "below",
        Some(Status::NoBaseline) => "no baseline",
        Some(Status::NotComparable) => "not comparable",
        None => "not assessed",
    }
}

/// The answer of an exam in a few words, with the eye that decided it.
fn answer(point: &TrendPoint) -> String {
    match &point.deciding {
        _ if point.first => "first exam".to_owned(),
        Some(one) => format!("{}, {} eye", word(point.status), one.eye.word()),
        None => word(point.status).to_owned(),
    }
}

fn label_words(label: Label) -> String {
    format!("label: {}", label.word().replace('_', " "))
}

/// Length of a gap, if it is long enough to be named.
fn long_gap(from: NaiveDate, to: NaiveDate) -> Option<String> {
    let days = (to - from).num_days();
    (days > LONG_GAP_DAYS).then(|| format!("{:.1} years", days as f64 / 365.25))
}

/// The whole picture in sentences, for readers who cannot see it.
fn description(trend: &Trend) -> String {
    let mut out = String::new();
    let _ = match trend.points.len() {
        0 => write!(out, "No exam to show."),
        1 => write!(out, "One exam."),
        count => write!(out, "{count} exams."),
    };
    let mut before: Option<NaiveDate> = None;
    for point in &trend.points {
        if let Some(years) = before.and_then(|before| long_gap(before, point.date)) {
            let _ = write!(out, " No exam for {years}.");
        }
        before = Some(point.date);
        let _ = write!(out, " {}:", written(point.date, point.time));
        let compared_value = trend.eye.map_or("compared value", Eye::word);
        for (name, value) in [
            ("right", point.right_mm),
            ("left", point.left_mm),
            (compared_value, point.both_mm),
            ("expected", point.expected_mm),
        ] {
            if let Some(mm) = value {
                let _ = write!(out, " {name} {mm:.2} mm,");
            }
        }
        if let Some((lower, upper)) = point.interval() {
            let wide = if point.too_wide {
                ", too wide to compare"
            } else {
                ""
            };
            let _ = write!(out, " expected interval {lower:.2} to {upper:.2} mm{wide},");
        }
        if !point.measured() {
            out.push_str(" no usable value,");
        }
        if let Some(one) = &point.deciding {
            let _ = write!(
                out,
                " {} eye {:.2} mm where {:.2} was expected ({:.2} to {:.2}) decides,",
                one.eye.word(),
                one.mm,
                one.expected_mm,
                one.lower_mm,
                one.upper_mm
            );
        }
        let _ = if point.first {
            write!(out, " first exam")
        } else {
            write!(out, " {}", word(point.status))
        };
        if point.status.is_some_and(compared) {
            out.push_str(" expected");
        }
        if let Some(label) = point.label {
            let _ = write!(out, ", {}", label_words(label));
        }
        for words in [&point.changed, &point.note].into_iter().flatten() {
            let _ = write!(out, ", {words}");
        }
        out.push('.');
    }
    for (date, event) in &trend.events {
        let _ = write!(out, " {date}: {event}.");
    }
    let _ = write!(out, " {FOOT}");
    out
}

/// Whether a status is the outcome of a comparison.
fn compared(status: Status) -> bool {
    !matches!(status, Status::NoBaseline | Status::NotComparable)
}
