//! Why a name that was typed means no exam, or no single one.

use super::failure::Cause;
use super::{Code, Failure};
use sheathline_store::StoreError;

/// What the name means instead.
#[derive(Debug, thiserror::Error)]
pub(super) enum NotOne {
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

impl Cause for NotOne {
    fn code(&self) -> Code {
        match self {
            NotOne::Unknown { .. } | NotOne::WithoutValues { .. } => Code::NotFound,
            NotOne::SeveralExams { .. } | NotOne::SeveralPatients { .. } => Code::Ambiguous,
            NotOne::Store(error) => error.code(),
        }
    }
}

impl NotOne {
    /// The same, where the fault is in what was typed and not in the store.
    ///
    /// # Errors
    /// The store cannot say.
    pub(super) fn of_typed(self) -> Result<Self, Failure> {
        match self {
            NotOne::Store(error) => Err(error.into()),
            typed => Ok(typed),
        }
    }
}
