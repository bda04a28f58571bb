//! Copies of the store: made while it is in use, and put in its place again.
//!
//! A copy is written under another name, synced, and only then gets its own name; nothing is ever
//! overwritten.

use super::lock::{Lock, beside};
use super::place::{self, BEFORE_RESTORE, sync_folder};
use super::sqlite::opening::{connect, connect_reader, make_private};
use super::sqlite::{self, schema};
use super::verify::{Looker, Verified};
use super::view::View;
use super::{DOUBT, Mode, StoreError, results};
use crate::moving::mark;
use crate::rename::rename_new;
use std::path::{Path, PathBuf};

/// Ending of a copy that is still being written.
const PARTIAL: &str = ".partial";

/// SQLite's own files beside a store.
const SIDE_FILES: [&str; 2] = ["-wal", "-shm"];

/// Copies the store at `store`, in use or not, to the new file `to`: one consistent state with all
/// that was stored before the call. Returns what checking the copy found.
///
/// # Errors
/// There is no store, `to` exists, or the copy could not be written.
pub fn back_up(store: &Path, to: &Path) -> Result<Verified, StoreError> {
    let store = &place::real(store);
    if !store.exists() {
        return Err(StoreError::Missing { path: store.into() });
    }
    refuse_existing(to)?;
    let note = place::look_before(store)?;
    let view = connect_reader(store)?;
    let found = schema::found(sqlite::connection(&view)?, store)?;
    schema::refuse_older(&view, store, found, note.stored)?;
    if found < schema::KNOWN {
        return Err(StoreError::Outdated {
            path: store.into(),
            found,
            known: schema::KNOWN,
        });
    }
    mark::refuse_coming(&view, &store.display().to_string())?;
    let partial = Partial::new(to)?;
    partial.fill(&view)?;
    let verified = Looker::open(&partial.path)?.verify(|_, _| ())?;
    partial.finish(to)?;
    Ok(verified)
}

/// What [`restore`] did.
#[derive(Debug)]
pub struct Restored {
    /// What checking the copy found; with damages nothing was restored.
    pub verified: Verified,
    /// Where the store that stood there before is now.
    pub old: Option<PathBuf>,
}

/// Puts the copy `from` in the place of the store at `store`. `replace` allows that there is one:
/// it is kept beside, under another name. A damaged copy is not restored. `from` stays.
///
/// # Errors
/// An owner has the store, there is a store and `replace` is not set, `from` is no copy, or the
/// files could not be written.
pub fn restore(from: &Path, store: &Path, replace: bool) -> Result<Restored, StoreError> {
    if !from.exists() {
        return Err(StoreError::Missing { path: from.into() });
    }
    let store = &place::real(store);
    let lock = Lock::take(store)?;
    place::take_back(store)?;
    let exists = std::fs::metadata(store).is_ok_and(|facts| facts.len() > 0);
    if exists && !replace {
        return Err(exists_already(store));
    }
    let view = connect_reader(from)?;
    if schema::found(sqlite::connection(&view)?, from)? == 0 {
        return Err(StoreError::Foreign { path: from.into() });
    }
    mark::refuse_coming(&view, &from.display().to_string())?;
    let partial = Partial::new(store)?;
    partial.fill(&view)?;
    // A copy of an earlier shape is brought up before it is looked at. What the outbox held when the
    // copy was made says nothing of what it holds now: folders that are there stay as they are.
    let copied = connect(&partial.path, &schema::STORE, Mode::Owner, 0)?;
    results::forget_published(&copied)?;
    mark::has_come_back(&copied)?;
    drop(copied);
    let verified = Looker::open(&partial.path)?.verify(|_, _| ())?;
    if !verified.damages.is_empty() {
        return Ok(Restored {
            verified,
            old: None,
        });
    }
    let old = if exists {
        Some(set_aside(store)?)
    } else {
        None
    };
    lock.note_replaced()?;
    // Those of another file would be taken for this one's.
    for side in SIDE_FILES {
        remove_if_there(&beside(store, side))?;
    }
    partial.sync()?;
    std::fs::rename(&partial.path, store).map_err(at(store))?;
    sync_folder(store)?;
    remove_if_there(&beside(store, DOUBT))?;
    lock.note_made()?;
    Ok(Restored { verified, old })
}

/// Gives the store and its log a second name, so that the first can be taken away.
fn set_aside(store: &Path) -> Result<PathBuf, StoreError> {
    // Folds the log into the file, if the store can still be opened.
    if let Ok(tx) = connect(store, &schema::STORE, Mode::Guest, 0) {
        let _ = tx.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)");
    }
    let old = (1..10_000)
        .map(|number| beside(store, &format!("{BEFORE_RESTORE}{number}")))
        .find(|path| !path.exists())
        .ok_or_else(|| exists_already(store))?;
    std::fs::hard_link(store, &old).map_err(at(&old))?;
    let log = beside(store, "-wal");
    if log.exists() {
        let old_log = beside(&old, "-wal");
        std::fs::hard_link(&log, &old_log).map_err(at(&old_log))?;
    }
    sync_folder(store)?;
    Ok(old)
}

/// A copy under its passing name; removed unless finished.
struct Partial {
    path: PathBuf,
}

impl Partial {
    fn new(to: &Path) -> Result<Self, StoreError> {
        let path = beside(to, PARTIAL);
        if path.exists() {
            return Err(StoreError::Work(format!(
                "{}: another copy is being written here, or one was interrupted; \
                 delete that file if none is running",
                path.display()
            )));
        }
        make_private(&path)?;
        Ok(Partial { path })
    }

    /// SQLite writes the copy without syncing it (sqlite.org/lang_vacuum.html, VACUUM INTO).
    fn fill(&self, view: &View) -> Result<(), StoreError> {
        // Not for a view's own question: it changes nothing here, and writes a file.
        sqlite::connection(view)?.execute("VACUUM INTO ?1", [self.path.to_string_lossy()])?;
        self.sync()
    }

    fn sync(&self) -> Result<(), StoreError> {
        std::fs::File::open(&self.path)
            .and_then(|file| file.sync_all())
            .map_err(at(&self.path))
    }

    fn finish(self, to: &Path) -> Result<(), StoreError> {
        rename_new(&self.path, to).map_err(|error| at(to)(error.into()))?;
        sync_folder(to)
    }
}

impl Drop for Partial {
    fn drop(&mut self) {
        // After the rename there is nothing left under this name.
        for name in ["", "-wal", "-shm", "-journal"] {
            let _ = std::fs::remove_file(beside(&self.path, name));
        }
    }
}

fn refuse_existing(path: &Path) -> Result<(), StoreError> {
    match path.symlink_metadata() {
        Ok(_) => Err(exists_already(path)),
        Err(_) => Ok(()),
    }
}

fn exists_already(path: &Path) -> StoreError {
    StoreError::File {
        path: path.into(),
        source: std::io::ErrorKind::AlreadyExists.into(),
    }
}

fn remove_if_there(path: &Path) -> Result<(), StoreError> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(at(path)(error)),
        _ => Ok(()),
    }
}

fn at(path: &Path) -> impl Fn(std::io::Error) -> StoreError {
    let path = path.to_owned();
    move |source| StoreError::File {
        path: path.clone(),
        source,
    }
}
