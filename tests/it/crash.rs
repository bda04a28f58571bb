//! `kill -9` in the middle: every acknowledged object is accounted for, once.
//!
//! The sender is DCMTK's storescu, which prints each answer it receives.

use super::harness::{Site, tool, until};
use super::objects::Report;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::Stdio;

/// Objects of one run; more on demand, fewer in every run of the tests.
fn objects() -> usize {
    std::env::var("SHEATHLINE_KILL_OBJECTS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(240)
}

/// Sends files and hears the answers; `enough` says after how many successes to stop listening.
/// Returns the paths answered with success, in order.
fn send(
    site: &Site,
    port: u16,
    files: &[PathBuf],
    enough: usize,
    then: impl FnOnce(),
) -> Vec<PathBuf> {
    let mut sender = tool("storescu")
        .args([
            "-v",
            "-nh",
            "-aet",
            "SENDER",
            "-aec",
            "SHEATHLINE",
            "127.0.0.1",
        ])
        .arg(port.to_string())
        .args(files)
        .env("TCP_NODELAY", "1")
        .current_dir(site.path("."))
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("storescu starts");
    let mut answered = Vec::new();
    let mut sending = None;
    let mut then = Some(then);
    for line in BufReader::new(sender.stderr.take().expect("standard error")).lines() {
        let line = line.expect("a line");
        if let Some(path) = line.strip_prefix("I: Sending file: ") {
            sending = Some(PathBuf::from(path));
        } else if line.starts_with("I: Received Store Response (Success)") {
            answered.push(sending.take().expect("an answer follows a file"));
            if answered.len() == enough
                && let Some(then) = then.take()
            {
                then();
            }
        }
    }
    let _ = sender.wait();
    answered
}

fn killed_after(enough: usize, total: usize) {
    let site = Site::new();
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    let files: Vec<PathBuf> = (0..total)
        .map(|n| Report::numbered(n).write(&folder))
        .collect();

    let daemon = site.serve();
    let port = daemon.address.port();
    let answered = send(&site, port, &files, enough, || daemon.kill());
    assert!(answered.len() >= enough, "{} answers", answered.len());
    assert!(
        answered.len() < total,
        "the kill came too late to prove anything"
    );

    // Again over the rest and over some that were answered: repeats change nothing.
    let daemon = site.serve();
    let from = answered.len().saturating_sub(10);
    let again = send(
        &site,
        daemon.address.port(),
        &files[from..],
        usize::MAX,
        || (),
    );
    assert_eq!(again.len(), total - from);
    until("every result", || site.results().len() == total);
    assert_eq!(daemon.stop(), Some(0));

    let mut by_study: BTreeMap<String, usize> = BTreeMap::new();
    for result in site.all_results() {
        let study = result["exam"]["study_instance_uid"]
            .as_str()
            .expect("study")
            .to_owned();
        *by_study.entry(study).or_default() += 1;
    }
    for n in 0..total {
        assert_eq!(
            by_study.get(&Report::numbered(n).study),
            Some(&1),
            "report {n}"
        );
    }
    assert_eq!(by_study.len(), total);
    let sum = &site.json("process", &["--json", &files[0].display().to_string()])[0]["sum"];
    assert_eq!(sum["in_results"], total);
    assert_eq!(sum["waiting"], 0);
    assert_eq!(sum["quarantined"], 0);
}

#[test]
fn nothing_acknowledged_is_lost_or_doubled_by_a_kill_early_on() {
    killed_after(7, objects());
}

#[test]
fn nothing_acknowledged_is_lost_or_doubled_by_a_kill_in_the_middle() {
    killed_after(objects() / 2, objects());
}
