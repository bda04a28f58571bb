//! To which exam what people said belongs: an entry stays with the readings it was given for.

use super::Exam;
use crate::domain::{About, Label, OpeningPressure, Remark, RemarkCode};
use std::collections::{BTreeMap, BTreeSet};

/// Codes of remarks on entries that contradict each other: the exam may have been raised.
pub const CONTRADICTED: [RemarkCode; 2] = [
    RemarkCode::JoinedIdsContradict,
    RemarkCode::JoinedReadingsContradict,
];

/// What people said of a patient's exams.
#[derive(Debug, Clone, Copy, Default)]
pub struct Entries<'a> {
    /// Labels, each with what it is about.
    pub labels: &'a [(About, Label)],
    /// Opening pressures, each with what it is about.
    pub pressures: &'a [(About, OpeningPressure)],
    /// Readings whose exam serves nobody as baseline.
    pub left_out: &'a [About],
}

/// The exams of a person as entries find them.
pub struct Places<'a> {
    of_study: BTreeMap<&'a str, Vec<usize>>,
    of_object: BTreeMap<&'a str, Vec<usize>>,
    of_reading: BTreeMap<(&'a str, &'a str), usize>,
}

/// What an exam is made of, as entries name it.
pub struct Made<'a> {
    /// Study Instance UID.
    pub study: &'a str,
    /// SOP Instance UIDs of its reports.
    pub objects: Vec<&'a str>,
    /// Its readings: report, and place in it.
    pub readings: Vec<(&'a str, &'a str)>,
}

impl<'a> Places<'a> {
    /// Of these exams.
    #[must_use]
    pub fn of(exams: &'a [Exam]) -> Self {
        Places::made_of(exams.iter().map(|exam| {
            Made {
                study: &exam.study_instance_uid,
                objects: exam
                    .objects
                    .iter()
                    .map(|object| object.sop_instance_uid.as_str())
                    .collect(),
                readings: exam
                    .measurements
                    .iter()
                    .map(|one| (one.object.as_str(), one.value.place.as_str()))
                    .collect(),
            }
        }))
    }

    /// Of exams by what they are made of, numbered in their order.
    pub fn made_of(exams: impl IntoIterator<Item = Made<'a>>) -> Self {
        let mut places = Places {
            of_study: BTreeMap::new(),
            of_object: BTreeMap::new(),
            of_reading: BTreeMap::new(),
        };
        for (n, exam) in exams.into_iter().enumerate() {
            places.of_study.entry(exam.study).or_default().push(n);
            for uid in exam.objects {
                places.of_object.entry(uid).or_default().push(n);
            }
            for reading in exam.readings {
                places.of_reading.insert(reading, n);
            }
        }
        places
    }

    /// Which of the exams an entry is about: those that hold its readings; where none is there any
    /// more, those that hold the reports; else those of the study.
    #[must_use]
    pub fn exams(&self, about: &About) -> BTreeSet<usize> {
        let readings = about.readings.iter();
        let of_readings: BTreeSet<usize> = readings
            .clone()
            .filter_map(|one| {
                self.of_reading
                    .get(&(one.object.as_str(), one.place.as_str()))
            })
            .copied()
            .collect();
        if !of_readings.is_empty() {
            return of_readings;
        }
        let of_objects: BTreeSet<usize> = readings
            .filter_map(|one| self.of_object.get(one.object.as_str()))
            .flatten()
            .copied()
            .collect();
        if !of_objects.is_empty() {
            return of_objects;
        }
        let of_study = self.of_study.get(about.study_instance_uid.as_str());
        of_study.into_iter().flatten().copied().collect()
    }
}

