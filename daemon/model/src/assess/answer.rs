//! The answer: one exam compared with the patient's own baseline, with its arithmetic.
//!
//! Fields hold full precision. JSON is rounded, so that it is the same on every machine.

use super::{KnownErrors, Notice, PerEye, Reason, SetAside, Status, Unused, Why, rounded};
use crate::domain::{Eye, Plane};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// One exam compared with the baseline of the same patient.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Assessment {
    /// Id of the exam.
    pub assess: String,
    /// The worst of the rows, or why there is none.
    pub status: Status,
    /// Why there is no comparison with a baseline; `None` when there is one.
    pub reason: Option<Reason>,
    /// A rise was found: the status is a flagged one, or the value lies above even an interval that
    /// was too wide to compare ([`Notice::AboveWideInterval`]).
    pub flagged: bool,
    /// Right eye, left eye, mean of both.
    pub rows: Rows,
    /// Which comparison the status is that of; `None` without one, and in results made before it was
    /// told.
    #[serde(default)]
    pub decided_by: Option<DecidedBy>,
    /// What the baseline rests on; `None` only in results made before it was told.
    #[serde(default)]
    pub basis: Option<Basis>,
    /// What a reader must know, sorted.
    pub notices: Vec<Notice>,
    /// Ids of the baseline exams used, oldest first.
    pub baseline: Vec<String>,
    /// Earlier exams, and others of the same day, that were not used; oldest first.
    pub set_aside: Vec<SetAside>,
    /// There are more that were not used than are listed: those of this day and before. It stays the same
    /// when an older exam arrives, so that an exam is told the same however long the history behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside_until: Option<NaiveDate>,
    /// Years from the last baseline exam used.
    #[serde(serialize_with = "rounded::optional")]
    pub gap_years: Option<f64>,
    /// Planes that both sides rest on; empty without a comparison.
    pub planes: Vec<Plane>,
    /// The working, when it was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arithmetic: Option<Arithmetic>,
}

impl Assessment {
    /// No comparison, for a reason that lies outside the exam's own readings.
    #[must_use]
    pub fn not_comparable(exam: &str, reason: Reason) -> Self {
        Assessment {
            assess: exam.to_owned(),
            status: Status::NotComparable,
            reason: Some(reason),
            flagged: false,
            rows: Rows::default(),
            decided_by: None,
            basis: Some(Basis::None),
            notices: Vec::new(),
            baseline: Vec::new(),
            set_aside: Vec::new(),
            set_aside_until: None,
            gap_years: None,
            planes: Vec::new(),
            arithmetic: None,
        }
    }

    /// The same answer, unless it is flagged, as one that is not comparable for `reason`: a doubt
    /// about the exam takes away what it says of the absence of a rise, never a rise.
    #[must_use]
    pub fn unless_flagged(mut self, reason: Reason) -> Self {
        if self.flagged || self.rows.leading().is_none() {
            return self;
        }
        self.status = Status::NotComparable;
        self.reason = Some(reason);
        let rows = [
            &mut self.rows.right,
            &mut self.rows.left,
            &mut self.rows.both,
        ];
        for row in rows.into_iter().flatten() {
            row.comparison = None;
        }
        self.notices.retain(|notice| notice.is_of_the_exam());
        let unused = self.baseline.drain(..).map(|exam| SetAside {
            exam,
            reason: Why::Found(Unused::NoComparison),
        });
        self.set_aside.extend(unused);
        self.decided_by = None;
        self.basis = Some(Basis::None);
        self.gap_years = None;
        self.planes.clear();
        self
    }

