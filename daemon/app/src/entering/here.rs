//! What the store holds of a patient, as far as it bears on what is typed.

use chrono::NaiveDate;
use sheathline_model::annotations::{Counting, Entry};
use sheathline_model::domain::{About, PatientKey, ReadingRef};
use sheathline_model::identity::Person;
use sheathline_store::readings::{self, StoredDisposition, StoredReading};
use sheathline_store::{StoreError, View, annotations, identity};
use std::collections::BTreeMap;

/// A report of the patient.
pub(super) struct Seen {
    pub(super) instance: String,
    pub(super) study: String,
    pub(super) day: Option<NaiveDate>,
    pub(super) birth_date: Option<NaiveDate>,
    pub(super) predecessors: Vec<String>,
    /// It holds sheath values and was not taken back.
    pub(super) counts: bool,
}

/// One patient, under all ids that are theirs.
pub(super) struct Here {
    pub(super) person: Person,
    pub(super) entries: Vec<Entry>,
    pub(super) reports: Vec<Seen>,
}

/// What of a report people took back.
pub(super) fn is_back(counting: &Counting, study: &str, instance: &str) -> bool {
    counting.taken_back.iter().any(|about| {
        about.readings.iter().any(|one| one.object == instance)
            || (about.readings.is_empty() && about.study_instance_uid == study)
    })
}

/// The values of a report.
pub(super) fn about(stored: &StoredReading) -> Option<About> {
    let reading = &stored.reading;
    let object = reading.sop_instance_uid.clone()?;
    let readings = reading.measurements.iter().map(|one| ReadingRef {
        object: object.clone(),
        place: one.place.clone(),
    });
    let mut readings: Vec<ReadingRef> = readings.collect();
    readings.sort();
    readings.dedup();
    Some(About {
        study_instance_uid: reading.exam.as_ref()?.study_instance_uid.clone(),
        readings,
    })
}

/// The report of a UID as it was first read.
pub(super) fn report(view: &View, instance: &str) -> Result<Option<StoredReading>, StoreError> {
    let all = readings::by_sop_instance(view, instance)?;
    Ok(all
        .into_iter()
        .find(|one| one.disposition != StoredDisposition::Repeat))
}

impl Here {
    pub(super) fn of(view: &View, key: &PatientKey) -> Result<Here, StoreError> {
        let person = identity::person(view, key)?;
        let entries = annotations::of_ids(view, &person.ids)?;
        let counting = Counting::of(&entries);
        let mut reports = Vec::new();
        for id in &person.ids {
            for stored in readings::of_patient(view, id)? {
                if stored.disposition == StoredDisposition::Repeat {
                    continue;
                }
                let reading = stored.reading;
                let counts = reading.holds_sheath_values();
                let (Some(exam), Some(instance)) = (reading.exam, reading.sop_instance_uid) else {
                    continue;
                };
                reports.push(Seen {
                    counts: counts && !is_back(&counting, &exam.study_instance_uid, &instance),
                    day: exam.performed_at.map(|at| at.date()),
                    study: exam.study_instance_uid,
                    birth_date: reading.patient.and_then(|patient| patient.birth_date),
                    predecessors: reading.predecessors,
                    instance,
                });
            }
        }
        Ok(Here {
            person,
            entries,
            reports,
        })
    }

    /// Reports that count and that no other replaces.
    pub(super) fn standing(&self) -> impl Iterator<Item = &Seen> {
        let counting = || self.reports.iter().filter(|one| one.counts);
        counting()
            .filter(move |one| !counting().any(|other| other.predecessors.contains(&one.instance)))
    }

    /// Whether the store still says the same.
    pub(super) fn holds(&self, view: &View) -> Result<bool, StoreError> {
        Ok(
            identity::person(view, &self.person.surviving)? == self.person
                && annotations::of_ids(view, &self.person.ids)? == self.entries,
        )
    }
}

/// Patients that were looked up, each once.
#[derive(Default)]
pub(super) struct Patients(BTreeMap<PatientKey, Here>);

impl Patients {
    pub(super) fn of(&mut self, view: &View, key: &PatientKey) -> Result<&Here, StoreError> {
        if !self.0.contains_key(key) {
            self.0.insert(key.clone(), Here::of(view, key)?);
        }
        self.0
            .get(key)
            .ok_or_else(|| StoreError::Work("a patient is gone".to_owned()))
    }
}
