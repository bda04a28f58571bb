use super::*;
use sheathline_model::domain::Source;
use sheathline_store::Mode;
use std::sync::Arc;

fn health(folder: &Path) -> Health {
    let store = Store::open(&folder.join("store.sqlite"), Mode::Owner).expect("a store");
    Health::new(&Config::default(), store, Observed::default())
}

/// What a watchdog may end: only what a new start mends.
#[tokio::test]
async fn a_receiver_or_a_pipeline_that_ended_is_dead() {
    let folder = tempfile::tempdir().expect("a folder");
    let health = health(folder.path());
    assert!(!health.is_dead(), "it is starting");
    let pipeline = Arc::new(());
    let endless = tokio::spawn(std::future::pending::<()>());
    health.serving(vec![endless.abort_handle()], Arc::downgrade(&pipeline));
    assert!(!health.is_dead());

    let ended = tokio::spawn(async {});
    let handle = ended.abort_handle();
    ended.await.expect("ended");
    health.serving(
        vec![endless.abort_handle(), handle],
        Arc::downgrade(&pipeline),
    );
    assert!(health.is_dead());
    assert!(health.reasons().contains(&Cause::ReceiverEnded.into()));

    health.serving(vec![endless.abort_handle()], Arc::downgrade(&pipeline));
    assert!(!health.is_dead());
    drop(pipeline);
    assert!(health.is_dead());
    assert!(health.reasons().contains(&Cause::PipelineEnded.into()));

    health.stopping();
    assert!(!health.is_dead(), "it was told to");
    endless.abort();
}

/// A change that holds the store holds everybody up; afterwards all is well by itself.
#[test]
fn a_store_that_one_change_holds_for_seconds_is_not_ready() {
    let folder = tempfile::tempdir().expect("a folder");
    let health = health(folder.path());
    let (free, held) = std::sync::mpsc::channel::<()>();
    let (begun, has_begun) = std::sync::mpsc::channel();
    let store = health.store.clone();
    let change = std::thread::spawn(move || {
        store.write(move |_| {
            begun.send(()).expect("a listener");
            let _ = held.recv();
            Ok(())
        })
    });
    has_begun.recv().expect("begun");
    assert!(
        !health.reasons().contains(&Cause::StoreBusy.into()),
        "it has only begun"
    );
    std::thread::sleep(BUSY_LIMIT + Duration::from_millis(100));
    assert!(health.reasons().contains(&Cause::StoreBusy.into()));
    free.send(()).expect("held");
    change.join().expect("no panic").expect("written");
    assert!(!health.reasons().contains(&Cause::StoreBusy.into()));
}

/// Whoever sends is answered from the spool, so its room counts, and not what the store says.
#[test]
fn a_spool_is_full_when_little_is_left_of_it() {
    use sha2::{Digest, Sha256};
    use sheathline_store::objects::Incoming;
    use sheathline_store::spool::Limits;
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(&folder.path().join("store.sqlite"), Mode::Owner).expect("a store");
    let limits = Limits {
        spare_bytes: 0,
        ..Limits::of_bytes(16 << 20)
    };
    let spool = Spool::open(&folder.path().join("spool.sqlite"), Mode::Owner, limits);
    let spool = spool.expect("a spool");
    let by = Reception::Spool {
        spool: spool.clone(),
        store: store.clone(),
    };
    let health = Health::new(&Config::default(), store, Observed::default()).receiving_by(&by);
    let is_full = || health.reasons().contains(&Cause::SpoolFull.into());
    assert!(!is_full());
    let noise = |n: u64| Sha256::digest(n.to_be_bytes());
    let bytes: Vec<u8> = (0..480_000).flat_map(noise).collect();
    let object = Incoming::new(&bytes, None, Source::Folder, "", Utc::now());
    spool
        .take(vec![object.expect("it packs")])
        .expect("there is room");
    assert!(is_full());
}
