//! Leaving early, and taking up what was left.

use super::*;
use crate::store::Mode;
use crate::store::objects::Incoming;
use crate::template::Templates;
use tempfile::TempDir;

#[test]
fn whoever_is_in_a_hurry_leaves_the_rest_for_the_next_time() {
    let temp = TempDir::new().unwrap();
    let path = temp.path().join("store.db");
    let open = || {
        let store = Store::open(&path, Mode::Owner).unwrap();
        let rules = Rules::new(Templates::builtin().unwrap());
        let beside = Beside {
            text: true,
            html: false,
            ..Beside::default()
        };
        let outbox = temp.path().join("outbox");
        Pipeline::new(store, rules, Site::default(), outbox, beside)
    };
    let pipeline = open();
    let report = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../fixtures/sr/tid1500/report.dcm"
    );
    let bytes = std::fs::read(report).unwrap();
    let object = Incoming::new(&bytes, None, "folder", "", Utc::now()).unwrap();
    pipeline
        .store()
        .write(move |tx| objects::keep(tx, &object))
        .unwrap();
    pipeline.hurry().store(true, Ordering::Relaxed);
    let done = pipeline.drain(Duration::ZERO, |_| {}).unwrap();
    assert_eq!(done, Progress::default());
    drop(pipeline);

    let done = open().drain(Duration::ZERO, |_| {}).unwrap();
    assert_eq!((done.read, done.assessed, done.published), (1, 1, 1));
}

mod dated;
mod history;
mod joined;
