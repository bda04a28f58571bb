//! Operators whose readings scatter otherwise than the department's.

use super::anova::Sums;
use super::enough::Enough;
use super::interval::Interval;
use super::patient::Patient;
use super::subject::{Names, Subject};
use crate::assess::rounded;
use serde::Serialize;
use std::collections::BTreeMap;

/// Degrees of freedom that make an own scatter worth showing: as many as the present `sigma_w` counts for.
const NEEDED: usize = 50;

/// SD of one reading of an operator, if there are readings enough.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scatter {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Repeated readings beyond the first of each exam, eye and plane.
    pub degrees_of_freedom: usize,
    /// The SD.
    #[serde(flatten)]
    pub own: Enough<Own>,
}

/// An operator's own SD of one reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Own {
    /// The SD, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sigma_w: f64,
    /// 95 % interval, mm.
    pub interval: Interval,
    /// The department's own SD lies outside of it.
    pub apart: bool,
}

/// Of every operator with repeated readings, by name; `sigma_w` is that of all together.
pub(super) fn scatters(patients: &[Patient], sigma_w: f64) -> Vec<Scatter> {
    let (mut names, mut sums) = (Names::default(), BTreeMap::<Subject, Sums>::new());
    for patient in patients {
        for exam in &patient.history.exams {
            let operator = names.operator(exam.known_operator());
            let told = patient.told.get(&exam.id);
            let groups = told.into_iter().flat_map(|told| &told.repeats);
            for group in groups.filter(|_| operator.name().is_some()) {
                sums.entry(operator.clone()).or_default().add(group);
            }
        }
    }
    let scatter = |(of, sums): (Subject, Sums)| {
        let degrees_of_freedom = sums.within().1;
        let own = || {
            let found = sums.finish()?;
            Some(Own {
                sigma_w: found.s_w,
                interval: found.s_w_interval,
                apart: !found.s_w_interval.holds(sigma_w),
            })
        };
        Scatter {
            own: Enough::of(degrees_of_freedom, NEEDED, own),
            degrees_of_freedom,
            of,
        }
    };
    sums.into_iter().map(scatter).collect()
}
