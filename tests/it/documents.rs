//! The life of a document through the whole program: amended chains in any order, the same UID
//! with other bytes, documents on hold.

use crate::harness::{Site, fixture};
use std::fs;

fn report(case: &str) -> String {
    let path = fixture("sr").join(case).join("report.dcm");
    path.to_str().expect("path").to_owned()
}

const CHAIN: [&str; 4] = [
    "amended-first",
    "amended-second",
    "amended-third",
    "amended-fourth",
];

/// Values used by the newest result, as `eye value`.
fn used(site: &Site) -> Vec<String> {
    let mut results = site.results();
    // Parts of a chain that came without the one between them were two exams until it came.
    results.retain(|_, result| result["assessment"]["reason"] != "withdrawn");
    assert_eq!(results.len(), 1, "one exam");
    let result = results.into_values().next().expect("a result");
    let used = result["measurements_used"].as_array();
    let used = used.unwrap_or_else(|| panic!("no measurements_used in {result}"));
    let mut used: Vec<String> = used
        .iter()
        .map(|one| format!("{} {}", one["eye"].as_str().expect("eye"), one["value_mm"]))
        .collect();
    used.sort();
    used
}

/// Each file on its own, so that results are made in between.
fn process(site: &Site, files: &[String]) {
    for file in files {
        site.ok("process", &[file]);
    }
}

/// Chains of two to four, each in several orders: what the last document says counts, once.
#[test]
fn amended_chains_end_the_same_in_any_order() {
    let orders: [&[usize]; 8] = [
        &[0, 1],
        &[1, 0],
        &[0, 1, 2],
        &[2, 1, 0],
        &[1, 2, 0],
        &[0, 1, 2, 3],
        &[3, 2, 1, 0],
        &[2, 0, 3, 1],
    ];
    for order in orders {
        let site = Site::new();
        let files: Vec<String> = order.iter().map(|&at| report(CHAIN[at])).collect();
        process(&site, &files);
        let expected = match order.len() {
            2 => ["left 5.6", "right 5.6"],
            3 => ["left 5.6", "right 5.7"],
            _ => ["left 5.5", "right 5.7"],
        };
        assert_eq!(used(&site), expected, "{order:?}");
    }
}

/// First content wins; the other one is in quarantine with both hashes.
#[test]
fn the_same_uid_with_other_bytes_is_quarantined() {
    let site = Site::new();
    let bytes = fs::read(report("amended-first")).expect("fixture");
    let at = bytes.windows(3).position(|w| w == b"6.5").expect("6.5");
    let mut other = bytes.clone();
    other[at..at + 3].copy_from_slice(b"4.5");
    let path = site.path("other.dcm");
    fs::write(&path, other).expect("write");
    process(
        &site,
        &[
            report("amended-first"),
            path.to_str().expect("path").to_owned(),
        ],
    );
    assert_eq!(used(&site), ["left 6.5", "right 5.6"]);
    let text = site.ok("quarantine", &["--json"]);
    assert_eq!(text.matches("same-uid-other-content").count(), 1, "{text}");
    let sentence = text
        .split("another content: first ")
        .nth(1)
        .expect("hashes");
    let hash = |text: &str| -> String { text.chars().take(64).collect() };
    let (first, now) = (
        hash(sentence),
        hash(sentence.split(", now ").nth(1).expect("now")),
    );
    assert!(
        first != now && [&first, &now].iter().all(|h| h.len() == 64),
        "{text}"
    );
}

/// Key objects, text alone and pictures are no sheath measurement; nothing of them is lost.
#[test]
fn other_documents_are_counted() {
    let site = Site::new();
    process(
        &site,
        &[
            report("key-objects"),
            report("basic-text"),
            report("other-numbers"),
        ],
    );
    let text = site.ok("process", &[&report("key-objects")]);
    assert!(text.contains("without sheath values 3"), "{text}");
    assert!(text.contains("repeats 1"), "{text}");
}

/// A held document gives no usable value.
#[test]
fn a_held_document_waits() {
    let site = Site::with("[documents]\nunverified = \"hold\"\n");
    process(&site, &[report("amended-first")]);
    assert_eq!(used(&site), [""; 0]);
}
