//! What the store knows of one person, as the estimates need it.

use crate::assess::{Assessment, Exam, History};
use crate::domain::{
    Derivation, Eye, Label, Measurement, Moment, Plane, Quantity, Remark, RemarkCode,
};
use crate::history;
use crate::results::{self, Known, ResultError, Site};
use std::collections::{BTreeMap, BTreeSet};

/// One person: exams, their results, and what their reports tell beside the widths.
#[derive(Debug, Clone)]
pub struct Patient {
    /// The exams.
    pub history: History,
    /// Results by exam id.
    pub answers: BTreeMap<String, Assessment>,
    /// What is told of each exam, by exam id.
    pub told: BTreeMap<String, Reported>,
}

/// What the reports of one exam tell beside the widths.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reported {
    /// When it was done.
    pub performed_at: Option<Moment>,
    /// Single readings of one eye in one plane, mm; two or more in each group.
    pub repeats: Vec<Vec<f64>>,
    /// Sheath values, used or not. Replaced and repeated ones, and means beside their readings, are
    /// no further values.
    pub values: usize,
    /// Of these, without an eye.
    pub without_eye: usize,
    /// Of these, without a depth, stated or worked out.
    pub without_depth: usize,
    /// Of these, with an angle, stated or worked out.
    pub with_angle: usize,
    /// Of these, further from straight across than the site's caution.
    pub oblique: usize,
}

/// The persons under one patient id.
#[derive(Debug, Clone, Default)]
pub struct Persons {
    /// One, unless exams are filed wrongly.
    pub patients: Vec<Patient>,
    /// Exams that contradict themselves or each other about whose they are; nobody has them.
    pub nobodys: usize,
}

impl Patient {
    /// The persons under one patient id.
    ///
    /// # Errors
    /// As [`results::of_patient`].
    pub fn all_of(known: &Known, site: &Site) -> Result<Persons, ResultError> {
        let mut answers: BTreeMap<String, Assessment> = results::of_patient(known, site)?
            .into_iter()
            .map(|content| (content.exam.id, content.assessment))
            .collect();
        // What is estimated here are errors of ultrasound, from exams whose day is known.
        let mut exams = results::exams(known, site);
        exams.retain(|exam| !exam.modality.is_foreign() && !exam.is_date_doubted());
        let ours: BTreeSet<&String> = exams.iter().map(|exam| &exam.id).collect();
        let mut told: BTreeMap<String, Reported> = exams
            .iter()
            .map(|exam| (exam.id.clone(), Reported::of(exam, site)))
            .collect();
        let persons = results::histories(known, site).into_iter();
        let patients = persons
            .map(|mut history| {
                history.exams.retain(|exam| ours.contains(&exam.id));
                let ids = || history.exams.iter().map(|exam| &exam.id);
                Patient {
                    answers: ids().filter_map(|id| answers.remove_entry(id)).collect(),
                    told: ids().filter_map(|id| told.remove_entry(id)).collect(),
                    history,
                }
            })
            .collect();
        Ok(Persons {
            patients,
            nobodys: told.len(),
        })
    }

    /// Exams labelled `well` with their results.
    pub(super) fn well(&self) -> impl Iterator<Item = (&Exam, &Assessment)> {
        let exams = self.history.exams.iter();
        let well = exams.filter(|exam| exam.label == Some(Label::Well));
        well.filter_map(|exam| Some((exam, self.answers.get(&exam.id)?)))
    }
}

impl Reported {
    fn of(exam: &history::Exam, site: &Site) -> Reported {
        let mut told = Reported {
            performed_at: Some(exam.performed_at),
            repeats: repeats(exam),
            ..Reported::default()
        };
        let values = exam.measurements.iter().map(|one| &one.value);
        for value in values.filter(|value| counts(value)) {
            let geometry = value.geometry.unwrap_or_default();
            let depth = value.depth_mm.or(geometry.depth_mm);
            told.values += 1;
            told.without_eye += usize::from(value.eye.eye().is_none());
            told.without_depth += usize::from(depth.is_none());
            told.with_angle += usize::from(geometry.angle_deg.is_some());
            let caution = site.technique.angle_caution_deg;
            told.oblique += usize::from(geometry.angle_deg.is_some_and(|deg| deg > caution));
        }
        told
    }
}

/// Whether it is a sheath value of its own.
fn counts(value: &Measurement) -> bool {
    let again = |remark: &Remark| {
        remark.code == RemarkCode::Superseded || remark.code == RemarkCode::ObservationSeen
    };
    value.quantity == Quantity::SheathDiameter
        && (value.usable || value.derivation == Derivation::Single)
        && !value.remarks.iter().any(again)
}

/// Repeated readings. Means and medians are no readings: they scatter less.
fn repeats(exam: &history::Exam) -> Vec<Vec<f64>> {
    let mut groups: BTreeMap<(Eye, Plane), Vec<f64>> = BTreeMap::new();
    for reading in exam.readings() {
        if let (Some(eye), Some(value), Derivation::Single) =
            (reading.eye.eye(), reading.value_mm, reading.derivation)
        {
            let group = groups.entry((eye, reading.plane)).or_default();
            group.push(value.mm());
        }
    }
    let groups = groups.into_values();
    groups.filter(|group| group.len() > 1).collect()
}
