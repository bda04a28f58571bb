//! How far two observations of one patient move together.

use super::Parameters;
use crate::domain::Eye;

/// What an exam shares with others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place<'a> {
    /// Tells the exam from the others of the comparison.
    pub(super) exam: usize,
    /// Years since the first baseline exam.
    pub(super) tau: f64,
    /// ln(age) minus that of the first baseline exam; `None` without a birth date.
    pub(super) log_growth: Option<f64>,
    /// Events before the exam.
    pub(super) epoch: u32,
    /// `None` is unknown and equal to nobody.
    pub(super) operator: Option<&'a str>,
    /// `None` is unknown and equal to no other.
    pub(super) device: Option<&'a str>,
    /// Variance of the operator's offset, mm squared: between operators, or what is left of a known one.
    pub(super) operator_variance: f64,
    /// The same of the device's.
    pub(super) device_variance: f64,
}

/// One eye of one exam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point<'a> {
    pub(super) place: Place<'a>,
    pub(super) eye: Eye,
    /// Reading variance; zero for an eye that was not measured.
    pub(super) variance: f64,
}

/// Covariance in mm squared around an unknown level.
///
/// Terms that add the same to every pair of one patient change no prediction, since the level is
/// unknown; so the time origin and the count of events before the first exam do not matter.
pub(super) fn covariance(a: &Point<'_>, b: &Point<'_>, p: &Parameters) -> f64 {
    let (at, bt) = (&a.place, &b.place);
    let same_exam = at.exam == bt.exam;
    let same_eye = a.eye == b.eye;
    let same = |x: Option<&str>, y: Option<&str>| same_exam || (x.is_some() && x == y);
    let if_so = |holds: bool, variance: f64| if holds { variance } else { 0.0 };

    let drift = p.q * at.tau.min(bt.tau);
    let growth = match (at.log_growth, bt.log_growth) {
        (Some(x), Some(y)) => p.growth_sd * p.growth_sd * x * y,
        _ => p.age_unknown_rate * p.age_unknown_rate * at.tau * bt.tau,
    };
    let step = p.sigma_step * p.sigma_step * f64::from(at.epoch.min(bt.epoch));
    let side = p.sigma_a * p.sigma_a / 4.0 * if same_eye { 1.0 } else { -1.0 };
    let operator = if_so(same(at.operator, bt.operator), at.operator_variance);
    let device = if_so(same(at.device, bt.device), at.device_variance);
    let session = p.sigma_s * p.sigma_s;
    let exam = if_so(same_exam, p.rho_s * session);
    let own = if_so(
        same_exam && same_eye,
        (1.0 - p.rho_s) * session + a.variance,
    );
    drift + growth + step + side + operator + device + exam + own
}
