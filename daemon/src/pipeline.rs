//! Stored objects through all stages: the only place that knows them all.
//!
//! Three steps, each safe to kill and repeat: [`Pipeline::read_some`] turns objects into readings,
//! [`Pipeline::assess_some`] turns what is known of a patient into versions of results,
//! [`Pipeline::publish`] writes those to the outbox. [`Pipeline::drain`] runs them until nothing
//! is left to do.

mod filing;
mod known;
mod renderings;
mod sum;

pub use known::{content_of, known};
pub use renderings::Beside;
pub use sum::{Sum, sum};

use crate::domain::{ObjectReading, Remark};
use crate::publish::{self, PublishError};
use crate::reading::{self, Origin, Rules};
use crate::results::{self, ResultError, Site};
use crate::sr;
use crate::store::objects::{self, Slim, Unread};
use crate::store::readings;
use crate::store::results::NewResult;
use crate::store::{Store, StoreError, meta, patients};
use chrono::Utc;
use filing::file;
use known::latest;
use renderings::Renderings;
use sha2::{Digest, Sha256};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Objects read in one commit.
const OBJECTS_A_COMMIT: u32 = 64;

/// Bytes of objects after which a commit takes no further one: a clip can be as large as a thousand
/// reports, and all of a commit are in memory at once.
const BYTES_A_COMMIT: usize = 32 << 20;

/// Patients assessed between two looks at the queue.
const PATIENTS_A_ROUND: u32 = 64;

/// How long objects may keep coming before results are made from those already read. Waiting for
/// the queue to drain spares versions that the next object would replace.
const ASSESS_AT_LEAST_EVERY: Duration = Duration::from_secs(5);

/// Pause between two looks for more of a burst.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// A stored object or result that could not be carried on.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A result could not be made.
    #[error(transparent)]
    Result(#[from] ResultError),
    /// A result could not be written to the outbox.
    #[error(transparent)]
    Publish(#[from] PublishError),
}

/// Everything a stored object meets on its way to the outbox.
pub struct Pipeline {
    store: Store,
    rules: Rules,
    site: Site,
    outbox: PathBuf,
    beside: Beside,
    keep_pixels: bool,
}

/// What a step has done, for whoever shows progress.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Progress {
    /// Objects read.
    pub read: usize,
    /// Patients assessed.
    pub assessed: usize,
    /// Results written to the outbox.
    pub published: usize,
}

impl Pipeline {
    /// A pipeline over an open store, writing to the folder `outbox`.
    #[must_use]
    pub fn new(store: Store, rules: Rules, site: Site, outbox: PathBuf, beside: Beside) -> Self {
        Pipeline {
            store,
            rules,
            site,
            outbox,
            beside,
            keep_pixels: false,
        }
    }

    /// Whether pictures keep their pixels in the store once they were read.
    #[must_use]
    pub fn keeping_pixels(mut self, keep: bool) -> Self {
        self.keep_pixels = keep;
        self
    }

