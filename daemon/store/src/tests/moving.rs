//! A store moved from one file to another, cut off anywhere and gone on with.

use crate::bare::Bare;
use crate::error::{Kind, Refusal};
use crate::moving::tables::{self, MOVED, STAYING};
use crate::moving::{self, Measured, MoveError, Told};
use crate::postgres::served::Served;
use crate::session::{Session, Step, Value, values};
use crate::sqlite::schema::STORE;
use crate::tests::between::hands_on;
use crate::verify::Looker;
use crate::{Marks, Mode, Store, StoreError, copy, meta, objects};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use tempfile::TempDir;

/// Something in every table: bytes, texts of every kind, numbers with holes, nothing.
pub(super) fn fill(store: &Store) {
    let filled = store.write(|tx| {
        let nought = "x\0\u{1}ö\u{10FFFF}";
        meta::set(tx, "spread_statement", nought)?;
        for id in [7_i64, 900] {
            let bytes = id.to_le_bytes();
            tx.execute("insert into gist (id, hash, content) values (?1, ?2, ?3)", values![id, bytes, nought])?;
            tx.execute(
                "insert into object (id, body, body_bytes, body_sha256, source, default_issuer,
                     received_at, state, patient_issuer, patient_id, reading, gist)
                 values (?1, ?2, 8, ?2, 'folder', '', '2026-03-01T08:00:00.000000Z', 'read', '', ?3, '{}', ?1)",
                values![id, bytes, nought],
            )?;
            tx.execute(
                "insert into object_blocking (object_id, code) values (?1, ?2)",
                values![id, nought],
            )?;
            tx.execute(
                "insert into result (id, exam_id, version, key, content, why, created_at, patient_issuer, patient_id)
                 values (?1, ?2, 1, 'k', '', '', 't', '', ?2)",
                values![id, format!("e{id}{nought}")],
            )?;
            tx.execute(
                "insert into delivery (id, destination, result_id, since) values (?1, 'd', ?1, 't')",
                [id],
            )?;
            tx.execute(
                "insert into reading_change (id, object_id, version) values (?1, ?1, 1)",
                [id],
            )?;
            let name = format!("{id}{nought}");
            tx.execute("insert into archived (sop_instance_uid, object_id) values (?1, ?2)", values![name, id])?;
            tx.execute("insert into archive_day (archive, day, finished_at) values (?1, 'd', 't')", [&name])?;
            tx.execute(
                "insert into dirty (patient_issuer, patient_id, since, mark) values (?1, ?1, 't', 2)",
                [&name],
            )?;
            tx.execute(
                "insert into id_statement (id, act, from_issuer, from_id, into_issuer, into_id, stated_at,
                     recorded_at, source, message, who, why)
                 values (?1, 'merge', '', ?2, 'b', 'c', 't', 't', 's', '', '', '')",
                values![id, name],
            )?;
            tx.execute(
                "insert into entry (id, act, patient_issuer, patient_id, kind, value, recorded_at, author,
                     author_kind, entered_by, source, reason)
                 values (?1, 1, '', ?2, 'label', 'well', 't', '', 'unknown', '', 'demo', '')",
                values![id, name],
            )?;
            tx.execute(
                "insert into account (name, roles, password, created_at) values (?1, '[]', '', 't')",
                [&name],
            )?;
            tx.execute(
                "insert into web_session (hash, account, content, ends_at) values (?1, 'a', '', 't')",
                values![bytes],
            )?;
            tx.execute(
                "insert into deed (id, recorded_at, account, roles, address, action)
                 values (?1, 't', 'a', '[]', '', 'x')",
                [id],
            )?;
            tx.execute(
                "insert into measurement_draft (id, account, saved_at, content) values (?1, 'a', 't', '')",
                [id],
            )?;
            tx.execute(
                "insert into bringing (number, recorded_at, author, author_kind, entered_by, reason,
                     file_name, file_sha256, rows) values (?1, 't', '', 'unknown', '', '', '', ?2, 1)",
                values![id, bytes],
            )?;
            tx.execute(
                "insert into brought (bringing, line, sop_instance_uid) values (?1, -1, ?2)",
                values![id, name],
            )?;
            tx.execute(
                "insert into exam_line (exam_id, patient_issuer, patient_id, version, performed_at, first_at,
                     status, flagged, history_only, unlabelled, line)
                 values (?1, '', '', 1, 't', 't', '', 0, 0, 1, '')",
                [&name],
            )?;
        }
        Ok(())
    });
    filled.expect("filled");
}

