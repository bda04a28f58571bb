//! Objects received, and what a commit promises.

use super::{Place, STRANGE, at, contracts, file, keep, key, object, report};
use crate::objects::{self, Incoming, Kept, ObjectId};
use crate::{Store, StoreError, archives, facts, meta, readings};
use sheathline_model::domain::Source;
use std::sync::Barrier;
use std::time::Duration;

contracts! {
    what_was_answered_is_there_after_reopening,
    the_same_object_twice_is_one,
    the_transfer_syntax_makes_another_object,
    an_error_undoes_all_of_its_change,
    an_error_undoes_the_one_change_alone,
    a_change_that_panics_is_undone_and_others_go_on,
    numbers_grow_and_none_comes_twice,
    what_waits_is_handed_out_oldest_first,
    bodies_of_every_length_come_back,
    text_comes_back_as_it_was,
    times_come_back_to_the_microsecond,
    a_view_is_one_state_while_others_write,
    a_change_sees_itself,
    changes_are_told_after_the_commit,
    bytes_that_were_lost_are_filled_by_the_same_bytes,
    history_that_comes_by_itself_is_read_again,
    what_an_archive_names_is_here_once_it_is_kept,
}

fn objects_of(store: &Store) -> u32 {
    let counts = store.read(readings::counts).expect("read");
    counts.unread + counts.read.values().sum::<u32>()
}

fn what_was_answered_is_there_after_reopening(place: &dyn Place) {
    let bodies: Vec<Vec<u8>> = (0..20_u8).map(|n| vec![n; 100]).collect();
    let store = place.open().expect("opens");
    let ids: Vec<ObjectId> = bodies.iter().map(|body| keep(&store, body)).collect();
    drop(store);
    let store = place.open().expect("opens again");
    for (id, body) in ids.into_iter().zip(&bodies) {
        let stored = store.read(|view| objects::body(view, id));
        assert_eq!(&stored.expect("there"), body);
    }
}

fn the_same_object_twice_is_one(place: &dyn Place) {
    let store = place.open().expect("opens");
    let one = store.write(|tx| objects::keep(tx, &object(b"one")));
    let Ok(Kept::New(id)) = one else {
        panic!("{one:?}");
    };
    // In the same change, in the next, and after a new start.
    let again = store.write(|tx| {
        objects::keep(tx, &object(b"one"))?;
        objects::keep(tx, &object(b"one"))
    });
    assert_eq!(again.expect("kept"), Kept::Repeat(id));
    drop(store);
    let store = place.open().expect("opens again");
    let again = store.write(|tx| objects::keep(tx, &object(b"one")));
    assert_eq!(again.expect("kept"), Kept::Repeat(id));
    assert_eq!(objects_of(&store), 1);
    let counts = store.read(readings::counts).expect("read");
    assert_eq!(counts.repeats, 3);
}

fn the_transfer_syntax_makes_another_object(place: &dyn Place) {
    let store = place.open().expect("opens");
    for syntax in [None, Some("1.2.840.10008.1.2"), Some("1.2.840.10008.1.2.1")] {
        let kept = store.write(move |tx| {
            let object = Incoming::new(b"data", syntax, "dicom:CART", "", at(0))?;
            objects::keep(tx, &object)
        });
        let Ok(Kept::New(id)) = kept else {
            panic!("{syntax:?}: {kept:?}");
        };
        let stored = store.read(|view| objects::transfer_syntax(view, id));
        assert_eq!(stored.expect("read").as_deref(), syntax);
    }
}

fn an_error_undoes_all_of_its_change(place: &dyn Place) {
    let store = place.open().expect("opens");
    keep(&store, b"before");
    let done: Result<(), _> = store.write(|tx| {
        objects::keep(tx, &object(b"one"))?;
        objects::keep(tx, &object(b"before"))?;
        meta::set(tx, "noted", "yes")?;
        Err(StoreError::Work("changed its mind".to_owned()))
    });
    assert!(matches!(done, Err(StoreError::Work(why)) if why == "changed its mind"));
    assert_eq!(objects_of(&store), 1);
    assert_eq!(store.read(readings::counts).expect("read").repeats, 0);
    assert_eq!(
        store.read(|view| meta::get(view, "noted")).expect("read"),
        None
    );
}

