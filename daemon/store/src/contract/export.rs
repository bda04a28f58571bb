//! What was added since: for tables of analysts, and for the audit trail.

use super::{Place, ROUNDS, add, at, contracts, file, keep, key, report, result};
use crate::identity::{self, Recorded};
use crate::objects::ObjectId;
use crate::readings::{self, ReadingChange};
use crate::{Store, annotations, facts, results};
use sheathline_model::annotations::{Author, By, Draft, Said};
use sheathline_model::domain::{About, Label, PatientKey};
use sheathline_model::identity::{Act, Pair, Statement};
use std::sync::Barrier;

contracts! {
    results_come_in_pages_each_once_in_the_order_they_were_stored,
    nothing_comes_under_a_number_that_was_passed,
    results_come_patient_after_patient,
    a_reading_that_changes_is_a_change_and_one_that_does_not_is_none,
    readings_come_in_pages_by_change_and_by_object,
    ids_with_entries_come_in_pages_in_the_order_of_bytes,
    the_audit_trail_is_told_of_objects_up_to_the_first_that_was_not_read,
    the_audit_trail_goes_on_behind_what_it_was_told,
    an_audit_trail_begins_with_what_is_to_come,
}

fn results_come_in_pages_each_once_in_the_order_they_were_stored(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for n in 1..=7 {
        add(&store, result("e", &patient, n), 0);
    }
    let until = store.read(results::newest_number).expect("read");
    // What comes later is beyond the number.
    add(&store, result("e", &patient, 8), 0);
    let (mut after, mut seen) = (0, Vec::new());
    for _ in 0..ROUNDS {
        let page = store
            .read(|view| results::numbered(view, after, until, 3))
            .expect("read");
        let Some((last, _)) = page.last() else { break };
        assert!(page.len() <= 3);
        after = *last;
        seen.extend(page.into_iter().map(|(number, row)| (number, row.version)));
    }
    let versions: Vec<u32> = seen.iter().map(|(_, version)| *version).collect();
    assert_eq!(versions, [1, 2, 3, 4, 5, 6, 7]);
    assert!(seen.is_sorted_by(|a, b| a.0 < b.0));
    let row = store
        .read(|view| results::key_at(view, until))
        .expect("read");
    assert_eq!(row, Some(result("e", &patient, 7).key));
}

/// Several write at once; whoever read up to a number never finds a further row at or below it. So a
/// number must be given in the order of the commits.
fn nothing_comes_under_a_number_that_was_passed(place: &dyn Place) {
    const WRITERS: usize = 6;
    let store = place.open().expect("opens");
    let start = Barrier::new(WRITERS + 1);
    std::thread::scope(|scope| {
        let each = |writer: usize| {
            let (store, start) = (&store, &start);
            scope.spawn(move || {
                let patient = key("HERE", &writer.to_string());
                start.wait();
                for n in 1..=20 {
                    let exam = format!("e{writer}");
                    add(store, result(&exam, &patient, n), 0);
                    file(store, &report(&patient, &format!("1.{writer}.{n}"), "9.1"));
                }
            })
        };
        let writers: Vec<_> = (0..WRITERS).map(each).collect();
        start.wait();
        let (mut results_seen, mut passed) = (Vec::new(), 0);
        let (mut changes_seen, mut changes_passed) = (Vec::new(), 0);
        loop {
            let is_over = writers.iter().all(|one| one.is_finished());
            let (all, newest, changes, newest_change) = store
                .read(|view| {
                    Ok((
                        results::numbered(view, 0, i64::MAX, 9999)?,
                        results::newest_number(view)?,
                        readings::changes(view, 0, i64::MAX, 9999)?,
                        readings::newest_change(view)?.0,
                    ))
                })
                .expect("read");
            let numbers: Vec<i64> = all.iter().map(|(number, _)| *number).collect();
            let below = numbers.iter().filter(|number| **number <= passed);
            assert_eq!(below.copied().collect::<Vec<_>>(), results_seen);
            let changes: Vec<i64> = changes.iter().map(|one| one.number).collect();
            let below = changes.iter().filter(|number| **number <= changes_passed);
            assert_eq!(below.copied().collect::<Vec<_>>(), changes_seen);
            assert_eq!(numbers.last().copied().unwrap_or(0), newest);
            (results_seen, passed) = (numbers, newest);
            (changes_seen, changes_passed) = (changes, newest_change);
            if is_over {
                break;
            }
        }
        assert_eq!((results_seen.len(), changes_seen.len()), (120, 120));
    });
}

