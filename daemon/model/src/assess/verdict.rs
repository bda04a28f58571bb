//! From expected values to rows and a status.

use super::answer::{Comparison, DecidedBy, EIGHT_OF_TEN, Row, Rows};
use super::normal::upper_tail;
use super::predict::Prediction;
use super::{Parameters, PerEye, Status};

/// Keeps a z that prints as exactly the limit on the side of the flag.
const HAIR: f64 = 1e-9;

/// z limits of one row.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Limits {
    above: f64,
    well: f64,
    below: f64,
}

impl Limits {
    /// For the mean of both eyes, or the only eye compared.
    fn leading(p: &Parameters) -> Self {
        Limits {
            above: p.z_above,
            well: p.z_well,
            below: p.z_below,
        }
    }

    /// For one eye of two.
    fn one_of_two(p: &Parameters) -> Self {
        Limits {
            above: p.z_eye_above,
            well: p.z_eye_well,
            below: p.z_eye_below,
        }
    }

    /// A change of exactly the change needed for a flag is flagged.
    fn status(self, z: f64) -> Status {
        if z + HAIR >= self.well {
            Status::WellAboveExpected
        } else if z + HAIR >= self.above {
            Status::AboveExpected
        } else if z - HAIR <= -self.below {
            Status::BelowExpected
        } else {
            Status::WithinExpected
        }
    }

    fn row(self, measured: f64, expected: f64, variance: f64) -> Row {
        let sd = variance.max(0.0).sqrt();
        let change = measured - expected;
        let z = change / sd;
        let smallest = self.above * sd;
        Row {
            measured_mm: measured,
            comparison: Some(Comparison {
                expected_mm: expected,
                sd_mm: sd,
                z,
                lower_mm: expected - self.below * sd,
                upper_mm: expected + smallest,
                change_mm: change,
                change_percent: 100.0 * change / expected,
                smallest_change_mm: smallest,
                eight_of_ten_mm: smallest + EIGHT_OF_TEN * sd,
                probability_high: upper_tail(z),
                status: self.status(z),
            }),
            too_wide: None,
        }
    }
}

/// Expected values and covariance as plain numbers, right then left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Expectation {
    pub(super) expected: [f64; 2],
    pub(super) covariance: [[f64; 2]; 2],
}

impl Expectation {
    /// Of a prediction with both eyes as targets; `None` for any other, or without a variance.
    pub(super) fn of(prediction: &Prediction) -> Option<Self> {
        let [right, left] = prediction.expected.as_slice() else {
            return None;
        };
        // Column by column; the matrix is symmetric.
        let [rr, lr, rl, ll] = prediction.covariance.as_slice() else {
            return None;
        };
        (*rr > 0.0 && *ll > 0.0).then_some(Expectation {
            expected: [*right, *left],
            covariance: [[*rr, *rl], [*lr, *ll]],
        })
    }

    /// With so much added for both eyes, mm: growth, or known offsets.
    pub(super) fn raised(self, mm: f64) -> Self {
        Expectation {
            expected: self.expected.map(|expected| expected + mm),
            ..self
        }
    }
}

/// Rows of a comparison; an eye that is `None` was not compared.
pub(super) fn rows(
    measured: PerEye<Option<f64>>,
    expectation: &Expectation,
    p: &Parameters,
) -> Rows {
    let [expected_right, expected_left] = expectation.expected;
    let [[rr, rl], [lr, ll]] = expectation.covariance;
    match (measured.right, measured.left) {
        (Some(right), Some(left)) => {
            let eye = Limits::one_of_two(p);
            Rows {
                right: Some(eye.row(right, expected_right, rr)),
                left: Some(eye.row(left, expected_left, ll)),
                both: Some(Limits::leading(p).row(
                    f64::midpoint(right, left),
                    f64::midpoint(expected_right, expected_left),
                    (rr + rl + lr + ll) / 4.0,
                )),
            }
        }
        (right, left) => Rows {
            right: right.map(|right| Limits::leading(p).row(right, expected_right, rr)),
            left: left.map(|left| Limits::leading(p).row(left, expected_left, ll)),
            both: None,
        },
    }
}

/// z of the right-left difference against the usual one; `None` unless both eyes were compared.
pub(super) fn asymmetry(measured: PerEye<Option<f64>>, expectation: &Expectation) -> Option<f64> {
    let [expected_right, expected_left] = expectation.expected;
    let [[rr, rl], [lr, ll]] = expectation.covariance;
    let difference = (measured.right? - expected_right) - (measured.left? - expected_left);
    Some(difference / (rr + ll - rl - lr).max(0.0).sqrt())
}

/// The worst of the rows (within, below, above, well above) and which row that is: of equals both
/// eyes, then the eye further out, then the right one.
pub(super) fn worst(rows: &Rows) -> (Status, Option<DecidedBy>) {
    let rank = |status: Status| match status {
        Status::WellAboveExpected => 3,
        Status::AboveExpected => 2,
        Status::BelowExpected => 1,
        _ => 0,
    };
    let all = [
        (DecidedBy::Left, &rows.left),
        (DecidedBy::Right, &rows.right),
        (DecidedBy::Both, &rows.both),
    ];
    let all = all.into_iter().filter_map(|(by, row)| {
        let compared = (*row)?.comparison?;
        let z = match by {
            DecidedBy::Both => f64::INFINITY,
            _ => compared.z.abs(),
        };
        Some((by, compared.status, z))
    });
    let worst = all.max_by(|(_, a, a_z), (_, b, b_z)| {
        rank(*a).cmp(&rank(*b)).then_with(|| a_z.total_cmp(b_z))
    });
    match worst {
        Some((by, status, _)) => (status, Some(by)),
        None => (Status::NotComparable, None),
    }
}
