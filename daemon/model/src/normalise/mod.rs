//! Found values in millimetres: exact decimals, units, plausibility, technique, derived values.
//!
//! Nothing is repaired here. A value that cannot be trusted is kept, marked `usable = false`, and
//! its remark says why.

pub mod caliper;
pub mod derived;
pub mod plausible;
pub mod technique;
mod value;

#[cfg(test)]
mod tests;

pub use derived::{is_apart, settle};
pub use technique::Technique;

use crate::domain::{
    Geometry, Measurement, Millimetres, Moment, Quantity, Remark, RemarkCode, Severity,
};
use crate::extract::Found;
use crate::numbers::{as_sent, length_of};
use crate::sr::tree::Measured;
use crate::template::Vocabulary;

/// What a value is held against.
#[derive(Debug, Clone, Copy)]
pub struct Bounds<'a> {
    /// What units and other codes say.
    pub vocabulary: &'a Vocabulary,
    /// Limits of technique.
    pub technique: &'a Technique,
    /// Smallest and largest width a sheath can have.
    pub plausible: (Millimetres, Millimetres),
}

/// One found value, normalised. `observed_at` is its observation time, already parsed.
#[must_use]
pub fn normalise(found: &Found, observed_at: Option<Moment>, bounds: &Bounds<'_>) -> Measurement {
    let mut remarks = found.remarks.clone();
    let sent = value::read(found, bounds.vocabulary, &mut remarks);
    let value = sent.map(|sent| sent.length);
    let depth = length(&found.depths, "depth", bounds.vocabulary, &mut remarks);
    let angle = caliper::angle(&found.angles, &mut remarks);
    if found.quantity == Quantity::SheathDiameter {
        if let Some(value) = value {
            remarks.extend(plausible::remark(value, bounds.plausible));
            remarks.extend(plausible::maybe_nerve(value));
        }
        remarks.extend(depth.and_then(|depth| bounds.technique.depth_remark(depth)));
        if let Some((value, angle)) = value.zip(angle) {
            remarks.extend(bounds.technique.angle_remark(value, angle));
        }
    }
    for remark in &mut remarks {
        remark.place.get_or_insert_with(|| found.place.clone());
    }
    let measured = found.measured.as_ref();
    Measurement {
        quantity: found.quantity,
        eye: found.eye,
        value_mm: value,
        value_as_sent: measured.and_then(as_sent),
        step: sent.and_then(|sent| sent.step),
        unit_as_sent: measured
            .and_then(|measured| measured.unit.as_ref())
            .map(|unit| unit.value.clone()),
        plane: found.plane,
        depth_mm: depth,
        derivation: found.derivation,
        definition: found.definition,
        modality: found.modality,
        usable: !remarks
            .iter()
            .any(|remark| remark.severity == Severity::Blocking),
        place: found.place.clone(),
        rule: Some(found.rule.clone()),
        concept: found.concept.clone(),
        geometry: angle.map(|angle| Geometry {
            angle_deg: Some(angle),
            ..Geometry::default()
        }),
        pictures: found.pictures.clone(),
        caliper: found.caliper.clone(),
        observed_at,
        observed_day_only: false,
        time_point: None,
        observation_uid: found.observation_uid.clone(),
        remarks,
    }
}

/// A length that describes a value. Several at one level that differ contradict each other: none is
/// taken.
fn length(
    given: &[Option<Measured>],
    what: &str,
    vocabulary: &Vocabulary,
    remarks: &mut Vec<Remark>,
) -> Option<Millimetres> {
    if given.is_empty() {
        return None;
    }
    let read = given.iter().map(|one| length_of(one.as_ref()?, vocabulary));
    let mut read: Vec<Option<Millimetres>> = read.collect();
    read.dedup();
    let read = match read.as_slice() {
        [one] => *one,
        _ => {
            remarks.push(Remark::of(
                RemarkCode::DepthUnclear,
                format!("Several values for the {what} contradict each other; none is used."),
            ));
            return None;
        }
    };
    if read.is_none() {
        remarks.push(Remark::of(
            RemarkCode::DepthUnclear,
            format!("The {what} holds no readable length; it is not used."),
        ));
    }
    read
}
