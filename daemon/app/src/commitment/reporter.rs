//! Reports over associations of ours, to requesters that did not wait for them.
//!
//! One thread looks what is due; each sender that something is due for gets a thread of its own while it
//! lasts, so that one that hangs holds up nobody else. Where several daemons share a store, whoever takes a
//! request first reports on it.

use super::report::{Report, report};
use super::{INSTANCE, WAIT_FOR_READING, after};
use crate::intake::Reception;
use crate::nice;
use chrono::{DateTime, Utc};
use dicom_dictionary_std::uids;
use sheathline_net::connect::node::DicomNode;
use sheathline_net::connect::{Failure, Goal, Stage, Word, connect};
use sheathline_net::dicom::request::Outcome;
use sheathline_net::dicom::requestor::{Association, Proposed};
use sheathline_store::StoreError;
use sheathline_store::commitments::{self, Open};
use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// How often it is looked what is due.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Longest wait for one step of an association.
const STEP: Duration = Duration::from_secs(30);

/// Before the second try; each further wait is twice the one before.
const FIRST_WAIT: Duration = Duration::from_secs(30);

/// The longest wait between two tries.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);

/// After so long a request is given up, days.
const GIVE_UP_DAYS: i64 = 7;

/// Where the senders that may ask are told, by the AE title that they call by.
type Nodes = BTreeMap<String, DicomNode>;

/// The reporter of a daemon, started.
#[derive(Debug)]
pub(crate) struct Reporter {
    nodes: Arc<Mutex<Nodes>>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Reporter {
    /// Starts one.
    ///
    /// # Errors
    /// The system gives no thread.
    pub(crate) fn start(reception: &Reception, nodes: Nodes) -> io::Result<Self> {
        let nodes = Arc::new(Mutex::new(nodes));
        let stop = Arc::new(AtomicBool::new(false));
        let (known, stopped) = (Arc::clone(&nodes), Arc::clone(&stop));
        let reception = reception.clone();
        let thread = std::thread::Builder::new()
            .name("commitments".to_owned())
            .spawn(move || run(&reception, &known, &stopped))?;
        Ok(Reporter {
            nodes,
            stop,
            thread,
        })
    }

    /// Other senders, or elsewhere.
    pub(crate) fn put(&self, nodes: Nodes) {
        *lock(&self.nodes) = nodes;
    }

    /// Ends it after what it is at.
    pub(crate) fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.thread().unpark();
    }

    /// Whether it has ended.
    pub(crate) fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }
}

fn lock(nodes: &Mutex<Nodes>) -> MutexGuard<'_, Nodes> {
    // It is whole between any two assignments.
    nodes.lock().unwrap_or_else(PoisonError::into_inner)
}

fn run(reception: &Reception, nodes: &Mutex<Nodes>, stop: &Arc<AtomicBool>) {
    nice::give_way();
    let mut lanes: BTreeMap<String, JoinHandle<()>> = BTreeMap::new();
    while !stop.load(Ordering::Relaxed) {
        lanes.retain(|_, lane| !lane.is_finished());
        match due(reception) {
            Ok(due) => {
                for (sender, requests) in due {
                    let node = lock(nodes).get(&sender).cloned();
                    let Some(node) = node.filter(|_| !lanes.contains_key(&sender)) else {
                        continue;
                    };
                    let (reception, stop) = (reception.clone(), Arc::clone(stop));
                    let lane = std::thread::Builder::new()
                        .name("commitment".to_owned())
                        .spawn(move || all_of(&reception, &node, requests, &stop));
                    // Without a thread it stays due.
                    if let Ok(lane) = lane {
                        lanes.insert(sender, lane);
                    }
                }
            }
            Err(error) => tracing::debug!(code = "commitments-unread", %error),
        }
        std::thread::park_timeout(LOOK_EVERY);
    }
    for (_, lane) in lanes {
        let _ = lane.join();
    }
}

