use super::*;
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
