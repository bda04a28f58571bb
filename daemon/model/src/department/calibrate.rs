//! From the patients of a department to a proposal.

use super::anova::{Anova, Sums};
use super::components::{Component, Components};
use super::offsets::Against;
use super::pairs::{Stable, stable};
use super::patient::Patient;
use super::promise::Promise;
use super::scatters::{Scatter, scatters};
use crate::assess::{Parameters, QuestionError};
use serde::Serialize;

/// Degrees of freedom that the present `sigma_w` counts for beside the department's own.
const WEIGHT_READINGS: f64 = 50.0;
/// SDs are proposed in this range, which the configuration allows. An estimate of zero says that an
/// error is too small to be seen, not that there is none.
const SD_RANGE_MM: (f64, f64) = (0.01, 1.99);

/// What a department's data say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibration {
    /// Persons looked at.
    pub patients: usize,
    /// Pairs of consecutive stable exams.
    pub pairs: usize,
    /// Repeated readings within exams; `None` when there are none.
    pub readings: Option<Anova>,
    /// Variance components from the pairs.
    pub components: Components,
    /// What would change.
    pub proposals: [Proposal; 5],
    /// Who reads high: operators by name, then devices.
    pub offsets: Vec<Against>,
    /// Operators by name: SD of one reading.
    pub scatters: Vec<Scatter>,
    /// Whether the present parameters keep their promise.
    pub promise: Promise,
}

/// One parameter of the `[baseline]` table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Proposal {
    /// Its name in the table.
    pub name: &'static str,
    /// Its value now.
    pub now: f64,
    /// The value proposed, three decimals.
    pub proposed: f64,
    /// How much of it the data say, 0 to 1.
    pub data_share: f64,
    /// Standard error that the data leave in it, where it has a simple one.
    pub standard_error: Option<f64>,
}

impl Calibration {
    /// The present parameters with the proposed ones in their place.
    #[must_use]
    pub fn proposed(&self, now: &Parameters) -> Parameters {
        let [w, s, rho, o, d] = self.proposals.map(|proposal| proposal.proposed);
        Parameters {
            sigma_w: w,
            sigma_s: s,
            rho_s: rho,
            sigma_o: o,
            sigma_d: d,
            ..*now
        }
    }
}

/// Why there is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// The comparison refused its input.
    #[error("the comparison refused its input: {0}")]
    Question(#[from] QuestionError),
    /// The equations have no solution.
    #[error("the changes between exams are too large to calculate with")]
    NotFinite,
}

/// Estimates a department's errors and proposes parameters. `now` are the present ones, which the
/// estimates are pulled towards while the data are few.
///
/// # Errors
/// The present parameters cannot be used, or the data are out of all range.
pub fn calibrate(patients: &[Patient], now: &Parameters) -> Result<Calibration, CalibrationError> {
    now.check().map_err(QuestionError::from)?;
    let mut repeats = Sums::default();
    let told = patients.iter().flat_map(|patient| patient.told.values());
    for group in told.flat_map(|told| &told.repeats) {
        repeats.add(group);
    }
    let readings = repeats.finish();
    let sigma_w = sigma_w(readings.as_ref(), now);
    // Reading error is taken out of the changes as the department makes it.
    let own = Parameters {
        sigma_w: sigma_w.proposed,
        ..*now
    };
    let Stable { pairs, runs, known } = stable(patients, &own)?;
    let components = Components::of(&pairs, now).ok_or(CalibrationError::NotFinite)?;
    let rho_s = components.rho_s().unwrap_or(now.rho_s);
    let session_share = components
        .common
        .data_share
        .min(components.specific.data_share);
    let session_error = components
        .common
        .standard_error
        .hypot(components.specific.standard_error);
    let offsets = components.offsets(&pairs, &runs);
    let sigma_s = components.sigma_s();
    let proposals = [
        sigma_w,
        Proposal {
            name: "sigma_s",
            now: now.sigma_s,
            proposed: sd(sigma_s),
            data_share: session_share,
            standard_error: sd_error(sigma_s * sigma_s, session_error),
        },
        Proposal {
            name: "rho_s",
            now: now.rho_s,
            proposed: three(rho_s),
            data_share: session_share,
            standard_error: None,
        },
        of_sd("sigma_o", now.sigma_o, components.operator),
        of_sd("sigma_d", now.sigma_d, components.device),
    ];
    Ok(Calibration {
        patients: patients.len(),
        pairs: pairs.len(),
        readings,
        components,
        proposals,
        offsets: offsets
            .into_iter()
            .map(|one| {
                let known = known.get(&one.of).copied();
                Against::of(one, known)
            })
            .collect(),
        scatters: scatters(patients, sigma_w.proposed),
        promise: Promise::of(patients, now),
    })
}

/// Pooled over exams, eyes and planes, with the present value as so many more degrees of freedom.
fn sigma_w(readings: Option<&Anova>, now: &Parameters) -> Proposal {
    let (ss, df) = readings.map_or((0.0, 0.0), |a| (a.ss_within, a.df_within() as f64));
    let present = WEIGHT_READINGS * now.sigma_w * now.sigma_w;
    let variance = (ss + present) / (df + WEIGHT_READINGS);
    Proposal {
        name: "sigma_w",
        now: now.sigma_w,
        proposed: sd(variance.sqrt()),
        data_share: df / (df + WEIGHT_READINGS),
        standard_error: (df > 0.0)
            .then(|| variance.sqrt() * df.sqrt() / (2.0_f64.sqrt() * (df + WEIGHT_READINGS))),
    }
}

fn of_sd(name: &'static str, now: f64, component: Component) -> Proposal {
    Proposal {
        name,
        now,
        proposed: sd(component.variance.sqrt()),
        data_share: component.data_share,
        standard_error: sd_error(component.variance, component.standard_error),
    }
}

fn sd(value: f64) -> f64 {
    three(value.clamp(SD_RANGE_MM.0, SD_RANGE_MM.1))
}

/// More decimals would claim more than any department can know.
fn three(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// Standard error of a root; `None` near zero, where it has no use.
fn sd_error(variance: f64, error: f64) -> Option<f64> {
    let sd = variance.sqrt();
    (sd > SD_RANGE_MM.0).then(|| error / (2.0 * sd))
}
