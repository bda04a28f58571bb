//! Finished results to the outbox folder: one folder per result, complete or absent.
//!
//! Written aside, synced, renamed, and only then marked in the store. A crash anywhere repeats
//! work and never shows half a result; the folder of a version has one name, so it is never
//! there twice. One that cannot be written waits ([`Waits`]) and holds up nobody else; results of one
//! patient come in the order they were stored.

mod claim;
mod folder;
mod takers;
mod waits;

pub(crate) use claim::{Claim, Counted, Holder, LOCK_FILE, counted_by, marked_by};
pub(crate) use folder::{Standing, published, standing};
pub(crate) use waits::{Pass, Waits};

pub(crate) use folder::folder_name;

use crate::duties::{Part, Publishing};
use crate::observe::outbox::Unwritable;
use crate::routes::destination::Taker;
use folder::{Came, put_in_place, sync_folder, take_back, write_aside};
use serde_json::Value;
use sheathline_store::results::Pending;
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{Store, StoreError, Tx, View, assessment_queue};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::thread;
pub(crate) use takers::Known;
use takers::takers;

/// Start of the name of a folder that is still being written.
const ASIDE: &str = ".partial-";

/// Threads that write them.
const WRITERS: usize = 8;

/// A result that did not reach the outbox. Those before it did.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// A file or folder could not be written.
    #[error("{}: cannot write the result: {source}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A name that is not safe in a folder.
    #[error("{name:?} is not safe as a file name, so this result cannot be published")]
    Name {
        /// The name.
        name: String,
    },
    /// Another store writes into this outbox now.
    #[error(
        "{}: the outbox is in use by {by}; two stores in one outbox would replace each other's \
         results. Stop that one, or name another folder in [outbox]", outbox.display()
    )]
    Taken {
        /// The outbox.
        outbox: PathBuf,
        /// Who has it.
        by: Box<Holder>,
    },
    /// Another store wrote into this outbox before.
    #[error(
        "{}: the outbox belongs to another store, of {by}; name another folder in [outbox]. If this \
         store takes the place of that one for good, delete {LOCK_FILE} in the outbox and start again",
        outbox.display()
    )]
    Foreign {
        /// The outbox.
        outbox: PathBuf,
        /// Whose it is.
        by: Box<Holder>,
    },
    /// Its number is taken, and a later version of its exam is in the outbox already.
    #[error(
        "{name}: something else has this name, and a later version is in the outbox; take it away"
    )]
    InTheWay {
        /// The name of the result.
        name: String,
    },
    /// The program failed while it made the files of a result.
    #[error("the program failed while it made the files of this result; please report it")]
    Panicked,
    /// Nobody was told of them, so they are not marked.
    #[error("the audit trail cannot be written, so results wait")]
    NotTold,
    /// The store could not be read or marked.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl PublishError {
    /// What it says of the outbox; `None`: it is about something else.
    #[must_use]
    pub fn unwritable(&self) -> Option<Unwritable> {
        match self {
            PublishError::Taken { .. } | PublishError::Foreign { .. } => Some(Unwritable::Taken),
            PublishError::Write { source, .. } => Some(Unwritable::of_error(source)),
            _ => None,
        }
    }
}

impl PublishError {
    /// Whether a person has to change something before this can pass: nothing is gained by waiting.
    #[must_use]
    pub fn is_mistake(&self) -> bool {
        match self {
            PublishError::Taken { .. }
            | PublishError::Foreign { .. }
            | PublishError::Name { .. } => true,
            PublishError::Write { source, .. } => {
                let not_a_folder = matches!(
                    source.kind(),
                    io::ErrorKind::NotADirectory
                        | io::ErrorKind::AlreadyExists
                        | io::ErrorKind::InvalidInput
                );
                not_a_folder
                    || source.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error())
            }
            PublishError::InTheWay { .. }
            | PublishError::Panicked
            | PublishError::NotTold
            | PublishError::Store(_) => false,
        }
    }

    /// Whether the disk, or this process, has run out of something.
    fn is_of_the_disk(&self) -> bool {
        use rustix::io::Errno;
        let PublishError::Write { source, .. } = self else {
            return false;
        };
        let errno = Errno::from_io_error(source);
        let out_of = [
            Errno::NOSPC,
            Errno::DQUOT,
            Errno::IO,
            Errno::MFILE,
            Errno::NFILE,
        ];
        errno.is_some_and(|errno| out_of.contains(&errno))
    }

    /// Whether it is the store that failed, and not one result or the outbox.
    fn is_of_the_store(&self) -> bool {
        match self {
            PublishError::Store(error) => !is_of_one_row(error),
            _ => false,
        }
    }
}

/// Whether an error of the store says something of one row alone.
fn is_of_one_row(error: &StoreError) -> bool {
    matches!(error, StoreError::Damaged { .. } | StoreError::Work(_))
}

