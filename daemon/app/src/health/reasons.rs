//! Whether the daemon can do its work, and if not, why.

use crate::config::Config;
use crate::observe::outbox::Unwritable;
use crate::observe::{Observed, Trail};
use crate::receive::folder;
use chrono::Utc;
use serde::Serialize;
use sheathline_store::{Store, backlog, deliveries};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError, Weak};
use std::time::Duration;
use tokio::task::AbortHandle;

/// Why the daemon is not ready. Names no patient and no path.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Reason {
    /// Stable code.
    pub code: &'static str,
    /// In words.
    pub what: &'static str,
}

const fn reason(code: &'static str, what: &'static str) -> Reason {
    Reason { code, what }
}

const STARTING: Reason = reason("starting", "nothing is received yet");
const STOPPING: Reason = reason("stopping", "the program was told to stop");
const DOUBT: Reason = reason("store-in-doubt", "the store takes nothing more");
const UNREADABLE: Reason = reason("store-unreadable", "the store cannot be read");
const BUSY: Reason = reason(
    "store-busy",
    "one change has held the store for seconds, and nobody else is answered meanwhile",
);
const DISK_FULL: Reason = reason(
    "disk-full",
    "the disk of the store has no room for the largest object taken",
);
const OUTBOX_FULL: Reason = reason(
    "outbox-full",
    "the disk of the outbox has no room for a result",
);
const RECEIVER: Reason = reason(
    "receiver-ended",
    "a listener or the drop folder has ended; only a new start helps",
);
const FOLDER: Reason = reason("folder-missing", "the drop folder cannot be read");
const FOLDER_LINK: Reason = reason(
    "folder-link",
    "a link or a file stands in the place of `done` or `failed` of the drop folder",
);
const TLS_PORT: Reason = reason(
    "tls-port-closed",
    "a port for TLS is closed, since its certificate or key does not serve; the log says which",
);
const PIPELINE: Reason = reason(
    "pipeline-ended",
    "nothing is made of what is received; only a new start helps",
);

const AUDIT: Reason = reason(
    "audit-not-written",
    "the audit trail cannot be written, so results wait",
);

const AUDIT_ROOM: Reason = reason(
    "audit-no-room",
    "the disk of the audit trail is nearly full, and only results are told of",
);

/// Room that a result with its pages and a batch of them need, generously.
const OUTBOX_ROOM_BYTES: u64 = 16 << 20;

/// A change that takes as long holds up whoever sends: thousands of objects are stored in this time.
const BUSY_LIMIT: Duration = Duration::from_secs(3);

/// What runs.
#[derive(Debug)]
enum Stage {
    Starting,
    Serving {
        receivers: Vec<AbortHandle>,
        /// Gone when the thread that works has ended, however it did.
        pipeline: Weak<()>,
    },
    Stopping,
}

/// Looks at everything that must hold, each time somebody asks.
#[derive(Debug)]
pub struct Health {
    store: Store,
    outbox: PathBuf,
    drop_folder: Option<PathBuf>,
    largest_object: u64,
    observed: Observed,
    stage: Mutex<Stage>,
    reload_refused: AtomicBool,
    port_closed: AtomicBool,
}

impl Health {
    /// Of a daemon that is starting.
    #[must_use]
    pub fn new(config: &Config, store: Store, observed: Observed) -> Self {
        let sizes = [
            config.dicom.max_object_bytes,
            config.folder.max_object_bytes,
        ];
        Health {
            store,
            outbox: config.outbox.folder.clone(),
            drop_folder: config.folder.path.clone(),
            largest_object: sizes.into_iter().max().unwrap_or_default(),
            observed,
            stage: Mutex::new(Stage::Starting),
            reload_refused: AtomicBool::new(false),
            port_closed: AtomicBool::new(false),
        }
    }

    /// The daemon receives and works.
    pub fn serving(&self, receivers: Vec<AbortHandle>, pipeline: Weak<()>) {
        *self.stage() = Stage::Serving {
            receivers,
            pipeline,
        };
    }

    /// The daemon takes nothing new.
    pub fn stopping(&self) {
        *self.stage() = Stage::Stopping;
    }

    /// The configuration was read again, and is in force or refused.
    pub fn reloaded(&self, refused: bool) {
        self.reload_refused.store(refused, Ordering::Relaxed);
    }

    /// Whether a port for TLS is closed because its files do not serve.
    pub fn closed(&self, closed: bool) {
        self.port_closed.store(closed, Ordering::Relaxed);
    }

