//! The thread by which a daemon shows itself to the others and learns what is its to do.

use super::Share;
use crate::observe::Metrics;
use sheathline_store::members::{self, Duty, Found, LIVES, Membership, SHOWN_EVERY};
use sheathline_store::{Store, StoreError};
use std::collections::BTreeSet;
use std::hash::{BuildHasher, RandomState};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Between two looks of a member that has more or less than its share, and of one that failed to look.
const SOON: Duration = Duration::from_secs(1);

/// Between two looks whether the others have put it out.
const GLANCE: Duration = Duration::from_millis(250);

/// What a daemon brings to those that share the store; changes with its configuration.
#[derive(Debug, Clone, Default)]
pub struct Brings {
    /// The duties that it could do, buckets of patients apart.
    pub single: BTreeSet<Duty>,
    /// By which rules it works: [`rules_word`](crate::pipeline::rules_word).
    pub rules: String,
}

/// Keeps a daemon a member.
pub struct Roster {
    stop: Sender<()>,
    thread: JoinHandle<()>,
    brings: Arc<Mutex<Brings>>,
}

impl Roster {
    /// Joins those who share the store, and tells `share` from then on what is this daemon's to do:
    /// buckets, and some of the duties that it could do.
    ///
    /// # Errors
    /// The store cannot be written, or the system gives no thread.
    pub fn start(
        store: &Store,
        share: &Share,
        metrics: &Arc<Metrics>,
        brings: Brings,
    ) -> Result<Self, StoreError> {
        let brings = Arc::new(Mutex::new(brings));
        let mut member = Member {
            id: fresh_id(),
            name: host(),
            store: store.clone(),
            share: share.clone(),
            metrics: Arc::clone(metrics),
            brings: Arc::clone(&brings),
            membership: None,
            kept: BTreeSet::new(),
            members: 0,
            others: BTreeSet::new(),
            fails_since: None,
        };
        member.look()?;
        let (stop, stopped) = channel();
        let thread = std::thread::Builder::new().name("member".to_owned());
        let thread = thread
            .spawn(move || member.run(&stopped))
            .map_err(|error| StoreError::Work(format!("the system gives no thread: {error}")))?;
        Ok(Roster {
            stop,
            thread,
            brings,
        })
    }

    /// It brings something else from now on; what it holds and cannot do any more goes to others.
    pub fn brings(&self, brings: Brings) {
        *self.brings.lock().unwrap_or_else(PoisonError::into_inner) = brings;
    }

    /// Leaves, so that others need not wait until its time is over.
    pub fn leave(self) {
        drop(self.stop);
        // However it ended: the others put it out.
        let _ = self.thread.join();
    }
}

/// A member at work.
struct Member {
    id: String,
    name: String,
    store: Store,
    share: Share,
    metrics: Arc<Metrics>,
    brings: Arc<Mutex<Brings>>,
    membership: Option<Membership>,
    /// What it keeps beyond its share, as long as the members are as many.
    kept: BTreeSet<Duty>,
    members: usize,
    /// Hosts of members that work by other rules, as it was told last.
    others: BTreeSet<String>,
    /// Since when it cannot look, once that was told.
    fails_since: Option<Instant>,
}

impl Member {
    fn run(mut self, stopped: &Receiver<()>) {
        let dice = RandomState::new();
        let mut looked: u64 = 0;
        let mut wait = SOON;
        loop {
            looked = looked.wrapping_add(1);
            // Not all at the same moment.
            let tenths = u32::try_from(dice.hash_one(looked) % 3).unwrap_or(0) + 8;
            let until = Instant::now() + wait * tenths / 10;
            while Instant::now() < until && !self.store.is_put_out() {
                match stopped.recv_timeout(GLANCE) {
                    Err(RecvTimeoutError::Timeout) => {}
                    _ => return self.leave(),
                }
            }
            wait = match self.look() {
                Ok(true) => {
                    self.fails_since = None;
                    SHOWN_EVERY
                }
                Ok(false) => SOON,
                Err(error) => {
                    self.tell_failed(&error);
                    match stopped.recv_timeout(SOON) {
                        Err(RecvTimeoutError::Timeout) => SOON,
                        _ => return self.leave(),
                    }
                }
            };
        }
    }