struct Two {
    folder: TempDir,
}

impl Two {
    fn new() -> Two {
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new());
        let two = Two {
            folder: folder.expect("a folder"),
        };
        let store = Store::open(&two.path("a.db"), Mode::Owner).expect("opens");
        fill(&store);
        two
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn ours(&self, name: &str) -> Store {
        Store::open_to_move_into(&self.path(name)).expect("opens to be moved")
    }

    fn go(&self, from: &str, to: &str) -> Result<Vec<Measured>, MoveError> {
        moving::run(&self.ours(from), &self.ours(to), |_| ())
    }

    fn measured(&self, name: &str) -> Vec<Measured> {
        moving::measure(&self.ours(name)).expect("measured")
    }
}

/// Whatever is added to the shape and forgotten here would be lost on the way.
#[test]
fn every_table_and_column_of_the_shape_is_listed() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    drop(Store::open(&path, Mode::Owner).expect("opens"));
    let file = Bare::open(&path).expect("plain open");
    assert_eq!(told(&file), listed());
    // A list that lacks one is found.
    file.change("alter table meta add column more text")
        .expect("altered");
    assert_ne!(told(&file), listed());
}

/// Table, column, kind, place in the key from 1.
fn told(file: &Bare) -> Vec<String> {
    let staying: Vec<String> = STAYING
        .iter()
        .map(|(name, _)| format!("'{name}'"))
        .collect();
    let sql = format!(
        "select t.name || ' ' || c.name || ' ' || c.type || ' ' || c.pk
         from pragma_table_list t, pragma_table_info(t.name) c
         where t.type = 'table' and t.name not like 'sqlite_%' and t.name not in ({})
         order by t.name, c.cid",
        staying.join(", ")
    );
    file.column(&sql).expect("told")
}

#[test]
fn every_table_and_column_of_a_server_is_listed() {
    let served = Served::shared();
    let store = Store::open_server(&served.settings(&served.database()), Mode::Owner);
    let store = store.expect("opens");
    let staying: Vec<String> = STAYING
        .iter()
        .map(|(name, _)| format!("'{name}'"))
        .collect();
    let sql = format!(
        "select cast(c.table_name as text), cast(c.column_name as text), cast(c.data_type as text),
                coalesce(cast(k.ordinal_position as bigint), 0)
         from information_schema.columns c
         left join information_schema.table_constraints t
             on t.table_name = c.table_name and t.table_schema = c.table_schema
                and t.constraint_type = 'PRIMARY KEY'
         left join information_schema.key_column_usage k
             on k.constraint_name = t.constraint_name and k.table_schema = c.table_schema
                and k.column_name = c.column_name
         where c.table_schema = current_schema() and c.table_name not in ({})
         order by cast(c.table_name as text) collate \"C\", c.ordinal_position",
        staying.join(", ")
    );
    let told = store.read(|view| {
        view.prepare(&*sql).all((), |row| {
            let kind = match row.get::<String>(2)?.as_str() {
                "bigint" => "INTEGER",
                "text" => "TEXT",
                "bytea" => "BLOB",
                _ => "unknown",
            };
            let (table, column): (String, String) = (row.get(0)?, row.get(1)?);
            Ok(format!("{table} {column} {kind} {}", row.get::<i64>(3)?))
        })
    });
    let sorted = |mut all: Vec<String>| {
        all.sort();
        all
    };
    assert_eq!(sorted(told.expect("told")), sorted(listed()));
}

