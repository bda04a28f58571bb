//! Whose exam a name means, and why it means no exam, or no single one.

use crate::known::{content_of, sound_before};
use sheathline_model::domain::PatientKey;
use sheathline_model::results::Content;
use sheathline_store::{Store, StoreError, readings, results};

/// What the name means instead.
#[derive(Debug, thiserror::Error)]
pub enum NotOne {
    /// Nothing.
    #[error("the store knows no exam {name}; give an exam id or a Study Instance UID")]
    Unknown {
        /// The name.
        name: String,
    },
    /// Reports, and none of them holds an exam.
    #[error("no report of {name} holds sheath values")]
    WithoutValues {
        /// The name.
        name: String,
    },
    /// Several exams of one study.
    #[error("study {name} holds {} exams; name the one that is meant: {}", exams.len(), exams.join(", "))]
    SeveralExams {
        /// The name.
        name: String,
        /// Each in words.
        exams: Vec<String>,
    },
    /// Exams of several patients.
    #[error("study {name} is filed under {patients} patients; give the exam id instead")]
    SeveralPatients {
        /// The name.
        name: String,
        /// How many.
        patients: usize,
    },
    /// The store cannot say.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Under which id the exam of an exam id or a Study Instance UID is filed.
///
/// # Errors
/// The store knows none, or several patients; or cannot be read.
pub fn patient_of(store: &Store, name: &str) -> Result<PatientKey, NotOne> {
    let mut keys = store.read(|conn| {
        if let Some(row) = results::latest(conn, name)? {
            return Ok(vec![row.patient]);
        }
        let of_study = readings::by_study(conn, name)?.into_iter();
        let keys = of_study.filter_map(|stored| Some(stored.reading.patient?.key));
        Ok(keys.collect())
    })?;
    keys.sort();
    keys.dedup();
    let (name, patients) = (name.to_owned(), keys.len());
    match keys.pop() {
        Some(key) if patients == 1 => Ok(key),
        Some(_) => Err(NotOne::SeveralPatients { name, patients }),
        None => Err(NotOne::Unknown { name }),
    }
}

/// An exam that has a result and is told no more: its readings were taken back, or replaced by those of
/// another study. Whoever has to be told of it acknowledges it by its exam id.
pub(super) struct Gone {
    /// Under which id it is filed.
    pub(super) patient: PatientKey,
    /// Its newest version.
    pub(super) version: u32,
    /// What the newest sound version says.
    pub(super) content: Content,
}

impl Gone {
    /// Of an exam id; `None` where it has no result.
    pub(super) fn of(store: &Store, exam_id: &str) -> Result<Option<Gone>, StoreError> {
        store.read(|view| {
            let Some(row) = results::latest(view, exam_id)? else {
                return Ok(None);
            };
            let content = match content_of(&row) {
                Ok(content) => Some(content),
                Err(_) => sound_before(view, &row)?.map(|(_, content)| content),
            };
            Ok(content.map(|content| Gone {
                patient: row.patient,
                version: row.version,
                content,
            }))
        })
    }
}
