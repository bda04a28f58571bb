//! How finely the values of an exam were written down, from their digits.

use crate::assess::PerEye;
use crate::domain::{Eye, Measurement, Quantity};
use crate::history::{Exam, ExamMeasurement};
use std::collections::BTreeMap;

/// Rounding step of the readings of each eye, mm; `None` where digits do not tell it.
///
/// A sender that leaves noughts out writes 5.0 as 5, so values of one report and unit speak for each
/// other: the finest of them counts. Of several reports the coarsest one counts.
pub(super) fn steps(exam: &Exam) -> PerEye<Option<f64>> {
    let used = || {
        let all = exam.measurements.iter();
        all.filter(|one| one.value.usable && one.value.quantity == Quantity::SheathDiameter)
    };
    let sent = |one: &ExamMeasurement| (one.object.clone(), one.value.unit_as_sent.clone());
    // Nought: there is a value whose digits are not known.
    let step = |value: &Measurement| value.step.map_or(0.0, |step| step.mm());
    let mut finest: BTreeMap<_, f64> = BTreeMap::new();
    for one in used() {
        let own = step(&one.value);
        let known = finest.entry(sent(one)).or_insert(own);
        *known = known.min(own);
    }
    PerEye::from_fn(|eye: Eye| {
        let own = used().filter(|one| one.value.eye.eye() == Some(eye));
        let steps = own.filter_map(|one| finest.get(&sent(one)).copied());
        steps.reduce(f64::max).filter(|step| *step > 0.0)
    })
}
