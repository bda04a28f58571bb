//! The export folder: parts become visible whole, and count once the manifest names them.
//!
//! A part is written aside, synced, told to the audit trail, moved to its place by renames, and then
//! named in a manifest that replaces the one before. A run that was cut off leaves files aside, which
//! are thrown away, or files in their places that no manifest names, which are taken away before the
//! next part is written.

use super::ExportError;
use super::files::{Files, Hashed, Places};
use super::manifest::{File, Manifest, Resources, SCHEMA, Through};
use super::package::package;
use serde::Serialize;
use std::collections::BTreeSet;
use std::fs::{self, DirBuilder, OpenOptions};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

const MANIFEST: &str = "manifest.json";
const PACKAGE: &str = "datapackage.json";
const LOCK: &str = ".lock";
const ASIDE: &str = ".partial";
const HISTORY: &str = "history";

/// Asked before files become visible; `false`: nobody could be told, so they must not.
pub(super) type Tell<'a> = dyn Fn() -> bool + 'a;

/// An export folder, held by this process alone.
pub(super) struct Folder {
    path: PathBuf,
    pub(super) manifest: Manifest,
    _lock: fs::File,
}

impl Folder {
    /// Opens it, or makes it, and clears what a run that was cut off left behind.
    pub(super) fn open(path: &Path, identified: bool) -> Result<Folder, ExportError> {
        make(path)?;
        let lock = hold(path)?;
        let manifest = match manifest(path)? {
            Some(manifest) if manifest.identified != identified => {
                return Err(ExportError::Mixed {
                    path: path.to_owned(),
                });
            }
            Some(manifest) => manifest,
            None => {
                only_ours(path)?;
                Manifest::new(identified)
            }
        };
        let folder = Folder {
            path: path.to_owned(),
            manifest,
            _lock: lock,
        };
        folder.sweep()?;
        folder.describe()?;
        Ok(folder)
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Begins a further part of the history.
    pub(super) fn part(&self) -> Result<Files, ExportError> {
        Ok(Files::new(
            self.aside()?,
            Places::Month(self.manifest.parts + 1),
        ))
    }

    /// Makes a part visible, and says how far the history goes now.
    pub(super) fn add(
        &mut self,
        part: Files,
        through: Through,
        damaged: u64,
        tell: &Tell<'_>,
    ) -> Result<u64, ExportError> {
        let files = part.end()?;
        let rows = files.iter().map(|(_, file)| file.rows).sum::<u64>() / 2;
        self.show(&files, tell)?;
        let manifest = &mut self.manifest;
        manifest
            .history
            .extend(files.into_iter().map(|(_, file)| file));
        manifest.through = through;
        manifest.parts += 1;
        manifest.damaged += damaged;
        self.describe()?;
        Ok(rows)
    }

    /// Begins the current view.
    pub(super) fn view(&self) -> Result<Files, ExportError> {
        Ok(Files::new(self.aside()?, Places::Table))
    }

    /// Puts the current view in the place of the one before. Meanwhile the manifest names none.
    pub(super) fn replace(
        &mut self,
        view: Files,
        through: Through,
        tell: &Tell<'_>,
    ) -> Result<u64, ExportError> {
        let files = view.end()?;
        let rows = files.iter().map(|(_, file)| file.rows).sum::<u64>() / 2;
        self.manifest.current_through = None;
        self.manifest.current.clear();
        self.describe()?;
        self.show(&files, tell)?;
        self.manifest.current = files.into_iter().map(|(_, file)| file).collect();
        self.manifest.current_through = Some(through);
        self.describe()?;
        Ok(rows)
    }

    /// Puts FHIR resources in the place of those before, with the manifest of their own that Bulk Data
    /// Access describes. Meanwhile ours names none.
    pub(super) fn replace_fhir(
        &mut self,
        files: Vec<(PathBuf, Resources)>,
        through: Through,
        listed: &impl Serialize,
        tell: &Tell<'_>,
    ) -> Result<(), ExportError> {
        let before = std::mem::take(&mut self.manifest.fhir);
        self.manifest.fhir_through = None;
        self.describe()?;
        let places = files.iter();
        let places = places.map(|(from, file)| (from.as_path(), file.path.as_str()));
        self.put(places, tell)?;
        let is_there = |old: &Resources| files.iter().any(|(_, file)| file.path == old.path);
        for old in before.iter().filter(|old| !is_there(old)) {
            let path = self.path.join(&old.path);
            fs::remove_file(&path).map_err(ExportError::at(&path))?;
        }
        self.write_json("fhir/manifest.json", listed)?;
        self.manifest.fhir = files.into_iter().map(|(_, file)| file).collect();
        self.manifest.fhir_through = Some(through);
        self.describe()
    }

    /// Where files are written that nobody sees yet.
    pub(super) fn aside(&self) -> Result<PathBuf, ExportError> {
        let aside = self.path.join(ASIDE);
        make(&aside)?;
        Ok(aside)
    }

    /// Moves finished files to their places.
    fn show(&self, files: &[(PathBuf, File)], tell: &Tell<'_>) -> Result<(), ExportError> {
        let places = files.iter();
        let places = places.map(|(from, file)| (from.as_path(), file.path.as_str()));
        self.put(places, tell)
    }

    /// Moves files that are synced to places in the folder, after somebody was told.
    fn put<'a>(
        &self,
        files: impl Iterator<Item = (&'a Path, &'a str)>,
        tell: &Tell<'_>,
    ) -> Result<(), ExportError> {
        let mut files = files.peekable();
        if files.peek().is_some() && !tell() {
            return Err(ExportError::NotTold);
        }
        let mut folders = BTreeSet::new();
        for (from, place) in files {
            let to = self.path.join(place);
            if let Some(folder) = to.parent()
                && folders.insert(folder.to_owned())
            {
                make(folder)?;
            }
            fs::rename(from, &to).map_err(ExportError::at(&to))?;
        }
        folders.iter().try_for_each(|folder| sync(folder))
    }

