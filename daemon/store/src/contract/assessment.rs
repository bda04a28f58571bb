//! Readings, patients and results.

use super::{Place, ROUNDS, STRANGE, add, at, contracts, file, keep, key, report, result};
use crate::objects::{self, ObjectId};
use crate::readings::{self, StoredDisposition};
use crate::{StoreError, assessment_queue, results};
use sheathline_model::domain::PatientKey;

contracts! {
    a_reading_is_found_by_object_instance_study_and_patient,
    a_reading_of_no_object_is_refused,
    the_first_content_of_an_instance_is_the_one_that_came_first,
    patients_differ_in_every_byte_and_are_listed_by_bytes,
    a_patient_marked_again_meanwhile_stays_marked,
    who_waits_longest_is_assessed_first,
    all_objects_are_read_again_in_their_order_and_once,
    versions_of_a_result_count_up_and_none_is_changed,
    the_newest_result_of_each_exam_is_found,
    what_stood_beside_a_result_stays_what_it_was,
    a_damaged_result_is_told_and_not_published,
}

fn a_reading_is_found_by_object_instance_study_and_patient(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (here, there) = (key("HERE", "007"), key("THERE", "007"));
    let one = report(&here, "1.1", "9.1");
    let first = file(&store, &one);
    let again = keep(&store, b"the same in other bytes");
    let repeat = one.clone();
    store
        .write(move |tx| readings::finish_read(tx, again, &repeat, StoredDisposition::Repeat))
        .expect("filed");
    let other = file(&store, &report(&there, "1.2", "9.1"));
    drop(store);
    let store = place.open().expect("opens again");
    store
        .read(|view| {
            let stored = readings::reading_of(view, first)?.expect("a reading");
            assert_eq!(stored.reading, one);
            assert_eq!(stored.received_at, at(0));
            assert_eq!(stored.body_sha256.len(), 64);
            let ids = |all: Vec<readings::StoredReading>| -> Vec<ObjectId> {
                all.iter().map(|one| one.id).collect()
            };
            assert_eq!(ids(readings::by_sop_instance(view, "1.1")?), [first, again]);
            assert_eq!(ids(readings::by_study(view, "9.1")?), [first, again, other]);
            assert_eq!(ids(readings::of_patient(view, &here)?), [first, again]);
            assert_eq!(ids(readings::of_patient(view, &there)?), [other]);
            assert_eq!(readings::reading_of(view, ObjectId(99))?, None);
            assert_eq!(readings::patient_of(view, other)?, Some(there.clone()));
            let mut seen = Vec::new();
            readings::each(view, |one| seen.push(one.reading.sop_instance_uid.clone()))?;
            assert_eq!(seen, [Some("1.1".to_owned()), Some("1.2".to_owned())]);
            let counts = readings::counts(view)?;
            assert_eq!(
                (counts.unread, counts.read[&StoredDisposition::Repeat]),
                (0, 1)
            );
            Ok(())
        })
        .expect("read");
}

fn a_reading_of_no_object_is_refused(place: &dyn Place) {
    let store = place.open().expect("opens");
    let done = store.write(|tx| {
        let read = report(&key("", "1"), "1.1", "9.1");
        readings::finish_read(tx, ObjectId(5), &read, read.disposition.into())
    });
    assert!(matches!(done, Err(StoreError::Work(_))), "{done:?}");
}

fn the_first_content_of_an_instance_is_the_one_that_came_first(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("", "1");
    let ids: Vec<ObjectId> = ["a", "b", "c"]
        .into_iter()
        .map(|hash| {
            let id = keep(&store, hash.as_bytes());
            let mut reading = report(&patient, "1.1", "9.1");
            reading.content_sha256 = (hash != "c").then(|| hash.to_owned());
            store
                .write(move |tx| {
                    readings::finish_read(tx, id, &reading, reading.disposition.into())
                })
                .expect("filed");
            id
        })
        .collect();
    store
        .read(|view| {
            let first = |id| readings::first_content(view, "1.1", id);
            assert_eq!(first(ids[0])?, None);
            assert_eq!(first(ids[2])?, Some(Some("a".to_owned())));
            let of = |hash| readings::arrival(view, "1.1", hash);
            assert_eq!(of(Some("b"))?.expect("here").0, ids[1]);
            assert_eq!(of(None)?.expect("without a hash").0, ids[2]);
            assert_eq!(of(Some("z"))?, None);
            Ok(())
        })
        .expect("read");
}

