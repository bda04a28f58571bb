//! One exam is of one kind of imaging: widths of different kinds are never pooled.

use super::ExamMeasurement;
use crate::domain::{Modality, Quantity, Remark, RemarkCode};
use std::collections::BTreeSet;

/// Sets aside what is of another kind than the exam, and returns the exam's kind.
///
/// Ultrasound is what is compared here, so where there is any, it is the exam's kind, and values of
/// which nothing is stated go with it. Beside values that are stated to be of another kind alone,
/// nobody can tell of what kind those others are. Several other kinds are never picked from.
pub(super) fn separate(measurements: &mut [ExamMeasurement]) -> Modality {
    let is_ours = |one: &ExamMeasurement| {
        let mut remarks = one.value.remarks.iter();
        one.value.quantity == Quantity::SheathDiameter
            && remarks.all(|remark| remark.code != RemarkCode::Superseded)
    };
    let of = |usable: bool| -> BTreeSet<Modality> {
        let values = measurements.iter().filter(|one| is_ours(one));
        let values = values.filter(|one| one.value.usable || !usable);
        values.map(|one| one.value.modality).collect()
    };
    let mut kinds = of(true);
    if kinds.is_empty() {
        kinds = of(false);
    }
    let stated: Vec<Modality> = kinds
        .iter()
        .copied()
        .filter(|kind| *kind != Modality::Unspecified)
        .collect();
    let exam = match stated.as_slice() {
        [] => Modality::Unspecified,
        [one] => *one,
        _ if kinds.contains(&Modality::Ultrasound) => Modality::Ultrasound,
        _ => Modality::Unresolved,
    };
    let silent_fits = matches!(exam, Modality::Ultrasound | Modality::Unspecified);
    for one in measurements.iter_mut().filter(|one| one.value.usable) {
        let own = one.value.modality;
        if own == exam || (own == Modality::Unspecified && silent_fits) {
            continue;
        }
        let text = match (own, exam) {
            (Modality::Unspecified, _) => {
                "How it was measured is not stated, and other values of this exam are not of \
                 ultrasound; it is not pooled with them."
                    .to_owned()
            }
            _ => format!(
                "Measured by {}, while other values of this exam were measured otherwise; they are \
                 not pooled.",
                own.title()
            ),
        };
        one.value
            .set_aside(Remark::of(RemarkCode::ModalityMixed, text).at(one.value.place.clone()));
    }
    exam
}
