//! Who reads high: operators as random effects, patients taken out exactly.

use super::pairs::Stop;
use nalgebra::{DMatrix, DVector};
use serde::Serialize;
use std::collections::BTreeMap;

/// How far an operator reads above the department's mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offset {
    /// The operator, as reports name them.
    pub operator: String,
    /// Exams that bear on it.
    pub exams: usize,
    /// Best linear unbiased prediction, mm; pulled towards zero when exams are few.
    pub offset_mm: f64,
    /// Its standard error, mm.
    pub standard_error_mm: f64,
}

/// Offsets of all operators named in runs, by name. `sigma_e` is the SD of an exam mean without the
/// operator. Empty when `sigma_o` is zero or nobody is named.
///
/// Solves (Z'MZ + I sigma_e^2 / sigma_o^2) b = Z'My, where Z says who measured and M takes the mean
/// of each run away: the mixed model equations of Henderson with fixed levels absorbed.
pub(super) fn offsets(runs: &[Vec<Stop>], sigma_o: f64, sigma_e: f64) -> Vec<Offset> {
    let mut exams: BTreeMap<&str, usize> = BTreeMap::new();
    for stop in runs.iter().flatten() {
        if let Some(operator) = &stop.operator {
            *exams.entry(operator).or_default() += 1;
        }
    }
    let place: BTreeMap<&str, usize> = exams.keys().copied().zip(0..).collect();
    let size = place.len();
    let ratio = (sigma_e / sigma_o).powi(2);
    if size == 0 || !ratio.is_finite() {
        return Vec::new();
    }
    let mut left: DMatrix<f64> = DMatrix::identity(size, size) * ratio;
    let mut right = DVector::zeros(size);
    for run in runs {
        let known: Vec<(usize, f64)> = run
            .iter()
            .filter_map(|stop| Some((*place.get(stop.operator.as_deref()?)?, stop.y)))
            .collect();
        let n = known.len() as f64;
        let mean = known.iter().map(|(_, y)| y).sum::<f64>() / n;
        let mut turns: DVector<f64> = DVector::zeros(size);
        for (operator, y) in &known {
            if let (Some(turn), Some(sum)) = (turns.get_mut(*operator), right.get_mut(*operator)) {
                *turn += 1.0;
                *sum += y - mean;
            }
        }
        if n > 0.0 {
            left += DMatrix::from_diagonal(&turns) - &turns * turns.transpose() / n;
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
        .map(|((operator, exams), (offset, c))| Offset {
            operator: operator.to_owned(),
            exams,
            offset_mm: *offset,
            standard_error_mm: sigma_e * c.sqrt(),
        })
        .collect()
}
