//! Looking for a patient by id and birth date, or by accession number: never by one of the two alone.

use super::{Desk, Failed, gathered};
use crate::acts::Person;
use chrono::NaiveDate;
use sheathline_model::domain::PatientKey;
use sheathline_model::entered::Subject;
use sheathline_model::history::Identity;
use sheathline_model::pages::layout::Whose;
use sheathline_model::pages::measure::{Candidate, Sought};
use sheathline_store::{assessment_queue, exam_lines};
use std::collections::BTreeSet;

/// Longest id, issuer and accession number that are looked for, letters.
const LETTERS_MAX: usize = 64;

/// Somebody who may be meant.
pub(super) struct Found {
    /// For the report.
    pub(super) subject: Subject,
    /// To be shown back.
    pub(super) candidate: Candidate,
}

/// Who may be meant; the sentence says why nobody is.
///
/// # Errors
/// The store cannot be read.
pub(super) fn find(desk: &Desk, sought: &Sought) -> Result<Result<Vec<Found>, String>, Failed> {
    let texts = [&sought.id, &sought.issuer, &sought.accession];
    if texts.iter().any(|text| {
        text.chars().count() > LETTERS_MAX
            || text.contains('\\')
            || text.chars().any(char::is_control)
    }) {
        let what = "Id, issuer and accession number have 64 letters at most, and none of them is a \
                    backslash or a control character.";
        return Ok(Err(what.to_owned()));
    }
    if sought.id.is_empty() {
        return by_accession(desk, sought);
    }
    let Ok(birth_date) = sought.birth_date.parse() else {
        let what = "Type id and birth date: one of the two alone finds nobody.";
        return Ok(Err(what.to_owned()));
    };
    let keys = desk
        .store
        .read(|view| assessment_queue::with_id(view, &sought.id))?;
    let (mut found, mut is_other) = (Vec::new(), false);
    for key in keys {
        if !sought.issuer.is_empty() && sought.issuer != key.issuer {
            continue;
        }
        let one = of_key(desk, &key, Some(birth_date))?;
        match one {
            Some(one) => found.push(one),
            None => is_other = true,
        }
    }
    if is_other && found.is_empty() {
        // The birth date that is known is not told: whoever knows only the id learns nothing.
        let what = "This id is known here with another birth date. One of the two is mistyped, or the \
                    id is another person's.";
        return Ok(Err(what.to_owned()));
    }
    if found.is_empty() {
        let key = PatientKey {
            issuer: sought.issuer.clone(),
            id: sought.id.clone(),
        };
        found.extend(of_key(desk, &key, Some(birth_date))?);
    }
    Ok(Ok(found))
}

fn by_accession(desk: &Desk, sought: &Sought) -> Result<Result<Vec<Found>, String>, Failed> {
    if sought.accession.is_empty() {
        let what = "Type id and birth date, or an accession number.";
        return Ok(Err(what.to_owned()));
    }
    let keys = desk
        .store
        .read(|view| exam_lines::with_accession(view, &sought.accession))?;
    let mut found = Vec::new();
    for key in keys {
        if let Some(mut one) = of_key(desk, &key, None)? {
            one.subject.accession = Some(sought.accession.clone());
            found.push(one);
        }
    }
    Ok(if found.is_empty() {
        Err(
            "No exam here has this accession number and a birth date. Type id and birth date."
                .to_owned(),
        )
    } else {
        Ok(found)
    })
}

/// The patient of an id; `None` where the birth date is another one, or none is known.
fn of_key(
    desk: &Desk,
    key: &PatientKey,
    birth_date: Option<NaiveDate>,
) -> Result<Option<Found>, Failed> {
    let person = Person::of(&desk.store, key, &desk.site)?;
    let identities = person.exams.iter().map(|exam| exam.identity);
    let births: BTreeSet<NaiveDate> = identities
        .clone()
        .filter_map(|one| one.birth_date)
        .collect();
    let birth_date = match (birth_date, births.iter().collect::<Vec<_>>().as_slice()) {
        // Reports of one id with several birth dates are of several persons: one of them is meant.
        (Some(sought), all) if all.is_empty() || births.contains(&sought) => sought,
        (None, [only]) => **only,
        _ => return Ok(None),
    };
    let identity = Identity::agreed(identities);
    let name = gathered::name(desk, &person.ids.ids)?;
    Ok(Some(Found {
        candidate: Candidate {
            whose: Whose {
                id: key.id.clone(),
                issuer: key.issuer.clone(),
                birth_date: Some(birth_date),
                sex: identity.sex,
                name: name.clone(),
                age_years: None,
            },
            exams: person.exams.len(),
            birth_date_untold: births.is_empty(),
        },
        subject: Subject {
            patient: key.clone(),
            birth_date,
            sex: identity.sex,
            name,
            accession: None,
        },
    }))
}
