//! Rows of deliveries, without a worker.

use super::*;
use crate::results::{self, NewResult};
use crate::verify::Looker;
use crate::{Mode, Store, copy, objects};
use sheathline_model::domain::PatientKey;
use std::path::Path;
use tempfile::TempDir;

fn now() -> DateTime<Utc> {
    "2026-03-01T23:30:00Z".parse().expect("a time")
}

fn to() -> Vec<String> {
    vec!["archive".to_owned(), "hook".to_owned()]
}

/// A store with results of exam `e`, made an hour apart, the first ones published.
fn with_results(path: &Path, results: u32, published: u32) -> Store {
    let store = Store::open(path, Mode::Owner).expect("opens");
    for number in 1..=results {
        let content = format!("{{\"n\":{number}}}");
        let result = NewResult {
            exam_id: "e".to_owned(),
            patient: PatientKey {
                issuer: String::new(),
                id: "1".to_owned(),
            },
            key: results::key_of(&content),
            content,
            why: Vec::new(),
        };
        let at = now() + TimeDelta::hours(number.into());
        store
            .write(move |tx| {
                let version = results::insert(tx, &result, at)?;
                if version <= published {
                    results::mark_published(tx, "e", version, &to(), at)?;
                }
                Ok(())
            })
            .expect("stored");
    }
    store
}

fn stand(store: &Store, destination: &str) -> Vec<(u32, State)> {
    let which = Which {
        destination: Some(destination.to_owned()),
        ..Which::default()
    };
    let all = store.read(|conn| list(conn, &which)).expect("read");
    let all = all.into_iter().flatten();
    all.map(|one| (one.version, one.state)).collect()
}

fn all_delivered(store: &Store) {
    store
        .write(|tx| {
            for one in list(tx, &Which::default())?.into_iter().flatten() {
                delivered(tx, one.id, now())?;
            }
            Ok(())
        })
        .expect("noted");
}

#[test]
fn a_result_waits_for_each_destination_from_the_commit_that_publishes_it() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder.path().join("store.db"), 2, 1);
    assert_eq!(stand(&store, "archive"), [(1, State::Waiting)]);
    assert_eq!(stand(&store, "hook"), [(1, State::Waiting)]);
    // An error takes both back.
    let failed: Result<(), _> = store.write(|tx| {
        results::mark_published(tx, "e", 2, &to(), now())?;
        Err(StoreError::Closed)
    });
    assert!(failed.is_err());
    assert_eq!(stand(&store, "archive").len(), 1);
    let unpublished = store.read(|conn| results::unpublished(conn, 9));
    assert_eq!(unpublished.expect("read").len(), 1);
}

#[test]
fn after_a_restore_what_waited_waits_and_what_was_delivered_is_not_sent_again() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let store = with_results(&path, 3, 2);
    let first = stand(&store, "archive");
    assert_eq!(first.len(), 2);
    store.write(|tx| delivered(tx, 1, now())).expect("noted");
    let to_file = folder.path().join("copy.db");
    copy::back_up(&path, &to_file).expect("copied");
    all_delivered(&store);
    drop(store);
    let restored = copy::restore(&to_file, &path, true).expect("restored");
    assert_eq!(restored.verified.deliveries, 4);
    let store = Store::open(&path, Mode::Owner).expect("opens");
    // Everything is published again.
    store
        .write(|tx| {
            for version in 1..=3 {
                results::mark_published(tx, "e", version, &to(), now())?;
            }
            Ok(())
        })
        .expect("published");
    assert_eq!(
        stand(&store, "archive"),
        [
            (1, State::Delivered),
            (2, State::Waiting),
            (3, State::Waiting)
        ]
    );
}

#[test]
fn a_version_that_gets_another_number_is_delivered_under_it() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder.path().join("store.db"), 1, 1);
    all_delivered(&store);
    store
        .write(|tx| {
            // As a restore leaves it, with another version 1 in the outbox.
            tx.execute("update result set published_at = null", ())?;
            results::renumber(tx, "e", 1, 5, Some(5), "taken")?;
            results::mark_published(tx, "e", 6, &to(), now())
        })
        .expect("published");
    assert_eq!(stand(&store, "archive"), [(6, State::Waiting)]);
}

