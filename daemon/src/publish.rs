//! Finished results to the outbox folder: one folder per result, complete or absent.
//!
//! Written aside, synced, renamed, and only then marked in the store. A crash anywhere repeats
//! work and never shows half a result; the folder of a version has one name, so it is never
//! there twice.

mod claim;

pub use claim::{Claim, Holder, LOCK_FILE};

use crate::store::results::{self, ResultRow};
use crate::store::{Store, StoreError, patients};
use serde_json::Value;
use std::fs::{self, File};
use std::io::{self, Write};
use std::panic::resume_unwind;
use std::path::{Path, PathBuf};
use std::thread;

/// Start of the name of a folder that is still being written.
const ASIDE: &str = ".partial-";

/// Results between two marks in the store.
const BATCH: u32 = 64;

/// Threads that write them.
const WRITERS: usize = 8;

/// A result that did not reach the outbox. Those before it did.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// A file or folder could not be written.
    #[error("{}: cannot write the result: {source}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A name that is not safe in a folder.
    #[error("{name:?} is not safe as a file name, so this result cannot be published")]
    Name {
        /// The name.
        name: String,
    },
    /// Another store writes into this outbox now.
    #[error(
        "{}: the outbox is in use by {by}; two stores in one outbox would replace each other's \
         results. Stop that one, or name another folder in [outbox]", outbox.display()
    )]
    Taken {
        /// The outbox.
        outbox: PathBuf,
        /// Who has it.
        by: Box<Holder>,
    },
    /// Another store wrote into this outbox before.
    #[error(
        "{}: the outbox belongs to another store, of {by}; name another folder in [outbox]. If this \
         store takes the place of that one for good, delete {LOCK_FILE} in the outbox and start again",
        outbox.display()
    )]
    Foreign {
        /// The outbox.
        outbox: PathBuf,
        /// Whose it is.
        by: Box<Holder>,
    },
    /// Nobody was told of them, so they are not marked.
    #[error("the audit trail cannot be written, so results wait")]
    NotTold,
    /// The store could not be read or marked.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl PublishError {
    /// Whether a person has to change something before this can pass: nothing is gained by waiting.
    #[must_use]
    pub fn is_mistake(&self) -> bool {
        match self {
            PublishError::Taken { .. }
            | PublishError::Foreign { .. }
            | PublishError::Name { .. } => true,
            PublishError::Write { source, .. } => {
                let not_a_folder = matches!(
                    source.kind(),
                    io::ErrorKind::NotADirectory
                        | io::ErrorKind::AlreadyExists
                        | io::ErrorKind::InvalidInput
                );
                not_a_folder
                    || source.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error())
            }
            PublishError::NotTold | PublishError::Store(_) => false,
        }
    }
}

