//! Owners, guests, copies, room, and the store in numbers.

use super::{Place, STRANGE, add, at, contracts, file, keep, key, object, report, result};
use crate::bodies::{self, Dropped};
use crate::objects::{self, Kept, ObjectId};
use crate::{
    Store, StoreError, assessment_queue, backlog, measurement_drafts, meta, overview, readings,
    results, trouble, watched,
};
use sheathline_model::domain::{Disposition, Remark, RemarkCode};
use sheathline_model::watch::{Brought, Report, Sender};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

contracts! {
    a_store_has_one_owner_at_a_time,
    a_guest_finds_no_store_where_none_was_made,
    owner_and_guest_see_what_the_other_stored,
    facts_by_name_are_set_replaced_and_taken_away,
    a_trouble_keeps_the_time_since_when_it_lasts,
    what_senders_brought_is_known_after_a_new_start,
    old_bodies_go_oldest_first_and_everything_made_of_them_stays,
    no_more_than_a_share_goes_in_a_day,
    a_clock_that_is_ahead_drops_nothing,
    a_copy_made_under_load_is_one_whole_state,
    a_copy_is_known_as_one,
    what_waits_is_counted_with_its_oldest,
    the_overview_counts_exams_by_their_newest_result,
    a_change_under_way_is_seen_and_its_commit_is_told,
    a_draft_is_its_accounts_own_and_stays_until_it_is_taken_away,
}

fn a_store_has_one_owner_at_a_time(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert!(store.is_owner());
    let second = place.open();
    assert!(matches!(second, Err(StoreError::Held { .. })), "{second:?}");
    let guest = place.beside().expect("a guest is no owner");
    assert!(!guest.is_owner());
    drop(guest);
    keep(&store, b"still the owner");
    drop(store);
    assert!(place.open().is_ok());
}

fn a_guest_finds_no_store_where_none_was_made(place: &dyn Place) {
    let guest = place.beside();
    assert!(
        matches!(guest, Err(StoreError::Missing { .. })),
        "{guest:?}"
    );
    drop(place.open().expect("made"));
    assert!(place.beside().is_ok());
}

fn owner_and_guest_see_what_the_other_stored(place: &dyn Place) {
    let store = place.open().expect("opens");
    let guest = place.beside().expect("opens");
    for n in 0..10_u8 {
        let (one, other) = match n % 2 {
            0 => (&store, &guest),
            _ => (&guest, &store),
        };
        let id = keep(one, &[n]);
        let seen = other.read(|view| objects::body(view, id));
        assert_eq!(seen.expect("there"), [n]);
        let again = other.write(move |tx| objects::keep(tx, &object(&[n])));
        assert_eq!(again.expect("kept"), Kept::Repeat(id));
    }
}

fn facts_by_name_are_set_replaced_and_taken_away(place: &dyn Place) {
    let store = place.open().expect("opens");
    for name in STRANGE {
        for value in STRANGE {
            store
                .write(move |tx| meta::set(tx, name, value))
                .expect("set");
            let stored = store.read(|view| meta::get(view, name)).expect("read");
            assert_eq!(stored.as_deref(), Some(value), "{name:?}");
        }
    }
    let long = "x".repeat(1 << 20);
    let value = long.clone();
    store
        .write(move |tx| meta::set(tx, "long", &value))
        .expect("set");
    drop(store);
    let store = place.open().expect("opens again");
    assert_eq!(
        store.read(|view| meta::get(view, "long")).expect("read"),
        Some(long)
    );
    store.write(|tx| meta::clear(tx, "long")).expect("cleared");
    assert_eq!(
        store.read(|view| meta::get(view, "long")).expect("read"),
        None
    );
    // The others are still there.
    assert!(
        store
            .read(|view| meta::get(view, ""))
            .expect("read")
            .is_some()
    );
}

