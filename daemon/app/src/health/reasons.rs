//! Whether the daemon can do its work, and if not, why.

use super::causes::Cause;
use super::ports::PortsNow;
use crate::config::Config;
use crate::intake::Reception;
use crate::observe::outbox::Unwritable;
use crate::observe::{Observed, Trail};
use crate::receive::folder;
use chrono::{DateTime, Utc};
use serde::Serialize;
use sheathline_store::spool::Spool;
use sheathline_store::{Place, Store, backlog, deliveries, watched};
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

impl From<Cause> for Reason {
    fn from(cause: Cause) -> Self {
        Reason {
            code: cause.code(),
            what: cause.meaning(),
        }
    }
}

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
    /// What is received goes there first.
    spool: Option<Spool>,
    /// What waits there is forwarded.
    forwarded: Option<Spool>,
    outbox: PathBuf,
    drop_folder: Option<PathBuf>,
    largest_object: u64,
    observed: Observed,
    stage: Mutex<Stage>,
    reload_refused: AtomicBool,
    ports: Mutex<Vec<PortsNow>>,
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
            spool: None,
            forwarded: None,
            outbox: config.outbox.folder.clone(),
            drop_folder: config.folder.path.clone(),
            largest_object: sizes.into_iter().max().unwrap_or_default(),
            observed,
            stage: Mutex::new(Stage::Starting),
            reload_refused: AtomicBool::new(false),
            ports: Mutex::default(),
        }
    }

    /// The same, of a daemon to which everything comes by this way.
    #[must_use]
    pub fn receiving_by(self, reception: &Reception) -> Self {
        Health {
            spool: reception.spool().cloned(),
            forwarded: reception.forwarded().cloned(),
            ..self
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

    /// How the ports are from now on; what nobody asked for is left out.
    pub fn listening(&self, ports: impl IntoIterator<Item = PortsNow>) {
        let ports = ports.into_iter().filter(PortsNow::is_asked_for);
        *self.kept_ports() = ports.collect();
    }

    /// The ports of each service that is asked for.
    #[must_use]
    pub fn ports(&self) -> Vec<PortsNow> {
        self.kept_ports().clone()
    }

    fn kept_ports(&self) -> std::sync::MutexGuard<'_, Vec<PortsNow>> {
        // They are changed in one step.
        self.ports.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// In one line, for whoever watches over the service.
    #[must_use]
    pub fn line(&self) -> String {
        let reasons = self.reasons();
        let codes: Vec<&str> = reasons.iter().map(|reason| reason.code).collect();
        let mut line = if codes.is_empty() {
            "receiving".to_owned()
        } else {
            format!("not ready: {}", codes.join(", "))
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
            Stage::Starting => reasons.push(Cause::Starting.into()),
            Stage::Stopping => reasons.push(Cause::Stopping.into()),
            Stage::Serving {
                receivers,
                pipeline,
            } => {
                if receivers.iter().any(AbortHandle::is_finished) {
                    reasons.push(Cause::ReceiverEnded.into());
                }
                if pipeline.strong_count() == 0 {
                    reasons.push(Cause::PipelineEnded.into());
                }
            }
        }
        match &self.spool {
            None => self.reasons_of_store(&mut reasons),
            // Whoever sends is answered from the spool, also while the store is away.
            Some(spool) if spool.doubt().is_some() => reasons.push(Cause::SpoolInDoubt.into()),
            // A small spool never takes the largest object: it is full when a sixteenth is left.
            Some(spool) => {
                match spool.is_full(self.largest_object.min(spool.limits().bytes / 16)) {
                    Ok(false) => {}
                    Ok(true) => reasons.push(Cause::SpoolFull.into()),
                    Err(_) => reasons.push(Cause::SpoolUnreadable.into()),
                }
            }
        }
        if free_bytes(&self.outbox).is_some_and(|free| free < OUTBOX_ROOM_BYTES) {
            reasons.push(Cause::OutboxFull.into());
        }
        // Now, or when it was tried last: a disk may fail in ways that nobody sees without trying.
        let unwritable = Unwritable::of(&self.outbox).or_else(|| self.observed.outbox.failing());
        reasons.extend(unwritable.map(|unwritable| Reason {
            code: Cause::OutboxUnwritable.code(),
            what: unwritable.words(),
        }));
        if let Some(folder) = self.drop_folder.as_deref() {
            if std::fs::read_dir(folder).is_err() {
                reasons.push(Cause::FolderMissing.into());
            } else if folder::OURS
                .iter()
                .any(|name| is_no_folder(&folder.join(name)))
            {
                reasons.push(Cause::FolderLink.into());
            }
        }
        if self.kept_ports().iter().any(|one| one.closed.is_some()) {
            reasons.push(Cause::TlsPortClosed.into());
        }
        let trail = self.observed.trail.as_ref();
        if trail.is_some_and(Trail::is_failing) {
            reasons.push(Cause::AuditNotWritten.into());
        }
        if trail.is_some_and(Trail::is_short) {
            reasons.push(Cause::AuditNoRoom.into());
        }
        reasons
    }

    /// Since when the server behind the store does not answer, if it does not.
    #[must_use]
    pub fn database_away_since(&self) -> Option<DateTime<Utc>> {
        self.observed.database.away_since()
    }

    fn reasons_of_store(&self, reasons: &mut Vec<Reason>) {
        if self.store.doubt().is_some() {
            reasons.push(Cause::StoreInDoubt.into());
        } else if self.store.read(backlog::backlog).is_err() {
            reasons.push(match self.store.place() {
                Place::File(_) => Cause::StoreUnreadable.into(),
                Place::Server(_) => Cause::DatabaseAway.into(),
            });
        }
        if self.observed.database.takes_no_changes() {
            reasons.push(Cause::DatabaseReadOnly.into());
        }
        if self.store.is_put_out() {
            reasons.push(Cause::PutOut.into());
        }
        if self.store.busy_for() >= BUSY_LIMIT {
            reasons.push(Cause::StoreBusy.into());
        }
        if self
            .free_bytes()
            .is_some_and(|free| free < self.largest_object)
        {
            reasons.push(Cause::DiskFull.into());
        }
    }

    /// The numbers as text; `None` if they cannot be written.
    #[must_use]
    pub fn metrics(&self) -> Option<String> {
        let backlog = self.store.read(backlog::backlog).ok();
        let deliveries = self.store.read(deliveries::backlog).ok();
        let watched = self.store.read(watched::all).ok();
        let (free, is_ready) = (self.free_bytes(), self.reasons().is_empty());
        let metrics = &self.observed.metrics;
        let spool = self.forwarded.as_ref().map(Spool::standing);
        if let Some(Ok(standing)) = spool {
            metrics.spool(&standing, Utc::now());
        }
        metrics
            .text(
                backlog.as_ref(),
                deliveries.as_deref(),
                watched.as_deref(),
                free,
                is_ready,
                Utc::now(),
            )
            .ok()
    }

    fn free_bytes(&self) -> Option<u64> {
        match self.store.place() {
            Place::File(path) => free_bytes(path),
            // A server does not tell the room of its disk.
            Place::Server(_) => None,
        }
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
