//! Several daemons on one store: who is one of them, and who has what to do.

use super::{Place, contracts, keep, object};
use crate::members::{self, BUCKETS, Duty, Found, Membership};
use crate::{Store, StoreError, objects};
use std::collections::BTreeSet;

contracts!(
    one_member_has_every_duty_and_two_have_half_each,
    a_duty_has_one_holder,
    a_member_whose_time_is_over_is_put_out_and_changes_nothing,
    a_member_that_shows_itself_is_not_put_out,
    an_epoch_is_given_once,
    who_leaves_leaves_its_duties,
    whoever_needs_no_membership_changes_the_store_beside_the_members,
);

fn look(store: &Store, membership: &Membership) -> Result<Found, StoreError> {
    let membership = membership.clone();
    store.write(move |tx| {
        let single = Duty::SINGLE.into_iter().collect();
        members::look(tx, &membership, &single, &BTreeSet::new())
    })
}

fn lapse(store: &Store, membership: &Membership) {
    let membership = membership.clone();
    let done = store.write(move |tx| members::let_lapse(tx, &membership));
    done.expect("written");
}

fn holds(store: &Store, membership: &Membership, duty: &Duty) -> bool {
    let held = store.read(|view| members::holds(view, membership, duty));
    held.expect("read")
}

fn all() -> BTreeSet<Duty> {
    let buckets = (0..=u8::MAX).map(Duty::Bucket);
    buckets.chain(Duty::SINGLE).collect()
}

fn one_member_has_every_duty_and_two_have_half_each(place: &dyn Place) {
    let one = place.open().expect("opens");
    let two = place.beside().expect("opens");
    let first = one.join("a", "host a").expect("joins");
    let found = look(&one, &first).expect("looks");
    assert_eq!(found.held, all());
    assert!(found.is_fair && found.members == 1);
    let second = two.join("b", "host b").expect("joins");
    let found = look(&two, &second).expect("looks");
    assert!(found.held.is_empty() && !found.is_fair && found.members == 2);
    let left = look(&one, &first).expect("looks").held;
    let taken = look(&two, &second).expect("looks").held;
    let count = |held: &BTreeSet<Duty>| held.iter().filter(|one| one.is_bucket()).count();
    assert_eq!(count(&left) * 2, usize::from(BUCKETS));
    assert_eq!(count(&taken) * 2, usize::from(BUCKETS));
    assert!(left.is_disjoint(&taken));
    assert_eq!(left.union(&taken).cloned().collect::<BTreeSet<_>>(), all());
    let shares = one.read(members::shares).expect("read");
    assert_eq!(shares.get(&Some("a".to_owned())), Some(&left));
    assert_eq!(shares.get(&Some("b".to_owned())), Some(&taken));
    for duty in all() {
        let (is_left, is_taken) = (holds(&two, &first, &duty), holds(&one, &second, &duty));
        assert_eq!(
            (is_left, is_taken),
            (left.contains(&duty), taken.contains(&duty))
        );
    }
}

fn a_duty_has_one_holder(place: &dyn Place) {
    let one = place.open().expect("opens");
    let two = place.beside().expect("opens");
    let first = one.join("a", "").expect("joins");
    let second = two.join("b", "").expect("joins");
    let archive = Duty::Archive("old π archive".to_owned());
    let claim = |store: &Store, membership: &Membership| {
        let (membership, duty) = (membership.clone(), archive.clone());
        store.write(move |tx| members::claim(tx, &membership, &duty))
    };
    let release = |store: &Store, membership: &Membership| {
        let (membership, duty) = (membership.clone(), archive.clone());
        let done = store.write(move |tx| members::release(tx, &membership, &duty));
        done.expect("written");
    };
    assert!(claim(&one, &first).expect("claims"));
    assert!(claim(&one, &first).expect("has it"));
    assert!(!claim(&two, &second).expect("does not"));
    // What one does not hold it does not let go.
    release(&two, &second);
    assert!(holds(&two, &first, &archive) && !holds(&one, &second, &archive));
    let holder = || {
        one.read(|view| members::holder(view, &archive))
            .expect("read")
    };
    assert_eq!(holder().as_deref(), Some("a"));
    release(&one, &first);
    assert_eq!(holder(), None);
    assert!(claim(&two, &second).expect("claims"));
    assert_eq!(holder().as_deref(), Some("b"));
}

