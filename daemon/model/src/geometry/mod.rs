//! Calipers checked against the pictures they were drawn in.
//!
//! [`against_pictures`] is a function of the set of a patient's objects: whether a picture came
//! before or after the report that refers to it leaves no trace. The number in the report is the
//! result and is never replaced; what the picture says can only add doubt. A line of a presentation
//! state has no number: there the length is the value, where picture and presentation state agree.

mod drawn;
mod judge;
mod presented;
mod scale;
mod seen;

pub use drawn::Drawn;
pub use scale::{Origin, Scale};

use crate::domain::{
    Derivation, Disposition, ImageFacts, Measurement, Millimetres, ObjectReading, Quantity,
    RemarkCode,
};
use crate::normalise::Technique;
use judge::Missing;
use std::collections::BTreeMap;

/// The same readings with caliper geometry worked out wherever report and picture are both there.
///
/// `readings` are of one patient key, in any order. Give it what was read, not what it returned.
/// `plausible` are the smallest and largest width a sheath can have.
#[must_use]
pub fn against_pictures(
    readings: &[ObjectReading],
    technique: &Technique,
    plausible: (Millimetres, Millimetres),
) -> Vec<ObjectReading> {
    let whole = pictures(readings);
    let images = whole.iter();
    let images = images.filter_map(|(uid, one)| Some((*uid, one.image.as_ref()?)));
    let images: BTreeMap<&str, &ImageFacts> = images.collect();
    let mut told: Vec<ObjectReading> = readings
        .iter()
        .map(|reading| {
            let mut reading = reading.clone();
            if waits_for_pictures(&reading) {
                presented::measure(&mut reading, &whole, plausible);
            } else {
                check(&mut reading, &images, technique);
            }
            reading
        })
        .collect();
    seen::once(&mut told);
    told
}

/// Whether values of it are lines of a presentation state, whose lengths their pictures tell.
#[must_use]
pub fn waits_for_pictures(reading: &ObjectReading) -> bool {
    reading.measurements.iter().any(is_presented)
}

/// Whether its value is the length of a line in a presentation state.
fn is_presented(measurement: &Measurement) -> bool {
    let caliper = measurement.caliper.as_ref();
    caliper.is_some_and(|caliper| caliper.presentation.is_some())
}

/// Pictures of the patient that can be trusted, by SOP Instance UID.
fn pictures(readings: &[ObjectReading]) -> BTreeMap<&str, &ObjectReading> {
    readings
        .iter()
        .filter(|reading| reading.disposition != Disposition::Quarantined)
        .filter(|reading| reading.image.is_some())
        .filter_map(|reading| Some((reading.sop_instance_uid.as_deref()?, reading)))
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
