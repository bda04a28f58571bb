//! The same patient id under other issuers: for hints, never to join anybody.

use super::StoreError;
use crate::session::values;
use crate::view::View;
use chrono::NaiveDate;
use sheathline_model::domain::{PatientKey, Sex};

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

/// Of reports that hold sheath values and can be used.
const USED: &str = "reading is not null and disposition in ('accepted', 'accepted_with_remarks')
                    and json_valid(reading)";

/// Ids equal to this one under another issuer, or none, by issuer; at most [`MOST`].
///
/// # Errors
/// The store cannot be read.
pub fn others(view: &View, key: &PatientKey) -> Result<Vec<PatientKey>, StoreError> {
    view.prepare(
        "select distinct patient_issuer from object indexed by object_patient
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
    let statement = view.prepare(format!(
        "select distinct json_extract(reading, '$.patient.birth_date'),
                json_extract(reading, '$.patient.sex')
         from object where patient_id = ?1 and patient_issuer = ?2 and {USED}"
    ));
    let rows = statement.all(values![key.id, key.issuer], |row| {
        Ok((row.get::<Option<String>>(0)?, row.get::<Option<String>>(1)?))
    })?;
    let mut all = Vec::new();
    for (date, sex) in rows {
        let date = date.and_then(|date| date.parse().ok());
        let sex = sex.as_deref().and_then(Sex::of_letter);
        all.extend(date.zip(sex).map(|(date, sex)| Born { date, sex }));
    }
    all.sort_unstable();
    Ok(all)
}
