//! The folder of one result: written aside, put into its place, compared, found in the way.

use super::{ASIDE, Files, PublishError, at};
use rustix::fs::{Mode, OFlags};
use serde_json::Value;
use sheathline_store::rename::rename_new;
use sheathline_store::results::ResultRow;
use std::fs::{self, File};
use std::hash::{BuildHasher, RandomState};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Versions beyond this are nobody's: a folder that claims such a number is left alone and not counted.
const VERSION_MAX: u32 = 1_000_000_000;

/// What a result may take more in `result.json` than its content in the store: line breaks, spaces and
/// what stands around it. A file beyond that is another one, and is not read on.
const READ_TIMES: u64 = 16;

/// The same, whatever the length of the content.
const READ_MORE: u64 = 1 << 20;

/// Bytes of what is written to see whether anything can be.
const PROBE_BYTES: usize = 64 << 10;

/// Whether a published result still stands in the outbox.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    /// Its folder is there and holds this result.
    Same,
    /// There is nothing of that name: whoever reads the outbox may take folders away.
    Gone,
    /// Its folder holds something else.
    Other,
    /// What has its name is a link or a file, and is not looked into.
    NoFolder,
}

/// Compares the folder of a result with its key and content. Follows no links.
///
/// # Errors
/// The outbox cannot be read.
pub(crate) fn standing(outbox: &Path, row: &ResultRow) -> io::Result<Standing> {
    let folder = outbox.join(folder_name(&row.exam_id, row.version));
    match folder.symlink_metadata() {
        Ok(facts) if facts.is_dir() => {}
        Ok(_) => return Ok(Standing::NoFolder),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Standing::Gone),
        Err(error) => return Err(error),
    }
    let limit = READ_TIMES * row.content.len() as u64 + READ_MORE;
    let Some(bytes) = own_file(&folder.join("result.json"), limit)? else {
        return Ok(Standing::Other);
    };
    let told = serde_json::from_slice(&bytes);
    let stored = serde_json::from_str(&row.content);
    let (Ok(Value::Object(told)), Ok(Value::Object(stored))) = (told, stored) else {
        return Ok(Standing::Other);
    };
    let is_same = told.get("key").and_then(Value::as_str) == Some(row.key.as_str())
        && stored
            .iter()
            .all(|(name, value)| told.get(name) == Some(value));
    Ok(if is_same {
        Standing::Same
    } else {
        Standing::Other
    })
}

/// Exam and version of every result that stands in the outbox.
///
/// # Errors
/// The outbox cannot be read; one that is not there is empty.
pub(crate) fn published(outbox: &Path) -> io::Result<Vec<(String, u32)>> {
    let entries = match fs::read_dir(outbox) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries?,
    };
    let mut results = Vec::new();
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name();
        let told = name.to_str().and_then(|name| {
            let (exam, version) = name.split_once("-v")?;
            let number = exam.strip_prefix('E')?;
            let is_ours = number.bytes().all(|byte| byte.is_ascii_hexdigit());
            Some((exam.to_owned(), version.parse().ok()?)).filter(|_| is_ours)
        });
        // Others may keep folders of their own there.
        if let Some(told) = told
            && entry.path().join("result.json").is_file()
        {
            results.push(told);
        }
    }
    results.sort();
    Ok(results)
}

/// The bytes of a regular file of at most `limit`; `None` for anything that cannot be ours.
fn own_file(path: &Path, limit: u64) -> io::Result<Option<Vec<u8>>> {
    use rustix::io::Errno;
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = match rustix::fs::open(path, flags, Mode::empty()) {
        // A link, a socket, a device without a driver.
        Err(Errno::NOENT | Errno::LOOP | Errno::NXIO | Errno::NODEV) => return Ok(None),
        opened => File::from(opened?),
    };
    let facts = file.metadata()?;
    if !facts.is_file() || facts.len() > limit {
        return Ok(None);
    }
    let mut bytes = Vec::new();
    file.take(limit + 1).read_to_end(&mut bytes)?;
    Ok(Some(bytes))
}

