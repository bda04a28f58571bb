//! What the store holds of a patient, as far as it bears on what is typed.

use chrono::NaiveDate;
use sheathline_model::annotations::{Counting, Entry};
use sheathline_model::domain::{About, ObjectReading, PatientKey, ReadingRef};
use sheathline_model::identity::Person;
use sheathline_store::readings::{self, StoredDisposition, StoredReading};
use sheathline_store::{StoreError, View, annotations, identity};
use std::collections::{BTreeMap, BTreeSet};

/// A report of the patient.
pub(super) struct Seen {
    pub(super) instance: String,
    pub(super) study: String,
    pub(super) day: Option<NaiveDate>,
    pub(super) predecessors: Vec<String>,
    /// It holds sheath values and was not taken back.
    pub(super) counts: bool,
}

/// One patient, under all ids that are theirs. What every row of a table asks for is looked up, not
/// searched: years of one patient are thousands of rows.
pub(super) struct Here {
    pub(super) person: Person,
    pub(super) entries: Vec<Entry>,
    pub(super) reports: Vec<Seen>,
    /// Birth dates that the reports state.
    pub(super) births: BTreeSet<NaiveDate>,
    back: Back,
    /// Reports that one that counts replaces.
    replaced: BTreeSet<String>,
    of_study: BTreeMap<String, Vec<usize>>,
    of_day: BTreeMap<NaiveDate, Vec<usize>>,
}

/// Reports that people took back.
#[derive(Default)]
pub(super) struct Back {
    objects: BTreeSet<String>,
    /// Studies of which everything was.
    studies: BTreeSet<String>,
}

impl Back {
    pub(super) fn add(&mut self, entries: &[Entry]) {
        for about in Counting::of(entries).taken_back {
            if about.readings.is_empty() {
                self.studies.insert(about.study_instance_uid);
            }
            let objects = about.readings.into_iter().map(|one| one.object);
            self.objects.extend(objects);
        }
    }

    pub(super) fn holds(&self, study: &str, instance: &str) -> bool {
        self.objects.contains(instance) || self.studies.contains(study)
    }

    /// Whether reports of whole studies are among them, whose UIDs nobody named.
    pub(super) fn has_studies(&self) -> bool {
        !self.studies.is_empty()
    }

    pub(super) fn names(&self, instance: &str) -> bool {
        self.objects.contains(instance)
    }
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
        let mut back = Back::default();
        back.add(&entries);
        let mut here = Here {
            person,
            entries,
            reports: Vec::new(),
            births: BTreeSet::new(),
            back,
            replaced: BTreeSet::new(),
            of_study: BTreeMap::new(),
            of_day: BTreeMap::new(),
        };
        for id in here.person.ids.clone() {
            for stored in readings::of_patient(view, &id)? {
                if stored.disposition != StoredDisposition::Repeat {
                    here.add(stored.reading);
                }
            }
        }
        Ok(here)
    }

    fn add(&mut self, reading: ObjectReading) {
        let holds_values = reading.holds_sheath_values();
        let (Some(exam), Some(instance)) = (reading.exam, reading.sop_instance_uid) else {
            return;
        };
        let birth_date = reading.patient.and_then(|patient| patient.birth_date);
        self.births.extend(birth_date);
        let counts = holds_values && !self.back.holds(&exam.study_instance_uid, &instance);
        if counts {
            self.replaced.extend(reading.predecessors.iter().cloned());
        }
        let (day, nth) = (exam.performed_at.map(|at| at.date()), self.reports.len());
        let of_study = self.of_study.entry(exam.study_instance_uid.clone());
        of_study.or_default().push(nth);
        if let Some(day) = day {
            self.of_day.entry(day).or_default().push(nth);
        }
        self.reports.push(Seen {
            counts,
            day,
            study: exam.study_instance_uid,
            predecessors: reading.predecessors,
            instance,
        });
    }

    /// Whether people took a report back.
    pub(super) fn is_back(&self, study: &str, instance: &str) -> bool {
        self.back.holds(study, instance)
    }

    /// Reports that count and that no other replaces.
    pub(super) fn standing(&self) -> impl Iterator<Item = &Seen> {
        self.reports.iter().filter(|one| self.stands(one))
    }

    fn stands(&self, one: &Seen) -> bool {
        one.counts && !self.replaced.contains(&one.instance)
    }

    /// Those of them that are of a study or of a day, as they came.
    pub(super) fn near(&self, study: &str, day: NaiveDate) -> impl Iterator<Item = &Seen> {
        let of_study = self.of_study.get(study).into_iter().flatten();
        let of_day = self.of_day.get(&day).into_iter().flatten();
        let near: BTreeSet<usize> = of_study.chain(of_day).copied().collect();
        let seen = near.into_iter().filter_map(|nth| self.reports.get(nth));
        seen.filter(|one| self.stands(one))
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