/// No case, accent, blank or language makes two ids one, or another order.
fn patients_differ_in_every_byte_and_are_listed_by_bytes(place: &dyn Place) {
    let store = place.open().expect("opens");
    let ids = [
        "a", "A", "a ", " a", "\u{e9}", "e\u{301}", "e", "Z", "z", "_", "10", "9",
    ];
    let all: Vec<&str> = ids.into_iter().chain(STRANGE).collect();
    for (n, id) in all.iter().enumerate() {
        let patient = key("HERE", id);
        file(
            &store,
            &report(&patient, &format!("1.{n}"), &format!("9.{n}")),
        );
        store
            .write(move |tx| assessment_queue::mark_dirty(tx, &patient, at(0)))
            .expect("marked");
    }
    let mut listed = all.clone();
    listed.sort_unstable();
    let found = store.read(assessment_queue::list).expect("read");
    let found: Vec<&str> = found.iter().map(|key| key.id.as_str()).collect();
    assert_eq!(found, listed);
    assert_eq!(
        store.read(assessment_queue::count_dirty).expect("read") as usize,
        all.len()
    );
    for id in all {
        let with_id = store
            .read(|view| assessment_queue::with_id(view, id))
            .expect("read");
        assert_eq!(with_id.len(), 1, "{id:?}");
        let of = store
            .read(|view| readings::of_patient(view, &with_id[0]))
            .expect("read");
        assert_eq!(of.len(), 1, "{id:?}");
    }
}

fn a_patient_marked_again_meanwhile_stays_marked(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (one, two) = (key("", "1"), key("", "2"));
    let mark = |patient: &PatientKey| {
        let patient = patient.clone();
        store
            .write(move |tx| assessment_queue::mark_dirty(tx, &patient, at(0)))
            .expect("marked");
    };
    mark(&one);
    mark(&two);
    let seen = store
        .read(|view| assessment_queue::dirty(view, 9))
        .expect("read");
    mark(&one);
    let cleared = store.write(move |tx| {
        let cleared = seen
            .iter()
            .map(|one| assessment_queue::clear_dirty(tx, one));
        cleared.collect::<Result<Vec<bool>, _>>()
    });
    let mut cleared = cleared.expect("cleared");
    cleared.sort_unstable();
    assert_eq!(cleared, [false, true]);
    let is_dirty = |key: &PatientKey| store.read(|view| assessment_queue::is_dirty(view, key));
    assert!(is_dirty(&one).expect("read") && !is_dirty(&two).expect("read"));
}

