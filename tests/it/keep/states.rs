//! The list of states beside the store against the schema and the names in the code.

use super::{column, plain};
use crate::harness::{Site, fixture};
use sheathline_store::{Mode, Store};
use std::fs;

#[test]
fn every_state_on_disk_is_in_the_table() {
    let text = fs::read_to_string(fixture("../daemon/store/README.md")).expect("read");
    let (_, table) = text.split_once("## States on disk").expect("a section");
    let site = Site::new();
    drop(Store::open(&site.path("store.sqlite"), Mode::Owner).expect("made"));
    let mut named = column(
        &plain(&site),
        "select name from sqlite_schema where type = 'table'",
    );
    // Columns whose words are states, as the schema lists them.
    for sql in column(
        &plain(&site),
        "select sql from sqlite_schema where name = 'object'",
    ) {
        for of in ["state in (", "missing in ("] {
            let (_, words) = sql.split_once(of).expect("a list of words");
            let (words, _) = words.split_once(')').expect("its end");
            named.extend(
                words
                    .split(',')
                    .map(|word| word.trim().trim_matches('\'').to_owned()),
            );
        }
    }
    // Columns that say by being empty or not what is still to be done.
    let columns =
        "select name from pragma_table_info('result') where name like '%ed_at' and not \"notnull\"";
    named.extend(column(&plain(&site), columns));
    assert!(named.len() >= 12, "{named:?}");
    for name in named {
        assert!(
            table.contains(&format!("`{name}`")),
            "{name} is not in the table"
        );
    }
    // Names of files that may be left lying.
    let code = [
        "store/src/lock.rs",
        "store/src/lib.rs",
        "store/src/place.rs",
        "store/src/copy.rs",
        "store/src/place.rs",
        "app/src/outbox.rs",
        "app/src/receive/folder/scan.rs",
        "app/src/receive/folder/file.rs",
        "app/src/receive/folder/held.rs",
    ]
    .map(|file| fs::read_to_string(fixture("../daemon").join(file)).expect("read"))
    .concat();
    for name in [
        ".lock",
        ".doubt",
        "-wal",
        "-shm",
        ".partial-",
        ".partial",
        ".before-restore-",
        ".sheathline-going",
        ".sheathline-coming",
        ".reason.txt",
    ] {
        assert!(table.contains(name), "{name} is not in the table");
        assert!(code.contains(name), "{name} is not in the code any more");
    }
}
