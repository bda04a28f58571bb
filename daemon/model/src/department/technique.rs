//! What reports leave out, and how calipers lay, by device.

use super::enough::Enough;
use super::interval::{Interval, wilson};
use super::patient::Reported;
use super::subject::Subject;
use crate::assess::rounded;
use serde::Serialize;

/// Of so many a share is given: below, its interval says nothing.
pub const NEEDED: usize = 10;

/// So many of so many.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// How many.
    pub count: usize,
    /// Of how many.
    pub of: usize,
    /// The share, with [`NEEDED`] of them.
    #[serde(flatten)]
    pub share: Enough<Part>,
}

/// A share with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Part {
    /// Between 0 and 1.
    #[serde(serialize_with = "rounded::plain")]
    pub share: f64,
    /// 95 % interval (Wilson).
    pub interval: Interval,
}

impl Share {
    pub(super) fn new(count: usize, of: usize) -> Share {
        Share {
            count,
            of,
            share: Enough::of(of, NEEDED, || {
                Some(Part {
                    share: count as f64 / of as f64,
                    interval: wilson(count, of),
                })
            }),
        }
    }
}

/// The values of one device.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Technique {
    /// Which.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams.
    pub exams: usize,
    /// Values whose eye is not known, or contradicted.
    pub without_eye: Share,
    /// Values without a depth behind the globe, stated or worked out.
    pub without_depth: Share,
    /// Values without an angle, stated or worked out: nobody knows whether they are oblique.
    pub without_angle: Share,
    /// Of values with an angle those above the site's `angle_caution_deg`.
    pub oblique: Share,
}

/// Counts of values.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Values {
    exams: usize,
    values: usize,
    without_eye: usize,
    without_depth: usize,
    with_angle: usize,
    oblique: usize,
}

impl Values {
    pub(super) fn add(&mut self, told: &Reported) {
        self.exams += 1;
        self.values += told.values;
        self.without_eye += told.without_eye;
        self.without_depth += told.without_depth;
        self.with_angle += told.with_angle;
        self.oblique += told.oblique;
    }

    pub(super) fn finish(self, of: Subject) -> Technique {
        Technique {
            of,
            exams: self.exams,
            without_eye: Share::new(self.without_eye, self.values),
            without_depth: Share::new(self.without_depth, self.values),
            without_angle: Share::new(self.values - self.with_angle, self.values),
            oblique: Share::new(self.oblique, self.with_angle),
        }
    }
}