/// From a file to a server, cut off on the way, and from there to another file: the same at every place, and
/// numbers go on.
#[test]
fn a_store_moves_to_a_server_and_back() {
    let two = Two::new();
    let before = two.measured("a.db");
    let served = Served::shared();
    let settings = served.settings(&served.database());
    let into = || Store::open_server_to_move_into(&settings).expect("opens to be moved");
    for number in [12, 25, 60] {
        let left = Arc::new(AtomicI64::new(number));
        let through = move |inner| {
            let left = Arc::clone(&left);
            Box::new(Dying { inner, left }) as Box<dyn Session>
        };
        let dying = Store::open_server_marked(&settings, Mode::Owner, Marks::Ours, through);
        let cut = moving::run(&two.ours("a.db"), &dying.expect("opens"), |_| ());
        assert!(cut.is_err(), "cut at {number}");
        let refused = Store::open_server(&settings, Mode::Owner);
        assert!(
            matches!(refused, Err(StoreError::Coming { .. })),
            "cut at {number}: {refused:?}"
        );
        Store::open(&two.path("a.db"), Mode::Owner).expect("still the store");
    }
    let moved = moving::run(&two.ours("a.db"), &into(), |_| ()).expect("moved");
    assert_eq!(moved, before);
    assert!(matches!(
        Store::open(&two.path("a.db"), Mode::Owner),
        Err(StoreError::Moved { .. })
    ));
    let store = Store::open_server(&settings, Mode::Owner).expect("a store");
    let next = super::keep(&store, b"new").expect("kept");
    assert_eq!(next, objects::Kept::New(objects::ObjectId(901)));
    drop(store);
    let from = Store::open_server_to_move_from(&settings).expect("opens to be moved");
    let back = moving::run(&from, &two.ours("c.db"), |_| ()).expect("moved back");
    assert_eq!(moving::measure(&from).expect("measured"), back);
    drop(from);
    assert_eq!(two.measured("c.db"), back);
    assert_ne!(back, before);
    let gone = Store::open_server(&settings, Mode::Guest).expect_err("went");
    assert!(
        matches!(&gone, StoreError::Moved { to, .. } if to.ends_with("c.db")),
        "{gone}"
    );
    let file = Store::open(&two.path("c.db"), Mode::Owner).expect("a store");
    let next = super::keep(&file, b"newer").expect("kept");
    assert_eq!(next, objects::Kept::New(objects::ObjectId(902)));
    let none = Store::open_server_to_move_from(&served.settings(&served.database()));
    assert!(matches!(none, Err(StoreError::Missing { .. })), "{none:?}");
}

/// A command, or a daemon that stood still, opened the store before it went, and writes after it: what it
/// says would be at the place that was left, where nobody looks again.
#[test]
fn whoever_opened_a_store_before_it_went_writes_nothing_into_it() {
    let two = Two::new();
    let file = two.path("a.db");
    let guest = Store::open(&file, Mode::Guest).expect("opens");
    super::keep(&guest, b"before").expect("kept");
    let served = Served::shared();
    let settings = served.settings(&served.database());
    let into = Store::open_server_to_move_into(&settings).expect("opens to be moved");
    // Beside a store that is being filled, too.
    let early = Store::open_server_marked(&settings, Mode::Guest, Marks::Ours, |session| session);
    let early = early.expect("opens");
    moving::run(&two.ours("a.db"), &into, |_| ()).expect("moved");
    drop(into);
    let late = super::keep(&guest, b"late").expect_err("went");
    assert!(
        matches!(&late, StoreError::Moved { to, .. } if to.contains("test_")),
        "{late}"
    );
    super::keep(&early, b"here").expect("whole now");

    // The same from a server: a command, and a member whose time was over.
    let member = Store::open_server(&settings, Mode::Member).expect("opens");
    let membership = member.join("one", "one").expect("joined");
    super::keep(&member, b"of a member").expect("kept");
    let lapse = membership.clone();
    member
        .write(move |tx| crate::members::let_lapse(tx, &lapse))
        .expect("lapsed");
    let from = Store::open_server_to_move_from(&settings).expect("opens to be moved");
    moving::run(&from, &two.ours("b.db"), |_| ()).expect("moved");
    drop(from);
    for (who, store) in [("a command", &early), ("a member", &member)] {
        let late = super::keep(store, who.as_bytes()).expect_err("went");
        assert!(
            matches!(&late, StoreError::Moved { to, .. } if to.ends_with("b.db")),
            "{who}: {late}"
        );
    }
    let late = member.join("one", "one").expect_err("went");
    assert!(matches!(&late, StoreError::Moved { .. }), "{late}");
    let counted = |store: &Store| {
        let count = store.read(|view| {
            view.prepare("select count(*) from object")
                .one((), |row| row.get::<i64>(0))
        });
        count.expect("counted")
    };
    assert_eq!(counted(&early), counted(&two.ours("b.db")));
}

fn listed() -> Vec<String> {
    let mut all: Vec<&tables::Table> = MOVED.iter().collect();
    all.sort_by_key(|table| table.name);
    let lines = all.iter().flat_map(|table| {
        table.columns.iter().map(|column| {
            let kind = match column.kind {
                tables::Kind::Number => "INTEGER",
                tables::Kind::Text => "TEXT",
                tables::Kind::Bytes => "BLOB",
            };
            let place = table.key.iter().position(|name| *name == column.name);
            let place = place.map_or(0, |place| place + 1);
            format!("{} {} {kind} {place}", table.name, column.name)
        })
    });
    lines.collect()
}

