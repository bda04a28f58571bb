//! Typed reports on their way to archives.

use super::{Place, ROUNDS, add, at, contracts, key, report};
use crate::deliveries::{self, Failed, Next, State, What, Which};
use crate::object_id::ObjectId;
use crate::objects::Incoming;
use crate::results::{self, NewResult};
use crate::{Store, objects, readings};
use chrono::NaiveDate;
use sheathline_model::domain::PatientKey;
use std::time::Duration;

contracts! {
    a_typed_report_waits_once_for_an_archive_that_takes_it,
    an_archive_that_is_named_later_gets_what_was_typed_before,
    an_amended_report_goes_alone_where_the_one_before_went,
    what_was_taken_back_is_not_sent_and_goes_once_it_counts_again,
    results_do_not_wait_for_typed_reports,
    who_got_typed_reports_was_told_of_no_result,
    typed_reports_are_asked_for_again_by_day,
    another_number_of_a_version_forgets_no_typed_report,
}

const LONGEST: Duration = Duration::from_secs(3600);

fn patient() -> PatientKey {
    key("HERE", "1")
}

/// Keeps a report of a source and files what was read of it.
fn file(store: &Store, uid: &str, source: &str) -> ObjectId {
    let incoming = Incoming::new(uid.as_bytes(), None, source, "", at(0)).expect("it packs");
    let reading = report(&patient(), uid, &format!("{uid}.1"));
    store
        .write(move |tx| {
            let (objects::Kept::New(id) | objects::Kept::Repeat(id)) =
                objects::keep(tx, &incoming)?;
            readings::finish_read(tx, id, &reading, reading.disposition.into())?;
            Ok(id)
        })
        .expect("filed")
}

/// Stores a further version of an exam that names these reports, made at a time.
fn version(store: &Store, exam: &str, uids: &[&str], minutes: i64) -> u32 {
    let reports: Vec<String> = uids
        .iter()
        .map(|uid| format!("{{\"sop_instance_uid\":\"{uid}\"}}"))
        .collect();
    let content = format!("{{\"n\":{minutes},\"reports\":[{}]}}", reports.join(","));
    let result = NewResult {
        exam_id: exam.to_owned(),
        patient: patient(),
        key: results::key_of(&content),
        content,
        why: Vec::new(),
    };
    add(store, result, minutes)
}

/// Looks at everything, few at a time; returns how many deliveries wait by it.
fn look(store: &Store, destination: &str) -> usize {
    let mut begun = 0;
    for _ in 0..ROUNDS {
        if !store
            .read(|view| deliveries::is_behind(view, destination))
            .expect("read")
        {
            return begun;
        }
        let name = destination.to_owned();
        let (looked, some) = store
            .write(move |tx| deliveries::begin_entered(tx, &name, 2, at(500)))
            .expect("noted");
        assert!(looked > 0, "it gets on");
        begun += some;
    }
    panic!("it never ends");
}

/// Exam, version, state and what is carried of each delivery of typed reports.
fn carried(store: &Store, destination: &str) -> Vec<(String, u32, State, Vec<String>)> {
    let which = Which {
        destination: Some(destination.to_owned()),
        ..Which::default()
    };
    let all = store.read(|view| {
        let all = deliveries::list(view, &which)?.into_iter().flatten();
        let all = all.filter(|one| one.what == What::Entered);
        all.map(|one| {
            let carries = deliveries::entered(view, one.id)?;
            let uids = carries.into_iter().map(|(_, uid)| uid).collect();
            Ok((one.exam_id, one.version, one.state, uids))
        })
        .collect::<Result<Vec<_>, _>>()
    });
    all.expect("read")
}

/// The delivery that is due.
fn due(store: &Store, minutes: i64) -> Option<deliveries::Delivery> {
    let next = store.read(|view| deliveries::next(view, "archive", at(minutes), LONGEST));
    match next.expect("read") {
        Next::Due(one) => Some(*one),
        Next::At(_) | Next::Nothing => None,
    }
}

/// Everything that is due arrives; what each was of.
fn all_arrive(store: &Store, minutes: i64) -> Vec<(String, u32, What)> {
    let mut arrived = Vec::new();
    for _ in 0..ROUNDS {
        let Some(one) = due(store, minutes) else {
            return arrived;
        };
        store
            .write(move |tx| deliveries::delivered(tx, one.id, at(minutes)))
            .expect("noted");
        arrived.push((one.exam_id, one.version, one.what));
    }
    panic!("it never ends");
}

