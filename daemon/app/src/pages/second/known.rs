//! An exam that is read a second time: what was said of it, its first values, and who saw them.

use super::super::measure::{OPENED, SHOWN_BACK, WAITED_FOR};
use super::super::{Action, Desk, Failed, gathered};
use super::SECOND;
use crate::acts::{self, NotOne, Person};
use chrono::{DateTime, Utc};
use sheathline_model::annotations::USUAL_DECIMALS;
use sheathline_model::annotations::{Entry, standing};
use sheathline_model::domain::{
    About, Eye, Laterality, Measurement, Millimetres, PatientKey, Quantity,
};
use sheathline_model::entered::TypedReading;
use sheathline_model::history::{Exam, Places};
use sheathline_model::pages::second::Values;
use sheathline_store::deeds::{self, Filter};
use std::sync::Arc;

/// Views of one patient by one account that are looked through.
const DEEDS_MAX: u32 = 1_000;

/// Views that show whom a page is about, and no value of an exam.
const WITHOUT_VALUES: [&str; 4] = [SECOND, SHOWN_BACK, OPENED, WAITED_FOR];

/// An exam with what was said of it.
pub(super) struct Known {
    pub(super) patient: PatientKey,
    pub(super) person: Person,
    pub(super) exam: Exam,
    /// The name that its reports state.
    pub(super) name: Option<String>,
}

pub(super) fn known(desk: &Desk, exam_id: &str) -> Result<Known, Failed> {
    let patient = match acts::patient_of(&desk.store, exam_id) {
        Ok(patient) => patient,
        Err(NotOne::Store(error)) => return Err(error.into()),
        Err(_) => return Err(Failed::NotFound),
    };
    let person = Person::of(&desk.store, &patient, &desk.site)?;
    let exam = person.exams.iter().find(|exam| exam.id == exam_id).cloned();
    Ok(Known {
        exam: exam.ok_or(Failed::NotFound)?,
        name: gathered::name_of_exam(desk, exam_id)?,
        patient,
        person,
    })
}

impl Known {
    /// What counts of what was said of the exam, oldest first.
    pub(super) fn said(&self) -> Vec<&Entry> {
        let own = self
            .person
            .exams
            .iter()
            .position(|exam| exam.id == self.exam.id);
        let places = Places::of(&self.person.exams);
        let is_of = |about: &About| own.is_some_and(|own| places.exams(about).contains(&own));
        let mut said: Vec<&Entry> = standing(&self.person.entries)
            .filter(|entry| entry.said.about().is_some_and(is_of))
            .collect();
        said.sort_by_key(|entry| entry.id);
        said
    }

    /// The values of the exam as it was first read.
    pub(super) fn first(&self) -> Values {
        let of = |eye: Eye| {
            let all = self.exam.measurements.iter().map(|one| &one.value);
            let of_eye = all.filter(|one| {
                one.usable
                    && one.quantity == Quantity::SheathDiameter
                    && one.eye == Laterality::from(eye)
            });
            let typed = |one: &Measurement| {
                let step = one
                    .step
                    .map_or(USUAL_DECIMALS, Millimetres::decimals_of_step);
                Some(TypedReading::of(one.value_mm?, step))
            };
            of_eye.filter_map(typed).collect()
        };
        Values {
            right: of(Eye::Right),
            left: of(Eye::Left),
        }
    }
}

/// When whoever read had opened the first values before, as far as pages know.
pub(super) async fn had_seen(
    desk: &Arc<Desk>,
    known: &Arc<Known>,
    entry: &Entry,
) -> Result<Option<DateTime<Utc>>, Failed> {
    let filter = Filter {
        account: Some(entry.by.entered_by.clone()),
        before: Some(entry.recorded_at),
        ..Filter::default()
    };
    let known = Arc::clone(known);
    desk.off(move |desk| {
        let mut seen: Option<DateTime<Utc>> = None;
        for id in &known.person.ids.ids {
            let of_patient = Filter {
                patient_id: Some(id.id.clone()),
                patient_issuer: Some(id.issuer.clone()),
                ..filter.clone()
            };
            let deeds = desk
                .store
                .read(|view| deeds::newest(view, &of_patient, DEEDS_MAX))?;
            let looks = [Action::Viewed, Action::Listed, Action::Downloaded];
            let mut deeds = deeds.iter().map(|(_, deed)| deed);
            let last = deeds.find(|deed| {
                looks.iter().any(|look| look.word() == deed.action)
                    && !WITHOUT_VALUES.contains(&deed.detail.as_str())
            });
            seen = seen.max(last.map(|deed| deed.at));
        }
        Ok(seen)
    })
    .await
}
