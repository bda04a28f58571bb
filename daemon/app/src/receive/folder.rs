//! The drop folder: files that another program or person puts there.
//!
//! A regular look into the folder is the truth; events of the file system only make it come
//! sooner, since some file systems send none and a full event queue drops them.

pub mod file;
mod held;
mod scan;

use super::ReceiveError;
use crate::config::FolderSettings;
use crate::intake::Reception;
use crate::observe::Observed;
use held::Held;
use notify::{RecommendedWatcher, RecursiveMode, Watcher};
use scan::Scanner;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{Notify, watch};
use tokio::time::sleep;

/// Where files go whose content is kept.
const DONE: &str = "done";
/// Where files go that will never be taken.
const FAILED: &str = "failed";
/// The folders in it that are ours.
pub(crate) const OURS: [&str; 2] = [DONE, FAILED];

/// The least time between two looks, whatever events come: a long upload sends thousands.
const LOOK_GAP: Duration = Duration::from_millis(100);

/// What one look into the folder did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Look {
    /// Files whose content was kept (or was here already) and that are out of the way now.
    pub taken: usize,
    /// Files moved to `failed`.
    pub failed: usize,
    /// Files that need another look: still growing, or something was in the way.
    pub waiting: usize,
}

/// The drop folder of a running daemon.
#[derive(Debug)]
pub struct DropFolder {
    scanner: Scanner,
    path: PathBuf,
    every: Duration,
    settle: Duration,
    listens: bool,
}

impl DropFolder {
    /// Looks at the folder and makes its subfolders `done` and `failed`.
    ///
    /// A link in the place of one of them is no error here: strangers may write into the folder, and
    /// one of them must not keep the program from starting. Each look tells of it.
    ///
    /// # Errors
    /// The folder does not exist, or the subfolders cannot be made in it.
    pub fn open(
        path: PathBuf,
        settings: FolderSettings,
        reception: impl Into<Reception>,
    ) -> Result<DropFolder, ReceiveError> {
        let failed = |source| ReceiveError::Folder {
            path: path.clone(),
            source,
        };
        let held = Held::open(&path).map_err(failed)?;
        for sub in OURS {
            match held.sub(sub) {
                Err(error) if !held::is_not_a_folder(&error) => {
                    return Err(ReceiveError::Folder {
                        path: path.join(sub),
                        source: error,
                    });
                }
                _ => {}
            }
        }
        let every = Duration::from_millis(settings.scan_every_ms.max(1));
        let settle = Duration::from_millis(settings.settle_ms);
        let scanner = Scanner::new(path.clone(), settings, reception.into());
        scanner.bring_back().map_err(failed)?;
        Ok(DropFolder {
            scanner,
            path,
            every,
            settle,
            listens: true,
        })
    }

    /// What happens is told there.
    #[must_use]
    pub fn observed_by(mut self, observed: Observed) -> Self {
        self.scanner.observed = observed;
        self
    }

    /// Takes no notice of events, as on a file system that sends none.
    #[must_use]
    pub fn without_events(mut self) -> Self {
        self.listens = false;
        self
    }

    /// Looks into the folder once and takes what has settled. Waits for the store, so not for use
    /// inside async code. `now` may be any clock that only grows.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn look(&mut self, now: Instant) -> std::io::Result<Look> {
        self.scanner.look(now)
    }

    /// Looks again and again until `stop` becomes true or its sender is gone.
    pub async fn run(self, mut stop: watch::Receiver<bool>) {
        let DropFolder {
            mut scanner,
            path,
            every,
            settle,
            listens,
        } = self;
        scanner.stop = Some(stop.clone());
        let wake = Arc::new(Notify::new());
        // Held for its life; without it the looks alone do the work.
        let _watcher = listens.then(|| watch_folder(&path, &wake));
        let mut was_readable = true;
        loop {
            let looked = tokio::task::spawn_blocking(move || {
                let look = scanner.look(Instant::now());
                (scanner, look)
            })
            .await;
            let Ok((back, look)) = looked else {
                return tracing::error!(
                    code = "folder-panicked",
                    "internal error; please report it"
                );
            };
            scanner = back;
            let pause = match look {
                Ok(look) => {
                    if look.taken + look.failed > 0 {
                        tracing::info!(
                            code = "folder-taken",
                            taken = look.taken,
                            failed = look.failed,
                            waiting = look.waiting
                        );
                    }
                    was_readable = true;
                    if look.waiting > 0 {
                        every.min(settle)
                    } else {
                        every
                    }
                }
                Err(error) => {
                    if was_readable {
                        tracing::error!(code = "folder-unreadable", path = %path.display(), %error);
                    }
                    was_readable = false;
                    every
                }
            };
            tokio::select! {
                biased;
                _ = stop.wait_for(|stop| *stop) => return,
                () = sleep(LOOK_GAP) => {}
            }
            tokio::select! {
                biased;
                _ = stop.wait_for(|stop| *stop) => return,
                () = wake.notified() => {}
                () = sleep(pause.saturating_sub(LOOK_GAP)) => {}
            }
        }
    }
}

fn watch_folder(path: &Path, wake: &Arc<Notify>) -> Option<RecommendedWatcher> {
    let wake = Arc::clone(wake);
    let watcher =
        notify::recommended_watcher(move |_| wake.notify_one()).and_then(|mut watcher| {
            watcher.watch(path, RecursiveMode::NonRecursive)?;
            Ok(watcher)
        });
    match watcher {
        Ok(watcher) => Some(watcher),
        Err(error) => {
            // The message of the library holds the path of the folder and nothing of a patient.
            tracing::warn!(code = "folder-without-events", %error, "only looking regularly");
            None
        }
    }
}