    /// Once, not every second.
    fn tell_failed(&mut self, error: &StoreError) {
        if self.fails_since.is_none() {
            self.fails_since = Some(Instant::now());
            tracing::error!(
                code = "member-not-shown",
                %error,
                "after {} s the others may put this daemon out", LIVES.as_secs()
            );
        }
    }

    /// Shows itself, or joins; returns whether it has its fair share.
    fn look(&mut self) -> Result<bool, StoreError> {
        if self.membership.is_some() && self.store.is_put_out() {
            self.was_put_out();
        }
        let membership = match &self.membership {
            Some(membership) => membership.clone(),
            None => {
                let membership = self.store.join(&self.id, &self.name)?;
                tracing::info!(
                    code = "member-joined",
                    id = self.id,
                    epoch = membership.epoch
                );
                self.membership.insert(membership).clone()
            }
        };
        let brings = {
            let brings = self.brings.lock().unwrap_or_else(PoisonError::into_inner);
            brings.clone()
        };
        let kept = self.kept.clone();
        let looking = membership.clone();
        let found = self.store.write(move |tx| {
            let found = members::look(tx, &looking, &brings.single, &kept)?;
            members::note_rules(tx, &looking, &brings.rules)?;
            let all = members::rules(tx)?.into_iter();
            let others = all.filter(|(_, rules)| *rules != brings.rules);
            let others: BTreeSet<String> = others.map(|(member, _)| member.name).collect();
            Ok((found, others))
        });
        match found {
            Ok((found, others)) => {
                self.compare(others);
                Ok(self.found(membership, found))
            }
            Err(StoreError::PutOut) => {
                self.was_put_out();
                Ok(false)
            }
            Err(error) => Err(error),
        }
    }

    /// The membership is over, whichever change was the first to find that.
    fn was_put_out(&mut self) {
        self.share.set(None);
        self.metrics.membership(0, 0);
        self.membership = None;
        self.kept.clear();
        tracing::error!(
            code = "put-out",
            id = self.id,
            "the others put this daemon out, since it did not show itself; it joins again"
        );
    }

    /// Tells, once for as long as it lasts, that members work by other rules.
    fn compare(&mut self, others: BTreeSet<String>) {
        if others == self.others {
            return;
        }
        self.metrics.other_rules(others.len());
        if !others.is_empty() {
            let hosts = others.iter().map(String::as_str).collect::<Vec<_>>();
            tracing::error!(
                code = "rules-differ",
                hosts = hosts.join(", "),
                "version, parameters or dictionaries there are others than here: results contradict each other"
            );
        }
        self.others = others;
    }

    fn found(&mut self, membership: Membership, found: Found) -> bool {
        for one in &found.put_out {
            tracing::warn!(
                code = "member-gone",
                id = one.id,
                host = one.name,
                "it did not show itself; the others take over what it did"
            );
        }
        if self.members != found.members {
            self.members = found.members;
            self.kept.clear();
        }
        self.kept.extend(found.stepped_in);
        self.metrics.membership(found.members, found.held.len());
        self.share.set(Some((membership, found.held)));
        found.is_fair
    }

    fn leave(self) {
        self.share.set(None);
        self.metrics.membership(0, 0);
        let Some(membership) = self.membership else {
            return;
        };
        let left = self.store.write(move |tx| members::leave(tx, &membership));
        if let Err(error) = left {
            tracing::warn!(code = "member-not-left", %error, "the others wait until its time is over");
        }
    }
}

/// An id that no other start of a daemon has: 128 random bits, as the system seeds its hash tables.
fn fresh_id() -> String {
    let half = || RandomState::new().hash_one(std::process::id());
    format!("{:016x}{:016x}", half(), half())
}

/// The name of this machine.
fn host() -> String {
    let host = rustix::system::uname();
    host.nodename().to_string_lossy().into_owned()
}