fn results_come_patient_after_patient(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patients = [
        key("B", "1"),
        key("A", "2"),
        key("A", "1"),
        key("", "\u{e9}"),
        key("a", "Z"),
    ];
    for n in 1..=2 {
        for (at, patient) in patients.iter().enumerate() {
            add(&store, result(&format!("e{at}"), patient, n), 0);
        }
    }
    let until = store.read(results::newest_number).expect("read");
    let (mut after, mut seen) = ((key("", ""), 0), Vec::new());
    for _ in 0..ROUNDS {
        let page = store
            .read(|view| results::by_patient(view, &after, until, 3))
            .expect("read");
        let Some((number, row)) = page.last() else {
            break;
        };
        after = (row.patient.clone(), *number);
        seen.extend(
            page.into_iter()
                .map(|(_, row)| (row.patient.id, row.patient.issuer, row.version)),
        );
    }
    let mut sorted = seen.clone();
    sorted.sort();
    assert_eq!(seen, sorted);
    assert_eq!(seen.len(), 10);
}

fn numbers_of(all: &[ReadingChange]) -> Vec<(ObjectId, u32, bool)> {
    all.iter()
        .map(|one| (one.object, one.version, one.is_replaced))
        .collect()
}

fn a_reading_that_changes_is_a_change_and_one_that_does_not_is_none(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let one = report(&patient, "1.1", "9.1");
    let id = file(&store, &one);
    file(&store, &one);
    let mut other = one;
    other.template = Some("another".to_owned());
    file(&store, &other);
    let changes = store
        .read(|view| readings::changes(view, 0, i64::MAX, 9))
        .expect("read");
    assert_eq!(numbers_of(&changes), [(id, 1, true), (id, 2, false)]);
    let (newest, object) = store.read(readings::newest_change).expect("read");
    assert_eq!((newest, object), (changes[1].number, id));
    let of = store.read(|view| readings::changed_object(view, changes[0].number));
    assert_eq!(of.expect("read"), Some(id));
}

fn readings_come_in_pages_by_change_and_by_object(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let reports: Vec<_> = (0..4)
        .map(|n| report(&patient, &format!("1.{n}"), "9.1"))
        .collect();
    let ids: Vec<ObjectId> = reports.iter().map(|one| file(&store, one)).collect();
    // The first is read again under other rules.
    let mut again = reports[0].clone();
    again.template = Some("another".to_owned());
    file(&store, &again);
    let all = store
        .read(|view| readings::changes(view, 0, i64::MAX, 9))
        .expect("read");
    let order: Vec<ObjectId> = all.iter().map(|one| one.object).collect();
    assert_eq!(order, [ids[0], ids[1], ids[2], ids[3], ids[0]]);
    let some = |after, until| store.read(|view| readings::changes(view, after, until, 2));
    assert_eq!(some(all[0].number, all[3].number).expect("read"), all[1..3]);
    assert_eq!(some(all[2].number, all[3].number).expect("read"), all[3..4]);
    let (mut after, mut seen) = ((ObjectId(0), 0), Vec::new());
    for _ in 0..ROUNDS {
        let page = store
            .read(|view| readings::changes_by_object(view, after, 2))
            .expect("read");
        let Some(last) = page.last() else { break };
        after = (last.object, last.version);
        seen.extend(numbers_of(&page));
    }
    let expected = [
        (ids[0], 1, true),
        (ids[0], 2, false),
        (ids[1], 1, false),
        (ids[2], 1, false),
        (ids[3], 1, false),
    ];
    assert_eq!(seen, expected);
}

fn say(store: &Store, patient: &PatientKey) {
    let about = About {
        study_instance_uid: "9.1".to_owned(),
        readings: Vec::new(),
    };
    let draft = Draft {
        patient: patient.clone(),
        corrects: None,
        said: Said::Label(about, Label::Well),
    };
    let by = By {
        author: Author::Unknown,
        entered_by: String::new(),
        source: "command".to_owned(),
        reason: String::new(),
    };
    store
        .write(move |tx| {
            let act = annotations::new_act(tx)?;
            annotations::record(tx, act, &by, std::slice::from_ref(&draft), at(0))
        })
        .expect("recorded");
}