/// The name of a result in the outbox.
pub(crate) fn folder_name(exam: &str, version: u32) -> String {
    format!("{exam}-v{version}")
}

/// Where a result stands while it is not, or no more, in the outbox. By process: `label` may publish
/// beside the daemon, and the processes of several machines may have one number.
pub(super) fn aside_folder(outbox: &Path, name: &str) -> PathBuf {
    static OURS: OnceLock<u64> = OnceLock::new();
    let ours = OURS.get_or_init(|| RandomState::new().hash_one(std::process::id()));
    outbox.join(format!("{ASIDE}{ours:016x}-{name}"))
}

/// How far a result came.
#[derive(Debug)]
pub(super) enum Came {
    /// It is written aside, whole and synced.
    Aside(PathBuf),
    /// It stands in the outbox.
    There,
    /// Its number is taken.
    Taken(Taken),
    /// Nobody tried, since there is hurry.
    Left,
}

/// Something else has the name of a result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Taken {
    /// The highest number that is taken, by whatever.
    pub(super) above: u32,
    /// The highest one of a folder: the version that is replaced.
    pub(super) replaces: Option<u32>,
    /// Why the result gets another number, in words.
    pub(super) why: String,
}

/// Writes a result aside, unless it stands in the outbox or its number is taken. What cannot be written
/// whole leaves nothing.
pub(super) fn write_aside(
    outbox: &Path,
    row: &ResultRow,
    files: &Files,
) -> Result<Came, PublishError> {
    let name = folder_name(&row.exam_id, row.version);
    for one in files.iter().map(|(name, _)| *name).chain([name.as_str()]) {
        check_name(one)?;
    }
    if let Some(came) = stands(outbox, row)? {
        return Ok(came);
    }
    let aside = aside_folder(outbox, &name);
    // Left by a crash.
    remove(&aside).map_err(at(&aside))?;
    let written = write_files(&aside, files);
    match written {
        Ok(()) => Ok(Came::Aside(aside)),
        Err(error) => {
            discard(&aside);
            Err(error)
        }
    }
}

/// A folder for the service and its group: it holds patient data, whatever the umask of whoever starts
/// the program.
fn make(folder: &Path) -> io::Result<()> {
    fs::DirBuilder::new().mode(0o750).create(folder)
}

fn write_files(folder: &Path, files: &Files) -> Result<(), PublishError> {
    make(folder).map_err(at(folder))?;
    for (file, bytes) in files {
        let path = folder.join(file);
        File::options()
            .write(true)
            .create_new(true)
            .mode(0o640)
            .open(&path)
            .and_then(|mut file| {
                file.write_all(bytes)?;
                file.sync_all()
            })
            .map_err(at(&path))?;
    }
    sync_folder(folder)
}

/// Gives what is written aside its name, which it takes from nothing.
pub(super) fn put_in_place(
    outbox: &Path,
    row: &ResultRow,
    aside: &Path,
) -> Result<Came, PublishError> {
    let to = outbox.join(folder_name(&row.exam_id, row.version));
    let Err(error) = rename_new(aside, &to) else {
        return Ok(Came::There);
    };
    let came = stands(outbox, row);
    discard(aside);
    // Another process may have been first, with the same row.
    came?.ok_or_else(|| at(&to)(error.into()))
}

/// Takes away what is written aside.
pub(super) fn discard(aside: &Path) {
    // It fails on a disk in trouble; the next try removes it, and so does the next start.
    let _ = remove(aside);
}

/// What has the name of a result already.
fn stands(outbox: &Path, row: &ResultRow) -> Result<Option<Came>, PublishError> {
    let name = folder_name(&row.exam_id, row.version);
    let version = row.version;
    let why = match standing(outbox, row).map_err(at(&outbox.join(&name)))? {
        Standing::Gone => return Ok(None),
        // It has its name by a rename after a sync, so it is whole.
        Standing::Same => return Ok(Some(Came::There)),
        Standing::Other => None,
        Standing::NoFolder => Some(format!(
            "what stands in the outbox under the name of version {version} is a link or a file and \
             no result"
        )),
    };
    let (above, replaces) = numbers(outbox, &row.exam_id).map_err(at(outbox))?;
    let above = above.max(version);
    Ok(Some(Came::Taken(Taken {
        above,
        replaces,
        why: why.unwrap_or_else(|| {
            let newest = replaces.unwrap_or(above);
            format!(
                "version {newest} stands in the outbox and is not in the store, which was restored \
                 from a copy"
            )
        }),
    })))
}

