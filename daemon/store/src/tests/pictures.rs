//! Pictures without their pixels, and a store of the first shape.

use super::{damages, keep, open};
use crate::bare::Bare;
use crate::objects::{self, Kept, ObjectId, Slim};
use crate::readings::{self, StoredDisposition};
use crate::{Mode, Store, StoreError};
use sheathline_model::domain::Disposition;
use tempfile::TempDir;

const ONE: ObjectId = ObjectId(1);

fn slimmed(folder: &TempDir) -> Store {
    let store = open(folder);
    keep(&store, b"header pixels").expect("kept");
    let mut reading =
        sheathline_model::history::testing::reading("1.1", "2.1", "2024-05-01", &[], &[]);
    reading.disposition = Disposition::NoSheathMeasurement;
    let slim = Slim::new(b"header").expect("compresses");
    store
        .write(move |tx| {
            let done = StoredDisposition::As(reading.disposition);
            readings::finish_read(tx, ONE, &reading, done)?;
            objects::slim_down(tx, ONE, &slim)
        })
        .expect("slimmed");
    store
}

#[test]
fn a_slim_body_is_read_back_and_what_was_received_is_still_known() {
    let folder = TempDir::new().expect("temp");
    let store = slimmed(&folder);
    let body = store.read(|conn| objects::body(conn, ONE)).expect("read");
    assert_eq!(body, b"header");
    assert_eq!(damages(&store), []);
    // The hash of the received bytes (coreutils: printf 'header pixels' | sha256sum).
    let stored = store
        .read(|conn| readings::reading_of(conn, ONE))
        .expect("read");
    assert_eq!(
        stored.map(|stored| stored.body_sha256).as_deref(),
        Some("961e879dc121fafbadc401295188fbb4fa8beda5c5892f9181ffac7793a6970c")
    );
    // The same bytes again are a repeat, the slim ones are not.
    assert_eq!(
        keep(&store, b"header pixels").expect("kept"),
        Kept::Repeat(ONE)
    );
    assert_eq!(
        keep(&store, b"header").expect("kept"),
        Kept::New(ObjectId(2))
    );
    // Sent back to be read, it knows the content hash it had.
    store.write(objects::read_all_again).expect("sent back");
    let unread = store
        .read(|conn| {
            let mut all = objects::next_again(conn, 1)?.expect("some");
            all.extend(objects::next_unread(conn, 9)?);
            Ok(all)
        })
        .expect("read");
    let hashes: Vec<_> = unread
        .iter()
        .map(|one| one.content_sha256.as_deref())
        .collect();
    assert_eq!(hashes, [Some("hash of 1.1"), None]);
}

#[test]
fn a_damaged_slim_body_is_noticed() {
    let folder = TempDir::new().expect("temp");
    let store = slimmed(&folder);
    let other = Slim::new(b"HEADER").expect("compresses");
    store
        .write(move |tx| {
            objects::slim_down(tx, ONE, &other)?;
            tx.execute(
                "update object set kept_sha256 = body_sha256 where id = 1",
                (),
            )?;
            Ok(())
        })
        .expect("damaged");
    let damaged = store.read(|conn| objects::body(conn, ONE));
    assert!(matches!(damaged, Err(StoreError::Damaged { .. })));
}

#[test]
fn a_store_of_the_first_shape_is_brought_up_with_what_it_holds() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let fresh = Store::open(&folder.path().join("fresh.db"), Mode::Owner).expect("opens");
    keep(&fresh, b"one").expect("kept");
    drop(fresh);
    let file = Bare::open(&path).expect("plain open");
    file.change(include_str!("../schema/001.sql"))
        .expect("first shape");
    file.change("pragma application_id = 1397247054; pragma user_version = 1;")
        .expect("marked");
    let fresh = folder.path().join("fresh.db");
    file.change(&format!("attach '{}' as fresh", fresh.display()))
        .expect("attached");
    file.change(
        "insert into object (body, body_bytes, body_sha256, source, default_issuer, received_at)
         select body, body_bytes, body_sha256, source, default_issuer, received_at
         from fresh.object; detach fresh;",
    )
    .expect("copied");
    drop(file);
    assert!(matches!(
        Store::open(&path, Mode::Guest),
        Err(StoreError::Outdated { .. })
    ));
    let store = Store::open(&path, Mode::Owner).expect("brought up");
    assert_eq!(
        store.read(|conn| objects::body(conn, ONE)).expect("read"),
        b"one"
    );
    assert_eq!(keep(&store, b"one").expect("kept"), Kept::Repeat(ONE));
}
