//! Requests for Storage Commitment, and what of their objects is held.

use super::topics::{patient, reading};
use super::{keep, now, open};
use crate::commitments::{self, Held, OPEN_MAX, Open, Received, Reference};
use crate::objects::{self, ObjectId, Slim};
use crate::readings;
use chrono::TimeDelta;
use sheathline_model::domain::Disposition;
use tempfile::TempDir;

const SR: &str = "1.2.840.10008.5.1.4.1.1.88.33";

fn named(class: &str, instance: &str) -> Reference {
    Reference {
        class: class.to_owned(),
        instance: instance.to_owned(),
    }
}

fn asked(sender: &str, transaction: &str) -> Open {
    Open {
        sender: sender.to_owned(),
        transaction: transaction.to_owned(),
        since: now(),
        due: now() + TimeDelta::seconds(15),
        tries: 0,
    }
}

#[test]
fn a_request_is_one_until_it_is_reported_on() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let receive = |open: Open, references: Vec<Reference>| {
        let done = store.write(move |tx| commitments::receive(tx, &open, &references));
        done.expect("written")
    };
    // An AE title may have blanks.
    let both = vec![named(SR, "1.5"), named(SR, "1.6")];
    let one = asked("CART 1", "1.2.3");
    assert_eq!(receive(one.clone(), both.clone()), Received::New);
    assert_eq!(receive(one.clone(), both.clone()), Received::Same);
    assert_eq!(receive(one.clone(), both[..1].to_vec()), Received::Other);
    assert_eq!(
        receive(asked("CART 2", "1.2.3"), both[..1].to_vec()),
        Received::New
    );
    let found = store.read(commitments::all).expect("read");
    assert_eq!(found, [one.clone(), asked("CART 2", "1.2.3")]);
    let of = store.read(|view| commitments::references(view, &one));
    assert_eq!(of.expect("read"), both);
    // Of two that take it one does, and whoever looks later takes it as it is then.
    let take = |open: Open| {
        let due = open.due + TimeDelta::seconds(30);
        let taken = store.write(move |tx| commitments::take(tx, &open, due, 1));
        taken.expect("written")
    };
    let taken = take(one.clone()).expect("taken");
    assert_eq!((taken.tries, taken.since), (1, one.since));
    assert_eq!(take(one.clone()), None);
    assert!(take(taken).is_some());
    let end = |transaction: &'static str| {
        let ended = store.write(move |tx| commitments::end(tx, "CART 1", transaction));
        ended.expect("written");
    };
    end("1.2.3");
    assert_eq!(take(one.clone()), None);
    let left = store.read(|view| commitments::references(view, &one));
    assert_eq!(left.expect("read"), []);
    for n in 0..OPEN_MAX {
        let open = asked("CART 1", &format!("1.3.{n}"));
        assert_eq!(receive(open, both.clone()), Received::New);
    }
    assert_eq!(receive(one.clone(), both.clone()), Received::TooMany);
    end("1.3.0");
    assert_eq!(receive(one, both), Received::New);
}

#[test]
fn held_is_only_what_is_here_as_it_came() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    for bytes in [b"a", b"b", b"c", b"d", b"e"] {
        keep(&store, bytes).expect("kept");
    }
    let of = |class: &str, instance: &str| {
        let named = named(class, instance);
        store
            .read(|view| commitments::held(view, &named))
            .expect("read")
    };
    let open = asked("CART 1", "1.2.3");
    let may_be_unread = || {
        let may = store.read(|view| commitments::may_be_unread(view, &open));
        may.expect("read")
    };
    assert_eq!(of(SR, "1.1"), Held::Absent);
    assert!(may_be_unread());
    store
        .write(|tx| {
            for (id, instance) in [(1, "1.1"), (2, "1.2"), (3, "1.3"), (4, "1.4"), (5, "1.4")] {
                let mut one = reading(&patient("HERE", "7"), instance, "9.1");
                one.sop_class_uid = Some(SR.to_owned());
                one.disposition = Disposition::Quarantined;
                readings::finish_read(tx, ObjectId(id), &one, one.disposition.into())?;
            }
            objects::slim_down(tx, ObjectId(2), &Slim::new(b"without pixels")?)?;
            objects::note_damaged(tx, ObjectId(3), now())?;
            // Of the two that have one name the second was changed underneath.
            tx.execute("update object set body = x'00' where id = 5", ())
        })
        .expect("written");
    assert!(!may_be_unread());
    assert_eq!(of(SR, "1.1"), Held::Whole);
    assert_eq!(of("1.2", "1.1"), Held::OtherClass);
    assert_eq!(of(SR, "1.2"), Held::Absent);
    assert_eq!(of(SR, "1.3"), Held::Damaged);
    assert_eq!(of(SR, "1.4"), Held::Damaged);
    assert_eq!(of(SR, "1.9"), Held::Absent);
}
