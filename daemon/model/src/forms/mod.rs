//! One stored result in the forms that other systems take: DICOM, HL7 and FHIR.
//!
//! Every form is a pure function of the result and a [`Context`]: equal input gives equal bytes, so
//! a repeated delivery is the same object. What the sources did not give is left out or empty, as
//! the form's standard says. "Not flagged" is never coded as normal, and no reference range is
//! stated: no population figure is part of the comparison.

pub mod codes;
mod dicom;
pub mod entered;
mod facts;
pub mod fhir;
pub mod hl7;
mod ids;
pub mod pdf_object;
pub mod sr;
mod values;

#[cfg(test)]
mod tests;

use crate::results::Envelope;
use crate::sr::Origin;

/// What a form needs beside the result.
#[derive(Clone, Default)]
pub struct Context {
    /// Objects that the result rests on, as far as their bytes are there. Of others neither class
    /// nor series is known, so they are not referenced.
    pub sources: Vec<Origin>,
    /// The version that this one replaces, when it is there.
    pub previous: Option<Box<Envelope>>,
    /// It is sent again because nobody has acknowledged the rise that it tells.
    pub reminder: bool,
}

/// Why a form cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum FormError {
    /// The schema of the result is none that this version reads.
    #[error(
        "this result has the schema {found}; {} and {} can be read: render it with the version that \
         wrote it",
        crate::results::envelope::SCHEMA_1,
        crate::results::envelope::SCHEMA
    )]
    Schema {
        /// The schema it names.
        found: String,
    },
    /// The time of creation is not one.
    #[error("created_at of the result is {0:?}, which is no RFC 3339 time")]
    CreatedAt(String),
    /// A field cannot be written in this form without becoming another.
    #[error("{field} cannot be written in this form: {why}")]
    Unwritable {
        /// Name of the field.
        field: &'static str,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The version given as the previous one is not.
    #[error("the result given as the previous version is not version {wanted} of the same exam")]
    Previous {
        /// The version that the result names.
        wanted: u32,
    },
    /// The object could not be encoded.
    #[error("the DICOM object could not be encoded: {0}")]
    Dicom(String),
    /// The page could not be made.
    #[error(transparent)]
    Page(#[from] crate::render::pdf::PageError),
    /// A value is no number.
    #[error("the resources could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

impl Context {
    /// Checks that result and context belong together.
    fn check(&self, result: &Envelope) -> Result<(), FormError> {
        if !crate::results::envelope::is_read(&result.schema) {
            return Err(FormError::Schema {
                found: result.schema.clone(),
            });
        }
        match (&self.previous, result.supersedes) {
            (Some(previous), wanted)
                if wanted != Some(previous.version)
                    || previous.content.exam.id != result.content.exam.id =>
            {
                Err(FormError::Previous {
                    wanted: wanted.unwrap_or(0),
                })
            }
            _ => Ok(()),
        }
    }

    /// Sources in the exam's own study whose reports stand.
    fn standing<'a>(&'a self, result: &'a Envelope) -> impl Iterator<Item = &'a Origin> {
        let stands = |origin: &&Origin| {
            let mut reports = result.content.reports.iter();
            origin.study_instance_uid.as_ref() == Some(&result.content.exam.study_instance_uid)
                && reports.any(|report| {
                    report.superseded_by.is_empty()
                        && Some(&report.sop_instance_uid) == origin.sop_instance_uid.as_ref()
                })
        };
        self.sources.iter().filter(stands)
    }

    /// The universal id of the issuer of the patient id, where the sources came under that issuer.
    fn issuer_universal<'a>(&'a self, result: &'a Envelope) -> Option<&'a (String, String)> {
        let content = &result.content;
        let mut under = content
            .reports
            .iter()
            .filter_map(|one| one.came_under.as_ref());
        if under.any(|key| key.issuer != content.patient.issuer) {
            None
        } else {
            self.agreed(result, |origin| origin.issuer_universal.as_ref())
        }
    }

    /// What all standing sources that speak agree on.
    fn agreed<'a, T: PartialEq>(
        &'a self,
        result: &'a Envelope,
        of: impl Fn(&'a Origin) -> Option<&'a T>,
    ) -> Option<&'a T> {
        let mut said = self.standing(result).filter_map(of);
        let first = said.next()?;
        said.all(|other| other == first).then_some(first)
    }
}
