//! `export`: the store as tables for analysts.

use super::args::ConfigArg;
use super::{Failure, context, print};
use crate::export::deidentify;
use crate::export::deidentify::cells::SMALL_BELOW;
use crate::export::deidentify::devices::Known;
use crate::export::deidentify::key::Secret;
use crate::export::manifest::Summary;
use crate::export::row::Identified;
use crate::export::run::{Done, Job, Phase, Watch, run};
use crate::observe::Trail;
use crate::observe::audit::Event;
use chrono::Utc;
use clap::Args;
use indicatif::ProgressBar;
use serde::Serialize;
use std::io::IsTerminal;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// Arguments of `export`.
#[derive(Debug, Args)]
pub(super) struct ExportArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Folder to write: a new one, or an earlier export.
    ///
    /// To an earlier export only what became known since is added; the current view is written anew.
    #[arg(short, long, alias = "to", value_name = "DIR")]
    output: PathBuf,
    /// Export with identities: patient ids, birth dates, names of operators, UIDs.
    ///
    /// The audit trail records it.
    #[arg(long, conflicts_with = "key")]
    identified: bool,
    /// Export without identities, by the secret in this file.
    ///
    /// Pseudonyms, dates shifted by weeks, ages in years, no instants of the store, no free text. Only
    /// what holds now, written anew each time. The file has one line of 64 hexadecimal digits, as
    /// `openssl rand -hex 32` draws them, for its owner alone to read.
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// List of machines whose maker and model are exported as they are.
    ///
    /// `maker|model` or `maker` one a line. Of all others they become pseudonyms, since sites write
    /// their wards there.
    #[arg(long, value_name = "FILE", requires = "key")]
    known_devices: Option<PathBuf>,
    /// Write FHIR resources, too: one file of JSON lines for each type.
    #[arg(long, conflicts_with = "key")]
    fhir: bool,
    /// Results in one file of the history.
    ///
    /// A run that is cut off repeats one file.
    #[arg(long, value_name = "NUMBER", default_value_t = 50_000, value_parser = clap::value_parser!(u32).range(1..))]
    part: u32,
    /// Print JSON, one object a line.
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
enum Line<'a> {
    /// Files became visible.
    Shown { phase: &'static str, rows: u64 },
    /// It is done.
    Done {
        folder: &'a Path,
        parts: u32,
        rows: u64,
        current_rows: Option<u64>,
        fhir_resources: Option<u64>,
        damaged: u64,
    },
    /// An export without identities is done.
    Deidentified {
        folder: &'a Path,
        rows: u64,
        #[serde(flatten)]
        summary: &'a Summary,
    },
}

pub(super) fn export(args: &ExportArgs) -> Result<(), Failure> {
    match &args.key {
        Some(key) => without_identities(args, key),
        None if args.identified => with_identities(args),
        None => Err(Failure::usage(
            "choose: --key FILE exports without identities (make a key with `openssl rand -hex 32`), \
             --identified with them, and such files are to be kept like patient records",
        )),
    }
}

fn without_identities(args: &ExportArgs, key: &Path) -> Result<(), Failure> {
    let secret = secret(key)?;
    let known = match &args.known_devices {
        Some(path) => known_devices(path)?,
        None => Known::default(),
    };
    let config = context::config(&args.config.config)?;
    let trail = context::observed(&config)?.trail;
    let store = context::guest(&config)?;
    let to = absolute(args)?;
    let told = || {
        let what = "tables without identities, of all patients of the store";
        trail.as_ref().is_none_or(|trail| tell(trail, &to, what))
    };
    let job = deidentify::run::Job {
        store: &store,
        to: &to,
        secret: &secret,
        known: &known,
        tell: &told,
    };
    let mut shown = Shown::new(args);
    let (rows, summary, before) = deidentify::run::run(&job, &mut shown)?;
    if args.json {
        return print::json(&Line::Deidentified {
            folder: &args.output,
            rows,
            summary: &summary,
        });
    }
    print::line(format_args!(
        "{rows} rows hold now, without identities; {}",
        args.output.display()
    ));
    let counted = summary.counted;
    print::line(format_args!(
        "{} patients in {} groups of equal sex and age; {} groups hold fewer than {SMALL_BELOW}, {} \
         patients in all, who are the easiest to find; {} of them are alone in a group",
        counted.patients,
        counted.cells,
        counted.small_cells,
        counted.patients_in_small_cells,
        counted.patients_alone
    ));
    match before {
        None => {}
        Some(rule) if rule == summary.rule => print::note(
            "an export of this key stood here before. Whoever has both knows of each exam that is new \
             that it was done in between, which gives its patient's shift away; pass on one of them",
        ),
        Some(rule) => print::note(format_args!(
            "the files before were made by rule {rule}, these are made by rule {}: their dates differ. \
             Whoever has files of rule 1 can work out their true dates; take a new key",
            summary.rule
        )),
    }
    Ok(())
}

