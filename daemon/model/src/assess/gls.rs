//! Generalised least squares with a known covariance (Aitken's estimator): one number and its error.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// An estimate and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    pub(super) value: f64,
    pub(super) se: f64,
}

/// What explains the observations besides a constant level.
///
/// Fits `y = level + effect * x` with the covariance whose Cholesky factor is given and returns
/// the effect. `None` when `x` does not vary or the equations cannot be solved.
pub(super) fn effect(
    v: &Cholesky<f64, Dyn>,
    y: &DVector<f64>,
    x: &DVector<f64>,
) -> Option<Estimate> {
    let ones = DVector::from_element(y.len(), 1.0);
    let design = DMatrix::from_columns(&[ones, x.clone()]);
    let weighed = v.solve(&design);
    let information = design.transpose() * &weighed;
    let covariance = information.cholesky()?.inverse();
    let estimates = &covariance * (weighed.transpose() * y);
    let (value, variance) = (*estimates.get(1)?, *covariance.get((1, 1))?);
    let good = value.is_finite() && variance.is_finite() && variance > 0.0;
    good.then(|| Estimate {
        value,
        se: variance.sqrt(),
    })
}
