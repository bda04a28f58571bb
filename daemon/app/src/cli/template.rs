//! Commands for whoever writes templates and dictionaries: `template check`, `template try`.

use super::args::TemplateCommand;
use super::{Code, Failure, context, offline, print};
use serde::Serialize;
use sheathline_model::domain::Mistake;
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;
use std::path::{Path, PathBuf};

/// `template`.
pub(super) fn template(command: &TemplateCommand) -> Result<(), Failure> {
    match command {
        TemplateCommand::Check { file, json } => check(file, *json),
        TemplateCommand::Try { file, paths, json } => try_on(file, paths, *json),
    }
}

/// What `template check --json` prints of a file without mistakes.
#[derive(Serialize)]
struct Checked {
    templates: usize,
    codes: usize,
}

fn check(file: &Path, json: bool) -> Result<(), Failure> {
    let checked = match with(file)? {
        Ok(loaded) => Checked {
            templates: loaded.list().len(),
            codes: loaded.vocabulary().len(),
        },
        Err(mistakes) if json => {
            mistakes.iter().try_for_each(print::json)?;
            return Err(offline::how_many(&mistakes).told_of(file.display()));
        }
        Err(mistakes) => return Err(context::all(&mistakes)),
    };
    print::line(format_args!(
        "{}: no mistakes found; {} templates, {} codes explained",
        file.display(),
        checked.templates,
        checked.codes
    ));
    if json { print::json(&checked) } else { Ok(()) }
}

/// The built-in templates and vocabulary with one file more; every mistake in it at once.
fn with(file: &Path) -> Result<Result<Templates, Vec<Mistake>>, Failure> {
    let text = context::text_of(file)?;
    // A dictionary has terms, words and rules; whatever else stands in a file, a template has.
    let is_dictionary = text.parse::<toml::Table>().is_ok_and(|table| {
        let mut keys = table.keys();
        !table.is_empty()
            && keys.all(|key| ["term", "word", "name", "measure"].contains(&key.as_str()))
    });
    let named = [(file.display().to_string(), text)];
    Ok(if is_dictionary {
        Templates::load(&[], &named)
    } else {
        Templates::load(&named, &[])
    })
}

/// Reads reports with the file in use; exit 1 when one of them gave no value.
fn try_on(file: &Path, paths: &[PathBuf], json: bool) -> Result<(), Failure> {
    let templates = with(file)?.map_err(|mistakes| context::all(&mistakes))?;
    let rules = Rules::new(templates);
    let mut without = 0;
    for path in context::files(paths)? {
        let bytes = std::fs::read(&path).map_err(|e| Failure::at(&path, e))?;
        let reading = read_object(&bytes, None, "", &rules);
        without += usize::from(!reading.measurements.iter().any(|one| one.usable));
        offline::show(&path, &reading, json)?;
    }
    match without {
        0 => Ok(()),
        n => Err(Failure::new(
            Code::CheckFailed,
            format!("{n} of the reports gave no usable value"),
        )),
    }
}
