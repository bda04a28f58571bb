//! What the real daemon tells about itself over HTTP and in its log, and that none of it names a
//! patient.

pub(crate) mod audit;
mod canaries;
mod outbox;
mod refusals;

pub(crate) use audit::events as audit_events;

use crate::harness::{Daemon, Site, until};
use crate::objects::Report;
use crate::receive::Sender;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// Goes at the end of the `[observe]` table of a site.
pub(crate) const LISTEN: &str = "listen = \"127.0.0.1:0\"\n";

/// Where a daemon answers over HTTP.
pub(crate) fn endpoint(daemon: &Daemon) -> SocketAddr {
    let mut lines = daemon.log().into_iter();
    let line = lines.find(|line| line["fields"]["code"] == "observe-listening");
    let line = line.expect("it listens before the listener does");
    let address = line["fields"]["address"].as_str().expect("address");
    address.parse().expect("an address")
}

/// Sends bytes and reads until the other side closes.
fn exchange(to: SocketAddr, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(to).expect("connects");
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .expect("a limit");
    // It may have answered and closed before it has read everything.
    let _ = stream.write_all(request);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

/// Status and body of a GET.
pub(crate) fn get(to: SocketAddr, path: &str) -> (u16, String) {
    let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
    let answer = exchange(to, request.as_bytes());
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
    let status = head.split(' ').nth(1).and_then(|word| word.parse().ok());
    (status.expect("a status"), body.to_owned())
}

/// Every sample by its name and labels.
pub(crate) fn samples(to: SocketAddr) -> BTreeMap<String, f64> {
    let (status, text) = get(to, "/metrics");
    assert_eq!(status, 200);
    assert!(text.ends_with("# EOF\n"), "cut short");
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            let (name, value) = line.rsplit_once(' ').expect("a sample");
            (name.to_owned(), value.parse().expect("a number"))
        })
        .collect()
}

pub(crate) fn reasons(to: SocketAddr) -> (u16, Vec<String>) {
    let (status, body) = get(to, "/readyz");
    let body: Value = serde_json::from_str(&body).expect("JSON");
    assert_eq!(body["ready"], status == 200);
    let reasons = body["reasons"].as_array().expect("a list").iter();
    let code = |reason: &Value| reason["code"].as_str().expect("a code").to_owned();
    (status, reasons.map(code).collect())
}

