//! From one shape of the store to the next.

use crate::domain::PatientKey;
use crate::store::{Mode, Store, StoreError, people};
use rusqlite::Connection;
use tempfile::TempDir;

#[test]
fn a_store_of_the_first_shape_is_brought_up_with_what_it_holds() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let conn = Connection::open(&path).expect("plain open");
    conn.execute_batch(include_str!("../schema/001.sql"))
        .expect("first shape");
    conn.execute_batch(
        "insert into event values ('HERE', '007', '2024-05-01', 'other', '2024-05-02T00:00:00Z');
         PRAGMA application_id = 1397247054; PRAGMA user_version = 1;",
    )
    .expect("marked");
    drop(conn);
    let refused = Store::open(&path, Mode::Guest).expect_err("a guest changes no shape");
    assert!(
        matches!(refused, StoreError::Outdated { found: 1, .. }),
        "{refused}"
    );
    let store = Store::open(&path, Mode::Owner).expect("brought up");
    let key = PatientKey {
        issuer: "HERE".to_owned(),
        id: "007".to_owned(),
    };
    store
        .read(|conn| {
            assert_eq!(people::events(conn, &key)?.len(), 1);
            assert_eq!(people::pressures(conn, &key)?, []);
            Ok(())
        })
        .expect("read");
}