/// Many at once, so that they share commits.
fn an_error_undoes_the_one_change_alone(place: &dyn Place) {
    let store = place.open().expect("opens");
    let start = Barrier::new(32);
    std::thread::scope(|scope| {
        for n in 0..32_u8 {
            let (store, start) = (&store, &start);
            scope.spawn(move || {
                start.wait();
                let done = store.write(move |tx| {
                    let kept = objects::keep(tx, &object(&[n]))?;
                    match n % 2 {
                        0 => Ok(kept),
                        _ => Err(StoreError::Work("no".to_owned())),
                    }
                });
                assert_eq!(done.is_ok(), n % 2 == 0, "{n}");
            });
        }
    });
    let waiting = store
        .read(|view| objects::next_unread(view, 99))
        .expect("read");
    let mut kept: Vec<Vec<u8>> = waiting
        .iter()
        .map(|one| {
            store
                .read(|view| objects::body(view, one.id))
                .expect("there")
        })
        .collect();
    kept.sort();
    let even: Vec<Vec<u8>> = (0..32).step_by(2).map(|n| vec![n]).collect();
    assert_eq!(kept, even);
}

fn a_change_that_panics_is_undone_and_others_go_on(place: &dyn Place) {
    let store = place.open().expect("opens");
    let done: Result<(), _> = store.write(|tx| {
        objects::keep(tx, &object(b"one"))?;
        panic!("planted: a change of the contract tests panics")
    });
    assert!(matches!(done, Err(StoreError::Panicked)), "{done:?}");
    assert_eq!(objects_of(&store), 0);
    keep(&store, b"two");
    assert_eq!(objects_of(&store), 1);
    assert_eq!(store.doubt(), None);
}

fn numbers_grow_and_none_comes_twice(place: &dyn Place) {
    let mut last = ObjectId(0);
    for round in 0..3_u8 {
        let store = place.open().expect("opens");
        for n in 0..10_u8 {
            // One that is undone between two that stay.
            let undone: Result<(), _> = store.write(move |tx| {
                objects::keep(tx, &object(&[round, n, 1]))?;
                Err(StoreError::Work("undone".to_owned()))
            });
            assert!(undone.is_err());
            let id = keep(&store, &[round, n]);
            assert!(id > last, "{id} after {last}");
            last = id;
        }
    }
}

fn what_waits_is_handed_out_oldest_first(place: &dyn Place) {
    let store = place.open().expect("opens");
    let ids: Vec<ObjectId> = (0..12_u8).map(|n| keep(&store, &[n])).collect();
    let waiting = |limit| {
        let waiting = store.read(|view| objects::next_unread(view, limit));
        let ids = waiting.expect("read").into_iter().map(|one| one.id);
        ids.collect::<Vec<_>>()
    };
    assert_eq!(waiting(5), ids[..5]);
    assert_eq!(waiting(99), ids);
    // The third is read; what comes again goes to the end of nothing: it keeps its place.
    let third = ids[2];
    let reading = report(&key("", "1"), "1.1", "9.1");
    store
        .write(move |tx| readings::finish_read(tx, third, &reading, reading.disposition.into()))
        .expect("filed");
    keep(&store, &[0]);
    assert_eq!(waiting(3), [ids[0], ids[1], ids[3]]);
}

fn bodies_of_every_length_come_back(place: &dyn Place) {
    let store = place.open().expect("opens");
    // Numbers that hardly pack (Knuth's multiplier); the last is 4 MiB.
    let noise = |length: u32| {
        let numbers = (0..length).map(|n| n.wrapping_mul(2_654_435_769).to_be_bytes()[1]);
        numbers.collect::<Vec<u8>>()
    };
    for length in [0, 1, 2, 255, 4095, 4096, 4097, 65_537, 4 << 20] {
        let body = noise(length);
        let id = keep(&store, &body);
        let stored = store.read(|view| objects::body(view, id)).expect("there");
        assert!(stored == body, "{length} bytes");
    }
}

