//! Stopping, and starting after an end that was none in order.

use super::harness::{Site, program, tool, until};
use super::objects::Report;
use std::fs::File;

#[test]
fn a_signal_right_after_listening_is_a_stop_in_order() {
    for _ in 0..10 {
        assert_eq!(Site::new().serve().stop(), Some(0));
    }
}

#[test]
fn a_lock_left_by_a_kill_holds_nobody_up() {
    let site = Site::new();
    site.serve().kill();
    assert_eq!(site.serve().stop(), Some(0));
}

/// /dev/full answers every write with ENOSPC (full(4)).
#[test]
fn a_log_on_a_full_disk_stops_nothing() {
    let site = Site::new();
    let full = || File::options().write(true).open("/dev/full").expect("full");
    let mut daemon = program()
        .arg("serve")
        .arg("--config")
        .arg(site.config())
        .stdout(full())
        .stderr(full())
        .spawn()
        .expect("starts");
    Report::numbered(1).write(&site.path("drop"));
    until("the result", || {
        // It ends by itself if the log matters to it.
        let ended = daemon.try_wait().expect("a state");
        assert_eq!(ended, None, "ended without its log");
        site.path("outbox").exists() && site.results().len() == 1
    });
    let told = tool("kill").arg(daemon.id().to_string()).status();
    assert!(told.expect("kill").success());
    assert_eq!(daemon.wait().expect("ended").code(), Some(0));
}
