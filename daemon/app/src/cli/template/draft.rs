//! `template draft`: what stands in the way of values, as a draft of a dictionary.

use crate::cli::args::DraftArgs;
use crate::cli::{Code, Failure, context, offline, print};
use crate::config::Config;
use crate::trial::unexplained::{Told, of_store};
use serde::Serialize;
use sheathline_model::domain::{CodeRole, Source};
use sheathline_model::draft::{self, Claims, Draft, Facts, Kind, Row, Seen};
use sheathline_model::reading::{Rules, read_object};
use std::path::Path;

/// One row as JSON.
#[derive(Serialize)]
pub(in crate::cli) struct Listed<'a> {
    /// What it would become: `term`, `label`, `word`, or `nameless`.
    kind: &'static str,
    value: &'a str,
    scheme: &'a str,
    /// What it stands for in reports.
    roles: Vec<&'static str>,
    /// Reports that hold it.
    reports: usize,
    /// Times it was met.
    times: usize,
    senders: Vec<&'a str>,
    /// Code Meanings as sent, or the text of a label or word.
    meanings: &'a [String],
    /// Where it stands and with which values.
    examples: &'a [Seen],
    /// What it clearly says, as keys and words of a dictionary. Never in force.
    proposed: Claims,
    /// Why nothing or no side is proposed.
    notes: &'a [String],
}

/// What stands for the code of a number that has no concept name.
const NO_NAME: &str = "(no concept name)";

impl Listed<'_> {
    pub(in crate::cli) fn of(row: &Row) -> Listed<'_> {
        let (kind, value, scheme) = match &row.kind {
            Kind::Term { code, scheme } => ("term", code.as_str(), scheme.as_str()),
            Kind::Label { text } => ("label", text.as_str(), ""),
            Kind::Word { text } => ("word", text.as_str(), ""),
            Kind::Nameless => ("nameless", NO_NAME, ""),
        };
        Listed {
            kind,
            value,
            scheme,
            roles: row.seen_as.iter().copied().map(CodeRole::word).collect(),
            reports: row.reports,
            times: row.times,
            senders: row.senders.keys().map(String::as_str).collect(),
            meanings: &row.meanings,
            examples: &row.examples,
            proposed: row.proposed(),
            notes: &row.notes,
        }
    }
}

/// Notes what a list of codes cannot tell.
pub(in crate::cli) fn note(told: &Told) {
    let (missing, before) = (told.missing, told.before);
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: a new dictionary does not reach them"
        ));
    }
    if before > 0 {
        print::note(format_args!(
            "{before} reports hold codes that nobody explains and were read before these were listed: \
             read them again to see which (any change of dictionaries or templates has all read again)"
        ));
    }
    if told.is_gathering {
        print::note(
            "reports that were read before the last update of the program are still being gathered: \
             there may be more; ask again in some minutes",
        );
    }
    if told.beyond > 0 {
        print::note(format_args!(
            "{} reports are left out because there are too many kinds of them",
            told.beyond
        ));
    }
}

/// Gathers the facts of files, read as those of the sender if one is named.
fn of_files(args: &DraftArgs, config: &Config, rules: &Rules) -> Result<Facts, Failure> {
    let source = args.sender.source().unwrap_or(Source::File);
    let mut facts = Facts::default();
    for path in context::files(&args.paths)? {
        let bytes = context::bytes_of(&path, config.folder.max_object_bytes)?;
        let assumed = offline::assumed(config, rules, &source);
        facts.add(&source, &read_object(&bytes, None, assumed, rules));
    }
    Ok(facts)
}

pub(super) fn run(args: &DraftArgs) -> Result<(), Failure> {
    let config = match &args.config.config {
        Some(path) => context::config(path)?,
        None if args.paths.is_empty() => {
            return Err(Failure::usage(
                "name reports, or the configuration whose store is looked through: --config FILE",
            ));
        }
        None => Config::default(),
    };
    let rules = context::rules(&config)?;
    let mut facts = if args.paths.is_empty() {
        let told = of_store(&context::guest(&config)?)?;
        note(&told);
        told.facts
    } else {
        of_files(args, &config, &rules)?
    };
    if let Some(name) = &args.sender.sender
        && args.paths.is_empty()
    {
        keep(&mut facts, name)?;
    }
    let draft = draft::draft(&facts, rules.templates.vocabulary().names());
    if draft.rows.is_empty() {
        print::note(
            "nothing to draft: no code or label that nobody explains stands before a value",
        );
        return Ok(());
    }
    if let Some(path) = &args.output {
        context::write_new(path, &draft.to_toml())?;
    }
    if args.json {
        return draft
            .rows
            .iter()
            .try_for_each(|row| print::json(&Listed::of(row)));
    }
    match &args.output {
        Some(path) => tell(path, &draft),
        None => print::lines(draft.to_toml().trim_end()),
    }
    Ok(())
}

/// Keeps one sender; one that is not there is told with those that are.
fn keep(facts: &mut Facts, name: &str) -> Result<(), Failure> {
    let mut known: Vec<String> = facts.senders().keys().map(|one| one.name()).collect();
    known.truncate(20);
    facts.keep(name);
    if facts.is_empty() {
        let known = if known.is_empty() {
            "nothing stands in the way of any".to_owned()
        } else {
            format!("there are {}", known.join(", "))
        };
        return Err(Failure::new(
            Code::NotFound,
            format!("nothing that nobody explains comes from a sender {name:?}; {known}"),
        ));
    }
    Ok(())
}

fn tell(path: &Path, draft: &Draft) {
    let open = draft.rows.iter().filter(|row| row.is_open()).count();
    let shown = path.display();
    print::line(format_args!(
        "{shown}: {} codes and texts, of which {open} are left open; nothing of it is in force",
        draft.rows.len()
    ));
    print::line(format_args!(
        "next: sheathline template confirm {shown} --output DICTIONARY"
    ));
}
