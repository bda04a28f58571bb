//! A server that goes away, at every instant; changes that cross.

use super::relay::{Cut, Relay};
use super::{bump, bumped, fresh};
use crate::postgres::Settings;
use crate::postgres::connection::Connection;
use crate::postgres::served::Served;
use crate::session::{Each, Session, Step, Value};
use crate::tests::between::hands_on;
use crate::{Mode, Store, StoreError, meta};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Barrier};
use std::time::Duration;

/// Raised by the server itself.
fn raise(state: &str) -> String {
    format!("do $$ begin raise exception 'planted' using errcode = '{state}'; end $$")
}

#[test]
fn changes_that_cross_are_run_again_and_stored_once() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    for state in ["40001", "40P01", "55P03"] {
        let runs = Arc::new(AtomicU32::new(0));
        let seen = Arc::clone(&runs);
        let done = store.write(move |tx| {
            bump(tx, "n")?;
            match seen.fetch_add(1, Ordering::SeqCst) {
                0..3 => tx.execute_batch(&raise(state)),
                _ => Ok(()),
            }
        });
        done.expect("stored in the end");
        assert_eq!(runs.load(Ordering::SeqCst), 4, "{state}");
    }
    assert_eq!(bumped(&store, "n"), 3);
    // One that always crosses is given up, and others go on.
    let done = store.write(|tx| {
        bump(tx, "n")?;
        tx.execute_batch(&raise("40001"))
    });
    assert!(matches!(done, Err(StoreError::Busy)), "{done:?}");
    store.write(|tx| bump(tx, "n")).expect("stored");
    assert_eq!(bumped(&store, "n"), 4);
}

#[test]
fn what_the_server_refuses_is_told_as_what_it_means_and_undone() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let refused = |state: &'static str| {
        let done = store.write(move |tx| {
            bump(tx, "n")?;
            tx.execute_batch(&raise(state))
        });
        done.expect_err("refused")
    };
    assert!(matches!(refused("53100"), StoreError::Full));
    assert!(matches!(refused("57014"), StoreError::Busy));
    assert!(matches!(refused("23505"), StoreError::Refused(_)));
    store.write(|tx| bump(tx, "n")).expect("goes on");
    assert_eq!(bumped(&store, "n"), 1);
    // Damage is not gone on with.
    assert!(matches!(refused("XX001"), StoreError::Refused(_)));
    let doubt = store.write(|tx| bump(tx, "n"));
    assert!(
        matches!(doubt, Err(StoreError::InDoubt { .. })),
        "{doubt:?}"
    );
}

/// A change that overlooks what the server refused is not kept by half.
#[test]
fn a_change_that_overlooks_a_refusal_is_undone_alone() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let start = Barrier::new(16);
    std::thread::scope(|scope| {
        for n in 0..16 {
            let (store, start) = (&store, &start);
            scope.spawn(move || {
                start.wait();
                let done = store.write(move |tx| {
                    bump(tx, "n")?;
                    if n % 2 == 1 {
                        let _ = tx.execute_batch(&raise("23514"));
                    }
                    Ok(())
                });
                assert_eq!(done.is_ok(), n % 2 == 0, "{done:?}");
            });
        }
    });
    assert_eq!(bumped(&store, "n"), 8);
}

#[test]
fn no_value_is_told_with_a_failure() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    for sql in [
        "select cast('canary' as bigint)",
        "insert into meta (name, value) values ('canary', 'a'), ('canary', 'b')",
        "insert into gist (hash, content) values ('', null)",
        "insert into delivery (destination, result_id, since) values ('canary', 7, '')",
    ] {
        let refused = store
            .write(move |tx| tx.execute_batch(sql))
            .expect_err("refused");
        assert!(!refused.to_string().contains("canary"), "{refused}");
        assert!(!format!("{refused:?}").contains("canary"), "{refused:?}");
    }
}

/// Takes its connection away before the step or statement of a number.
#[derive(Debug)]
struct Cutting {
    inner: Box<dyn Session>,
    other: Settings,
    plan: Arc<Plan>,
}

#[derive(Debug, Default)]
struct Plan {
    is_armed: AtomicBool,
    at: AtomicU32,
    seen: AtomicU32,
}

impl Cutting {
    fn count(&self) {
        if self.plan.is_armed.load(Ordering::SeqCst)
            && self.plan.seen.fetch_add(1, Ordering::SeqCst) == self.plan.at.load(Ordering::SeqCst)
        {
            let other = Connection::open(&self.other).expect("reached");
            let all = "select pg_terminate_backend(pid, 5000) from pg_stat_activity
                       where datname = current_database() and pid <> pg_backend_pid()";
            other.simple(all).expect("ended");
        }
    }
}

impl Session for Cutting {
    hands_on!(run now rest);

    fn ask(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        self.count();
        self.inner.ask(sql, values, each)
    }

    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        self.count();
        self.inner.tell(sql, values, each)
    }

    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError> {
        self.count();
        self.inner.change(sql, values)
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        self.count();
        self.inner.step(step)
    }
}

