//! Unit tests of the store: what a commit promises, and what a broken one must not.

use super::objects::{Incoming, Kept, ObjectId};
use super::*;
use crate::bare::Bare;
pub(crate) mod between;
mod commitments;
pub(crate) mod contract;
mod lines;
mod members;
mod moving;
mod pictures;
mod said;
mod shape;
mod topics;
mod verified;

use chrono::{DateTime, Utc};
use proptest::prelude::*;
use std::sync::Barrier;
use tempfile::TempDir;

fn open(folder: &TempDir) -> Store {
    Store::open(&folder.path().join("store.db"), Mode::Owner).expect("a fresh store opens")
}

fn file_of(store: &Store) -> &Path {
    store.place().file().expect("a file")
}

fn now() -> DateTime<Utc> {
    "2026-03-01T08:00:00.25Z".parse().expect("a time")
}

fn object(bytes: &[u8]) -> Incoming {
    Incoming::new(bytes, None, "folder", "", now()).expect("compresses")
}

/// Bytes that do not compress: SplitMix64 (doi:10.1145/2660193.2660195).
fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed;
    std::iter::repeat_with(|| {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)).to_le_bytes()
    })
    .flatten()
    .take(length)
    .collect()
}

fn keep(store: &Store, bytes: &'static [u8]) -> Result<Kept, StoreError> {
    store.write(move |tx| objects::keep(tx, &object(bytes)))
}

#[test]
fn a_second_owner_is_refused_with_the_pid_of_the_first() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let first = open(&folder);
    let refused = Store::open(&path, Mode::Owner).expect_err("held");
    assert!(
        matches!(refused, StoreError::Held { pid: Some(pid), .. } if pid == std::process::id()),
        "{refused}"
    );
    Store::open(&path, Mode::Guest).expect("a guest needs no lock");
    drop(first);
    Store::open(&path, Mode::Owner).expect("free again");
}

#[test]
fn a_guest_makes_no_store() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    assert!(matches!(
        Store::open(&path, Mode::Guest),
        Err(StoreError::Missing { .. })
    ));
    assert!(!path.exists());
}

#[test]
fn nobody_else_may_read_the_files() {
    use std::os::unix::fs::PermissionsExt;
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    keep(&store, b"one").expect("kept");
    for name in ["store.db", "store.db-wal", "store.db-shm"] {
        let facts = std::fs::metadata(folder.path().join(name)).expect("there");
        assert_eq!(facts.permissions().mode() & 0o077, 0, "{name}");
    }
}

#[test]
fn a_newer_shape_is_refused_and_left_alone() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    drop(open(&folder));
    let newer = sqlite::schema::KNOWN + 1;
    let file = Bare::open(&path).expect("plain open");
    file.change(&format!("pragma user_version = {newer}"))
        .expect("set");
    drop(file);
    for mode in [Mode::Owner, Mode::Guest] {
        let refused = Store::open(&path, mode).expect_err("newer");
        assert!(
            matches!(refused, StoreError::Newer { found, .. } if found == newer),
            "{refused}"
        );
    }
    let file = Bare::open(&path).expect("plain open");
    let shape = file.column("pragma user_version").expect("read");
    assert_eq!(shape, [newer.to_string()]);
}

#[test]
fn foreign_files_are_refused_and_left_alone() {
    let folder = TempDir::new().expect("temp");
    let text = folder.path().join("notes.txt");
    std::fs::write(
        &text,
        "not a database, and long enough to look like a file header",
    )
    .expect("w");
    assert!(matches!(
        Store::open(&text, Mode::Owner),
        Err(StoreError::Foreign { .. })
    ));

    let other = folder.path().join("other.db");
    let file = Bare::open(&other).expect("plain open");
    file.change("create table theirs (x); insert into theirs values (1)")
        .expect("sql");
    drop(file);
    let before = std::fs::read(&other).expect("read");
    assert!(matches!(
        Store::open(&other, Mode::Owner),
        Err(StoreError::Foreign { .. })
    ));
    assert_eq!(std::fs::read(&other).expect("read"), before);
}

