//! The same patient id under other issuers: for hints, never to join anybody.

use super::StoreError;
use crate::session::values;
use crate::view::View;
use chrono::NaiveDate;
use serde::Deserialize;
use sheathline_model::domain::{PatientKey, Sex};
use std::collections::BTreeSet;

/// Other issuers of one id that are looked at. More use it as a number of no meaning.
pub const MOST: u32 = 16;

/// What a result may hint at: the same id, birth date and sex under another issuer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Born {
    /// Birth date.
    pub date: NaiveDate,
    /// Sex.
    pub sex: Sex,
}

/// Ids equal to this one under another issuer, or none, by issuer; at most [`MOST`].
///
/// # Errors
/// The store cannot be read.
pub fn others(view: &View, key: &PatientKey) -> Result<Vec<PatientKey>, StoreError> {
    view.prepare(
        "select distinct patient_issuer from object
             where patient_id = ?1 and patient_issuer <> ?2 order by patient_issuer limit ?3",
    )
    .all(values![key.id, key.issuer, MOST], |row| {
        Ok(PatientKey {
            issuer: row.get(0)?,
            id: key.id.clone(),
        })
    })
}

/// Birth dates and sexes that the reports under an id give together, each once, sorted.
///
/// # Errors
/// The store cannot be read.
pub fn born(view: &View, key: &PatientKey) -> Result<Vec<Born>, StoreError> {
    // Of reports that hold sheath values and can be used.
    let statement = view.prepare(
        "select reading from object
         where patient_id = ?1 and patient_issuer = ?2 and reading is not null
           and disposition in ('accepted', 'accepted_with_remarks')",
    );
    let mut all = BTreeSet::new();
    statement.each(values![key.id, key.issuer], |row| {
        all.extend(told(&row.get::<String>(0)?));
        Ok(())
    })?;
    Ok(all.into_iter().collect())
}

/// What a reading says; `None` where it does not give both, or is damaged.
fn told(reading: &str) -> Option<Born> {
    #[derive(Deserialize)]
    struct Reading {
        patient: Option<Patient>,
    }
    #[derive(Deserialize)]
    struct Patient {
        birth_date: Option<String>,
        sex: Option<String>,
    }
    let patient = serde_json::from_str::<Reading>(reading).ok()?.patient?;
    Some(Born {
        date: patient.birth_date?.parse().ok()?,
        sex: Sex::of_letter(&patient.sex?)?,
    })
}
