//! Commands for whoever writes templates and dictionaries: `template check`, `template try`,
//! `unmapped`.

use super::args::{TemplateCommand, UnmappedArgs};
use super::{Failure, ask, open, print};
use crate::extract::unexplained;
use crate::reading::{Rules, read_object};
use crate::store::{objects, readings};
use crate::template::Templates;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// `template`.
pub(super) fn template(command: &TemplateCommand) -> Result<(), Failure> {
    match command {
        TemplateCommand::Check { file } => {
            let templates = with(file)?;
            print::line(format_args!(
                "{}: no mistakes found; {} templates, {} codes explained",
                file.display(),
                templates.list().len(),
                templates.vocabulary().len()
            ));
            Ok(())
        }
        TemplateCommand::Try { file, paths } => try_on(file, paths),
    }
}

/// The built-in templates and vocabulary with one file more; every mistake in it at once.
fn with(file: &Path) -> Result<Templates, Failure> {
    let text = open::text_of(file, "the command line")?;
    // A dictionary has terms, words and rules; whatever else stands in a file, a template has.
    let is_dictionary = text.parse::<toml::Table>().is_ok_and(|table| {
        let mut keys = table.keys();
        !table.is_empty() && keys.all(|key| ["term", "word", "measure"].contains(&key.as_str()))
    });
    let named = [(file.display().to_string(), text)];
    let loaded = match is_dictionary {
        true => Templates::load(&[], &named),
        false => Templates::load(&named, &[]),
    };
    loaded.map_err(|mistakes| open::all(&mistakes))
}

/// Reads reports with the file in use; exit 1 when one of them gave no value.
fn try_on(file: &Path, paths: &[PathBuf]) -> Result<(), Failure> {
    let rules = Rules::new(with(file)?);
    let mut without = 0;
    for path in open::files(paths)? {
        let bytes =
            std::fs::read(&path).map_err(|e| Failure::no(format!("{}: {e}", path.display())))?;
        let reading = read_object(&bytes, None, "", &rules);
        without += usize::from(!reading.measurements.iter().any(|one| one.usable));
        ask::show_reading(&path, &reading);
    }
    match without {
        0 => Ok(()),
        n => Err(Failure::No(format!(
            "{n} of the reports gave no usable value"
        ))),
    }
}

/// One code that nobody explains.
#[derive(Serialize)]
struct Unmapped {
    value: String,
    scheme: String,
    /// Reports that hold it.
    reports: usize,
    /// Times it was met.
    times: usize,
}

/// `unmapped`: codes that look like ours over the whole store, commonest first.
pub(super) fn unmapped(args: &UnmappedArgs) -> Result<(), Failure> {
    let config = open::config(&args.config.config)?;
    let store = open::guest(&config)?;
    let mut codes: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    store
        .read(|conn| {
            readings::each(conn, |reading| {
                // A report may tell of a code for each eye.
                let mut here = BTreeSet::new();
                for (code, times) in reading.remarks.iter().filter_map(unexplained) {
                    let count = codes.entry(code.clone()).or_default();
                    count.0 += usize::from(here.insert(code));
                    count.1 += times;
                }
            })
        })
        .map_err(Failure::no)?;
    let mut rows: Vec<Unmapped> = codes
        .into_iter()
        .filter_map(|(code, (reports, times))| {
            let (value, scheme) = code.rsplit_once(' ')?;
            let (value, scheme) = (value.to_owned(), scheme.to_owned());
            Some(Unmapped {
                value,
                scheme,
                reports,
                times,
            })
        })
        .collect();
    rows.sort_by_key(|row| std::cmp::Reverse((row.reports, row.times)));
    for row in &rows {
        if args.json {
            print::json(row)?;
        } else {
            print::line(stub(row));
        }
    }
    let missing = store.read(objects::count_missing).map_err(Failure::no)?;
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: a new dictionary does not reach them"
        ));
    }
    if rows.is_empty() && !args.json {
        print::line("every code that looks like ours is explained");
    }
    Ok(())
}

/// A `[[term]]` to paste into a site dictionary, what it means left open.
fn stub(row: &Unmapped) -> String {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    format!(
        "# in {} reports, {} times\n[[term]]\ncode = {}\nscheme = {}\n\
         # says = {{ quantity = \"sheath_diameter\", eye = \"right\" }}\n",
        row.reports,
        row.times,
        quoted(&row.value),
        quoted(&row.scheme)
    )
}
