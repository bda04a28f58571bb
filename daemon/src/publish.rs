//! Finished results to the outbox folder: one folder per result, complete or absent.
//!
//! Written aside, synced, renamed, and only then marked in the store. A crash anywhere repeats
//! work and never shows half a result; the folder of a version has one name, so it is never
//! there twice.

use crate::store::results::{self, ResultRow};
use crate::store::{Store, StoreError};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Start of the name of a folder that is still being written.
const ASIDE: &str = ".partial-";

/// Results between two marks in the store.
const BATCH: u32 = 32;

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
    /// The store could not be read or marked.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Writes some of the results that are not yet in the outbox, each as the folder
/// `<exam>-v<version>`, with the files that `render` makes of it (name and bytes). Returns how
/// many, or `None` when none was left.
///
/// # Errors
/// The first result that could not be written; what was written is marked.
pub fn publish_some(
    store: &Store,
    outbox: &Path,
    render: impl Fn(&ResultRow) -> Result<Vec<(&'static str, Vec<u8>)>, StoreError>,
) -> Result<Option<usize>, PublishError> {
    let rows = store.read(|conn| results::unpublished(conn, BATCH))?;
    if rows.is_empty() {
        return Ok(None);
    }
    make_folder(outbox)?;
    let mut done = Vec::new();
    let mut failed = None;
    for row in rows {
        let written = render(&row)
            .map_err(PublishError::from)
            .and_then(|files| write_result(outbox, &row, &files));
        match written {
            Ok(()) => done.push((row.exam_id, row.version)),
            Err(error) => {
                failed = Some(error);
                break;
            }
        }
    }
    let published = done.len();
    if published > 0 {
        // The renames, before anyone relies on them. Also for folders that were there already:
        // the crash may have come between their rename and this.
        sync_folder(outbox).inspect_err(|_| take_back(outbox, &done))?;
        store.write(move |tx| {
            let now = chrono::Utc::now();
            for (exam, version) in &done {
                results::mark_published(tx, exam, *version, now)?;
            }
            Ok(())
        })?;
    }
    failed.map_or(Ok(Some(published)), Err)
}

/// After a failed sync of the outbox nobody knows which renames are on the disk, and a later sync
/// that succeeds does not say it either. What is not marked is written anew.
fn take_back(outbox: &Path, done: &[(String, u32)]) {
    for (exam, version) in done {
        let name = folder_name(exam, *version);
        let aside = outbox.join(format!("{ASIDE}{}-{name}", std::process::id()));
        // On a disk in trouble this may fail as well; the failed sync is being told already.
        let _ = fs::rename(outbox.join(&name), &aside);
        let _ = fs::remove_dir_all(&aside);
    }
}

fn folder_name(exam: &str, version: u32) -> String {
    format!("{exam}-v{version}")
}

fn write_result(
    outbox: &Path,
    row: &ResultRow,
    files: &[(&'static str, Vec<u8>)],
) -> Result<(), PublishError> {
    let name = folder_name(&row.exam_id, row.version);
    for one in files.iter().map(|(name, _)| *name).chain([name.as_str()]) {
        check_name(one)?;
    }
    let to = outbox.join(&name);
    if to.symlink_metadata().is_ok_and(|facts| facts.is_dir()) {
        // It has its name by a rename after a sync, so it is whole.
        return Ok(());
    }
    // By process: `label` may publish beside the daemon.
    let aside = outbox.join(format!("{ASIDE}{}-{name}", std::process::id()));
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
        Err(_) if to.is_dir() => fs::remove_dir_all(&aside).map_err(at(&aside)),
        renamed => renamed.map_err(at(&to)),
    }
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
