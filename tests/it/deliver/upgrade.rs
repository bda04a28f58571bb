//! Results that an older version of the program left waiting for a destination.

use super::{Hook, list};
use crate::harness::{fixture, until};
use flate2::read::GzDecoder;
use rusqlite::Connection;
use std::collections::BTreeSet;
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
        let store = Connection::open(site.path("store.sqlite")).expect("opens");
        let sql = "select result.key || '-v' || result.version from delivery
                   join result on result.id = delivery.result_id where delivery.state = 'waiting'";
        let mut statement = store.prepare(sql).expect("a question");
        let rows = statement.query_map([], |row| row.get(0)).expect("asked");
        rows.collect::<Result<_, _>>().expect("text")
    };
    assert!(!waiting.is_empty());
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
}
