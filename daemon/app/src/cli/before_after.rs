//! `template try`: reports read without and with a file, side by side.

mod words;

use super::args::TryArgs;
use super::{Code, Failure, context, offline, print};
use crate::config::Config;
use crate::trial::{Both, More, Outcome};
use serde::Serialize;
use sheathline_model::domain::{ObjectReading, Source};
use sheathline_model::reading::trial::{Changed, Tally, compare};
use sheathline_store::objects;
use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use words::{show, tell};

/// Tries a file. Exit 1 when a value is lost or becomes another, or a report gives none.
pub(super) fn try_on(args: &TryArgs) -> Result<(), Failure> {
    let config = match &args.config.config {
        Some(path) => context::config(path)?,
        None if args.paths.is_empty() => {
            return Err(Failure::usage(
                "name reports, or with --config a configuration whose store holds some",
            ));
        }
        None => Config::default(),
    };
    let source = args.sender.source();
    let before = context::rules(&config)?;
    let named = (
        args.file.display().to_string(),
        context::text_of(&args.file)?,
    );
    let (files, _) = context::template_files(&config, &[])?;
    let more = More::of(files, named, source.as_ref());
    let templates = more
        .templates()
        .map_err(|mistakes| context::all(&mistakes))?;
    let after = context::rules_with(&config, templates)?;
    let both = Both {
        before: &before,
        after: &after,
    };
    let mut trial = Trial {
        more: &more,
        json: args.json,
        outcome: Outcome::default(),
    };
    let mut not_read = Vec::new();
    if args.paths.is_empty() {
        of_store(&config, source.as_ref(), &both, &mut trial)?;
    } else {
        offline::note_of_nobody(&config, source.as_ref());
        let source = source.unwrap_or(Source::File);
        let assumed = offline::assumed(&config, both.before, &source);
        for path in context::files(&args.paths)? {
            match context::bytes_of(&path, config.folder.max_object_bytes) {
                Ok(bytes) => {
                    let read = both.read(&bytes, None, assumed);
                    let name = path.display().to_string();
                    trial.take(Some(&name), &source, &read)?;
                }
                Err(why) => not_read.push(format!("not read: {why}")),
            }
        }
    }
    trial.tell(&args.file)?;
    not_read.extend(trial.outcome.complaints());
    if not_read.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, not_read.join("\n")))
    }
}

/// Tries every report of the store, or those of a source.
fn of_store(
    config: &Config,
    only: Option<&Source>,
    both: &Both<'_>,
    trial: &mut Trial<'_>,
) -> Result<(), Failure> {
    let store = context::guest(config)?;
    let mut failed = None;
    both.stored(
        &store,
        only,
        |source, read| match trial.take(None, source, read) {
            Ok(()) => ControlFlow::Continue(()),
            Err(failure) => {
                failed = Some(failure);
                ControlFlow::Break(())
            }
        },
        |id, why| print::note(format_args!("object {id} is not read: {why}")),
    )?;
    if let Some(failure) = failed {
        return Err(failure);
    }
    let missing = store.read(objects::count_missing)?;
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: they are not in this"
        ));
    }
    Ok(())
}

/// One line of `template try --json`: the reading with the file, that without it, and what differs.
#[derive(Serialize)]
struct Line<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    path: Option<&'a str>,
    sender: &'a str,
    #[serde(flatten)]
    reading: &'a ObjectReading,
    before: &'a ObjectReading,
    changes: &'a [Changed],
    remarks_new: &'a BTreeMap<String, usize>,
    remarks_gone: &'a BTreeMap<String, usize>,
}

/// The last lines: one for the reports of each sender and device.
#[derive(Serialize)]
struct Sum<'a> {
    sender: &'a str,
    by_device: &'a str,
    tally: &'a Tally,
}

/// A trial under way.
struct Trial<'m> {
    more: &'m More,
    json: bool,
    outcome: Outcome,
}

impl Trial<'_> {
    /// Takes in one report, read without and with the file.
    fn take(
        &mut self,
        path: Option<&str>,
        source: &Source,
        read: &[ObjectReading; 2],
    ) -> Result<(), Failure> {
        let [before, after] = read;
        let compared = compare(before, after);
        if self.json {
            print::json(&Line {
                path,
                sender: &source.to_string(),
                reading: after,
                before,
                changes: &compared.values,
                remarks_new: &compared.remarks_new,
                remarks_gone: &compared.remarks_gone,
            })?;
        }
        let name = path.unwrap_or(after.uid());
        self.outcome.take(name, source, read, &compared);
        Ok(())
    }

    /// Prints what came of it.
    fn tell(&self, file: &Path) -> Result<(), Failure> {
        let mut rows: Vec<_> = self.outcome.tallies.iter().collect();
        rows.sort_by_key(|(_, tally)| Reverse(tally.reports));
        if self.json {
            return rows.iter().try_for_each(|((sender, by_device), tally)| {
                print::json(&Sum {
                    sender,
                    by_device,
                    tally,
                })
            });
        }
        print::line(format_args!(
            "{}: tried on {} reports; nothing of it is in force",
            file.display(),
            self.outcome.reports()
        ));
        if self.more.proposals > 0 {
            print::line(format_args!(
                "{} proposals that nobody has confirmed count as if confirmed",
                self.more.proposals
            ));
        }
        for one in &self.more.replaced {
            print::line(format_args!("in place of {one}"));
        }
        for ((sender, device), tally) in rows {
            show(sender, device, tally);
        }
        tell(&self.outcome.grave, "lost or changed");
        tell(&self.outcome.gained, "gained, or otherwise different");
        Ok(())
    }
}
