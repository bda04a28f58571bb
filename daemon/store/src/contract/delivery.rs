//! The outbox and the destinations.

use super::{Place, ROUNDS, add, at, contracts, file, key, report, result};
use crate::deliveries::{self, Failed, Next, State, What, Which};
use crate::{Store, StoreError, objects, results};
use sheathline_model::domain::PatientKey;
use std::time::Duration;

contracts! {
    what_is_not_published_waits_in_the_order_it_was_stored,
    a_result_waits_for_each_destination_from_the_commit_that_publishes_it,
    what_was_published_stays_so_and_waits_once,
    the_oldest_that_is_due_goes_first,
    a_patients_results_go_in_their_order_and_hold_up_nobody_else,
    a_time_is_waited_for_and_one_from_a_wrong_clock_is_not,
    attempts_are_counted_and_told,
    what_is_over_is_over,
    what_is_asked_for_again_waits_again_and_what_arrived_does_not,
    days_are_replayed_whole,
    a_number_that_is_taken_moves_a_version_and_all_behind_it,
    what_waits_is_counted_by_destination,
    bodies_stay_while_a_result_of_their_patient_waits,
    a_reminder_waits_behind_its_result,
}

const LONGEST: Duration = Duration::from_secs(3600);

fn to() -> Vec<String> {
    vec!["archive".to_owned(), "hook".to_owned()]
}

fn publish(store: &Store, exam: &str, version: u32, minutes: i64) {
    let exam = exam.to_owned();
    store
        .write(move |tx| results::mark_published(tx, &exam, version, &to(), at(minutes)))
        .expect("published");
}

/// Results 1 to `count` of exam `e`, published.
fn published(store: &Store, patient: &PatientKey, count: u32) {
    for n in 1..=count {
        add(store, result("e", patient, n), n.into());
        publish(store, "e", n, 100 + i64::from(n));
    }
}

fn next(store: &Store, minutes: i64) -> Next {
    let next = store.read(|view| deliveries::next(view, "archive", at(minutes), LONGEST));
    next.expect("read")
}

/// The exam and version that are due.
fn due(store: &Store, minutes: i64) -> Option<(String, u32)> {
    match next(store, minutes) {
        Next::Due(one) => Some((one.exam_id, one.version)),
        Next::At(_) | Next::Nothing => None,
    }
}

fn due_id(store: &Store, minutes: i64) -> i64 {
    match next(store, minutes) {
        Next::Due(one) => one.id,
        other => panic!("{other:?}"),
    }
}

fn failure() -> Failed {
    Failed {
        stage: "answer".to_owned(),
        code: "http-503".to_owned(),
        words: "später \u{1f9e0}".to_owned(),
    }
}

fn stand(store: &Store, destination: &str) -> Vec<(u32, State)> {
    let which = Which {
        destination: Some(destination.to_owned()),
        ..Which::default()
    };
    let all = store
        .read(|view| deliveries::list(view, &which))
        .expect("read");
    let all = all.into_iter().flatten();
    all.map(|one| (one.version, one.state)).collect()
}

fn what_is_not_published_waits_in_the_order_it_was_stored(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for exam in ["c", "a", "b"] {
        add(&store, result(exam, &patient, 1), 0);
    }
    let pending = |after, limit| {
        let pending = store.read(|view| results::pending(view, after, limit));
        let exam = |one: &results::Pending| {
            let row = store.read(|view| results::by_number(view, one.id));
            row.expect("read").expect("a row").exam_id
        };
        pending
            .expect("read")
            .iter()
            .map(|one| (one.id, exam(one)))
            .collect::<Vec<_>>()
    };
    let all = pending(0, 9);
    let exams: Vec<&str> = all.iter().map(|(_, exam)| exam.as_str()).collect();
    assert_eq!(exams, ["c", "a", "b"]);
    assert_eq!(pending(0, 2), all[..2]);
    assert_eq!(pending(all[0].0, 9), all[1..]);
    publish(&store, "a", 1, 1);
    assert_eq!(pending(0, 9), [all[0].clone(), all[2].clone()]);
}

