//! One-way random effects: scatter within groups and between them.

use super::interval::{Interval, chi_square, f_limits, sd_interval};
use crate::assess::rounded;
use serde::Serialize;

/// Analysis of variance of groups of values.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Anova {
    /// Groups with at least one value.
    pub groups: usize,
    /// Values.
    pub values: usize,
    /// Sum of squares between groups.
    #[serde(serialize_with = "rounded::plain")]
    pub ss_between: f64,
    /// Sum of squares within groups.
    #[serde(serialize_with = "rounded::plain")]
    pub ss_within: f64,
    /// Mean square between groups; `None` with fewer than two.
    #[serde(serialize_with = "rounded::optional")]
    pub ms_between: Option<f64>,
    /// Mean square within groups.
    #[serde(serialize_with = "rounded::plain")]
    pub ms_within: f64,
    /// SD within groups.
    #[serde(serialize_with = "rounded::plain")]
    pub s_w: f64,
    /// 95 % interval of that SD.
    pub s_w_interval: Interval,
    /// Two values of one group differ by less than this in 95 % (Measurement error, BMJ
    /// 1996;313:744).
    #[serde(serialize_with = "rounded::plain")]
    pub repeatability: f64,
    /// 95 % interval of that.
    pub repeatability_interval: Interval,
    /// Share of the variance that lies between groups: ICC(1) (Psychol Bull 1979;86:420), with n0 in
    /// place of the group size when groups differ in size.
    #[serde(serialize_with = "rounded::optional")]
    pub icc1: Option<f64>,
    /// 95 % interval of that.
    pub icc1_interval: Option<Interval>,
    /// SD between groups, without what scatter within them adds; 0 when that explains all.
    #[serde(serialize_with = "rounded::optional")]
    pub s_between: Option<f64>,
    /// 95 % interval of that.
    pub s_between_interval: Option<Interval>,
}

/// Sums of an analysis of variance, group after group; no group is kept.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Sums {
    /// A value near all others takes the common digits away before anything is squared.
    origin: Option<f64>,
    groups: usize,
    values: usize,
    squared_sizes: f64,
    ss_within: f64,
    ss_between: f64,
    mean: f64,
}

impl Sums {
    pub(super) fn add(&mut self, group: &[f64]) {
        let Some(first) = group.first() else {
            return;
        };
        let origin = *self.origin.get_or_insert(*first);
        let n = group.len() as f64;
        let own = group.iter().map(|value| value - origin).sum::<f64>() / n;
        let squares = group.iter().map(|value| (value - origin - own).powi(2));
        self.ss_within += squares.sum::<f64>();
        self.groups += 1;
        self.values += group.len();
        self.squared_sizes += n * n;
        // Welford's updating formula, weighted: as good as a second run over the means.
        let apart = own - self.mean;
        self.mean += apart * n / self.values as f64;
        self.ss_between += n * apart * (own - self.mean);
    }

    /// Sum of squares within groups and its degrees of freedom.
    pub(super) fn within(&self) -> (f64, usize) {
        (self.ss_within, self.values - self.groups)
    }

    /// `None` unless some group has two values.
    pub(super) fn finish(&self) -> Option<Anova> {
        let (groups, values) = (self.groups, self.values);
        let within = values.checked_sub(groups).filter(|df| *df > 0)? as f64;
        let ms_within = self.ss_within / within;
        let between = groups.checked_sub(1).filter(|df| *df > 0);
        let n = values as f64;
        let spread = between.map(|df| {
            let df = df as f64;
            let n0 = (n - self.squared_sizes / n) / df;
            Between::of(self.ss_between, df, self.ss_within, within, n0)
        });
        let s_w = ms_within.sqrt();
        let s_w_interval = sd_interval(self.ss_within, within);
        Some(Anova {
            groups,
            values,
            ss_between: self.ss_between,
            ss_within: self.ss_within,
            ms_between: between.map(|df| self.ss_between / df as f64),
            ms_within,
            s_w,
            s_w_interval,
            repeatability: COEFFICIENT * s_w,
            repeatability_interval: s_w_interval.times(COEFFICIENT),
            icc1: spread.as_ref().and_then(|spread| spread.icc1),
            icc1_interval: spread.as_ref().and_then(|spread| spread.icc1_interval),
            s_between: spread.as_ref().and_then(|spread| spread.s_between),
            s_between_interval: spread.and_then(|spread| spread.s_between_interval),
        })
    }
}

/// 1.96 sqrt(2): two values of one group differ by less than so many SDs in 95 %.
const COEFFICIENT: f64 = 1.96 * std::f64::consts::SQRT_2;

/// What lies between groups.
struct Between {
    icc1: Option<f64>,
    icc1_interval: Option<Interval>,
    s_between: Option<f64>,
    s_between_interval: Option<Interval>,
}

impl Between {
    /// Intervals as Psychol Bull 1979;86:420 (ICC) and Biometrika 1962;49:278 (SD between groups; from
    /// memory) give them for groups of one size; with n0 in its place they are close, not exact.
    fn of(ss_between: f64, df_between: f64, ss_within: f64, df_within: f64, n0: f64) -> Between {
        let (between, within) = (ss_between / df_between, ss_within / df_within);
        let f = between / within;
        let icc = |f: f64| Some((f - 1.0) / (f + n0 - 1.0)).filter(|icc| icc.is_finite());
        let limits = f_limits(df_between, df_within);
        let chi_square = chi_square(df_between);
        Between {
            icc1: icc(f),
            icc1_interval: limits.and_then(|(low, high)| {
                Some(Interval {
                    low: icc(f / high)?,
                    high: icc(f / low)?,
                })
            }),
            s_between: Some(((between - within) / n0).max(0.0).sqrt()).filter(|s| s.is_finite()),
            s_between_interval: limits.zip(chi_square).map(|((low, high), (least, most))| {
                let sd = |limit: f64, chi: f64| {
                    let variance = ss_between * (1.0 - limit / f) / (n0 * chi);
                    if variance > 0.0 { variance.sqrt() } else { 0.0 }
                };
                Interval {
                    low: sd(high, most),
                    high: sd(low, least),
                }
            }),
        }
    }
}

impl Anova {
    /// `None` unless some group has two values.
    #[must_use]
    pub fn of(groups: &[Vec<f64>]) -> Option<Anova> {
        let mut sums = Sums::default();
        for group in groups {
            sums.add(group);
        }
        sums.finish()
    }

    /// Degrees of freedom within groups.
    #[must_use]
    pub fn df_within(&self) -> usize {
        self.values - self.groups
    }

    /// Ratio of the mean squares.
    #[must_use]
    pub fn f(&self) -> Option<f64> {
        self.ms_between.map(|between| between / self.ms_within)
    }
}
