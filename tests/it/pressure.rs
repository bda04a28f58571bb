//! The real program: an opening pressure recorded, shown and taken back; published figures switched on.

use super::harness::{Site, fixture};
use serde_json::Value;
use std::fs;

/// A site that has processed one report.
fn site(more: &str) -> Site {
    let site = Site::with(more);
    site.ok("process", &[&fixture("sr/tid1500").display().to_string()]);
    site
}

/// JSON and text of every result, oldest version first.
fn results(site: &Site) -> Vec<(Value, String)> {
    let mut results: Vec<(Value, String)> = site
        .all_results()
        .into_iter()
        .map(|json| {
            let exam = json["exam"]["id"].as_str().expect("an id");
            let folder = site
                .path("outbox")
                .join(format!("{exam}-v{}", json["version"]));
            let text = fs::read_to_string(folder.join("result.txt")).expect("result.txt");
            (json, text)
        })
        .collect();
    results.sort_by_key(|(json, _)| json["version"].as_u64());
    results
}

#[test]
fn a_pressure_is_recorded_shown_and_taken_back() {
    let place = site("");
    let exam = results(&place)[0].0["exam"]["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    let said = place.ok("pressure", &[&exam, "32", "cm[H2O]"]);
    assert!(said.contains("opening pressure 32 cm[H2O]"), "{said}");
    let again = place.ok("pressure", &[&exam, "32", "cm[H2O]"]);
    assert!(again.contains("already"), "{again}");
    place.ok("pressure", &[&exam, "none"]);

    let results = results(&place);
    assert_eq!(
        results.len(),
        3,
        "each change is a version, a repeat is none"
    );
    let pressure = |n: usize| &results[n].0["exam"]["opening_pressure"];
    assert_eq!(pressure(1)["value"], "32");
    assert_eq!(pressure(1)["unit"], "cm[H2O]");
    assert!(
        results[1]
            .1
            .contains("Opening pressure 32 cm[H2O] (23.5 mm[Hg])"),
        "{}",
        results[1].1
    );
    assert!(pressure(0).is_null() && pressure(2).is_null());
    let whys: Vec<String> = results
        .iter()
        .map(|(json, _)| json["why"].to_string())
        .collect();
    assert!(whys[1].contains("32 cm[H2O] was recorded"), "{whys:?}");
    assert!(whys[2].contains("taken back"), "{whys:?}");
    // What was measured and found is the same throughout.
    for (json, _) in &results {
        assert_eq!(json["assessment"], results[0].0["assessment"]);
    }
}

#[test]
fn what_is_no_pressure_is_refused_with_a_way_out() {
    let place = site("");
    let exam = results(&place)[0].0["exam"]["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    let refused = [
        (vec!["32,5", "cm[H2O]"], "write digits with a decimal point"),
        (vec!["32"], "write one of cm[H2O], mm[Hg], kPa, mm[H2O]"),
        (
            vec!["32", "cmH2O"],
            "write one of cm[H2O], mm[Hg], kPa, mm[H2O]",
        ),
        (vec!["320", "cm[H2O]"], "check the unit"),
        (vec!["none", "kPa"], "write none without a unit"),
    ];
    for (typed, way_out) in refused {
        let arguments: Vec<&str> = std::iter::once(exam.as_str()).chain(typed).collect();
        let output = place.run("pressure", &arguments);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains(way_out), "{arguments:?}: {said}");
    }
    assert_eq!(results(&place).len(), 1);
    let unknown = place.run("pressure", &["E0000000000000000", "3.2", "kPa"]);
    assert_eq!(unknown.status.code(), Some(1));
}

#[test]
fn published_figures_come_only_when_asked_for() {
    let (off, on) = (site(""), site("[context]\nshow = true\n"));
    let ((without, plain), (with, text)) = (results(&off).remove(0), results(&on).remove(0));
    assert_eq!(without.get("context"), None);
    assert!(!plain.contains("Published"));
    assert!(
        with["context"]["cutoffs"]
            .as_array()
            .is_some_and(|all| all.len() > 10)
    );
    assert!(text.contains("no part of any flag"), "{text}");
    assert_eq!(with["assessment"], without["assessment"]);
}