fn a_result_waits_for_each_destination_from_the_commit_that_publishes_it(place: &dyn Place) {
    let store = place.open().expect("opens");
    add(&store, result("e", &key("HERE", "1"), 1), 0);
    assert_eq!(stand(&store, "archive"), []);
    let failed: Result<(), _> = store.write(|tx| {
        results::mark_published(tx, "e", 1, &to(), at(1))?;
        Err(StoreError::Work("no".to_owned()))
    });
    assert!(failed.is_err());
    assert_eq!(stand(&store, "archive"), []);
    let row = store.read(|view| results::latest(view, "e")).expect("read");
    assert_eq!(row.expect("a row").published_at, None);
    publish(&store, "e", 1, 2);
    drop(store);
    let store = place.open().expect("opens again");
    for destination in to() {
        assert_eq!(stand(&store, &destination), [(1, State::Waiting)]);
    }
}

fn a_reminder_waits_behind_its_result(place: &dyn Place) {
    let store = place.open().expect("opens");
    let remind = |store: &Store| {
        store
            .write(|tx| deliveries::remind(tx, "e", 1, "archive", at(50)))
            .expect("noted")
    };
    let told = |store: &Store, exam: &'static str| {
        store
            .read(|view| deliveries::was_told(view, "archive", exam))
            .expect("read")
    };
    add(&store, result("e", &key("HERE", "1"), 1), 0);
    assert!(!remind(&store), "it is not published");
    assert!(!told(&store, "e"));
    publish(&store, "e", 1, 1);
    assert!(told(&store, "e") && !told(&store, "f"));
    assert!(remind(&store));
    remind(&store);
    let all = store
        .read(|view| deliveries::list(view, &Which::default()))
        .expect("read");
    let archive: Vec<What> = all
        .into_iter()
        .flatten()
        .filter(|one| one.destination == "archive")
        .map(|one| one.what)
        .collect();
    assert_eq!(archive, [What::Result, What::Reminder], "once");
    for what in [What::Result, What::Reminder] {
        let Next::Due(one) = next(&store, 60) else {
            panic!("{what:?} is due");
        };
        assert_eq!(one.what, what);
        // While it is put off, the other one waits too.
        let id = one.id;
        let failed = Failed {
            stage: "connect".to_owned(),
            code: "refused".to_owned(),
            words: String::new(),
        };
        store
            .write(move |tx| {
                deliveries::failed(tx, id, &failed, Some(Duration::from_secs(60)), at(60))
            })
            .expect("noted");
        assert!(matches!(next(&store, 60), Next::At(_)));
        store
            .write(move |tx| deliveries::delivered(tx, id, at(61)))
            .expect("noted");
    }
    assert_eq!(next(&store, 70), Next::Nothing);
}

fn what_was_published_stays_so_and_waits_once(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 1);
    let id = due_id(&store, 200);
    store
        .write(move |tx| deliveries::delivered(tx, id, at(200)))
        .expect("noted");
    publish(&store, "e", 1, 300);
    let row = store.read(|view| results::latest(view, "e")).expect("read");
    assert_eq!(
        row.expect("a row").published_at,
        Some(at(101)),
        "the first time stands"
    );
    assert_eq!(stand(&store, "archive"), [(1, State::Delivered)]);
}

fn the_oldest_that_is_due_goes_first(place: &dyn Place) {
    let store = place.open().expect("opens");
    // Stored in this order, published in another, of four patients.
    for (n, exam) in ["d", "b", "c", "a"].into_iter().enumerate() {
        add(&store, result(exam, &key("HERE", &n.to_string()), 1), 0);
    }
    for (minutes, exam) in [(1, "a"), (2, "b"), (3, "c"), (4, "d")] {
        publish(&store, exam, 1, minutes);
    }
    let mut seen = Vec::new();
    for _ in 0..ROUNDS {
        let Some((exam, _)) = due(&store, 10) else {
            break;
        };
        let id = due_id(&store, 10);
        store
            .write(move |tx| deliveries::delivered(tx, id, at(10)))
            .expect("noted");
        seen.push(exam);
    }
    assert_eq!(seen, ["d", "b", "c", "a"]);
    assert_eq!(next(&store, 10), Next::Nothing);
}