    /// The store it works on.
    #[must_use]
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Sends objects back to be read when the rules of reading changed since they were, and
    /// patients back to be assessed when parameters did. Returns what was sent back, in words.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn refresh(&self) -> Result<Option<&'static str>, PipelineError> {
        let reading = fingerprint(&(
            self.rules.templates.fingerprint(),
            self.rules.technique,
            self.rules.plausible,
            self.rules.documents,
            &self.rules.charsets,
            env!("CARGO_PKG_VERSION"),
        ));
        let assessing =
            fingerprint(&(self.site.parameters, self.site.technique, self.site.context));
        let change = self.store.write(move |tx| {
            let old_reading = meta::get(tx, "rules_of_reading")?;
            let old_assessing = meta::get(tx, "rules_of_assessing")?;
            meta::set(tx, "rules_of_reading", &reading)?;
            meta::set(tx, "rules_of_assessing", &assessing)?;
            if old_reading.is_some_and(|old| old != reading) {
                readings::reset_all(tx)?;
                patients::mark_all_dirty(tx, Utc::now())?;
                return Ok(Some(
                    "the rules of reading changed: every object is read again",
                ));
            }
            if old_assessing.is_some_and(|old| old != assessing) {
                patients::mark_all_dirty(tx, Utc::now())?;
                return Ok(Some("parameters changed: every patient is assessed again"));
            }
            Ok(None)
        })?;
        Ok(change)
    }

    /// Removes what a crash left half written in the outbox. For the owner of the store, once.
    ///
    /// # Errors
    ///
    /// When the outbox cannot be read.
    pub fn sweep(&self) -> Result<(), PipelineError> {
        Ok(publish::sweep(&self.outbox)?)
    }

    /// Reads some waiting objects, oldest first, in one commit. Returns how many.
    ///
    /// # Errors
    ///
    /// When the store fails. An object that cannot be understood is no error: it is quarantined.
    pub fn read_some(&self) -> Result<usize, PipelineError> {
        let waiting = self.store.read(|conn| {
            let (mut bodies, mut bytes) = (Vec::new(), 0);
            for one in objects::next_unread(conn, OBJECTS_A_COMMIT)? {
                let body = match objects::body(conn, one.id) {
                    Ok(body) => Ok(body),
                    Err(StoreError::Damaged { what }) => Err(what),
                    Err(error) => return Err(error),
                };
                bytes += body.as_ref().map_or(0, Vec::len);
                bodies.push((one, body));
                if bytes > BYTES_A_COMMIT {
                    break;
                }
            }
            Ok(bodies)
        })?;
        let readings = waiting
            .into_iter()
            .map(|(one, body)| {
                let (reading, slim) = self.read(&one, body)?;
                Ok((one.id, reading, slim))
            })
            .collect::<Result<Vec<_>, StoreError>>()?;
        let count = readings.len();
        if count > 0 {
            self.store.write(move |tx| {
                readings
                    .into_iter()
                    .try_for_each(|(id, reading, slim)| file(tx, id, reading, slim))
            })?;
        }
        Ok(count)
    }

    /// What was read from an object, and the body to keep in its place if it is a picture whose
    /// pixels nobody wants.
    fn read(
        &self,
        object: &Unread,
        body: Result<Vec<u8>, String>,
    ) -> Result<(ObjectReading, Option<Slim>), StoreError> {
        let body = match body {
            Ok(body) => body,
            Err(what) => {
                let remark = Remark::blocking(
                    "stored-bytes-damaged",
                    format!("The stored bytes are damaged: {what}."),
                )
                .act("Have the object sent again and check the disk.");
                return Ok((ObjectReading::quarantined(remark), None));
            }
        };
        let syntax = object.transfer_syntax.as_deref();
        let origin = Origin {
            default_issuer: &object.default_issuer,
            fallback_charset: self.rules.charsets.of(&object.source),
        };
        let mut reading = reading::read_object(&body, syntax, origin, &self.rules);
        if let Some(received) = &object.content_sha256 {
            reading.content_sha256 = Some(received.clone());
        }
        let slim = match self.keep_pixels || reading.image.is_none() {
            true => None,
            false => sr::without_pixels(&body, syntax, &self.rules.limits),
        };
        Ok((reading, slim.map(|slim| Slim::new(&slim)).transpose()?))
    }

    /// Assesses some patients whose exams changed. Returns how many.
    ///
    /// # Errors
    ///
    /// When the store fails or a result cannot be made.
    pub fn assess_some(&self) -> Result<usize, PipelineError> {
        let waiting = self
            .store
            .read(|conn| patients::dirty(conn, PATIENTS_A_ROUND))?;
        for one in &waiting {
            let (known, latest) = self
                .store
                .read(|conn| Ok((known(conn, &one.key)?, latest(conn, &one.key)?)))?;
            let contents = results::of_patient(&known, &self.site)?;
            let mut rows = Vec::new();
            for version in results::new_versions(contents, &latest)? {
                rows.push(NewResult {
                    exam_id: version.content.exam.id.clone(),
                    patient: one.key.clone(),
                    key: version.key,
                    content: serde_json::to_string(&version.content).map_err(ResultError::from)?,
                    why: version.why,
                });
            }
            let seen = one.clone();
            self.store.write(move |tx| {
                // Marked again since it was looked at: what was made is out of date already.
                if patients::clear_dirty(tx, &seen)? {
                    for row in &rows {
                        crate::store::results::insert(tx, row, Utc::now())?;
                    }
                }
                Ok(())
            })?;
        }
        Ok(waiting.len())
    }

    /// Writes results that are not in the outbox yet. Returns how many.
    ///
    /// # Errors
    ///
    /// When the outbox cannot be written or the store fails.
    pub fn publish(&self) -> Result<usize, PipelineError> {
        let renderings = Renderings::new(&self.store, self.beside);
        Ok(publish::publish(&self.store, &self.outbox, |row| {
            renderings.of(row)
        })?)
    }

    /// Runs all steps until nothing is left to do, telling `watch` after each.
    ///
    /// Results are made once no object has come for `quiet`: reports of one exam come in a burst,
    /// and each would replace the result of the one before.
    ///
    /// # Errors
    ///
    /// The first error of a step; what was done before it stays done.
    pub fn drain(
        &self,
        quiet: Duration,
        mut watch: impl FnMut(Progress),
    ) -> Result<Progress, PipelineError> {
        let mut done = Progress::default();
        loop {
            let read = self.read_burst(quiet, |read| {
                watch(Progress {
                    read: done.read + read,
                    ..done
                });
            })?;
            done.read += read;
            let mut assessed = 0;
            loop {
                match self.assess_some()? {
                    0 => break,
                    some => assessed += some,
                }
                watch(Progress {
                    assessed: done.assessed + assessed,
                    ..done
                });
            }
            done.assessed += assessed;
            done.published += self.publish()?;
            watch(done);
            if read + assessed == 0 {
                return Ok(done);
            }
        }
    }

    /// Reads until nothing has come for `quiet`, or objects have kept coming for too long.
    fn read_burst(
        &self,
        quiet: Duration,
        mut watch: impl FnMut(usize),
    ) -> Result<usize, PipelineError> {
        let start = Instant::now();
        let mut last = start;
        let mut total = 0;
        while start.elapsed() < ASSESS_AT_LEAST_EVERY {
            let read = self.read_some()?;
            if read > 0 {
                total += read;
                last = Instant::now();
                watch(total);
            } else if total == 0 || last.elapsed() >= quiet {
                break;
            } else {
                std::thread::sleep(LOOK_AGAIN.min(quiet));
            }
        }
        Ok(total)
    }
}

/// A short name of a value; equal for equal values.
fn fingerprint(value: &impl std::fmt::Debug) -> String {
    let hash = Sha256::digest(format!("{value:?}").as_bytes());
    hash.iter()
        .take(16)
        .fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
}
