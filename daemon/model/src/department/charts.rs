//! Control charts: whether a device or an operator reads as before.
//!
//! Charted is z of exams labelled `well`: measured less expected from the patient's own earlier
//! exams, over its SD. Growth, the patient's own width and the scatter that the comparison expects
//! are out of it; as long as nothing changes, such one-step errors are independent (they are the
//! innovations of the model).
//!
//! Nobody knows the level at which a device reads, so each z is set against the earlier ones of the
//! same chart: the Q statistic (J Qual Technol 1991;23:213, from memory), which is standard normal
//! whatever level and SD are. A device that has always read high so gives no signal; one that starts
//! to does.

use super::enough::Enough;
use super::subject::Subject;
use crate::assess::rounded;
use chrono::{Datelike, Days, NaiveDate};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Exams that make a chart.
pub const NEEDED: usize = 30;
/// The newest so many points are shown, and no others kept.
const SHOWN: usize = 200;

/// Limit of a single point: three SDs (Shewhart).
pub const SHEWHART: f64 = 3.0;
/// Weight of the newest point in the moving average.
pub const LAMBDA: f64 = 0.2;
/// Its limit in SDs of the average: one false signal in 500 exams (Technometrics
/// 1990;32:1).
pub const EWMA_SDS: f64 = 2.962;
/// What the cumulative sums forgive at each exam: half of a shift of one SD.
pub const CUSUM_SLACK: f64 = 0.5;
/// Their limit: one false signal in 465 exams (Introduction to
/// Statistical Quality Control, table of average run lengths).
pub const CUSUM_LIMIT: f64 = 5.0;

/// Where the moving average of independent standard normal values signals, from the first exam on.
#[must_use]
pub fn ewma_limit() -> f64 {
    EWMA_SDS * (LAMBDA / (2.0 - LAMBDA)).sqrt()
}

/// Which rule a signal broke.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// One point beyond three SDs.
    Shewhart,
    /// The moving average.
    Ewma,
    /// A cumulative sum.
    Cusum,
}

impl Rule {
    /// Every rule with the mean number of exams to a false signal.
    pub const ALL: [(Rule, f64); 3] = [
        (Rule::Shewhart, 370.4),
        (Rule::Ewma, 500.0),
        (Rule::Cusum, 465.0),
    ];

    /// Its name in tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Rule::Shewhart => "Shewhart",
            Rule::Ewma => "EWMA",
            Rule::Cusum => "CUSUM",
        }
    }
}

/// A rule was broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Signal {
    /// Which.
    pub rule: Rule,
    /// Reads higher than before; otherwise lower.
    pub higher: bool,
    /// Number of the exam in the chart, from 1.
    pub exam: usize,
    /// Monday of its week. No day: that would be a patient's.
    pub week: NaiveDate,
    /// Where it may have begun: the first exam of the run that led to it.
    pub since_exam: usize,
    /// Monday of that exam's week.
    pub since_week: NaiveDate,
}

/// One exam in a chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// Number of the exam, from 1.
    pub exam: usize,
    /// Monday of its week.
    pub week: NaiveDate,
    /// z of the exam against the patient's own earlier exams.
    #[serde(serialize_with = "rounded::plain")]
    pub z: f64,
    /// z against the earlier ones of the chart; `None` for the first two.
    #[serde(serialize_with = "rounded::optional")]
    pub q: Option<f64>,
    /// The moving average of q.
    #[serde(serialize_with = "rounded::plain")]
    pub ewma: f64,
    /// The cumulative sum upwards.
    #[serde(serialize_with = "rounded::plain")]
    pub cusum_high: f64,
    /// The cumulative sum downwards.
    #[serde(serialize_with = "rounded::plain")]
    pub cusum_low: f64,
}

/// The chart of one device or operator, or of the department.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Well exams charted, from the first one stored.
    pub exams: usize,
    /// Of these, in the period asked for.
    pub exams_in_period: usize,
    /// What it shows, with [`NEEDED`] exams.
    #[serde(flatten)]
    pub run: Enough<Run>,
}

