//! Whether the paths of a configuration can be what they have to be, looked at before anything is
//! opened or made. What is missing may be mounted or made later; a file never becomes a folder.

use super::Failure;
use crate::config::Config;
use std::fs;
use std::io::{Error, ErrorKind};
use std::path::Path;

/// # Errors
/// A file lies where a folder has to be, or the other way round; all of them at once.
pub(super) fn check(config: &Config) -> Result<(), Failure> {
    let file = |path: &Path, key: &str| {
        if path.is_dir() {
            Some(format!(
                "{}: is a folder; {key} names it, and must name a file",
                path.display()
            ))
        } else {
            let folder = path.parent()?;
            let why = not_a_folder(folder)?;
            Some(format!("{}: {why}; {key} names it", folder.display()))
        }
    };
    let folder = |path: &Path, key: &str| {
        let why = not_a_folder(path)?;
        Some(format!(
            "{}: {why}; {key} names it, and a folder must be there",
            path.display()
        ))
    };
    let drop = config.folder.path.as_deref();
    let audit = config.observe.audit.as_deref();
    let spool = config.store.spools().then(|| config.store.spool_file());
    let wrong = [
        config
            .store
            .file()
            .and_then(|path| file(path, "[store] path")),
        spool
            .as_deref()
            .and_then(|path| file(path, "[store] spool")),
        drop.and_then(|path| folder(path, "[receive.folder] path")),
        folder(&config.outbox.folder, "[outbox] folder"),
        audit.and_then(|path| file(path, "[observe] audit")),
    ];
    let wrong: Vec<String> = wrong.into_iter().flatten().collect();
    if wrong.is_empty() {
        Ok(())
    } else {
        Err(Failure::configuration(wrong.join("\n")))
    }
}

/// Why no folder can ever be there: the path, or part of it, is something else.
fn not_a_folder(path: &Path) -> Option<Error> {
    match fs::metadata(path) {
        Ok(facts) if facts.is_dir() => None,
        Ok(_) => Some(rustix::io::Errno::NOTDIR.into()),
        Err(error) => (error.kind() == ErrorKind::NotADirectory).then_some(error),
    }
}
