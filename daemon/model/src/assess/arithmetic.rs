//! The working of a comparison, written out for a reader.

use super::PerEye;
use super::answer::{Arithmetic, ExamWorking, EyeWorking, Observation};
use super::compare::{Case, Compared};
use super::growth::years_between;
use super::summary::Summary;
use nalgebra::DMatrix;

pub(super) fn arithmetic(case: &Case<'_>, compared: &Compared<'_>) -> Arithmetic {
    let prediction = &compared.prediction;
    let origin = compared.kept.first().map_or(case.today, |first| *first);
    let sessions = compared.kept.iter().copied().chain([case.today]);
    let summaries = compared.summaries.iter().chain([&compared.measured]);
    let exams =
        sessions
            .zip(summaries)
            .zip(&compared.shifts)
            .map(|((session, summaries), shift)| ExamWorking {
                exam: session.exam.id.clone(),
                tau_years: years_between(origin.exam.date, session.exam.date),
                age_years: session.age,
                growth_mm: shift.growth,
                offset_mm: session.exam.known.offset_mm(),
                known: session.exam.known,
                epoch: shift.epoch,
                eyes: PerEye::from_fn(|eye| summaries.of(eye).map(eye_working)),
            });
    let ids: Vec<&str> = compared.kept.iter().map(|s| s.exam.id.as_str()).collect();
    let observations = compared.observed.iter().zip(pairs(&prediction.weights));
    Arithmetic {
        exams: exams.collect(),
        observations: observations
            .map(|(observed, weights)| Observation {
                exam: ids
                    .get(observed.point.place.exam)
                    .map(ToString::to_string)
                    .unwrap_or_default(),
                eye: observed.point.eye,
                y_mm: observed.y,
                weights,
            })
            .collect(),
        v: compared
            .field
            .v
            .row_iter()
            .map(|row| row.iter().copied().collect())
            .collect(),
        c: pairs(&compared.field.c).collect(),
        c_star: square(&compared.field.c_star),
        h: prediction.h,
        level_mm: prediction.level,
        u: two(prediction.u.iter().copied()),
        covariance: compared.expectation.covariance,
        asymmetry_z: compared.asymmetry_z,
        screening: compared.fits.clone(),
    }
}

fn eye_working(summary: Summary) -> EyeWorking {
    EyeWorking {
        value_mm: summary.as_read(),
        variance: summary.variance,
        readings: summary.readings,
        repeats_disagree: summary.disagree,
    }
}

/// Right and left of a matrix with these two columns, row by row.
fn pairs(matrix: &DMatrix<f64>) -> impl Iterator<Item = [f64; 2]> {
    matrix.row_iter().map(|row| two(row.iter().copied()))
}

fn square(matrix: &DMatrix<f64>) -> [[f64; 2]; 2] {
    let mut rows = pairs(matrix);
    let mut row = || rows.next().unwrap_or([f64::NAN; 2]);
    [row(), row()]
}

/// Right and left; targets are always these two.
fn two(mut values: impl Iterator<Item = f64>) -> [f64; 2] {
    let mut next = || values.next().unwrap_or(f64::NAN);
    [next(), next()]
}