fn what_senders_brought_is_known_after_a_new_start(place: &dyn Place) {
    let sender = |name: &str| Sender {
        source: format!("dicom:{name}"),
        machine: "Tarnholt|Lumen 4|1".to_owned(),
    };
    let note = |store: &Store, name: &str, id: i64, brought: Brought| {
        let (sender, report) = (
            sender(name),
            Report {
                object: id,
                brought,
                codes: 0,
            },
        );
        store
            .write(move |tx| watched::note(tx, &sender, ObjectId(id), Some(report)))
            .expect("noted")
    };
    let store = place.open().expect("opens");
    let first = keep(&store, b"first").0;
    // Whoever never sent a value is not watched.
    note(&store, "NOBODY", first, Brought::Unexplained);
    for id in 1..=10 {
        note(&store, "CART1", first - 1 + id, Brought::Values);
    }
    for id in 11..=14 {
        let began = note(&store, "CART1", first - 1 + id, Brought::Unexplained);
        assert_eq!(began, watched::Began::default());
    }
    drop(store);
    let store = place.open().expect("opens again");
    let began = note(&store, "CART1", first + 14, Brought::Unexplained);
    assert_eq!(began.stopped.map(|since| since.object), Some(first + 10));
    let again = note(&store, "CART1", first + 15, Brought::Unexplained);
    assert_eq!(again.stopped, None, "told once");
    let all = store.read(watched::all).expect("read");
    let [one] = all.as_slice() else {
        panic!("one sender, not {all:?}");
    };
    assert_eq!(one.sender, sender("CART1"));
    let since = one.window.stopped().expect("lasts");
    assert_eq!((since.reports, since.then), (6, 10));
    let began = watched::Since {
        object: first,
        ..since
    };
    let came = store
        .read(|view| watched::began(view, began))
        .expect("read");
    assert_eq!(came, Some(at(0)));
    // As many as can be, and one more: the one goes that sent nothing for longest.
    for n in 0..watched::SENDERS {
        note(
            &store,
            &format!("CART{}", n + 2),
            1000 + n as i64,
            Brought::Values,
        );
    }
    let all = store.read(watched::all).expect("read");
    assert_eq!(all.len(), watched::SENDERS);
    assert!(all.iter().all(|one| one.sender != sender("CART1")));
}

fn a_trouble_keeps_the_time_since_when_it_lasts(place: &dyn Place) {
    let store = place.open().expect("opens");
    let note = |what: Option<&'static str>, minutes| {
        store
            .write(move |tx| trouble::note(tx, "destination:hook", what, at(minutes)))
            .expect("noted");
        store
            .read(|view| trouble::of(view, "destination:hook"))
            .expect("read")
    };
    assert_eq!(note(None, 0), None);
    let since = |one: Option<trouble::Trouble>| one.map(|one| (one.since, one.what));
    assert_eq!(
        since(note(Some("down"), 1)),
        Some((at(1), "down".to_owned()))
    );
    assert_eq!(
        since(note(Some("answers 503"), 2)),
        Some((at(1), "answers 503".to_owned()))
    );
    store
        .write(|tx| trouble::note(tx, trouble::OUTBOX, Some("full"), at(3)))
        .expect("noted");
    let all = store.read(trouble::all).expect("read");
    let names: Vec<&str> = all.iter().map(|one| one.of.as_str()).collect();
    assert_eq!(names, ["destination:hook", "outbox"]);
    assert_eq!(note(None, 4), None);
    assert_eq!(
        since(note(Some("down"), 5)),
        Some((at(5), "down".to_owned()))
    );
}