    /// In one line, for whoever watches over the service.
    #[must_use]
    pub fn line(&self) -> String {
        let reasons = self.reasons();
        let codes: Vec<&str> = reasons.iter().map(|reason| reason.code).collect();
        let mut line = match codes.is_empty() {
            true => "receiving".to_owned(),
            false => format!("not ready: {}", codes.join(", ")),
        };
        if self.reload_refused.load(Ordering::Relaxed) {
            line.push_str("; the last reload was refused, the configuration before is in force");
        }
        line
    }

    /// Whether only a new start helps.
    #[must_use]
    pub fn is_dead(&self) -> bool {
        match &*self.stage() {
            Stage::Serving {
                receivers,
                pipeline,
            } => pipeline.strong_count() == 0 || receivers.iter().any(AbortHandle::is_finished),
            Stage::Starting | Stage::Stopping => false,
        }
    }

    /// Why nothing should be sent now; empty if all is well. Asks the file system, so not for use
    /// inside async code.
    #[must_use]
    pub fn reasons(&self) -> Vec<Reason> {
        let mut reasons = Vec::new();
        match &*self.stage() {
            Stage::Starting => reasons.push(STARTING),
            Stage::Stopping => reasons.push(STOPPING),
            Stage::Serving {
                receivers,
                pipeline,
            } => {
                if receivers.iter().any(AbortHandle::is_finished) {
                    reasons.push(RECEIVER);
                }
                if pipeline.strong_count() == 0 {
                    reasons.push(PIPELINE);
                }
            }
        }
        if self.store.doubt().is_some() {
            reasons.push(DOUBT);
        } else if self.store.read(backlog::backlog).is_err() {
            reasons.push(UNREADABLE);
        }
        if self.store.busy_for() >= BUSY_LIMIT {
            reasons.push(BUSY);
        }
        if self
            .free_bytes()
            .is_some_and(|free| free < self.largest_object)
        {
            reasons.push(DISK_FULL);
        }
        if free_bytes(&self.outbox).is_some_and(|free| free < OUTBOX_ROOM_BYTES) {
            reasons.push(OUTBOX_FULL);
        }
        // Now, or when it was tried last: a disk may fail in ways that nobody sees without trying.
        let unwritable = Unwritable::of(&self.outbox).or_else(|| self.observed.outbox.failing());
        reasons.extend(unwritable.map(|what| reason("outbox-unwritable", what.words())));
        if let Some(folder) = self.drop_folder.as_deref() {
            if std::fs::read_dir(folder).is_err() {
                reasons.push(FOLDER);
            } else if folder::OURS
                .iter()
                .any(|name| is_no_folder(&folder.join(name)))
            {
                reasons.push(FOLDER_LINK);
            }
        }
        if self.port_closed.load(Ordering::Relaxed) {
            reasons.push(TLS_PORT);
        }
        let trail = self.observed.trail.as_ref();
        if trail.is_some_and(Trail::is_failing) {
            reasons.push(AUDIT);
        }
        if trail.is_some_and(Trail::is_short) {
            reasons.push(AUDIT_ROOM);
        }
        reasons
    }

    /// The numbers as text; `None` if they cannot be written.
    #[must_use]
    pub fn metrics(&self) -> Option<String> {
        let backlog = self.store.read(backlog::backlog).ok();
        let deliveries = self.store.read(deliveries::backlog).ok();
        let (free, is_ready) = (self.free_bytes(), self.reasons().is_empty());
        let metrics = &self.observed.metrics;
        metrics
            .text(
                backlog.as_ref(),
                deliveries.as_deref(),
                free,
                is_ready,
                Utc::now(),
            )
            .ok()
    }

    fn free_bytes(&self) -> Option<u64> {
        free_bytes(self.store.path())
    }

    fn stage(&self) -> std::sync::MutexGuard<'_, Stage> {
        // It is whole between any two operations.
        self.stage.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether something else than a folder has this path; a link is none, wherever it leads.
fn is_no_folder(path: &Path) -> bool {
    path.symlink_metadata().is_ok_and(|facts| !facts.is_dir())
}

/// Room on the disk of a path, or of the nearest folder above it that is there.
pub(crate) fn free_bytes(path: &Path) -> Option<u64> {
    let there = path.ancestors().find(|part| part.exists());
    let facts = rustix::fs::statvfs(there.unwrap_or(Path::new("."))).ok()?;
    Some(facts.f_bavail.saturating_mul(facts.f_frsize))
}

#[cfg(test)]
mod tests;