/// Gives each exam the label and the opening pressure that belong to it, or says why it has none.
pub(super) fn give(exams: &mut [Exam], entries: Entries<'_>) {
    let places = Places::of(exams);
    let labels = given(&places, exams.len(), entries.labels);
    let pressures = given(&places, exams.len(), entries.pressures);
    // Said of several exams together it holds for each: what is left out hides no rise.
    let left_out: BTreeSet<usize> = entries
        .left_out
        .iter()
        .flat_map(|about| places.exams(about))
        .collect();
    for ((exam, labels), pressures) in exams.iter_mut().zip(&labels).zip(&pressures) {
        // Nobody said which of several was raised: each of them may have been, and none is known to
        // have been well.
        let raised =
            |label: &Label| matches!(label, Label::RaisedConfirmed | Label::AfterDecompression);
        let (label, remark) = labels.settled("label", |label| label.word().to_owned(), raised);
        exam.label = label;
        exam.remarks.extend(remark);
        let (pressure, remark) =
            pressures.settled("opening pressure", ToString::to_string, |_| false);
        exam.opening_pressure = pressure;
        exam.remarks.extend(remark);
    }
    for exam in left_out {
        if let Some(exam) = exams.get_mut(exam) {
            exam.left_out = true;
            exam.remarks.push(Remark::of(
                RemarkCode::LeftOut,
                "A person left this exam out of the baseline: later exams are not compared with it.",
            ));
        }
    }
}

/// One entry that concerns an exam.
struct Given<'a, T> {
    about: &'a About,
    entry: &'a T,
    /// How many exams it concerns.
    exams: usize,
}

/// The entries of one exam.
struct OfExam<'a, T>(Vec<Given<'a, T>>);

fn given<'a, T>(
    places: &Places<'_>,
    exams: usize,
    entries: &'a [(About, T)],
) -> Vec<OfExam<'a, T>> {
    let mut of: Vec<OfExam<'a, T>> = (0..exams).map(|_| OfExam(Vec::new())).collect();
    for (about, entry) in entries {
        let theirs = places.exams(about);
        for n in &theirs {
            if let Some(OfExam(given)) = of.get_mut(*n) {
                let exams = theirs.len();
                given.push(Given {
                    about,
                    entry,
                    exams,
                });
            }
        }
    }
    of
}

impl<T: Clone + PartialEq> OfExam<'_, T> {
    /// The one entry that counts for the exam, and what a reader must know. What was said of this
    /// exam alone goes before what was said of several; of that only what `for_each` keeps counts.
    fn settled(
        &self,
        what: &str,
        word: impl Fn(&T) -> String,
        for_each: impl Fn(&T) -> bool,
    ) -> (Option<T>, Option<Remark>) {
        let OfExam(given) = self;
        let mut own: Vec<&Given<'_, T>> = given.iter().filter(|one| one.exams == 1).collect();
        if own.is_empty() {
            own = given.iter().filter(|one| for_each(one.entry)).collect();
        }
        let Some(first) = own.first() else {
            let remark = given.first().map(|one| {
                let counts = "it counts for none of them";
                of_several(what, &word(one.entry), one.exams, counts)
            });
            return (None, remark);
        };
        let Some(other) = own.iter().find(|one| one.entry != first.entry) else {
            let remark = (first.exams > 1).then(|| {
                let counts = "it counts for each of them";
                of_several(what, &word(first.entry), first.exams, counts)
            });
            return (Some(first.entry.clone()), remark);
        };
        let remark = if first.about == other.about {
            Remark::of(
                RemarkCode::JoinedIdsContradict,
                format!(
                    "The exam has different {what}s under the ids that were joined; none is used."
                ),
            )
        } else {
            Remark::of(
                RemarkCode::JoinedReadingsContradict,
                format!(
                    "Readings that are one exam now were given different {what}s; none is used."
                ),
            )
        };
        (None, Some(remark.act("Say again what is right.")))
    }
}

fn of_several(what: &str, entry: &str, exams: usize, counts: &str) -> Remark {
    Remark::of(
        RemarkCode::EntryOfSeveralExams,
        format!("The {what} {entry} was given for {exams} exams of this study together; {counts}."),
    )
    .act("Say for which exam it is meant.")
}
