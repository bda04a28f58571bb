//! Two exams of one patient held against each other: nothing else bears on what they say.

use super::eligible::{Session, expired, same_borders, same_modality};
use super::model::{Identities, Setting, values};
use super::planes;
use super::{Apart, DecidedBy, Modality, Parameters};
use crate::domain::Eye;
use nalgebra::DVector;

/// A later exam minus an earlier one, on the eyes and planes that both have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// The mean over those eyes, growth in between taken off, mm.
    pub(super) mm: f64,
    /// Its SD when nothing happened in between, mm.
    pub(super) sd_mm: f64,
    /// The eye or eyes.
    pub(super) row: DecidedBy,
}

impl Pair {
    /// The difference in SDs.
    pub(super) fn z(&self) -> f64 {
        self.mm / self.sd_mm
    }
}

/// Holds `now` against `then`.
///
/// # Errors
/// Why the two cannot be compared.
pub(super) fn pair(then: &Session<'_>, now: &Session<'_>, p: &Parameters) -> Result<Pair, Apart> {
    if then.before_birth() || now.before_birth() {
        return Err(Apart::BeforeBirth);
    }
    if !same_modality(then.exam.modality, now.exam.modality) {
        return Err(Apart::ModalityDiffers);
    }
    if now.exam.modality != Modality::Ultrasound {
        return Err(Apart::NotUltrasound);
    }
    if then.usable.is_empty() || now.usable.is_empty() {
        return Err(Apart::NoUsableMeasurement);
    }
    if !same_borders(then.exam.definition, now.exam.definition) {
        return Err(Apart::DefinitionDiffers);
    }
    if expired(then.age, p) {
        return Err(Apart::Newborn);
    }
    let shared = |session: &Session<'_>, eye| !session.usable.readings.of(eye).is_empty();
    let both_have = |eye: &Eye| shared(then, *eye) && shared(now, *eye);
    if !Eye::BOTH.iter().any(both_have) {
        return Err(Apart::EyesDiffer);
    }
    let choice = planes::choose(&now.planes, &[then.planes]).ok_or(Apart::PlanesDiffer)?;
    let setting = Setting {
        parameters: p,
        episodes: &[],
        choice,
    };
    let observed = setting.observe(&[then, now], Identities::AsGiven);
    let eyes = Eye::BOTH.map(|eye| {
        let of_it = observed.iter().filter(|one| one.point.eye == eye);
        of_it.count() == 2
    });
    let (row, share) = match eyes {
        [true, true] => (DecidedBy::Both, 0.5),
        [true, false] => (DecidedBy::Right, 1.0),
        [false, true] => (DecidedBy::Left, 1.0),
        [false, false] => return Err(Apart::PlanesDiffer),
    };
    let weight = |one: &super::model::Observed<'_>| match (one.point.eye, eyes) {
        (Eye::Right, [false, _]) | (Eye::Left, [_, false]) => 0.0,
        _ if one.point.place.exam == 0 => -share,
        _ => share,
    };
    let weights = DVector::from_iterator(observed.len(), observed.iter().map(weight));
    Ok(Pair {
        mm: weights.dot(&values(&observed)),
        // Each exam has a reading error of its own, so the variance is never zero.
        sd_mm: weights.dot(&(setting.v(&observed) * &weights)).sqrt(),
        row,
    })
}