#[test]
fn a_moved_store_is_the_same_and_goes_on_with_its_numbers() {
    let two = Two::new();
    let before = two.measured("a.db");
    assert!(before.iter().all(|table| table.rows >= 1), "{before:?}");
    assert_eq!(two.go("a.db", "b.db").expect("moved"), before);
    assert_eq!(two.measured("b.db"), before);
    let moved = Store::open(&two.path("b.db"), Mode::Owner).expect("a store");
    let next = super::keep(&moved, b"new").expect("kept");
    assert_eq!(next, objects::Kept::New(objects::ObjectId(901)));
    drop(moved);
    for mode in [Mode::Owner, Mode::Guest] {
        let gone = Store::open(&two.path("a.db"), mode).expect_err("went");
        assert!(
            matches!(&gone, StoreError::Moved { to, .. } if to.ends_with("b.db")),
            "{gone}"
        );
    }
    // What went is a record still; put back on purpose it is a store.
    Looker::open(&two.path("a.db")).expect("can be looked at");
    let back = two.path("back.db");
    // Its bodies are no objects of anybody, so no copy of it passes its check.
    let restored = copy::restore(&two.path("a.db"), &back, false).expect("looked at");
    assert!(!restored.verified.damages.is_empty());
    let again = two.go("a.db", "c.db").expect_err("went already");
    assert!(
        matches!(again, MoveError::Store(StoreError::Moved { .. })),
        "{again}"
    );
    // And on from there.
    let after = two.measured("b.db");
    assert_eq!(two.go("b.db", "d.db").expect("moved"), after);
}

#[test]
fn a_place_that_holds_something_is_not_moved_to() {
    let two = Two::new();
    super::keep(&two.ours("b.db"), b"one").expect("kept");
    let taken = two.go("a.db", "b.db").expect_err("taken");
    assert!(
        matches!(&taken, MoveError::Taken { what, .. } if what.ends_with("object")),
        "{taken}"
    );
    Store::open(&two.path("a.db"), Mode::Owner).expect("still the store");
    Store::open(&two.path("b.db"), Mode::Owner).expect("a store of its own");
    let none = Store::open_to_move_from(&two.path("none.db")).expect_err("nothing to be moved");
    assert!(matches!(none, StoreError::Missing { .. }), "{none}");
    assert!(!two.path("none.db").exists());
    // Nor to what is half moved from elsewhere.
    let cut = cut_after(&two, "c.db", 3);
    assert!(cut.is_err());
    let other = Two::new();
    let half = moving::run(&other.ours("a.db"), &two.ours("c.db"), |_| ()).expect_err("another's");
    assert!(matches!(half, MoveError::Taken { .. }), "{half}");
}

#[test]
fn a_change_meanwhile_is_found_and_the_move_begins_anew() {
    let two = Two::new();
    let from = two.ours("a.db");
    let mut steps = 0;
    let changed = moving::run(&from, &two.ours("b.db"), |_| {
        steps += 1;
        if steps == 4 {
            super::keep(&from, b"meanwhile").expect("kept");
        }
    });
    assert!(
        matches!(changed, Err(MoveError::Changed { .. })),
        "{changed:?}"
    );
    drop(from);
    let refused = Store::open(&two.path("b.db"), Mode::Owner).expect_err("not whole");
    assert!(
        matches!(&refused, StoreError::Coming { from, .. } if from.ends_with("a.db")),
        "{refused}"
    );
    assert!(Looker::open(&two.path("b.db")).is_err());
    assert!(copy::back_up(&two.path("b.db"), &two.path("copy")).is_err());
    assert!(copy::restore(&two.path("b.db"), &two.path("c.db"), false).is_err());
    let mut anew = false;
    let all = moving::run(&two.ours("a.db"), &two.ours("b.db"), |told| {
        anew |= told == Told::Anew;
    });
    assert!(anew);
    assert_eq!(two.measured("b.db"), all.expect("moved"));
    Store::open(&two.path("b.db"), Mode::Owner).expect("a store");
}

