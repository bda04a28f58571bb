//! The files of templates and dictionaries that a configuration names.

use crate::config::{Config, Setting};
use sheathline_model::template::{Files, SenderFiles};
use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

/// The files of templates and dictionaries that a configuration names, and why some of the
/// dictionaries cannot be read.
pub(crate) fn files(config: &Config, origins: &[Setting]) -> Result<(Files, Vec<String>), String> {
    const FOLDER: &str = "[templates] folder";
    let mut extra = Vec::new();
    if let Some(folder) = &config.templates.folder {
        for path in toml_files(folder, FOLDER)? {
            extra.push((path.display().to_string(), text(&path, FOLDER)?));
        }
    }
    let mut missing = Vec::new();
    let files = Files {
        extra,
        dictionaries: dictionaries(
            &config.templates.dictionaries,
            ("templates", None),
            origins,
            &mut missing,
        ),
        senders: config
            .scoped_dictionaries()
            .into_iter()
            .map(|scoped| {
                let named_by = (scoped.table, Some(scoped.row));
                SenderFiles {
                    dictionaries: dictionaries(scoped.files, named_by, origins, &mut missing),
                    conditions: scoped.conditions,
                }
            })
            .collect(),
        ..Files::default()
    };
    Ok((files, missing))
}

/// Reads a file of text; why not names it and who named it.
fn text(path: &Path, named_by: &str) -> Result<String, String> {
    fs::read_to_string(path).map_err(|error| {
        let path = path.display();
        match error.kind() {
            ErrorKind::InvalidData => format!("{path}: is not UTF-8; save it as UTF-8"),
            _ => format!("{path}: {error}; {named_by} names it"),
        }
    })
}

/// Name and text of the dictionaries that a table names; why others cannot be read is added.
fn dictionaries(
    paths: &[PathBuf],
    (table, row): (&str, Option<usize>),
    origins: &[Setting],
    missing: &mut Vec<String>,
) -> Vec<(String, String)> {
    let heading = match row {
        None => format!("[{table}]"),
        Some(_) => format!("[[{table}]]"),
    };
    let mut named = Vec::new();
    for path in paths {
        match text(path, &format!("{heading} dictionaries")) {
            Ok(text) => named.push((path.display().to_string(), text)),
            Err(failure) => {
                let origin = Setting::find(origins, &heading, row, "dictionaries");
                let at = origin.map_or(String::new(), |one| format!("{}: ", one.origin));
                missing.push(format!("{at}{failure}"));
            }
        }
    }
    named
}

/// The files `*.toml` of a folder, by name.
pub(crate) fn toml_files(folder: &Path, named_by: &str) -> Result<Vec<PathBuf>, String> {
    let failed = |error: io::Error| format!("{}: {error}; {named_by} names it", folder.display());
    let mut paths = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        if path.extension().is_some_and(|found| found == "toml") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}
