//! A person as the store knows them at the moment something is said.

use super::found::{NotOne, patient_of};
use super::seen::{Counted, Seen};
use crate::known::{content_of, known, latest_results, say};
use chrono::{DateTime, NaiveDate};
use sheathline_model::annotations::{Author, By, Draft, Entry, Kind};
use sheathline_model::domain::{About, Label, PatientKey, ReadingRef};
use sheathline_model::history::{Exam, Identity, Places};
use sheathline_model::pages::lines::words;
use sheathline_model::results::Content;
use sheathline_model::results::{self, Known, Site};
use sheathline_store::{Store, StoreError, annotations, assessment_queue, identity};
use std::collections::{BTreeMap, BTreeSet};

/// Readings that an entry names. One of them is enough to find its exam again.
const READINGS_MAX: usize = 256;

/// Everything that is needed to say something of a person.
pub struct Person {
    /// All ids and the surviving one.
    pub ids: sheathline_model::identity::Person,
    /// What is known.
    pub known: Known,
    /// Their exams, oldest first.
    pub exams: Vec<Exam>,
    /// Everything that was said so far.
    pub entries: Vec<Entry>,
    /// The newest result of each exam.
    latest: BTreeMap<String, Content>,
    /// Whether the results wait to be made again.
    is_waiting: bool,
    /// What stands of them.
    seen: Seen,
}

impl Person {
    /// # Errors
    /// The store cannot be read.
    pub fn of(store: &Store, key: &PatientKey, site: &Site) -> Result<Person, StoreError> {
        store.read(|conn| {
            let ids = identity::person(conn, key)?;
            let known = known(conn, key)?;
            let mut latest = BTreeMap::new();
            for row in latest_results(conn, key)? {
                // A damaged one says nothing; a further version takes its place.
                if let Ok(content) = content_of(&row) {
                    latest.insert(row.exam_id, content);
                }
            }
            let mut is_waiting = false;
            for id in &ids.ids {
                is_waiting |= assessment_queue::is_dirty(conn, id)?;
            }
            Ok(Person {
                exams: results::exams(&known, site),
                entries: annotations::of_ids(conn, &ids.ids)?,
                seen: Seen::of(conn, key)?,
                ids,
                known,
                latest,
                is_waiting,
            })
        })
    }

    /// Their exams as they would be told had nobody taken readings back, oldest first.
    #[must_use]
    pub fn with_taken_back(&self, site: &Site) -> Vec<Exam> {
        results::exams_with_taken_back(&self.known, site)
    }

    /// What stands of them.
    pub fn seen(&self) -> &Seen {
        &self.seen
    }

    /// What stands of them as a word: another one wherever something came since.
    #[must_use]
    pub fn stamp(&self) -> String {
        self.seen.stamp()
    }

    /// What came since a stamp was made, each in words. Never empty where the stamp is another one.
    #[must_use]
    pub fn since(&self, stamp: &str) -> Vec<String> {
        let mut said = Vec::new();
        let Some(before) = Counted::of(stamp) else {
            return vec!["what was shown cannot be told any more".to_owned()];
        };
        for entry in self.entries.iter().filter(|one| one.id > before.entry) {
            let by = match entry.by.author.name() {
                "" => "somebody",
                name => name,
            };
            let mut words = words(&entry.said);
            if entry.said.kind() == Kind::Note && !entry.by.reason.is_empty() {
                words = format!("{words}: {}", entry.by.reason);
            }
            said.push(format!("entry {}, by {by}: {words}", entry.id));
        }
        for (exam, version, number) in &self.seen.versions {
            if *number > before.result {
                let of = self.exams.iter().find(|one| one.id == *exam);
                let of = of.map_or_else(|| exam.clone(), moment);
                let says = self.latest.get(exam).map_or_else(String::new, |content| {
                    format!(", which says: {}", content.in_short())
                });
                said.push(format!(
                    "version {version} of the result of the exam of {of}{says}"
                ));
            }
        }
        if self.seen.newest_object > before.object {
            said.push("a further report of this patient".to_owned());
        }
        if said.is_empty() {
            said.push("ids of this patient were joined or separated".to_owned());
        }
        said
    }

    /// The birth date that the exams agree on.
    #[must_use]
    pub fn birth_date(&self) -> Option<NaiveDate> {
        Identity::agreed(self.exams.iter().map(|exam| exam.identity)).birth_date
    }

    /// Whether no result of theirs is flagged, all of them being made.
    pub fn is_calm(&self) -> bool {
        let is_calm = |exam: &Exam| {
            let content = self.current(&exam.id);
            content.is_some_and(|content| !content.assessment.flagged)
        };
        self.exams.iter().all(is_calm)
    }

    /// The number of the newest version of an exam's result.
    pub fn version(&self, exam: &str) -> Option<u32> {
        let mut versions = self.seen.versions.iter();
        versions
            .find(|(id, ..)| id == exam)
            .map(|(_, version, _)| *version)
    }

    /// The newest result of an exam, if it was made and nothing came since.
    pub fn current(&self, exam: &str) -> Option<&Content> {
        self.latest.get(exam).filter(|_| !self.is_waiting)
    }

    /// What somebody should see before they say something of the patient.
    pub fn line(&self) -> String {
        let key = &self.ids.surviving;
        let mut said = format!("patient {}|{}", key.issuer, key.id);
        let identity = Identity::agreed(self.exams.iter().map(|exam| exam.identity));
        if let Some(birth) = identity.birth_date {
            said = format!("{said}, born {birth}");
        }
        if self.ids.ids.len() > 1 {
            said = format!("{said}, {} joined ids", self.ids.ids.len());
        }
        said
    }