#[test]
fn what_came_otherwise_is_found_and_begun_anew() {
    let two = Two::new();
    let mut is_done = false;
    let to = two.ours("b.db");
    let different = moving::run(&two.ours("a.db"), &to, |told| {
        if matches!(
            told,
            Told::Copied {
                table: "exam_line",
                ..
            }
        ) && !is_done
        {
            is_done = true;
            let change =
                |sql: &'static str| to.write(move |tx| tx.execute(sql, ())).expect("changed");
            change("update object set received_at = received_at || ' ' where id = 7");
            change("delete from archive_day where archive like '7%'");
        }
    });
    let Err(MoveError::Different { tables, .. }) = &different else {
        panic!("{different:?}");
    };
    assert_eq!(tables, "object, archive_day");
    drop(to);
    assert!(matches!(
        Store::open(&two.path("b.db"), Mode::Owner),
        Err(StoreError::Coming { .. })
    ));
    Store::open(&two.path("a.db"), Mode::Owner).expect("still the store");
    let moved = two.go("a.db", "b.db").expect("moved");
    assert_eq!(two.measured("b.db"), moved);
}

/// Cut off at every third statement that changes anything at either end, and before and after every commit; then
/// gone on with. At no time both open as a store, and in the end one does, whole.
#[test]
fn cut_off_anywhere_it_goes_on_and_ends_the_same() {
    let whole = Two::new();
    let expected = whole.go("a.db", "b.db").expect("moved");
    let mut cuts = 0;
    for number in (1..).step_by(3) {
        let two = Two::new();
        let done = cut_after(&two, "b.db", number);
        let is_cut = done.is_err();
        let opens = ["a.db", "b.db"].map(|name| holds_something(&two.path(name)));
        assert_ne!(opens, [true, true], "cut at {number}");
        match two.go("a.db", "b.db") {
            Ok(all) => assert_eq!(all, expected, "cut at {number}"),
            // The very last step was done.
            Err(MoveError::Store(StoreError::Moved { .. })) => assert_eq!(opens, [false, true]),
            Err(error) => panic!("cut at {number}: {error}"),
        }
        assert_eq!(two.measured("b.db"), expected, "cut at {number}");
        Store::open(&two.path("b.db"), Mode::Owner).expect("a store");
        assert!(Store::open(&two.path("a.db"), Mode::Owner).is_err());
        if !is_cut {
            break;
        }
        cuts += 1;
    }
    assert!(cuts > 35, "{cuts}");
}

/// Whether a store opens and is more than an empty one.
fn holds_something(path: &Path) -> bool {
    let there = Store::open(path, Mode::Guest).and_then(|store| moving::measure(&store));
    there.is_ok_and(|all| all.iter().any(|table| table.rows > 0))
}

/// A move of which both databases do nothing any more after so many statements.
fn cut_after(two: &Two, to: &str, number: i64) -> Result<Vec<Measured>, MoveError> {
    let left = Arc::new(AtomicI64::new(number));
    let open = |name: &str, left: &Arc<AtomicI64>| -> Store {
        let left = Arc::clone(left);
        let through = move |inner| {
            let left = Arc::clone(&left);
            Box::new(Dying { inner, left }) as Box<dyn Session>
        };
        let path: &Path = &two.path(name);
        Store::open_file(path, &STORE, Mode::Owner, Marks::Ours, through).expect("opens")
    };
    let (from, to) = (open("a.db", &left), open(to, &left));
    let done = moving::run(&from, &to, |_| ());
    drop((from, to));
    // A doubt is of the planted end, not of the files.
    for name in ["a.db.doubt", "b.db.doubt", "c.db.doubt"] {
        let _ = std::fs::remove_file(two.path(name));
    }
    done
}

/// A session that ends after so many statements, before one or after a commit.
#[derive(Debug)]
struct Dying {
    inner: Box<dyn Session>,
    left: Arc<AtomicI64>,
}

impl Dying {
    fn live(&self) -> Result<(), StoreError> {
        if self.left.fetch_sub(1, Ordering::SeqCst) > 0 {
            Ok(())
        } else {
            let why = "planted: the end".to_owned();
            Err(StoreError::Refused(Refusal::new(Kind::Disk, why)))
        }
    }
}

impl Session for Dying {
    hands_on!(ask tell run now rest);

    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError> {
        self.live()?;
        self.inner.change(sql, values)
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        if step == Step::Commit {
            self.live()?;
            self.inner.step(step)?;
            return self.live();
        }
        self.inner.step(step)
    }
}
