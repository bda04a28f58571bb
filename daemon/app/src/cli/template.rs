//! Commands for whoever writes templates and dictionaries: `template check`, `template try`.

use super::args::TemplateCommand;
use super::{Code, Failure, ask, open, print};
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;
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
    let text = open::text_of(file)?;
    // A dictionary has terms, words and rules; whatever else stands in a file, a template has.
    let is_dictionary = text.parse::<toml::Table>().is_ok_and(|table| {
        let mut keys = table.keys();
        !table.is_empty()
            && keys.all(|key| ["term", "word", "name", "measure"].contains(&key.as_str()))
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
        let bytes = std::fs::read(&path).map_err(|e| Failure::at(&path, e))?;
        let reading = read_object(&bytes, None, "", &rules);
        without += usize::from(!reading.measurements.iter().any(|one| one.usable));
        ask::show_reading(&path, &reading);
    }
    match without {
        0 => Ok(()),
        n => Err(Failure::new(
            Code::CheckFailed,
            format!("{n} of the reports gave no usable value"),
        )),
    }
}
