//! Within one exam and one eye: from readings to one value and its error variance.

pub(super) use crate::history::critical_factor;

use super::planes::Choice;
use super::{Exam, Parameters, PerEye};
use crate::domain::Plane;

/// One reading that may be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Reading {
    pub(super) um: i64,
    pub(super) plane: Plane,
}

/// The readings of an exam inside the plausible range, and how many were outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Usable {
    pub(super) readings: PerEye<Vec<Reading>>,
    pub(super) dropped: usize,
}

impl Usable {
    pub(super) fn of(exam: &Exam, parameters: &Parameters) -> Self {
        let least = (parameters.plausible_min * 1000.0).round() as i64;
        let most = (parameters.plausible_max * 1000.0).round() as i64;
        let mut dropped = 0;
        let readings = PerEye::from_fn(|eye| {
            let all = exam.eyes.of(eye);
            let planes = exam.planes.of(eye).as_deref().unwrap_or_default();
            let planes = planes
                .iter()
                .copied()
                .chain(std::iter::repeat(Plane::Unspecified));
            let kept: Vec<Reading> = all
                .iter()
                .zip(planes)
                .map(|(length, plane)| Reading {
                    um: length.um(),
                    plane,
                })
                .filter(|reading| (least..=most).contains(&reading.um))
                .collect();
            dropped += all.len() - kept.len();
            kept
        });
        Usable { readings, dropped }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.readings.right.is_empty() && self.readings.left.is_empty()
    }
}

/// One eye of one exam as one number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Summary {
    /// Without the known offsets of operator and device, mm.
    pub(super) value: f64,
    /// Those offsets, mm: the value as read is the sum of both.
    pub(super) offset: f64,
    /// Reading error alone, mm squared.
    pub(super) variance: f64,
    /// How many readings it rests on.
    pub(super) readings: usize,
    /// Readings of one plane spread wider than reading error explains.
    pub(super) disagree: bool,
}

impl Summary {
    /// As read, mm.
    pub(super) fn as_read(&self) -> f64 {
        self.value + self.offset
    }

    /// The same with so much of it known to be the operator's and the device's, mm.
    pub(super) fn less(self, offset: f64) -> Self {
        Summary {
            value: self.value - offset,
            offset: self.offset + offset,
            ..self
        }
    }
}

/// The value of one eye on the chosen planes; `None` when it has no readings there.
pub(super) fn summarise(
    readings: &[Reading],
    choice: Choice,
    parameters: &Parameters,
) -> Option<Summary> {
    let groups: Vec<Summary> = choice
        .groups(readings)
        .into_iter()
        .filter_map(|group| one_plane(group, parameters))
        .collect();
    if groups.is_empty() {
        return None;
    }
    let planes = groups.len() as f64;
    Some(Summary {
        value: groups.iter().map(|g| g.value).sum::<f64>() / planes,
        offset: 0.0,
        variance: groups.iter().map(|g| g.variance).sum::<f64>() / (planes * planes),
        readings: groups.iter().map(|g| g.readings).sum(),
        disagree: groups.iter().any(|g| g.disagree),
    })
}

/// Mean, or median when three or more readings disagree; whole micrometres in.
fn one_plane(mut um: Vec<i64>, parameters: &Parameters) -> Option<Summary> {
    um.sort_unstable();
    let (first, last) = (*um.first()?, *um.last()?);
    let count = um.len();
    let n = count as f64;
    let range = (last - first) as f64 / 1000.0;
    let reading = parameters.sigma_w * parameters.sigma_w;
    let rounding = parameters.resolution * parameters.resolution / 12.0;
    // The small addition keeps a range of exactly the critical range within it.
    let disagree = count > 1 && range > critical_factor(count) * parameters.sigma_w + 1e-9;
    let (value, variance) = if !disagree {
        (um.iter().sum::<i64>() as f64 / n / 1000.0, reading / n)
    } else if count == 2 {
        (
            um.iter().sum::<i64>() as f64 / n / 1000.0,
            range * range / 4.0,
        )
    } else {
        let median = um.get((count - 1) / 2)? + um.get(count / 2)?;
        (
            median as f64 / 2000.0,
            reading * std::f64::consts::PI / (2.0 * n),
        )
    };
    Some(Summary {
        value,
        offset: 0.0,
        variance: variance + rounding,
        readings: count,
        disagree,
    })
}