/// Files of a result: name and bytes.
pub type Files = Vec<(&'static str, Vec<u8>)>;

/// Writes some of the results that are not yet in the outbox, each as the folder
/// `<exam>-v<version>`, with the files that a renderer makes of it; every thread has its own. A
/// renderer that makes none leaves the result for another time. What was written waits for each of
/// the `destinations`, unless it is history. Returns how many were written, or
/// `None` when none was left.
///
/// # Errors
/// A result that could not be written; what was written is marked.
pub fn publish_some<R>(
    store: &Store,
    outbox: &Path,
    renderer: impl Fn() -> R + Sync,
    tell: impl Fn(&[ResultRow]) -> bool,
    destinations: &[String],
) -> Result<Option<usize>, PublishError>
where
    R: Fn(&ResultRow) -> Result<Option<Files>, StoreError>,
{
    let rows = store.read(|conn| results::unpublished(conn, BATCH))?;
    if rows.is_empty() {
        return Ok(None);
    }
    make_folder(outbox)?;
    let (damaged, rows): (Vec<_>, Vec<_>) = rows.into_iter().partition(|row| row.is_damaged);
    for row in damaged {
        store.write(move |tx| set_aside(tx, &row))?;
    }
    let written = side_by_side(&rows, |share| {
        let render = renderer();
        let write = |row| match render(row)? {
            Some(files) => write_result(outbox, row, &files).map(Some),
            None => Ok(None),
        };
        share.iter().map(write).collect()
    });
    let mut failed = None;
    let mut done = Vec::new();
    for (row, written) in rows.into_iter().zip(written) {
        match written {
            Ok(Some(None)) => done.push(row),
            Ok(None) => {}
            // Comes up again under its new number.
            Ok(Some(Some(newest))) => {
                store.write(move |tx| results::renumber(tx, &row.exam_id, row.version, newest))?
            }
            Err(error) => failed = Some(error),
        }
    }
    let published = done.len();
    if published > 0 {
        // The renames, before anyone relies on them. Also for folders that were there already:
        // the crash may have come between their rename and this.
        sync_folder(outbox).inspect_err(|_| take_back(outbox, &done))?;
        // What is not marked is found where it stands, and told then.
        if !tell(&done) {
            return Err(PublishError::NotTold);
        }
        let destinations = destinations.to_vec();
        store.write(move |tx| {
            let now = chrono::Utc::now();
            for row in &done {
                let to = match is_news(row) {
                    true => destinations.as_slice(),
                    false => &[],
                };
                results::mark_published(tx, &row.exam_id, row.version, to, now)?;
            }
            Ok(())
        })?;
    }
    failed.map_or(Ok(Some(published)), Err)
}

/// Whether anybody is to be told of a result: not of the history of an archive. What does not say so
/// is news.
fn is_news(row: &ResultRow) -> bool {
    let content: Option<Value> = serde_json::from_str(&row.content).ok();
    let told = content.and_then(|content| content.pointer("/exam/history_only")?.as_bool());
    told != Some(true)
}

/// What `work` makes of the shares of several threads, in order. Most of it is waiting for the disk,
/// which syncs several files in the time of one.
fn side_by_side<T: Send>(
    rows: &[ResultRow],
    work: impl Fn(&[ResultRow]) -> Vec<T> + Sync,
) -> Vec<T> {
    let work = &work;
    thread::scope(|scope| {
        let mut shares = rows.chunks(rows.len().div_ceil(WRITERS).max(1));
        let own = shares.next().unwrap_or_default();
        let others: Vec<_> = shares
            .map(|share| scope.spawn(move || work(share)))
            .collect();
        let mut done = work(own);
        for other in others {
            done.extend(other.join().unwrap_or_else(|panic| resume_unwind(panic)));
        }
        done
    })
}

/// After a failed sync of the outbox nobody knows which renames are on the disk, and a later sync
/// that succeeds does not say it either. What is not marked is written anew.
fn take_back(outbox: &Path, done: &[ResultRow]) {
    for row in done {
        let name = folder_name(&row.exam_id, row.version);
        let aside = aside_folder(outbox, &name);
        // On a disk in trouble this may fail as well; the failed sync is being told already.
        let _ = fs::rename(outbox.join(&name), &aside);
        let _ = fs::remove_dir_all(&aside);
    }
}

/// Where a result stands while it is not, or no more, in the outbox. By process: `label` may publish
/// beside the daemon.
fn aside_folder(outbox: &Path, name: &str) -> PathBuf {
    outbox.join(format!("{ASIDE}{}-{name}", std::process::id()))
}

/// The name of a result in the outbox.
pub(crate) fn folder_name(exam: &str, version: u32) -> String {
    format!("{exam}-v{version}")
}

/// A version that is not what was stored is not published; its patient is assessed again, which
/// makes another version.
pub(crate) fn set_aside(tx: &rusqlite::Connection, row: &ResultRow) -> Result<(), StoreError> {
    tracing::error!(
        code = "result-damaged",
        exam = row.exam_id,
        version = row.version,
        "another version is made"
    );
    let now = chrono::Utc::now();
    results::note_damaged(tx, &row.exam_id, row.version, now)?;
    patients::mark_dirty(tx, &row.patient, now)
}

/// Whether a published result still stands in the outbox.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Its folder is there and holds this result.
    Same,
    /// There is no such folder: whoever reads the outbox may take folders away.
    Gone,
    /// Its folder holds something else.
    Other,
}

/// Compares the folder of a result with its key and content.
///
/// # Errors
/// The outbox cannot be read.
pub fn standing(outbox: &Path, row: &ResultRow) -> io::Result<Standing> {
    let folder = outbox.join(folder_name(&row.exam_id, row.version));
    if !folder.symlink_metadata().is_ok_and(|facts| facts.is_dir()) {
        return Ok(Standing::Gone);
    }
    let bytes = match fs::read(folder.join("result.json")) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Standing::Other),
        bytes => bytes?,
    };
    let told = serde_json::from_slice(&bytes);
    let stored = serde_json::from_str(&row.content);
    let (Ok(Value::Object(told)), Ok(Value::Object(stored))) = (told, stored) else {
        return Ok(Standing::Other);
    };
    let is_same = told.get("key").and_then(Value::as_str) == Some(row.key.as_str())
        && stored
            .iter()
            .all(|(name, value)| told.get(name) == Some(value));
    Ok(if is_same {
        Standing::Same
    } else {
        Standing::Other
    })
}

