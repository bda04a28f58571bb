//! Leaving early, and taking up what was left.

use super::filing::file;
use super::*;
use sheathline_model::domain::{ObjectReading, Source};
use sheathline_model::template::Templates;
use sheathline_store::objects::Incoming;
use sheathline_store::{Mode, Tx};
use tempfile::TempDir;

/// The bytes of a case of the fixtures.
fn report(case: &str) -> Vec<u8> {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/sr");
    std::fs::read(format!("{root}/{case}/report.dcm")).unwrap()
}

/// The patient of `tid1500` and its like.
fn patient() -> PatientKey {
    PatientKey {
        issuer: "TARNHOLT".to_owned(),
        id: "SL-0042".to_owned(),
    }
}

/// An object arrives, and all work is done that there is.
fn arrives(pipeline: &Pipeline, object: Incoming) {
    let kept = pipeline.store().write(move |tx| objects::keep(tx, &object));
    kept.unwrap();
    pipeline.drain(Duration::ZERO, |_| {}).unwrap();
}

/// Keeps an object and files what was read of it; a repeat has nothing filed.
fn keep_as_read(tx: &Tx, object: &Incoming, read: &ObjectReading) -> Result<(), StoreError> {
    match objects::keep(tx, object)? {
        objects::Kept::New(id) => file(tx, id, &Source::Folder, read, None).map(drop),
        objects::Kept::Repeat(_) => Ok(()),
    }
}

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
    let object = Incoming::new(&report("tid1500"), None, "folder", "", Utc::now()).unwrap();
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
mod namesakes;
mod order;
mod plans;
mod sessions;
mod several;
mod work;
