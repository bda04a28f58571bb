//! An outbox that cannot be written: not ready, told once, and ready again.

use super::{LISTEN, endpoint, get, reasons, samples};
use crate::harness::{Daemon, Site, program, until};
use crate::objects::Report;
use serde_json::Value;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::process::Command;
use std::time::Duration;

const UNWRITABLE: &str = "outbox-unwritable";

fn lines(daemon: &Daemon, code: &str) -> usize {
    let log = daemon.log();
    let of = log.iter().filter(|line| line["fields"]["code"] == code);
    of.count()
}

/// Why it is not ready, in words.
fn words(to: std::net::SocketAddr) -> String {
    let body: Value = serde_json::from_str(&get(to, "/readyz").1).expect("JSON");
    body["reasons"][0]["what"]
        .as_str()
        .expect("words")
        .to_owned()
}

#[test]
fn an_outbox_that_is_gone_makes_it_not_ready_until_it_is_back() {
    let site = Site::with(LISTEN);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("ready", || reasons(to).0 == 200);
    let (outbox, away) = (site.path("outbox"), site.path("away"));
    fs::rename(&outbox, &away).expect("renamed");
    // At once, although nothing waits to be written.
    assert_eq!(reasons(to), (503, vec![UNWRITABLE.to_owned()]));
    assert!(words(to).contains("missing"), "{}", words(to));
    for n in 0..3 {
        Report::numbered(n).write(&site.path("drop"));
    }
    let waiting = "sheathline_queue_waiting{stage=\"publish\"}";
    until("results that wait", || samples(to)[waiting] == 3.0);
    until("its line", || lines(&daemon, UNWRITABLE) > 0);
    // Several tries, one line.
    std::thread::sleep(Duration::from_secs(5));
    assert_eq!(lines(&daemon, UNWRITABLE), 1, "{:?}", daemon.log());
    assert_eq!(lines(&daemon, "pipeline-failed"), 0);
    assert!(!outbox.exists(), "what nobody reads is no outbox");
    assert_eq!(get(to, "/livez").0, 200);
    let status = site.run("status", &["--json"]);
    let status: Value = serde_json::from_slice(&status.stdout).expect("JSON");
    assert!(status["outbox_unwritable"]["since"].is_string(), "{status}");

    fs::rename(&away, &outbox).expect("renamed");
    until("ready again", || reasons(to).0 == 200);
    until("the results", || site.results().len() == 3);
    assert_eq!(lines(&daemon, "outbox-writable"), 1);
    let status = site.json("status", &["--json"]);
    assert_eq!(status[0]["outbox_unwritable"], Value::Null);
    // Another time is another line.
    fs::remove_dir_all(&outbox).expect("removed");
    fs::write(&outbox, b"").expect("written");
    until("the second line", || lines(&daemon, UNWRITABLE) == 2);
    assert!(words(to).contains("no folder"), "{}", words(to));
    assert_eq!(daemon.stop(), Some(0));
}

/// Permissions hold root up nowhere, so root tries it as nobody.
#[test]
fn an_outbox_that_may_not_be_written_is_told_from_the_start() {
    let site = Site::with(LISTEN);
    let mut command = program();
    fs::create_dir(site.path("outbox")).expect("made");
    fs::set_permissions(site.path("outbox"), Permissions::from_mode(0o555)).expect("set");
    if rustix::process::geteuid().is_root() {
        let own = Command::new("chown")
            .args(["-R", "65534:65534"])
            .arg(site.path("."))
            .status();
        assert!(own.expect("chown").success());
        let file = command.get_program().to_owned();
        command = Command::new("setpriv");
        command
            .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
            .arg(file);
    }
    // It receives all the same.
    let daemon = site.serve_by(command);
    let to = endpoint(&daemon);
    until("all but the outbox", || {
        reasons(to) == (503, vec![UNWRITABLE.to_owned()])
    });
    assert!(words(to).contains("may not"), "{}", words(to));
    Report::numbered(1).write(&site.path("drop"));
    let waiting = "sheathline_queue_waiting{stage=\"publish\"}";
    until("a result that waits", || samples(to)[waiting] == 1.0);
    until("its line", || lines(&daemon, UNWRITABLE) > 0);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(lines(&daemon, UNWRITABLE), 1, "{:?}", daemon.log());
    fs::set_permissions(site.path("outbox"), Permissions::from_mode(0o755)).expect("set");
    until("ready again", || reasons(to).0 == 200);
    until("the result", || site.results().len() == 1);
    assert_eq!(daemon.stop(), Some(0));
}