fn old_bodies_go_oldest_first_and_everything_made_of_them_stays(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    // Received in another order than they came into the store.
    let ids: Vec<ObjectId> = [3, 1, 2]
        .into_iter()
        .map(|minutes| {
            let uid = format!("1.{minutes}");
            let object = objects::Incoming::new(uid.as_bytes(), None, "folder", "", at(minutes));
            let object = object.expect("packs");
            store
                .write(move |tx| objects::keep(tx, &object))
                .expect("kept");
            file(&store, &report(&patient, &uid, "9.1"))
        })
        .collect();
    let unread = keep(&store, b"unread");
    let mut refused = report(&patient, "1.9", "9.1");
    refused.disposition = Disposition::Quarantined;
    let refused = file(&store, &refused);
    let drop_some = |limit| {
        store
            .write(move |tx| objects::drop_bodies(tx, at(3), limit, at(9)))
            .expect("dropped")
    };
    let is_there = |id| store.read(|view| objects::body(view, id)).is_ok();
    assert_eq!(drop_some(1), 1);
    assert_eq!(
        ids.iter().map(|id| is_there(*id)).collect::<Vec<_>>(),
        [true, false, true]
    );
    assert_eq!(drop_some(9), 1, "what came at the time itself stays");
    assert_eq!(drop_some(9), 0);
    assert!(is_there(ids[0]) && is_there(unread) && is_there(refused));
    let Err(StoreError::Dropped { object, on }) = store.read(|view| objects::body(view, ids[1]))
    else {
        panic!("its bytes are gone");
    };
    assert_eq!((object, on.as_str()), (ids[1], "2026-03-01"));
    let of = store
        .read(|view| readings::of_patient(view, &patient))
        .expect("read");
    assert_eq!(of.len(), 4);
    // The same bytes are known all the same.
    let again = store.write(|tx| objects::keep(tx, &object_of("1.1")));
    assert_eq!(again.expect("kept"), Kept::Repeat(ids[1]));
}

fn object_of(uid: &str) -> objects::Incoming {
    object(uid.as_bytes())
}

fn no_more_than_a_share_goes_in_a_day(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for n in 0..40 {
        file(&store, &report(&patient, &format!("1.{n}"), "9.1"));
    }
    let drop_some = |minutes| {
        let dropped = store.write(move |tx| bodies::drop_some(tx, 365, 99, at(minutes)));
        dropped.expect("asked")
    };
    let year = 366 * 24 * 60;
    // The clock goes on with what comes, or it would be ahead of it.
    let newest = objects::Incoming::new(b"new", None, "folder", "", at(year)).expect("packs");
    store
        .write(move |tx| objects::keep(tx, &newest))
        .expect("kept");
    let Dropped::Some(first) = drop_some(year) else {
        panic!("a share goes");
    };
    assert!(first < 20, "{first} at once");
    assert_eq!(drop_some(year + 1), Dropped::EnoughToday);
    assert!(matches!(drop_some(year + 24 * 60), Dropped::Some(_)));
    let missing = store.read(objects::count_missing).expect("read") as usize;
    assert_eq!(missing, 2 * first);
}

fn a_clock_that_is_ahead_drops_nothing(place: &dyn Place) {
    let store = place.open().expect("opens");
    file(&store, &report(&key("HERE", "1"), "1.1", "9.1"));
    let years = 10 * 365 * 24 * 60;
    let dropped = store.write(move |tx| bodies::drop_some(tx, 30, 9, at(years)));
    assert_eq!(
        dropped.expect("asked"),
        Dropped::ClockAhead { newest: at(0) }
    );
}

/// Each change stores two objects and counts them: a copy has both, or neither, and all that was
/// answered before it.
fn a_copy_made_under_load_is_one_whole_state(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (is_over, answered) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicU64::new(0)),
    );
    let writer = std::thread::spawn({
        let (store, is_over, answered) = (store.clone(), is_over.clone(), answered.clone());
        move || {
            for n in 0.. {
                if is_over.load(Ordering::SeqCst) {
                    return;
                }
                store
                    .write(move |tx| {
                        objects::keep(tx, &object(format!("{n} a").as_bytes()))?;
                        objects::keep(tx, &object(format!("{n} b").as_bytes()))?;
                        meta::set(tx, "pairs", &(n + 1).to_string())
                    })
                    .expect("stored");
                answered.store(n + 1, Ordering::SeqCst);
            }
        }
    });
    let mut copies = Vec::new();
    while copies.len() < 3 {
        let before = answered.load(Ordering::SeqCst);
        if before == 0 {
            assert!(!writer.is_finished(), "nothing was stored");
            std::thread::yield_now();
            continue;
        }
        copies.push((before, place.copy()));
    }
    is_over.store(true, Ordering::SeqCst);
    writer.join().expect("it stored");
    for (before, copy) in copies {
        let copy = copy.expect("copied").open().expect("a copy is a store");
        let pairs = copy.read(|view| meta::get(view, "pairs")).expect("read");
        let pairs: u64 = pairs.expect("some").parse().expect("a number");
        assert!(pairs >= before, "{pairs} of {before}");
        let waiting = copy
            .read(|view| objects::next_unread(view, u32::MAX))
            .expect("read");
        assert_eq!(waiting.len() as u64, 2 * pairs);
        for one in waiting {
            assert!(copy.read(|view| objects::body(view, one.id)).is_ok());
        }
    }
}

