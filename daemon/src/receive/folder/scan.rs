//! One look into the drop folder: which files have settled, keep them, put them away.

use super::Look;
use super::file::{self, NotRead, State};
use crate::config::{After, FolderSettings};
use crate::observe::audit::message::Outcome;
use crate::observe::audit::{Event, Facts, Origin};
use crate::observe::metrics::{Arrival, Source};
use crate::observe::{self, Observed};
use crate::sr::{Limits, gate};
use crate::store::facts;
use crate::store::objects::{Incoming, Kept, ObjectId};
use crate::store::{Store, StoreError};
use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::io::{self, Write};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tokio::sync::watch;

pub(super) const DONE: &str = "done";
pub(super) const FAILED: &str = "failed";

/// Files kept with one commit, and their bytes: one sync for many, memory for few.
const BATCH_FILES: usize = 64;
const BATCH_BYTES: u64 = 32 << 20;

/// Where a file that is about to be deleted waits for a last look. Hidden, so never taken.
const GOING: &str = ".sheathline-going";

/// A name in the folder, as the last looks found it.
#[derive(Debug)]
struct Seen {
    state: State,
    since: Instant,
    /// For how long it has been in this state.
    age: Duration,
    /// Cleared once it was found to be no complete DICOM file: the rest may still come.
    is_whole: bool,
    /// Its content is kept; only putting it away did not succeed.
    kept: Option<ObjectId>,
    /// Whether a trouble with it is in the log already.
    noted: bool,
}

#[derive(Debug)]
pub(super) struct Scanner {
    folder: PathBuf,
    settings: FolderSettings,
    store: Store,
    seen: HashMap<OsString, Seen>,
    store_trouble_noted: bool,
    pub(super) observed: Observed,
    /// Becomes true when the program stops: a look at many thousand files then ends early.
    pub(super) stop: Option<watch::Receiver<bool>>,
}

impl Scanner {
    pub(super) fn new(folder: PathBuf, settings: FolderSettings, store: Store) -> Self {
        Scanner {
            folder,
            settings,
            store,
            seen: HashMap::new(),
            store_trouble_noted: false,
            observed: Observed::default(),
            stop: None,
        }
    }

    /// Brings back what a kill left on its way to be deleted. It is taken again, found to be kept,
    /// and deleted then.
    pub(super) fn bring_back(&self) -> io::Result<()> {
        for entry in std::fs::read_dir(&self.folder)? {
            let entry = entry?;
            if entry.file_name().as_bytes().starts_with(GOING.as_bytes()) {
                let name = OsStr::new("again");
                file::move_into(&entry.path(), &self.folder, name, "again")?;
            }
        }
        Ok(())
    }

    pub(super) fn look(&mut self, now: Instant) -> io::Result<Look> {
        let mut before = std::mem::take(&mut self.seen);
        let mut ready = Vec::new();
        let mut look = Look::default();
        let settle = Duration::from_millis(self.settings.settle_ms);
        let unfinished = self.unfinished();
        for entry in std::fs::read_dir(&self.folder)? {
            let Ok(entry) = entry else { continue };
            let name = entry.file_name();
            if is_passed_over(&name) {
                continue;
            }
            // Gone between the listing and here: somebody else's business.
            let Ok(facts) = self.folder.join(&name).symlink_metadata() else {
                continue;
            };
            let state = State::of(&facts);
            let mut seen = match before.remove(&name) {
                Some(seen) if seen.state == state => seen,
                _ => Seen {
                    state,
                    since: now,
                    age: Duration::ZERO,
                    is_whole: true,
                    kept: None,
                    noted: false,
                },
            };
            if facts.is_file() {
                look.waiting += 1;
                seen.age = now.saturating_duration_since(seen.since);
                let wanted = if seen.is_whole { settle } else { unfinished };
                if seen.since < now && seen.age >= wanted {
                    ready.push(name.clone());
                }
            } else if !facts.is_dir() {
                note(
                    &mut seen,
                    "folder-not-a-file",
                    &"only regular files are taken",
                );
            }
            self.seen.insert(name, seen);
        }
        // The order of names, so that two runs over the same files number them alike.
        ready.sort();
        for batch in batches(ready, &self.seen) {
            if self.stop.as_ref().is_some_and(|stop| *stop.borrow()) {
                break;
            }
            self.take(&batch, &mut look);
        }
        Ok(look)
    }

