//! Renaming that never overwrites.

use rustix::fs::{AtFlags, CWD, RenameFlags, renameat, renameat_with, statat};
use rustix::io::Errno;
use std::ffi::OsStr;
use std::os::fd::AsFd;
use std::path::Path;

/// Renames without overwriting.
pub fn rename_new(from: &Path, to: &Path) -> Result<(), Errno> {
    rename_new_at(CWD, from.as_os_str(), CWD, to.as_os_str())
}

/// Renames from one folder that is held open into another. File systems that cannot promise not to
/// overwrite get a look before the leap.
pub fn rename_new_at(
    from_folder: impl AsFd,
    from: &OsStr,
    to_folder: impl AsFd,
    to: &OsStr,
) -> Result<(), Errno> {
    let (from_folder, to_folder) = (from_folder.as_fd(), to_folder.as_fd());
    match renameat_with(from_folder, from, to_folder, to, RenameFlags::NOREPLACE) {
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {
            if statat(to_folder, to, AtFlags::SYMLINK_NOFOLLOW).is_ok() {
                return Err(Errno::EXIST);
            }
            renameat(from_folder, from, to_folder, to)
        }
        done => done,
    }
}
