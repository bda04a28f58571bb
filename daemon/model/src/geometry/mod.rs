//! Calipers checked against the pictures they were drawn in.
//!
//! [`against_pictures`] is a function of the set of a patient's objects: whether a picture came
//! before or after the report that refers to it leaves no trace. The number in the report is the
//! result and is never replaced; what the picture says can only add doubt.

mod drawn;
mod judge;
mod scale;

pub use drawn::Drawn;
pub use scale::{Origin, Scale};

use crate::domain::{Derivation, Disposition, ImageFacts, ObjectReading, Quantity, RemarkCode};
use crate::normalise::Technique;
use judge::Missing;
use std::collections::BTreeMap;

/// The same readings with caliper geometry worked out wherever report and picture are both there.
///
/// `readings` are of one patient key, in any order. Give it what was read, not what it returned.
#[must_use]
pub fn against_pictures(readings: &[ObjectReading], technique: &Technique) -> Vec<ObjectReading> {
    let pictures = pictures(readings);
    readings
        .iter()
        .map(|reading| {
            let mut reading = reading.clone();
            check(&mut reading, &pictures, technique);
            reading
        })
        .collect()
}

/// Pictures of the patient that can be trusted, by SOP Instance UID.
fn pictures(readings: &[ObjectReading]) -> BTreeMap<&str, &ImageFacts> {
    readings
        .iter()
        .filter(|reading| reading.disposition != Disposition::Quarantined)
        .filter_map(|reading| {
            Some((
                reading.sop_instance_uid.as_deref()?,
                reading.image.as_ref()?,
            ))
        })
        .collect()
}

fn check(
    reading: &mut ObjectReading,
    pictures: &BTreeMap<&str, &ImageFacts>,
    technique: &Technique,
) {
    if reading.measurements.iter().all(|one| one.caliper.is_none()) {
        return;
    }
    let mut missing = Missing::default();
    for measurement in &mut reading.measurements {
        judge::judge(measurement, pictures, technique, &mut missing);
    }
    reading.remarks.extend(missing.remark());
    settle_depth(reading);
    let mut sheath = reading
        .measurements
        .iter()
        .filter(|one| one.quantity == Quantity::SheathDiameter)
        .filter(|one| one.derivation == Derivation::Single);
    if sheath.all(|one| one.geometry.is_some_and(|known| known.angle_deg.is_some())) {
        reading
            .remarks
            .retain(|remark| remark.code != RemarkCode::AngleUnknown);
    }
}

/// Takes the remark on an unknown depth away where all depths were worked out.
fn settle_depth(reading: &mut ObjectReading) {
    let mut sheath = reading
        .measurements
        .iter()
        .filter(|one| one.quantity == Quantity::SheathDiameter)
        .filter(|one| one.derivation == Derivation::Single);
    if sheath.all(|one| one.depth().is_some()) {
        reading
            .remarks
            .retain(|remark| remark.code != RemarkCode::DepthUnknown);
    }
}

#[cfg(test)]
mod tests;