    /// How long an incomplete file has to stand still before it is taken as it is.
    fn unfinished(&self) -> Duration {
        Duration::from_secs(self.settings.unfinished_s)
    }

    /// Keeps the files of one batch with one commit, then puts each away.
    fn take(&mut self, batch: &[OsString], look: &mut Look) {
        let mut names = Vec::new();
        let mut incoming = Vec::new();
        let unfinished = self.unfinished();
        for name in batch {
            let Some(seen) = self.seen.get_mut(name) else {
                continue;
            };
            if let Some(id) = seen.kept {
                self.put_away(name, id, look);
                continue;
            }
            let path = self.folder.join(name);
            let limit = self.settings.max_object_bytes;
            match file::read_settled(&path, seen.state, limit) {
                Ok(bytes) if seen.age < unfinished && !is_whole(&bytes) => seen.is_whole = false,
                Ok(bytes) if bytes.is_empty() => self.fail(name, "the file is empty", look),
                Ok(bytes) => {
                    let issuer = &self.settings.default_issuer;
                    match Incoming::new(&bytes, None, "folder", issuer, chrono::Utc::now()) {
                        Ok(object) => {
                            names.push(name);
                            incoming.push(object);
                        }
                        Err(error) => note(seen, "folder-not-kept", &error),
                    }
                }
                Err(why @ NotRead::TooLarge { .. }) => self.fail(name, &why.to_string(), look),
                // The next look finds the new state and waits for it to settle.
                Err(NotRead::Changed | NotRead::NotAFile) => {}
                Err(NotRead::Failed(error)) if error.kind() == io::ErrorKind::NotFound => {}
                Err(why) => note(seen, "folder-unreadable-file", &why),
            }
        }
        if incoming.is_empty() {
            return;
        }
        let kept: Result<Vec<(Kept, _)>, StoreError> = self
            .store
            .write(move |tx| incoming.iter().map(|one| facts::keep(tx, one)).collect());
        match kept {
            Ok(kept) => {
                self.store_trouble_noted = false;
                for (name, (kept, repeated)) in names.into_iter().zip(kept) {
                    if let Some(facts) = repeated {
                        let event = || observe::repeated(Origin::Files, &facts);
                        self.observed.note(event);
                    }
                    let (id, arrival) = match kept {
                        Kept::New(id) => (id, Arrival::Kept),
                        Kept::Repeat(id) => (id, Arrival::Repeat),
                    };
                    self.observed.metrics.arrived(Source::Folder, arrival);
                    tracing::debug!(code = "object-kept", source = "folder", %id);
                    if let Some(seen) = self.seen.get_mut(name) {
                        seen.kept = Some(id);
                    }
                    self.put_away(name, id, look);
                }
            }
            // The files stay where they are, and every look tries again.
            Err(error) => {
                if !self.store_trouble_noted {
                    tracing::error!(code = "folder-not-kept", %error, "the files stay");
                }
                self.store_trouble_noted = true;
            }
        }
    }

    /// Moves or deletes a file whose content is kept.
    fn put_away(&mut self, name: &OsStr, id: ObjectId, look: &mut Look) {
        let Some(seen) = self.seen.get_mut(name) else {
            return;
        };
        let folder = &self.folder;
        let from = folder.join(name);
        // Replaced since it was read: the new content has not been kept.
        if from
            .symlink_metadata()
            .is_ok_and(|facts| State::of(&facts) != seen.state)
        {
            seen.kept = None;
            return;
        }
        let going = || file::move_into(&from, folder, OsStr::new(GOING), GOING);
        let mut is_going = self.settings.after == After::Delete;
        let mut done = match is_going {
            true => going(),
            false => file::move_into(&from, &folder.join(DONE), name, &format!("object-{id}")),
        };
        if let Err(error) = &done
            && error.kind() == io::ErrorKind::CrossesDevices
        {
            // `done` is on another file system: a copy goes there, the file itself goes.
            is_going = true;
            let otherwise = format!("object-{id}");
            done = file::copy_into(&from, seen.state, &folder.join(DONE), name, &otherwise)
                .and_then(|_| going());
        }
        let moved = match done {
            Ok(moved) => moved,
            Err(error) if error.kind() == io::ErrorKind::NotFound && !from.exists() => {
                look.waiting = look.waiting.saturating_sub(1);
                return;
            }
            Err(error) => return note(seen, "folder-not-put-away", &error),
        };
        // Somebody may have replaced the file in the instant before it was moved.
        let is_same = moved
            .symlink_metadata()
            .is_ok_and(|facts| State::of(&facts) == seen.state);
        if !is_same {
            let back = file::move_into(&moved, folder, name, &format!("again-{id}"));
            if let Err(error) = back {
                note(seen, "folder-not-put-back", &error);
            }
            seen.kept = None;
            return;
        }
        if is_going && let Err(error) = std::fs::remove_file(&moved) {
            note(seen, "folder-not-deleted", &error);
        }
        self.seen.remove(name);
        look.taken += 1;
        look.waiting = look.waiting.saturating_sub(1);
    }

