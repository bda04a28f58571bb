//! The files of one result, from its row and, for the picture, from the patient's other results.

use super::content_of;
use crate::domain::PatientKey;
use crate::render::{Content, Envelope, cautions, html, json, text};
use crate::store::results::{self, ResultRow};
use crate::store::{Store, StoreError};
use std::cell::RefCell;

/// Which renderings stand beside `result.json`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beside {
    /// `result.txt`.
    pub text: bool,
    /// `result.html`.
    pub html: bool,
}

/// Renders rows, one after the other.
pub(super) struct Renderings<'a> {
    store: &'a Store,
    beside: Beside,
    /// Results of the patient rendered last: the rows of one patient mostly come in a row.
    patient: RefCell<Option<(PatientKey, Vec<Content>)>>,
}

impl<'a> Renderings<'a> {
    pub(super) fn new(store: &'a Store, beside: Beside) -> Self {
        Renderings {
            store,
            beside,
            patient: RefCell::new(None),
        }
    }

    /// The files of one result: name and bytes. JSON and text are functions of the row; the picture
    /// in the page also shows the patient's earlier exams as the store tells them when it is drawn.
    pub(super) fn of(&self, row: &ResultRow) -> Result<Vec<(&'static str, Vec<u8>)>, StoreError> {
        let envelope = envelope(row)?;
        let bytes = envelope
            .to_bytes()
            .map_err(|error| StoreError::Work(error.to_string()))?;
        let mut files = vec![("result.json", bytes)];
        if self.beside.text {
            files.push(("result.txt", text::text(&envelope.content).into_bytes()));
        }
        if self.beside.html {
            files.push(("result.html", self.page(row, &envelope)?.into_bytes()));
        }
        Ok(files)
    }

    fn page(&self, row: &ResultRow, envelope: &Envelope) -> Result<String, StoreError> {
        let mut patient = self.patient.borrow_mut();
        let others = match patient.take() {
            Some((key, contents)) if key == row.patient => contents,
            _ => self.results_of(&row.patient)?,
        };
        let (_, others) = patient.insert((row.patient.clone(), others));
        Ok(html::page(
            envelope,
            &html::trends(&envelope.content, others),
        ))
    }

    fn results_of(&self, key: &PatientKey) -> Result<Vec<Content>, StoreError> {
        let rows = self
            .store
            .read(|conn| results::latest_of_patient(conn, key))?;
        rows.iter().map(content_of).collect()
    }
}

fn envelope(row: &ResultRow) -> Result<Envelope, StoreError> {
    Ok(Envelope {
        schema: json::SCHEMA.to_owned(),
        software: concat!("sheathline ", env!("CARGO_PKG_VERSION")).to_owned(),
        version: row.version,
        key: row.key.clone(),
        supersedes: row.supersedes,
        why: row.why.clone(),
        created_at: row
            .created_at
            .to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
        notice: cautions::NOT_A_DEVICE.to_owned(),
        content: content_of(row)?,
    })
}