fn a_member_whose_time_is_over_is_put_out_and_changes_nothing(place: &dyn Place) {
    let one = place.open().expect("opens");
    let two = place.beside().expect("opens");
    let first = one.join("a", "host a").expect("joins");
    look(&one, &first).expect("looks");
    let second = two.join("b", "host b").expect("joins");
    keep(&one, b"before");
    lapse(&two, &first);
    // Nobody has put it out yet, so nobody else has its duties.
    keep(&one, b"late, and alone");
    let found = look(&two, &second).expect("looks");
    let out: Vec<_> = found.put_out.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(out, ["host a"]);
    assert_eq!(found.held, all());
    assert!(!one.is_put_out(), "it cannot know");
    let object = object(b"after");
    let kept = one.write(move |tx| objects::keep(tx, &object));
    assert!(matches!(kept, Err(StoreError::PutOut)), "{kept:?}");
    assert!(one.is_put_out());
    let shown = look(&one, &first);
    assert!(matches!(shown, Err(StoreError::PutOut)), "{shown:?}");
    let counts = two.read(crate::readings::counts).expect("read");
    assert_eq!(counts.unread, 2, "it was not stored");
    assert!(one.doubt().is_none());
    // It comes back as another one.
    let again = one.join("a", "host a").expect("joins");
    assert!(again.epoch > first.epoch && !one.is_put_out());
    keep(&one, b"after");
    assert!(!holds(&one, &first, &Duty::Outbox));
    look(&two, &second).expect("looks");
    let held = look(&one, &again).expect("looks").held;
    assert!(!held.is_empty());
    for duty in held {
        assert!(holds(&one, &again, &duty) && !holds(&one, &first, &duty));
    }
}

fn a_member_that_shows_itself_is_not_put_out(place: &dyn Place) {
    let one = place.open().expect("opens");
    let two = place.beside().expect("opens");
    let first = one.join("a", "").expect("joins");
    let second = two.join("b", "").expect("joins");
    lapse(&two, &first);
    // Late, but before anybody looked.
    assert_eq!(look(&one, &first).expect("looks").put_out, []);
    assert_eq!(look(&two, &second).expect("looks").put_out, []);
    let all = one.read(members::all).expect("read");
    let ids: Vec<_> = all.iter().map(|one| one.id.as_str()).collect();
    assert_eq!(ids, ["a", "b"]);
    assert!(all.iter().all(|one| one.left_ms > 10_000), "{all:?}");
}

fn an_epoch_is_given_once(place: &dyn Place) {
    let store = place.open().expect("opens");
    let mut epochs = BTreeSet::new();
    for id in ["a", "b", "a", "c", "a"] {
        let membership = store.join(id, "").expect("joins");
        assert!(epochs.insert(membership.epoch));
        if id == "c" {
            let done = store.write(move |tx| members::leave(tx, &membership));
            done.expect("leaves");
        }
    }
    let all = store.read(members::all).expect("read");
    let ids: Vec<_> = all.iter().map(|one| one.id.as_str()).collect();
    assert_eq!(ids, ["a", "b"]);
}

fn who_leaves_leaves_its_duties(place: &dyn Place) {
    let one = place.open().expect("opens");
    let two = place.beside().expect("opens");
    let first = one.join("a", "").expect("joins");
    look(&one, &first).expect("looks");
    let second = two.join("b", "").expect("joins");
    let leaver = first.clone();
    one.write(move |tx| members::leave(tx, &leaver))
        .expect("leaves");
    let object = object(b"after");
    let kept = one.write(move |tx| objects::keep(tx, &object));
    assert!(matches!(kept, Err(StoreError::PutOut)), "{kept:?}");
    let found = look(&two, &second).expect("looks");
    assert_eq!(
        (found.held, found.put_out, found.members),
        (all(), Vec::new(), 1)
    );
}

fn whoever_needs_no_membership_changes_the_store_beside_the_members(place: &dyn Place) {
    let one = place.open().expect("opens");
    let guest = place.beside().expect("opens");
    let first = one.join("a", "").expect("joins");
    lapse(&guest, &first);
    one.join("b", "").expect("joins");
    keep(&guest, b"of a guest");
    assert!(!guest.is_put_out());
}