    /// Moves a file that will never be taken to `failed`, with its reason beside it.
    fn fail(&mut self, name: &OsStr, why: &str, look: &mut Look) {
        let Some(seen) = self.seen.get_mut(name) else {
            return;
        };
        let folder = self.folder.join(FAILED);
        let from = self.folder.join(name);
        let inode = seen.state.inode;
        match file::move_into(&from, &folder, name, &format!("file-{inode}")) {
            Ok(moved) => {
                if let Err(error) = write_reason(&moved, &folder, inode, why) {
                    tracing::warn!(code = "folder-no-reason", inode, %error);
                }
                // By inode: a file name may be the name of a patient.
                tracing::warn!(code = "folder-failed", inode, why);
                self.seen.remove(name);
                look.failed += 1;
                let metrics = &self.observed.metrics;
                metrics.arrived(Source::Folder, Arrival::Refused);
                self.observed.note(|| Event::Received {
                    origin: Origin::Files,
                    is_repeat: false,
                    outcome: Outcome::Minor("moved to the folder failed"),
                    facts: Facts::default(),
                });
                look.waiting = look.waiting.saturating_sub(1);
            }
            Err(error) => note(seen, "folder-not-put-away", &error),
        }
    }
}

/// Dot-files and what uploading programs call their unfinished files; and our own subfolders.
fn is_passed_over(name: &OsStr) -> bool {
    let bytes = name.as_bytes();
    let ends = |end: &[u8]| {
        bytes
            .len()
            .checked_sub(end.len())
            .and_then(|at| bytes.get(at..))
            .is_some_and(|tail| tail.eq_ignore_ascii_case(end))
    };
    bytes.starts_with(b".")
        || ends(b".part")
        || ends(b".tmp")
        || name == OsStr::new(DONE)
        || name == OsStr::new(FAILED)
}

fn batches(names: Vec<OsString>, seen: &HashMap<OsString, Seen>) -> Vec<Vec<OsString>> {
    let mut batches: Vec<Vec<OsString>> = Vec::new();
    let mut bytes = u64::MAX;
    for name in names {
        let more = seen.get(&name).map_or(0, |seen| seen.state.bytes);
        bytes = bytes.saturating_add(more);
        match batches.last_mut() {
            Some(batch) if batch.len() < BATCH_FILES && bytes <= BATCH_BYTES => batch.push(name),
            _ => {
                bytes = more;
                batches.push(vec![name]);
            }
        }
    }
    batches
}

fn note(seen: &mut Seen, code: &'static str, why: &dyn std::fmt::Display) {
    if !std::mem::replace(&mut seen.noted, true) {
        tracing::warn!(code, inode = seen.state.inode, %why, "left where it is");
    }
}

fn write_reason(moved: &Path, folder: &Path, inode: u64, why: &str) -> io::Result<()> {
    let mut name = moved.file_name().unwrap_or_default().to_owned();
    name.push(".reason.txt");
    let text = format!("{why}\n");
    let write = |name: &OsStr| {
        // Never over another file: that one may be called so by chance.
        std::fs::File::create_new(folder.join(name))
            .and_then(|mut file| file.write_all(text.as_bytes()))
    };
    match write(&name) {
        // The name is taken, or was as long as a name can be.
        Err(error)
            if [io::ErrorKind::InvalidFilename, io::ErrorKind::AlreadyExists]
                .contains(&error.kind()) =>
        {
            write(OsStr::new(&format!("file-{inode}.reason.txt")))
        }
        done => done,
    }
}

/// Whether the bytes are a DICOM file from its first element to its last.
fn is_whole(bytes: &[u8]) -> bool {
    gate::admit(bytes, None, &Limits::default()).is_ok()
}
