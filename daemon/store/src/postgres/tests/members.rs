//! Daemons that share a store on a server, and a process that wants it for itself.

use super::{bump, bumped, fresh};
use crate::members::{self, Duty};
use crate::{Mode, Store, StoreError};
use std::collections::BTreeSet;

fn member(settings: &super::Settings) -> Store {
    Store::open_server(settings, Mode::Member).expect("opens")
}

#[test]
fn a_daemon_changes_nothing_before_it_has_joined() {
    let settings = fresh();
    let store = member(&settings);
    assert!(store.is_shared() && store.is_put_out());
    let early = store.write(|tx| bump(tx, "a"));
    assert!(matches!(early, Err(StoreError::PutOut)), "{early:?}");
    store.join("one", "host").expect("joins");
    store.write(|tx| bump(tx, "a")).expect("written");
    assert_eq!(bumped(&store, "a"), 1);
}

#[test]
fn members_and_an_owner_keep_each_other_out() {
    let settings = fresh();
    let (one, two) = (member(&settings), member(&settings));
    let first = one.join("one", "").expect("joins");
    let second = two.join("two", "").expect("joins");
    let refused = Store::open_server(&settings, Mode::Owner).expect_err("held");
    assert!(
        matches!(refused, StoreError::Held { pid: None, .. }),
        "{refused}"
    );
    let guest = Store::open_server(&settings, Mode::Guest).expect("opens");
    assert!(guest.has_owner());
    for (store, membership) in [(&one, first), (&two, second)] {
        store
            .write(move |tx| members::leave(tx, &membership))
            .expect("leaves");
    }
    assert!(!guest.has_owner());
    let owner = Store::open_server(&settings, Mode::Owner).expect("free");
    let refused = one.join("one", "").expect_err("the owner has it");
    assert!(
        matches!(refused, StoreError::NotCommitted { .. }),
        "{refused}"
    );
    drop(owner);
    one.join("one", "").expect("joins");
}

/// By the server's clock, and with the server's locks: changes of members side by side.
#[test]
fn members_change_side_by_side_and_no_change_is_lost() {
    let settings = fresh();
    let stores = [member(&settings), member(&settings), member(&settings)];
    let memberships: Vec<_> = (0..3)
        .map(|n| stores[n].join(&n.to_string(), "").expect("joins"))
        .collect();
    std::thread::scope(|scope| {
        for (store, membership) in stores.iter().zip(&memberships) {
            scope.spawn(move || {
                for n in 0..30 {
                    store.write(|tx| bump(tx, "a")).expect("written");
                    if n % 5 == 0 {
                        let membership = membership.clone();
                        let single = BTreeSet::from(Duty::SINGLE);
                        let looked = store.write(move |tx| {
                            members::look(tx, &membership, &single, &BTreeSet::new())
                        });
                        looked.expect("looks");
                    }
                }
            });
        }
    });
    assert_eq!(bumped(&stores[0], "a"), 90);
    let shares = stores[0].read(members::shares).expect("read");
    let count = |id: usize| {
        let share = shares.get(&Some(id.to_string()));
        share.map_or(0, |share| {
            share.iter().filter(|one| one.is_bucket()).count()
        })
    };
    let counts: Vec<usize> = (0..3).map(count).collect();
    assert!(counts.iter().sum::<usize>() <= 256, "{counts:?}");
    let out = memberships[2].clone();
    stores[0]
        .write(move |tx| members::let_lapse(tx, &out))
        .expect("written");
    let first = memberships[0].clone();
    let found = stores[0].write(move |tx| {
        members::look(tx, &first, &BTreeSet::from(Duty::SINGLE), &BTreeSet::new())
    });
    assert_eq!(found.expect("looks").put_out.len(), 1);
    let late = stores[2].write(|tx| bump(tx, "a"));
    assert!(matches!(late, Err(StoreError::PutOut)), "{late:?}");
    assert_eq!(bumped(&stores[1], "a"), 90);
}