fn waits(exam: &str, version: u32, uids: &[&str]) -> (String, u32, State, Vec<String>) {
    let uids = uids.iter().map(|uid| (*uid).to_owned()).collect();
    (exam.to_owned(), version, State::Waiting, uids)
}

fn a_typed_report_waits_once_for_an_archive_that_takes_it(place: &dyn Place) {
    let store = place.open().expect("opens");
    let typed = file(&store, "1.1", "entered");
    file(&store, "1.2", "table");
    file(&store, "1.3", "dicom:CART1");
    version(&store, "a", &["1.1"], 1);
    version(&store, "b", &["1.2"], 2);
    version(&store, "c", &["1.3"], 3);
    assert_eq!(look(&store, "archive"), 2);
    let both = [waits("a", 1, &["1.1"]), waits("b", 1, &["1.2"])];
    assert_eq!(carried(&store, "archive"), both);
    let first = due(&store, 600).expect("due");
    let carries = store.read(|view| deliveries::entered(view, first.id));
    assert_eq!(carries.expect("read"), [(typed, "1.1".to_owned())]);
    // Looked at again, and by who opens the store anew, nothing more waits.
    assert_eq!(look(&store, "archive"), 0);
    all_arrive(&store, 600);
    drop(store);
    let store = place.open().expect("opens again");
    // A further version of an exam whose report is there takes nothing along.
    version(&store, "a", &["1.1"], 4);
    assert_eq!(look(&store, "archive"), 0);
    // A second typed report of it goes alone.
    file(&store, "1.4", "entered");
    version(&store, "a", &["1.1", "1.4"], 5);
    assert_eq!(look(&store, "archive"), 1);
    assert_eq!(
        carried(&store, "archive").last(),
        Some(&waits("a", 3, &["1.4"]))
    );
}

fn an_archive_that_is_named_later_gets_what_was_typed_before(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    file(&store, "1.2", "table");
    version(&store, "a", &["1.1"], 1);
    // Its result went long ago, before the archive took typed reports.
    store
        .write(|tx| results::mark_published(tx, "a", 1, &["later".to_owned()], at(2)))
        .expect("published");
    for minutes in 3..9 {
        version(&store, "a", &["1.1"], minutes);
    }
    version(&store, "b", &["1.2"], 10);
    assert_eq!(look(&store, "archive"), 2);
    assert_eq!(look(&store, "later"), 2);
    let both = [waits("a", 7, &["1.1"]), waits("b", 1, &["1.2"])];
    assert_eq!(carried(&store, "archive"), both);
    assert_eq!(carried(&store, "later"), both);
}

fn an_amended_report_goes_alone_where_the_one_before_went(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    version(&store, "a", &["1.1"], 1);
    look(&store, "archive");
    all_arrive(&store, 600);
    file(&store, "1.2", "entered");
    version(&store, "a", &["1.1", "1.2"], 2);
    look(&store, "archive");
    look(&store, "late");
    assert_eq!(carried(&store, "archive")[1..], [waits("a", 2, &["1.2"])]);
    // Whoever has neither gets both, in their order.
    assert_eq!(carried(&store, "late"), [waits("a", 2, &["1.1", "1.2"])]);
}

fn what_was_taken_back_is_not_sent_and_goes_once_it_counts_again(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    file(&store, "1.2", "entered");
    version(&store, "a", &["1.1", "1.2"], 1);
    look(&store, "archive");
    // While it waits, one is taken back, then the other.
    version(&store, "a", &["1.2"], 2);
    assert_eq!(look(&store, "archive"), 0);
    assert_eq!(carried(&store, "archive"), [waits("a", 1, &["1.2"])]);
    version(&store, "a", &[], 3);
    assert_eq!(look(&store, "archive"), 0);
    assert_eq!(carried(&store, "archive"), [waits("a", 1, &[])]);
    let id = due(&store, 600).expect("due").id;
    let which = Which {
        ids: vec![id],
        ..Which::default()
    };
    store
        .write(move |tx| deliveries::drop_some(tx, &which, at(600)))
        .expect("taken out");
    // Named later, an archive gets nothing of it.
    assert_eq!(look(&store, "late"), 0);
    version(&store, "a", &["1.1", "1.2"], 4);
    for destination in ["archive", "late"] {
        assert_eq!(look(&store, destination), 1, "{destination}");
        let last = carried(&store, destination).pop();
        assert_eq!(last, Some(waits("a", 4, &["1.1", "1.2"])));
    }
    // What arrived before it was taken back is there.
    all_arrive(&store, 700);
    version(&store, "a", &[], 5);
    version(&store, "a", &["1.1"], 6);
    assert_eq!(look(&store, "archive"), 0);
}

