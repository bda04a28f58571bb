//! Several people say something of one patient while reports of that patient come in.

use super::{Report, entries, site};
use crate::harness::{program, until};
use std::collections::BTreeSet;
use std::fs;
use std::process::Stdio;

/// Whatever comes at once: each exam has one label in the end, nothing that was recorded is lost, and
/// no two entries mend the same one.
#[test]
fn labels_at_once_beside_a_busy_daemon_leave_one_label_an_exam() {
    let site = site("");
    let exams = ["2021", "2022", "2023"].map(|year| super::exam_of_year(&site, year));
    let daemon = site.serve();
    let labels = ["well", "raised_confirmed", "raised_ruled_out", "well"];
    let mut said = Vec::new();
    for (turn, label) in labels.iter().enumerate() {
        for n in 0..3 {
            let report = Report {
                patient: "T-1".into(),
                date: format!("2020{:02}0{}", turn + 1, n + 1),
                ..Report::numbered(100 + 10 * turn + n)
            };
            let name = format!("{}.dcm", report.uid);
            let part = site.path("drop").join(format!(".{name}"));
            fs::write(&part, report.bytes()).expect("written");
            fs::rename(part, site.path("drop").join(name)).expect("renamed");
        }
        for exam in &exams {
            let mut command = program();
            command
                .args(["label", "--yes", "--config"])
                .arg(site.config());
            command.args([exam.as_str(), label]);
            let command = command.stdout(Stdio::piped()).stderr(Stdio::piped());
            said.push(command.spawn().expect("runs"));
        }
    }
    let mut recorded = 0;
    for one in said {
        let output = one.wait_with_output().expect("ends");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let why = String::from_utf8_lossy(&output.stderr).into_owned();
        match output.status.code() {
            Some(0) => recorded += usize::from(text.contains("recorded from entry")),
            // Others were faster time and again: it says so, and has recorded nothing.
            Some(1) => assert!(why.contains("nothing was recorded"), "{why}"),
            code => panic!("{code:?}: {text}{why}"),
        }
    }
    until("all reports", || site.results().len() >= 4 + 12);
    assert_eq!(daemon.stop(), Some(0));
    let all = entries(&site);
    assert_eq!(all.len(), recorded, "each that was told is there, once");
    let mended: Vec<u64> = all.iter().filter_map(|one| one.2).collect();
    let different: BTreeSet<&u64> = mended.iter().collect();
    assert_eq!(different.len(), mended.len(), "{all:?}");
    let in_force: Vec<_> = all.iter().filter(|one| one.3).collect();
    assert_eq!(in_force.len(), exams.len(), "{all:?}");
    let results = site.results();
    let told = site.json("entries", &["T-1", "--json"]);
    for one in told.iter().filter(|one| one["counts"] == true) {
        let exam = one["exam_ids"][0].as_str().expect("an id");
        assert_eq!(results[exam]["exam"]["label"], one["value"], "{exam}");
    }
    site.ok("verify", &[]);
}
