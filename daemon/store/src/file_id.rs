//! Which file it is, by what the system knows it as.

use std::fs::{File, Metadata};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Which file it is, whatever it is called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Id {
    pub(super) device: u64,
    pub(super) inode: u64,
}

impl Id {
    pub(super) fn of(facts: &Metadata) -> Id {
        Id {
            device: facts.dev(),
            inode: facts.ino(),
        }
    }

    pub(super) fn at(path: &Path) -> io::Result<Id> {
        std::fs::metadata(path).map(|facts| Id::of(&facts))
    }

    pub(super) fn of_file(file: &File) -> io::Result<Id> {
        file.metadata().map(|facts| Id::of(&facts))
    }

    /// As `/proc/locks` writes it.
    pub(super) fn as_listed(self) -> String {
        let (major, minor) = (
            rustix::fs::major(self.device),
            rustix::fs::minor(self.device),
        );
        format!("{major:02x}:{minor:02x}:{}", self.inode)
    }
}
