//! 95 % intervals. Quantiles of the chi-square distribution come from `statrs`.

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// From `low` to `high`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Whether a value lies in it, ends included.
    #[must_use]
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// The 2.5 % and 97.5 % quantiles of chi-square.
fn chi_square(df: f64) -> (f64, f64) {
    ChiSquared::new(df).map_or((f64::NAN, f64::NAN), |chi_square| {
        (chi_square.inverse_cdf(0.025), chi_square.inverse_cdf(0.975))
    })
}

/// Of an SD, from a sum of squares with `df` degrees of freedom.
pub(super) fn sd_interval(sum_of_squares: f64, df: f64) -> Interval {
    let (low, high) = chi_square(df);
    Interval {
        low: (sum_of_squares / high).sqrt(),
        high: (sum_of_squares / low).sqrt(),
    }
}

/// Where the mean of `n` squared standard normal values lies.
pub(super) fn mean_square_interval(n: usize) -> Interval {
    let n = n as f64;
    let (low, high) = chi_square(n);
    Interval {
        low: low / n,
        high: high / n,
    }
}

/// Of a share (Wilson 1927, as in Newcombe 1998, without continuity correction).
pub(super) fn wilson(count: usize, of: usize) -> Interval {
    const Z: f64 = 1.959_963_984_540_054;
    let (x, n) = (count as f64, of as f64);
    let centre = (2.0 * x + Z * Z) / (2.0 * (n + Z * Z));
    let half = Z * (Z * Z + 4.0 * x * (1.0 - x / n)).sqrt() / (2.0 * (n + Z * Z));
    Interval {
        low: (centre - half).max(0.0),
        high: (centre + half).min(1.0),
    }
}