    /// The same of an exam.
    pub fn line_of(&self, exam: &Exam) -> String {
        let label = exam.label.map_or("none", Label::title);
        let mut said = format!("exam {}, {}", exam.id, moment(exam));
        match self.latest.get(&exam.id) {
            Some(content) => said = format!("{said}: {}", content.in_short()),
            None => said = format!("{said}: not assessed yet"),
        }
        if self.is_waiting {
            said = format!("{said} (something came since)");
        }
        said = format!("{said}; label {label}");
        if let Some(pressure) = &exam.opening_pressure {
            said = format!("{said}; opening pressure {pressure}");
        }
        said
    }

    /// Results as they are, and as they would be with these entries.
    ///
    /// # Errors
    /// The comparison refused its input.
    pub fn results(
        &self,
        drafts: &[Draft],
        site: &Site,
    ) -> Result<(Vec<Content>, Vec<Content>), results::ResultError> {
        let before = results::of_patient(&self.known, site)?;
        let mut entries = self.entries.clone();
        let last = entries.iter().map(|one| one.id).max().unwrap_or(0);
        for (draft, id) in drafts.iter().zip(last + 1..) {
            entries.push(Entry {
                id,
                act: id,
                patient: draft.patient.clone(),
                recorded_at: DateTime::UNIX_EPOCH,
                by: By {
                    author: Author::Unknown,
                    entered_by: String::new(),
                    source: String::new(),
                    reason: String::new(),
                },
                corrects: draft.corrects,
                said: draft.said.clone(),
            });
        }
        let mut known = self.known.clone();
        say(&mut known, &entries);
        Ok((before, results::of_patient(&known, site)?))
    }

    /// Which other exams an older entry is about beside exam number `own`, those in `meant` left out;
    /// `None` where it is not about exam `own`.
    pub(super) fn rest(
        &self,
        places: &Places<'_>,
        old: &About,
        own: usize,
        meant: &BTreeSet<usize>,
    ) -> Option<Vec<About>> {
        let of = places.exams(old);
        let others = of.iter().filter(|n| **n != own && !meant.contains(n));
        let others = others.filter_map(|n| self.exams.get(*n)).map(about);
        of.contains(&own).then(|| others.collect())
    }
}

/// Day and time of an exam.
pub fn moment(exam: &Exam) -> String {
    exam.performed_at.local.format("%Y-%m-%d %H:%M").to_string()
}

/// The readings of an exam, from every report, superseded ones too; of very many so many that it is
/// found again.
pub(super) fn about(exam: &Exam) -> About {
    let mut about = about_all(exam);
    if about.readings.len() <= READINGS_MAX {
        return about;
    }
    let mut of_report: BTreeMap<String, u32> = BTreeMap::new();
    // The first of each report, then the second of each: no report is left out while others have many.
    let mut readings: Vec<(u32, ReadingRef)> = Vec::with_capacity(about.readings.len());
    for one in about.readings {
        let turn = of_report.entry(one.object.clone()).or_default();
        *turn += 1;
        readings.push((*turn, one));
    }
    readings.sort();
    readings.truncate(READINGS_MAX);
    about.readings = readings.into_iter().map(|(_, one)| one).collect();
    about.readings.sort();
    about
}

/// All readings of an exam.
pub(super) fn about_all(exam: &Exam) -> About {
    let readings = exam.measurements.iter().map(|one| ReadingRef {
        object: one.object.clone(),
        place: one.value.place.clone(),
    });
    let mut about = About {
        study_instance_uid: exam.study_instance_uid.clone(),
        readings: readings.collect(),
    };
    about.readings.sort();
    about
}

/// Persons that were looked up, each once.
#[derive(Default)]
pub(super) struct People {
    pub(super) all: Vec<Person>,
    by_id: BTreeMap<PatientKey, usize>,
}

impl People {
    /// The number of the person of an id.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(super) fn of(
        &mut self,
        store: &Store,
        key: &PatientKey,
        site: &Site,
    ) -> Result<usize, StoreError> {
        if let Some(number) = self.by_id.get(key) {
            return Ok(*number);
        }
        let person = Person::of(store, key, site)?;
        let number = self.all.len();
        let ids = person.ids.ids.iter().chain([key]);
        self.by_id.extend(ids.map(|id| (id.clone(), number)));
        self.all.push(person);
        Ok(number)
    }

    /// The numbers of person and exam that a name means.
    ///
    /// # Errors
    /// It means none, or more than one; or the store cannot be read.
    pub(super) fn exam(
        &mut self,
        store: &Store,
        name: &str,
        site: &Site,
    ) -> Result<(usize, usize), NotOne> {
        let key = patient_of(store, name)?;
        let number = self.of(store, &key, site)?;
        let exams = self.all.get(number).map(|person| person.exams.as_slice());
        Ok((number, named(exams.unwrap_or_default(), name)?))
    }
}

/// The number of the exam that a name means, of those of a person.
///
/// # Errors
/// It means none, or more than one.
pub(super) fn named(exams: &[Exam], name: &str) -> Result<usize, NotOne> {
    if let Some(exam) = exams.iter().position(|exam| exam.id == name) {
        return Ok(exam);
    }
    let of_study: Vec<usize> = exams
        .iter()
        .enumerate()
        .filter(|(_, exam)| exam.study_instance_uid == name)
        .map(|(n, _)| n)
        .collect();
    let name = name.to_owned();
    match of_study.as_slice() {
        [] => Err(NotOne::WithoutValues { name }),
        [one] => Ok(*one),
        several => {
            let named = several.iter().filter_map(|n| exams.get(*n));
            let exams = named
                .map(|exam| format!("{} of {}", exam.id, moment(exam)))
                .collect();
            Err(NotOne::SeveralExams { name, exams })
        }
    }
}
