//! The file of audit messages, one a line, synced.
//!
//! It is opened anew for every batch, so that whoever rotates it may rename it at any time. Several
//! processes may write to it: a batch is one append.

use super::message::{Event, Node, message};
use chrono::{DateTime, Utc};
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Messages on their way to the thread that writes.
const WAITING_MAX: usize = 4096;

/// Messages kept in memory while the file cannot be written: some 15 MB.
const KEPT_MAX: usize = 10_000;

/// Messages of one append.
const BATCH_MAX: usize = 256;

/// Room on the disk that notes leave free, of a small disk a twentieth: the messages of results need it,
/// and results wait for those. A flood of strangers, each told in a note, ends there.
const ROOM_BYTES: u64 = 64 << 20;

/// Between two lines that say how many messages were lost.
const LOST_EVERY: Duration = Duration::from_secs(60);

/// Pause before the file is tried again.
const AGAIN: Duration = Duration::from_secs(1);

/// The trail cannot be begun.
#[derive(Debug, thiserror::Error)]
#[error("the audit trail {}: {source}; [observe] audit names it", path.display())]
pub struct TrailError {
    /// The file.
    pub path: PathBuf,
    /// What the system says.
    pub source: io::Error,
}

/// A handle to the trail; clones share one writing thread.
#[derive(Debug, Clone)]
pub struct Trail(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    node: Node,
    jobs: Option<SyncSender<Job>>,
    thread: Option<JoinHandle<()>>,
    state: Arc<State>,
}

/// What others see of the thread.
#[derive(Debug, Default)]
struct State {
    /// The last messages of results could not be written.
    failing: AtomicBool,
    /// Notes wait until there is room.
    short: AtomicBool,
    /// Messages that nobody told of as lost yet.
    lost: AtomicU64,
}

enum Job {
    /// Kept until it is written.
    Note(String),
    /// Written now or not at all; the answer says which.
    Write(Vec<String>, SyncSender<bool>),
}

