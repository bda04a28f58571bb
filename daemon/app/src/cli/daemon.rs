//! The daemon and its one-shot twin: `serve`, `process`.

use super::args::{ConfigArg, ProcessArgs};
use super::inspect::sum;
use super::service::{self, Receivers};
use super::{Code, Failure, context, issuers, places, print};
use crate::config::Config;
use crate::intake::{Intake, Name, NotKept, Object, Reception, Telling};
use crate::observe::Observed;
use crate::pipeline::{Pipeline, Progress};
use crate::receive::folder::file::NotRead;
use serde::Serialize;
use sheathline_model::domain::Source;
use sheathline_store::bodies::Dropped;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::runtime::Runtime;

/// `serve`: the daemon.
pub(super) fn serve(args: &ConfigArg) -> Result<(), Failure> {
    service::serve(&args.config)
}

/// Receives as the daemon does while `work` runs; the pipeline stands still.
pub(crate) fn while_serving(
    config: &Config,
    work: impl FnOnce(SocketAddr, &Runtime) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let reception = Reception::Store(context::owner(config)?);
    let runtime = service::runtime()?;
    let receivers = Receivers::start(&runtime, config, &reception, &Observed::default(), None)?;
    let address = receivers
        .address
        .ok_or_else(|| Failure::configuration("the listener is switched off"))?;
    let outcome = work(address, &runtime);
    receivers.stop(&runtime);
    outcome
}

/// `process`: takes every file once and runs the pipeline until drained.
pub(super) fn process(args: &ProcessArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    places::check(&config)?;
    let files = context::files(&args.paths)?;
    let observed = context::observed(&config)?;
    let pipeline = context::pipeline(&config, context::owner(&config)?, observed.clone())?;
    let done = take_all(args, &config, &pipeline, &observed, &files);
    // A note more or less loses nothing.
    let _ = pipeline.claim().note(pipeline.store());
    Failure::of_doubt(pipeline.store()).map_or(done, Err)
}

fn take_all(
    args: &ProcessArgs,
    config: &Config,
    pipeline: &Pipeline,
    observed: &Observed,
    files: &[PathBuf],
) -> Result<(), Failure> {
    pipeline
        .sweep()
        .map_err(|error| Failure::from(error).advised(context::OUTBOX))?;
    if let Some(change) = pipeline.refresh()? {
        print::note(change);
    }
    let apart = issuers::apart(config, pipeline.store(), || false);
    if let Some(apart) = apart? {
        print::note(apart.words());
    }
    let bar = print::progress("taking files", files.len() as u64);
    let mut not_taken = Vec::new();
    for path in files {
        if let Err(why) = take(pipeline, observed, config, path) {
            not_taken.push(format!("not taken: {why}"));
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    let done = drain_with_progress(pipeline)?;
    while pipeline.gather_some()? {}
    loop {
        match pipeline.drop_some_bodies()? {
            Dropped::Some(_) => {}
            Dropped::None | Dropped::EnoughToday => break,
            Dropped::ClockAhead { newest } => {
                let newest = newest.date_naive();
                print::note(format_args!(
                    "{} The newest came on {newest}.",
                    Dropped::CLOCK
                ));
                break;
            }
        }
    }
    let sum = sum(pipeline.store())?;
    if args.json {
        #[derive(Serialize)]
        struct Summary {
            files: usize,
            results_written: usize,
            sum: crate::pipeline::Sum,
        }
        print::json(&Summary {
            files: files.len(),
            results_written: done.published,
            sum,
        })?;
    } else {
        print::line(format_args!(
            "files {}, results written {}",
            files.len(),
            done.published
        ));
        print::line(format_args!("{sum}"));
        print::line(format_args!("outbox: {}", config.outbox.folder.display()));
        if sum.quarantined > 0 {
            print::line("what is in quarantine and why: sheathline quarantine --config FILE");
        }
    }
    not_taken.extend(pipeline.not_written());
    if not_taken.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::Incomplete, not_taken.join("\n")))
    }
}

fn take(
    pipeline: &Pipeline,
    observed: &Observed,
    config: &Config,
    path: &Path,
) -> Result<(), Failure> {
    let intake = Intake::of_store(pipeline.store(), observed);
    let limit = config.folder.max_object_bytes;
    let bytes = context::bytes_unless(path, limit, |why| match (why, why.unfit()) {
        (_, Some(unfit)) => drop(intake.refuse(&Name::None, &Source::File, unfit)),
        (NotRead::Failed(_), None) => {
            intake.unreadable(&Name::None, &Source::File, Telling::All);
        }
        _ => {}
    })?;
    let object = Object {
        bytes,
        syntax: None,
        default_issuer: config.folder.default_issuer.clone(),
        name: Name::None,
        history: None,
        telling: Telling::All,
    };
    match intake.keep_waiting(object, &Source::File).stored() {
        Ok(_) => Ok(()),
        Err(NotKept::Unfit(unfit)) => Err(Failure::new(Code::Refused, unfit.to_string())),
        Err(NotKept::Store(error)) => Err(error.into()),
    }
}

/// Drains the pipeline with a bar on a terminal.
pub(crate) fn drain_with_progress(pipeline: &Pipeline) -> Result<Progress, Failure> {
    let waiting = sum(pipeline.store())?.waiting;
    let bar = print::progress("reading objects", waiting.into());
    let done = pipeline.drain(Duration::ZERO, |done| bar.set_position(done.read as u64))?;
    bar.finish_and_clear();
    Ok(done)
}
