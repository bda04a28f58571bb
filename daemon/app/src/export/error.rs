//! Why an export ended before it was done. What was finished stays, and the next run goes on there.

use sheathline_store::StoreError;
use std::io;
use std::path::{Path, PathBuf};

/// Why.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ExportError {
    /// A file or folder.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A row could not be written.
    #[error("a row of {table} cannot be written: {why}")]
    Row {
        /// Its table.
        table: &'static str,
        /// What is wrong.
        why: String,
    },
    /// Another process exports into the folder.
    #[error("{}: another export is writing there; wait for it, or name another folder", path.display())]
    Held {
        /// The folder.
        path: PathBuf,
    },
    /// The folder holds something else.
    #[error("{}: is not empty and holds no export; name a new folder, or an earlier export", path.display())]
    Foreign {
        /// The folder.
        path: PathBuf,
    },
    /// The manifest cannot be used.
    #[error("{}: {why}; name a new folder", path.display())]
    Manifest {
        /// The manifest.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The folder holds the other kind of export.
    #[error(
        "{}: an export with identities and one without never share a folder; name another one",
        path.display()
    )]
    Mixed {
        /// The folder.
        path: PathBuf,
    },
    /// The folder was written with another key.
    #[error(
        "{}: was made with another key, and its pseudonyms would not fit; name a new folder, or the key \
         of that export",
        path.display()
    )]
    OtherKey {
        /// The folder.
        path: PathBuf,
    },
    /// What the folder knows is not in the store.
    #[error(
        "{}: the export knows more than the store, or of another store; after a restore from a copy, \
         export into a new folder",
        path.display()
    )]
    OtherStore {
        /// The folder.
        path: PathBuf,
    },
    /// Nobody was told, so nothing becomes visible.
    #[error("the audit trail cannot be written, so nothing is exported; [observe] audit names it")]
    NotTold,
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl ExportError {
    pub(super) fn at(path: &Path) -> impl Fn(io::Error) -> ExportError {
        let path = path.to_owned();
        move |source| ExportError::File {
            path: path.clone(),
            source,
        }
    }
}