/// What is due, by sender; what is too old is given up.
fn due(reception: &Reception) -> Result<BTreeMap<String, Vec<Open>>, StoreError> {
    let (now, store) = (Utc::now(), reception.store());
    let mut due: BTreeMap<String, Vec<Open>> = BTreeMap::new();
    for open in store.read(commitments::all)? {
        if now - open.since > chrono::TimeDelta::days(GIVE_UP_DAYS) {
            tracing::warn!(
                code = "commitment-given-up",
                sender = open.sender,
                transaction = open.transaction,
                tries = open.tries
            );
            store.write(move |tx| commitments::end(tx, &open.sender, &open.transaction))?;
        } else if open.due <= now {
            due.entry(open.sender.clone()).or_default().push(open);
        }
    }
    Ok(due)
}

fn all_of(reception: &Reception, node: &DicomNode, requests: Vec<Open>, stop: &AtomicBool) {
    nice::give_way();
    for open in requests {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        if let Err(error) = one(reception, node, open) {
            tracing::warn!(code = "commitment-not-noted", %error, "will be tried again");
            return;
        }
    }
}

fn one(reception: &Reception, node: &DicomNode, open: Open) -> Result<(), StoreError> {
    let store = reception.store();
    let take = |open: Open, due: DateTime<Utc>, tries: u32| {
        store.write(move |tx| commitments::take(tx, &open, due, tries))
    };
    let wait = wait(open.tries);
    let tries = open.tries.saturating_add(1);
    let Some(taken) = take(open, after(Utc::now(), wait), tries)? else {
        return Ok(());
    };
    let Some(report) = report(reception, &taken)? else {
        let (due, tries) = (after(Utc::now(), WAIT_FOR_READING), taken.tries - 1);
        take(taken, due, tries)?;
        return Ok(());
    };
    let Open {
        sender,
        transaction,
        ..
    } = taken;
    let (held, not_held) = report.counts();
    match tell(node, &report) {
        Ok(()) => {
            tracing::info!(
                code = "commitment-reported",
                sender,
                transaction,
                held,
                not_held
            );
            store.write(move |tx| commitments::end(tx, &sender, &transaction))
        }
        Err(failure) => {
            let wait_s = wait.as_secs();
            tracing::warn!(
                code = "commitment-not-reported",
                sender,
                transaction,
                tries,
                wait_s,
                failure = failure.code.to_string(),
                "{failure}"
            );
            Ok(())
        }
    }
}

/// How long after a try it is due again.
fn wait(tries: u32) -> Duration {
    let times = 2_u32.saturating_pow(tries);
    FIRST_WAIT.saturating_mul(times).min(LONGEST_WAIT)
}

/// N-EVENT-REPORT over an association of ours, in which we are the SCP (PS3.4 J.3.3, PS3.7 D.3.3.4).
fn tell(node: &DicomNode, report: &Report) -> Result<(), Failure> {
    let stream = connect(&Goal::of(node, STEP))?;
    let proposed = Proposed {
        serves_us: true,
        ..Proposed::using(uids::STORAGE_COMMITMENT_PUSH_MODEL)
    };
    let (calling, called) = (&node.calling, &node.called);
    let mut association = Association::request(stream, calling, called, &[proposed])?;
    let context = match association.context(uids::STORAGE_COMMITMENT_PUSH_MODEL) {
        Ok(context) => context,
        Err(failure) => {
            association.release();
            return Err(failure);
        }
    };
    let unwritable = |what| Failure::new(Stage::Form, Word::Form, what);
    let data = report.data_set(context.syntax).map_err(unwritable)?;
    match association.event(context.id, context.class, INSTANCE, report.event(), &data) {
        Ok(Outcome::Refused(failure)) => {
            association.release();
            Err(failure)
        }
        Ok(Outcome::Done | Outcome::Taken(_)) => {
            association.release();
            Ok(())
        }
        Err(failure) => {
            association.abort();
            Err(failure)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_up_to_a_bound() {
        let waits: Vec<u64> = [0, 1, 2, 6, 7, 1000].map(|n| wait(n).as_secs()).into();
        assert_eq!(waits, [30, 60, 120, 1920, 3600, 3600]);
    }
}
