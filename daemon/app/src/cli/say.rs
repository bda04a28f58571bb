//! What people know: `label`, `pressure` and `event`. Each command is one act: shown first, recorded
//! in one transaction, followed by one round of results.

mod act;
mod effect;
mod event;
mod label;
mod person;
mod pressure;
mod table;
mod who;

pub(super) use event::event;
pub(super) use label::label;
pub(super) use person::moment;
pub(super) use pressure::pressure;

use super::{Code, Failure, print};
use crate::pipeline::Pipeline;
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
fn finish_and_show(pipeline: &Pipeline, of_whom: &[PatientKey]) -> Result<(), Failure> {
    finish(pipeline)?;
    of_whom.iter().try_for_each(|key| show(pipeline, key))
}

/// Assesses and publishes now, and shows the patient's results.
pub(super) fn reassess(pipeline: &Pipeline, key: &PatientKey) -> Result<(), Failure> {
    assess(pipeline)?;
    show(pipeline, key)
}

fn assess(pipeline: &Pipeline) -> Result<(), Failure> {
    while pipeline.assess_some()? > 0 {}
    publish(pipeline)
}

/// Shows the patient's results.
fn show(pipeline: &Pipeline, key: &PatientKey) -> Result<(), Failure> {
    let latest = pipeline
        .store()
        .read(|conn| crate::known::latest_results(conn, key))?;
    let mut shown = Vec::with_capacity(latest.len());
    for row in latest {
        let content = crate::known::content_of(&row)?;
        let at = content.exam.performed_at.local;
        let status = content.assessment.status.word();
        let line = format!(
            "  {} {} v{} {status}",
            at.format("%Y-%m-%d %H:%M"),
            row.exam_id,
            row.version
        );
        shown.push((at, line));
    }
    shown.sort();
    shown.iter().for_each(|(_, line)| print::line(line));
    Ok(())
}
