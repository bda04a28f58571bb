//! Where a store is, and whether the files there are still those that are open.
//!
//! A file that is open stays usable after its name was taken away: without a look at the names all
//! would go on as if nothing had happened, until the next start.

use super::StoreError;
use super::file_id::Id;
use super::lock::{beside, is_held, note_beside};
use super::note::{Files, Note};
use std::fmt;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Before the number, in the name of a store that a restored one took the place of.
pub(super) const BEFORE_RESTORE: &str = ".before-restore-";

/// Links that are followed before a path counts as a circle, as Linux does (path_resolution(7)).
const LINKS_MAX: usize = 40;

/// Where a store is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// One file on this machine, without links in its path.
    File(PathBuf),
    /// A server, as host:port/database.
    Server(String),
}

impl Place {
    /// The file, where it is one.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        match self {
            Place::File(path) => Some(path),
            Place::Server(_) => None,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::File(path) => write!(f, "{}", path.display()),
            Place::Server(server) => f.write_str(server),
        }
    }
}

/// The path without links, so that the files beside the store are found whatever name led to it.
/// A store that is not made yet has one as well.
pub(super) fn real(path: &Path) -> PathBuf {
    let mut path = path.to_owned();
    for _ in 0..LINKS_MAX {
        if let Ok(real) = path.canonicalize() {
            return real;
        }
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        match path.read_link() {
            Ok(target) => path = folder.join(target),
            Err(_) => {
                let name = path.file_name();
                return match (folder.canonicalize(), name) {
                    (Ok(folder), Some(name)) => folder.join(name),
                    _ => path,
                };
            }
        }
    }
    path
}

/// The files of an open store.
#[derive(Debug)]
pub(super) struct Opened {
    path: PathBuf,
    store: Id,
    log: Id,
    index: Id,
}

/// What is not as it was opened.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Strayed {
    /// The store, or what belongs to it, is another one or gone.
    Lost(String),
    /// The log alone: what stands in it can still be brought over.
    Log(String),
}

impl Opened {
    /// Notes which files they are, once all are open.
    pub(super) fn note(path: &Path) -> Result<Opened, StoreError> {
        let id = |path: &Path| {
            Id::at(path).map_err(|source| StoreError::File {
                path: path.into(),
                source,
            })
        };
        Ok(Opened {
            path: path.to_owned(),
            store: id(path)?,
            log: id(&beside(path, "-wal"))?,
            index: id(&beside(path, "-shm"))?,
        })
    }

    pub(super) fn store(&self) -> Id {
        self.store
    }

    /// For the lock file.
    pub(super) fn files(&self) -> Files {
        Files {
            store: self.store.inode,
            log: self.log.inode,
        }
    }

    /// Looks whether each name still leads to the file that is open.
    pub(super) fn strayed(&self) -> Option<Strayed> {
        let look = |path: &Path, opened, what: &str| match Id::at(path) {
            Ok(id) if id == opened => None,
            Ok(_) => Some(format!("another file lies in the place of {what}")),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                Some(format!("{what} was deleted or moved"))
            }
            Err(error) => Some(format!("{what} cannot be looked at: {error}")),
        };
        if let Some(why) = look(&self.path, self.store, "the file of the store") {
            return Some(Strayed::Lost(why));
        }
        let log = beside(&self.path, "-wal");
        if let Some(why) = look(&log, self.log, "its log (-wal)") {
            return Some(Strayed::Log(why));
        }
        let index = beside(&self.path, "-shm");
        look(&index, self.index, "the index of its log (-shm)").map(Strayed::Lost)
    }
}

/// Looks before anything is opened: SQLite would take whatever log lies there for the one of the
/// file, and make a new one beside an owner that has lost its own.
pub(super) fn look_before(path: &Path) -> Result<Note, StoreError> {
    refuse_links(path)?;
    let note = note_beside(path);
    refuse_mixed(path, note)?;
    if let Some(files) = note.files {
        let here = inode(path).zip(inode(&beside(path, "-wal")));
        if here != Some((files.store, files.log)) && is_held(path) {
            return Err(StoreError::InDoubt {
                why: "its files are not those that the running process has open".to_owned(),
            });
        }
    }
    Ok(note)
}

/// A log beside a file that it was not written for.
pub(super) fn refuse_mixed(path: &Path, note: Note) -> Result<(), StoreError> {
    let (Some(files), Some(store), Some(log)) =
        (note.files, inode(path), inode(&beside(path, "-wal")))
    else {
        return Ok(());
    };
    if log == files.log && store != files.store {
        return Err(StoreError::Mixed { path: path.into() });
    }
    Ok(())
}

fn inode(path: &Path) -> Option<u64> {
    Id::at(path).ok().map(|id| id.inode)
}

/// The log lies beside one name only, so by another one a store is without it.
pub(super) fn refuse_links(path: &Path) -> Result<(), StoreError> {
    let Ok(facts) = std::fs::metadata(path) else {
        return Ok(());
    };
    let ours = kept_names(path, Id::of(&facts)).len() as u64;
    if facts.nlink() > 1 + ours {
        Err(StoreError::Linked {
            path: path.into(),
            inode: facts.ino(),
        })
    } else {
        Ok(())
    }
}

/// Second names that a restore gave this very file, and did not get further.
fn kept_names(store: &Path, id: Id) -> Vec<PathBuf> {
    let Some(start) = beside(store, BEFORE_RESTORE)
        .file_name()
        .map(|name| name.as_encoded_bytes().to_owned())
    else {
        return Vec::new();
    };
    let folder = store.parent().unwrap_or(Path::new("."));
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter(|entry| {
            let name = entry.file_name();
            let number = name.as_encoded_bytes().strip_prefix(start.as_slice());
            number.is_some_and(|number| number.iter().all(u8::is_ascii_digit))
        })
        .map(|entry| entry.path())
        .filter(|path| Id::at(path).is_ok_and(|one| one == id))
        .collect()
}

/// Takes back what a restore began and was cut off at: the store has its own name still, and needs
/// no second one. Its log may have lost its first name already.
pub(super) fn take_back(store: &Path) -> Result<(), StoreError> {
    let at = |path: &Path| {
        let path = path.to_owned();
        move |source| StoreError::File { path, source }
    };
    let Ok(id) = Id::at(store) else {
        return Ok(());
    };
    let names = kept_names(store, id);
    if names.is_empty() {
        return Ok(());
    }
    let log = beside(store, "-wal");
    for name in &names {
        let kept = beside(name, "-wal");
        match (Id::at(&kept), Id::at(&log)) {
            (Ok(_), Err(_)) => std::fs::rename(&kept, &log).map_err(at(&kept))?,
            (Ok(one), Ok(other)) if one == other => {
                std::fs::remove_file(&kept).map_err(at(&kept))?;
            }
            _ => {}
        }
    }
    sync_folder(store)?;
    for name in &names {
        std::fs::remove_file(name).map_err(at(name))?;
    }
    sync_folder(store)
}

pub(super) fn sync_folder(path: &Path) -> Result<(), StoreError> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|source| StoreError::File {
            path: folder.into(),
            source,
        })
}
