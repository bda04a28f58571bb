//! The results of what was entered: of a few exams made before the command ends, of a large table by
//! the service, which has them to make anyhow.

use super::finish;
use crate::cli::daemon::drain_with_progress;
use crate::cli::{Code, Failure, print};
use crate::pipeline::Pipeline;
use serde::Serialize;
use sheathline_store::backlog::backlog;
use sheathline_store::{Store, StoreError};
use std::fmt;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

/// Exams of which the command makes the results itself, however long that takes.
const FEW: usize = 500;

/// How long it goes on with those of more: whoever brings years of values in waits for the answer that
/// they are kept, and not for thousands of pages in the outbox.
const PATIENCE: Duration = Duration::from_secs(2);

/// Between two looks at what the service has done.
const LOOK: Duration = Duration::from_millis(200);

/// What is still to be made, of everything in the store.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub(super) struct Rest {
    /// Reports to be read.
    reports: u64,
    /// Patients to be assessed.
    patients: u64,
    /// Results to be written to the outbox.
    results: u64,
}

impl Rest {
    fn of(store: &Store) -> Result<Rest, StoreError> {
        let waits = store.read(backlog)?;
        Ok(Rest {
            reports: waits.objects.count,
            patients: waits.patients.count,
            results: waits.results.count,
        })
    }

    fn is_nothing(self) -> bool {
        self == Rest::default()
    }
}

impl fmt::Display for Rest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Rest {
            reports,
            patients,
            results,
        } = self;
        write!(
            f,
            "{reports} reports to read, {patients} patients to assess, {results} results to write"
        )
    }
}

/// Makes the results of so many exams, or tells what of them is left to the service. With `wait` nothing
/// is left.
pub(super) fn finish_many(pipeline: &Pipeline, exams: usize, wait: bool) -> Result<Rest, Failure> {
    if exams <= FEW || wait {
        finish(pipeline)?;
        return Ok(Rest::default());
    }
    let store = pipeline.store();
    let is_served = store.has_owner();
    if is_served {
        watch(store)?;
    } else {
        let hurry = pipeline.hurry();
        thread::spawn(move || {
            thread::sleep(PATIENCE);
            hurry.store(true, Ordering::Relaxed);
        });
        drain_with_progress(pipeline)?;
        if let Some(why) = pipeline.not_written() {
            return Err(Failure::new(Code::Incomplete, why));
        }
    }
    let rest = Rest::of(store)?;
    if !rest.is_nothing() {
        let who = if is_served {
            "the running service makes them; `sheathline status` shows how far it is"
        } else {
            "the service makes them once it runs; --wait makes them now"
        };
        print::line(format_args!(
            "everything is kept, and results are still to be made: {rest}; {who}"
        ));
    }
    Ok(rest)
}

/// Looks on while the service works.
fn watch(store: &Store) -> Result<(), Failure> {
    let rest = Rest::of(store)?;
    let bar = print::progress("reading objects", rest.reports);
    let until = Instant::now() + PATIENCE;
    while Instant::now() < until {
        let now = Rest::of(store)?;
        if now.is_nothing() {
            break;
        }
        bar.set_position(rest.reports.saturating_sub(now.reports));
        thread::sleep(LOOK);
    }
    bar.finish_and_clear();
    Ok(())
}