    /// The row whose numbers explain the status, and which one it is; `None` without a comparison. In
    /// results made before it was told: the row that has the status.
    #[must_use]
    pub fn decided(&self) -> Option<(DecidedBy, &Row)> {
        let rows = &self.rows;
        let told = self
            .decided_by
            .and_then(|by| Some((by, rows.deciding(Some(by))?)));
        let all = [
            (DecidedBy::Both, &rows.both),
            (DecidedBy::Right, &rows.right),
            (DecidedBy::Left, &rows.left),
        ];
        let compared = || {
            let all = all.into_iter();
            all.filter_map(|(by, row)| Some((by, row.as_ref()?, (*row)?.comparison?)))
        };
        let of_status = || compared().find(|(_, _, c)| c.status == self.status);
        told.or_else(|| {
            let (by, row, _) = of_status().or_else(|| compared().next())?;
            Some((by, row))
        })
    }

    /// The same answer without its working.
    #[must_use]
    pub fn without_arithmetic(mut self) -> Self {
        self.arithmetic = None;
        self
    }
}

/// What a baseline rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// At least one baseline exam is labelled as one at which the pressure was not raised.
    Confirmed,
    /// Nobody has labelled any of the baseline exams.
    Provisional,
    /// There is no baseline.
    None,
}

impl Basis {
    /// The word used in JSON and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Basis::Confirmed => "confirmed",
            Basis::Provisional => "provisional",
            Basis::None => "none",
        }
    }
}

/// The comparison that a status is that of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecidedBy {
    /// The row of the right eye.
    Right,
    /// The row of the left eye.
    Left,
    /// The mean of both eyes.
    Both,
    /// The narrowest exam since the last event, whatever the rows say.
    SinceEvent,
}

impl DecidedBy {
    /// The word used in JSON and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            DecidedBy::Right => "right",
            DecidedBy::Left => "left",
            DecidedBy::Both => "both",
            DecidedBy::SinceEvent => "since_event",
        }
    }
}

/// The rows of an answer; `None` where an eye has no reading.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Rows {
    /// Right eye.
    pub right: Option<Row>,
    /// Left eye.
    pub left: Option<Row>,
    /// Mean of both eyes; `None` unless both were measured.
    pub both: Option<Row>,
}

impl Rows {
    /// The row of one eye.
    #[must_use]
    pub fn of(&self, eye: Eye) -> Option<&Row> {
        match eye {
            Eye::Right => self.right.as_ref(),
            Eye::Left => self.left.as_ref(),
        }
    }

    /// The row that decided a status; of one decided since an event, the leading one.
    #[must_use]
    pub fn deciding(&self, by: Option<DecidedBy>) -> Option<&Row> {
        let row = match by {
            Some(DecidedBy::Right) => self.right.as_ref(),
            Some(DecidedBy::Left) => self.left.as_ref(),
            Some(DecidedBy::Both) => self.both.as_ref(),
            Some(DecidedBy::SinceEvent) | None => self.leading(),
        };
        row.filter(|row| row.comparison.is_some())
    }

    /// The row that decides how small a rise could be seen: both eyes, or the only eye compared.
    #[must_use]
    pub fn leading(&self) -> Option<&Row> {
        let eyes = [&self.both, &self.right, &self.left].into_iter().flatten();
        let mut compared = eyes.filter(|row| row.comparison.is_some());
        compared.next()
    }
}

/// One row: what was measured and, if it can be compared, with what.
///
/// In JSON all names stand side by side; those of the comparison are null without one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "flat::Row", into = "flat::Row")]
pub struct Row {
    /// Value of the eye, or mean of both, mm.
    pub measured_mm: f64,
    /// The comparison, if there is one.
    pub comparison: Option<Comparison>,
    /// What was expected, where the interval is too wide to compare ([`Reason::IntervalTooWide`]): to be
    /// shown. In JSON these numbers stand in the place of a comparison's, without a status.
    pub too_wide: Option<Comparison>,
}

impl Row {
    /// What was expected, with or without a status.
    #[must_use]
    pub fn expected(&self) -> Option<Comparison> {
        self.comparison.or(self.too_wide)
    }

    /// The same row without a status of its own: too much is uncertain.
    #[must_use]
    pub(super) fn too_wide(self) -> Self {
        Row {
            measured_mm: self.measured_mm,
            comparison: None,
            too_wide: self.expected().map(Comparison::without_status),
        }
    }
}

