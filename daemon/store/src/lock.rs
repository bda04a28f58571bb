//! One owner at a time: a lock on the file beside the store, and one on the store's own file, which
//! also meets an owner that came by another name.

use super::StoreError;
use super::file_id::Id;
use super::note::{Files, Note, Tally};
use std::fs::{File, OpenOptions, TryLockError};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Holds the store for this process until dropped. The file stays, the lock does not: deleting it
/// would let two owners lock two different files of one name.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    path: PathBuf,
    /// The store itself. Closing any handle to it ends the locks of SQLite in this process as well
    /// (fcntl(2)), so it is closed after SQLite has.
    own: Option<File>,
    /// What the owner before left.
    pub(super) note: Note,
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
            // Who can open it can hold it.
            .mode(0o600)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::Held {
                    path: store.into(),
                    // The pid is a courtesy; the refusal stands without it.
                    pid: Note::read(&file).ok().and_then(|note| note.pid),
                });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        let note = Note::read(&file).map_err(failed)?;
        let mut lock = Lock {
            file,
            path,
            own: None,
            note,
        };
        lock.hold(store)?;
        Ok(lock)
    }

    /// Signs as the owner. The files that the owner before had open are known to this one alone from
    /// here on: a command beside it would take them for this one's.
    pub(super) fn sign(&self) -> Result<(), StoreError> {
        let note = self.current()?;
        self.write(Note {
            files: None,
            ..note
        })
    }

    /// Locks the store's own file, if there is one.
    pub(super) fn hold(&mut self, store: &Path) -> Result<(), StoreError> {
        let at = |source| StoreError::File {
            path: store.into(),
            source,
        };
        if self.own.is_some() {
            return Ok(());
        }
        let file = match OpenOptions::new().read(true).write(true).open(store) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
            Err(source) => return Err(at(source)),
        };
        if !locks_are_one_kind(&file) {
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    let pid = Id::of_file(&file).ok().and_then(holder);
                    return Err(StoreError::Held {
                        path: store.into(),
                        pid,
                    });
                }
                Err(TryLockError::Error(source)) => return Err(at(source)),
            }
        }
        self.own = Some(file);
        Ok(())
    }

    /// The file that is locked.
    pub(super) fn own(&self) -> Option<Id> {
        self.own.as_ref().and_then(|file| Id::of_file(file).ok())
    }

    /// Notes that a store stands here now, and which files are it while they are open.
    pub(super) fn note_open(&self, files: Files) -> Result<(), StoreError> {
        let note = self.current()?;
        self.write(Note {
            made: true,
            files: Some(files),
            ..note
        })?;
        self.sync()
    }

    /// Notes that the files are closed in order and everything is in the one.
    pub(super) fn note_closed(&self) -> Result<(), StoreError> {
        self.sign()?;
        self.sync()
    }

    /// Notes that another store comes here, which may know less than the one before.
    pub(super) fn note_replaced(&self) -> Result<(), StoreError> {
        self.write(Note {
            made: self.note.made,
            ..Note::default()
        })?;
        self.sync()
    }

    /// Notes that a store stands here now.
    pub(super) fn note_made(&self) -> Result<(), StoreError> {
        let note = self.current()?;
        self.write(Note { made: true, ..note })
    }

    pub(super) fn tally(&self) -> Tally {
        Tally::of(&self.file)
    }

    /// Its number grows from other hands as well.
    fn current(&self) -> Result<Note, StoreError> {
        Note::read(&self.file).map_err(|source| self.failed(source))
    }

    fn sync(&self) -> Result<(), StoreError> {
        self.file.sync_data().map_err(|source| self.failed(source))
    }

    fn write(&self, note: Note) -> Result<(), StoreError> {
        let pid = Some(std::process::id());
        let text = Note { pid, ..note }.text();
        self.file
            .write_all_at(text.as_bytes(), 0)
            .and_then(|()| self.file.set_len(text.len() as u64))
            .map_err(|source| self.failed(source))
    }

    fn failed(&self, source: std::io::Error) -> StoreError {
        StoreError::File {
            path: self.path.clone(),
            source,
        }
    }
}

/// What the lock file beside a store says; nothing if there is none.
pub(super) fn note_beside(store: &Path) -> Note {
    let file = File::open(beside(store, ".lock"));
    let note = file.and_then(|file| Note::read(&file));
    note.unwrap_or_default()
}

/// Whether an owner has the store now.
pub(super) fn is_held(store: &Path) -> bool {
    let file = File::open(beside(store, ".lock"));
    file.is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

/// Network file systems turn this lock into one of the kind that SQLite takes on the same file
/// (flock(2), NFS and SMB details), and the two would exclude each other in one process.
fn locks_are_one_kind(file: &File) -> bool {
    const NETWORK: [u32; 3] = [0x6969, 0xFF53_4D42, 0xFE53_4D42];
    rustix::fs::fstatfs(file).is_ok_and(|facts| NETWORK.contains(&(facts.f_type as u32)))
}

/// The process that has the lock on this file, as Linux lists them (proc_locks(5)).
fn holder(id: Id) -> Option<u32> {
    let locks = std::fs::read_to_string("/proc/locks").ok()?;
    let wanted = id.as_listed();
    locks.lines().find_map(|line| {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words.as_slice() {
            [_, "FLOCK", _, "WRITE", pid, file, ..] if *file == wanted => pid.parse().ok(),
            _ => None,
        }
    })
}

/// A file of the store's own name with something added.
pub(super) fn beside(store: &Path, added: &str) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(added);
    PathBuf::from(name)
}
