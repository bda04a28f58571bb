//! Who is flagged: exams, compared exams and flags, by operator. A count, and no judgement.

use super::patient::Patient;
use super::subject::{Names, Subject};
use super::technique::Share;
use crate::assess::Exam;
use serde::Serialize;
use std::collections::BTreeMap;

/// Flags among the exams of one operator, or of all.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Flags {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams, whatever their label.
    pub exams: usize,
    /// Of these, those that were compared with a baseline.
    pub compared: usize,
    /// Of the compared ones those flagged.
    pub flagged: Share,
}

/// Counts exam after exam.
#[derive(Debug, Clone, Default)]
pub(super) struct Marks {
    by: BTreeMap<Subject, (usize, usize, usize)>,
}

impl Marks {
    /// Adds the exams of one person that `counts`.
    pub(super) fn add(
        &mut self,
        patient: &Patient,
        names: &mut Names,
        counts: impl Fn(&Exam) -> bool,
    ) {
        for exam in patient.history.exams.iter().filter(|exam| counts(exam)) {
            let Some(answer) = patient.answers.get(&exam.id) else {
                continue;
            };
            let leading = answer.rows.leading();
            let compared = leading.is_some_and(|row| row.comparison.is_some());
            for of in [Subject::Department, names.operator(exam.known_operator())] {
                let (exams, all, flagged) = self.by.entry(of).or_default();
                *exams += 1;
                *all += usize::from(compared);
                *flagged += usize::from(compared && answer.flagged);
            }
        }
    }

    pub(super) fn finish(self) -> Vec<Flags> {
        let each = self.by.into_iter();
        each.map(|(of, (exams, compared, flagged))| Flags {
            of,
            exams,
            compared,
            flagged: Share::new(flagged, compared),
        })
        .collect()
    }
}