impl Trail {
    /// Opens the file, or makes it, for this user alone.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn open(path: &Path, node: Node) -> Result<Self, TrailError> {
        let failed = |source| TrailError {
            path: path.to_owned(),
            source,
        };
        append(path, &[]).map_err(failed)?;
        let (jobs, waiting) = sync_channel(WAITING_MAX);
        let state = Arc::new(State::default());
        let thread = std::thread::Builder::new()
            .name("audit".into())
            .spawn({
                let (path, state) = (path.to_owned(), Arc::clone(&state));
                move || run(&path, &waiting, &state, has_room)
            })
            .map_err(failed)?;
        Ok(Trail(Arc::new(Inner {
            node,
            jobs: Some(jobs),
            thread: Some(thread),
            state,
        })))
    }

    /// Notes what happened now, without waiting. What cannot be kept is told in the log.
    pub fn note(&self, event: &Event) {
        let line = self.line(Utc::now(), event);
        let sent = match (line, &self.0.jobs) {
            (Some(line), Some(jobs)) => match jobs.try_send(Job::Note(line)) {
                Ok(()) => true,
                Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => false,
            },
            _ => false,
        };
        if !sent {
            self.0.state.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Writes what happened at these times and returns once it is synced; `false`: it may not be on
    /// the disk. Waits, so not for use inside async code.
    #[must_use]
    pub fn write(&self, events: &[(DateTime<Utc>, Event)]) -> bool {
        let lines = events.iter().map(|(at, event)| self.line(*at, event));
        let Some(lines) = lines.collect::<Option<Vec<String>>>() else {
            return false;
        };
        let (reply, answer) = sync_channel(1);
        let jobs = self.0.jobs.as_ref();
        jobs.is_some_and(|jobs| jobs.send(Job::Write(lines, reply)).is_ok())
            && answer.recv().unwrap_or(false)
    }

    /// Whether the last messages could not be written.
    #[must_use]
    pub fn is_failing(&self) -> bool {
        self.0.state.failing.load(Ordering::Relaxed)
    }

    /// Whether the disk has so little room left that only results are told of.
    #[must_use]
    pub fn is_short(&self) -> bool {
        self.0.state.short.load(Ordering::Relaxed)
    }

    fn line(&self, at: DateTime<Utc>, event: &Event) -> Option<String> {
        message(&self.0.node, at, event).ok()
    }
}

impl Drop for Inner {
    /// Waits until everything is written, or given up with a line in the log.
    fn drop(&mut self) {
        self.jobs = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Writes until every handle is gone. `has_room` says whether notes may be written now.
fn run(path: &Path, waiting: &Receiver<Job>, state: &State, has_room: fn(&Path) -> bool) {
    let mut kept: Vec<String> = Vec::new();
    let mut lost = Lost::default();
    loop {
        let first = if kept.is_empty() {
            waiting.recv().map_err(|_| RecvTimeoutError::Disconnected)
        } else {
            waiting.recv_timeout(AGAIN)
        };
        let first = match first {
            Ok(job) => Some(job),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => break,
        };
        let more = waiting.try_iter().take(BATCH_MAX);
        let (mut now, mut replies) = (Vec::new(), Vec::new());
        for job in first.into_iter().chain(more) {
            match job {
                Job::Note(line) => kept.push(line),
                Job::Write(lines, reply) => {
                    now.extend(lines);
                    replies.push(reply);
                }
            }
        }
        let is_short = !kept.is_empty() && !has_room(path);
        if state.short.swap(is_short, Ordering::Relaxed) != is_short && is_short {
            tracing::error!(
                code = "audit-no-room",
                "the disk of the audit trail is nearly full: only results are told of"
            );
        }
        let notes = if is_short { &[] } else { kept.as_slice() };
        let mut written = append(path, &[notes, now.as_slice()].concat());
        let are_noted = written.is_ok() && !is_short;
        // Results do not wait behind notes that find no room.
        if written.is_err() && !notes.is_empty() && !now.is_empty() {
            written = append(path, &now);
        }
        if are_noted {
            kept.clear();
        }
        let is_written = written.is_ok();
        match written {
            Ok(()) => {
                if state.failing.swap(false, Ordering::Relaxed) {
                    tracing::info!(code = "audit-written-again");
                }
            }
            Err(error) => {
                // Once, not for every message.
                if !state.failing.swap(true, Ordering::Relaxed) {
                    tracing::error!(code = "audit-not-written", %error, "messages and results wait");
                }
            }
        }
        if kept.len() > KEPT_MAX {
            let over = u64::try_from(kept.len() - KEPT_MAX).unwrap_or(u64::MAX);
            kept.truncate(KEPT_MAX);
            state.lost.fetch_add(over, Ordering::Relaxed);
        }
        lost.tell(state, LOST_EVERY);
        for reply in replies {
            // Who asked may be gone.
            let _ = reply.send(is_written);
        }
    }
    if append(path, &kept).is_err() {
        let all = u64::try_from(kept.len()).unwrap_or(u64::MAX);
        state.lost.fetch_add(all, Ordering::Relaxed);
    }
    lost.tell(state, Duration::ZERO);
}

/// When it was last told that messages were lost.
#[derive(Default)]
struct Lost(Option<Instant>);

impl Lost {
    /// Tells how many were lost since, unless that was told a moment ago.
    fn tell(&mut self, state: &State, every: Duration) {
        if self.0.is_some_and(|told| told.elapsed() < every) {
            return;
        }
        let messages = state.lost.swap(0, Ordering::Relaxed);
        if messages > 0 {
            self.0 = Some(Instant::now());
            tracing::error!(
                code = "audit-lost",
                messages,
                "they are not in the audit trail"
            );
        }
    }
}

/// Whether the disk has room for notes. What cannot be found out does not keep them back.
fn has_room(path: &Path) -> bool {
    let folder = path.parent().unwrap_or(Path::new("."));
    let Ok(disk) = rustix::fs::statvfs(if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    }) else {
        return true;
    };
    let of = |blocks: u64| blocks.saturating_mul(disk.f_frsize);
    of(disk.f_bavail) >= ROOM_BYTES.min(of(disk.f_blocks) / 20)
}

fn append(path: &Path, lines: &[String]) -> io::Result<()> {
    let mut file = OpenOptions::new()
        .read(true)
        .append(true)
        .create(true)
        .mode(0o600)
        .open(path)?;
    let bytes = file.metadata()?.len();
    let mut text = String::new();
    if !lines.is_empty() && bytes > 0 {
        // A full disk may have cut the last line; its message was kept and comes again.
        file.seek(SeekFrom::End(-1))?;
        let mut last = [0];
        file.read_exact(&mut last)?;
        if last != *b"\n" {
            text.push('\n');
        }
    }
    for line in lines {
        text.push_str(line);
        text.push('\n');
    }
    file.write_all(text.as_bytes())?;
    file.sync_data()?;
    if bytes == 0 {
        sync_folder(path)?;
    }
    Ok(())
}

/// A new file must not vanish in a power cut.
fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests;
