//! Several daemons read side by side, so objects of one SOP Instance UID are read in any order; what comes
//! of it is what comes of reading them in the order they came.

use super::*;
use sheathline_model::history::testing;
use sheathline_store::objects::ObjectId;
use sheathline_store::readings::StoredDisposition;
use std::collections::BTreeMap;

/// What was read of an object: its UID, content and patient by a letter each.
fn read(uid: &str, content: &str, patient: &str) -> ObjectReading {
    let mut reading = testing::reading(uid, "2.25.9", "2024-05-01", &[5.1], &[5.2]);
    reading.content_sha256 = Some(content.to_owned());
    let owner = reading.patient.as_mut().unwrap();
    owner.key = key(patient);
    reading
}

fn key(id: &str) -> PatientKey {
    PatientKey {
        issuer: "TARNHOLT".to_owned(),
        id: id.to_owned(),
    }
}

/// Each order of some numbers.
fn orders(of: &[usize]) -> Vec<Vec<usize>> {
    if of.is_empty() {
        return vec![Vec::new()];
    }
    let with = |first: &usize| {
        let rest: Vec<usize> = of.iter().copied().filter(|one| one != first).collect();
        let rest = orders(&rest).into_iter();
        rest.map(|rest| [vec![*first], rest].concat())
            .collect::<Vec<_>>()
    };
    of.iter().flat_map(with).collect()
}

type State = BTreeMap<i64, (StoredDisposition, ObjectReading)>;

/// What an assessment of a patient would see.
type Seen = BTreeMap<String, Vec<(i64, StoredDisposition)>>;

/// Reads objects in an order, and those that are sent back after each other one, the last first; and
/// assesses whoever is marked after each. What the store says in the end, and what was assessed last.
fn done(all: &[ObjectReading], order: &[usize]) -> (State, Seen) {
    let temp = TempDir::new_in("/dev/shm")
        .or_else(|_| TempDir::new())
        .unwrap();
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
    let mut ids = Vec::new();
    for n in 0..all.len() {
        let object = Incoming::new(&[n as u8], None, "folder", "", Utc::now()).unwrap();
        let kept = store.write(move |tx| objects::keep(tx, &object)).unwrap();
        let objects::Kept::New(id) = kept else {
            panic!("kept twice")
        };
        ids.push(id);
    }
    let file_one = |id: ObjectId| {
        let at = ids.iter().position(|one| *one == id).unwrap();
        let reading = all[at].clone();
        let filed = store.write(move |tx| file(tx, id, &Source::Folder, &reading, None).map(drop));
        filed.unwrap();
    };
    let mut seen = Seen::new();
    let mut assess = || {
        let marked = store
            .write(|tx| assessment_queue::take_dirty(tx, 99))
            .unwrap();
        for key in marked {
            let of = store.read(|view| readings::of_patient(view, &key)).unwrap();
            let of = of.into_iter().map(|one| (one.id.0, one.disposition));
            seen.insert(key.id, of.collect());
        }
    };
    let mut left: Vec<ObjectId> = order.iter().map(|at| ids[*at]).collect();
    let mut steps = 0;
    while let Some(next) = left.first().copied() {
        left.remove(0);
        file_one(next);
        assess();
        let unread = store.read(|view| objects::next_unread(view, 99)).unwrap();
        let mut back: Vec<ObjectId> = unread.iter().map(|one| one.id).collect();
        back.retain(|id| !left.contains(id));
        back.reverse();
        left.splice(0..0, back);
        steps += 1;
        assert!(steps < 100, "it comes to an end");
    }
    let state = ids.iter().map(|id| {
        let one = store.read(|view| readings::reading_of(view, *id)).unwrap();
        let one = one.expect("read in the end");
        (id.0, (one.disposition, one.reading))
    });
    (state.collect(), seen)
}

#[test]
fn the_first_content_wins_in_whatever_order_objects_are_read() {
    let sets = [
        // Another content, the first again, a third one, and one that has nothing to do with it.
        vec![
            read("1.1", "a", "P"),
            read("1.1", "b", "P"),
            read("1.1", "a", "P"),
            read("1.1", "c", "P"),
            read("1.2", "a", "P"),
        ],
        // The same UID for several patients.
        vec![
            read("1.1", "a", "P"),
            read("1.1", "b", "Q"),
            read("1.1", "b", "Q"),
            read("1.1", "a", "P"),
        ],
    ];
    for all in sets {
        let in_order: Vec<usize> = (0..all.len()).collect();
        let (wanted, assessed) = done(&all, &in_order);
        let is_repeat =
            |(disposition, _): &(StoredDisposition, _)| *disposition == StoredDisposition::Repeat;
        assert!(wanted.values().any(is_repeat));
        for order in orders(&in_order) {
            let (state, seen) = done(&all, &order);
            assert!(state == wanted, "{order:?}");
            assert_eq!(seen, assessed, "{order:?}");
        }
    }
}
