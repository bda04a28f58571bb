//! One owner at a time, by a lock file beside the store.

use super::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Second line of the lock file once a store stands beside it.
const MADE: &str = "made";

/// Holds the store for this process until dropped. The file stays, the lock does not: deleting it
/// would let two owners lock two different files of one name.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    path: PathBuf,
    /// Whether a store was made here once. A file that is missing or empty then is no new store but
    /// a lost one.
    pub(super) made: bool,
}

impl Lock {
    pub(super) fn take(store: &Path) -> Result<Self, StoreError> {
        let path = beside(store, ".lock");
        let failed = |source| StoreError::File {
            path: path.clone(),
            source,
        };
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut text = String::new();
                // The pid is a courtesy; the refusal stands without it.
                let _ = file.take(40).read_to_string(&mut text);
                return Err(StoreError::Held {
                    path: store.into(),
                    pid: text.lines().next().and_then(|pid| pid.trim().parse().ok()),
                });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        let mut text = Vec::new();
        (&file).take(40).read_to_end(&mut text).map_err(failed)?;
        let made = String::from_utf8_lossy(&text)
            .lines()
            .any(|line| line == MADE);
        let mut lock = Lock { file, path, made };
        lock.write()?;
        Ok(lock)
    }

    /// Notes that a store stands here now.
    pub(super) fn note_made(&mut self) -> Result<(), StoreError> {
        match std::mem::replace(&mut self.made, true) {
            true => Ok(()),
            false => self.write(),
        }
    }

    fn write(&mut self) -> Result<(), StoreError> {
        let made = if self.made { MADE } else { "" };
        let text = format!("{}\n{made}\n", std::process::id());
        self.file
            .rewind()
            .and_then(|()| self.file.write_all(text.as_bytes()))
            .and_then(|()| self.file.set_len(text.len() as u64))
            .map_err(|source| StoreError::File {
                path: self.path.clone(),
                source,
            })
    }
}

/// A file of the store's own name with something added.
pub(super) fn beside(store: &Path, added: &str) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(added);
    PathBuf::from(name)
}
