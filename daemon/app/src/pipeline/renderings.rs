//! The files of one result, from its row and, for the picture, from the patient's other results.

use crate::known::{content_of, latest_results};
use crate::outbox::Files;
use crate::parcel::envelope;
use sheathline_model::domain::PatientKey;
use sheathline_model::render::trend::Trend;
use sheathline_model::render::{csv, html, pdf, text};
use sheathline_model::results::Content;
use sheathline_store::results::ResultRow;
use sheathline_store::{Store, StoreError};
use std::cell::RefCell;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Which renderings stand beside `result.json`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Beside {
    /// `result.txt`.
    pub text: bool,
    /// `result.html`.
    pub html: bool,
    /// `result.pdf`.
    pub pdf: bool,
    /// `result.csv`.
    pub csv: bool,
}

/// Results of the patient that somebody rendered last. Those who render side by side share it: the rows
/// of one patient mostly come in a row, and reading all results for each few of them would cost the
/// square of their number.
#[derive(Default)]
pub(super) struct Patient(Mutex<Option<Of>>);

type Of = (PatientKey, Arc<Vec<Content>>);

impl Patient {
    fn last(&self) -> MutexGuard<'_, Option<Of>> {
        // It is whole between any two assignments.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Renders rows, one after the other.
pub(super) struct Renderings<'a> {
    store: &'a Store,
    beside: Beside,
    patient: &'a Patient,
    /// The one rendered here, which others may have replaced there.
    own: RefCell<Option<Of>>,
}

impl<'a> Renderings<'a> {
    pub(super) fn new(store: &'a Store, beside: Beside, patient: &'a Patient) -> Self {
        Renderings {
            store,
            beside,
            patient,
            own: RefCell::new(None),
        }
    }

    /// The files of one result. JSON, CSV and text are functions of the row; the picture in the pages
    /// also shows the patient's earlier exams as the store tells them when it is drawn.
    pub(super) fn of(&self, row: &ResultRow) -> Result<Files, StoreError> {
        let envelope = self.store.read(|conn| envelope(conn, row))?;
        let bytes = envelope
            .to_bytes()
            .map_err(|error| StoreError::Work(error.to_string()))?;
        let Beside {
            text,
            html,
            pdf,
            csv,
        } = self.beside;
        let mut files = vec![("result.json", bytes)];
        if csv {
            files.push(("result.csv", csv::csv(&envelope).into_bytes()));
        }
        if text {
            files.push(("result.txt", text::text_of(&envelope).into_bytes()));
        }
        if html || pdf {
            let trends = self.trends(row, &envelope.content)?;
            if html {
                files.push(("result.html", html::page(&envelope, &trends).into_bytes()));
            }
            if pdf {
                let page = pdf::pdf(&envelope, &trends);
                let page = page.map_err(|error| StoreError::Work(error.to_string()))?;
                files.push(("result.pdf", page));
            }
        }
        Ok(files)
    }

    fn trends(&self, row: &ResultRow, content: &Content) -> Result<Vec<Trend>, StoreError> {
        let is_it = |of: &Of| of.0 == row.patient;
        let mut own = self.own.borrow_mut();
        let others = own.take().filter(is_it);
        let others = others.or_else(|| self.patient.last().clone().filter(is_it));
        let others = match others {
            Some(others) => others,
            None => {
                let others = Arc::new(self.results_of(&row.patient)?);
                let others = (row.patient.clone(), others);
                *self.patient.last() = Some(others.clone());
                others
            }
        };
        let (_, others) = own.insert(others);
        Ok(html::trends(content, others))
    }

    fn results_of(&self, key: &PatientKey) -> Result<Vec<Content>, StoreError> {
        let rows = self.store.read(|conn| latest_results(conn, key))?;
        rows.iter().map(content_of).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::Utc;
    use sheathline_model::history::testing::reading;
    use sheathline_model::results::{Known, Site, of_patient};
    use sheathline_store::Mode;
    use sheathline_store::results::{NewResult, insert, unpublished};

    /// A store with the results of one patient, not yet published.
    fn store(folder: &tempfile::TempDir) -> Store {
        let days = ["2022-02-15", "2023-04-11", "2024-05-07"];
        let readings = days.iter().enumerate().map(|(n, day)| {
            let (uid, study) = (format!("2.25.{n}1"), format!("2.25.{n}"));
            reading(&uid, &study, day, &[5.0, 5.1], &[5.1, 5.0])
        });
        let known = Known {
            readings: readings.collect(),
            ..Known::default()
        };
        let store = Store::open(&folder.path().join("store.db"), Mode::Owner).unwrap();
        for content in of_patient(&known, &Site::default()).unwrap() {
            let row = NewResult {
                exam_id: content.exam.id.clone(),
                patient: PatientKey {
                    issuer: content.patient.issuer.clone(),
                    id: content.patient.id.clone(),
                },
                key: content.key().unwrap(),
                content: serde_json::to_string(&content).unwrap(),
                why: vec!["first result of this exam".to_owned()],
            };
            store.write(move |tx| insert(tx, &row, Utc::now())).unwrap();
        }
        store
    }

    fn names(files: &[(&'static str, Vec<u8>)]) -> Vec<&'static str> {
        files.iter().map(|(name, _)| *name).collect()
    }

    #[test]
    fn each_switch_adds_its_file() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = store(&folder);
        let row = store.read(|conn| unpublished(conn, 1)).unwrap().remove(0);
        for (switches, file) in [
            ([true, false, false, false], "result.txt"),
            ([false, true, false, false], "result.html"),
            ([false, false, true, false], "result.pdf"),
            ([false, false, false, true], "result.csv"),
        ] {
            let [text, html, pdf, csv] = switches;
            let beside = Beside {
                text,
                html,
                pdf,
                csv,
            };
            let patient = Patient::default();
            let files = Renderings::new(&store, beside, &patient).of(&row).unwrap();
            assert_eq!(names(&files), ["result.json", file]);
        }
    }

    #[test]
    fn a_page_shows_the_exams_up_to_its_own_and_none_after() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = store(&folder);
        let beside = Beside {
            html: true,
            ..Beside::default()
        };
        let patient = Patient::default();
        let renderings = Renderings::new(&store, beside, &patient);
        let mut rows = store.read(|conn| unpublished(conn, 9)).unwrap();
        rows.sort_by_key(|row| content_of(row).unwrap().exam.performed_at);
        let pages: Vec<String> = rows
            .iter()
            .map(|row| renderings.of(row).unwrap().remove(1).1)
            .map(|bytes| String::from_utf8(bytes).unwrap())
            .collect();
        // A column of the picture starts with the day of its exam.
        let in_picture = |page: &String, day: &str| {
            page.split_once("<svg")
                .is_some_and(|(_, svg)| svg.split_once("</svg>").unwrap().0.contains(day))
        };
        assert!(!pages[0].contains("<svg"));
        assert!(in_picture(&pages[1], "2022-02-15") && in_picture(&pages[1], "2023-04-11"));
        assert!(!pages[1].contains("2024-05-07"));
        assert!(in_picture(&pages[2], "2022-02-15") && in_picture(&pages[2], "2024-05-07"));
    }
}