/// Standard normal quantile of 0.8, two decimals: so many SD beyond its limit a true rise is found in
/// eight of ten exams.
pub(super) const EIGHT_OF_TEN: f64 = 0.84;

/// A measured value beside the one expected from the baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Expected from the baseline, mm.
    pub expected_mm: f64,
    /// SD of measured minus expected, mm.
    pub sd_mm: f64,
    /// (measured - expected) / sd.
    pub z: f64,
    /// Lower limit of the status, mm: expected - limit downwards x sd.
    pub lower_mm: f64,
    /// Upper limit of the status, mm: expected + smallest change.
    pub upper_mm: f64,
    /// measured - expected, mm.
    pub change_mm: f64,
    /// The change in percent of the expected value.
    pub change_percent: f64,
    /// Change needed for a flag, limit of this row x sd, mm: a true rise of this size is found in half
    /// of such exams.
    pub smallest_change_mm: f64,
    /// True rise that is found in eight of ten such exams, (limit + 0.84) x sd, mm.
    pub eight_of_ten_mm: f64,
    /// Chance of a value at least this high if nothing has changed; not that of raised pressure.
    pub probability_high: f64,
    /// What the row says on its own.
    pub status: Status,
}

impl Comparison {
    fn without_status(self) -> Self {
        Comparison {
            status: Status::NotComparable,
            ..self
        }
    }
}

/// The working of one answer: enough to redo it by hand. Matrix rows follow `observations`; columns
/// of two are right, left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Arithmetic {
    /// Baseline exams used, oldest first, then the assessed exam.
    pub exams: Vec<ExamWorking>,
    /// Eyes of baseline exams that entered.
    pub observations: Vec<Observation>,
    /// V: covariance of the observations, mm squared.
    #[serde(serialize_with = "rounded::matrix")]
    pub v: Vec<Vec<f64>>,
    /// c: covariance of each observation with this exam's eyes.
    #[serde(serialize_with = "rounded::pairs")]
    pub c: Vec<[f64; 2]>,
    /// C*: covariance of this exam's own eyes.
    #[serde(serialize_with = "rounded::pairs")]
    pub c_star: [[f64; 2]; 2],
    /// h = 1'V^-1 1.
    #[serde(serialize_with = "rounded::fine")]
    pub h: f64,
    /// m: the estimated level, mm.
    #[serde(serialize_with = "rounded::fine")]
    pub level_mm: f64,
    /// u = 1 - 1'V^-1 c.
    #[serde(serialize_with = "rounded::pair")]
    pub u: [f64; 2],
    /// Covariance of measured minus expected.
    #[serde(serialize_with = "rounded::pairs")]
    pub covariance: [[f64; 2]; 2],
    /// z of the right-left difference, when both eyes were compared.
    #[serde(serialize_with = "rounded::optional")]
    pub asymmetry_z: Option<f64>,
    /// How each candidate fitted the others when it was last judged; empty for a single one.
    pub screening: Vec<Fit>,
}

/// One exam in the working.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExamWorking {
    /// Id of the exam.
    pub exam: String,
    /// Years since the first baseline exam used.
    #[serde(serialize_with = "rounded::fine")]
    pub tau_years: f64,
    /// Age in years, if the birth date is known.
    #[serde(serialize_with = "rounded::optional")]
    pub age_years: Option<f64>,
    /// Growth expected since the first baseline exam used, mm.
    #[serde(serialize_with = "rounded::fine")]
    pub growth_mm: f64,
    /// How far its operator and its device are known to read above the others, mm.
    #[serde(
        default,
        serialize_with = "rounded::fine",
        skip_serializing_if = "rounded::is_zero"
    )]
    pub offset_mm: f64,
    /// What that is known from, with what else is known of its errors.
    #[serde(default, skip_serializing_if = "KnownErrors::is_empty")]
    pub known: KnownErrors,
    /// Events before the exam; those with no eligible exam between them count as one.
    pub epoch: u32,
    /// Value and variance of each eye.
    pub eyes: PerEye<Option<EyeWorking>>,
}

