//! A result is a function of the set of reports, labels and events, and a new version says why.

use super::harness::Site;
use super::objects::Report;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Five exams of one patient, no two with the same readings; the fourth was corrected, the last is wide.
fn reports() -> Vec<Report> {
    let report = |n: usize, date: &str, tenths| Report {
        patient: "T-1".into(),
        date: date.into(),
        tenths,
        ..Report::numbered(n)
    };
    let wrong = report(4, "20230301", 9);
    let right = Report {
        uid: "2.25.10009".into(),
        tenths: 3,
        replaces: Some(wrong.uid.clone()),
        ..wrong.clone()
    };
    vec![
        report(1, "20200301", 0),
        report(2, "20210301", 1),
        report(3, "20220301", 2),
        wrong,
        right,
        report(5, "20240301", 12),
    ]
}

/// What a reader sees of the newest results: its key, and the statement with its numbers as printed.
fn told(site: &Site) -> BTreeMap<String, Value> {
    let results = site.results().into_iter();
    let told = results.map(|(exam, result)| {
        let assessment = &result["assessment"];
        let rows = ["right", "left", "both"].map(|row| {
            let row = &assessment["rows"][row];
            [
                "measured_mm",
                "expected_mm",
                "change_mm",
                "smallest_change_mm",
            ]
            .map(|name| row[name].as_f64().map(|mm| format!("{mm:.2}")))
        });
        let seen = result["seen_key"].clone();
        assert!(seen.as_str().is_some_and(|key| key.len() == 32), "{seen}");
        let values = [&result["measurements_used"], &result["remarks"]];
        let said = [
            &assessment["status"],
            &assessment["flagged"],
            &assessment["basis"],
        ];
        (exam, serde_json::json!([seen, said, rows, values]))
    });
    told.collect()
}

#[test]
fn any_order_and_any_repeats_tell_the_same() {
    let mut first = None;
    for order in [
        [0, 1, 2, 3, 4, 5],
        [5, 4, 3, 2, 1, 0],
        [4, 5, 0, 3, 1, 2],
        [3, 5, 4, 2, 0, 1],
    ] {
        let site = Site::new();
        let folder = site.path("reports");
        std::fs::create_dir(&folder).expect("folder");
        let files: Vec<PathBuf> = reports()
            .iter()
            .map(|report| report.write(&folder))
            .collect();
        // One at a time, so that every intermediate state is published, and the first one twice.
        for at in order.iter().chain(&order[..1]) {
            site.ok("process", &[&files[*at].display().to_string()]);
        }
        let told = told(&site);
        assert_eq!(told.len(), 5);
        assert_eq!(
            *first.get_or_insert_with(|| told.clone()),
            told,
            "order {order:?}"
        );
    }
}

fn of_date<'a>(results: &'a BTreeMap<String, Value>, date: &str) -> &'a Value {
    results
        .values()
        .find(|result| {
            result["exam"]["performed_at"]
                .as_str()
                .is_some_and(|at| at.starts_with(date))
        })
        .expect("a result of that date")
}

#[test]
fn a_late_an_amended_and_a_relabelled_exam_change_what_depends_on_them_and_nothing_else() {
    let site = Site::new();
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    let files: Vec<PathBuf> = reports()
        .iter()
        .map(|report| report.write(&folder))
        .collect();
    let take = |at: usize| site.ok("process", &[&files[at].display().to_string()]);
    for at in [0, 1, 3, 5] {
        take(at);
    }
    // Late: the exam of 2022 joins the baseline of those after it.
    take(2);
    let results = site.results();
    assert_eq!(of_date(&results, "2020")["version"], 1);
    assert_eq!(of_date(&results, "2021")["version"], 1);
    assert_eq!(of_date(&results, "2022")["version"], 1);
    let last = of_date(&results, "2024");
    assert_eq!(last["version"], 2);
    assert_eq!(last["supersedes"], 1);
    assert_eq!(last["why"][0], "the exam of 2022-03-01 joined the baseline");
    // Amended: the wrong exam of 2023 was flagged and is no more.
    assert_eq!(of_date(&results, "2023")["assessment"]["flagged"], true);
    take(4);
    let results = site.results();
    let corrected = of_date(&results, "2023");
    assert_eq!(corrected["assessment"]["flagged"], false);
    assert_eq!(corrected["why"][0], "the report was amended");
    // Whoever acted on the flag reads that it is taken back.
    let replaced = &corrected["replaces"];
    assert_eq!(replaced["version"], corrected["supersedes"]);
    assert_eq!(replaced["flagged"], true);
    assert_eq!(replaced["why"][0], "the report was amended");
    assert_eq!(last.get("replaces"), None);
    let untouched = of_date(&results, "2022");
    assert_eq!(untouched["version"], 1, "{}", untouched["why"]);
    // Labelled: the exam of 2021 is taken out of every later baseline.
    let study = reports()[1].study.clone();
    site.ok("label", &[&study, "raised_confirmed"]);
    let labelled = site.results();
    assert_eq!(of_date(&labelled, "2020"), of_date(&results, "2020"));
    assert_eq!(
        of_date(&labelled, "2021")["exam"]["label"],
        "raised_confirmed"
    );
    let baseline = of_date(&labelled, "2024")["assessment"]["baseline"]
        .as_array()
        .expect("list")
        .len();
    assert_eq!(
        baseline,
        of_date(&results, "2024")["assessment"]["baseline"]
            .as_array()
            .expect("list")
            .len()
            - 1
    );
    // The same label again, and a repeat of a report, change nothing.
    let before = site.all_results().len();
    site.ok("label", &[&study, "raised_confirmed"]);
    take(0);
    assert_eq!(site.all_results().len(), before);
    // Taking the label back tells what was told before it.
    site.ok("label", &[&study, "none"]);
    let restored = site.results();
    assert_eq!(
        of_date(&restored, "2024")["seen_key"],
        of_date(&results, "2024")["seen_key"]
    );
}