/// What is published, where to, and by which part of those who share the store.
#[derive(Clone, Copy)]
pub(crate) struct Place<'p> {
    pub store: &'p Store,
    pub outbox: &'p Path,
    pub part: &'p Part,
    pub publishing: Publishing,
}

impl Place<'_> {
    /// That a result is still this part's to write. Asked in a transaction that changes, it stays so until
    /// that ends.
    fn check(&self, view: &View, row: &ResultRow) -> Result<(), StoreError> {
        self.part.check(view, &self.publishing.duty(&row.patient))
    }

    /// The same of what is written aside, before it gets its name: whoever stood still meanwhile may have
    /// been put out. Asks nobody where nobody shares the store.
    fn check_now(&self, row: &ResultRow) -> Result<(), StoreError> {
        match self.part.membership() {
            Some(_) => self.store.read(|view| self.check(view, row)),
            None => Ok(()),
        }
    }
}

/// Files of a result: name and bytes.
pub(crate) type Files = Vec<(&'static str, Vec<u8>)>;

/// Writes some of the results that a pass comes to, each as the folder
/// `<exam>-v<version>`, with the files that a renderer makes of it; every thread has its own. A
/// renderer that makes none leaves the result for another time. What was written waits for each of
/// the `destinations`, unless it is history. Returns how many were written or got another number, or
/// `None` when the pass is over.
///
/// # Errors
/// The store failed, or nothing can be written into the outbox; what was written is marked. A result
/// that alone cannot be written waits in the pass, and is no error here.
pub(crate) fn publish_some<R>(
    place: Place<'_>,
    pass: &mut Pass<'_>,
    renderer: impl Fn() -> R + Sync,
    tell: impl Fn(&[ResultRow]) -> bool,
    destinations: &[Taker],
) -> Result<Option<Done>, PublishError>
where
    R: Fn(&ResultRow) -> Result<Option<Files>, StoreError>,
{
    let Place {
        store,
        outbox,
        part,
        publishing,
    } = place;
    let found = store.read(|conn| {
        let picked = pass.next(conn, |patient| part.has(&publishing.duty(patient)))?;
        let row = |one: Pending| (results::by_number(conn, one.id), one);
        Ok(picked.into_iter().map(row).collect::<Vec<_>>())
    })?;
    if found.is_empty() {
        return Ok(None);
    }
    let (mut rows, mut which, mut wrong) = (Vec::new(), Vec::new(), Vec::new());
    for (row, one) in found {
        match row {
            Ok(Some(row)) if row.is_damaged => {
                pass.settled(one.id);
                let (part, duty) = (part.clone(), publishing.duty(&row.patient));
                store.write(move |tx| {
                    part.check(tx, &duty)?;
                    set_aside(tx, &row)
                })?;
            }
            Ok(Some(row)) if row.published_at.is_none() => {
                rows.push(row);
                which.push(one);
            }
            // Another process was first.
            Ok(_) => pass.settled(one.id),
            Err(error) if is_of_one_row(&error) => {
                pass.leave(one.patient.clone());
                let what = format!("number {}", one.id);
                wrong.push((one, what, PublishError::Store(error)));
            }
            Err(error) => return Err(error.into()),
        }
    }
    let written = side_by_side(&rows, |share| {
        let mut render = renderer();
        let mut came = Vec::new();
        for row in share {
            let write = AssertUnwindSafe(|| match render(row)? {
                Some(files) => write_aside(outbox, row, &files),
                None => Ok(Came::Left),
            });
            came.push(catch_unwind(write).unwrap_or_else(|_| {
                // Nobody knows in what state the old one is.
                render = renderer();
                Err(PublishError::Panicked)
            }));
        }
        came
    });
    let (mut published, mut renumbered, mut failed) = (Vec::new(), 0, None);
    for ((row, one), came) in rows.into_iter().zip(which).zip(written) {
        let name = folder_name(&row.exam_id, row.version);
        let is_behind = pass.is_behind(&one.patient) || failed.is_some();
        let came = match came {
            Ok(Came::Aside(aside)) if is_behind => {
                folder::discard(&aside);
                continue;
            }
            Ok(Came::Aside(aside)) => match place.check_now(&row) {
                Ok(()) => put_in_place(outbox, &row, &aside),
                Err(error) => {
                    folder::discard(&aside);
                    failed = Some(error.into());
                    continue;
                }
            },
            came => came,
        };
        match came {
            Ok(Came::There) if !is_behind => {
                pass.settled(one.id);
                published.push(row);
            }
            Ok(Came::Taken(taken)) if !is_behind => {
                // Comes up again under its new number, before later ones of its patient.
                pass.leave(one.patient.clone());
                let (exam, version) = (row.exam_id.clone(), row.version);
                let (part, duty) = (part.clone(), publishing.duty(&row.patient));
                let moved = store.write(move |tx| {
                    part.check(tx, &duty)?;
                    let folder::Taken {
                        above,
                        replaces,
                        why,
                    } = &taken;
                    results::renumber(tx, &exam, version, *above, *replaces, why)
                });
                match moved {
                    Ok(true) => renumbered += 1,
                    Ok(false) => {
                        let error = PublishError::InTheWay { name: name.clone() };
                        wrong.push((one, name, error));
                    }
                    Err(error) => failed = Some(error.into()),
                }
            }
            Ok(Came::Left) => pass.leave(one.patient),
            // After an earlier one of its patient.
            Ok(_) => {}
            Err(error) if error.is_of_the_store() => failed = Some(error),
            Err(_) if is_behind => {}
            Err(error) => {
                pass.leave(one.patient.clone());
                wrong.push((one, name, error));
            }
        }
    }
    if published.is_empty()
        && failed.is_none()
        && let Some(at) = wrong.iter().position(|(_, _, error)| is_written(error))
        && folder::probe(outbox).is_err()
    {
        // It is none of these results.
        return Err(wrong.swap_remove(at).2);
    }
    for (one, what, error) in wrong {
        pass.failed(one, &what, &error);
    }
    let done = Done {
        published: published.len(),
        renumbered,
    };
    mark(place, published, tell, destinations)?;
    failed.map_or(Ok(Some(done)), Err)
}

/// What was done with some results.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Done {
    /// They are in the outbox.
    pub published: usize,
    /// They got another number, and come up again.
    pub renumbered: usize,
}