fn a_copy_is_known_as_one(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert_eq!(store.read(objects::first).expect("read"), None);
    keep(&store, b"first");
    let first = store.read(objects::first).expect("read").expect("known");
    assert_eq!(first.len(), objects::FIRST_CHARS);
    let copy = place.copy().expect("copied").open().expect("opens");
    keep(&copy, b"more");
    keep(&store, b"other");
    for one in [&store, &copy] {
        assert_eq!(
            one.read(objects::first).expect("read").as_ref(),
            Some(&first)
        );
    }
    // They go their own ways.
    let bodies = |store: &crate::Store| store.read(|view| objects::body(view, ObjectId(2)));
    assert_ne!(bodies(&store).ok(), bodies(&copy).ok());
}

fn what_waits_is_counted_with_its_oldest(place: &dyn Place) {
    let store = place.open().expect("opens");
    let empty = store.read(backlog::backlog).expect("read");
    assert_eq!(empty, backlog::Backlog::default());
    keep(&store, b"one");
    keep(&store, b"two");
    let patient = key("HERE", "1");
    for minutes in [5, 4, 6] {
        let patient = key("HERE", &minutes.to_string());
        store
            .write(move |tx| assessment_queue::mark_dirty(tx, &patient, at(minutes)))
            .expect("marked");
    }
    for n in 1..=2 {
        add(&store, result("e", &patient, n), n.into());
    }
    store
        .write(|tx| results::mark_published(tx, "e", 1, &[], at(9)))
        .expect("published");
    let waits = store.read(backlog::backlog).expect("read");
    let told = |one: backlog::Waiting| (one.count, one.oldest);
    assert_eq!(told(waits.objects), (2, Some(at(0))));
    assert_eq!(told(waits.patients), (3, Some(at(4))));
    assert_eq!(told(waits.results), (1, Some(at(2))));
}

fn the_overview_counts_exams_by_their_newest_result(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    for (exam, status) in [("e", "no_flag"), ("e", "flagged"), ("f", "no_flag")] {
        let mut row = result(exam, &patient, 1);
        row.content = format!("{{\"assessment\":{{\"status\":\"{status}\"}}}}");
        row.key = results::key_of(&row.content);
        add(&store, row, 0);
    }
    let mut refused = report(&patient, "1.9", "9.1");
    refused.disposition = Disposition::Quarantined;
    let refusal = Remark::of(RemarkCode::SameUidOtherContent, "Twice.");
    refused.remarks.push(refusal);
    file(&store, &refused);
    store
        .write(|tx| results::mark_published(tx, "e", 1, &[], at(9)))
        .expect("published");
    let seen = store.read(overview::overview).expect("read");
    let count = |of: &std::collections::BTreeMap<String, u64>, name: &str| of.get(name).copied();
    assert_eq!(count(&seen.exams, "flagged"), Some(1));
    assert_eq!(count(&seen.exams, "no_flag"), Some(1));
    assert_eq!(count(&seen.quarantined, "same-uid-other-content"), Some(1));
    assert_eq!(
        (seen.last_received, seen.last_published),
        (Some(at(0)), Some(at(9)))
    );
}

