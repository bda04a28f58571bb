//! From one shape of the store to the next.

use crate::bare::Bare;
use crate::{Mode, Store, StoreError, annotations};
use sheathline_model::annotations::{Author, Counting, Of};
use sheathline_model::domain::PatientKey;
use tempfile::TempDir;

#[test]
fn a_store_of_the_first_shape_is_brought_up_with_what_it_holds() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let file = Bare::open(&path).expect("plain open");
    file.change(include_str!("../schema/001.sql"))
        .expect("first shape");
    file.change(
        "insert into event values ('HERE', '007', '2024-05-01', 'other', '2024-05-02T00:00:00Z');
         PRAGMA application_id = 1397247054; PRAGMA user_version = 1;",
    )
    .expect("marked");
    drop(file);
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
    let all = store
        .read(|conn| annotations::of_patient(conn, &key))
        .expect("read");
    let counting = Counting::of(&all);
    assert_eq!((counting.events.len(), counting.pressures.len()), (1, 0));
}

/// Labels, events and pressures of the shape before entries, each with the time it was set, in the
/// order of those times, and said to be of nobody known.
#[test]
fn what_people_said_before_authors_were_kept_becomes_entries() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let file = Bare::open(&path).expect("plain open");
    for step in [
        include_str!("../schema/001.sql"),
        include_str!("../schema/002.sql"),
        include_str!("../schema/003.sql"),
        include_str!("../schema/004.sql"),
        include_str!("../schema/005.sql"),
        include_str!("../schema/006.sql"),
        include_str!("../schema/007.sql"),
    ] {
        file.change(step).expect("a shape");
    }
    file.change(
        "insert into label values
            ('HERE', '007', '9.2', 'raised_confirmed', '2024-05-03T00:00:00.000000Z'),
            ('HERE', '007', '9.1', 'well', '2024-05-01T08:30:00.123456Z'),
            ('', '007', '9.1', 'after_decompression', '2024-05-04T00:00:00.000000Z');
         insert into event values
            ('HERE', '007', '2024-04-01', 'csf_surgery', '2024-05-02T00:00:00.000000Z');
         insert into pressure values
            ('HERE', '007', '9.2', '32.0', 'cm[H2O]', '2024-05-03T00:00:00.000000Z');
         PRAGMA application_id = 1397247054; PRAGMA user_version = 7;",
    )
    .expect("marked");
    drop(file);
    let store = Store::open(&path, Mode::Owner).expect("brought up");
    let key = PatientKey {
        issuer: "HERE".to_owned(),
        id: "007".to_owned(),
    };
    let all = store
        .read(|conn| annotations::of_patient(conn, &key))
        .expect("read");
    let told: Vec<_> = all
        .iter()
        .map(|one| {
            let at = one.recorded_at.to_rfc3339();
            let of = match one.said.of() {
                Of::Exam(about) => {
                    assert_eq!(about.readings, [], "all of the study");
                    about.study_instance_uid
                }
                Of::Day(date) => date.to_string(),
            };
            format!(
                "{} {} {of} {}",
                one.id,
                at,
                one.said.value().unwrap_or_default()
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "1 2024-05-01T08:30:00.123456+00:00 9.1 well",
            "2 2024-05-02T00:00:00+00:00 2024-04-01 csf_surgery",
            "3 2024-05-03T00:00:00+00:00 9.2 raised_confirmed",
            "4 2024-05-03T00:00:00+00:00 9.2 32.0 cm[H2O]",
        ]
    );
    for one in &all {
        assert_eq!(one.by.author, Author::Unknown);
        assert_eq!(one.by.reason, "recorded before authors were kept");
        assert_eq!((one.act, one.corrects), (one.id, None));
    }
    let other = PatientKey {
        issuer: String::new(),
        ..key
    };
    let other = store.read(|conn| annotations::of_patient(conn, &other));
    assert_eq!(other.expect("read").len(), 1);
}
