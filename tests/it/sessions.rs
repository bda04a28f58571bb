//! Several scans of one study, through the real program.

use super::harness::{Site, lines, program};
use super::objects::Report;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;

/// Report `n` of one study of one patient.
fn scan(n: usize, time: &'static str, tenths: i32) -> Report {
    Report {
        study: "2.25.777".into(),
        patient: "T-1".into(),
        time: Some(time),
        tenths,
        ..Report::numbered(n)
    }
}

/// Two earlier exams, so that there is something to compare with.
fn earlier() -> Vec<Report> {
    let of = |n: usize, date: &str| Report {
        patient: "T-1".into(),
        date: date.into(),
        ..Report::numbered(n)
    };
    vec![of(91, "20220301"), of(92, "20230301")]
}

/// A site to which reports came one at a time.
fn came(reports: &[Report]) -> Site {
    let site = Site::new();
    fs::create_dir(site.path("reports")).expect("folder");
    for one in reports {
        comes(&site, one);
    }
    site
}

fn comes(site: &Site, report: &Report) {
    let file = report.write(&site.path("reports"));
    site.ok("process", &[&file.display().to_string()]);
}

/// Newest results of the study by the time of their exam, withdrawn ones left out.
fn told(site: &Site) -> BTreeMap<String, Value> {
    let all = site.results().into_values();
    all.filter(|one| {
        one["exam"]["study_instance_uid"] == "2.25.777"
            && one["assessment"]["reason"] != "withdrawn"
    })
    .map(|one| {
        (
            one["exam"]["performed_at"].as_str().expect("a time")[11..16].to_owned(),
            one,
        )
    })
    .collect()
}

fn times(results: &BTreeMap<String, Value>) -> Vec<&str> {
    results.keys().map(String::as_str).collect()
}

fn has(result: &Value, code: &str) -> bool {
    let remarks = result["remarks"].as_array().expect("remarks");
    remarks.iter().any(|remark| remark["code"] == code)
}

fn used(result: &Value) -> usize {
    result["measurements_used"]
        .as_array()
        .expect("values")
        .len()
}

#[test]
fn four_bedside_scans_are_four_exams_and_the_last_is_flagged_in_every_order() {
    let scans = [
        scan(1, "080000", 0),
        scan(2, "110000", 1),
        scan(3, "140000", 0),
        scan(4, "170000", 10),
    ];
    let mut first: Option<Vec<(String, Value)>> = None;
    for order in [[0, 1, 2, 3], [3, 2, 1, 0], [2, 0, 3, 1]] {
        let reports: Vec<Report> = order.iter().map(|n| scans[*n].clone()).collect();
        let site = came(&[earlier(), reports].concat());
        let results = told(&site);
        assert_eq!(times(&results), ["08:00", "11:00", "14:00", "17:00"]);
        let flagged: Vec<&Value> = results
            .values()
            .map(|one| &one["assessment"]["flagged"])
            .collect();
        assert_eq!(flagged, [false, false, false, true]);
        let contents = results.iter().map(|(time, one)| {
            (
                time.clone(),
                [
                    &one["exam"],
                    &one["measurements_used"],
                    &one["assessment"]["rows"],
                ]
                .into_iter()
                .cloned()
                .collect(),
            )
        });
        let contents: Vec<(String, Value)> = contents.collect();
        assert_eq!(*first.get_or_insert_with(|| contents.clone()), contents);
        // The study holds several: it is not one that is meant.
        for command in ["explain", "label"] {
            let more: &[&str] = if command == "label" { &["well"] } else { &[] };
            let output = site.run(command, &[&["2.25.777", "--json"], more].concat());
            assert!(!output.status.success(), "{command}");
            let failure = lines(&String::from_utf8_lossy(&output.stderr)).remove(0);
            assert_eq!(failure["code"], "ambiguous", "{command}");
            let said = failure["error"].as_str().expect("words");
            for one in results.values() {
                assert!(
                    said.contains(one["exam"]["id"].as_str().expect("an id")),
                    "{said}"
                );
            }
        }
        // A label on one of them is that one's.
        let id = results["17:00"]["exam"]["id"].as_str().expect("an id");
        site.ok("label", &[id, "raised_confirmed"]);
        let labelled = told(&site);
        let labels: Vec<&Value> = labelled.values().map(|one| &one["exam"]["label"]).collect();
        assert_eq!(
            labels,
            [
                &Value::Null,
                &Value::Null,
                &Value::Null,
                &"raised_confirmed".into()
            ]
        );
    }
}

#[test]
fn two_reports_of_one_eye_each_are_one_exam() {
    let right = Report {
        eye: Some("right"),
        ..scan(1, "080000", 0)
    };
    let left = Report {
        eye: Some("left"),
        ..scan(2, "190000", 0)
    };
    for reports in [[right.clone(), left.clone()], [left, right]] {
        let results = told(&came(&reports));
        assert_eq!(times(&results), ["08:00"]);
        assert_eq!(used(&results["08:00"]), 6);
    }
}