/// What a chart shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Run {
    /// Signals in the period asked for, oldest first.
    pub signals: Vec<Signal>,
    /// Signals to be expected of so many exams of the period if nothing ever changes.
    #[serde(serialize_with = "rounded::plain")]
    pub signals_by_chance: f64,
    /// The newest points, oldest first.
    pub points: Vec<Point>,
}

/// Draws the chart of z in the order of time. `counts` tells which days are asked for: earlier exams
/// are what later ones are set against.
pub(super) fn chart(
    of: Subject,
    exams: &[(NaiveDate, f64)],
    counts: impl Fn(NaiveDate) -> bool,
) -> Chart {
    let inside = exams.iter().filter(|(day, _)| counts(*day)).count();
    Chart {
        of,
        exams: exams.len(),
        exams_in_period: inside,
        run: Enough::of(exams.len(), NEEDED, || {
            let (points, signals) = follow(exams);
            let days = |signal: &Signal| exams.get(signal.exam - 1).map(|(day, _)| *day);
            let rate: f64 = Rule::ALL.iter().map(|(_, length)| 1.0 / length).sum();
            Some(Run {
                signals: signals
                    .into_iter()
                    .filter(|signal| days(signal).is_some_and(&counts))
                    .collect(),
                signals_by_chance: inside as f64 * rate,
                points,
            })
        }),
    }
}

pub(super) fn follow(exams: &[(NaiveDate, f64)]) -> (Vec<Point>, Vec<Signal>) {
    let z: Vec<f64> = exams.iter().map(|(_, z)| *z).collect();
    let weeks: Vec<NaiveDate> = exams.iter().map(|(day, _)| week(*day)).collect();
    let of = |exam: usize| weeks.get(exam - 1).copied().unwrap_or_default();
    let (mut ewma, mut sums) = (Ewma::new(0.0, LAMBDA, ewma_limit()), sums());
    let (mut points, mut signals) = (Vec::new(), Vec::new());
    for (((at, z), q), week) in z.iter().enumerate().zip(against_earlier(&z)).zip(&weeks) {
        let exam = at + 1;
        let mut tell = |rule, broken: Option<(bool, usize)>| {
            signals.extend(broken.map(|(higher, since_exam)| Signal {
                rule,
                higher,
                exam,
                week: *week,
                since_exam,
                since_week: of(since_exam),
            }));
        };
        let (mut average, mut high, mut low) = (ewma.value, sums.high, sums.low);
        if let Some(q) = q {
            tell(
                Rule::Shewhart,
                (q.abs() > SHEWHART).then_some((q > 0.0, exam)),
            );
            let broken = ewma.step(q, exam);
            average = ewma.value;
            tell(Rule::Ewma, broken);
            if broken.is_some() {
                ewma = Ewma::new(0.0, LAMBDA, ewma_limit());
            }
            let broken = sums.step(q, exam);
            (high, low) = (sums.high, sums.low);
            tell(Rule::Cusum, broken);
            if broken.is_some() {
                sums = self::sums();
            }
        }
        // Now and then, so that it costs nothing.
        if points.len() >= 2 * SHOWN {
            points.drain(..SHOWN);
        }
        points.push(Point {
            exam,
            week: *week,
            z: *z,
            q,
            ewma: average,
            cusum_high: high,
            cusum_low: low,
        });
    }
    points.drain(..points.len().saturating_sub(SHOWN));
    (points, signals)
}

fn sums() -> Cusum {
    Cusum::new(0.0, CUSUM_SLACK, CUSUM_LIMIT)
}

/// Monday of the week of a day.
pub(super) fn week(day: NaiveDate) -> NaiveDate {
    let since = Days::new(day.weekday().num_days_from_monday().into());
    day.checked_sub_days(since).unwrap_or(day)
}

