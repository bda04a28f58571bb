//! 95 % intervals. Quantiles of distributions come from `statrs`.

use crate::assess::rounded;
use serde::Serialize;
use statrs::distribution::{
    Binomial, ChiSquared, ContinuousCDF, DiscreteCDF, FisherSnedecor, StudentsT,
};

/// 97.5 % of the standard normal distribution.
const Z: f64 = 1.959_963_984_540_054;

/// From `low` to `high`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// Lower end.
    #[serde(serialize_with = "rounded::plain")]
    pub low: f64,
    /// Upper end.
    #[serde(serialize_with = "rounded::plain")]
    pub high: f64,
}

impl Interval {
    /// Whether a value lies in it, ends included.
    #[must_use]
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// Around an estimate with a normal error.
    #[must_use]
    pub fn around(value: f64, standard_error: f64) -> Interval {
        let half = Z * standard_error;
        Interval {
            low: value - half,
            high: value + half,
        }
    }

    /// Both ends so many times as large.
    #[must_use]
    pub fn times(self, factor: f64) -> Interval {
        Interval {
            low: factor * self.low,
            high: factor * self.high,
        }
    }
}

/// The 2.5 % and 97.5 % quantiles of chi-square; `None` without degrees of freedom.
pub(super) fn chi_square(df: f64) -> Option<(f64, f64)> {
    let chi_square = ChiSquared::new(df).ok()?;
    Some((chi_square.inverse_cdf(0.025), chi_square.inverse_cdf(0.975)))
}

/// The 2.5 % and 97.5 % quantiles of Fisher's F; `None` without degrees of freedom.
pub(super) fn f_limits(df_between: f64, df_within: f64) -> Option<(f64, f64)> {
    let f = FisherSnedecor::new(df_between, df_within).ok()?;
    Some((f.inverse_cdf(0.025), f.inverse_cdf(0.975)))
}

/// Of the mean of values with that SD, by Student's t; `None` with fewer than two.
pub(super) fn mean_interval(mean: f64, sd: f64, n: usize) -> Option<Interval> {
    let t = StudentsT::new(0.0, 1.0, n as f64 - 1.0).ok()?;
    let half = t.inverse_cdf(0.975) * sd / (n as f64).sqrt();
    Some(Interval {
        low: mean - half,
        high: mean + half,
    })
}

/// A quantile with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Quantile {
    /// The quantile, between neighbours in proportion (definition 7 of Sample quantiles
    /// in statistical packages, Am Stat 1996;50:361; from memory).
    #[serde(serialize_with = "rounded::plain")]
    pub value: f64,
    /// Two of the values themselves: whatever the distribution, they hold the quantile between them
    /// in at least 95 %.
    pub interval: Interval,
}

/// How many values it takes for such an interval: none may lie beyond all of them in more than
/// 2.5 %.
pub(super) fn needed_for(share: f64) -> usize {
    let tail = share.max(1.0 - share);
    (0.025_f64.ln() / tail.ln()).ceil() as usize
}

/// Of sorted values; `None` with fewer than [`needed_for`].
pub(super) fn quantile(sorted: &[f64], share: f64) -> Option<Quantile> {
    let n = sorted.len();
    let below = Binomial::new(share, n as u64).ok()?;
    // Ranks l and u from 1: the quantile lies from the l-th to the u-th value.
    let chance = |rank: usize| {
        rank.checked_sub(1)
            .map_or(0.0, |most| below.cdf(most as u64))
    };
    let l = partition(n, |rank| chance(rank) <= 0.025)?;
    let u = partition(n, |rank| chance(rank) < 0.975).map_or(1, |rank| rank + 1);
    let place = share * (n as f64 - 1.0);
    let (low, part) = (place.floor(), place.fract());
    let at = |index: f64| sorted.get(index as usize).copied();
    let lower = at(low)?;
    Some(Quantile {
        value: lower + part * (at(low + 1.0).unwrap_or(lower) - lower),
        interval: Interval {
            low: *sorted.get(l - 1)?,
            high: *sorted.get(u.checked_sub(1)?)?,
        },
    })
}

/// The last rank from 1 to `n` of which something holds, which holds of all before it too.
fn partition(n: usize, holds: impl Fn(usize) -> bool) -> Option<usize> {
    let (mut known, mut open) = (0, n + 1);
    while open - known > 1 {
        let middle = usize::midpoint(known, open);
        if holds(middle) {
            known = middle
        } else {
            open = middle
        }
    }
    (known > 0).then_some(known)
}

/// Of an SD, from a sum of squares with `df` degrees of freedom.
pub(super) fn sd_interval(sum_of_squares: f64, df: f64) -> Interval {
    let (low, high) = chi_square(df).unwrap_or((f64::NAN, f64::NAN));
    Interval {
        low: (sum_of_squares / high).sqrt(),
        high: (sum_of_squares / low).sqrt(),
    }
}

/// Where the mean of `n` squared standard normal values lies.
pub(super) fn mean_square_interval(n: usize) -> Interval {
    let n = n as f64;
    let (low, high) = chi_square(n).unwrap_or((f64::NAN, f64::NAN));
    Interval {
        low: low / n,
        high: high / n,
    }
}

/// Of a share: Wilson's score interval without continuity correction (Stat Med 1998;17:857).
pub(super) fn wilson(count: usize, of: usize) -> Interval {
    let (x, n) = (count as f64, of as f64);
    let centre = (2.0 * x + Z * Z) / (2.0 * (n + Z * Z));
    let half = Z * (Z * Z + 4.0 * x * (1.0 - x / n)).sqrt() / (2.0 * (n + Z * Z));
    Interval {
        low: (centre - half).max(0.0),
        high: (centre + half).min(1.0),
    }
}
