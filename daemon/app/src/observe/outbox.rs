//! Whether results can be written to the outbox, as the file system says and as the last try ended.

use rustix::fs::{Access, access};
use std::fmt::Display;
use std::io;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// What keeps results from the outbox. Names no path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unwritable {
    /// There is no such folder.
    Missing,
    /// Something else stands in its place.
    NotAFolder,
    /// Its file system is mounted, or has turned, read-only.
    ReadOnly,
    /// This account may not.
    Denied,
    /// No room, or a quota is used up.
    NoRoom,
    /// No inode is left.
    NoFiles,
    /// Another store has it.
    Taken,
    /// Writing or syncing fails in another way.
    Failing,
}

impl Unwritable {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Unwritable::Missing => "the outbox folder is missing; put it back, or start anew",
            Unwritable::NotAFolder => "what stands in the place of the outbox is no folder",
            Unwritable::ReadOnly => "the file system of the outbox is read-only",
            Unwritable::Denied => "this account may not write into the outbox",
            Unwritable::NoRoom => "the disk of the outbox has no room, or a quota is used up",
            Unwritable::NoFiles => "the file system of the outbox has no inodes left",
            Unwritable::Taken => "another store has the outbox",
            Unwritable::Failing => "writing into the outbox fails; check its disk",
        }
    }

    /// What the system says of a folder now; `None` if results can be written as far as can be seen
    /// without doing so.
    #[must_use]
    pub fn of(outbox: &Path) -> Option<Self> {
        match std::fs::metadata(outbox) {
            Ok(facts) if facts.is_dir() => {}
            Ok(_) => return Some(Unwritable::NotAFolder),
            Err(error) => return Some(Unwritable::of_error(&error)),
        }
        if let Err(error) = access(outbox, Access::WRITE_OK | Access::EXEC_OK) {
            return Some(Unwritable::of_error(&error.into()));
        }
        let facts = rustix::fs::statvfs(outbox).ok()?;
        // A file system that makes inodes as they are needed says 0 of both.
        (facts.f_files > 0 && facts.f_favail == 0).then_some(Unwritable::NoFiles)
    }

    /// What an error of the system says.
    #[must_use]
    pub fn of_error(error: &io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound => Unwritable::Missing,
            io::ErrorKind::NotADirectory => Unwritable::NotAFolder,
            io::ErrorKind::ReadOnlyFilesystem => Unwritable::ReadOnly,
            io::ErrorKind::PermissionDenied => Unwritable::Denied,
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Unwritable::NoRoom,
            _ => Unwritable::Failing,
        }
    }
}

/// How the last try to write results ended. One line in the log begins an episode, one ends it.
#[derive(Debug, Default)]
pub struct OutboxState(Mutex<Option<Unwritable>>);

impl OutboxState {
    /// Results could not be written.
    pub fn failed(&self, what: Unwritable, error: &dyn Display) {
        if self.set(Some(what)).is_none() {
            tracing::error!(
                code = "outbox-unwritable",
                %error,
                "{}; results wait, and this line comes once", what.words()
            );
        }
    }

    /// All that was to be written is, or could be.
    pub fn well(&self) {
        if self.set(None).is_some() {
            tracing::info!(code = "outbox-writable", "results are written again");
        }
    }

    /// What keeps results from the outbox, as far as a try has shown.
    #[must_use]
    pub fn failing(&self) -> Option<Unwritable> {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set(&self, what: Option<Unwritable>) -> Option<Unwritable> {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        std::mem::replace(&mut *state, what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn the_system_says_why_without_a_try() {
        let temp = tempfile::TempDir::new().expect("temp");
        let outbox = temp.path().join("outbox");
        assert_eq!(Unwritable::of(&outbox), Some(Unwritable::Missing));
        fs::write(&outbox, b"").expect("written");
        assert_eq!(Unwritable::of(&outbox), Some(Unwritable::NotAFolder));
        let below = outbox.join("below");
        assert_eq!(Unwritable::of(&below), Some(Unwritable::NotAFolder));
        fs::remove_file(&outbox).expect("removed");
        fs::create_dir(&outbox).expect("made");
        assert_eq!(Unwritable::of(&outbox), None);
    }

    #[test]
    fn every_error_of_the_disk_has_its_words() {
        use rustix::io::Errno;
        for (errno, what) in [
            (Errno::ROFS, Unwritable::ReadOnly),
            (Errno::ACCESS, Unwritable::Denied),
            (Errno::PERM, Unwritable::Denied),
            (Errno::NOSPC, Unwritable::NoRoom),
            (Errno::DQUOT, Unwritable::NoRoom),
            (Errno::NOENT, Unwritable::Missing),
            (Errno::IO, Unwritable::Failing),
            (Errno::STALE, Unwritable::Failing),
            (Errno::MFILE, Unwritable::Failing),
        ] {
            assert_eq!(Unwritable::of_error(&errno.into()), what, "{errno}");
        }
    }
}
