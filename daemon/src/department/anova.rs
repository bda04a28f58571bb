//! One-way random effects: scatter within groups and between them.

use super::interval::{Interval, sd_interval};
use serde::Serialize;

/// Analysis of variance of groups of values. Sums run twice over the data, so that values with many
/// equal leading digits lose nothing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Anova {
    /// Groups with at least one value.
    pub groups: usize,
    /// Values.
    pub values: usize,
    /// Sum of squares between groups.
    pub ss_between: f64,
    /// Sum of squares within groups.
    pub ss_within: f64,
    /// Mean square between groups; `None` with fewer than two.
    pub ms_between: Option<f64>,
    /// Mean square within groups.
    pub ms_within: f64,
    /// SD within groups.
    pub s_w: f64,
    /// 95 % interval of that SD.
    pub s_w_interval: Interval,
    /// Two values of one group differ by less than this in 95 % (Bland and Altman 1996).
    pub repeatability: f64,
    /// Share of the variance that lies between groups: ICC(1) of Shrout and Fleiss 1979, with n0 in
    /// place of the group size when groups differ in size.
    pub icc1: Option<f64>,
}

impl Anova {
    /// `None` unless some group has two values.
    #[must_use]
    pub fn of(groups: &[Vec<f64>]) -> Option<Anova> {
        let groups: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
        let values = groups.iter().map(|group| group.len()).sum::<usize>();
        let (count, n) = (groups.len(), values as f64);
        let within = values.checked_sub(count).filter(|df| *df > 0)?;
        // A value near all others takes the common digits away before anything is squared.
        let origin = *groups.first()?.first()?;
        let mean = |group: &[f64]| {
            group.iter().map(|value| value - origin).sum::<f64>() / group.len() as f64
        };
        let sum: f64 = groups
            .iter()
            .flat_map(|g| g.iter())
            .map(|v| v - origin)
            .sum();
        let grand = sum / n;
        let (mut ss_between, mut ss_within) = (0.0, 0.0);
        for group in &groups {
            let own = mean(group);
            ss_between += group.len() as f64 * (own - grand) * (own - grand);
            let squares = group.iter().map(|value| (value - origin - own).powi(2));
            ss_within += squares.sum::<f64>();
        }
        let ms_within = ss_within / within as f64;
        let ms_between = (count > 1).then(|| ss_between / (count - 1) as f64);
        let squares: f64 = groups
            .iter()
            .map(|group| (group.len() as f64).powi(2))
            .sum();
        let n0 = (n - squares / n) / (count as f64 - 1.0);
        let s_w = ms_within.sqrt();
        Some(Anova {
            groups: count,
            values,
            ss_between,
            ss_within,
            ms_between,
            ms_within,
            s_w,
            s_w_interval: sd_interval(ss_within, within as f64),
            repeatability: 1.96 * 2.0_f64.sqrt() * s_w,
            icc1: ms_between
                .map(|between| (between - ms_within) / (between + (n0 - 1.0) * ms_within))
                .filter(|icc| icc.is_finite()),
        })
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