/// The highest number of an exam in the outbox, and the highest one of a folder.
fn numbers(outbox: &Path, exam: &str) -> io::Result<(u32, Option<u32>)> {
    let (mut highest, mut of_folder) = (0, None);
    for entry in fs::read_dir(outbox)? {
        let entry = entry?;
        let name = entry.file_name();
        let number = name.to_str().and_then(|name| {
            let digits = name.strip_prefix(exam)?.strip_prefix("-v")?;
            let number: u32 = digits.parse().ok()?;
            (number <= VERSION_MAX && number.to_string() == digits).then_some(number)
        });
        let Some(number) = number else { continue };
        highest = highest.max(number);
        if entry.file_type()?.is_dir() {
            of_folder = of_folder.max(Some(number));
        }
    }
    Ok((highest, of_folder))
}

/// After a failed sync of the outbox nobody knows which renames are on the disk, and a later sync
/// that succeeds does not say it either. What is not marked is written anew.
pub(super) fn take_back<'a>(outbox: &Path, done: impl IntoIterator<Item = &'a ResultRow>) {
    for row in done {
        let name = folder_name(&row.exam_id, row.version);
        let aside = aside_folder(outbox, &name);
        // On a disk in trouble this may fail as well; the failed sync is being told already.
        let _ = fs::rename(outbox.join(&name), &aside);
        discard(&aside);
    }
}

/// Whether anything can be written into the outbox: something is, and taken away again.
pub(super) fn probe(outbox: &Path) -> Result<(), PublishError> {
    let aside = aside_folder(outbox, "probe");
    remove(&aside).map_err(at(&aside))?;
    let written = write_files(&aside, &vec![("probe", vec![0; PROBE_BYTES])]);
    let removed = remove(&aside).map_err(at(&aside));
    written.and(removed)
}

/// Removes what a crash left half written. For the owner of the store, before it publishes.
///
/// # Errors
/// The outbox cannot be read, or something in it cannot be removed.
pub(super) fn sweep(outbox: &Path) -> Result<(), PublishError> {
    let entries = match fs::read_dir(outbox) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        entries => entries.map_err(at(outbox))?,
    };
    for entry in entries {
        let path = entry.map_err(at(outbox))?.path();
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        if name.is_some_and(|name| name.starts_with(ASIDE)) {
            remove(&path).map_err(at(&path))?;
        }
    }
    Ok(())
}

/// Takes a folder with all in it away, or whatever else has that name; follows no links.
fn remove(path: &Path) -> io::Result<()> {
    match path.symlink_metadata() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
        Ok(facts) if facts.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
    }
}

/// Our own names are made of letters, digits, points, dashes and underscores.
fn check_name(name: &str) -> Result<(), PublishError> {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"._-".contains(&byte);
    if name.bytes().all(plain) && !name.starts_with(['.', '-']) && (1..=200).contains(&name.len()) {
        Ok(())
    } else {
        Err(PublishError::Name {
            name: name.to_owned(),
        })
    }
}

/// Makes the outbox if it is missing, and syncs the folders that then have a new entry: results
/// must not vanish in a power cut together with the folder they are in.
pub(super) fn make_folder(path: &Path) -> Result<(), PublishError> {
    if path.is_dir() {
        return Ok(());
    }
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => {
            make_folder(parent)?;
            make(path).map_err(at(path))?;
            sync_folder(parent)
        }
        _ => {
            make(path).map_err(at(path))?;
            sync_folder(Path::new("."))
        }
    }
}

pub(super) fn sync_folder(path: &Path) -> Result<(), PublishError> {
    File::open(path)
        .and_then(|folder| folder.sync_all())
        .map_err(at(path))
}