fn text_comes_back_as_it_was(place: &dyn Place) {
    let store = place.open().expect("opens");
    for (n, text) in STRANGE.into_iter().enumerate() {
        let object = Incoming::new(&[n as u8], Some(text), "folder", text, at(0)).expect("packs");
        let kept = store
            .write(move |tx| objects::keep(tx, &object))
            .expect("kept");
        store
            .write(move |tx| meta::set(tx, text, text))
            .expect("set");
        let waiting = store
            .read(|view| objects::next_unread(view, 99))
            .expect("read");
        let one = waiting.into_iter().find(|one| Kept::New(one.id) == kept);
        let one = one.expect("it waits");
        assert_eq!(one.transfer_syntax.as_deref(), Some(text));
        assert_eq!(one.default_issuer, text);
        let stored = store.read(|view| meta::get(view, text)).expect("read");
        assert_eq!(stored.as_deref(), Some(text));
    }
}

fn times_come_back_to_the_microsecond(place: &dyn Place) {
    let store = place.open().expect("opens");
    for (n, time) in [
        "2026-03-01T08:00:00.000001Z",
        "2026-03-01T08:00:00Z",
        "2026-12-31T23:59:59.999999Z",
        "1970-01-01T00:00:00Z",
        "9999-12-31T23:59:59.5Z",
    ]
    .into_iter()
    .enumerate()
    {
        let time: chrono::DateTime<chrono::Utc> = time.parse().expect("a time");
        let object = Incoming::new(&[n as u8], None, "folder", "", time).expect("packs");
        let kept = store.write(move |tx| objects::keep(tx, &object));
        let Ok(Kept::New(id)) = kept else {
            panic!("{kept:?}");
        };
        let again = Incoming::new(&[n as u8], None, "folder", "", at(9)).expect("packs");
        let facts = store
            .write(move |tx| facts::keep(tx, &again))
            .expect("kept")
            .1;
        let facts = facts.expect("known");
        assert_eq!((facts.id, facts.received_at), (id, time));
    }
}

fn a_view_is_one_state_while_others_write(place: &dyn Place) {
    let store = place.open().expect("opens");
    keep(&store, b"before");
    store
        .read(|view| {
            let before = readings::counts(view)?;
            // Waits for its commit: a view holds nobody up.
            store.write(|tx| {
                objects::keep(tx, &object(b"meanwhile"))?;
                meta::set(tx, "noted", "yes")
            })?;
            assert_eq!(readings::counts(view)?, before);
            assert_eq!(meta::get(view, "noted")?, None);
            assert_eq!(objects::next_unread(view, 9)?.len(), 1);
            Ok(())
        })
        .expect("read");
    assert_eq!(objects_of(&store), 2);
}

fn a_change_sees_itself(place: &dyn Place) {
    let store = place.open().expect("opens");
    store
        .write(|tx| {
            meta::set(tx, "noted", "one")?;
            assert_eq!(meta::get(tx, "noted")?.as_deref(), Some("one"));
            let (Kept::New(id) | Kept::Repeat(id)) = objects::keep(tx, &object(b"body"))?;
            assert_eq!(objects::body(tx, id)?, b"body");
            Ok(())
        })
        .expect("changed");
}

/// Whoever hears of a change finds it, and hears of each.
fn changes_are_told_after_the_commit(place: &dyn Place) {
    let store = place.open().expect("opens");
    let mut changes = store.changes();
    let seen = *changes.borrow_and_update();
    let watcher = std::thread::spawn({
        let store = store.clone();
        move || {
            let mut runtime = tokio::runtime::Builder::new_current_thread();
            let runtime = runtime.enable_time().build().expect("a runtime");
            loop {
                let told = runtime.block_on(async {
                    let wait = tokio::time::timeout(Duration::from_secs(20), changes.changed());
                    wait.await.is_ok_and(|told| told.is_ok())
                });
                assert!(told, "nothing was told");
                let told = *changes.borrow_and_update() - seen;
                let there = u64::from(objects_of(&store));
                assert!(there >= told, "{told} told, {there} there");
                if told == 50 {
                    return;
                }
            }
        }
    });
    for n in 0..50_u8 {
        keep(&store, &[n]);
    }
    watcher
        .join()
        .expect("each change was there when it was told");
}

