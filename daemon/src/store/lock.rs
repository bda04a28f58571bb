//! One owner at a time, by a lock file beside the store.

use super::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Holds the store for this process until dropped. The file stays, the lock does not: deleting it
/// would let two owners lock two different files of one name.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    pub(super) fn take(store: &Path) -> Result<Self, StoreError> {
        let path = beside(store, ".lock");
        let failed = |source| StoreError::File {
            path: path.clone(),
            source,
        };
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut pid = String::new();
                // The pid is a courtesy; the refusal stands without it.
                let _ = file.take(20).read_to_string(&mut pid);
                return Err(StoreError::Held {
                    path: store.into(),
                    pid: pid.trim().parse().ok(),
                });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        file.set_len(0).map_err(failed)?;
        file.rewind().map_err(failed)?;
        writeln!(file, "{}", std::process::id()).map_err(failed)?;
        Ok(Lock { _file: file })
    }
}

/// A file of the store's own name with something added.
pub(super) fn beside(store: &Path, added: &str) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(added);
    PathBuf::from(name)
}