fn ids_with_entries_come_in_pages_in_the_order_of_bytes(place: &dyn Place) {
    let store = place.open().expect("opens");
    let ids = ["b", "B", "a", "\u{e9}", "Z", "e\u{301}", "10", "9"];
    for id in ids {
        say(&store, &key("HERE", id));
        say(&store, &key("HERE", id));
    }
    let (mut after, mut seen) = (key("", ""), Vec::new());
    for _ in 0..ROUNDS {
        let page = store
            .read(|view| annotations::ids_after(view, &after, 3))
            .expect("read");
        let Some(last) = page.last() else { break };
        after = last.clone();
        seen.extend(page.into_iter().map(|key| key.id));
    }
    let mut sorted = ids;
    sorted.sort_unstable();
    assert_eq!(seen, sorted);
}

fn the_audit_trail_is_told_of_objects_up_to_the_first_that_was_not_read(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let first = file(&store, &report(&patient, "1.1", "9.1"));
    let waiting = keep(&store, b"1.2");
    let third = file(&store, &report(&patient, "1.3", "9.1"));
    let untold = || {
        let untold = store
            .read(|view| facts::untold(view, 9))
            .expect("read")
            .into_iter();
        untold.map(|one| one.id).collect::<Vec<_>>()
    };
    assert_eq!(untold(), [first]);
    store
        .write(move |tx| facts::AUDITED.note(tx, first.0))
        .expect("noted");
    assert_eq!(untold(), []);
    assert_eq!(file(&store, &report(&patient, "1.2", "9.1")), waiting);
    assert_eq!(untold(), [waiting, third]);
    let one = store.read(|view| facts::untold(view, 1)).expect("read");
    assert_eq!(
        (one[0].patient.as_ref(), one[0].received_at),
        (Some(&patient), at(0))
    );
    assert_eq!(one[0].instance.as_deref(), Some("1.2"));
    store
        .write(move |tx| facts::AUDITED.note(tx, third.0))
        .expect("noted");
    assert_eq!(untold(), []);
}

fn state(store: &Store, minutes: i64) {
    let recorded = Recorded {
        statement: Statement {
            pair: Pair {
                from: key("HERE", "A"),
                into: key("HERE", "B"),
            },
            act: Act::Merge,
            stated_at: at(minutes),
            source: "command".to_owned(),
        },
        message: String::new(),
        who: String::new(),
        why: String::new(),
    };
    store
        .write(move |tx| identity::state(tx, &recorded, at(minutes)))
        .expect("stated");
}

fn the_audit_trail_goes_on_behind_what_it_was_told(place: &dyn Place) {
    let store = place.open().expect("opens");
    for n in 1..=3 {
        say(&store, &key("HERE", "A"));
        state(&store, n);
    }
    let entries = store
        .read(|view| annotations::untold(view, 2))
        .expect("read");
    let statements = store.read(|view| identity::untold(view, 9)).expect("read");
    assert_eq!((entries.len(), statements.len()), (2, 3));
    assert_eq!(statements[2].at, at(3));
    assert!(statements.iter().all(|one| one.what.is_some()));
    let (entry, statement) = (entries[1].id, statements[0].id);
    store
        .write(move |tx| {
            annotations::AUDITED.note(tx, entry)?;
            identity::AUDITED.note(tx, statement)
        })
        .expect("noted");
    drop(store);
    // The mark outlives the process, or all would be told twice.
    let store = place.open().expect("opens again");
    let entries = store
        .read(|view| annotations::untold(view, 9))
        .expect("read");
    let left = store.read(|view| identity::untold(view, 9)).expect("read");
    assert_eq!(entries.len(), 1);
    assert!(entries[0].id > entry);
    assert_eq!(left, statements[1..]);
}

fn an_audit_trail_begins_with_what_is_to_come(place: &dyn Place) {
    let store = place.open().expect("opens");
    say(&store, &key("HERE", "A"));
    store
        .write(|tx| annotations::AUDITED.begin(tx))
        .expect("begun");
    say(&store, &key("HERE", "B"));
    // Begun once: a further start passes nothing over.
    store
        .write(|tx| annotations::AUDITED.begin(tx))
        .expect("begun");
    let untold = store
        .read(|view| annotations::untold(view, 9))
        .expect("read");
    let whose = untold.iter().filter_map(|one| one.what.as_ref());
    let whose: Vec<&str> = whose.map(|entry| entry.patient.id.as_str()).collect();
    assert_eq!(whose, ["B"]);
}