fn a_patients_results_go_in_their_order_and_hold_up_nobody_else(place: &dyn Place) {
    let store = place.open().expect("opens");
    // Differ in the issuer alone.
    let (one, other) = (key("HERE", "1"), key("THERE", "1"));
    for (exam, patient) in [("a", &one), ("b", &one), ("c", &other)] {
        add(&store, result(exam, patient, 1), 0);
        publish(&store, exam, 1, 1);
    }
    let first = due_id(&store, 10);
    store
        .write(move |tx| {
            deliveries::failed(
                tx,
                first,
                &failure(),
                Some(Duration::from_secs(600)),
                at(10),
            )
        })
        .expect("noted");
    assert_eq!(due(&store, 10), Some(("c".to_owned(), 1)));
    let id = due_id(&store, 10);
    store
        .write(move |tx| deliveries::delivered(tx, id, at(10)))
        .expect("noted");
    assert_eq!(next(&store, 10), Next::At(at(20)), "b waits behind a");
    assert_eq!(due(&store, 20), Some(("a".to_owned(), 1)));
    // One that failed for good lets the next one go.
    store
        .write(move |tx| deliveries::died(tx, first, &failure(), at(20)))
        .expect("noted");
    assert_eq!(due(&store, 20), Some(("b".to_owned(), 1)));
}

fn a_time_is_waited_for_and_one_from_a_wrong_clock_is_not(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 1);
    let id = due_id(&store, 200);
    let put_off = |minutes: u64, now: i64| {
        let wait = Some(Duration::from_secs(minutes * 60));
        store
            .write(move |tx| deliveries::failed(tx, id, &failure(), wait, at(now)))
            .expect("noted");
    };
    put_off(30, 200);
    assert_eq!(next(&store, 200), Next::At(at(230)));
    assert_eq!(next(&store, 229), Next::At(at(230)));
    assert_eq!(due(&store, 230), Some(("e".to_owned(), 1)));
    // Two hours ahead, where an hour is the longest wait: a clock was wrong.
    put_off(30, 320);
    assert_eq!(due(&store, 200), Some(("e".to_owned(), 1)));
    // Without a time it is due whenever the destination is reached.
    store
        .write(move |tx| deliveries::failed(tx, id, &failure(), None, at(400)))
        .expect("noted");
    assert_eq!(due(&store, 400), Some(("e".to_owned(), 1)));
}

fn attempts_are_counted_and_told(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 1);
    let id = due_id(&store, 200);
    for n in 0..3 {
        store
            .write(move |tx| {
                let wait = Some(Duration::from_millis(1500));
                deliveries::failed(tx, id, &failure(), wait, at(200 + n))
            })
            .expect("noted");
    }
    drop(store);
    let store = place.open().expect("opens again");
    let all = store
        .read(|view| deliveries::list(view, &Which::default()))
        .expect("read");
    let one = all
        .into_iter()
        .flatten()
        .find(|one| one.id == id)
        .expect("listed");
    assert_eq!((one.attempts, one.waited), (3, Duration::from_secs(6)));
    assert_eq!(
        (one.failed, one.failed_at),
        (Some(failure()), Some(at(202)))
    );
    assert_eq!(one.since, at(101));
    assert_eq!(one.key, result("e", &key("HERE", "1"), 1).key);
}

fn what_is_over_is_over(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 3);
    let ids: Vec<i64> = (0..3)
        .map(|n| {
            let id = due_id(&store, 200);
            store
                .write(move |tx| match n {
                    0 => deliveries::delivered(tx, id, at(200)),
                    1 => deliveries::died(tx, id, &failure(), at(200)),
                    _ => {
                        let which = Which {
                            ids: vec![id],
                            ..Which::default()
                        };
                        deliveries::drop_some(tx, &which, at(200)).map(drop)
                    }
                })
                .expect("noted");
            id
        })
        .collect();
    let all = [(1, State::Delivered), (2, State::Dead), (3, State::Dropped)];
    assert_eq!(stand(&store, "archive"), all);
    assert_eq!(next(&store, 999), Next::Nothing);
    // A late failure of one that arrived changes nothing.
    let first = ids[0];
    store
        .write(move |tx| {
            deliveries::failed(tx, first, &failure(), None, at(300))?;
            deliveries::died(tx, first, &failure(), at(300))
        })
        .expect("noted");
    assert_eq!(stand(&store, "archive"), all);
    assert_eq!(
        stand(&store, "hook").len(),
        3,
        "the other destination goes its own way"
    );
}

