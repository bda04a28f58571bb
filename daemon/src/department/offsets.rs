//! Who reads high, and which device: random effects side by side, patients taken out exactly.

use super::pairs::Stop;
use super::subject::Subject;
use crate::assess::rounded;
use nalgebra::{DMatrix, DVector};
use serde::Serialize;
use std::collections::BTreeMap;

/// So many operators and devices have offsets at most, those with the most exams: the equations grow
/// with the square of them.
const MOST: usize = 1000;

/// How far an operator or device reads above the department's mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offset {
    /// Whose, as reports name it.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams that bear on it.
    pub exams: usize,
    /// Best linear unbiased prediction, mm; pulled towards zero when exams are few.
    #[serde(serialize_with = "rounded::plain")]
    pub offset_mm: f64,
    /// Its standard error, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_mm: f64,
}

/// The SDs that offsets are weighed by, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sizes {
    /// Between operators; 0: operators are taken to read alike.
    pub(super) operator: f64,
    /// Between devices; 0: devices are taken to read alike.
    pub(super) device: f64,
    /// Of the mean of both eyes of one exam, without operator and device.
    pub(super) exam: f64,
}

/// Offsets of all operators and devices named in runs: operators by name, then devices. Empty when
/// all are taken to read alike or nobody is named.
///
/// Solves (Z'MZ + D) b = Z'My, where Z says who measured with what, M takes the level of each run
/// away and D holds the ratios of variances: the mixed model equations of Henderson with fixed levels
/// absorbed. An exam whose operator or device is not known weighs less by that much variance.
pub(super) fn offsets(runs: &[Vec<Stop>], sizes: Sizes) -> Vec<Offset> {
    let exam = sizes.exam * sizes.exam;
    let variances = [sizes.operator, sizes.device].map(|sd| sd * sd);
    let exams = levels(runs, variances);
    let place: BTreeMap<&Subject, usize> = exams.keys().copied().zip(0..).collect();
    let size = place.len();
    let ratio = |of: &Subject| match of {
        Subject::Device(_) => exam / variances[1],
        _ => exam / variances[0],
    };
    let ratios: Vec<f64> = exams.keys().map(|of| ratio(of)).collect();
    if size == 0 || ratios.iter().any(|ratio| !ratio.is_finite()) {
        return Vec::new();
    }
    let mut left = DMatrix::from_diagonal(&DVector::from_vec(ratios));
    let mut right: DVector<f64> = DVector::zeros(size);
    for run in runs {
        let rows: Vec<Weighed> = run
            .iter()
            .map(|stop| Weighed::of(stop, &place, variances, exam))
            .collect();
        let all: f64 = rows.iter().map(|row| row.weight).sum();
        let level = rows.iter().map(|row| row.weight * row.y).sum::<f64>() / all;
        let mut turns: BTreeMap<usize, f64> = BTreeMap::new();
        for row in &rows {
            for at in row.at.iter().flatten() {
                *turns.entry(*at).or_default() += row.weight;
                if let Some(sum) = right.get_mut(*at) {
                    *sum += row.weight * (row.y - level);
                }
                for other in row.at.iter().flatten() {
                    add(&mut left, (*at, *other), row.weight);
                }
            }
        }
        for (at, own) in &turns {
            for (other, others) in &turns {
                add(&mut left, (*at, *other), -own * others / all);
            }
        }
    }
    let Some(cholesky) = left.cholesky() else {
        return Vec::new();
    };
    let b = cholesky.solve(&right);
    let c = cholesky.inverse();
    exams
        .into_iter()
        .zip(b.iter().zip(c.diagonal().iter()))
        .map(|((of, exams), (offset, c))| Offset {
            of: of.clone(),
            exams,
            offset_mm: *offset,
            standard_error_mm: sizes.exam * c.sqrt(),
        })
        .collect()
}

/// Who has an offset, with the number of exams.
fn levels(runs: &[Vec<Stop>], variances: [f64; 2]) -> BTreeMap<&Subject, usize> {
    let mut exams: BTreeMap<&Subject, usize> = BTreeMap::new();
    for stop in runs.iter().flatten() {
        for (of, variance) in stop.known().into_iter().zip(variances) {
            if let Some(of) = of.filter(|_| variance > 0.0) {
                *exams.entry(of).or_default() += 1;
            }
        }
    }
    if exams.len() > MOST {
        let mut most: Vec<(&Subject, usize)> = exams.into_iter().collect();
        most.sort_by_key(|(of, exams)| (std::cmp::Reverse(*exams), *of));
        most.truncate(MOST);
        exams = most.into_iter().collect();
    }
    exams
}

/// One exam in the equations.
struct Weighed {
    /// Where its operator and its device stand.
    at: [Option<usize>; 2],
    weight: f64,
    y: f64,
}

impl Weighed {
    fn of(
        stop: &Stop,
        place: &BTreeMap<&Subject, usize>,
        variances: [f64; 2],
        exam: f64,
    ) -> Weighed {
        let at = stop.known().map(|of| place.get(of?).copied());
        let unknown = at.iter().zip(variances).filter(|(at, _)| at.is_none());
        let variance: f64 = exam + unknown.map(|(_, variance)| variance).sum::<f64>();
        Weighed {
            at,
            weight: exam / variance,
            y: stop.y,
        }
    }
}

fn add(matrix: &mut DMatrix<f64>, at: (usize, usize), value: f64) {
    if let Some(entry) = matrix.get_mut(at) {
        *entry += value;
    }
}