fn results_do_not_wait_for_typed_reports(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "table");
    file(&store, "1.2", "table");
    version(&store, "old", &["1.1"], 1);
    version(&store, "older", &["1.2"], 2);
    look(&store, "archive");
    version(&store, "new", &[], 3);
    store
        .write(|tx| results::mark_published(tx, "new", 1, &["archive".to_owned()], at(4)))
        .expect("published");
    // All of one patient, and the typed ones came first.
    let result = due(&store, 600).expect("due");
    assert_eq!(
        (result.exam_id.as_str(), result.what),
        ("new", What::Result)
    );
    let put_off = |id: i64| {
        let failed = Failed {
            stage: "answer".to_owned(),
            code: "status-0110".to_owned(),
            words: String::new(),
        };
        store
            .write(move |tx| {
                deliveries::failed(tx, id, &failed, Some(Duration::from_secs(600)), at(600))
            })
            .expect("noted");
    };
    put_off(result.id);
    // Nor do they wait for results, but for each other.
    let typed = due(&store, 600).expect("due");
    assert_eq!((typed.exam_id.as_str(), typed.what), ("old", What::Entered));
    put_off(typed.id);
    assert_eq!(due(&store, 600), None);
    let backlog = store.read(deliveries::backlog).expect("read");
    let counts = (backlog[0].waiting, backlog[0].waiting_entered);
    assert_eq!(counts, (3, 2));
    let failed = Failed {
        stage: "answer".to_owned(),
        code: "status-0122".to_owned(),
        words: String::new(),
    };
    store
        .write(move |tx| deliveries::died(tx, typed.id, &failed, at(601)))
        .expect("noted");
    let backlog = store.read(deliveries::backlog).expect("read");
    let one = &backlog[0];
    assert_eq!(
        (one.waiting, one.waiting_entered, one.dead, one.dead_entered),
        (2, 1, 1, 1)
    );
}

fn who_got_typed_reports_was_told_of_no_result(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    version(&store, "a", &["1.1"], 1);
    look(&store, "archive");
    all_arrive(&store, 600);
    let told = || {
        let told = store.read(|view| deliveries::was_told(view, "archive", "a"));
        told.expect("read")
    };
    assert!(!told());
    store
        .write(|tx| results::mark_published(tx, "a", 1, &["archive".to_owned()], at(4)))
        .expect("published");
    assert!(told());
}

fn typed_reports_are_asked_for_again_by_day(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    file(&store, "1.2", "entered");
    // The last minute of the first of March, and the next one.
    version(&store, "a", &["1.1"], 959);
    version(&store, "b", &["1.2"], 960);
    look(&store, "archive");
    // The result itself is another matter.
    store
        .write(|tx| results::mark_published(tx, "a", 1, &["archive".to_owned()], at(970)))
        .expect("published");
    all_arrive(&store, 1000);
    let day: NaiveDate = "2026-03-01".parse().expect("a day");
    let replay = || {
        let count =
            store.write(move |tx| deliveries::replay_entered(tx, "archive", day, day, at(1000)));
        count.expect("asked")
    };
    assert_eq!(replay(), 1);
    let again = [("a".to_owned(), 1, What::Entered)];
    assert_eq!(all_arrive(&store, 1000), again);
    let which = Which::default();
    store
        .write(move |tx| {
            deliveries::retry(tx, &which, at(1000))?;
            deliveries::replay_entered(tx, "archive", day, day, at(1000))?;
            deliveries::drop_some(tx, &which, at(1000))
        })
        .expect("taken out");
    assert_eq!(replay(), 0, "what a person dropped stays so");
}

fn another_number_of_a_version_forgets_no_typed_report(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, "1.1", "entered");
    version(&store, "a", &["1.1"], 1);
    look(&store, "archive");
    let moved = store.write(|tx| results::renumber(tx, "a", 1, 4, Some(4), "taken"));
    assert!(moved.expect("moved"));
    assert_eq!(carried(&store, "archive"), [waits("a", 5, &["1.1"])]);
}
