//! What people know: `label`, `pressure`, `event`, `acknowledge`, `settle`, `note`, `leave-out`,
//! `take-back` and `second`. Each command is one act: shown first, recorded in one transaction, followed by one round
//! of results.

mod act;
mod event;
mod label;
mod pressure;
mod rise;
mod who;

pub(super) use event::event;
pub(super) use label::label;
pub(super) use pressure::pressure;
pub(super) use rise::{acknowledge, leave_out, note, second, settle, take_back};
pub(super) use who::Who;

use super::{Code, Failure, print};
use crate::pipeline::Pipeline;
use act::Done;
use chrono::NaiveDateTime;
use serde::Serialize;
use sheathline_model::domain::PatientKey;

/// Publishes now.
pub(super) fn publish(pipeline: &Pipeline) -> Result<(), Failure> {
    pipeline.publish()?;
    pipeline
        .not_written()
        .map_or(Ok(()), |why| Err(Failure::new(Code::Incomplete, why)))
}

/// Tells the audit trail, assesses and publishes now; a running daemon may do it first, which is as
/// good. Also where nothing was said that is new: the same command may have been cut off before.
fn finish(pipeline: &Pipeline) -> Result<(), Failure> {
    // Where the trail cannot be written, whoever works on the store next tells it.
    pipeline.tell_said()?;
    assess(pipeline)
}

/// Ends an act whose results are shown: those of everybody of whom something was said.
fn finish_and_show(pipeline: &Pipeline, done: &Done, json: bool) -> Result<(), Failure> {
    if !done.dry_run {
        finish(pipeline)?;
    }
    let recorded = Recorded::of(pipeline, done)?;
    recorded.assessed.iter().for_each(Line::show);
    if json { print::json(&recorded) } else { Ok(()) }
}

/// Assesses and publishes now, and shows the patient's results.
pub(super) fn reassess(pipeline: &Pipeline, key: &PatientKey) -> Result<Vec<Line>, Failure> {
    assess(pipeline)?;
    let lines = lines(pipeline, key)?;
    lines.iter().for_each(Line::show);
    Ok(lines)
}

fn assess(pipeline: &Pipeline) -> Result<(), Failure> {
    while pipeline.assess_some()? > 0 {}
    publish(pipeline)
}

/// What a command that records something prints with `--json`.
#[derive(Serialize)]
struct Recorded {
    dry_run: bool,
    /// Entries recorded; of a dry run those that would be.
    entries: usize,
    first_entry: Option<i64>,
    assessed: Vec<Line>,
}

impl Recorded {
    fn of(pipeline: &Pipeline, done: &Done) -> Result<Self, Failure> {
        let mut assessed = Vec::new();
        for key in &done.of_whom {
            assessed.extend(lines(pipeline, key)?);
        }
        Ok(Recorded {
            dry_run: done.dry_run,
            entries: done.entries,
            first_entry: done.first,
            assessed,
        })
    }
}

/// The newest result of an exam, in short.
#[derive(Serialize)]
pub(super) struct Line {
    exam_id: String,
    performed_at: NaiveDateTime,
    version: u32,
    status: &'static str,
    flagged: bool,
    #[serde(skip)]
    said: String,
}

impl Line {
    fn show(&self) {
        print::line(format_args!(
            "  {} {} v{} {}",
            self.performed_at.format("%Y-%m-%d %H:%M"),
            self.exam_id,
            self.version,
            self.said
        ));
    }
}

/// A patient's results, oldest exam first.
fn lines(pipeline: &Pipeline, key: &PatientKey) -> Result<Vec<Line>, Failure> {
    let latest = pipeline
        .store()
        .read(|conn| crate::known::latest_results(conn, key))?;
    let mut lines = Vec::with_capacity(latest.len());
    for row in latest {
        let content = crate::known::content_of(&row)?;
        lines.push(Line {
            performed_at: content.exam.performed_at.local,
            status: content.assessment.status.word(),
            said: content.in_short(),
            flagged: content.assessment.flagged,
            version: row.version,
            exam_id: row.exam_id,
        });
    }
    lines.sort_by(|a, b| {
        let key = |line: &Line| (line.performed_at, line.exam_id.clone());
        key(a).cmp(&key(b))
    });
    Ok(lines)
}
