//! What is asked of a server, and how the answers come.

use super::{bump, bumped, fresh};
use crate::{Mode, Store, StoreError, meta};
use std::sync::Barrier;
use std::time::Duration;

#[test]
fn it_is_used_from_async_code_as_well() {
    let settings = fresh();
    for runtime in [
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build(),
        tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .build(),
    ] {
        let settings = settings.clone();
        runtime.expect("a runtime").block_on(async move {
            let store = Store::open_server(&settings, Mode::Owner).expect("opens");
            store.write_async(|tx| bump(tx, "n")).await.expect("stored");
            assert!(bumped(&store, "n") > 0);
            let inside = tokio::spawn(async move { bumped(&store, "n") });
            assert!(inside.await.expect("no panic") > 0);
        });
    }
}

#[test]
fn a_view_changes_nothing() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    for sql in [
        "insert into meta (name, value) values ('a', 'b') returning name",
        "with gone as (delete from meta returning name) select name from gone",
        "delete from meta",
    ] {
        let done = store.read(move |view| view.prepare(sql).exists(()));
        assert!(matches!(done, Err(StoreError::Work(_))), "{sql}: {done:?}");
        // Also inside a change.
        let done = store.write(move |tx| (**tx).prepare(sql).exists(()));
        assert!(matches!(done, Err(StoreError::Work(_))), "{sql}: {done:?}");
    }
    // And the server itself refuses what does not look like a change.
    let hidden = store.read(|view| view.prepare("select setval('gist_id_seq', 7)").exists(()));
    assert!(hidden.is_err(), "{hidden:?}");
}

/// Many more than are kept.
#[test]
fn statements_are_kept_and_bounded() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let kept = store.write(|tx| {
        for n in 0..200 {
            let sql = format!("select cast({n} as bigint) where ?1 = ?1");
            let got: i64 = tx.prepare(sql).one(["x"], |row| row.get(0))?;
            assert_eq!(got, n);
        }
        let counted = "select count(*) from pg_prepared_statements";
        tx.prepare(counted).one((), |row| row.get::<i64>(0))
    });
    let kept = kept.expect("counted");
    assert!((2..=66).contains(&kept), "{kept}");
}

/// Most of the answer is never looked at, and the connection goes on.
#[test]
fn whoever_has_enough_breaks_off() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let many = "select n from generate_series(cast(1 as bigint), 300000) as n";
    for _ in 0..3 {
        let first = store.read(|view| view.prepare(many).first((), |row| row.get::<i64>(0)));
        assert_eq!(first.expect("read"), Some(1));
    }
    let all = store.read(|view| view.prepare(many).all((), |row| row.get::<i64>(0)));
    assert_eq!(all.expect("read").len(), 300_000);
    let failed: Result<(), _> = store.read(|view| {
        view.prepare(many)
            .each((), |_| Err(StoreError::Work("enough".to_owned())))
    });
    assert!(matches!(failed, Err(StoreError::Work(why)) if why == "enough"));
    let inside = store.read(|view| {
        view.prepare(many)
            .first((), |_| view.prepare("select 1").exists(()))
    });
    assert!(matches!(inside, Err(StoreError::Work(_))), "{inside:?}");
    store.read(|view| meta::get(view, "n")).expect("goes on");
}

#[test]
fn values_come_back_as_they_were() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    for text in [
        "",
        "\0",
        "\u{1}",
        "a\0\u{1}\u{2}b",
        "日本語",
        "o'Brien \\ ?1 $1",
    ] {
        let told = text.to_owned();
        store
            .write(move |tx| meta::set(tx, "text", &told))
            .expect("stored");
        let got = store.read(|view| meta::get(view, "text")).expect("read");
        assert_eq!(got.as_deref(), Some(text));
    }
    // A number where text stands is an error of ours, not a guess, and undoes this change alone.
    let unfit = store.write(|tx| {
        tx.execute(
            "insert into meta (name, value) values (?1, ?2)",
            (7_i64, "x"),
        )
    });
    assert!(matches!(unfit, Err(StoreError::Refused(_))), "{unfit:?}");
    store.write(|tx| bump(tx, "n")).expect("goes on");
}

#[test]
fn readers_are_no_more_than_was_asked_for() {
    let store = Store::open_server(&fresh().readers(2), Mode::Owner).expect("opens");
    let both = Barrier::new(2);
    let counted = "select count(*) from pg_stat_activity where datname = current_database()
                   and application_name = 'sheathline'";
    std::thread::scope(|scope| {
        for n in 0..6 {
            let (store, both) = (&store, &both);
            scope.spawn(move || {
                let there = store.read(|view| {
                    if n < 2 {
                        both.wait();
                        std::thread::sleep(Duration::from_millis(100));
                    }
                    view.prepare(counted).one((), |row| row.get::<i64>(0))
                });
                assert!(there.expect("read") <= 3);
            });
        }
    });
    // One whose work panicked is not counted for ever.
    for _ in 0..5 {
        let work = || store.read(|_| -> Result<(), StoreError> { panic!("planted") });
        std::panic::catch_unwind(std::panic::AssertUnwindSafe(work)).expect_err("panicked");
    }
    assert_eq!(bumped(&store, "n"), 0);
}

#[test]
fn the_time_is_the_servers() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let now = store.read(|view| view.now()).expect("told");
    let ours = chrono::Utc::now().timestamp_millis();
    assert!((ours - now).abs() < 60_000, "{ours} {now}");
}