/// sqlite.org/pragma.html: `synchronous` 2 is FULL.
#[test]
fn every_writing_connection_syncs_each_commit() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let guest = Store::open(file_of(&store), Mode::Guest).expect("guest");
    for one in [&store, &guest] {
        let (sync, journal): (i64, String) = one
            .write(|tx| {
                Ok((
                    tx.prepare("pragma synchronous").one((), |row| row.get(0))?,
                    tx.prepare("pragma journal_mode")
                        .one((), |row| row.get(0))?,
                ))
            })
            .expect("pragmas");
        assert_eq!((sync, journal.as_str()), (2, "wal"));
    }
}

#[test]
fn all_that_was_answered_is_there_after_reopening() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let first = keep(&store, b"one").expect("kept");
    assert_eq!(first, Kept::New(ObjectId(1)));
    assert_eq!(keep(&store, b"two").expect("kept"), Kept::New(ObjectId(2)));
    assert_eq!(
        keep(&store, b"one").expect("kept"),
        Kept::Repeat(ObjectId(1))
    );
    drop(store);
    let store = open(&folder);
    store
        .read(|conn| {
            assert_eq!(objects::body(conn, ObjectId(1))?, b"one");
            assert_eq!(objects::body(conn, ObjectId(2))?, b"two");
            let unread = objects::next_unread(conn, 10)?;
            assert_eq!(
                unread.iter().map(|one| one.id.0).collect::<Vec<_>>(),
                [1, 2]
            );
            let counts = readings::counts(conn)?;
            assert_eq!((counts.unread, counts.repeats), (2, 1));
            Ok(())
        })
        .expect("read");
}

/// The same bytes under another transfer syntax are another object: one of the two is wrong, and
/// which one is not for the store to say.
#[test]
fn the_transfer_syntax_is_part_of_the_identity() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let kept: Vec<Kept> = [
        None,
        Some("1.2.840.10008.1.2"),
        Some("1.2.840.10008.1.2.1"),
        None,
    ]
    .into_iter()
    .map(|syntax| {
        let one = Incoming::new(b"same", syntax, "folder", "", now()).expect("compresses");
        store
            .write(move |tx| objects::keep(tx, &one))
            .expect("kept")
    })
    .collect();
    let id = ObjectId;
    assert_eq!(
        kept,
        [
            Kept::New(id(1)),
            Kept::New(id(2)),
            Kept::New(id(3)),
            Kept::Repeat(id(1))
        ]
    );
}

/// Many callers at once, of which some fail in different ways: the others are stored.
#[test]
fn a_failing_change_does_not_hurt_its_neighbours() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let (held, gate) = (Arc::new(Barrier::new(2)), Arc::new(Barrier::new(2)));
    let first = {
        // Holds the writer until the others wait, so that they share one commit.
        let (store, held, gate) = (store.clone(), Arc::clone(&held), Arc::clone(&gate));
        std::thread::spawn(move || {
            store.write(move |_| {
                held.wait();
                gate.wait();
                Ok(())
            })
        })
    };
    held.wait();
    let callers: Vec<_> = (0..30_u8)
        .map(|n| {
            let store = store.clone();
            std::thread::spawn(move || {
                store.write(move |tx| {
                    let kept = objects::keep(tx, &object(&[n]))?;
                    match n % 6 {
                        1 => Err(StoreError::Work("changed its mind".to_owned())),
                        3 => Err(tx
                            .execute("insert into nowhere values (1)", ())
                            .unwrap_err()),
                        5 => panic!("a defect"),
                        _ => Ok(kept),
                    }
                })
            })
        })
        .collect();
    while store
        .inner
        .waiting
        .as_ref()
        .is_some_and(|waiting| waiting.capacity() > writer::WAITING_MAX - 30)
    {
        std::thread::yield_now();
    }
    let commits_before = *store.changes().borrow();
    gate.wait();
    first.join().expect("joined").expect("stored");
    for (n, caller) in callers.into_iter().enumerate() {
        let outcome = caller.join().expect("joined");
        match n % 6 {
            1 => assert!(matches!(outcome, Err(StoreError::Work(_)))),
            3 => assert!(matches!(outcome, Err(StoreError::Refused(_)))),
            5 => assert!(matches!(outcome, Err(StoreError::Panicked))),
            _ => assert!(matches!(outcome, Ok(Kept::New(_)))),
        }
    }
    let stored = store
        .read(|conn| Ok(objects::next_unread(conn, 100)?.len()))
        .expect("read");
    assert_eq!(stored, 15);
    // One commit for the change that held the writer, one for all the others.
    assert_eq!(*store.changes().borrow() - commits_before, 2);
}

