//! The demonstration: flagged are exactly those who have a rise, and the sum is whole.

mod pages;

use super::harness::{fixture, lines, program};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// Compares with a file beside the fixtures; `UPDATE_GOLDEN=1` writes it anew.
fn golden(path: &Path, found: &str) {
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        fs::write(path, found).expect("written");
    }
    let expected = fs::read_to_string(path).unwrap_or_default();
    assert_eq!(
        found,
        expected,
        "{} differs; UPDATE_GOLDEN=1 writes it anew",
        path.display()
    );
}

#[test]
fn the_demonstration_flags_exactly_the_true_rises() {
    let dir = tempfile::tempdir().expect("folder");
    let at = dir.path().join("demo");
    let output = program()
        .args(["demo", "--json", "--dir"])
        .arg(&at)
        .output()
        .expect("the program runs");
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let mut printed = lines(&text);
    let sum = printed.pop().expect("the sum");
    let flagged: BTreeMap<&str, bool> = printed
        .iter()
        .map(|line| {
            (
                line["patient"]["id"].as_str().expect("patient"),
                line["flagged"] == true,
            )
        })
        .collect();
    let rises: Vec<&str> = flagged
        .iter()
        .filter(|(_, flagged)| **flagged)
        .map(|(id, _)| *id)
        .collect();
    assert_eq!(rises, ["LC-1002", "LC-1007"]);
    let parts = [
        "in_results",
        "no_sheath_measurement",
        "quarantined",
        "repeats",
        "waiting",
    ];
    let total: u64 = parts
        .iter()
        .map(|part| sum[part].as_u64().expect("a number"))
        .sum();
    assert_eq!(sum["received"], total);
    golden(&fixture("demo/outcome.jsonl"), &text);
    let trend = fs::read_to_string(at.join("trend-LC-1002.svg")).expect("picture");
    golden(&fixture("demo/trend.svg"), &trend);
}

#[test]
fn the_demonstration_does_not_touch_a_folder_that_holds_something_else() {
    let dir = tempfile::tempdir().expect("folder");
    fs::write(dir.path().join("thesis.txt"), "years of work").expect("file");
    let output = program()
        .args(["demo", "--dir"])
        .arg(dir.path())
        .output()
        .expect("runs");
    assert_eq!(output.status.code(), Some(2));
    assert!(dir.path().join("thesis.txt").exists());
}
