//! Results that an older version of the program left waiting for a destination.

use super::{Hook, list};
use crate::harness::{Site, fixture, until};
use flate2::read::GzDecoder;
use sheathline_store::bare::Bare;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Read;

/// The program was replaced while results of schema 1 waited: each arrives once, before what the new
/// program makes of the same exams.
#[test]
fn what_waited_under_schema_1_is_delivered_by_the_new_program() {
    let hook = Hook::new(|_| 200);
    let site = hook.site();
    let file = fs::File::open(fixture("store/shape-7.sqlite.gz")).expect("fixture");
    let mut bytes = Vec::new();
    GzDecoder::new(file).read_to_end(&mut bytes).expect("gzip");
    fs::write(site.path("store.sqlite"), bytes).expect("written");
    let waiting: BTreeSet<String> = {
        let store = Bare::open(&site.path("store.sqlite")).expect("opens");
        let sql = "select result.key || '-v' || result.version from delivery
                   join result on result.id = delivery.result_id where delivery.state = 'waiting'";
        store.column(sql).expect("asked").into_iter().collect()
    };
    assert!(!waiting.is_empty());
    let before = newest(&site);
    let daemon = site.serve();
    until("what waited", || {
        let took: BTreeSet<String> = hook.took().into_iter().collect();
        waiting.is_subset(&took)
    });
    until("nothing waits", || {
        list(&site, &["--state", "waiting"]).is_empty()
    });
    let took = hook.took();
    let different: BTreeSet<&String> = took.iter().collect();
    assert_eq!(took.len(), different.len(), "each once");
    assert_eq!(daemon.stop(), Some(0));
    // One version more where a reader sees something else, and none elsewhere.
    let after = newest(&site);
    let more = |(exam, version): (&String, &u32)| after.get(exam).map(|now| now - version);
    let more: Vec<Option<u32>> = before.iter().map(more).collect();
    assert!(more.contains(&Some(0)), "{more:?}");
    assert!(more.contains(&Some(1)), "{more:?}");
    assert!(more.iter().flatten().all(|more| *more <= 1), "{more:?}");
}

/// The number of the newest version of each exam in the store.
fn newest(site: &Site) -> BTreeMap<String, u32> {
    let store = Bare::open(&site.path("store.sqlite")).expect("opens");
    let sql = "select exam_id || ' ' || max(version) from result group by exam_id";
    let rows = store.column(sql).expect("asked").into_iter();
    rows.map(|row| {
        let (exam, version) = row.split_once(' ').expect("two words");
        (exam.to_owned(), version.parse().expect("a number"))
    })
    .collect()
}
