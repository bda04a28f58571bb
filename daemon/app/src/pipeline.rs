//! Stored objects through all stages: the only place that knows them all.
//!
//! Three steps, each safe to kill and repeat: [`Pipeline::read_some`] turns objects into readings,
//! [`Pipeline::assess_some`] turns what is known of a patient into versions of results,
//! [`Pipeline::publish`] writes those to the outbox. [`Pipeline::drain`] runs them until nothing
//! is left to do.

mod audit;
mod filing;
mod publishing;
mod reads;
mod reminders;
mod renderings;
mod rules;
mod spread;
mod sum;
mod times;

pub use renderings::Beside;
pub use rules::rules_word;
pub use sum::{Sum, sum};
pub use times::times;

use crate::duties::{Part, Publishing, Share};
use crate::known::{filed_under, known_of, latest};
use crate::lines;
use crate::observe::Observed;
use crate::outbox::{Claim, PublishError, Waits};
use crate::routes::destination::Taker;
use chrono::{DateTime, SubsecRound, Utc};
use sheathline_model::assess::Status;
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::Person;
use sheathline_model::reading::Rules;
use sheathline_model::results::{self, ResultError, Site};
use sheathline_store::assessment_queue::{self, Dirty};
use sheathline_store::bodies::{self, Dropped};
use sheathline_store::members::{Duty, bucket_of};
use sheathline_store::objects;
use sheathline_store::readings::{self, gists};
use sheathline_store::results::NewResult;
use sheathline_store::{Store, StoreError, exam_lines, identity, meta};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Objects read in one commit.
const OBJECTS_A_COMMIT: u32 = 64;

/// Patients assessed between two looks at the queue.
const PATIENTS_A_ROUND: u32 = 64;

/// How long objects may keep coming before results are made from those already read. Waiting for
/// the queue to drain spares versions that the next object would replace.
const ASSESS_AT_LEAST_EVERY: Duration = Duration::from_secs(5);

/// The same for a command, which reads what is there: a table of one patient's years is assessed once,
/// however long it is to read.
const READ_BY_COMMANDS: Duration = Duration::from_secs(60);

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
    claim: Arc<Claim>,
    waits: Mutex<Waits>,
    /// What [`trouble`] says of us.
    noted: Mutex<Option<(Option<&'static str>, Option<String>)>>,
    beside: Beside,
    keep_pixels: bool,
    hurry: Arc<AtomicBool>,
    keep_bodies_days: u32,
    observed: Observed,
    destinations: Vec<Taker>,
    remind_minutes: u32,
    publications: watch::Sender<u64>,
    entered_to: Vec<String>,
    share: Share,
    publishing: Publishing,
}

