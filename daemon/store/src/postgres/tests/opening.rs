//! Who may open a store on a server, and what is found there.

use super::{bump, bumped, fresh};
use crate::postgres::connection::Connection;
use crate::postgres::schema::{self, STEPS, bring_up, bring_up_by, found};
use crate::postgres::served::Served;
use crate::{Mode, Store, StoreError};
use std::sync::Barrier;

#[test]
fn a_second_owner_is_refused_and_a_guest_makes_no_store() {
    let settings = fresh();
    let missing = Store::open_server(&settings, Mode::Guest).expect_err("nothing there");
    assert!(matches!(missing, StoreError::Missing { .. }), "{missing}");
    let first = Store::open_server(&settings, Mode::Owner).expect("opens");
    let refused = Store::open_server(&settings, Mode::Owner).expect_err("held");
    assert!(
        matches!(refused, StoreError::Held { pid: Some(pid), .. } if pid == std::process::id()),
        "{refused}"
    );
    let guest = Store::open_server(&settings, Mode::Guest).expect("a guest needs nothing");
    assert!(guest.has_owner());
    guest.write(|tx| bump(tx, "n")).expect("stored");
    first.write(|tx| bump(tx, "n")).expect("stored");
    assert_eq!(bumped(&guest, "n"), 2);
    drop(first);
    assert!(!guest.has_owner());
    Store::open_server(&settings, Mode::Owner).expect("free again");
}

/// As one that was stopped for too long and wakes up.
#[test]
fn an_owner_that_was_put_out_changes_nothing_more() {
    let served = Served::shared();
    let database = served.database();
    let settings = served.settings(&database);
    let old = Store::open_server(&settings, Mode::Owner).expect("opens");
    old.write(|tx| bump(tx, "n")).expect("stored");
    // Its time is over, and it has not heard of it.
    served.say(&database, "update owner set until = 0");
    let new = Store::open_server(&settings, Mode::Owner).expect("takes it over");
    let done = old.write(|tx| bump(tx, "n"));
    assert!(matches!(done, Err(StoreError::InDoubt { .. })), "{done:?}");
    new.write(|tx| bump(tx, "n")).expect("stored");
    assert_eq!(bumped(&new, "n"), 2);
    drop(old);
    // The old one has left, not the new one.
    let refused = Store::open_server(&settings, Mode::Owner).expect_err("held");
    assert!(matches!(refused, StoreError::Held { .. }), "{refused}");
}

/// One whose time is over and whom nobody has put out goes on.
#[test]
fn an_owner_that_was_only_slow_goes_on() {
    let served = Served::shared();
    let database = served.database();
    let store = Store::open_server(&served.settings(&database), Mode::Owner).expect("opens");
    served.say(&database, "update owner set until = 0");
    store.write(|tx| bump(tx, "n")).expect("stored");
    let alive = "select until > extract(epoch from clock_timestamp()) * 1000 from owner";
    assert_eq!(served.say(&database, alive), "t");
}

#[test]
fn a_database_that_holds_something_else_is_refused_and_stays_as_it_is() {
    let served = Served::shared();
    for table in [
        "create table theirs (a int)",
        "create table shape (a int)",
        "create table shape (program text, number bigint)",
        "create table shape (program text, number bigint); insert into shape values ('other', 10)",
    ] {
        let database = served.database();
        served.say(&database, table);
        for mode in [Mode::Owner, Mode::Guest] {
            let refused = Store::open_server(&served.settings(&database), mode);
            let refused = refused.expect_err("refused");
            assert!(
                matches!(refused, StoreError::Foreign { .. }),
                "{table}: {refused}"
            );
        }
        let tables = "select count(*) from information_schema.tables
                      where table_schema = current_schema()";
        assert_eq!(served.say(&database, tables), "1", "{table}");
    }
}

#[test]
fn a_newer_shape_is_refused_and_an_older_one_needs_an_owner() {
    let served = Served::shared();
    let database = served.database();
    let settings = served.settings(&database);
    drop(Store::open_server(&settings, Mode::Owner).expect("opens"));
    served.say(&database, "update shape set number = number - 1");
    let older = Store::open_server(&settings, Mode::Guest).expect_err("older");
    assert!(matches!(older, StoreError::Outdated { .. }), "{older}");
    served.say(&database, "update shape set number = 9999");
    for mode in [Mode::Owner, Mode::Guest] {
        let newer = Store::open_server(&settings, mode).expect_err("newer");
        assert!(
            matches!(newer, StoreError::Newer { found: 9999, .. }),
            "{newer}"
        );
    }
}

#[test]
fn a_store_goes_from_shape_to_shape_and_stays_where_a_step_fails() {
    let connection = Connection::open(&fresh()).expect("connects");
    bring_up(&connection, "here").expect("made");
    assert_eq!(found(&connection, "here").expect("there"), schema::KNOWN);
    let (first, second) = (schema::KNOWN + 2, schema::KNOWN + 5);
    let steps = |last: &'static str| {
        let planted = [(first, "create table further (a bigint)"), (second, last)];
        [STEPS, planted.as_slice()].concat()
    };
    let broken = steps("alter table further add b bigint; alter table nothing add c bigint");
    bring_up_by(&connection, "here", &broken).expect_err("a step fails");
    assert_eq!(found(&connection, "here").expect("there"), schema::KNOWN);
    let whole = steps("alter table further add b bigint");
    bring_up_by(&connection, "here", &whole).expect("brought up");
    connection
        .simple("insert into further (a, b) values (1, 2)")
        .expect("both were run");
    let newer = found(&connection, "here").expect_err("newer than is known");
    assert!(
        matches!(newer, StoreError::Newer { found, .. } if found == second),
        "{newer}"
    );
    bring_up_by(&connection, "here", &whole).expect("nothing left to do");
}

#[test]
fn those_that_begin_at_once_make_one_store() {
    for _ in 0..3 {
        let settings = fresh();
        let start = Barrier::new(6);
        std::thread::scope(|scope| {
            for _ in 0..6 {
                scope.spawn(|| {
                    let connection = Connection::open(&settings).expect("connects");
                    start.wait();
                    bring_up(&connection, "here").expect("made by one of them");
                    assert_eq!(found(&connection, "here").expect("there"), schema::KNOWN);
                });
            }
        });
    }
}

#[test]
fn a_server_that_answers_before_it_stores_is_refused() {
    let served = Served::shared();
    let database = served.database();
    served.say(
        "postgres",
        &format!("alter database {database} set synchronous_commit = off"),
    );
    let refused = Store::open_server(&served.settings(&database), Mode::Owner);
    let words = refused.expect_err("refused").to_string();
    assert!(words.contains("synchronous_commit"), "{words}");
}

#[test]
fn nobody_there_is_told_as_that() {
    let nobody = Served::shared().folder().join("nobody");
    let nobody = nobody.to_str().expect("a text").replace('/', "%2F");
    let url = format!("postgresql://sheathline@{nobody}/store");
    let settings = crate::postgres::Settings::of_url(&url).expect("a url");
    let away = Store::open_server(&settings, Mode::Owner).expect_err("nobody there");
    assert!(matches!(away, StoreError::Away { .. }), "{away}");
}
