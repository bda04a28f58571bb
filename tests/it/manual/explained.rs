//! The page of failures says what the tables say, and the tables what the sources and the alert rules say.

use super::super::tidy::{files, root};
use super::page;
use sheathline::health::{causes::Cause, needs::Needed};
use sheathline::manual;
use sheathline::observe::failures::{CODES, Urgency};
use sheathline_net::connect::{Word, code::NUMBERED};
use sheathline_net::dicom::refusal::Refusal;
use std::collections::BTreeSet;
use std::fs;

#[test]
fn the_page_of_failures_is_what_the_program_writes() {
    assert!(
        page("failures.md") == manual::failures(),
        "run `sheathline generate failures > daemon/docs/failures.md`"
    );
}

/// Code, meaning and action of every row, by table.
fn tables() -> Vec<Vec<(&'static str, &'static str, &'static str)>> {
    vec![
        CODES
            .iter()
            .map(|row| (row.code, row.meaning, row.action))
            .collect(),
        Refusal::ALL
            .iter()
            .map(|one| (one.code(), one.why(), one.action()))
            .collect(),
        Word::ALL
            .iter()
            .map(|one| (one.code(), one.meaning(), one.action()))
            .chain(NUMBERED.iter().copied())
            .collect(),
        Cause::ALL
            .iter()
            .map(|one| (one.code(), one.meaning(), one.action()))
            .collect(),
        Needed::ALL
            .iter()
            .map(|one| (one.code(), one.meaning(), one.action()))
            .collect(),
    ]
}

/// Whoever looks up a code finds one row in a section, and in it sentences.
#[test]
fn every_failure_says_what_it_means_and_what_to_do() {
    let page = page("failures.md");
    for table in tables() {
        let codes: BTreeSet<_> = table.iter().map(|(code, ..)| code).collect();
        assert_eq!(codes.len(), table.len(), "a code twice in one table");
        for (code, meaning, action) in table {
            let shown = format!("| `{}` | ", code.replace(", ", "`, `"));
            assert!(page.contains(&shown), "{code} is not on the page");
            assert!(meaning.len() > 15, "{code}: {meaning}");
            let is_sentence = action.starts_with(|c: char| c.is_uppercase() || "`(".contains(c));
            assert!(is_sentence && action.ends_with('.'), "{code}: {action}");
            for words in [meaning, action] {
                assert!(!words.contains('|'), "{code}: a cell would end in {words}");
            }
        }
    }
    let log: Vec<&str> = CODES.iter().map(|row| row.code).collect();
    assert!(log.is_sorted(), "by the alphabet");
}

/// The variants that the sources of packages name outside the table `but`, as `Refusal::Called` is written.
/// Tests do not count.
fn named_in_sources(name: &str, but: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let sources = ["net/src", "app/src"].map(|one| root().join("daemon").join(one));
    for path in sources.iter().flat_map(|folder| files(folder, &[".rs"])) {
        let shown = path.display().to_string();
        if shown.ends_with(but) || shown.contains("/tests") || shown.ends_with("tests.rs") {
            continue;
        }
        let text = fs::read_to_string(&path).expect("UTF-8");
        // Modules of tests stand at the end of a file.
        let text = text.split("mod tests {").next().unwrap_or_default();
        let call = format!("{name}::");
        let calls = text.split(&call).skip(1);
        let variants = calls.filter_map(|rest| rest.split(|c: char| !c.is_alphanumeric()).next());
        found.extend(variants.map(str::to_owned));
    }
    found
}

/// A row that nothing in the program can say sends people looking for nothing.
#[test]
fn every_failure_has_its_place_in_the_sources() {
    let shown = |one: &dyn std::fmt::Debug| format!("{one:?}");
    let words: Vec<String> = Word::ALL.iter().map(|one| shown(one)).collect();
    let refusals: Vec<String> = Refusal::ALL.iter().map(|one| shown(one)).collect();
    let causes: Vec<String> = Cause::ALL.iter().map(|one| shown(one)).collect();
    let needs: Vec<String> = Needed::ALL.iter().map(|one| shown(one)).collect();
    for (name, table, all) in [
        ("Word", "connect/code.rs", words),
        ("Refusal", "dicom/refusal.rs", refusals),
        ("Cause", "health/causes.rs", causes),
        ("Needed", "health/needs.rs", needs),
    ] {
        let named = named_in_sources(name, table);
        for one in all {
            assert!(named.contains(&one), "nothing says {name}::{one}");
        }
    }
}

/// Whether a word is written as codes are, with a stroke.
fn is_code(word: &str) -> bool {
    word.contains('-') && word.split('-').all(|part| !part.is_empty())
}

/// Words of the alert rules with a stroke that are commands.
const COMMANDS: [&str; 1] = ["check-config"];

/// An alert that names a code nobody logs never rings or sends people looking for nothing; one that rings
/// in the night for what can wait, or the other way round, contradicts the page.
#[test]
fn alert_rules_name_codes_that_exist_and_ring_as_urgently() {
    let rules = fs::read_to_string(root().join("config/alerts.yml")).expect("the rules");
    let known: BTreeSet<&str> = tables().concat().iter().map(|(code, ..)| *code).collect();
    let mut named = 0;
    for alert in rules.split("- alert: ").skip(1) {
        let urgency = if alert.contains("severity: page") {
            Urgency::Page
        } else {
            Urgency::Look
        };
        let is_letter = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        for word in alert.split(|c| !is_letter(c)) {
            if !is_code(word) || COMMANDS.contains(&word) {
                continue;
            }
            assert!(known.contains(word), "no code: {word} in {alert}");
            if let Some(row) = CODES.iter().find(|row| row.code == word) {
                assert_eq!(row.urgency, urgency, "{word} in {alert}");
            }
            named += 1;
        }
    }
    assert!(named > 20, "{named} codes");
}