/// One eye of one exam in the working.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EyeWorking {
    /// Mean or median of the readings, as read, mm.
    #[serde(serialize_with = "rounded::fine")]
    pub value_mm: f64,
    /// Reading variance of that value, mm squared.
    #[serde(serialize_with = "rounded::fine")]
    pub variance: f64,
    /// Number of readings used.
    pub readings: usize,
    /// The readings spread wider than reading error explains.
    pub repeats_disagree: bool,
}

/// One observation of the baseline and what it weighs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Id of the exam.
    pub exam: String,
    /// The eye.
    pub eye: Eye,
    /// Value minus growth and known offsets, mm.
    #[serde(serialize_with = "rounded::fine")]
    pub y_mm: f64,
    /// Weight in the expected right eye, and in the left; each column sums to one.
    #[serde(serialize_with = "rounded::pair")]
    pub weights: [f64; 2],
}

/// How one baseline exam fits the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Id of the exam.
    pub exam: String,
    /// z of the exam against all others.
    #[serde(serialize_with = "rounded::fine")]
    pub z: f64,
    /// The same with operators and devices treated as unknown.
    #[serde(serialize_with = "rounded::fine")]
    pub z_unknown: f64,
}

/// [`Row`] as it stands in JSON.
mod flat {
    use super::{Comparison, EIGHT_OF_TEN, Status, rounded};
    use serde::{Deserialize, Serialize};

    #[derive(Serialize, Deserialize)]
    pub(super) struct Row {
        #[serde(serialize_with = "rounded::plain")]
        measured_mm: f64,
        #[serde(serialize_with = "rounded::optional")]
        expected_mm: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        sd_mm: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        z: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        lower_mm: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        upper_mm: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        change_mm: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        change_percent: Option<f64>,
        #[serde(serialize_with = "rounded::optional")]
        smallest_change_mm: Option<f64>,
        #[serde(default, serialize_with = "rounded::optional")]
        eight_of_ten_mm: Option<f64>,
        #[serde(serialize_with = "rounded::chance")]
        probability_high: Option<f64>,
        status: Option<Status>,
    }

    impl From<super::Row> for Row {
        fn from(row: super::Row) -> Self {
            let expected = row.expected();
            let of = |field: fn(&Comparison) -> f64| expected.as_ref().map(field);
            Row {
                measured_mm: row.measured_mm,
                expected_mm: of(|c| c.expected_mm),
                sd_mm: of(|c| c.sd_mm),
                z: of(|c| c.z),
                lower_mm: of(|c| c.lower_mm),
                upper_mm: of(|c| c.upper_mm),
                change_mm: of(|c| c.change_mm),
                change_percent: of(|c| c.change_percent),
                smallest_change_mm: of(|c| c.smallest_change_mm),
                eight_of_ten_mm: of(|c| c.eight_of_ten_mm),
                probability_high: of(|c| c.probability_high),
                status: row.comparison.map(|c| c.status),
            }
        }
    }

    impl From<Row> for super::Row {
        fn from(row: Row) -> Self {
            let comparison = || {
                Some(Comparison {
                    expected_mm: row.expected_mm?,
                    sd_mm: row.sd_mm?,
                    z: row.z?,
                    lower_mm: row.lower_mm?,
                    upper_mm: row.upper_mm?,
                    change_mm: row.change_mm?,
                    change_percent: row.change_percent?,
                    smallest_change_mm: row.smallest_change_mm?,
                    // Results made before it was told have the SD that it follows from.
                    eight_of_ten_mm: row
                        .eight_of_ten_mm
                        .unwrap_or(row.smallest_change_mm? + EIGHT_OF_TEN * row.sd_mm?),
                    probability_high: row.probability_high?,
                    status: row.status.unwrap_or(Status::NotComparable),
                })
            };
            super::Row {
                measured_mm: row.measured_mm,
                comparison: row.status.and_then(|_| comparison()),
                too_wide: comparison().filter(|_| row.status.is_none()),
            }
        }
    }
}