#[test]
fn a_healthy_daemon_says_so_and_counts() {
    let site = Site::with(LISTEN);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("ready", || reasons(to) == (200, vec![]));
    assert_eq!(get(to, "/livez"), (200, "alive\n".to_owned()));
    let before = samples(to);
    // What never happened is there, as 0.
    assert_eq!(
        before["sheathline_failures_total{code=\"pipeline-failed\"}"],
        0.0
    );
    assert_eq!(before["sheathline_ready"], 1.0);
    let version = env!("CARGO_PKG_VERSION");
    assert_eq!(
        before[&format!("sheathline_build_info{{version=\"{version}\"}}")],
        1.0
    );
    for n in 0..3 {
        Report::numbered(n).write(&site.path("drop"));
    }
    let published = "sheathline_results_published_total";
    until("the results", || samples(to)[published] >= 3.0);
    let after = samples(to);
    let kept = "sheathline_objects_received_total{source=\"folder\",outcome=\"kept\"}";
    assert_eq!(after[kept], 3.0);
    assert_eq!(
        after["sheathline_exams_assessed_total{status=\"no_baseline\"}"],
        3.0
    );
    assert!(after["sheathline_assessment_seconds_count"] >= 3.0);
    assert!(after["sheathline_store_commit_seconds_count"] >= 3.0);
    assert_eq!(after["sheathline_queue_waiting{stage=\"publish\"}"], 0.0);
    assert!(after["sheathline_store_free_bytes"] > 0.0);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_missing_drop_folder_is_a_reason_and_a_failure() {
    let site = Site::with(LISTEN);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("ready", || reasons(to).0 == 200);
    fs::rename(site.path("drop"), site.path("elsewhere")).expect("renamed");
    assert_eq!(reasons(to), (503, vec!["folder-missing".to_owned()]));
    // It can still do its other work, so a new start is not called for.
    assert_eq!(get(to, "/livez").0, 200);
    let failures = "sheathline_failures_total{code=\"folder-unreadable\"}";
    until("the look into the folder", || samples(to)[failures] > 0.0);
    // One line, one count, whatever the number of looks.
    std::thread::sleep(Duration::from_millis(500));
    let lines = daemon.log();
    let lines = lines.iter();
    let told = lines.filter(|line| line["fields"]["code"] == "folder-unreadable");
    assert_eq!((told.count(), samples(to)[failures]), (1, 1.0));
    fs::rename(site.path("elsewhere"), site.path("drop")).expect("renamed");
    until("ready again", || reasons(to).0 == 200);
}

/// Also at a start over it, which must not keep the program down; and plain again once it is gone.
#[test]
fn a_link_in_the_place_of_done_is_a_reason_and_a_failure() {
    let site = Site::with(LISTEN);
    let elsewhere = site.path("elsewhere");
    fs::create_dir(&elsewhere).expect("made");
    std::os::unix::fs::symlink(&elsewhere, site.path("drop/done")).expect("linked");
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("told", || reasons(to) == (503, vec!["folder-link".into()]));
    let failures = "sheathline_failures_total{code=\"folder-link\"}";
    until("the look into the folder", || samples(to)[failures] > 0.0);
    Report::numbered(1).write(&site.path("drop"));
    let published = "sheathline_results_published_total";
    until("the result", || samples(to)[published] >= 1.0);
    assert_eq!(samples(to)[failures], 1.0);
    let left = || fs::read_dir(site.path("drop")).expect("readable").count();
    assert_eq!(left(), 3, "the file stays beside done and failed");
    assert_eq!(fs::read_dir(&elsewhere).expect("readable").count(), 0);
    fs::remove_file(site.path("drop/done")).expect("removed");
    until("ready again", || reasons(to).0 == 200);
    until("put away", || left() == 2);
    assert_eq!(daemon.stop(), Some(0));
}

/// The log level leaves lines out of the log, not out of the count.
#[test]
fn failures_are_counted_below_the_log_level() {
    // The harness waits for a line of level info, so the address is chosen here.
    let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let to = free.local_addr().expect("address");
    drop(free);
    let site = Site::new();
    let text = fs::read_to_string(site.config()).expect("configuration");
    let text = format!("{text}log = \"error\"\nlisten = \"{to}\"\n");
    fs::write(site.config(), text).expect("written");
    let mut child = crate::harness::program()
        .args(["serve", "--config"])
        .arg(site.config())
        .stdout(fs::File::create(site.path("log")).expect("log"))
        .spawn()
        .expect("starts");
    until("listening", || TcpStream::connect(to).is_ok());
    fs::write(site.path("drop/empty.dcm"), b"").expect("written");
    let failures = "sheathline_failures_total{code=\"folder-failed\"}";
    until("the empty file", || samples(to)[failures] == 1.0);
    assert_eq!(fs::read_to_string(site.path("log")).expect("log"), "");
    child.kill().expect("killed");
    child.wait().expect("ended");
}

#[tokio::test(flavor = "multi_thread")]
async fn associations_and_refusals_are_counted() {
    let site = Site::with(LISTEN);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    let open = "sheathline_associations_open";
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    assert_eq!(sender.echo().await, 0);
    assert_eq!(samples(to)[open], 1.0);
    sender.association.release().await.expect("released");
    until("the end", || samples(to)[open] == 0.0);
    assert_eq!(
        exchange(daemon.address, b"GET / HTTP/1.1\r\n\r\n").len(),
        10
    );
    let samples = samples(to);
    let refused = "sheathline_peers_refused_total{reason=\"refused-not-dicom\"}";
    assert_eq!(samples["sheathline_associations_total"], 1.0);
    assert_eq!(samples[refused], 1.0);
    let code = "sheathline_failures_total{code=\"refused-not-dicom\"}";
    assert_eq!(samples[code], 1.0);
}

#[test]
fn only_small_get_requests_are_answered() {
    let site = Site::with(LISTEN);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    let status = |request: &[u8]| {
        let answer = exchange(to, request);
        let word = answer.split(' ').nth(1).map(str::to_owned);
        (word, answer)
    };
    let (said, answer) =
        status(b"POST /metrics HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\nabc");
    assert_eq!(said.as_deref(), Some("405"));
    assert!(
        answer.to_lowercase().contains("\r\nallow: get\r\n"),
        "{answer}"
    );
    let (said, _) = status(b"DELETE /livez HTTP/1.1\r\nHost: x\r\n\r\n");
    assert_eq!(said.as_deref(), Some("405"));
    assert_eq!(get(to, "/").0, 404);
    assert_eq!(get(to, "/metrics/../store").0, 404);
    let (said, _) = status(b"no HTTP at all\r\n\r\n");
    assert_eq!(said.as_deref(), Some("400"));
    // A head without end is cut off, and others are served meanwhile.
    let long = format!("GET /livez HTTP/1.1\r\nX: {}\r\n\r\n", "y".repeat(100_000));
    let (said, _) = status(long.as_bytes());
    assert_ne!(said.as_deref(), Some("200"));
    let silent: Vec<_> = (0..8)
        .map(|_| TcpStream::connect(to).expect("connects"))
        .collect();
    assert_eq!(get(to, "/livez").0, 200);
    drop(silent);
}