/// What was made of one patient.
struct Made {
    /// Further versions of results, each with its status.
    rows: Vec<(NewResult, Status)>,
    /// When they were made.
    at: DateTime<Utc>,
    /// All ids of the patient.
    ids: BTreeSet<PatientKey>,
    /// The lines of all exams.
    lines: lines::Filed,
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
            claim: Arc::new(Claim::new(&outbox)),
            waits: Mutex::default(),
            noted: Mutex::default(),
            outbox,
            beside,
            keep_pixels: false,
            hurry: Arc::default(),
            keep_bodies_days: 0,
            observed: Observed::default(),
            destinations: Vec::new(),
            remind_minutes: 0,
            publications: watch::Sender::new(0),
            entered_to: Vec::new(),
            share: Share::all(),
            publishing: Publishing::default(),
        }
    }

    /// Once set, [`Pipeline::drain`] returns after the step at hand. What it leaves undone waits in
    /// the store for the next one.
    #[must_use]
    pub fn hurry(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.hurry)
    }

    fn is_hurried(&self) -> bool {
        self.hurry.load(Ordering::Relaxed)
    }

    /// Whether pictures keep their pixels in the store once they were read.
    #[must_use]
    pub fn keeping_pixels(mut self, keep: bool) -> Self {
        self.keep_pixels = keep;
        self
    }

    /// For how many days the bytes of objects that were read are kept; 0 for ever.
    #[must_use]
    pub fn keeping_bodies(mut self, days: u32) -> Self {
        self.keep_bodies_days = days;
        self
    }

    /// The destinations that results wait for once they are published, as far as they want them.
    #[must_use]
    pub fn delivering_to(mut self, destinations: Vec<Taker>) -> Self {
        self.destinations = destinations;
        self
    }

    /// After how many minutes somebody is reminded of a rise that nobody has acknowledged; 0 never.
    #[must_use]
    pub fn reminding_after(mut self, minutes: u32) -> Self {
        self.remind_minutes = minutes;
        self
    }

    /// The names of the destinations that take the reports that people typed.
    #[must_use]
    pub fn bringing_entered_to(mut self, destinations: Vec<String>) -> Self {
        self.entered_to = destinations;
        self
    }

    /// What of the work on the store is its.
    #[must_use]
    pub fn sharing(mut self, share: Share) -> Self {
        self.share = share;
        self
    }

    /// Who writes results to the outbox, where several daemons share the store.
    #[must_use]
    pub fn publishing(mut self, publishing: Publishing) -> Self {
        self.publishing = publishing;
        self
    }

    /// What grows there whenever results are published; one pipeline may follow another.
    #[must_use]
    pub fn announcing(mut self, publications: watch::Sender<u64>) -> Self {
        self.publications = publications;
        self
    }

    /// Its hold on the outbox, for a pipeline that follows it.
    #[must_use]
    pub fn claim(&self) -> Arc<Claim> {
        Arc::clone(&self.claim)
    }

    /// Takes over the hold on the same outbox from the pipeline before.
    #[must_use]
    pub fn holding(mut self, claim: Arc<Claim>) -> Self {
        self.claim = claim;
        self
    }

    /// What is done is told there.
    #[must_use]
    pub fn observed_by(mut self, observed: Observed) -> Self {
        self.observed = observed;
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
    pub fn refresh(&self) -> Result<Option<String>, PipelineError> {
        let (reading, assessing) = rules::names(&self.rules, &self.site);
        let change = self.store.write(move |tx| {
            let old_reading = meta::get(tx, "rules_of_reading")?;
            let old_assessing = meta::get(tx, "rules_of_assessing")?;
            meta::set(tx, "rules_of_reading", &reading)?;
            meta::set(tx, "rules_of_assessing", &assessing)?;
            if old_reading.is_some_and(|old| old != reading) {
                objects::read_all_again(tx)?;
                assessment_queue::mark_all_dirty(tx, Utc::now())?;
                return Ok(Some(match objects::count_missing(tx)? {
                    0 => "the rules of reading changed: every object is read again".to_owned(),
                    n => format!(
                        "the rules of reading changed: every object is read again, except \
                         {n} whose bytes are not kept; those keep their reading"
                    ),
                }));
            }
            if old_assessing.is_some_and(|old| old != assessing) {
                assessment_queue::mark_all_dirty(tx, Utc::now())?;
                return Ok(Some(
                    "parameters changed: every patient is assessed again".to_owned(),
                ));
            }
            Ok(None)
        })?;
        Ok(change)
    }

    /// Takes the outbox for this process. The owner of the store removes what a crash left half written
    /// there.
    ///
    /// # Errors
    ///
    /// When another store has the outbox, or it cannot be read.
    pub fn sweep(&self) -> Result<(), PipelineError> {
        if self.publishing.is_any_of(&self.share.now()) {
            self.claim.hold(&self.store)?;
        }
        Ok(())
    }

    /// Assesses some patients whose exams changed. Returns for how many something was done; one
    /// whose stored facts are damaged is told in the log and waits.
    ///
    /// # Errors
    ///
    /// When the store fails or a result cannot be made.
    pub fn assess_some(&self) -> Result<usize, PipelineError> {
        self.spread_stated()?;
        let part = self.share.now();
        if !part.has_buckets() {
            return Ok(0);
        }
        let (waiting, persons) = self.store.read(|conn| {
            let waiting = match part.membership() {
                None => assessment_queue::dirty(conn, PATIENTS_A_ROUND)?,
                Some(_) => {
                    let is_ours = |key: &PatientKey| part.has(&bucket(key));
                    assessment_queue::dirty_of(conn, is_ours, PATIENTS_A_ROUND)?
                }
            };
            let persons = identity::persons(conn, waiting.iter().map(|one| &one.key))?;
            Ok((waiting, persons))
        })?;
        let mut done = 0;
        let mut assessed = Vec::new();
        for one in waiting {
            if self.is_hurried() {
                break;
            }
            let Some(person) = persons.of(&one.key) else {
                continue;
            };
            if person.surviving != one.key {
                self.pass_on(&part, one, person.surviving.clone())?;
                done += 1;
                continue;
            }
            match self.assess(&one, person) {
                Ok(made) => assessed.push((one, made)),
                Err(PipelineError::Store(StoreError::ReadingDamaged { object })) => {
                    tracing::error!(code = "reading-damaged", %object, "it is read again");
                    self.store
                        .write(move |tx| readings::read_anew(tx, object))?;
                    done += 1;
                }
                // One damaged row must not stop everybody else.
                Err(PipelineError::Store(error @ StoreError::Damaged { .. })) => {
                    tracing::error!(code = "patient-not-assessed", %error);
                    self.store
                        .write(move |tx| assessment_queue::wait_longer(tx, &one, Utc::now()))?;
                }
                Err(error) => return Err(error),
            }
        }
        done += assessed.len();
        if assessed.is_empty() {
            return Ok(done);
        }
        // One commit, one sync.
        let stored = self.store.write(move |tx| {
            let mut stored = Vec::new();
            for (seen, made) in &assessed {
                // Marked again since it was looked at: what was made is out of date already. Another's by now:
                // that one makes it.
                if part.still_has(tx, &bucket(&seen.key))?
                    && assessment_queue::clear_dirty(tx, seen)?
                {
                    for (row, status) in &made.rows {
                        sheathline_store::results::insert(tx, row, made.at)?;
                        stored.push(*status);
                    }
                    exam_lines::put(tx, &made.ids, &made.lines)?;
                }
            }
            Ok(stored)
        })?;
        for status in stored {
            self.observed.metrics.assessed(status);
        }
        Ok(done)
    }

    /// Whoever is known under several ids is assessed under the surviving one alone: two marks of one
    /// person would make the same versions twice. The mark goes to whoever assesses that one.
    fn pass_on(&self, part: &Part, one: Dirty, surviving: PatientKey) -> Result<(), PipelineError> {
        let part = part.clone();
        Ok(self.store.write(move |tx| {
            if part.still_has(tx, &bucket(&one.key))? && assessment_queue::clear_dirty(tx, &one)? {
                assessment_queue::mark_dirty(tx, &surviving, Utc::now())?;
            }
            Ok(())
        })?)
    }

    /// Further versions of a patient's results, and the lines of their exams.
    fn assess(&self, one: &Dirty, person: &Person) -> Result<Made, PipelineError> {
        let started = Instant::now();
        let (known, latest) = self
            .store
            .read(|conn| Ok((known_of(conn, person)?, latest(conn, person)?)))?;
        let contents = results::of_patient(&known, &self.site)?;
        let mut rows = Vec::new();
        let versions = results::new_versions(contents, &latest, &known.taken_back)?;
        // As exact as the store keeps it: made again, a line says the same time.
        let at = Utc::now().trunc_subsecs(6);
        let lines = self
            .store
            .read(|conn| lines::of(conn, person, &latest, &versions, Some(at)))?;
        for version in versions {
            let status = version.content.assessment.status;
            let row = NewResult {
                exam_id: version.content.exam.id.clone(),
                patient: filed_under(person, &version.content)
                    .unwrap_or(&one.key)
                    .clone(),
                key: version.key,
                content: serde_json::to_string(&version.content).map_err(ResultError::from)?,
                why: version.why,
            };
            rows.push((row, status));
        }
        self.observed.metrics.assessed_patient(started.elapsed());
        Ok(Made {
            rows,
            at,
            ids: person.ids.clone(),
            lines,
        })
    }

    /// Drops the bytes of some objects that have been kept long enough, as far as the clock can be
    /// believed and the share of a day allows. Nothing that a result depends on goes with them.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn drop_some_bodies(&self) -> Result<Dropped, PipelineError> {
        let (days, part) = (self.keep_bodies_days, self.share.now());
        if days == 0 || !part.has(&Duty::Upkeep) {
            return Ok(Dropped::None);
        }
        Ok(self.store.write(move |tx| {
            part.check(tx, &Duty::Upkeep)?;
            bodies::drop_some(tx, days, OBJECTS_A_COMMIT, Utc::now())
        })?)
    }

    /// Looks at some readings that an earlier version of the program stored, for the list of unknown
    /// codes; returns whether there may be more.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn gather_some(&self) -> Result<bool, PipelineError> {
        let part = self.share.now();
        if !part.has(&Duty::Upkeep) {
            return Ok(false);
        }
        let is_over = self.store.read(|view| Ok(gists::wanted(view)?.is_none()))?;
        if is_over {
            return Ok(false);
        }
        let gathered = self.store.write(move |tx| {
            part.check(tx, &Duty::Upkeep)?;
            gists::gather_some(tx, OBJECTS_A_COMMIT)
        })?;
        Ok(gathered > 0)
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
            if !self.tell_read()? || !self.tell_stated()? || !self.tell_said()? {
                return Ok(done);
            }
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
            if read + assessed == 0 || self.is_hurried() {
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
        // A command waits for nobody, and reads all that is there first.
        let longest = if quiet.is_zero() {
            READ_BY_COMMANDS
        } else {
            ASSESS_AT_LEAST_EVERY
        };
        while start.elapsed() < longest && !self.is_hurried() {
            let read = self.read_some()?;
            if read > 0 {
                total += read;
                last = Instant::now();
                watch(total);
            } else if total == 0 || last.elapsed() >= quiet {
                break;
            }
            // Each commit is a sync, which those who are waiting for their answers wait for too.
            if read < OBJECTS_A_COMMIT as usize {
                std::thread::sleep(LOOK_AGAIN.min(quiet));
            }
        }
        Ok(total)
    }
}

/// The duty that assessing a patient belongs to.
fn bucket(key: &PatientKey) -> Duty {
    Duty::Bucket(bucket_of(key))
}

#[cfg(test)]
mod tests;