/// Exponentially weighted moving average, NIST/SEMATECH e-Handbook 6.3.2.4, with the limits of a
/// chart that has run for long.
#[derive(Debug, Clone)]
pub(super) struct Ewma {
    target: f64,
    lambda: f64,
    limit: f64,
    pub(super) value: f64,
    /// Exam after the one at which it last crossed the target.
    since: Option<(bool, usize)>,
}

impl Ewma {
    pub(super) fn new(target: f64, lambda: f64, limit: f64) -> Self {
        Ewma {
            target,
            lambda,
            limit,
            value: target,
            since: None,
        }
    }

    /// Takes one value and says whether the limit is passed: upwards, and since which exam.
    pub(super) fn step(&mut self, value: f64, exam: usize) -> Option<(bool, usize)> {
        self.value = self.lambda * value + (1.0 - self.lambda) * self.value;
        let above = self.value > self.target;
        if self.since.is_none_or(|(was, _)| was != above) {
            self.since = Some((above, exam));
        }
        let passed = (self.value - self.target).abs() > self.limit;
        self.since.filter(|_| passed)
    }
}

/// Tabular cumulative sums to both sides, NIST/SEMATECH e-Handbook 6.3.2.3.
#[derive(Debug, Clone)]
pub(super) struct Cusum {
    target: f64,
    slack: f64,
    limit: f64,
    pub(super) high: f64,
    pub(super) low: f64,
    /// Exams at which the sums last left zero.
    since: [usize; 2],
}

impl Cusum {
    pub(super) fn new(target: f64, slack: f64, limit: f64) -> Self {
        Cusum {
            target,
            slack,
            limit,
            high: 0.0,
            low: 0.0,
            since: [1; 2],
        }
    }

    /// Takes one value and says whether a limit is passed: upwards, and since which exam.
    pub(super) fn step(&mut self, value: f64, exam: usize) -> Option<(bool, usize)> {
        let apart = value - self.target;
        let [high_since, low_since] = &mut self.since;
        for (sum, step, since) in [
            (&mut self.high, apart, high_since),
            (&mut self.low, -apart, low_since),
        ] {
            if *sum <= 0.0 {
                *since = exam;
            }
            *sum = (*sum + step - self.slack).max(0.0);
        }
        let [high, low] = self.since;
        if self.high > self.limit {
            return Some((true, high));
        }
        (self.low > self.limit).then_some((false, low))
    }
}

/// Q of each value against all before it; `None` for the first two, and while those before are equal.
///
/// A value beyond three SDs enters what later ones are set against as three SDs, once ten values are
/// there: one gross error must not blunt the chart for ever.
pub(super) fn against_earlier(values: &[f64]) -> Vec<Option<f64>> {
    const STEADY: f64 = 10.0;
    let (mut n, mut mean, mut squares) = (0.0, 0.0, 0.0_f64);
    let mut all = Vec::with_capacity(values.len());
    for &value in values {
        let sd = (squares / (n - 1.0)).sqrt();
        let known = n >= 2.0 && sd > 0.0;
        all.push(known.then(|| q(value - mean, sd, n)).flatten());
        let most = SHEWHART * sd * (1.0 + 1.0 / n).sqrt();
        let enters = if known && n >= STEADY {
            value.clamp(mean - most, mean + most)
        } else {
            value
        };
        n += 1.0;
        let apart = enters - mean;
        mean += apart / n;
        squares += apart * (enters - mean);
    }
    all
}

/// Of a value so far from the mean of `n` others with that SD.
fn q(apart: f64, sd: f64, n: f64) -> Option<f64> {
    // Beyond this the tail cannot be told from nothing.
    const MOST: f64 = 8.0;
    let t = apart / (sd * (1.0 + 1.0 / n).sqrt());
    // The lower tail keeps its digits where the upper one is lost beside 1.
    let tail = StudentsT::new(0.0, 1.0, n - 1.0).ok()?.cdf(-t.abs());
    let q = -Normal::standard().inverse_cdf(tail);
    Some(q.min(MOST).copysign(apart))
}