fn who_waits_longest_is_assessed_first(place: &dyn Place) {
    let store = place.open().expect("opens");
    for (n, minutes) in [(1, 30), (2, 10), (3, 20)] {
        let patient = key("", &n.to_string());
        store
            .write(move |tx| assessment_queue::mark_dirty(tx, &patient, at(minutes)))
            .expect("marked");
    }
    let order = || {
        let waiting = store
            .read(|view| assessment_queue::dirty(view, 9))
            .expect("read");
        waiting
            .iter()
            .map(|one| one.key.id.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(order(), ["2", "3", "1"]);
    let first = store
        .read(|view| assessment_queue::dirty(view, 1))
        .expect("read");
    store
        .write(move |tx| assessment_queue::wait_longer(tx, &first[0], at(40)))
        .expect("put behind");
    assert_eq!(order(), ["3", "1", "2"]);
    // Marked again, a patient keeps the place.
    let again = key("", "3");
    store
        .write(move |tx| assessment_queue::mark_dirty(tx, &again, at(50)))
        .expect("marked");
    assert_eq!(order(), ["3", "1", "2"]);
}

fn all_objects_are_read_again_in_their_order_and_once(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("", "1");
    let ids: Vec<ObjectId> = (0..7)
        .map(|n| file(&store, &report(&patient, &format!("1.{n}"), "9.1")))
        .collect();
    assert_eq!(
        store
            .read(|view| objects::next_again(view, 9))
            .expect("read"),
        None
    );
    store.write(objects::read_all_again).expect("sent back");
    // What comes after that is new, and not read again.
    keep(&store, b"later");
    let mut seen = Vec::new();
    for _ in 0..ROUNDS {
        let next = store
            .read(|view| objects::next_again(view, 3))
            .expect("read");
        let Some(next) = next else { break };
        let last = next.last().map(|one| one.id);
        seen.extend(next.iter().map(|one| one.id));
        store
            .write(move |tx| objects::note_read_again(tx, last))
            .expect("noted");
    }
    assert_eq!(seen, ids);
    // Readings stay in use all the while.
    let of = store
        .read(|view| readings::of_patient(view, &patient))
        .expect("read");
    assert_eq!(of.len(), 7);
}

fn versions_of_a_result_count_up_and_none_is_changed(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for n in 1..=3_u32 {
        assert_eq!(add(&store, result("e", &patient, n), n.into()), n);
        assert_eq!(add(&store, result("f", &patient, n), n.into()), n);
    }
    drop(store);
    let store = place.open().expect("opens again");
    store
        .read(|view| {
            let versions = results::versions(view, "e")?;
            for (n, row) in (1..).zip(&versions) {
                let told = result("e", &patient, n);
                assert_eq!(
                    (row.version, &row.content, &row.key),
                    (n, &told.content, &told.key)
                );
                assert_eq!((&row.why, row.created_at), (&told.why, at(n.into())));
                assert_eq!(row.supersedes, (n > 1).then(|| n - 1));
                assert_eq!((row.is_damaged, row.published_at), (false, None));
            }
            assert_eq!(versions.len(), 3);
            assert_eq!(results::latest(view, "e")?.as_ref(), versions.last());
            assert_eq!(results::version(view, "e", 2)?.as_ref(), versions.get(1));
            assert_eq!(results::before(view, "e", 2)?.as_ref(), versions.first());
            assert_eq!(results::before(view, "e", 1)?, None);
            assert_eq!(results::latest(view, "g")?, None);
            let made = results::first_made(view, &patient)?;
            assert_eq!(made.into_values().collect::<Vec<_>>(), [at(1), at(1)]);
            Ok(())
        })
        .expect("read");
}

fn the_newest_result_of_each_exam_is_found(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (patient, other) = (key("HERE", "1"), key("THERE", "1"));
    for (exam, n) in [("f", 1), ("e", 1), ("e", 2), ("f", 2), ("e", 3)] {
        add(&store, result(exam, &patient, n), 0);
    }
    add(&store, result("g", &other, 1), 0);
    let told = |rows: Vec<results::ResultRow>| -> Vec<(String, u32)> {
        rows.into_iter()
            .map(|row| (row.exam_id, row.version))
            .collect()
    };
    let row = |exam: &str, version| (exam.to_owned(), version);
    store
        .read(|view| {
            let latest = results::latest_of_patient(view, &patient)?;
            assert_eq!(told(latest), [row("e", 3), row("f", 2)]);
            // Up to the third that was stored.
            let numbers = results::numbered(view, 0, i64::MAX, 9)?;
            let until = numbers[2].0;
            let then = results::newest_up_to(view, &patient, until)?;
            assert_eq!(told(then), [row("e", 2), row("f", 1)]);
            assert!(results::is_any_under(view, &other)?);
            assert!(!results::is_any_under(view, &key("", "1"))?);
            Ok(())
        })
        .expect("read");
}

fn what_stood_beside_a_result_stays_what_it_was(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for (exam, n) in [("e", 1), ("f", 1), ("f", 2), ("g", 1)] {
        add(&store, result(exam, &patient, n), 0);
    }
    let beside = || {
        let beside = store.read(|view| {
            let numbers = results::numbered(view, 0, i64::MAX, 99)?;
            let (number, row) = &numbers[3];
            assert_eq!(row.exam_id, "g");
            results::beside(view, *number, &patient)
        });
        let beside = beside.expect("read").into_iter();
        beside
            .map(|row| (row.exam_id, row.version))
            .collect::<Vec<_>>()
    };
    let then = [("e".to_owned(), 1), ("f".to_owned(), 2)];
    assert_eq!(beside(), then);
    add(&store, result("f", &patient, 3), 0);
    assert_eq!(beside(), then);
}

fn a_damaged_result_is_told_and_not_published(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let mut forged = result("e", &patient, 1);
    forged.content.push(' ');
    add(&store, forged, 0);
    add(&store, result("f", &patient, 2), 0);
    store
        .write(|tx| results::note_damaged(tx, "e", 1, at(1)))
        .expect("noted");
    let row = store.read(|view| results::latest(view, "e")).expect("read");
    assert!(row.expect("a row").is_damaged);
    let pending = store
        .read(|view| results::pending(view, 0, 9))
        .expect("read");
    assert_eq!(pending.len(), 1);
    let row = store
        .read(|view| results::by_number(view, pending[0].id))
        .expect("read");
    assert_eq!(row.expect("a row").exam_id, "f");
}
