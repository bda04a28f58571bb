//! Spool and store side by side, with SQLite as the database and faults planted between.

use super::{Aside, Forwarded, Forwarder, Limits, NotForwarded, Spool, Told};
use crate::bare::Bare;
use crate::error::{Kind, Refusal};
use crate::objects::{self, Incoming};
use crate::session::{Each, Session, Step, Value};
use crate::tests::between::hands_on;
use crate::{Mode, Store, StoreError, copy, readings};
use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tempfile::TempDir;

/// What the database does wrong now.
#[derive(Debug, Default)]
struct Plan {
    /// It takes nothing.
    is_away: bool,
    /// It commits, and says that it did not.
    loses_answer: bool,
    /// It refuses objects with these bytes.
    refuses: Vec<[u8; 32]>,
    /// It refuses every object.
    refuses_all: bool,
    /// It takes its time.
    slow: Option<Duration>,
}

#[derive(Debug)]
struct Planted {
    inner: Box<dyn Session>,
    plan: Arc<Mutex<Plan>>,
}

impl Planted {
    fn plan(&self) -> MutexGuard<'_, Plan> {
        self.plan.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Session for Planted {
    hands_on!(ask change run now rest);

    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        let refuses = |value: &Value<'_>| {
            matches!(value, Value::Bytes(bytes)
                if self.plan().refuses.iter().any(|one| one == bytes))
        };
        let is_object = sql.contains("insert into object");
        if is_object && (self.plan().refuses_all || values.iter().any(refuses)) {
            let why = "planted: this one not".to_owned();
            return Err(StoreError::Refused(Refusal::new(Kind::Other, why)));
        }
        self.inner.tell(sql, values, each)
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        let slow = self.plan().slow;
        match step {
            Step::BeginChanging if self.plan().is_away => Err(StoreError::Busy),
            Step::Commit => {
                if let Some(slow) = slow {
                    std::thread::sleep(slow);
                }
                self.inner.step(step)?;
                if std::mem::take(&mut self.plan().loses_answer) {
                    return Err(StoreError::Busy);
                }
                Ok(())
            }
            step => self.inner.step(step),
        }
    }
}

/// A folder with a store, and spools as far as they are asked for.
struct Site {
    folder: TempDir,
    plan: Arc<Mutex<Plan>>,
}

