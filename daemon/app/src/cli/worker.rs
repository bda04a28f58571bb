//! The thread that runs the pipeline beside the receivers.

use super::{Code, Failure};
use crate::duties::has_moved;
use crate::nice;
use crate::outbox::PublishError;
use crate::pipeline::{Pipeline, PipelineError};
use chrono::Utc;
use sheathline_store::bodies::Dropped;
use std::hash::{BuildHasher, RandomState};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Weak};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// How long the pipeline waits for a commit of this process before it looks whether another one
/// (`label` beside the daemon, or another daemon on the same store) left something to do; about so long.
const LOOK_ANYWAY: Duration = Duration::from_secs(1);

/// How long nothing must have come before results are made: reports of one exam come in a burst.
const QUIET: Duration = Duration::from_millis(500);

/// Pause after a step failed, so that a full disk is not asked a thousand times a second.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_secs(2);

/// How long what was received may be worked on after the program was told to stop. Whoever watches
/// over it waits for some time, then kills.
pub(super) const DRAIN_LIMIT: Duration = Duration::from_secs(5);

/// Between two looks whether something has changed.
pub(super) const STEP: Duration = Duration::from_millis(20);

/// How often the daemon looks for bytes that have been kept long enough.
const OLD_BODIES_EVERY: Duration = Duration::from_secs(3600);

/// A pipeline at work.
pub(super) struct Worker {
    thread: JoinHandle<Pipeline>,
    stop: watch::Sender<bool>,
    hurry: Arc<AtomicBool>,
}

/// Shows whether a worker lives; made before it starts, so that one can follow the other unnoticed.
pub(super) struct Working(Arc<()>);

impl Working {
    pub(super) fn new() -> (Self, Weak<()>) {
        let working = Arc::new(());
        let watched = Arc::downgrade(&working);
        (Working(working), watched)
    }
}

impl Worker {
    pub(super) fn start(pipeline: Pipeline, working: Working) -> Result<Self, Failure> {
        let (stop, stopped) = watch::channel(false);
        let hurry = pipeline.hurry();
        // A pipeline that worked before was told to hurry.
        hurry.store(false, Ordering::Relaxed);
        let thread = std::thread::Builder::new()
            .name("pipeline".into())
            .spawn(move || {
                work(&pipeline, &stopped);
                drop(working.0);
                pipeline
            })?;
        Ok(Worker {
            thread,
            stop,
            hurry,
        })
    }

    /// Ends it after what is left to do, as far as there is time.
    pub(super) fn finish(self) -> Result<(), Failure> {
        let told = Instant::now();
        self.tell();
        while !self.thread.is_finished() && told.elapsed() < DRAIN_LIMIT {
            std::thread::sleep(STEP);
        }
        if !self.thread.is_finished() {
            tracing::warn!(code = "stopping-early", "the next start does what is left");
        }
        self.interrupt().map(|_| ())
    }

    /// Ends it after the step at hand; the rest waits in the store.
    pub(super) fn interrupt(self) -> Result<Pipeline, Failure> {
        self.hurry.store(true, Ordering::Relaxed);
        self.tell();
        self.thread.join().map_err(|_| {
            Failure::new(
                Code::System,
                "the pipeline ended by a panic; what is stored stays stored",
            )
        })
    }

    fn tell(&self) {
        // An error would mean that it has ended already.
        let _ = self.stop.send(true);
    }
}

/// Drains the pipeline whenever something may have come, until told to stop; then once more, as far
/// as there is time.
fn work(pipeline: &Pipeline, stop: &watch::Receiver<bool>) {
    nice::give_way();
    let mut changes = pipeline.store().changes();
    let mut looked_for_old: Option<Instant> = None;
    loop {
        let last = *stop.borrow();
        changes.mark_unchanged();
        match pipeline.drain(if last { Duration::ZERO } else { QUIET }, |_| {}) {
            Ok(done) if done.read + done.assessed + done.published > 0 => tracing::info!(
                code = "drained",
                objects = done.read,
                patients = done.assessed,
                results = done.published
            ),
            Ok(_) => {}
            Err(error) => {
                if !is_told(&error) {
                    tracing::error!(code = "pipeline-failed", %error, "will be tried again");
                }
                if !last {
                    std::thread::sleep(PAUSE_AFTER_FAILURE);
                }
            }
        }
        if last {
            return;
        }
        if looked_for_old.is_none_or(|at| at.elapsed() >= OLD_BODIES_EVERY) {
            drop_old(pipeline, stop);
            looked_for_old = Some(Instant::now());
        }
        if let Err(error) = pipeline.remind(Utc::now())
            && !has_moved(&error)
        {
            tracing::error!(code = "pipeline-failed", %error, "will be tried again");
        }
        match pipeline.gather_some() {
            // What came meanwhile goes first.
            Ok(true) => continue,
            Ok(false) => {}
            Err(error) if is_told(&error) => {}
            Err(error) => {
                tracing::error!(code = "pipeline-failed", %error, "will be tried again");
            }
        }
        wait(&mut changes, stop);
    }
}

/// Whether the log has it already, once for as long as it lasts, or it is another daemon's by now.
fn is_told(error: &PipelineError) -> bool {
    match error {
        PipelineError::Store(error) | PipelineError::Publish(PublishError::Store(error)) => {
            has_moved(error)
        }
        PipelineError::Publish(error) => error.unwritable().is_some(),
        PipelineError::Result(_) => false,
    }
}

/// Drops bytes that have been kept long enough, between which others may write.
fn drop_old(pipeline: &Pipeline, stop: &watch::Receiver<bool>) {
    let mut dropped = 0;
    while !*stop.borrow() {
        match pipeline.drop_some_bodies() {
            Ok(Dropped::Some(some)) => dropped += some,
            Ok(Dropped::None) => break,
            Ok(Dropped::EnoughToday) => {
                tracing::info!(code = "bodies-wait", "the share of a day is dropped");
                break;
            }
            Ok(Dropped::ClockAhead { newest }) => {
                let newest = newest.date_naive();
                tracing::warn!(code = "bodies-clock", %newest, "{}", Dropped::CLOCK);
                break;
            }
            Err(error) if is_told(&error) => break,
            Err(error) => {
                tracing::error!(code = "bodies-not-dropped", %error, "will be tried again");
                break;
            }
        }
    }
    if dropped > 0 {
        tracing::info!(code = "bodies-dropped", objects = dropped);
    }
}

/// Until a commit, a stop, or a while has passed; not the same while in all daemons on one store.
fn wait(changes: &mut watch::Receiver<u64>, stop: &watch::Receiver<bool>) {
    let tenths = RandomState::new().hash_one(0) % 5 + 8;
    let longest = LOOK_ANYWAY * u32::try_from(tenths).unwrap_or(10) / 10;
    let mut waited = Duration::ZERO;
    while waited < longest && !*stop.borrow() && !changes.has_changed().unwrap_or(true) {
        std::thread::sleep(STEP);
        waited += STEP;
    }
}