#[test]
fn a_late_report_that_joins_two_exams_says_where_readings_went() {
    let site = came(&[scan(1, "080000", 0), scan(3, "085000", 1)]);
    let before = told(&site);
    assert_eq!(times(&before), ["08:00", "08:50"]);
    // A label given to each, and they contradict each other once they are one.
    site.ok(
        "label",
        &[before["08:00"]["exam"]["id"].as_str().expect("id"), "well"],
    );
    site.ok(
        "label",
        &[
            before["08:50"]["exam"]["id"].as_str().expect("id"),
            "raised_confirmed",
        ],
    );
    comes(&site, &scan(2, "082500", 0));
    let results = told(&site);
    assert_eq!(times(&results), ["08:00"]);
    assert_eq!(used(&results["08:00"]), 18);
    assert!(has(&results["08:00"], "joined-readings-contradict"));
    let gone = &site.results()[before["08:50"]["exam"]["id"].as_str().expect("id")];
    assert_eq!(gone["assessment"]["reason"], "withdrawn");
    let remarks = gone["remarks"].as_array().expect("remarks");
    let moved = remarks
        .iter()
        .find(|one| one["code"] == "readings-moved")
        .expect("where to");
    let first = results["08:00"]["exam"]["id"].as_str().expect("id");
    assert_eq!(
        moved["text"],
        format!("Its readings belong to exam {first} of 2024-05-01 08:00 now.")
    );
}

#[test]
fn an_amended_scan_keeps_its_time_and_a_final_one_takes_that_of_the_preliminary() {
    let amended = Report {
        replaces: Some(scan(1, "", 0).uid),
        ..scan(3, "180000", 2)
    };
    let early = Report {
        flag: "PRELIMINARY",
        ..scan(4, "140000", 0)
    };
    let last = scan(5, "150000", 3);
    let site = came(&[scan(1, "080000", 0), scan(2, "110000", 0), early, amended]);
    let results = told(&site);
    assert_eq!(times(&results), ["08:00", "11:00", "14:00"]);
    assert!(has(&results["14:00"], "exam-preliminary"));
    assert_eq!(
        results["08:00"]["measurements_used"][0]["object"],
        "2.25.10003"
    );
    comes(&site, &last);
    let results = told(&site);
    assert_eq!(times(&results), ["08:00", "11:00", "14:00"]);
    assert!(!has(&results["14:00"], "exam-preliminary"));
    assert!(has(&results["14:00"], "preliminary-superseded"));
    assert_eq!(
        results["14:00"]["measurements_used"][0]["object"],
        "2.25.10005"
    );
}

#[test]
fn reports_without_a_time_that_differ_are_shown_and_not_pooled() {
    for (tenths, is_pooled) in [(1, true), (10, false)] {
        let results = told(&came(&[scan(1, "", 0), scan(2, "", tenths)]));
        assert_eq!(times(&results), ["00:00"]);
        let one = &results["00:00"];
        assert_eq!(used(one), if is_pooled { 12 } else { 0 });
        assert_eq!(has(one, "reports-differ-untimed"), !is_pooled);
    }
}

/// The reports of one study stand under two ids, and later under one.
#[test]
fn scans_under_two_ids_are_told_apart_before_and_after_they_are_joined() {
    let other = Report {
        patient: "T-2".into(),
        ..scan(2, "120000", 1)
    };
    let site = came(&[scan(1, "080000", 0), other]);
    let before = told(&site);
    assert_eq!(times(&before), ["08:00", "12:00"]);
    let ids = |results: &BTreeMap<String, Value>| -> Vec<String> {
        let ids = results
            .values()
            .map(|one| one["exam"]["id"].as_str().expect("id").to_owned());
        ids.collect()
    };
    let act = |act: &str| {
        let output = program()
            .args(["patient", act, "--config"])
            .arg(site.config())
            .args([
                "--from",
                "TARNHOLT|T-2",
                "--into",
                "TARNHOLT|T-1",
                "--why",
                "twice",
            ])
            .output()
            .expect("the program runs");
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
    };
    act("merge");
    let joined = told(&site);
    assert_eq!(times(&joined), ["08:00", "12:00"]);
    assert!(joined.values().all(|one| one["patient"]["id"] == "T-1"));
    // The second is a later session now, under another name; the first name says so.
    assert_eq!(ids(&joined)[0], ids(&before)[0]);
    assert_ne!(ids(&joined)[1], ids(&before)[1]);
    let gone = &site.results()[&ids(&before)[1]];
    assert!(has(gone, "readings-moved"), "{gone}");
    act("unmerge");
    let apart = told(&site);
    assert_eq!(ids(&apart), ids(&before));
    assert_eq!(apart["12:00"]["patient"]["id"], "T-2");
}
