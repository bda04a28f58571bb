//! Baselines measured at another depth behind the globe.

use crate::assess::Notice;
use crate::domain::Millimetres;
use crate::history::Exam;
use crate::normalise::Technique;
use crate::results::Content;

/// Adds the notice when a baseline exam lies further from the depth of this one than the site's caution.
pub(super) fn tell(result: &mut Content, exam: &Exam, exams: &[Exam], technique: &Technique) {
    let limit = Millimetres::from_mm(technique.depth_caution_mm);
    let (Some(today), Some(limit)) = (depth(exam), limit) else {
        return;
    };
    let baseline = exams.iter().filter(|other| {
        let mut used = result.baseline.iter();
        used.any(|one| one.exam == other.id)
    });
    // Whole micrometres, so that a quarter of a millimetre is no more than that.
    let apart = |other: &Exam| depth(other).is_some_and(|mm| (mm - today).abs() > limit.um());
    let notices = &mut result.assessment.notices;
    if baseline.into_iter().any(apart) && !notices.contains(&Notice::DepthDiffers) {
        notices.push(Notice::DepthDiffers);
        notices.sort_unstable();
    }
}

/// Median depth of the readings, as stated or worked out, whole micrometres; `None` when none is told.
fn depth(exam: &Exam) -> Option<i64> {
    let readings = exam.readings();
    let mut um: Vec<i64> = readings
        .filter_map(|one| one.depth_mm.or_else(|| one.geometry?.depth_mm))
        .map(Millimetres::um)
        .collect();
    um.sort_unstable();
    let (low, high) = (um.get(um.len().checked_sub(1)? / 2)?, um.get(um.len() / 2)?);
    Some(i64::midpoint(*low, *high))
}