#[test]
fn an_event_widens_what_comes_after_it() {
    let site = Site::new();
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    for report in [0, 1, 2, 5] {
        reports()[report].write(&folder);
    }
    site.ok("process", &[&folder.display().to_string()]);
    let smallest = |results: &BTreeMap<String, Value>| {
        of_date(results, "2024")["assessment"]["rows"]["both"]["smallest_change_mm"].as_f64()
    };
    let before = smallest(&site.results());
    site.ok("event", &["T-1", "2023-06-01", "shunt_revision"]);
    let results = site.results();
    assert!(smallest(&results) > before);
    assert_eq!(
        of_date(&results, "2024")["events"][0]["kind"],
        "shunt_revision"
    );
    assert_eq!(of_date(&results, "2022")["version"], 1);
    site.ok(
        "event",
        &["T-1", "2023-06-01", "shunt_revision", "--remove"],
    );
    assert_eq!(smallest(&site.results()), before);
}

/// The second label of a baseline changes no word and no number of the exam after it: no version, and
/// `explain` tells of the label nevertheless.
#[test]
fn what_changes_nothing_that_is_read_makes_no_version_and_is_explained() {
    let site = Site::new();
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    for report in [0, 1, 2, 4] {
        reports()[report].write(&folder);
    }
    site.ok("process", &[&folder.display().to_string()]);
    site.ok("label", &[&reports()[0].study, "well"]);
    let before = site.results();
    let last = of_date(&before, "2023");
    assert_eq!(last["assessment"]["basis"], "confirmed");
    let exam = last["exam"]["id"].as_str().expect("an id").to_owned();
    let words = "there is no other version";
    assert!(!site.ok("explain", &[&exam]).contains(words));
    site.ok("label", &[&reports()[1].study, "well"]);
    let after = site.results();
    assert_eq!(of_date(&after, "2023"), last);
    assert_eq!(of_date(&after, "2021")["exam"]["label"], "well");
    let story = site.ok("explain", &[&exam]);
    assert!(story.contains(words), "{story}");
    assert!(
        story.contains("the exam of 2021-03-01 of the baseline got another label"),
        "{story}"
    );
    // The table says what the page says, with the time of day.
    let table = site.ok("history", &["T-1"]);
    assert!(table.contains("2023-03-01 10:"), "{table}");
    assert!(table.contains("confirmed"), "{table}");
}

/// Where any order gives the same result (P5) meets that the first content of a UID wins (P4).
#[test]
fn of_two_contents_under_one_uid_the_first_is_the_report_whatever_else_comes() {
    let base = reports();
    let other = Report {
        tenths: 9,
        ..base[1].clone()
    };
    let site_of = |order: &[&Report]| {
        let site = Site::new();
        let folder = site.path("reports");
        std::fs::create_dir(&folder).expect("folder");
        for report in order {
            let file = report.write(&folder).display().to_string();
            site.run("process", &[&file]);
        }
        let quarantined = site.json("quarantine", &["--json"]);
        assert_eq!(quarantined.len(), 1);
        assert!(
            quarantined[0]
                .to_string()
                .contains("same-uid-other-content"),
            "{quarantined:?}"
        );
        (told(&site), site.results())
    };
    let (first, second) = (&base[1], &other);
    let (one, results) = site_of(&[&base[0], first, second]);
    let (again, _) = site_of(&[first, second, &base[0], first]);
    assert_eq!(one, again, "which came first is all that counts");
    let (turned, turned_results) = site_of(&[second, &base[0], first]);
    assert_ne!(one, turned);
    let used = |results: &BTreeMap<String, Value>| {
        of_date(results, "2021")["measurements_used"][0]["value_mm"].clone()
    };
    assert_eq!(
        (used(&results), used(&turned_results)),
        (5.7.into(), 6.5.into())
    );
}
