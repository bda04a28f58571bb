//! An exam dated after it was received, from the store on.

use super::*;
use crate::known::{content_of, latest_results};
use sheathline_model::results::Content;

/// The result of a report of 2024-05-01 after these arrivals: the case, and when it was received.
fn after(arrivals: &[(&str, &str)]) -> Content {
    let temp = TempDir::new().unwrap();
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
    let rules = Rules::new(Templates::builtin().unwrap());
    let outbox = temp.path().join("outbox");
    let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default());
    for (case, received) in arrivals {
        let received = received.parse().unwrap();
        let object = Incoming::new(&report(case), None, "folder", "", received).unwrap();
        arrives(&pipeline, object);
    }
    let newest = pipeline
        .store()
        .read(|conn| latest_results(conn, &patient()));
    content_of(&newest.unwrap().pop().expect("a result")).unwrap()
}

/// The first arrival counts, whatever is sent again later in which transfer syntax.
#[test]
fn the_first_arrival_tells_whether_a_date_can_be_right() {
    let (before, day) = ("2024-04-28T09:00:00Z", "2024-05-01T11:00:00Z");
    let (same, other) = ("tid1500", "tid1500-implicit");
    for (arrivals, doubted) in [
        (vec![(same, day)], false),
        (vec![(same, before)], true),
        (vec![(same, before), (same, day)], true),
        (vec![(same, before), (other, day)], true),
        (vec![(same, day), (other, before)], true),
    ] {
        assert_eq!(after(&arrivals).is_date_doubted(), doubted, "{arrivals:?}");
    }
}
