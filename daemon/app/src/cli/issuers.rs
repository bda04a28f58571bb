//! Patients whose reports without an issuer lie under another issuer than the configuration gives now:
//! their next reports would begin a second history beside the first.

use crate::config::Config;
use crate::nice;
use chrono::Utc;
use sheathline_model::domain::PatientKey;
use sheathline_model::sr;
use sheathline_store::objects::{self, ObjectId};
use sheathline_store::{Store, StoreError, View, assessment_queue, identity, meta, trouble};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// Name in `meta` of the issuers that the whole store was compared with and agreed.
const AGREED: &str = "issuers_agreed";

/// Patients that would have two histories.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Apart {
    patients: usize,
    /// How many by the issuer they are under and the one that is given now.
    between: BTreeMap<(String, String), usize>,
}

impl Apart {
    /// What is wrong.
    fn what(&self) -> String {
        let between = self.between.iter();
        let between = between.map(|((old, new), count)| format!("{count} from {old:?} to {new:?}"));
        let between: Vec<String> = between.collect();
        let whose = match self.patients {
            1 => "1 patient has".to_owned(),
            count => format!("{count} patients have"),
        };
        format!(
            "{whose} reports without an issuer under another issuer than default_issuer gives now \
             ({}): their next reports begin a second history",
            between.join(", ")
        )
    }

    /// What is wrong, and the way out.
    pub(super) fn words(&self) -> String {
        format!(
            "{}. Set default_issuer back; or state for each that both ids are one person's, with \
             `patient merge --prior 'OLD ISSUER|ID' --surviving 'NEW ISSUER|ID'`, for many with `patient \
             import`. Sending the reports again does not help: repeats stay where they are",
            self.what()
        )
    }
}

/// Looks through the store, unless it agreed with these issuers before. `None`: nobody is apart, or
/// `is_over` became true first.
pub(super) fn apart(
    config: &Config,
    store: &Store,
    is_over: impl Fn() -> bool,
) -> Result<Option<Apart>, StoreError> {
    let issuers = config.issuers();
    if store.read(|conn| meta::get(conn, AGREED))?.as_deref() == Some(issuers.as_str()) {
        return Ok(None);
    }
    let mut apart = Apart::default();
    for key in store.read(assessment_queue::list)? {
        if is_over() {
            return Ok(None);
        }
        // One look each, so that no long one keeps the log of the store from being folded in.
        let others = store.read(|conn| others(conn, config, &key))?;
        apart.patients += usize::from(!others.is_empty());
        for new in others {
            *apart.between.entry((key.issuer.clone(), new)).or_default() += 1;
        }
    }
    Ok((apart.patients > 0).then_some(apart))
}

/// The issuers, other than its own, under which new reports of a patient would come.
fn others(conn: &View, config: &Config, key: &PatientKey) -> Result<Vec<String>, StoreError> {
    let mut found: Vec<String> = Vec::new();
    let mut person = None;
    for report in assessment_queue::under_default_issuer(conn, key)? {
        let Some(new) = config.issuer_of(&report.source) else {
            continue;
        };
        if new == key.issuer || found.iter().any(|one| one == new) {
            continue;
        }
        let person = match &mut person {
            Some(person) => person,
            none => none.insert(identity::person(conn, key)?),
        };
        let joined = PatientKey {
            issuer: new.to_owned(),
            id: key.id.clone(),
        };
        let syntax = report.transfer_syntax.as_deref();
        if !person.ids.contains(&joined)
            && (key.issuer.is_empty() || !names_its_own(conn, report.id, syntax))
        {
            found.push(new.to_owned());
        }
    }
    Ok(found)
}

/// Whether a report names its issuer itself, which may be the one that was the default. Where its bytes
/// are gone that cannot be told, and it counts as one that does not.
fn names_its_own(conn: &View, id: ObjectId, syntax: Option<&str>) -> bool {
    objects::body(conn, id)
        .ok()
        .and_then(|bytes| sr::read(&bytes, syntax, &sr::Limits::default()).ok())
        .is_some_and(|document| document.header.patient_issuer.is_some())
}

/// A look beside the daemon: a large store takes its time, and nobody has to wait for it.
pub(super) struct Look {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Look {
    /// Begins one. What it finds is told in the log and left for `status`.
    pub(super) fn start(config: &Config, store: &Store) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let (seen, config, store) = (Arc::clone(&over), config.clone(), store.clone());
        let look = move || {
            nice::give_way();
            let found = apart(&config, &store, || seen.load(Ordering::Relaxed));
            if seen.load(Ordering::Relaxed) {
                return;
            }
            let noted = found.and_then(|apart| note(&config, &store, apart.as_ref()));
            if let Err(error) = noted {
                tracing::warn!(code = "issuers-not-compared", %error, "the next start compares them");
            }
        };
        let thread = std::thread::Builder::new()
            .name("issuers".into())
            .spawn(look);
        Look {
            over,
            thread: thread.ok(),
        }
    }
}

impl Drop for Look {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic has been told.
            let _ = thread.join();
        }
    }
}

/// Tells what was found, and leaves it in the store.
fn note(config: &Config, store: &Store, apart: Option<&Apart>) -> Result<(), StoreError> {
    if let Some(apart) = apart {
        tracing::warn!(
            code = "issuer-changed",
            patients = apart.patients,
            "{}",
            apart.words()
        );
    }
    let (issuers, what) = (config.issuers(), apart.map(Apart::what));
    store.write(move |tx| {
        trouble::note(tx, trouble::ISSUERS, what.as_deref(), Utc::now())?;
        match what {
            Some(_) => meta::clear(tx, AGREED),
            None => meta::set(tx, AGREED, &issuers),
        }
    })
}