/// A commit that fails is an error for everyone in it, and afterwards nothing is promised until
/// the store was verified. Here a deferred foreign key makes COMMIT fail, as sqlite.org/foreignkeys.html
/// section 4.2 describes.
#[test]
fn a_failed_commit_puts_the_store_in_doubt_until_it_is_verified() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    keep(&store, b"before").expect("kept");
    let mut changes = store.changes();
    changes.mark_unchanged();
    let failed = store.write(|tx| {
        tx.execute_batch(
            "create table parent (id integer primary key);
             create table child (id references parent deferrable initially deferred);
             insert into child values (7);",
        )?;
        Ok(())
    });
    assert!(
        matches!(failed, Err(StoreError::InDoubt { .. })),
        "{failed:?}"
    );
    assert!(store.doubt().is_some());
    // Whoever waits for changes is woken, to see it.
    assert!(changes.has_changed().expect("open"));
    assert!(matches!(
        keep(&store, b"after"),
        Err(StoreError::InDoubt { .. })
    ));
    drop(store);

    assert!(folder.path().join("store.db.doubt").exists());
    let guest = Store::open(&folder.path().join("store.db"), Mode::Guest);
    assert!(
        matches!(guest, Err(StoreError::InDoubt { .. })),
        "{guest:?}"
    );
    let store = open(&folder);
    assert!(!folder.path().join("store.db.doubt").exists());
    assert_eq!(
        keep(&store, b"before").expect("kept"),
        Kept::Repeat(ObjectId(1))
    );
    assert!(matches!(keep(&store, b"after"), Ok(Kept::New(_))));
}

#[test]
fn a_damaged_file_is_not_opened_after_a_doubt() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    for n in 0..50_u8 {
        let bytes = noise(u64::from(n), 3000);
        store
            .write(move |tx| objects::keep(tx, &object(&bytes)))
            .expect("kept");
    }
    let path = file_of(&store).to_owned();
    drop(store);
    let mut file = std::fs::read(&path).expect("read");
    let middle = file.len() / 2 / 4096 * 4096;
    file[middle..middle + 4096].fill(0xA5);
    std::fs::write(&path, &file).expect("write");
    std::fs::write(folder.path().join("store.db.doubt"), "a test").expect("write");
    assert!(matches!(
        Store::open(&path, Mode::Owner),
        Err(StoreError::Damaged { .. } | StoreError::Open { .. })
    ));
}

/// A limit on pages acts as a full disk does: SQLITE_FULL, sqlite.org/pragma.html (max_page_count).
#[test]
fn a_full_disk_refuses_without_doubt_and_recovers() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let noise = noise(1, 200_000);
    store
        .write(|tx| tx.execute_batch("pragma max_page_count = 30"))
        .expect("pragma");
    let full = store.write({
        let noise = noise.clone();
        move |tx| objects::keep(tx, &object(&noise))
    });
    assert!(matches!(full, Err(StoreError::Full)), "{full:?}");
    assert_eq!(store.doubt(), None);
    store
        .write(|tx| tx.execute_batch("pragma max_page_count = 30000"))
        .expect("pragma");
    store
        .write(move |tx| objects::keep(tx, &object(&noise)))
        .expect("there is room again");
}