/// The highest version of an exam in the outbox.
fn newest_version(outbox: &Path, exam: &str) -> io::Result<Option<u32>> {
    let mut newest = None;
    for entry in fs::read_dir(outbox)? {
        let name = entry?.file_name();
        let version = name
            .to_str()
            .and_then(|name| name.strip_prefix(exam)?.strip_prefix("-v")?.parse().ok());
        newest = newest.max(version);
    }
    Ok(newest)
}

/// Writes one result. `Some`: its number is taken by another result, which can only come from a
/// store that is not here any more; the number is the highest one taken.
fn write_result(
    outbox: &Path,
    row: &ResultRow,
    files: &[(&'static str, Vec<u8>)],
) -> Result<Option<u32>, PublishError> {
    let name = folder_name(&row.exam_id, row.version);
    for one in files.iter().map(|(name, _)| *name).chain([name.as_str()]) {
        check_name(one)?;
    }
    let to = outbox.join(&name);
    match standing(outbox, row).map_err(at(&to))? {
        Standing::Gone => {}
        // It has its name by a rename after a sync, so it is whole.
        Standing::Same => return Ok(None),
        Standing::Other => {
            let newest = newest_version(outbox, &row.exam_id).map_err(at(outbox))?;
            return Ok(Some(newest.unwrap_or(row.version)));
        }
    }
    let aside = aside_folder(outbox, &name);
    // Left by a crash.
    if aside.symlink_metadata().is_ok() {
        fs::remove_dir_all(&aside).map_err(at(&aside))?;
    }
    fs::create_dir(&aside).map_err(at(&aside))?;
    for (file, bytes) in files {
        let path = aside.join(file);
        File::create_new(&path)
            .and_then(|mut file| {
                file.write_all(bytes)?;
                file.sync_all()
            })
            .map_err(at(&path))?;
    }
    sync_folder(&aside)?;
    match fs::rename(&aside, &to) {
        // Another process was first; both wrote the same row.
        Err(_) if to.is_dir() => fs::remove_dir_all(&aside).map_err(at(&aside))?,
        renamed => renamed.map_err(at(&to))?,
    }
    Ok(None)
}

/// Removes what a crash left half written. For the owner of the store, before it publishes.
///
/// # Errors
/// The outbox cannot be read, or something in it cannot be removed.
pub fn sweep(outbox: &Path) -> Result<(), PublishError> {
    let entries = match fs::read_dir(outbox) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        entries => entries.map_err(at(outbox))?,
    };
    for entry in entries {
        let path = entry.map_err(at(outbox))?.path();
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        if name.is_some_and(|name| name.starts_with(ASIDE)) {
            fs::remove_dir_all(&path).map_err(at(&path))?;
        }
    }
    Ok(())
}

/// Our own names are made of letters, digits, points, dashes and underscores.
fn check_name(name: &str) -> Result<(), PublishError> {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"._-".contains(&byte);
    if name.bytes().all(plain) && !name.starts_with(['.', '-']) && (1..=200).contains(&name.len()) {
        Ok(())
    } else {
        Err(PublishError::Name {
            name: name.to_owned(),
        })
    }
}

/// Makes the outbox if it is missing, and syncs the folders that then have a new entry: results
/// must not vanish in a power cut together with the folder they are in.
fn make_folder(path: &Path) -> Result<(), PublishError> {
    if path.is_dir() {
        return Ok(());
    }
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => {
            make_folder(parent)?;
            fs::create_dir(path).map_err(at(path))?;
            sync_folder(parent)
        }
        _ => {
            fs::create_dir(path).map_err(at(path))?;
            sync_folder(Path::new("."))
        }
    }
}

fn sync_folder(path: &Path) -> Result<(), PublishError> {
    File::open(path)
        .and_then(|folder| folder.sync_all())
        .map_err(at(path))
}

fn at(path: &Path) -> impl Fn(io::Error) -> PublishError {
    let path = path.to_owned();
    move |source| PublishError::Write {
        path: path.clone(),
        source,
    }
}

#[cfg(test)]
mod tests;