/// Also within those that take the change back or end it, and while it is read.
#[test]
fn a_connection_that_is_ended_at_any_statement_loses_nothing_and_doubles_nothing() {
    let settings = fresh();
    let plan = Arc::new(Plan::default());
    let of_store = (settings.clone(), Arc::clone(&plan));
    let store = Store::open_server_through(&settings, Mode::Owner, move |inner| {
        let (other, plan) = of_store.clone();
        Box::new(Cutting { inner, other, plan })
    });
    let store = store.expect("opens");
    let mut cuts = 0;
    for at in 0.. {
        plan.at.store(at, Ordering::SeqCst);
        plan.seen.store(0, Ordering::SeqCst);
        plan.is_armed.store(true, Ordering::SeqCst);
        let done = store.write(|tx| {
            bump(tx, "a")?;
            bump(tx, "b")
        });
        done.expect("stored");
        plan.is_armed.store(false, Ordering::SeqCst);
        for name in ["a", "b"] {
            assert_eq!(
                bumped(&store, name),
                i64::from(at) + 1,
                "{name}, cut at {at}"
            );
        }
        if plan.seen.load(Ordering::SeqCst) <= at {
            break;
        }
        cuts += 1;
    }
    assert!(cuts > 6, "{cuts}");
}

#[test]
fn a_line_cut_in_a_commit_is_found_out_on_both_sides_of_the_decision() {
    let served = Served::shared();
    let database = served.database();
    let relay = Relay::to(served);
    let store = Store::open_server(&relay.settings(&database), Mode::Owner).expect("opens");
    for (cut, runs_needed) in [(Cut::Before, 2), (Cut::After, 1), (Cut::Before, 2)] {
        let before = bumped(&store, "n");
        let runs = Arc::new(AtomicU32::new(0));
        let seen = Arc::clone(&runs);
        let cuts = relay.cuts();
        relay.cut(cut, false);
        let done = store.write(move |tx| {
            seen.fetch_add(1, Ordering::SeqCst);
            bump(tx, "n")
        });
        done.expect("stored");
        assert_eq!(relay.cuts(), cuts + 1);
        assert_eq!(runs.load(Ordering::SeqCst), runs_needed, "{cut:?}");
        assert_eq!(bumped(&store, "n"), before + 1, "{cut:?}");
    }
}

#[test]
fn while_the_server_is_away_nothing_is_answered_as_stored() {
    let served = Served::shared();
    let database = served.database();
    let relay = Relay::to(served);
    let settings = relay
        .settings(&database)
        .patient_for(Duration::from_millis(300));
    let store = Store::open_server(&settings, Mode::Owner).expect("opens");
    for (cut, stored) in [(Cut::Before, 0), (Cut::After, 1)] {
        let before = bumped(&store, "n");
        relay.cut(cut, true);
        let done = store.write(|tx| bump(tx, "n"));
        assert!(matches!(done, Err(StoreError::Unsure { .. })), "{done:?}");
        // Known not to be stored: it was never begun.
        let done = store.write(|tx| bump(tx, "n"));
        assert!(matches!(done, Err(StoreError::Away { .. })), "{done:?}");
        let read = store.read(|view| meta::get(view, "n"));
        assert!(matches!(read, Err(StoreError::Away { .. })), "{read:?}");
        assert!(store.doubt().is_none());
        relay.let_through();
        assert_eq!(bumped(&store, "n"), before + stored);
        store.write(|tx| bump(tx, "n")).expect("goes on by itself");
        assert_eq!(bumped(&store, "n"), before + stored + 1);
    }
}

/// Each answer is counted by who got it, so one that is lost or doubled shows.
#[test]
fn a_server_that_crashes_under_load_keeps_what_was_answered() {
    let mut served = Served::begin(&["shared_preload_libraries="]);
    let database = served.database();
    let settings = served.settings(&database);
    let store = Store::open_server(&settings, Mode::Owner).expect("opens");
    let is_over = AtomicBool::new(false);
    let answered: Vec<i64> = std::thread::scope(|scope| {
        let writers = [0, 1, 2, 3].map(|n| {
            let (store, is_over) = (&store, &is_over);
            scope.spawn(move || {
                let mut answered = 0;
                while !is_over.load(Ordering::SeqCst) {
                    let name = format!("n{n}");
                    store
                        .write(move |tx| bump(tx, &name))
                        .expect("stored in the end");
                    answered += 1;
                }
                answered
            })
        });
        for _ in 0..3 {
            std::thread::sleep(Duration::from_millis(400));
            served.kill();
            std::thread::sleep(Duration::from_millis(200));
            served.begin_again();
            served.wait();
        }
        is_over.store(true, Ordering::SeqCst);
        writers
            .map(|writer| writer.join().expect("no panic"))
            .to_vec()
    });
    for (n, answered) in answered.into_iter().enumerate() {
        assert!(answered > 3, "{answered}");
        assert_eq!(bumped(&store, &format!("n{n}")), answered);
    }
}
