//! Every statement on the way from a received object to its result, overheard at the connections
//! and asked for its plan: none may grow with the number of exams in the store.

use crate::pipeline::{Beside, Pipeline};
use crate::routes::destination::Taker;
use sheathline_model::reading::Rules;
use sheathline_model::results::{Site, Wanted};
use sheathline_model::template::Templates;
use sheathline_store::exam_lines::{self, Filter, Pages, Period};
use sheathline_store::objects::{self, Incoming};
use sheathline_store::overheard::{NAME, plans};
use sheathline_store::readings::gists;
use sheathline_store::{Mode, Store, deliveries, identity, results};
use std::time::Duration;

/// Plans that walk along an index of what waits, and stop after as many rows as were asked for.
const QUEUES: [&str; 3] = ["object_unread", "dirty_since", "result_unpublished"];

#[test]
fn no_statement_of_the_hot_path_walks_through_a_table() {
    let folder = tempfile::TempDir::new().expect("temp");
    let store = Store::open(&folder.path().join(NAME), Mode::Owner).expect("opens");
    let reports = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/sr");
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
        .delivering_to(vec![Taker {
            name: "archive".to_owned(),
            wanted: Wanted::default(),
        }]);
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
            let key = sheathline_model::domain::PatientKey {
                issuer: "LARKFELL CLINIC".to_owned(),
                id: "LC-1001".to_owned(),
            };
            results::beside(tx, one.result_id, &key)?;
            deliveries::asked(tx, "archive")?;
            deliveries::delivered(tx, one.id, chrono::Utc::now())
        });
        done.expect("noted");
    }

    let looked = pipeline.store().read(|conn| {
        let now = chrono::Utc::now();
        for period in [
            Period::All,
            Period::Came(now),
            Period::Done(Some(now.date_naive()), Some(now.date_naive())),
        ] {
            for operator in [None, Some("Invented^Sonographer".to_owned())] {
                let filter = Filter {
                    period,
                    operator,
                    device: Some("Lumen 4".to_owned()),
                    location: None,
                };
                exam_lines::today(conn, &filter, &Pages::first(9))?;
            }
        }
        exam_lines::choices(conn)?;
        exam_lines::with_accession(conn, "A-1")?;
        gists::wanted(conn)?;
        exam_lines::reminders_due(conn, now, 9)
    });
    looked.expect("looked");
    let key = sheathline_model::domain::PatientKey {
        issuer: "TARNHOLT".to_owned(),
        id: "SL-0042".to_owned(),
    };
    let renewed = pipeline.store().write(move |tx| {
        let person = identity::person(tx, &key)?;
        crate::lines::renew(tx, &person)
    });
    renewed.expect("renewed");

    let plans = plans(pipeline.store()).expect("plans");
    for index in [
        "exam_line_rise",
        "COVERING INDEX exam_line_uncompared_came",
        "COVERING INDEX exam_line_uncompared_done",
        "COVERING INDEX exam_line_unlabelled_came",
        "COVERING INDEX exam_line_unlabelled_done",
        "COVERING INDEX exam_line_operator",
        "COVERING INDEX exam_line_device",
        "COVERING INDEX exam_line_location",
        "exam_line_accession",
        "exam_line_patient",
    ] {
        let steps = plans.iter().flat_map(|(_, plan)| plan);
        let mut steps = steps.filter(|step| step.starts_with("SEARCH"));
        assert!(steps.any(|step| step.contains(index)), "{index}");
    }
    for (sql, plan) in &plans {
        let walks = plan
            .iter()
            // What a search before it found, bounded.
            .filter(|step| {
                let found = ["SCAN last", "SCAN (subquery", "SCAN counted"];
                !found.iter().any(|one| step.starts_with(one))
            })
            .any(|step| step.starts_with("SCAN"));
        let is_queue = plan
            .iter()
            .any(|step| QUEUES.iter().any(|index| step.contains(index)));
        // A person asks for all days: the list is counted along an index of its own, without its lines.
        let is_list = plan
            .iter()
            .any(|step| step.contains("COVERING INDEX exam_line_unlabelled_"));
        let is_sorted = plan.iter().any(|step| step.contains("TEMP B-TREE"));
        // Sorting the rows of one patient is no harm, sorting everybody who waits is.
        // The first row by number is where the walk begins.
        let is_first = ["order by id limit 1", "order by id desc limit 1"]
            .iter()
            .any(|end| sql.ends_with(end));
        assert!(
            !walks || is_list || ((is_queue || is_first) && !is_sorted),
            "{plan:?}\n{sql}"
        );
    }
    let heard = plans.len();
    assert!(heard >= 15, "only {heard} statements were heard");
}
