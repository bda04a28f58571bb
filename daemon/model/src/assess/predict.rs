//! Universal kriging with an unknown constant level: from earlier values to the expected ones.
//!
//! General: it knows covariances and values, nothing of eyes.

use nalgebra::{DMatrix, DVector};

/// Covariances of n observations and m targets, and the observed values.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Field {
    /// V, n x n.
    pub(super) v: DMatrix<f64>,
    /// Values, n.
    pub(super) y: DVector<f64>,
    /// c, n x m: observations with targets.
    pub(super) c: DMatrix<f64>,
    /// C*, m x m: targets with each other.
    pub(super) c_star: DMatrix<f64>,
}

/// What the observations say of the targets.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Prediction {
    /// h = 1'V^-1 1.
    pub(super) h: f64,
    /// The level, 1'V^-1 y / h.
    pub(super) level: f64,
    /// u = 1 - 1'V^-1 c, m.
    pub(super) u: DVector<f64>,
    /// Expected values, m.
    pub(super) expected: DVector<f64>,
    /// Covariance of (observed - expected) of the targets, m x m.
    pub(super) covariance: DMatrix<f64>,
    /// Weight of each observation in each expected value, n x m; columns sum to one.
    pub(super) weights: DMatrix<f64>,
}

/// Solves the field. `None` when V is not positive definite, or nothing was observed.
pub(super) fn predict(field: &Field) -> Option<Prediction> {
    let n = field.y.len();
    if n == 0 {
        return None;
    }
    let cholesky = field.v.clone().cholesky()?;
    let ones = DVector::from_element(n, 1.0);
    let inverse_ones = cholesky.solve(&ones);
    let inverse_c = cholesky.solve(&field.c);
    let h = inverse_ones.sum();
    let level = inverse_ones.dot(&field.y) / h;
    let u = (field.c.transpose() * &inverse_ones).map(|known| 1.0 - known);
    let weights = &inverse_c + &inverse_ones * u.transpose() / h;
    let residual = field.y.map(|y| y - level);
    let expected = (inverse_c.transpose() * residual).map(|step| level + step);
    let covariance = &field.c_star - field.c.transpose() * &inverse_c + &u * u.transpose() / h;
    let finite = expected
        .iter()
        .chain(covariance.iter())
        .all(|x| x.is_finite());
    finite.then_some(Prediction {
        h,
        level,
        u,
        expected,
        covariance,
        weights,
    })
}

/// z of each group of observations against all the others: of the mean of its residuals when it
/// is predicted without itself. Groups list the rows of V. `None` when V cannot be inverted.
pub(super) fn leave_group_out(
    v: &DMatrix<f64>,
    y: &DVector<f64>,
    groups: &[Vec<usize>],
) -> Option<Vec<f64>> {
    let inverse = v.clone().cholesky()?.inverse();
    let ones = DVector::from_element(y.len(), 1.0);
    let inverse_ones = &inverse * &ones;
    let h = inverse_ones.sum();
    // P = V^-1 - V^-1 1 1'V^-1 / h: what is left once the level has been estimated.
    let p = &inverse - &inverse_ones * inverse_ones.transpose() / h;
    let py = &p * y;
    groups
        .iter()
        .map(|rows| {
            let p_kk = p.select_rows(rows).select_columns(rows);
            let w = p_kk.cholesky()?.inverse();
            let residual = &w * py.select_rows(rows);
            let z = residual.mean() * rows.len() as f64 / w.sum().sqrt();
            z.is_finite().then_some(z)
        })
        .collect()
}
