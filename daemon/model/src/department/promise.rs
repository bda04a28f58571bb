//! Whether the present parameters keep their promise on exams of patients who were well.

use super::enough::Enough;
use super::interval::{Interval, mean_square_interval, wilson};
use super::patient::Patient;
use super::technique::{self, Share};
use crate::assess::{Exam, Parameters, rounded};
use serde::Serialize;

/// Well exams of which this many count for the present parameters when their scale is judged.
const WEIGHT_EXAMS: f64 = 20.0;

/// Well exams with a comparison, and what was said of them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Promise {
    /// Exams labelled `well` that were compared.
    pub exams: usize,
    /// Of these, flagged.
    pub flagged: usize,
    /// The share that the limit of the leading row promises.
    #[serde(serialize_with = "rounded::plain")]
    pub promised_share: f64,
    /// The share seen; `None` without exams.
    #[serde(serialize_with = "rounded::optional")]
    pub flagged_share: Option<f64>,
    /// Its 95 % interval (Wilson).
    pub flagged_interval: Option<Interval>,
    /// Mean square of z of the leading row; 1 when the parameters fit.
    #[serde(serialize_with = "rounded::optional")]
    pub mean_square_z: Option<f64>,
    /// Where it lies in 95 % when the parameters fit and exams are independent.
    pub mean_square_interval: Option<Interval>,
    /// Factor that the z suggest for all variances, pulled towards 1.
    #[serde(serialize_with = "rounded::plain")]
    pub variance_factor: f64,
}

/// Counts of well exams, person after person.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Kept {
    exams: usize,
    flagged: usize,
    squares: f64,
}

impl Kept {
    /// Adds the well exams of one person that `counts`.
    pub(super) fn add(&mut self, patient: &Patient, counts: impl Fn(&Exam) -> bool) {
        for (exam, answer) in patient.well() {
            let row = answer.rows.leading().and_then(|row| row.comparison);
            if let Some(row) = row.filter(|_| counts(exam)) {
                self.exams += 1;
                self.squares += row.z * row.z;
                self.flagged += usize::from(answer.flagged);
            }
        }
    }

    pub(super) fn finish(self, p: &Parameters) -> Promise {
        let Kept {
            exams,
            flagged,
            squares,
        } = self;
        let n = exams as f64;
        let some = exams > 0;
        Promise {
            exams,
            flagged,
            promised_share: 0.5 * libm::erfc(p.z_above * std::f64::consts::FRAC_1_SQRT_2),
            flagged_share: some.then(|| flagged as f64 / n),
            flagged_interval: some.then(|| wilson(flagged, exams)),
            mean_square_z: some.then(|| squares / n),
            mean_square_interval: some.then(|| mean_square_interval(exams)),
            variance_factor: (WEIGHT_EXAMS + squares) / (WEIGHT_EXAMS + n),
        }
    }
}

/// The promise beside what became of it, if there are exams enough.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Beside {
    /// Of the compared exams labelled `well` those flagged.
    pub flagged: Share,
    /// The share that the limit of the leading row promises.
    #[serde(serialize_with = "rounded::plain")]
    pub promised_share: f64,
    /// Mean square of z of the leading row; 1 when the parameters fit.
    pub mean_square_z: Enough<MeanSquare>,
}

/// A mean square of z.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeanSquare {
    /// The mean square.
    #[serde(serialize_with = "rounded::plain")]
    pub value: f64,
    /// Where it lies in 95 % when the parameters fit and exams are independent.
    pub usual: Interval,
}

impl From<Promise> for Beside {
    fn from(promise: Promise) -> Self {
        let square = promise.mean_square_z.zip(promise.mean_square_interval);
        Beside {
            flagged: Share::new(promise.flagged, promise.exams),
            promised_share: promise.promised_share,
            mean_square_z: Enough::of(promise.exams, technique::NEEDED, || {
                square.map(|(value, usual)| MeanSquare { value, usual })
            }),
        }
    }
}

impl Promise {
    pub(super) fn of(patients: &[Patient], p: &Parameters) -> Promise {
        let mut kept = Kept::default();
        for patient in patients {
            kept.add(patient, |_| true);
        }
        kept.finish(p)
    }
}
