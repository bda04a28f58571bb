//! From exams to the matrices of the comparison.

use super::covariance::{Place, Point, covariance};
use super::eligible::Session;
use super::growth::{log_age, years_between};
use super::planes::Choice;
use super::predict::Field;
use super::summary::{Summary, summarise};
use super::{KnownOffset, Parameters, PerEye};
use crate::domain::Eye;
use chrono::NaiveDate;
use nalgebra::{DMatrix, DVector};

/// What all exams of one comparison have in common.
#[derive(Debug, Clone, Copy)]
pub(super) struct Setting<'a> {
    pub(super) parameters: &'a Parameters,
    /// First days of the episodes before today.
    pub(super) episodes: &'a [NaiveDate],
    pub(super) choice: Choice,
}

/// Whether operators and devices are taken as given or treated as unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Identities {
    AsGiven,
    Unknown,
}

/// One eye of one baseline exam, with its value less growth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Observed<'a> {
    pub(super) point: Point<'a>,
    pub(super) y: f64,
}

impl Setting<'_> {
    pub(super) fn summaries(&self, session: &Session<'_>) -> PerEye<Option<Summary>> {
        let (exam, site) = (session.exam, self.parameters);
        PerEye::from_fn(|eye| {
            let step = exam.step_mm.of(eye).unwrap_or(0.0);
            let own = Parameters {
                sigma_w: exam.known.sigma_w.unwrap_or(site.sigma_w),
                resolution: site.resolution.max(step),
                ..*site
            };
            let summary = summarise(session.usable.readings.of(eye), self.choice, &own)?;
            Some(summary.less(exam.known.offset_mm()))
        })
    }

    /// Place of an exam in time and among people and machines, counted from `origin`.
    pub(super) fn place<'a>(
        &self,
        number: usize,
        session: &Session<'a>,
        origin: &Session<'_>,
        identities: Identities,
    ) -> Place<'a> {
        let exam = session.exam;
        let known = identities == Identities::AsGiven;
        let p = self.parameters;
        let variance = |offset: Option<KnownOffset>, sd: f64| {
            offset.map_or(sd, |offset| offset.standard_error_mm).powi(2)
        };
        let log = |age: Option<f64>| age.map(|age| log_age(age, self.parameters));
        Place {
            exam: number,
            tau: years_between(origin.exam.date, exam.date),
            log_growth: log(session.age)
                .zip(log(origin.age))
                .map(|(now, then)| now - then),
            epoch: self
                .episodes
                .iter()
                .map(|day| u32::from(*day < exam.date))
                .sum(),
            operator: exam.known_operator().filter(|_| known),
            device: exam.known_device().filter(|_| known),
            operator_variance: variance(exam.known.operator, p.sigma_o),
            device_variance: variance(exam.known.device, p.sigma_d),
        }
    }

    /// Growth expected since the origin, mm; none without a birth date.
    pub(super) fn growth(&self, place: &Place<'_>) -> f64 {
        self.parameters.growth_g * place.log_growth.unwrap_or(0.0)
    }

    /// Every measured eye of the baseline exams, in their order; the first exam is the origin.
    pub(super) fn observe<'a>(
        &self,
        kept: &[&'a Session<'a>],
        identities: Identities,
    ) -> Vec<Observed<'a>> {
        let Some(origin) = kept.first() else {
            return Vec::new();
        };
        let exams = kept.iter().enumerate().map(|(number, session)| {
            let place = self.place(number, session, origin, identities);
            (place, self.summaries(session))
        });
        exams
            .flat_map(|(place, summaries)| {
                Eye::BOTH.into_iter().filter_map(move |eye| {
                    let summary = (*summaries.of(eye))?;
                    let point = Point {
                        place,
                        eye,
                        variance: summary.variance,
                    };
                    Some((point, summary.value))
                })
            })
            .map(|(point, value)| Observed {
                y: value - self.growth(&point.place),
                point,
            })
            .collect()
    }

    /// V of the observations.
    pub(super) fn v(&self, observed: &[Observed<'_>]) -> DMatrix<f64> {
        self.between(
            observed.iter().map(|o| &o.point),
            observed.iter().map(|o| &o.point),
        )
    }

    /// The whole field: the observations and both eyes of today.
    pub(super) fn field(&self, observed: &[Observed<'_>], today: &[Point<'_>; 2]) -> Field {
        let points = || observed.iter().map(|o| &o.point);
        Field {
            v: self.v(observed),
            y: values(observed),
            c: self.between(points(), today.iter()),
            c_star: self.between(today.iter(), today.iter()),
        }
    }

    fn between<'p>(
        &self,
        rows: impl ExactSizeIterator<Item = &'p Point<'p>>,
        columns: impl ExactSizeIterator<Item = &'p Point<'p>> + Clone,
    ) -> DMatrix<f64> {
        let (height, width) = (rows.len(), columns.len());
        let entries = rows.flat_map(|a| columns.clone().map(move |b| (a, b)));
        let entries = entries.map(|(a, b)| covariance(a, b, self.parameters));
        DMatrix::from_row_iterator(height, width, entries)
    }
}

/// The values of the observations.
pub(super) fn values(observed: &[Observed<'_>]) -> DVector<f64> {
    DVector::from_iterator(observed.len(), observed.iter().map(|o| o.y))
}