/// Reads a list of machines.
fn known_devices(path: &Path) -> Result<Known, Failure> {
    let wrong = |why: &dyn std::fmt::Display| Failure::usage(format!("{}: {why}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|error| wrong(&error))?;
    Known::parse(&text).map_err(|error| wrong(&error))
}

/// Reads a key that nobody else may read.
fn secret(path: &Path) -> Result<Secret, Failure> {
    let wrong = |why: &dyn std::fmt::Display| Failure::usage(format!("{}: {why}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|error| wrong(&error))?;
    let mode = std::fs::metadata(path)
        .map_err(|error| wrong(&error))?
        .permissions()
        .mode();
    if mode & 0o077 != 0 {
        return Err(wrong(&"others may read this key; chmod 600"));
    }
    Secret::parse(&text).map_err(|error| wrong(&error))
}

fn with_identities(args: &ExportArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let trail = context::observed(&config)?.trail.ok_or_else(|| {
        Failure::usage(
            "an export with identities is told to the audit trail, and the configuration names \
             none; set [observe] audit",
        )
    })?;
    let store = context::guest(&config)?;
    let to = absolute(args)?;
    let what = "tables with identities of all patients of the store";
    let told = || tell(&trail, &to, what);
    let job = Job {
        store: &store,
        to: &to,
        identified: true,
        transform: &Identified,
        part: args.part,
        fhir: args.fhir,
        tell: &told,
    };
    let mut shown = Shown::new(args);
    let done = run(&job, &mut shown)?;
    report(args, &done)
}

/// The folder by its whole name: the trail is read elsewhere.
fn absolute(args: &ExportArgs) -> Result<PathBuf, Failure> {
    std::path::absolute(&args.output).map_err(Failure::from)
}

fn tell(trail: &Trail, folder: &Path, what: &str) -> bool {
    let event = Event::Exported {
        folder: folder.to_owned(),
        user: context::user(),
        what: what.to_owned(),
    };
    trail.write(&[(Utc::now(), event)])
}

fn report(args: &ExportArgs, done: &Done) -> Result<(), Failure> {
    if args.json {
        return print::json(&Line::Done {
            folder: &args.output,
            parts: done.parts,
            rows: done.rows,
            current_rows: done.current,
            fhir_resources: done.fhir,
            damaged: done.damaged,
        });
    }
    let folder = args.output.display();
    match done.current {
        None => print::line(format_args!("nothing new since the last export; {folder}")),
        Some(current) => print::line(format_args!(
            "{} rows added in {} parts; {current} rows hold now; {folder}",
            done.rows, done.parts
        )),
    }
    if let Some(resources) = done.fhir {
        print::line(format_args!("{resources} FHIR resources; {folder}/fhir"));
    }
    if done.damaged > 0 {
        print::note(format_args!(
            "{} damaged versions of results were left out; `verify` names them, and the daemon makes \
             further versions",
            done.damaged
        ));
    }
    Ok(())
}

/// Shows a run to whoever asked for it.
struct Shown {
    json: bool,
    bar: Option<ProgressBar>,
}

impl Watch for Shown {
    fn begin(&mut self, phase: Phase, steps: u64) {
        self.end();
        let is_seen = !self.json && std::io::stderr().is_terminal() && steps > 0;
        self.bar = is_seen.then(|| print::progress(word(phase), steps));
    }

    fn step(&mut self, steps: u64) {
        if let Some(bar) = &self.bar {
            bar.inc(steps);
        }
    }

    fn shown(&mut self, phase: Phase, rows: u64) {
        if phase != Phase::History {
            self.end();
        }
        if self.json {
            let phase = word(phase);
            // The same words cannot fail to be JSON.
            let _ = print::json(&Line::Shown { phase, rows });
        }
    }
}

impl Shown {
    fn new(args: &ExportArgs) -> Self {
        Shown {
            json: args.json,
            bar: None,
        }
    }

    fn end(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

fn word(phase: Phase) -> &'static str {
    match phase {
        Phase::History => "history",
        Phase::Current => "current",
        Phase::Fhir => "fhir",
    }
}