fn a_change_under_way_is_seen_and_its_commit_is_told(place: &dyn Place) {
    let store = place.open().expect("opens");
    let told = Arc::new(AtomicU64::new(0));
    store.on_commit({
        let told = told.clone();
        move |_| {
            told.fetch_add(1, Ordering::SeqCst);
        }
    });
    let (sender, inside) = std::sync::mpsc::channel::<()>();
    let (go_on, wait) = std::sync::mpsc::channel::<()>();
    let (sender, wait) = (std::sync::Mutex::new(sender), std::sync::Mutex::new(wait));
    let change = std::thread::spawn({
        let store = store.clone();
        move || {
            store.write(move |tx| {
                meta::set(tx, "a", "b")?;
                sender.lock().expect("sound").send(()).expect("heard");
                wait.lock().expect("sound").recv().expect("told to go on");
                Ok(())
            })
        }
    });
    inside
        .recv_timeout(Duration::from_secs(20))
        .expect("it began");
    std::thread::sleep(Duration::from_millis(2));
    assert!(store.busy_for() >= Duration::from_millis(1));
    assert_eq!(told.load(Ordering::SeqCst), 0);
    go_on.send(()).expect("heard");
    change.join().expect("no panic").expect("stored");
    assert_eq!(told.load(Ordering::SeqCst), 1);
    keep(&store, b"one");
    assert_eq!(told.load(Ordering::SeqCst), 2);
    assert_eq!(store.busy_for(), Duration::ZERO);
}

fn a_draft_is_its_accounts_own_and_stays_until_it_is_taken_away(place: &dyn Place) {
    use measurement_drafts::{Kind, add, list, of, remove, remove_before, replace};
    let store = place.open().expect("opens");
    let kinds = [Kind::Measurement, Kind::Table, Kind::Second];
    let add = |account: &'static str, kind: Kind, content: String, minutes: i64| {
        store
            .write(move |tx| add(tx, account, kind, &content, at(minutes)))
            .expect("added")
    };
    let mut made = Vec::new();
    for (n, text) in STRANGE.iter().enumerate() {
        let content = serde_json::to_string(text).expect("JSON");
        // A nought ends no text of a store, but JSON writes it in letters of its own anyway.
        let kind = kinds[n % kinds.len()];
        made.push((add("ada", kind, content.clone(), 0), kind, content));
    }
    let others = add("Ada", Kind::Measurement, "{}".to_owned(), 0);
    drop(store);
    let store = place.open().expect("opens again");
    store
        .read(|view| {
            for (id, kind, content) in &made {
                for other in kinds {
                    let found = of(view, "ada", other, *id)?.map(|draft| draft.content);
                    // Of tables the last three are kept, and three were made.
                    assert_eq!(found.as_ref(), (other == *kind).then_some(content));
                }
                assert!(of(view, "Ada", *kind, *id)?.is_none());
            }
            assert_eq!(list(view, "Ada", Kind::Measurement)?.len(), 1);
            assert!(list(view, "", Kind::Measurement)?.is_empty());
            Ok(())
        })
        .expect("read");
    let first = made[0].0;
    store
        .write(move |tx| {
            let replace =
                |account, kind, minutes| replace(tx, account, kind, first, "\"new\"", at(minutes));
            assert!(!replace("Ada", Kind::Measurement, 7)?);
            assert!(!replace("ada", Kind::Table, 7)?);
            assert!(replace("ada", Kind::Measurement, 7)?);
            assert!(!remove(tx, "ada", others)?);
            let newest = list(tx, "ada", Kind::Measurement)?;
            assert_eq!((newest[0].id, newest[0].saved_at), (first, at(7)));
            assert_eq!(newest[0].content, "\"new\"");
            // By time and kind, whoever made them.
            assert_eq!(remove_before(tx, Kind::Measurement, at(7))?, newest.len());
            assert_eq!(list(tx, "ada", Kind::Measurement)?.len(), 1);
            assert_eq!(list(tx, "ada", Kind::Table)?.len(), 3);
            assert!(remove(tx, "ada", first)?);
            assert!(!remove(tx, "ada", first)?);
            Ok(())
        })
        .expect("written");
    // Tables take room: for a fourth the oldest goes.
    store
        .write(move |tx| {
            let before = list(tx, "ada", Kind::Table)?;
            let fourth = measurement_drafts::add(tx, "ada", Kind::Table, "4", at(9))?;
            let kept: Vec<i64> = list(tx, "ada", Kind::Table)?.iter().map(|d| d.id).collect();
            assert_eq!(kept, [fourth, before[0].id, before[1].id]);
            Ok(())
        })
        .expect("written");
}
