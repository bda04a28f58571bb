//! Which results are tried now: those that could not be written wait, each longer after each failure,
//! and hold up nobody but later results of their own patient.
//!
//! In memory alone: after a new start each is tried at once, and waits again if it fails.

use super::PublishError;
use sheathline_model::domain::PatientKey;
use sheathline_store::results::{self, Pending};
use sheathline_store::{StoreError, View};
use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

/// The wait after the first failure; each further one is twice as long.
const FIRST: Duration = Duration::from_secs(2);

/// No wait is longer.
const LONGEST: Duration = Duration::from_secs(600);

/// The same where the disk or the process ran out of something: it comes back for all at once.
const LONGEST_WITHOUT: Duration = Duration::from_secs(8);

/// Results between two marks in the store.
const BATCH: usize = 64;

/// Numbers looked at in one question to the store.
const PAGE: u32 = 256;

/// Lines in the log for results that fail for the first time, in one pass.
const LINES_A_PASS: usize = 16;

/// Between two lines for all that still fail.
const REMIND_EVERY: Duration = Duration::from_secs(3600);

/// Results that could not be written, by their number in the store.
#[derive(Debug, Default)]
pub(crate) struct Waits {
    of: BTreeMap<i64, Wait>,
    /// How the last of them failed.
    words: Option<String>,
    reminded: Option<Instant>,
}

#[derive(Debug)]
struct Wait {
    failures: u32,
    due: Instant,
}

impl Waits {
    /// How many wait.
    #[must_use]
    pub(crate) fn count(&self) -> usize {
        self.of.len()
    }

    /// How the last of them failed, while any waits.
    #[must_use]
    pub(crate) fn words(&self) -> Option<&str> {
        self.words.as_deref().filter(|_| !self.of.is_empty())
    }
}

/// One way through all results that are not in the outbox, in the order they were stored.
#[derive(Debug)]
pub(crate) struct Pass<'a> {
    waits: &'a mut Waits,
    now: Instant,
    /// All up to this number were looked at.
    after: i64,
    /// Whose earlier result is left: their later ones stay behind it.
    behind: BTreeSet<PatientKey>,
    /// What waits and was met, so that what is gone can be forgotten.
    met: BTreeSet<i64>,
    first_failures: usize,
    is_over: bool,
}

impl<'a> Pass<'a> {
    /// Begins at the oldest. `now` decides what is due again.
    #[must_use]
    pub(crate) fn new(waits: &'a mut Waits, now: Instant) -> Self {
        Pass {
            waits,
            now,
            after: 0,
            behind: BTreeSet::new(),
            met: BTreeSet::new(),
            first_failures: 0,
            is_over: false,
        }
    }

    /// The next results to be tried, of those patients whose results are ours to write; none: the pass is
    /// over.
    pub(super) fn next(
        &mut self,
        conn: &View,
        is_ours: impl Fn(&PatientKey) -> bool,
    ) -> Result<Vec<Pending>, StoreError> {
        let mut picked = Vec::new();
        while picked.len() < BATCH && !self.is_over {
            let page = results::pending(conn, self.after, PAGE)?;
            self.is_over = page.len() < PAGE as usize;
            for one in page {
                if picked.len() == BATCH {
                    self.is_over = false;
                    break;
                }
                self.after = one.id;
                if !is_ours(&one.patient) {
                    continue;
                }
                let wait = self.waits.of.get(&one.id);
                if wait.is_some() {
                    self.met.insert(one.id);
                }
                if self.is_behind(&one.patient) {
                    continue;
                }
                if wait.is_some_and(|wait| wait.due > self.now) {
                    self.leave(one.patient)
                } else {
                    picked.push(one)
                }
            }
        }
        if picked.is_empty() {
            let met = &self.met;
            self.waits.of.retain(|id, _| met.contains(id));
        }
        Ok(picked)
    }

    /// Whether an earlier result of this patient is left in this pass.
    pub(super) fn is_behind(&self, patient: &PatientKey) -> bool {
        self.behind.contains(patient)
    }

    /// A result of this patient is left in this pass.
    pub(super) fn leave(&mut self, patient: PatientKey) {
        self.behind.insert(patient);
    }

    /// A result reached the outbox, or will not go there.
    pub(super) fn settled(&mut self, id: i64) {
        self.waits.of.remove(&id);
    }

    /// A result could not be written: it waits.
    pub(super) fn failed(&mut self, one: Pending, what: &str, error: &PublishError) {
        let wait = self.waits.of.entry(one.id).or_insert(Wait {
            failures: 0,
            due: self.now,
        });
        wait.failures = wait.failures.saturating_add(1);
        // Beyond 2^16 every wait is the longest anyway.
        let doublings = wait.failures.saturating_sub(1).min(16);
        let longest = if error.is_of_the_disk() {
            LONGEST_WITHOUT
        } else {
            LONGEST
        };
        let length = FIRST.saturating_mul(1 << doublings).min(longest);
        wait.due = self.now + length;
        if wait.failures == 1 {
            self.first_failures += 1;
            if self.first_failures <= LINES_A_PASS {
                tracing::error!(
                    code = "result-not-written",
                    result = what,
                    %error,
                    "it is tried again after 2 seconds, then ever longer up to 10 minutes; results \
                     of other patients go on"
                );
            }
        }
        self.met.insert(one.id);
        self.waits.words = Some(format!("{what}: {error}"));
        self.leave(one.patient);
    }
}

impl Drop for Pass<'_> {
    /// Tells of those that have no line of their own, and from time to time of all that still fail.
    fn drop(&mut self) {
        let waits = &mut *self.waits;
        if waits.of.is_empty() {
            waits.reminded = None;
            return;
        }
        let is_due = waits
            .reminded
            .is_some_and(|at| self.now.saturating_duration_since(at) >= REMIND_EVERY);
        let untold = self.first_failures.saturating_sub(LINES_A_PASS);
        if is_due || untold > 0 {
            tracing::error!(
                code = "results-not-written",
                waiting = waits.of.len(),
                latest = waits.words,
                "they cannot be written to the outbox and are tried again"
            );
            waits.reminded = Some(self.now);
        }
        waits.reminded.get_or_insert(self.now);
    }
}