fn what_is_asked_for_again_waits_again_and_what_arrived_does_not(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 2);
    let first = due_id(&store, 200);
    store
        .write(move |tx| deliveries::delivered(tx, first, at(200)))
        .expect("noted");
    let second = due_id(&store, 200);
    store
        .write(move |tx| deliveries::died(tx, second, &failure(), at(200)))
        .expect("noted");
    let asked = || {
        store
            .read(|view| deliveries::asked(view, "archive"))
            .expect("read")
    };
    let before = asked();
    let which = Which {
        destination: Some("archive".to_owned()),
        ..Which::default()
    };
    let count = store
        .write(move |tx| deliveries::retry(tx, &which, at(300)))
        .expect("asked");
    assert_eq!(count, 1);
    assert!(asked() > before);
    let all = [(1, State::Delivered), (2, State::Waiting)];
    assert_eq!(stand(&store, "archive"), all);
    let Next::Due(one) = next(&store, 300) else {
        panic!("it waits");
    };
    assert_eq!((one.version, one.attempts, one.since), (2, 0, at(300)));
}

fn days_are_replayed_whole(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    // 1 March 08:00, the last minute of the day, and the next one; the fourth is not published.
    let minutes = [0, 959, 960, 10];
    for (n, minutes) in (1..).zip(minutes) {
        add(&store, result("e", &patient, n), minutes);
        if n < 4 {
            publish(&store, "e", n, minutes);
        }
    }
    for _ in 0..3 {
        let id = due_id(&store, 999);
        store
            .write(move |tx| deliveries::delivered(tx, id, at(999)))
            .expect("noted");
    }
    let day = "2026-03-01".parse().expect("a day");
    let count = store.write(move |tx| deliveries::replay(tx, "archive", day, day, at(1000)));
    assert_eq!(count.expect("asked"), 2);
    assert_eq!(
        stand(&store, "archive"),
        [
            (1, State::Waiting),
            (2, State::Waiting),
            (3, State::Delivered)
        ]
    );
}

fn a_number_that_is_taken_moves_a_version_and_all_behind_it(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for n in 1..=4 {
        add(&store, result("e", &patient, n), 0);
    }
    publish(&store, "e", 1, 1);
    let moved = store.write(|tx| results::renumber(tx, "e", 2, 7, Some(7), "taken"));
    assert!(moved.expect("moved"));
    let rows = store
        .read(|view| results::versions(view, "e"))
        .expect("read");
    let told: Vec<_> = rows
        .iter()
        .map(|row| (row.version, row.supersedes))
        .collect();
    assert_eq!(told, [(1, None), (8, Some(7)), (9, Some(8)), (10, Some(9))]);
    assert_eq!(rows[1].why, ["reason 2", "taken"]);
    // Not over a later one that is in the outbox already.
    publish(&store, "e", 10, 1);
    let moved = store.write(|tx| results::renumber(tx, "e", 8, 20, None, "taken"));
    assert!(!moved.expect("asked"));
    let rows = store
        .read(|view| results::versions(view, "e"))
        .expect("read");
    assert_eq!(rows.last().map(|row| row.version), Some(10));
}

fn what_waits_is_counted_by_destination(place: &dyn Place) {
    let store = place.open().expect("opens");
    published(&store, &key("HERE", "1"), 3);
    let first = due_id(&store, 200);
    store
        .write(move |tx| deliveries::died(tx, first, &failure(), at(200)))
        .expect("noted");
    let second = due_id(&store, 200);
    store
        .write(move |tx| deliveries::delivered(tx, second, at(200)))
        .expect("noted");
    let backlog = store.read(deliveries::backlog).expect("read");
    let told: Vec<_> = backlog
        .iter()
        .map(|one| (one.destination.as_str(), one.waiting, one.oldest, one.dead))
        .collect();
    assert_eq!(
        told,
        [
            ("archive", 1, Some(at(103)), 1),
            ("hook", 3, Some(at(101)), 0)
        ]
    );
}

fn bodies_stay_while_a_result_of_their_patient_waits(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (one, other) = (key("HERE", "1"), key("THERE", "1"));
    let kept = file(&store, &report(&one, "1.1", "9.1"));
    let dropped = file(&store, &report(&other, "1.2", "9.2"));
    published(&store, &one, 1);
    let drop_all = || {
        let count = store.write(|tx| objects::drop_bodies(tx, at(1), 9, at(500)));
        count.expect("dropped")
    };
    assert_eq!(drop_all(), 1);
    assert!(store.read(|view| objects::body(view, kept)).is_ok());
    let gone = store.read(|view| objects::body(view, dropped));
    assert!(matches!(gone, Err(StoreError::Dropped { .. })), "{gone:?}");
    let which = Which::default();
    store
        .write(move |tx| deliveries::drop_some(tx, &which, at(500)))
        .expect("taken out");
    assert_eq!(drop_all(), 1);
}