impl Site {
    fn new() -> Site {
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new());
        Site {
            folder: folder.expect("a folder"),
            plan: Arc::default(),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn plan(&self) -> MutexGuard<'_, Plan> {
        self.plan.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn store(&self) -> Store {
        let plan = Arc::clone(&self.plan);
        Store::open_through(&self.path("store.db"), Mode::Owner, move |inner| {
            Box::new(Planted {
                inner,
                plan: Arc::clone(&plan),
            })
        })
        .expect("the store opens")
    }

    fn spool(&self, name: &str) -> Spool {
        let limits = Limits {
            spare_bytes: 0,
            ..Limits::of_bytes(64 << 20)
        };
        Spool::open(&self.path(name), Mode::Owner, limits).expect("the spool opens")
    }
}

fn at(seconds: i64) -> DateTime<Utc> {
    let start: DateTime<Utc> = "2026-03-01T08:00:00.000001Z".parse().expect("a time");
    start + TimeDelta::seconds(seconds)
}

fn object(bytes: &[u8], seconds: i64) -> Incoming {
    Incoming::new(bytes, None, "dicom:CART", "", at(seconds)).expect("it packs")
}

fn take(spool: &Spool, bytes: &[u8], seconds: i64) {
    spool.take(vec![object(bytes, seconds)]).expect("taken");
}

/// Forwards until nothing waits; what was told.
fn drain(forwarder: &mut Forwarder, store: &Store) -> Vec<String> {
    let mut told = Vec::new();
    while forwarder
        .step(store, &mut |one| told.push(words(&one)))
        .expect("forwarded")
        != Forwarded::Nothing
    {}
    told
}

fn words(told: &Told<'_>) -> String {
    match told {
        Told::Kept { kept, repeated, .. } => {
            assert_eq!(matches!(kept, objects::Kept::Repeat(_)), repeated.is_some());
            format!("{kept:?}")
        }
        Told::Aside { number, why } => format!("aside {number}: {why}"),
    }
}

/// Everything of the received objects that is stored, in order, without their numbers.
fn received(site: &Site) -> Vec<Vec<crate::bare::Cell>> {
    let file = Bare::open(&site.path("store.db")).expect("opens");
    file.rows(
        "select body_sha256, body_bytes, transfer_syntax, source, default_issuer, received_at,
                repeats, body from object order by id",
    )
    .expect("rows")
}

fn bytes_of(number: u32) -> Vec<u8> {
    format!("object {number}").into_bytes()
}

/// The same as if it had gone to the store at once, over more than one batch.
#[test]
fn what_is_forwarded_is_what_would_have_been_kept() {
    let (through, direct) = (Site::new(), Site::new());
    let incoming = || {
        let mut all: Vec<Incoming> = Vec::new();
        for n in 0..130 {
            let syntax = [None, Some("1.2.840.10008.1.2")][n as usize % 2];
            let source = ["dicom:CART", "folder"][n as usize % 2];
            let bytes = bytes_of(n % 100);
            let one = Incoming::new(&bytes, syntax, source, "HERE", at(n.into()));
            all.push(one.expect("packs"));
        }
        all
    };
    let store = direct.store();
    for one in incoming() {
        store
            .write(move |tx| objects::keep(tx, &one))
            .expect("kept");
    }
    drop(store);
    let spool = through.spool("spool.db");
    spool.take(incoming()).expect("taken");
    drop(spool);
    let spool = through.spool("spool.db");
    assert_eq!(spool.standing().expect("read").waiting.objects, 130);
    assert_eq!(spool.standing().expect("read").oldest, Some(at(0)));
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    let store = through.store();
    let told = drain(&mut forwarder, &store);
    assert_eq!(told.len(), 130);
    assert_eq!(
        told.iter().filter(|one| one.starts_with("Repeat")).count(),
        30
    );
    let standing = spool.standing().expect("read");
    assert_eq!(standing.waiting, super::Amount::default());
    assert_eq!((standing.oldest, standing.forwarded), (None, 130));
    assert_eq!(received(&through), received(&direct));
}

/// The commit is there and nobody heard of it: repeated, it is no repeat of the sender.
#[test]
fn a_commit_whose_answer_is_lost_counts_once() {
    for reopened in [false, true] {
        let site = Site::new();
        let (store, spool) = (site.store(), site.spool("spool.db"));
        let mut forwarder = Forwarder::new(spool.clone()).expect("read");
        take(&spool, b"before", 0);
        drain(&mut forwarder, &store);
        for n in 0..60 {
            take(&spool, &bytes_of(n), 1);
        }
        take(&spool, b"before", 2);
        site.plan().loses_answer = true;
        let mut told = Vec::new();
        let lost = forwarder.step(&store, &mut |one| told.push(words(&one)));
        assert!(matches!(lost, Err(NotForwarded::Store(_))), "{lost:?}");
        assert_eq!(told, Vec::<String>::new());
        take(&spool, b"behind", 3);
        if reopened {
            drop((forwarder, spool));
            forwarder = Forwarder::new(site.spool("spool.db")).expect("read");
        }
        let told = drain(&mut forwarder, &store);
        assert_eq!(told.len(), 62);
        assert_eq!(
            told.iter().filter(|one| one.starts_with("Repeat")).count(),
            1
        );
        assert_eq!(store.read(readings::counts).expect("read").repeats, 1);
        assert_eq!(received(&site).len(), 62);
    }
}

/// A kill between the commit in the store and the one in the spool.
#[test]
fn what_the_store_has_and_the_spool_still_too_counts_once() {
    let site = Site::new();
    let (store, spool) = (site.store(), site.spool("spool.db"));
    for n in 0..5 {
        take(&spool, &bytes_of(n), 0);
    }
    let before = site.path("before.db");
    drop(spool);
    std::fs::copy(site.path("spool.db"), &before).expect("copied");
    let mut forwarder = Forwarder::new(site.spool("spool.db")).expect("read");
    drain(&mut forwarder, &store);
    drop(forwarder);
    for side in ["", "-wal", "-shm", ".lock"] {
        let _ = std::fs::remove_file(site.path(&format!("spool.db{side}")));
    }
    std::fs::rename(before, site.path("spool.db")).expect("moved");
    let mut forwarder = Forwarder::new(site.spool("spool.db")).expect("read");
    let told = drain(&mut forwarder, &store);
    assert!(told.iter().all(|one| one.starts_with("New")), "{told:?}");
    assert_eq!(store.read(readings::counts).expect("read").repeats, 0);
}

/// A spool that was put back from a copy gives numbers again that stood for other objects.
#[test]
fn a_spool_put_back_from_a_copy_passes_nothing_over() {
    let site = Site::new();
    let (store, spool) = (site.store(), site.spool("spool.db"));
    take(&spool, b"first", 0);
    drop(spool);
    let before = site.path("before.db");
    std::fs::copy(site.path("spool.db"), &before).expect("copied");
    let spool = site.spool("spool.db");
    for n in 0..20 {
        take(&spool, &bytes_of(n), 1);
    }
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    drain(&mut forwarder, &store);
    drop((forwarder, spool));
    for side in ["", "-wal", "-shm", ".lock"] {
        let _ = std::fs::remove_file(site.path(&format!("spool.db{side}")));
    }
    std::fs::rename(before, site.path("spool.db")).expect("moved");
    let spool = site.spool("spool.db");
    for n in 100..120 {
        take(&spool, &bytes_of(n), 2);
    }
    let mut forwarder = Forwarder::new(spool).expect("read");
    drain(&mut forwarder, &store);
    assert_eq!(received(&site).len(), 41);
}

#[test]
fn an_object_that_is_refused_holds_up_no_other() {
    let site = Site::new();
    let (store, spool) = (site.store(), site.spool("spool.db"));
    for n in 0..70 {
        take(&spool, &bytes_of(n), 0);
    }
    let refused = [0, 1, 40, 69].map(|n| Sha256::digest(bytes_of(n)).into());
    site.plan().refuses = refused.to_vec();
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    let mut told = Vec::new();
    for _ in 0..10 {
        // The last one of all is alone in the end: whether it or the store is to blame is not known.
        if forwarder
            .step(&store, &mut |one| told.push(words(&one)))
            .is_err()
        {
            break;
        }
    }
    assert_eq!(received(&site).len(), 66);
    assert_eq!(spool.standing().expect("read").waiting.objects, 1);
    take(&spool, b"behind", 1);
    drain(&mut forwarder, &store);
    let standing = spool.standing().expect("read");
    assert_eq!((standing.waiting.objects, standing.aside.objects), (0, 4));
    let aside: Vec<Aside> = spool.aside(10).expect("read");
    assert_eq!(
        aside.iter().map(|one| one.number).collect::<Vec<_>>(),
        [1, 2, 41, 70]
    );
    assert!(
        aside.iter().all(|one| one.why.contains("planted")),
        "{aside:?}"
    );
    drop((forwarder, spool));
    // After a new start it is tried again.
    site.plan().refuses.clear();
    let spool = site.spool("spool.db");
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    drain(&mut forwarder, &store);
    assert_eq!(received(&site).len(), 71);
    assert_eq!(spool.standing().expect("read").aside.objects, 0);
    assert_eq!(store.read(readings::counts).expect("read").repeats, 0);
}

#[test]
fn a_store_that_takes_none_is_in_trouble_itself() {
    let site = Site::new();
    let (store, spool) = (site.store(), site.spool("spool.db"));
    for n in 0..60 {
        take(&spool, &bytes_of(n), 0);
    }
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    let set: [fn(&mut Plan); 2] = [|plan| plan.refuses_all = true, |plan| plan.is_away = true];
    for set in set {
        set(&mut site.plan());
        for _ in 0..3 {
            let done = forwarder.step(&store, &mut |_| panic!("nothing is to be told"));
            assert!(matches!(done, Err(NotForwarded::Store(_))), "{done:?}");
        }
        let standing = spool.standing().expect("read");
        assert_eq!((standing.waiting.objects, standing.aside.objects), (60, 0));
    }
    spool.note_trouble(Some("away"), at(5)).expect("noted");
    spool
        .note_trouble(Some("still away"), at(9))
        .expect("noted");
    let trouble = spool.standing().expect("read").trouble.expect("noted");
    assert_eq!(
        (trouble.since, trouble.what.as_str()),
        (at(5), "still away")
    );
    *site.plan() = Plan::default();
    assert_eq!(drain(&mut forwarder, &store).len(), 60);
    spool.note_trouble(None, at(9)).expect("noted");
    assert_eq!(spool.standing().expect("read").trouble, None);
}

#[test]
fn a_full_spool_takes_nothing_until_there_is_room() {
    let site = Site::new();
    let one = object(&[7; 1000], 0);
    let size = super::rows::bytes(&one);
    let most = Limits {
        bytes: size * 10,
        objects: 1_000_000,
        spare_bytes: 0,
    };
    let few = Limits {
        bytes: u64::MAX,
        objects: 10,
        spare_bytes: 0,
    };
    for (name, limits) in [("bytes.db", most), ("objects.db", few)] {
        let spool = Spool::open(&site.path(name), Mode::Owner, limits).expect("opens");
        for n in 0..10 {
            assert!(!spool.is_full(size).expect("read"));
            take(&spool, &[7; 1000], n);
        }
        assert!(spool.is_full(size).expect("read"));
        let full = spool.take(vec![object(&[7; 1000], 11)]);
        assert!(matches!(full, Err(StoreError::Full)), "{full:?}");
        drain(
            &mut Forwarder::new(spool.clone()).expect("read"),
            &site.store(),
        );
        assert!(!spool.is_full(size).expect("read"));
        take(&spool, &[7; 1000], 12);
    }
    // What went out leaves its room inside the file, or gives it back.
    let limits = Limits {
        bytes: u64::MAX,
        objects: u64::MAX,
        spare_bytes: 0,
    };
    let spool = Spool::open(&site.path("room.db"), Mode::Owner, limits).expect("opens");
    let mut dice = 1_u64;
    for _ in 0..300 {
        let mut roll = || {
            dice ^= dice << 13;
            dice ^= dice >> 7;
            dice ^= dice << 17;
            dice.to_be_bytes()
        };
        let noise: Vec<u8> = (0..5000).flat_map(|_| roll()).collect();
        take(&spool, &noise, 1);
    }
    let size = |name| std::fs::metadata(site.path(name)).expect("there").len();
    let mut forwarder = Forwarder::new(spool.clone()).expect("read");
    drain(&mut forwarder, &site.store());
    let is_loose = |spool: &Spool| spool.store.read(super::rows::is_loose).expect("read");
    assert!(is_loose(&spool), "{}", size("room.db"));
    for _ in 0..20 {
        drain(&mut forwarder, &site.store());
    }
    assert!(!is_loose(&spool));
    drop((forwarder, spool));
    assert!(size("room.db") < 6 << 20, "{}", size("room.db"));
    // No room on the disk.
    let spare = Limits {
        spare_bytes: u64::MAX / 2,
        ..few
    };
    let spool = Spool::open(&site.path("disk.db"), Mode::Owner, spare).expect("opens");
    let full = spool.take(vec![object(b"one", 0)]);
    assert!(matches!(full, Err(StoreError::Full)), "{full:?}");
    assert!(spool.is_full(1).expect("read"));
}

#[test]
fn two_spools_fill_one_store() {
    let site = Site::new();
    let store = site.store();
    let spools = ["one.db", "two.db"].map(|name| site.spool(name));
    for n in 0..80 {
        take(&spools[0], &bytes_of(n), 0);
        take(&spools[1], &bytes_of(n + 60), 0);
    }
    site.plan().slow = Some(Duration::from_millis(2));
    std::thread::scope(|scope| {
        for spool in &spools {
            let (spool, store) = (spool.clone(), &store);
            scope.spawn(move || drain(&mut Forwarder::new(spool).expect("read"), store));
        }
    });
    assert_eq!(received(&site).len(), 140);
    assert_eq!(store.read(readings::counts).expect("read").repeats, 20);
}

/// What the database took first counts, whichever spool received it earlier; the other one is a repeat.
#[test]
fn of_two_spools_the_one_that_is_forwarded_first_tells_when_and_whence() {
    for (first, second) in [(0, 1), (1, 0)] {
        let site = Site::new();
        let store = site.store();
        let spools = ["one.db", "two.db"].map(|name| site.spool(name));
        for (spool, seconds) in spools.iter().zip([0, 7]) {
            let source = format!("dicom:CART{seconds}");
            let object = Incoming::new(b"an object", None, source.as_str(), "", at(seconds));
            spool.take(vec![object.expect("it packs")]).expect("taken");
        }
        for n in [first, second] {
            drain(
                &mut Forwarder::new(spools[n].clone()).expect("read"),
                &store,
            );
        }
        let kept = store.read(|view| crate::facts::of(view, objects::ObjectId(1)));
        let kept = kept.expect("read").expect("there");
        let seconds = [0, 7][first];
        assert_eq!(kept.received_at, at(seconds));
        assert_eq!(kept.source.to_string(), format!("dicom:CART{seconds}"));
        assert_eq!(received(&site).len(), 1);
        assert_eq!(store.read(readings::counts).expect("read").repeats, 1);
    }
}

#[test]
fn a_row_that_is_damaged_is_set_aside_and_said() {
    let site = Site::new();
    let (store, spool) = (site.store(), site.spool("spool.db"));
    for n in 0..3 {
        take(&spool, &bytes_of(n), 0);
    }
    Bare::open(&site.path("spool.db"))
        .and_then(|file| file.change("update waiting set body = x'00' where number = 2"))
        .expect("damaged");
    let told = drain(&mut Forwarder::new(spool.clone()).expect("read"), &store);
    assert_eq!(told[0], "aside 2: it is damaged in the spool");
    assert_eq!(received(&site).len(), 2);
    assert_eq!(spool.aside(9).expect("read").len(), 1);
}

#[test]
fn a_spool_is_no_store_and_a_store_no_spool() {
    let site = Site::new();
    drop((site.store(), site.spool("spool.db")));
    let other = Spool::open(&site.path("store.db"), Mode::Owner, Limits::of_bytes(1));
    let why = other.expect_err("a store").to_string();
    assert!(why.contains("[store] spool"), "{why}");
    let other = Store::open(&site.path("spool.db"), Mode::Owner);
    assert!(
        matches!(other, Err(StoreError::Foreign { .. })),
        "{other:?}"
    );
    assert!(copy::back_up(&site.path("spool.db"), &site.path("copy.db")).is_err());
    let _held = site.spool("spool.db");
    let second = Spool::open(&site.path("spool.db"), Mode::Owner, Limits::of_bytes(1));
    assert!(matches!(second, Err(StoreError::Held { .. })), "{second:?}");
    let guest = Spool::open(&site.path("spool.db"), Mode::Guest, Limits::of_bytes(1));
    assert!(guest.is_ok(), "{guest:?}");
}

/// Whatever happens in whatever order: nothing that was acknowledged is lost, and what counts as a
/// repeat is what was sent twice.
#[test]
fn whatever_happens_all_is_there_and_counts_once() {
    for seed in 1..=30_u64 {
        let mut dice = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let mut roll = move |sides: u64| {
            dice ^= dice << 13;
            dice ^= dice >> 7;
            dice ^= dice << 17;
            dice % sides
        };
        let site = Site::new();
        let mut store = Some(site.store());
        let mut forwarder = Some(Forwarder::new(site.spool("spool.db")).expect("read"));
        let mut sent = Vec::new();
        for second in 0..150_i64 {
            let (Some(one), Some(into)) = (&mut forwarder, &store) else {
                unreachable!("opened again")
            };
            match roll(8) {
                0..=3 => {
                    let number = u32::try_from(roll(60)).expect("small");
                    take(one.spool(), &bytes_of(number), second);
                    sent.push(number);
                }
                4 => {
                    site.plan().loses_answer = true;
                    let _ = one.step(into, &mut |_| ());
                    site.plan().loses_answer = false;
                }
                5 => {
                    site.plan().is_away = true;
                    let _ = one.step(into, &mut |_| ());
                    site.plan().is_away = false;
                }
                6 => {
                    let _ = one.step(into, &mut |_| ());
                }
                _ => {
                    drop(forwarder.take());
                    drop(store.take());
                    store = Some(site.store());
                    forwarder = Some(Forwarder::new(site.spool("spool.db")).expect("read"));
                }
            }
        }
        let store = store.expect("open");
        drain(&mut forwarder.expect("open"), &store);
        let distinct: std::collections::BTreeSet<u32> = sent.iter().copied().collect();
        assert_eq!(received(&site).len(), distinct.len(), "seed {seed}");
        let repeats = store.read(readings::counts).expect("read").repeats;
        assert_eq!(repeats as usize, sent.len() - distinct.len(), "seed {seed}");
    }
}
