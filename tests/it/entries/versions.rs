//! Which results get a new version when something is said, and what is told of it before.

use super::{exam_of_year, of_year, site_of};
use crate::harness::Site;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

const YEARS: [&str; 6] = ["2021", "2022", "2023", "2024", "2025", "2026"];

/// Six exams; the fourth is far wider than the others.
fn six() -> Site {
    site_of("", &[(1, 0), (2, 1), (3, -1), (4, 12), (5, 0), (6, 1)])
}

/// The newest version of each exam, by its id.
fn versions(site: &Site) -> BTreeMap<String, u64> {
    let results = site.results().into_iter();
    let version = |one: &Value| one["version"].as_u64().expect("a number");
    results.map(|(id, one)| (id, version(&one))).collect()
}

fn version_of(site: &Site, year: &str) -> u64 {
    versions(site)[&exam_of_year(site, year)]
}

/// Exams that got more than one version more.
fn twice(before: &BTreeMap<String, u64>, after: &BTreeMap<String, u64>) -> Vec<String> {
    let more = after
        .iter()
        .filter(|(id, version)| **version > before[*id] + 1);
    more.map(|(id, _)| id.clone()).collect()
}

#[test]
fn labels_of_one_act_make_one_version_of_an_exam_at_most() {
    let site = six();
    let before = versions(&site);
    let exams = ["2021", "2022", "2023", "2025"].map(|year| exam_of_year(&site, year));
    site.ok(
        "label",
        &[&exams[0], &exams[1], &exams[2], &exams[3], "well"],
    );
    let after = versions(&site);
    assert_eq!(twice(&before, &after), Vec::<String>::new());
    for exam in &exams {
        assert_eq!(after[exam], before[exam] + 1, "its own label is new");
    }
    // Beside a daemon, which makes the results of whatever is new as well.
    let daemon = site.serve();
    site.ok(
        "label",
        &[&exams[0], &exams[1], &exams[2], "raised_ruled_out"],
    );
    assert_eq!(daemon.stop(), Some(0));
    let last = versions(&site);
    assert_eq!(twice(&after, &last), Vec::<String>::new());
    for exam in &exams[..3] {
        assert_eq!(last[exam], after[exam] + 1);
    }
}

/// A result says whether its baseline is confirmed and whether a part of it is unlabelled, and no
/// more: a label that changes neither is no version of it.
#[test]
fn a_label_of_a_part_of_the_baseline_is_no_version_where_the_rest_reads_the_same() {
    let site = site_of("", &[(1, 0), (2, 1), (3, -1), (5, 0)]);
    let said = |site: &Site| {
        let result = of_year(site, "2025");
        let notices = result["assessment"]["notices"].to_string();
        (
            result["version"].as_u64().expect("a number"),
            result["assessment"]["basis"].clone(),
            notices.contains("unlabelled_baseline"),
        )
    };
    assert_eq!(said(&site), (1, "provisional".into(), true));
    for (year, wanted) in [
        ("2021", (2, "confirmed".into(), true)),
        ("2022", (2, "confirmed".into(), true)),
        ("2023", (3, "confirmed".into(), false)),
    ] {
        let before = version_of(&site, year);
        site.ok("label", &[&exam_of_year(&site, year), "well"]);
        assert_eq!(said(&site), wanted, "after the label of {year}");
        assert_eq!(version_of(&site, year), before + 1, "its own label");
    }
}

/// What a dry run tells of results that change: by exam id, what it says now and would say then.
fn foretold(site: &Site, args: &[&str]) -> BTreeMap<String, (String, String)> {
    let said = site.ok("label", &[args, &["--dry-run"]].concat());
    let lines: Vec<&str> = said
        .lines()
        .skip_while(|line| !line.starts_with("results of "))
        .skip(1)
        .take_while(|line| line.starts_with("  "))
        .collect();
    let behind = |line: &str, word: &str| {
        let rest = line.trim().strip_prefix(word);
        rest.unwrap_or_else(|| panic!("{word} in {line}"))
            .trim()
            .to_owned()
    };
    let all = lines.chunks(3).map(|lines| {
        let [exam, now, then] = lines else {
            panic!("three lines each: {said}");
        };
        let id = exam.rsplit(' ').next().expect("an id");
        (id.to_owned(), (behind(now, "now:"), behind(then, "then:")))
    });
    all.collect()
}

/// The results that a dry run names are those that get a version, and where one says the same as
/// before, it is told in the words of that version why there is another.
#[test]
fn a_dry_run_names_the_results_that_change_and_says_what_changes() {
    let site = six();
    let mut as_before = 0;
    let exams: Vec<String> = YEARS.map(|year| exam_of_year(&site, year)).into();
    for (year, label) in [
        ("2024", "after_decompression"),
        // What was an event stays one: later results set it aside for another reason, and no more.
        ("2024", "raised_confirmed"),
        ("2021", "well"),
        ("2022", "well"),
        ("2023", "well"),
        ("2022", "none"),
    ] {
        let exam = exam_of_year(&site, year);
        let told = foretold(&site, &[&exam, label]);
        let before = versions(&site);
        site.ok("label", &[&exam, label, "--yes"]);
        let after = site.results();
        let changed: BTreeSet<&String> = exams
            .iter()
            .filter(|id| after[*id]["version"].as_u64() > before.get(*id).copied())
            .collect();
        let named: BTreeSet<&String> = told.keys().collect();
        assert_eq!(named, changed, "{label} of {year}: {told:#?}");
        for (id, (now, then)) in &told {
            let Some(why) = then.strip_prefix("the same; ") else {
                assert!(now != then, "{now}");
                continue;
            };
            let words = after[id]["why"].as_array().expect("a list");
            let words: Vec<&str> = words.iter().filter_map(Value::as_str).collect();
            assert_eq!(why, words.join("; "), "{label} of {year}");
            as_before += 1;
        }
    }
    assert!(as_before >= 3, "{as_before} prove nothing");
}
