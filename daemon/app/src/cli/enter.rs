//! What people enter: `measure` and `bring-in`. Each is one act: checked, shown, kept in one
//! transaction, followed by one round of results.

mod bring_in;
mod measure;
mod rest;

pub(super) use bring_in::bring_in;
pub(super) use measure::measure;

use super::daemon::drain_with_progress;
use super::{Code, Failure, print};
use crate::config::Config;
use crate::entering::{NotEntered, Withdrawn};
use crate::pipeline::Pipeline;
use serde::Serialize;
use sheathline_model::domain::Millimetres;
use sheathline_model::entered::Limits;

/// What is typed is held against these.
fn limits(config: &Config) -> Result<Limits, Failure> {
    let length = |mm: f64| {
        Millimetres::from_mm(mm)
            .ok_or_else(|| Failure::configuration(format!("{mm} is no length in millimetres")))
    };
    Ok(Limits {
        plausible: (
            length(config.baseline.plausible_min)?,
            length(config.baseline.plausible_max)?,
        ),
        sigma_w_mm: config.baseline.sigma_w,
    })
}

/// Reads, assesses and publishes now; a running daemon may do it first, which is as good.
fn finish(pipeline: &Pipeline) -> Result<(), Failure> {
    drain_with_progress(pipeline)?;
    pipeline
        .not_written()
        .map_or(Ok(()), |why| Err(Failure::new(Code::Incomplete, why)))
}

/// What is to be looked at once more, and whether that was accepted.
fn doubts(doubts: &[String], accepted: bool, dry_run: bool) -> Result<(), Failure> {
    for doubt in doubts {
        print::line(format_args!("look once more: {doubt}"));
    }
    if doubts.is_empty() || accepted || dry_run {
        return Ok(());
    }
    Err(Failure::new(
        Code::NotConfirmed,
        "nothing was entered; --accept-doubts enters it as it is",
    ))
}

/// What a command that takes something back prints with `--json`.
#[derive(Serialize)]
struct TakenBack<'a> {
    withdrawn: &'a str,
    reports: usize,
    already: usize,
}

fn tell_withdrawn(which: &str, done: Withdrawn, json: bool) -> Result<(), Failure> {
    let Withdrawn { reports, already } = done;
    print::line(format_args!(
        "{which}: {reports} reports taken back, {already} were so already"
    ));
    if json {
        print::json(&TakenBack {
            withdrawn: which,
            reports,
            already,
        })
    } else {
        Ok(())
    }
}

impl From<NotEntered> for Failure {
    fn from(error: NotEntered) -> Self {
        match error {
            NotEntered::Store(error) => error.into(),
            NotEntered::Faults(_) | NotEntered::Lines(_) => {
                Failure::usage(format!("{error}\nnothing was entered"))
            }
            NotEntered::NoTable(_) | NotEntered::NotTyped(_) => {
                Failure::new(Code::NotFound, error.to_string())
            }
            NotEntered::Unread(_) | NotEntered::Overtaken => {
                Failure::new(Code::Incomplete, error.to_string())
            }
            NotEntered::Form(error) => Failure::of(Code::NotMade, error),
        }
    }
}
