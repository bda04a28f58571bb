//! What comes from the history of an archive, beside what comes by itself.

use super::*;
use crate::known::{content_of, latest_results};
use crate::routes::destination::Taker;
use sheathline_model::results::{Content, Wanted};
use sheathline_store::deliveries::{self, Which};

/// An object that arrives: the case of the fixtures, and for history the days after which it is quiet.
type Arrival = (&'static str, Option<u32>);

/// The same report in two transfer syntaxes, of 2024-05-01.
const REPORT: &str = "tid1500";
const IMPLICIT: &str = "tid1500-implicit";
const OLD: Option<u32> = Some(30);
const LIVE: Option<u32> = None;
/// The exam is less than a hundred years old.
const CURRENT: Option<u32> = Some(36_500);

/// The newest result after these arrivals, with all work done between them, and how many deliveries.
fn after(arrivals: &[Arrival]) -> (Content, usize) {
    let temp = TempDir::new().unwrap();
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
    let rules = Rules::new(Templates::builtin().unwrap());
    let outbox = temp.path().join("outbox");
    let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default())
        .delivering_to(vec![Taker {
            name: "hook".to_owned(),
            wanted: Wanted::default(),
        }]);
    for (case, quiet) in arrivals {
        let object = Incoming::new(&report(case), None, "archive:old", "", Utc::now()).unwrap();
        arrives(&pipeline, object.quiet_after(*quiet));
    }
    let read = pipeline.store().read(|conn| {
        let newest = latest_results(conn, &patient())?.pop().expect("a result");
        let all = deliveries::list(conn, &Which::default())?;
        Ok((content_of(&newest)?, all.len()))
    });
    read.unwrap()
}

#[test]
fn history_is_marked_and_not_delivered_whatever_comes_again() {
    for arrivals in [
        vec![(REPORT, OLD)],
        vec![(REPORT, OLD), (REPORT, OLD)],
        vec![(REPORT, OLD), (IMPLICIT, OLD)],
    ] {
        let (content, deliveries) = after(&arrivals);
        assert!(content.exam.history_only, "{arrivals:?}");
        assert_eq!(deliveries, 0, "{arrivals:?}");
        let codes = content.remarks.iter().map(|remark| &*remark.code);
        assert_eq!(codes.filter(|code| *code == "history-only").count(), 1);
    }
}

#[test]
fn one_arrival_that_is_news_makes_the_exam_news_in_every_order() {
    let (alone, _) = after(&[(REPORT, LIVE)]);
    assert!(!alone.exam.history_only);
    for news in [(REPORT, LIVE), (IMPLICIT, LIVE), (IMPLICIT, CURRENT)] {
        let others = [(REPORT, OLD), (REPORT, OLD)];
        let mut contents = Vec::new();
        for place in 0..=others.len() {
            let mut arrivals = others.to_vec();
            arrivals.insert(place, news);
            let (content, deliveries) = after(&arrivals);
            assert!(!content.exam.history_only, "{arrivals:?}");
            // Once as what it is; not for the version that was history.
            assert_eq!(deliveries, 1, "{arrivals:?}");
            contents.push(content);
        }
        assert!(contents.windows(2).all(|two| two[0] == two[1]), "{news:?}");
    }
}

#[test]
fn a_current_exam_is_news_wherever_it_comes_from() {
    let (content, deliveries) = after(&[(REPORT, CURRENT)]);
    assert!(!content.exam.history_only);
    assert_eq!(deliveries, 1);
}