fn bytes_that_were_lost_are_filled_by_the_same_bytes(place: &dyn Place) {
    let store = place.open().expect("opens");
    let id = file(&store, &report(&key("", "1"), "1.1", "9.1"));
    let was_read = store.write(move |tx| objects::note_damaged(tx, id, at(1)));
    assert!(was_read.expect("noted"));
    let missing = |store: &Store| store.read(objects::count_missing).expect("read");
    assert_eq!(missing(&store), 1);
    // Its reading stays in use meanwhile.
    let stored = store.read(|view| readings::reading_of(view, id));
    assert!(stored.expect("read").expect("a reading").missing.is_some());
    assert_eq!(keep(&store, b"1.1"), id);
    assert_eq!(missing(&store), 0);
    assert_eq!(
        store.read(|view| objects::body(view, id)).expect("there"),
        b"1.1"
    );
    let waiting = store
        .read(|view| objects::next_unread(view, 9))
        .expect("read");
    assert_eq!(waiting.len(), 1, "it is read again");
}

fn history_that_comes_by_itself_is_read_again(place: &dyn Place) {
    let store = place.open().expect("opens");
    let history = object(b"1.1").quiet_after(Some(30));
    store
        .write(move |tx| objects::keep(tx, &history))
        .expect("kept");
    let id = file(&store, &report(&key("", "1"), "1.1", "9.1"));
    let stand = || {
        let stored = store
            .read(|view| readings::reading_of(view, id))
            .expect("read");
        let waiting = store
            .read(|view| objects::next_unread(view, 9))
            .expect("read");
        (stored.expect("a reading").current_days, waiting.len())
    };
    // `file` sent the same bytes by themselves.
    assert_eq!(stand(), (None, 0));
    let other = object(b"1.2").quiet_after(Some(30));
    store
        .write(move |tx| objects::keep(tx, &other))
        .expect("kept");
    let again = object(b"1.2").quiet_after(Some(10));
    store
        .write(move |tx| objects::keep(tx, &again))
        .expect("kept");
    let reading = report(&key("", "1"), "1.2", "9.1");
    let id = store
        .write(move |tx| {
            let waiting = objects::next_unread(tx, 9)?;
            readings::finish_read(tx, waiting[0].id, &reading, reading.disposition.into())?;
            Ok(waiting[0].id)
        })
        .expect("filed");
    let quiet = store
        .read(|view| readings::reading_of(view, id))
        .expect("read");
    assert_eq!(quiet.expect("a reading").current_days, Some(30));
    keep(&store, b"1.2");
    let waiting = store
        .read(|view| objects::next_unread(view, 9))
        .expect("read");
    assert_eq!(waiting.len(), 1);
}

fn what_an_archive_names_is_here_once_it_is_kept(place: &dyn Place) {
    let store = place.open().expect("opens");
    let is_here = |uid: &str| {
        store
            .read(|view| archives::is_here(view, uid))
            .expect("read")
    };
    assert!(!is_here("1.1"));
    let source = Source::from("dicom:CART");
    let object = Incoming::new(b"x", None, source, "", at(0)).expect("packs");
    store
        .write(move |tx| archives::keep(tx, &object, "1.1"))
        .expect("kept");
    assert!(is_here("1.1") && !is_here("1.2"));
    let days: Vec<chrono::NaiveDate> = ["2024-05-01", "2024-05-02"]
        .map(|day| day.parse().expect("a day"))
        .into();
    let is_finished = |archive: &str, day| {
        let finished = store.read(|view| archives::is_finished(view, archive, day));
        finished.expect("read")
    };
    let first = days[..1].to_vec();
    store
        .write(move |tx| archives::finish(tx, "old", &first, at(0)))
        .expect("noted");
    assert!(is_finished("old", days[0]) && !is_finished("old", days[1]));
    assert!(!is_finished("other", days[0]));
}