    /// Writes data package and manifest anew, the manifest last.
    fn describe(&self) -> Result<(), ExportError> {
        self.write_json(PACKAGE, &package(&self.manifest))?;
        self.write_json(MANIFEST, &self.manifest)
    }

    /// Writes a file of the folder whole, in the place of the one before.
    fn write_json(&self, name: &str, value: &impl Serialize) -> Result<(), ExportError> {
        let to = self.path.join(name);
        let aside = self.aside()?.join(name.replace('/', "+"));
        let mut file = Hashed::create(&aside)?;
        let mut bytes =
            serde_json::to_vec_pretty(value).map_err(|error| ExportError::at(&to)(error.into()))?;
        bytes.push(b'\n');
        file.write_all(&bytes).map_err(ExportError::at(&aside))?;
        file.end()?;
        fs::rename(&aside, &to).map_err(ExportError::at(&to))?;
        sync(to.parent().unwrap_or(&self.path))
    }

    fn sweep(&self) -> Result<(), ExportError> {
        let aside = self.path.join(ASIDE);
        match fs::remove_dir_all(&aside) {
            Err(error) if error.kind() != ErrorKind::NotFound => {
                return Err(ExportError::at(&aside)(error));
            }
            _ => {}
        }
        let named = self.manifest.history.iter();
        let named: BTreeSet<PathBuf> = named.map(|file| self.path.join(&file.path)).collect();
        for table in entries(&self.path.join(HISTORY))? {
            for month in entries(&table)? {
                for file in entries(&month)? {
                    let name = file.file_name().unwrap_or_default().to_string_lossy();
                    // Of names that are not ours somebody else knows.
                    if name.starts_with("part-") && !named.contains(&file) {
                        fs::remove_file(&file).map_err(ExportError::at(&file))?;
                    }
                }
            }
        }
        Ok(())
    }
}

fn hold(path: &Path) -> Result<fs::File, ExportError> {
    let name = path.join(LOCK);
    let lock = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(&name)
        .map_err(ExportError::at(&name))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(fs::TryLockError::WouldBlock) => Err(ExportError::Held {
            path: path.to_owned(),
        }),
        Err(fs::TryLockError::Error(error)) => Err(ExportError::at(&name)(error)),
    }
}

fn manifest(path: &Path) -> Result<Option<Manifest>, ExportError> {
    let name = path.join(MANIFEST);
    let bytes = match fs::read(&name) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        bytes => bytes.map_err(ExportError::at(&name))?,
    };
    let unreadable = |why: String| ExportError::Manifest {
        path: name.clone(),
        why,
    };
    let manifest: Manifest =
        serde_json::from_slice(&bytes).map_err(|error| unreadable(error.to_string()))?;
    match manifest.schema.as_str() {
        SCHEMA => Ok(Some(manifest)),
        other => Err(unreadable(format!("its schema is {other}, not {SCHEMA}"))),
    }
}

/// A folder without a manifest must be empty, but for what the very first run may have left.
fn only_ours(path: &Path) -> Result<(), ExportError> {
    let ours = [LOCK, ASIDE, PACKAGE].map(|name| path.join(name));
    if entries(path)?.iter().all(|entry| ours.contains(entry)) {
        Ok(())
    } else {
        Err(ExportError::Foreign {
            path: path.to_owned(),
        })
    }
}

fn entries(folder: &Path) -> Result<Vec<PathBuf>, ExportError> {
    let entries = match fs::read_dir(folder) {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            return Ok(Vec::new());
        }
        entries => entries.map_err(ExportError::at(folder))?,
    };
    let paths = entries.map(|entry| entry.map(|entry| entry.path()));
    paths
        .collect::<Result<_, _>>()
        .map_err(ExportError::at(folder))
}

/// Makes a folder, and syncs the one it stands in.
fn make(path: &Path) -> Result<(), ExportError> {
    if path.is_dir() {
        return Ok(());
    }
    let parent = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    make(parent)?;
    let made = DirBuilder::new().mode(0o750).create(path);
    made.map_err(ExportError::at(path))?;
    sync(parent)
}

fn sync(folder: &Path) -> Result<(), ExportError> {
    let synced = fs::File::open(folder).and_then(|folder| folder.sync_all());
    synced.map_err(ExportError::at(folder))
}
