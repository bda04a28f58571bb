//! Commands for whoever writes templates and dictionaries.

mod confirm;
pub(super) mod draft;

use super::args::TemplateCommand;
use super::{Failure, before_after, checking, context, print};
use crate::trial::is_dictionary;
use serde::Serialize;
use sheathline_model::domain::Mistake;
use sheathline_model::draft::doubts;
use sheathline_model::template::Templates;
use std::path::Path;

/// `template`.
pub(super) fn template(command: &TemplateCommand) -> Result<(), Failure> {
    match command {
        TemplateCommand::Check { file, json } => check(file, *json),
        TemplateCommand::Draft(args) => draft::run(args),
        TemplateCommand::Confirm(args) => confirm::run(args),
        TemplateCommand::Try(args) => before_after::try_on(args),
    }
}

/// What `template check --json` prints of a file without mistakes.
#[derive(Serialize)]
struct Checked {
    templates: usize,
    codes: usize,
}

fn check(file: &Path, json: bool) -> Result<(), Failure> {
    let told = match with(file)? {
        // What can be read and still cannot be meant.
        Ok(loaded) => match doubts(&file.display().to_string(), &context::text_of(file)?) {
            doubts if doubts.is_empty() => Ok(loaded),
            doubts => Err(doubts),
        },
        told => told,
    };
    let checked = match told {
        Ok(loaded) => Checked {
            templates: loaded.list().len(),
            codes: loaded.vocabulary().len(),
        },
        Err(mistakes) if json => {
            mistakes.iter().try_for_each(print::json)?;
            return Err(checking::how_many(&mistakes).told_of(file.display()));
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
    let is_dictionary = is_dictionary(&text);
    let named = [(file.display().to_string(), text)];
    Ok(if is_dictionary {
        Templates::load(&[], &named)
    } else {
        Templates::load(&named, &[])
    })
}