#[test]
fn a_replay_takes_whole_days_and_knows_new_destinations() {
    let folder = TempDir::new().expect("temp");
    // Made at 00:30, 01:30 and so on of the second of March.
    let store = with_results(&folder.path().join("store.db"), 4, 3);
    all_delivered(&store);
    let replayed = |to: &'static str, from: &str, till: &str| {
        let (from, till) = (from.parse().expect("a day"), till.parse().expect("a day"));
        store
            .write(move |tx| replay(tx, to, from, till, now()))
            .expect("written")
    };
    assert_eq!(replayed("archive", "2026-03-01", "2026-03-01"), 0);
    assert_eq!(replayed("archive", "2026-03-03", "2026-03-09"), 0);
    assert_eq!(replayed("archive", "2026-03-02", "2026-03-02"), 3);
    let waiting = [1, 2, 3].map(|version| (version, State::Waiting));
    assert_eq!(stand(&store, "archive"), waiting);
    assert_eq!(
        stand(&store, "hook"),
        [1, 2, 3].map(|n| (n, State::Delivered))
    );
    assert_eq!(replayed("new", "2020-01-01", "2030-01-01"), 3);
    assert_eq!(stand(&store, "new"), waiting);
    assert_eq!(store.read(|conn| asked(conn, "new")).expect("read"), 1);
}

#[test]
fn what_waits_is_told_for_each_destination() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder.path().join("store.db"), 3, 3);
    let failed = Failed {
        stage: "s".to_owned(),
        code: "c".to_owned(),
        words: "w".to_owned(),
    };
    store
        .write(move |tx| {
            delivered(tx, 1, now())?;
            died(tx, 3, &failed, now())?;
            // Too late: it is dead already.
            super::failed(tx, 3, &failed, Some(Duration::from_secs(1)), now())
        })
        .expect("noted");
    let told = store.read(backlog).expect("read");
    let told: Vec<_> = told
        .iter()
        .map(|one| (one.destination.as_str(), one.waiting, one.dead))
        .collect();
    assert_eq!(told, [("archive", 1, 1), ("hook", 3, 0)]);
}

#[test]
fn an_answer_stands_even_if_a_person_dropped_it_meanwhile() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder.path().join("store.db"), 1, 1);
    store
        .write(|tx| {
            drop_some(tx, &Which::default(), now())?;
            delivered(tx, 1, now())
        })
        .expect("noted");
    assert_eq!(stand(&store, "archive"), [(1, State::Delivered)]);
}

#[test]
fn damaged_rows_are_found_and_do_not_hide_the_others() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let store = with_results(&path, 3, 3);
    store
        .write(|tx| {
            tx.execute("update delivery set since = 'once' where id = 3", ())?;
            Ok(())
        })
        .expect("damaged");
    let verified = Looker::open(&path)
        .and_then(|looker| looker.verify(|_, _| ()))
        .expect("looked");
    assert_eq!(verified.deliveries, 6);
    let parts: Vec<_> = verified.damages.iter().map(|one| &*one.part).collect();
    assert_eq!(parts, ["delivery 3"]);
    let readable = [(1, State::Waiting), (3, State::Waiting)];
    assert_eq!(stand(&store, "archive"), readable);
    // The second of the patient cannot be read; it is not overtaken, and retry mends it.
    store.write(|tx| delivered(tx, 1, now())).expect("noted");
    let due = |store: &Store| {
        let hour = Duration::from_secs(3600);
        store.read(|conn| next(conn, "archive", now(), hour))
    };
    assert_eq!(due(&store).expect("read"), Next::Nothing);
    let second = Which {
        ids: vec![3],
        ..Which::default()
    };
    store
        .write(move |tx| retry(tx, &second, now()))
        .expect("mended");
    let Next::Due(one) = due(&store).expect("read") else {
        panic!("it is due");
    };
    assert_eq!(one.version, 2);
}

#[test]
fn bodies_are_kept_while_a_result_of_their_patient_is_on_its_way() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder.path().join("store.db"), 1, 1);
    store
        .write(|tx| {
            tx.execute(
                "insert into object (body, body_bytes, body_sha256, source, default_issuer,
                                     received_at, state, disposition, patient_issuer, patient_id)
                 values (x'00', 1, x'00', 'folder', '', '2020-01-01T00:00:00.000000Z', 'read',
                         'accepted', '', '1')",
                (),
            )?;
            Ok(())
        })
        .expect("stored");
    let drop_now = || {
        store
            .write(|tx| objects::drop_bodies(tx, now(), 9, now()))
            .expect("written")
    };
    assert_eq!(drop_now(), 0);
    all_delivered(&store);
    assert_eq!(drop_now(), 1);
}
