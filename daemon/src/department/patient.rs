//! What the store knows of one person, as the estimates need it.

use crate::assess::{Assessment, History};
use crate::domain::{Derivation, Eye, Plane};
use crate::results::{self, Known, ResultError, Site};
use std::collections::BTreeMap;

/// One person: exams, their results, and repeated readings.
#[derive(Debug, Clone)]
pub struct Patient {
    /// The exams.
    pub history: History,
    /// Results by exam id.
    pub answers: BTreeMap<String, Assessment>,
    /// Single readings of one eye of one exam in one plane, mm; two or more in each group.
    pub repeats: Vec<Vec<f64>>,
}

impl Patient {
    /// The persons under one patient id: one, unless exams are filed wrongly.
    ///
    /// # Errors
    /// As [`results::of_patient`].
    pub fn all_of(known: &Known, site: &Site) -> Result<Vec<Patient>, ResultError> {
        let answers: BTreeMap<String, Assessment> = results::of_patient(known, site)?
            .into_iter()
            .map(|content| (content.exam.id, content.assessment))
            .collect();
        let mut repeats = repeats(known, site);
        let persons = results::histories(known, site).into_iter();
        Ok(persons
            .map(|history| {
                let ids = || history.exams.iter().map(|exam| &exam.id);
                let of = |id| answers.get_key_value(id);
                let own = ids().filter_map(of);
                Patient {
                    answers: own.map(|(id, one)| (id.clone(), one.clone())).collect(),
                    repeats: ids()
                        .flat_map(|id| repeats.remove(id).unwrap_or_default())
                        .collect(),
                    history,
                }
            })
            .collect())
    }
}

/// Repeated readings by exam. Means and medians are no readings: they scatter less.
fn repeats(known: &Known, site: &Site) -> BTreeMap<String, Vec<Vec<f64>>> {
    let exams = results::exams(known, site);
    let mut all = BTreeMap::new();
    for exam in exams {
        let mut groups: BTreeMap<(Eye, Plane), Vec<f64>> = BTreeMap::new();
        for reading in exam.readings() {
            if let (Some(eye), Some(value), Derivation::Single) =
                (reading.eye.eye(), reading.value_mm, reading.derivation)
            {
                let group = groups.entry((eye, reading.plane)).or_default();
                group.push(value.mm());
            }
        }
        let groups = groups.into_values().filter(|group| group.len() > 1);
        all.insert(exam.id, groups.collect());
    }
    all
}
