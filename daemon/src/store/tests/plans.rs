//! Every statement on the way from a received object to its result, overheard at the connections
//! and asked for its plan: none may grow with the number of exams in the store.

use crate::pipeline::{Beside, Pipeline};
use crate::reading::Rules;
use crate::results::Site;
use crate::store::objects::{self, Incoming};
use crate::store::{Mode, Store, deliveries, results};
use crate::template::Templates;
use rusqlite::Connection;
use rusqlite::trace::{TraceEvent, TraceEventCodes};
use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Name of the one store that is listened to.
const NAME: &str = "overheard.db";

static HEARD: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());

/// Listens to a new connection, if it is one to the store of the test below.
pub(crate) fn overheard(mut conn: Connection) -> Connection {
    if conn.path().is_some_and(|path| path.ends_with(NAME)) {
        let hear = |event: TraceEvent<'_>| {
            if let TraceEvent::Stmt(_, sql) = event {
                let mut heard = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
                heard.insert(sql.to_owned());
            }
        };
        conn.trace_v2(TraceEventCodes::SQLITE_TRACE_STMT, Some(hear))
            .expect("listens");
    }
    conn
}

/// Plans that walk along an index of what waits, and stop after as many rows as were asked for.
const QUEUES: [&str; 3] = ["object_unread", "dirty_since", "result_unpublished"];

#[test]
fn no_statement_of_the_hot_path_walks_through_a_table() {
    let folder = tempfile::TempDir::new().expect("temp");
    let store = Store::open(&folder.path().join(NAME), Mode::Owner).expect("opens");
    let reports = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/sr");
    for case in [
        "tid1500",
        "amended-first",
        "amended-second",
        "truncated",
        "tid1500",
    ] {
        let bytes = std::fs::read(reports.join(case).join("report.dcm")).expect("fixture");
        let one = Incoming::new(&bytes, None, "folder", "", chrono::Utc::now()).expect("packed");
        store
            .write(move |tx| objects::keep(tx, &one))
            .expect("kept");
    }
    let beside = Beside {
        text: true,
        html: true,
        ..Beside::default()
    };
    let rules = Rules::new(Templates::load(&[], &[]).expect("built in"));
    let outbox = folder.path().join("outbox");
    let pipeline = Pipeline::new(store, rules, Site::default(), outbox, beside)
        .keeping_bodies(1)
        .delivering_to(vec!["archive".to_owned()]);
    let done = pipeline.drain(Duration::ZERO, |_| {}).expect("drained");
    assert!(done.published > 0);
    pipeline.drop_some_bodies().expect("looked");
    let hour = Duration::from_secs(3600);
    let next = |store: &Store| {
        let now = chrono::Utc::now();
        store.read(|conn| deliveries::next(conn, "archive", now, hour))
    };
    while let deliveries::Next::Due(one) = next(pipeline.store()).expect("looked") {
        let done = pipeline.store().write(move |tx| {
            let key = crate::domain::PatientKey {
                issuer: "LARKFELL CLINIC".to_owned(),
                id: "LC-1001".to_owned(),
            };
            results::beside(tx, one.result_id, &key)?;
            deliveries::asked(tx, "archive")?;
            deliveries::delivered(tx, one.id, chrono::Utc::now())
        });
        done.expect("noted");
    }

    let heard = HEARD.lock().expect("heard").clone();
    let store = pipeline.store();
    let mut asked = 0;
    for sql in heard {
        let sql = sql.trim();
        let word = sql
            .split_whitespace()
            .next()
            .unwrap_or_default()
            .to_lowercase();
        // The tables are made once; transactions and settings have no plan.
        let is_data = ["select", "insert", "update", "delete", "with"].contains(&word.as_str());
        if !is_data || sql.contains("sqlite_schema") {
            continue;
        }
        asked += 1;
        let plan: Vec<String> = store
            .read(|conn| {
                let mut statement = conn.prepare(&format!("explain query plan {sql}"))?;
                // Parameters without a value count as null; the plan is the same.
                let mut rows = statement.raw_query();
                let mut plan = Vec::new();
                while let Some(row) = rows.next()? {
                    plan.push(row.get(3)?);
                }
                Ok(plan)
            })
            .expect("a plan");
        let walks = plan
            .iter()
            .any(|step| step.starts_with("SCAN") && !step.starts_with("SCAN last"));
        let is_queue = plan
            .iter()
            .any(|step| QUEUES.iter().any(|index| step.contains(index)));
        let is_sorted = plan.iter().any(|step| step.contains("TEMP B-TREE"));
        // Sorting the rows of one patient is no harm, sorting everybody who waits is.
        // The first row by number is where the walk begins.
        let is_first = ["order by id limit 1", "order by id desc limit 1"]
            .iter()
            .any(|end| sql.ends_with(end));
        assert!(
            !walks || ((is_queue || is_first) && !is_sorted),
            "{plan:?}\n{sql}"
        );
    }
    assert!(asked >= 15, "only {asked} statements were heard");
}