#[test]
fn flipped_bytes_of_an_object_are_found() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    keep(&store, b"a body that nobody may change").expect("kept");
    keep(&store, b"a body that stays").expect("kept");
    let length: i64 = store
        .read(|view| {
            view.prepare("select length(body) from object where id = 1")
                .one((), |row| row.get(0))
        })
        .expect("read");
    for at in 1..=length {
        // Flip one byte, look, flip it back.
        let flip = move |tx: &Tx| -> Result<(), StoreError> {
            let mut body: Vec<u8> = tx
                .prepare("select body from object where id = 1")
                .one((), |row| row.get(0))?;
            body[usize::try_from(at - 1).expect("small")] ^= 0x10;
            tx.execute("update object set body = ?1 where id = 1", [body])?;
            Ok(())
        };
        store.write(flip).expect("flip");
        let damaged = damages(&store);
        // The zlib header holds one bit pair that changes nothing of the content (RFC 1950, FLEVEL
        // is covered by FCHECK, so even that is found).
        assert_eq!(damaged.len(), 1, "byte {at}");
        assert_eq!(damaged[0].part, "object 1");
        store.write(flip).expect("flip back");
    }
    assert_eq!(damages(&store), []);
}

fn damages(store: &Store) -> Vec<verify::Damage> {
    let looker = verify::Looker::open(file_of(store)).expect("opens");
    looker.verify(|_, _| ()).expect("verified").damages
}

#[test]
fn readers_cannot_write() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    assert!(
        store
            .read(|view| view.prepare("delete from meta").exists(()))
            .is_err()
    );
    store.write(|tx| meta::set(tx, "a", "b")).expect("set");
    store.write(|tx| meta::set(tx, "a", "c")).expect("set");
    assert_eq!(
        store
            .read(|conn| meta::get(conn, "a"))
            .expect("get")
            .as_deref(),
        Some("c")
    );
    assert_eq!(store.read(|conn| meta::get(conn, "z")).expect("get"), None);
}

#[test]
fn the_log_is_brought_over_into_the_file_as_it_grows() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    for seed in 0..80 {
        let one = object(&noise(seed, 500_000));
        store
            .write(move |tx| objects::keep(tx, &one))
            .expect("kept");
    }
    let log = std::fs::metadata(beside(file_of(&store), "-wal")).expect("a log");
    // 40 MB were stored; a log begins anew after some 4000 pages of 4 KiB.
    assert!(log.len() < 20_000_000, "the log has {} bytes", log.len());
    let file = std::fs::metadata(file_of(&store)).expect("a file");
    assert!(file.len() > 20_000_000, "the file has {} bytes", file.len());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever arrives, in whatever order and however often: each distinct body is there once,
    /// byte for byte, and the repeats are counted.
    #[test]
    fn bodies_come_back_as_they_were(
        bodies in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 1..20)
    ) {
        let folder = TempDir::new().expect("temp");
        let store = open(&folder);
        let mut seen = std::collections::BTreeMap::new();
        for body in &bodies {
            let one = object(body);
            let kept = store.write(move |tx| objects::keep(tx, &one)).expect("kept");
            match seen.get(body) {
                Some(id) => prop_assert_eq!(kept, Kept::Repeat(*id)),
                None => {
                    let Kept::New(id) = kept else { panic!("not a repeat") };
                    seen.insert(body.clone(), id);
                }
            }
        }
        for (body, id) in &seen {
            prop_assert_eq!(&store.read(|conn| objects::body(conn, *id)).expect("read"), body);
        }
        let repeats = store.read(readings::counts).expect("counts").repeats as usize;
        prop_assert_eq!(repeats, bodies.len() - seen.len());
    }
}
