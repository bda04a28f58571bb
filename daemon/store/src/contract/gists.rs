//! What reports leave unexplained, kept once for all that are alike in it.

use super::{Place, contracts, keep, key, report};
use crate::objects::ObjectId;
use crate::readings::gists::{self, Alike};
use crate::readings::{self, StoredDisposition};
use crate::{Store, meta};
use sheathline_model::domain::{CodeExample, CodeRole, ObjectReading, Unexplained};

contracts! {
    reports_that_are_alike_share_one_gist,
    a_gist_that_nobody_has_any_more_goes,
    readings_of_before_are_gathered_in_steps,
}

/// A report that leaves this code unexplained, with a value of its own.
fn leaving(uid: &str, code: &str) -> ObjectReading {
    let mut reading = report(&key("HERE", "1"), uid, "9.1");
    reading.unexplained = vec![Unexplained {
        code: code.to_owned(),
        scheme: "99TARNHOLT".to_owned(),
        meaning: "Sheath".to_owned(),
        role: CodeRole::Number,
        times: 2,
        called: Vec::new(),
        sides: Vec::new(),
        examples: vec![CodeExample {
            place: "1.2".to_owned(),
            value: Some(format!("{uid} mm")),
            ..CodeExample::default()
        }],
    }];
    reading
}

fn read(
    store: &Store,
    bytes: &[u8],
    reading: &ObjectReading,
    as_what: StoredDisposition,
) -> ObjectId {
    let id = keep(store, bytes);
    read_again(store, id, reading, as_what);
    id
}

fn read_again(store: &Store, id: ObjectId, reading: &ObjectReading, as_what: StoredDisposition) {
    let reading = reading.clone();
    store
        .write(move |tx| readings::finish_read(tx, id, &reading, as_what))
        .expect("filed");
}

fn as_read(reading: &ObjectReading) -> StoredDisposition {
    reading.disposition.into()
}

fn alike(store: &Store, limit: usize) -> (Vec<Alike>, u64) {
    store.read(|view| gists::alike(view, limit)).expect("read")
}

/// Code and reports of each, in their order.
fn told(store: &Store) -> Vec<(String, u64)> {
    let (all, beyond) = alike(store, 9);
    assert_eq!(beyond, 0);
    all.iter()
        .map(|one| (one.gist.codes[0].code.clone(), one.reports))
        .collect()
}

fn reports_that_are_alike_share_one_gist(place: &dyn Place) {
    let store = place.open().expect("opens");
    let plain = report(&key("HERE", "1"), "1.0", "9.1");
    read(&store, b"plain", &plain, as_read(&plain));
    let mut ids = Vec::new();
    for (uid, code) in [("1.1", "B"), ("1.2", "A"), ("1.3", "B"), ("1.4", "B")] {
        let one = leaving(uid, code);
        ids.push(read(&store, uid.as_bytes(), &one, as_read(&one)));
    }
    let again = leaving("1.4", "B");
    read(&store, b"1.4 in a file", &again, StoredDisposition::Repeat);
    drop(store);
    let store = place.open().expect("opens again");
    let expected = [("B".to_owned(), 3), ("A".to_owned(), 1)];
    assert_eq!(told(&store), expected, "repeats and others left out");
    let (all, _) = alike(&store, 9);
    let first = |limit: u32| {
        store
            .read(|view| gists::first_of(view, &all[0], limit))
            .expect("read")
    };
    assert_eq!(first(2), [ids[0], ids[2]]);
    assert_eq!(first(9), [ids[0], ids[2], ids[3]]);
    // Of too many kinds the commonest are told, and of how many reports nothing is.
    let (some, beyond) = alike(&store, 1);
    assert_eq!((some.len(), some[0].reports, beyond), (1, 3, 1));
}

fn a_gist_that_nobody_has_any_more_goes(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (one, other) = (leaving("1.1", "A"), leaving("1.2", "A"));
    let first = read(&store, b"1.1", &one, as_read(&one));
    let second = read(&store, b"1.2", &other, as_read(&other));
    assert_eq!(told(&store), [("A".to_owned(), 2)]);
    // Somebody explained it.
    let plain = report(&key("HERE", "1"), "1.1", "9.1");
    read_again(&store, first, &plain, as_read(&plain));
    assert_eq!(told(&store), [("A".to_owned(), 1)]);
    let changed = leaving("1.2", "B");
    read_again(&store, second, &changed, as_read(&changed));
    assert_eq!(told(&store), [("B".to_owned(), 1)]);
    read_again(&store, second, &other, as_read(&other));
    read_again(&store, first, &one, as_read(&one));
    assert_eq!(told(&store), [("A".to_owned(), 2)]);
    read_again(&store, second, &other, StoredDisposition::Repeat);
    assert_eq!(told(&store), [("A".to_owned(), 1)]);
}

/// A step that is asked for again, or cut off, counts nothing twice.
fn readings_of_before_are_gathered_in_steps(place: &dyn Place) {
    let store = place.open().expect("opens");
    let step = |limit: u32| {
        store
            .write(move |tx| gists::gather_some(tx, limit))
            .expect("gathered")
    };
    assert_eq!(step(9), 0, "nothing is wanted of a new store");
    let mut last = ObjectId(0);
    for uid in ["1.1", "1.2", "1.3"] {
        let one = leaving(uid, "A");
        last = read(&store, uid.as_bytes(), &one, as_read(&one));
    }
    let plain = report(&key("HERE", "1"), "1.4", "9.1");
    read(&store, b"1.4", &plain, as_read(&plain));
    store
        .write(move |tx| meta::set(tx, "gists_wanted", &format!("1 {last}")))
        .expect("wanted");
    let wanted = || store.read(gists::wanted).expect("read");
    assert_eq!(wanted(), Some((ObjectId(1), last)));
    assert_eq!(step(2), 2);
    assert_eq!(wanted(), Some((ObjectId(3), last)));
    assert_eq!(step(2), 1);
    assert_eq!((wanted(), step(2)), (None, 0));
    assert_eq!(told(&store), [("A".to_owned(), 3)]);
}
