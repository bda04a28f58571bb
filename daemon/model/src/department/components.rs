//! Why stable exams differ: exam to exam, another operator, another device.
//!
//! With dR and dL the changes of both eyes, dR dL / 2 has the mean common + operator (if it changed)
//! + device (if it changed), and (dR - dL)^2 / 4 less the reading variance has the mean specific.
//!
//! Common and specific are the parts of sigma_s squared that both eyes share and do not share.

use super::enough::Enough;
use super::interval::Interval;
use super::offsets::{Offset, Sizes, offsets};
use super::pairs::{Pair, Stop};
use crate::assess::{Parameters, rounded};
use nalgebra::{Matrix3, Vector3};
use serde::Serialize;

/// How many pairs the present parameters count for beside the department's own.
pub const WEIGHT_PAIRS: f64 = 50.0;

/// One variance component, mm squared.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Component {
    /// The estimate: data and present value together, never below zero.
    #[serde(serialize_with = "rounded::plain")]
    pub variance: f64,
    /// How much of it the data say, 0 to 1; the rest is the present value.
    #[serde(serialize_with = "rounded::plain")]
    pub data_share: f64,
    /// Standard error that the data leave in it.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error: f64,
    /// Pairs that bear on it.
    pub pairs: usize,
}

/// One component as an SD, if the data say at least as much of it as the present parameters.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Part {
    /// `exam_common`, `exam_specific`, `operator` or `device`.
    pub name: &'static str,
    /// Pairs of stable exams that bear on it.
    pub pairs: usize,
    /// Its size, with [`WEIGHT_PAIRS`] pairs.
    #[serde(flatten)]
    pub size: Enough<Size>,
}

/// The SD of a component, mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Size {
    /// The SD.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// 95 % interval.
    pub interval: Interval,
    /// How much of it the data say, 0 to 1.
    #[serde(serialize_with = "rounded::plain")]
    pub data_share: f64,
}

impl Part {
    fn new(name: &'static str, one: Component) -> Part {
        let variance = Interval::around(one.variance, one.standard_error);
        Part {
            name,
            pairs: one.pairs,
            size: Enough::of(one.pairs, WEIGHT_PAIRS as usize, || {
                Some(Size {
                    sd_mm: one.variance.sqrt(),
                    interval: Interval {
                        low: variance.low.max(0.0).sqrt(),
                        high: variance.high.sqrt(),
                    },
                    data_share: one.data_share,
                })
            }),
        }
    }
}

/// The variance components of a department.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Components {
    /// Exam to exam, shared by both eyes.
    pub common: Component,
    /// Exam to exam, of each eye alone.
    pub specific: Component,
    /// Operator offsets.
    pub operator: Component,
    /// Device offsets.
    pub device: Component,
}

impl Components {
    /// The present parameters, moved by the pairs.
    #[must_use]
    pub(super) fn of(pairs: &[Pair], p: &Parameters) -> Option<Components> {
        let session = p.sigma_s * p.sigma_s;
        let (common, operator, device) = shared(
            pairs,
            Vector3::new(
                p.rho_s * session,
                p.sigma_o * p.sigma_o,
                p.sigma_d * p.sigma_d,
            ),
        )?;
        Some(Components {
            common,
            operator,
            device,
            specific: specific(pairs, (1.0 - p.rho_s) * session),
        })
    }

    /// SD from exam to exam of one eye.
    #[must_use]
    pub fn sigma_s(&self) -> f64 {
        self.session().sqrt()
    }

    /// Share of `sigma_s` squared that both eyes have in common; `None` when there is none to share.
    #[must_use]
    pub fn rho_s(&self) -> Option<f64> {
        (self.session() > 0.0).then(|| self.common.variance / self.session())
    }

    /// Each as an SD.
    pub(super) fn parts(&self) -> Vec<Part> {
        vec![
            Part::new("exam_common", self.common),
            Part::new("exam_specific", self.specific),
            Part::new("operator", self.operator),
            Part::new("device", self.device),
        ]
    }

    /// Who reads high, and which device, weighed by these components.
    pub(super) fn offsets(&self, pairs: &[Pair], runs: &[Vec<Stop>]) -> Vec<Offset> {
        let variances = pairs.iter().map(|pair| pair.reading_variance / 8.0);
        let reading = variances.sum::<f64>() / pairs.len().max(1) as f64;
        let exam = self.common.variance + self.specific.variance / 2.0 + reading;
        offsets(
            runs,
            Sizes {
                operator: self.operator.variance.sqrt(),
                device: self.device.variance.sqrt(),
                exam: exam.sqrt(),
            },
        )
    }

    fn session(&self) -> f64 {
        self.common.variance + self.specific.variance
    }
}

/// Least squares of the mean products, with the present values as so many more pairs of each kind.
fn shared(pairs: &[Pair], present: Vector3<f64>) -> Option<(Component, Component, Component)> {
    let one_if = |differs: bool| if differs { 1.0 } else { 0.0 };
    // Who does not know whether the operator changed, says nothing here.
    let rows: Vec<(Vector3<f64>, f64)> = pairs
        .iter()
        .filter_map(|pair| {
            let [right, left] = pair.change;
            let x = Vector3::new(
                1.0,
                one_if(pair.operator_differs?),
                one_if(pair.device_differs?),
            );
            Some((x, (right * left - pair.drift) / 2.0))
        })
        .collect();
    let data: Matrix3<f64> = rows.iter().map(|(x, _)| x * x.transpose()).sum();
    let right: Vector3<f64> = rows.iter().map(|(x, y)| x * *y).sum();
    let prior = Matrix3::identity() * WEIGHT_PAIRS;
    let inverse = (data + prior).try_inverse()?;
    let estimate = inverse * (right + prior * present);
    let share = inverse * data;
    // Products of normal values have unequal variances: their own squares, not a common one.
    let scatter: Matrix3<f64> = rows
        .iter()
        .map(|(x, y)| x * x.transpose() * (y - x.dot(&estimate)).powi(2))
        .sum();
    let error = inverse * scatter * inverse;
    let changed = |which: usize| {
        let bears = |(x, _): &&(Vector3<f64>, f64)| x.iter().nth(which) == Some(&1.0);
        rows.iter().filter(bears).count()
    };
    let component = |which: usize| {
        let at = |values: nalgebra::Vector3<f64>| values.iter().nth(which).copied();
        Some(Component {
            variance: at(estimate)?.max(0.0),
            data_share: at(share.diagonal())?.clamp(0.0, 1.0),
            standard_error: at(error.diagonal())?.max(0.0).sqrt(),
            pairs: changed(which),
        })
    };
    Some((component(0)?, component(1)?, component(2)?))
}

/// The mean over pairs, with the present value as so many more.
fn specific(pairs: &[Pair], present: f64) -> Component {
    let values: Vec<f64> = pairs
        .iter()
        .map(|pair| {
            let [right, left] = pair.change;
            ((right - left).powi(2) - pair.reading_variance) / 4.0
        })
        .collect();
    let n = values.len() as f64;
    let variance = (values.iter().sum::<f64>() + WEIGHT_PAIRS * present) / (n + WEIGHT_PAIRS);
    let squares: f64 = values.iter().map(|value| (value - variance).powi(2)).sum();
    Component {
        variance: variance.max(0.0),
        data_share: n / (n + WEIGHT_PAIRS),
        standard_error: squares.sqrt() / (n + WEIGHT_PAIRS),
        pairs: values.len(),
    }
}
