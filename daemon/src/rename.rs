//! Renaming that never overwrites.

use rustix::fs::{CWD, RenameFlags, renameat_with};
use rustix::io::Errno;
use std::path::Path;

/// Renames without overwriting. File systems that cannot promise that get a look before the leap.
pub(crate) fn rename_new(from: &Path, to: &Path) -> Result<(), Errno> {
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {
            if to.symlink_metadata().is_ok() {
                return Err(Errno::EXIST);
            }
            rustix::fs::rename(from, to)
        }
        done => done,
    }
}
