//! Readings that a person took back: they are as if they had never come.

use super::{Content, Known};
use crate::domain::{About, ObjectReading, Remark, RemarkCode};
use crate::history::{self, Apart, Exam};
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

/// What was taken back: single values, and whole studies.
struct TakenBack<'a> {
    values: BTreeSet<(&'a str, &'a str)>,
    studies: BTreeSet<&'a str>,
}

impl<'a> TakenBack<'a> {
    fn of(all: &'a [About]) -> Self {
        let values = all.iter().flat_map(|about| &about.readings);
        let whole = all.iter().filter(|about| about.readings.is_empty());
        TakenBack {
            values: values
                .map(|one| (one.object.as_str(), one.place.as_str()))
                .collect(),
            studies: whole
                .map(|about| about.study_instance_uid.as_str())
                .collect(),
        }
    }

    fn holds(&self, study: &str, object: &str, place: &str) -> bool {
        self.studies.contains(study) || self.values.contains(&(object, place))
    }

    /// What is left of a report; `None` where nothing is.
    fn left_of(&self, reading: &ObjectReading) -> Option<ObjectReading> {
        let uid = reading.sop_instance_uid.as_deref().unwrap_or_default();
        let exam = reading.exam.as_ref();
        let study = exam.map_or("", |exam| exam.study_instance_uid.as_str());
        let mut left = reading.clone();
        left.measurements
            .retain(|one| !self.holds(study, uid, &one.place));
        let is_whole = left.measurements.len() == reading.measurements.len();
        (is_whole || left.holds_sheath_values()).then_some(left)
    }

    /// Whether all that an entry is about was taken back.
    fn holds_all(&self, about: &About) -> bool {
        let study = about.study_instance_uid.as_str();
        let mut readings = about.readings.iter();
        self.studies.contains(study)
            || !about.readings.is_empty()
                && readings.all(|one| self.holds(study, &one.object, &one.place))
    }
}

impl Known {
    /// What is known without what was taken back. What people said of readings that were taken back
    /// goes with them: else it would be told of another exam of the study.
    pub(super) fn without_taken_back(&self) -> Cow<'_, Known> {
        if self.taken_back.is_empty() {
            return Cow::Borrowed(self);
        }
        let taken = TakenBack::of(&self.taken_back);
        let mut known = self.clone();
        known.readings = self
            .readings
            .iter()
            .filter_map(|one| taken.left_of(one))
            .collect();
        known.labels.retain(|(about, _)| !taken.holds_all(about));
        known.pressures.retain(|(about, _)| !taken.holds_all(about));
        known.left_out.retain(|about| !taken.holds_all(about));
        known.taken_back.clear();
        Cow::Owned(known)
    }
}

/// Says of exams of which some readings were taken back, and others stand, how many went. A value that
/// another report had replaced counted for nothing, and is not told.
pub(super) fn tell_rest(exams: &mut [Exam], whole: &Known, apart: &Apart) {
    if whole.taken_back.is_empty() {
        return;
    }
    let taken = TakenBack::of(&whole.taken_back);
    let before = history::tell(&whole.readings, whole.entries(), apart);
    // Reading by reading: without those that went a study may fall into other sessions.
    let mut gone: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for exam in &before {
        let study = exam.study_instance_uid.as_str();
        let values = exam.measurements.iter();
        let (back, left): (Vec<_>, Vec<_>) =
            values.partition(|one| taken.holds(study, &one.object, &one.value.place));
        let counted = back.into_iter().filter(|one| {
            let mut remarks = one.value.remarks.iter();
            remarks.all(|remark| remark.code != RemarkCode::Superseded)
        });
        let counted = counted.count();
        if counted > 0 {
            let left = left.into_iter();
            gone.extend(left.map(|one| ((&*one.object, &*one.value.place), counted)));
        }
    }
    for exam in exams {
        let mut values = exam.measurements.iter();
        let went = values.find_map(|one| gone.get(&(&*one.object, &*one.value.place)));
        if let Some(went) = went {
            let values = if *went == 1 { "value" } else { "values" };
            exam.remarks.push(Remark::of(
                RemarkCode::TakenBackInPart,
                format!(
                    "A person took {went} {values} of this exam back as entered by mistake; the result \
                     rests on what is left."
                ),
            ));
        }
    }
}

/// The remark on a result that is withdrawn because a person took readings of it back.
pub(super) fn remark(content: &Content, all: &[About]) -> Option<Remark> {
    let taken = TakenBack::of(all);
    let study = &content.exam.study_instance_uid;
    let values = content.made().readings;
    let mut values = values.iter();
    values
        .any(|(object, place)| taken.holds(study, object, place))
        .then(|| {
            Remark::of(
                RemarkCode::TakenBack,
                "A person took its readings back as entered by mistake.",
            )
        })
}
