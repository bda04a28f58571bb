//! Daemons that join, stand still, are put out and come back in any order, on one store with one clock.

use crate::members::{self, Duty, LIVES, Membership};
use crate::session::Session;
use crate::tests::between::hands_on;
use crate::{Mode, Store, StoreError, meta};
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use tempfile::TempDir;

/// A session whose database has a clock of ours.
#[derive(Debug)]
struct Clocked {
    inner: Box<dyn Session>,
    clock: Arc<AtomicI64>,
}

impl Session for Clocked {
    hands_on!(ask tell change run step rest);

    fn now(&self) -> Result<i64, StoreError> {
        Ok(self.clock.load(Ordering::SeqCst))
    }
}

fn open(path: &Path, mode: Mode, clock: &Arc<AtomicI64>) -> Store {
    let clock = Arc::clone(clock);
    let store = Store::open_through(path, mode, move |inner| {
        let clock = Arc::clone(&clock);
        Box::new(Clocked { inner, clock })
    });
    store.expect("opens")
}

/// What happens next.
#[derive(Debug, Clone, Copy)]
enum Act {
    Join(usize),
    Look(usize),
    Leave(usize),
    /// Writes under whatever membership it had last, for a duty.
    Work(usize, u8),
    /// Time passes, in milliseconds.
    Wait(i64),
}

const DAEMONS: usize = 3;

fn act() -> impl Strategy<Value = Act> {
    let who = 0..DAEMONS;
    prop_oneof![
        2 => who.clone().prop_map(Act::Join),
        6 => who.clone().prop_map(Act::Look),
        1 => who.clone().prop_map(Act::Leave),
        6 => (who, any::<u8>()).prop_map(|(who, bucket)| Act::Work(who, bucket)),
        4 => (1..30_000_i64).prop_map(Act::Wait),
    ]
}

/// What should be, worked out without the store: until when each stands, and what it holds.
#[derive(Default)]
struct Model {
    /// By daemon: the epoch that stands, and until when it is believed alive.
    standing: BTreeMap<usize, (i64, i64)>,
    held: BTreeMap<Duty, usize>,
}

impl Model {
    fn remove(&mut self, who: usize) {
        self.standing.remove(&who);
        self.held.retain(|_, holder| *holder != who);
    }
}

struct Daemon {
    store: Store,
    last: Option<Membership>,
}

fn single() -> BTreeSet<Duty> {
    Duty::SINGLE.into_iter().collect()
}

fn play(acts: Vec<Act>) {
    let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new());
    let folder = folder.expect("a folder");
    let path = folder.path().join("store.db");
    drop(Store::open(&path, Mode::Owner).expect("made"));
    let clock = Arc::new(AtomicI64::new(1_000_000));
    let lives = i64::try_from(LIVES.as_millis()).expect("short");
    let mut daemons: Vec<Daemon> = (0..DAEMONS)
        .map(|_| Daemon {
            store: open(&path, Mode::Guest, &clock),
            last: None,
        })
        .collect();
    let (mut model, mut epochs) = (Model::default(), BTreeSet::new());
    for act in acts {
        let now = clock.load(Ordering::SeqCst);
        match act {
            Act::Wait(ms) => clock.store(now + ms, Ordering::SeqCst),
            Act::Join(who) => {
                let daemon = &mut daemons[who];
                let joined = daemon.store.join(&who.to_string(), "").expect("joins");
                assert!(epochs.insert(joined.epoch), "given twice");
                model.remove(who);
                model.standing.insert(who, (joined.epoch, now + lives));
                daemon.last = Some(joined);
            }
            Act::Leave(who) => {
                let Some(last) = daemons[who].last.clone() else {
                    continue;
                };
                let stands = model.standing.contains_key(&who);
                let left = daemons[who]
                    .store
                    .write(move |tx| members::leave(tx, &last));
                assert_eq!(left.is_ok(), stands, "{left:?}");
                model.remove(who);
            }
            Act::Look(who) => {
                let Some(last) = daemons[who].last.clone() else {
                    continue;
                };
                let looked = daemons[who]
                    .store
                    .write(move |tx| members::look(tx, &last, &single(), &BTreeSet::new()));
                if !model.standing.contains_key(&who) {
                    assert!(matches!(looked, Err(StoreError::PutOut)), "{looked:?}");
                    continue;
                }
                let found = looked.expect("it stands");
                if let Some((_, until)) = model.standing.get_mut(&who) {
                    *until = now + lives;
                }
                let over: Vec<usize> = model
                    .standing
                    .iter()
                    .filter(|(_, (_, until))| *until <= now)
                    .map(|(who, _)| *who)
                    .collect();
                let out: Vec<usize> = found
                    .put_out
                    .iter()
                    .map(|one| one.id.parse().expect("a number"))
                    .collect();
                assert_eq!(out, over);
                over.iter().for_each(|who| model.remove(*who));
                assert_eq!(found.members, model.standing.len());
                model.held.retain(|_, holder| *holder != who);
                for duty in found.held {
                    let before = model.held.insert(duty.clone(), who);
                    assert_eq!(before, None, "two have {duty}");
                }
            }
            Act::Work(who, bucket) => {
                let Some(last) = daemons[who].last.clone() else {
                    continue;
                };
                let duty = Duty::Bucket(bucket);
                let mine = model.held.get(&duty) == Some(&who);
                let mark = format!("{who} {now}");
                let written = daemons[who].store.write(move |tx| {
                    let holds = members::holds(tx, &last, &duty)?;
                    if holds {
                        meta::set(tx, "worked", &mark)?;
                    }
                    Ok(holds)
                });
                if model.standing.contains_key(&who) {
                    assert_eq!(written.expect("it stands"), mine);
                } else {
                    assert!(matches!(written, Err(StoreError::PutOut)), "{written:?}");
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn never_two_writers_of_one_duty_and_never_a_write_of_one_who_was_put_out(
        acts in prop::collection::vec(act(), 1..60),
    ) {
        play(acts);
    }
}

/// The same order of things each time: whoever stands still loses its duties within 25 s, and what it
/// does when it wakes up is refused.
#[test]
fn another_takes_over_within_25_seconds() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("store.db");
    let clock = Arc::new(AtomicI64::new(5));
    let one = open(&path, Mode::Owner, &clock);
    let two = open(&path, Mode::Guest, &clock);
    let first = one.join("a", "").expect("joins");
    let second = two.join("b", "").expect("joins");
    let look = |store: &Store, membership: &Membership| {
        let membership = membership.clone();
        store.write(move |tx| members::look(tx, &membership, &single(), &BTreeSet::new()))
    };
    look(&one, &first).expect("looks");
    let stopped = clock.load(Ordering::SeqCst);
    let mut taken = None;
    // It looks at its own moments.
    clock.fetch_add(4_321, Ordering::SeqCst);
    for _ in 0..8 {
        let held = look(&two, &second).expect("looks").held;
        let now = clock.fetch_add(5_000, Ordering::SeqCst);
        if held.contains(&Duty::Bucket(0)) {
            taken = taken.or(Some(now - stopped));
        }
    }
    let taken = taken.expect("it takes over");
    assert!((20_000..=25_000).contains(&taken), "{taken}");
    let late = one.write(|tx| meta::set(tx, "worked", "late"));
    assert!(matches!(late, Err(StoreError::PutOut)), "{late:?}");
}
