//! Daemons that share a store on a server, and a process that wants it for itself.

use super::{bump, bumped, fresh};
use crate::members::{self, Duty};
use crate::postgres::served::Served;
use crate::{Mode, Store, StoreError};
use std::collections::BTreeSet;
use std::time::Duration;

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

/// One that stands still in a change is let go by the server when the others put it out, not later.
#[test]
fn a_change_that_stands_still_holds_the_others_up_no_longer_than_its_daemon_is_believed_alive() {
    let settings = fresh();
    let store = member(&settings);
    store.join("one", "host").expect("joins");
    let idle = store.write(|tx| {
        let setting = "select current_setting('idle_in_transaction_session_timeout')";
        tx.prepare(setting).one((), |row| row.get::<String>(0))
    });
    let idle = idle.expect("told");
    let seconds: u64 = idle.trim_end_matches('s').parse().expect("seconds");
    assert!(seconds > 0 && seconds < members::LIVES.as_secs(), "{idle}");
}

#[test]
fn members_and_an_owner_keep_each_other_out() {
    let settings = fresh();
    let (one, two) = (member(&settings), member(&settings));
    let first = one.join("one", "south").expect("joins");
    let second = two.join("two", "north").expect("joins");
    let refused = Store::open_server(&settings, Mode::Owner).expect_err("held");
    assert!(
        matches!(&refused, StoreError::Shared { hosts, .. } if hosts == &["north", "south"]),
        "{refused}"
    );
    assert!(
        refused
            .to_string()
            .contains("daemons on north, south; stop all of them")
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
    let refused = Store::open_server(&settings, Mode::Member).expect_err("the owner has it");
    let ours = std::process::id();
    assert!(
        matches!(refused, StoreError::Held { pid: Some(pid), .. } if pid == ours),
        "{refused}"
    );
    drop(owner);
    one.join("one", "").expect("joins");
}

#[test]
fn the_shape_changes_while_nobody_shares_the_store_and_an_older_member_is_out_for_good() {
    let served = Served::shared();
    let database = served.database();
    let settings = served.settings(&database);
    let old = member(&settings);
    let membership = old.join("old", "north").expect("joins");
    // As an older version would have left it: the steps that follow change nothing here.
    served.say(&database, "update shape set number = number - 1");
    let refused = Store::open_server(&settings, Mode::Member).expect_err("a member lives");
    assert!(matches!(refused, StoreError::Shared { .. }), "{refused}");
    let known = crate::postgres::schema::KNOWN + 1;
    served.say(&database, &format!("update shape set number = {known}"));
    let late = old.write(|tx| bump(tx, "a")).expect_err("of another shape");
    assert!(matches!(late, StoreError::InDoubt { .. }), "{late}");
    assert!(old.join("old", "north").is_err());
    let standing = "select count(*) from member where id = 'old'";
    assert_eq!(served.say(&database, standing), "1");
    drop(membership);
}

#[test]
fn rules_go_with_their_member_and_a_duty_that_nobody_holds_is_told() {
    let settings = fresh();
    let (one, two) = (member(&settings), member(&settings));
    let first = one.join("one", "north").expect("joins");
    let second = two.join("two", "south").expect("joins");
    for (store, membership, rules) in [(&one, &first, "a"), (&two, &second, "b")] {
        let membership = membership.clone();
        store
            .write(move |tx| members::note_rules(tx, &membership, rules))
            .expect("noted");
    }
    let told = || {
        let all = one.read(members::rules).expect("read").into_iter();
        all.map(|(member, rules)| format!("{} {rules}", member.name))
            .collect::<Vec<_>>()
    };
    assert_eq!(told(), ["north a", "south b"]);
    let holder = second.clone();
    two.write(move |tx| members::claim(tx, &holder, &Duty::Trail))
        .expect("claimed");
    two.write(move |tx| members::leave(tx, &second))
        .expect("leaves");
    assert_eq!(told(), ["north a"]);
    std::thread::sleep(Duration::from_millis(5));
    let unheld = |longer_than| one.read(|view| members::unheld(view, longer_than));
    let free = unheld(Duration::ZERO).expect("read");
    assert_eq!(free, BTreeSet::from([Duty::Trail]));
    assert!(unheld(Duration::from_secs(60)).expect("read").is_empty());
}

/// A trigger of the database sees under which membership each change is made.
#[test]
fn each_change_shows_its_membership() {
    let served = Served::shared();
    let database = served.database();
    let settings = served.settings(&database);
    let store = member(&settings);
    let id = "0123456789abcdef";
    let first = store.join(id, "").expect("joins");
    served.say(
        &database,
        "create table seen (name text);
         create function note() returns trigger language plpgsql as
         $$begin insert into seen values (current_setting('application_name')); return null; end$$;
         create trigger note after insert or update on meta for each row
         when (new.name = 'a') execute function note()",
    );
    store.write(|tx| bump(tx, "a")).expect("written");
    // The connection is lost, and made anew.
    let end = "select count(pg_terminate_backend(pid)) from pg_stat_activity
               where application_name like 'sheathline 01234567 %'";
    assert_eq!(served.say(&database, end), "1");
    store.write(|tx| bump(tx, "a")).expect("written");
    let second = store.join(id, "").expect("joins");
    store.write(|tx| bump(tx, "a")).expect("written");
    assert!(second.epoch > first.epoch);
    let (first, second) = (first.epoch, second.epoch);
    let seen = served.say(&database, "select string_agg(name, ',') from seen");
    assert_eq!(
        seen,
        format!(
            "sheathline 01234567 {first},sheathline 01234567 {first},sheathline 01234567 {second}"
        )
    );
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