/// Whether it is the outbox that may have failed, and not what should be written there.
fn is_written(error: &PublishError) -> bool {
    matches!(error, PublishError::Write { .. })
}

/// Notes what stands in the outbox, once that is on the disk and told.
fn mark(
    place: Place<'_>,
    published: Vec<ResultRow>,
    tell: impl Fn(&[ResultRow]) -> bool,
    destinations: &[Taker],
) -> Result<(), PublishError> {
    if published.is_empty() {
        return Ok(());
    }
    let Place {
        store,
        outbox,
        part,
        publishing,
    } = place;
    // The renames, before anyone relies on them. Also for folders that were there already:
    // the crash may have come between their rename and this.
    sync_folder(outbox).inspect_err(|_| take_back(outbox, &published))?;
    // What is not marked is found where it stands, and told then.
    if !tell(&published) {
        return Err(PublishError::NotTold);
    }
    let (destinations, part) = (destinations.to_vec(), part.clone());
    store.write(move |tx| {
        // What stands in the outbox already is recognised by whoever has the duty now.
        let now = chrono::Utc::now();
        for row in &published {
            part.check(tx, &publishing.duty(&row.patient))?;
            let to = if is_current(row) {
                takers(tx, row, &destinations)?
            } else {
                Vec::new()
            };
            results::mark_published(tx, &row.exam_id, row.version, &to, now)?;
        }
        Ok(())
    })?;
    Ok(())
}

/// Whether anybody is to be told of a result: not of the history of an archive. What does not say so
/// is news.
fn is_current(row: &ResultRow) -> bool {
    let content: Option<Value> = serde_json::from_str(&row.content).ok();
    let told = content.and_then(|content| content.pointer("/exam/history_only")?.as_bool());
    told != Some(true)
}

/// What `work` makes of the shares of several threads, in order. Most of it is waiting for the disk,
/// which syncs several files in the time of one.
fn side_by_side<T: Send>(
    rows: &[ResultRow],
    work: impl Fn(&[ResultRow]) -> Vec<T> + Sync,
) -> Vec<T> {
    let work = &work;
    thread::scope(|scope| {
        let mut shares = rows.chunks(rows.len().div_ceil(WRITERS).max(1));
        let own = shares.next().unwrap_or_default();
        let others: Vec<_> = shares
            .map(|share| scope.spawn(move || work(share)))
            .collect();
        let mut done = work(own);
        for other in others {
            done.extend(other.join().unwrap_or_else(|panic| resume_unwind(panic)));
        }
        done
    })
}

/// A version that is not what was stored is not published; its patient is assessed again, which
/// makes another version.
pub(crate) fn set_aside(tx: &Tx, row: &ResultRow) -> Result<(), StoreError> {
    tracing::error!(
        code = "result-damaged",
        exam = row.exam_id,
        version = row.version,
        "another version is made"
    );
    let now = chrono::Utc::now();
    results::note_damaged(tx, &row.exam_id, row.version, now)?;
    assessment_queue::mark_dirty(tx, &row.patient, now)
}

fn at(path: &Path) -> impl Fn(io::Error) -> PublishError {
    let path = path.to_owned();
    move |source| PublishError::Write {
        path: path.clone(),
        source,
    }
}

#[cfg(test)]
mod tests;
