//! Whether the paths of a configuration can be what they have to be, looked at before anything is
//! opened or made. What is missing may be mounted or made later; a file never becomes a folder.

use super::Failure;
use crate::config::Config;
use rustix::fs::{Access, access};
use std::fs;
use std::io::{Error, ErrorKind};
use std::path::Path;

/// A path of the configuration, and what about it.
pub(super) struct Place {
    /// The heading of its table.
    pub(super) table: &'static str,
    pub(super) key: &'static str,
    pub(super) what: String,
}

/// A path with the key that names it.
struct Named<'c> {
    path: &'c Path,
    table: &'static str,
    key: &'static str,
    /// Whether a folder has to be there; a file otherwise.
    is_folder: bool,
    /// Whether `serve` makes it, with the folders before it.
    is_made: bool,
}

impl Named<'_> {
    fn place(&self, what: String) -> Place {
        Place {
            table: self.table,
            key: self.key,
            what,
        }
    }

    /// The folder that it is, or lies in.
    fn folder(&self) -> Option<&Path> {
        if self.is_folder {
            Some(self.path)
        } else {
            self.path.parent()
        }
    }
}

fn named<'c>(config: &'c Config, spool: Option<&'c Path>) -> Vec<Named<'c>> {
    let file = |path, table, key, is_made| Named {
        path,
        table,
        key,
        is_folder: false,
        is_made,
    };
    let folder = |path, table, key, is_made| Named {
        is_folder: true,
        ..file(path, table, key, is_made)
    };
    let store = config.store.file();
    let drop = config.folder.path.as_deref();
    let audit = config.observe.audit.as_deref();
    [
        store.map(|path| file(path, "[store]", "path", true)),
        spool.map(|path| file(path, "[store]", "spool", true)),
        drop.map(|path| folder(path, "[receive.folder]", "path", false)),
        Some(folder(&config.outbox.folder, "[outbox]", "folder", true)),
        audit.map(|path| file(path, "[observe]", "audit", false)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// # Errors
/// A file lies where a folder has to be, or the other way round; all of them at once.
pub(super) fn check(config: &Config) -> Result<(), Failure> {
    let wrong: Vec<String> = wrong(config).into_iter().map(|one| one.what).collect();
    if wrong.is_empty() {
        Ok(())
    } else {
        Err(Failure::configuration(wrong.join("\n")))
    }
}

/// Files where folders have to be, and the other way round.
pub(super) fn wrong(config: &Config) -> Vec<Place> {
    each(config, |one| {
        let (path, table, key) = (one.path.display(), one.table, one.key);
        if one.is_folder {
            let why = not_a_folder(one.path)?;
            Some(format!(
                "{path}: {why}; {table} {key} names it, and a folder must be there"
            ))
        } else if one.path.is_dir() {
            Some(format!(
                "{path}: is a folder; {table} {key} names it, and must name a file"
            ))
        } else {
            let folder = one.folder()?;
            let why = not_a_folder(folder)?;
            Some(format!(
                "{}: {why}; {table} {key} names it",
                folder.display()
            ))
        }
    })
}

/// Folders that have to be there before the start, and are not.
pub(super) fn missing(config: &Config) -> Vec<Place> {
    each(config, |one| {
        let folder = one.folder().filter(|_| !one.is_made)?;
        let folder = if folder.as_os_str().is_empty() {
            Path::new(".")
        } else {
            folder
        };
        let error = fs::metadata(folder).err()?;
        (error.kind() == ErrorKind::NotFound).then(|| {
            format!(
                "{}: is not there; {} {} names it; make it, or mount it before the start",
                folder.display(),
                one.table,
                one.key
            )
        })
    })
}

/// Folders in which the account that asks cannot write. The service may run under another one.
pub(super) fn not_writable(config: &Config) -> Vec<Place> {
    each(config, |one| {
        let folder = one.folder()?;
        // What is made is made in the nearest folder that is there.
        let there = folder.ancestors().find(|path| path.exists());
        let there = there
            .filter(|path| !path.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        // What is no folder is wrong, and told as that.
        if !there.is_dir() {
            return None;
        }
        let error = access(there, Access::WRITE_OK | Access::EXEC_OK).err()?;
        Some(format!(
            "{}: {} as {}; {} {} names it; the account of the service must be able to write there",
            there.display(),
            Error::from(error),
            super::context::user(),
            one.table,
            one.key
        ))
    })
}

fn each(config: &Config, look: impl Fn(&Named<'_>) -> Option<String>) -> Vec<Place> {
    let spool = config.store.spools().then(|| config.store.spool_file());
    let all = named(config, spool.as_deref());
    let told = all.iter().filter_map(|one| Some(one.place(look(one)?)));
    told.collect()
}

/// Why no folder can ever be there: the path, or part of it, is something else.
fn not_a_folder(path: &Path) -> Option<Error> {
    match fs::metadata(path) {
        Ok(facts) if facts.is_dir() => None,
        Ok(_) => Some(rustix::io::Errno::NOTDIR.into()),
        Err(error) => (error.kind() == ErrorKind::NotADirectory).then_some(error),
    }
}
