//! What the pages of the stories say first, and that `history` and `explain` say the same.

use super::story::{self, Story};
use super::{Told, orders};

/// Stories that differ in what decides, what is in doubt and what is told of the course.
const TOLD: [&str; 12] = [
    "a-birth-date-typed-wrong",
    "a-failed-revision",
    "a-newborn-of-six-weeks",
    "flagged-for-days-now-within",
    "half-centimetres",
    "no-times-and-different",
    "one-eye-up-one-down",
    "serial-scans-in-one-study",
    "settled-wider",
    "sides-exchanged",
    "the-left-eye-under-an-unknown-code",
    "too-wide-to-compare",
];

fn named(name: &str) -> Story {
    let mut all = story::all().into_iter();
    all.find(|story| story.name == name).expect("a story")
}

fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The numbers of millimetres in a text.
fn numbers(text: &str) -> Vec<&str> {
    let words = text.split(|c: char| c.is_whitespace() || matches!(c, '(' | ')' | ',' | ';'));
    let mm = words.filter(|word| {
        let digits = word.trim_start_matches(['+', '-']);
        let (whole, decimals) = digits.split_once('.').unwrap_or_default();
        whole.parse::<u8>().is_ok()
            && (2..=6).contains(&decimals.len())
            && decimals.parse::<u32>().is_ok()
    });
    mm.collect()
}

#[test]
fn history_and_explain_say_what_the_page_says() {
    for name in TOLD {
        let story = named(name);
        let order = &orders(story.reports().len(), story.said.len())[0];
        let told = Told::of(&story, order);
        let history = told.site.ok("history", &["HF-100"]);
        let mut exams: Vec<(&str, Vec<&str>)> = Vec::new();
        for line in history.lines().skip(1) {
            match (line.strip_prefix("  "), exams.last_mut()) {
                (Some(below), Some((_, lines))) => lines.push(below),
                _ => exams.push((line, Vec::new())),
            }
        }
        for (id, result) in &told.results {
            let page = told.page(result);
            let explained = told.site.ok("explain", &[id]);
            assert!(
                explained.contains(page.trim_end()),
                "{name}: explain {id}\n{explained}"
            );
            let page = flat(&page);
            let listed = exams.iter().find(|(line, _)| line.contains(id.as_str()));
            let (line, below) = listed.unwrap_or_else(|| panic!("{name}: {id}\n{history}"));
            let assessment = &result["assessment"];
            let status = assessment["status"].as_str().expect("a status");
            let star = if assessment["flagged"] == true {
                "*"
            } else {
                " "
            };
            assert!(line.contains(&format!("{status}{star}")), "{name}: {line}");
            for number in numbers(line) {
                assert!(page.contains(number), "{name}: {number} of {line}");
            }
            // What the page gives as the change stands in the list.
            let found = page.split_once("ise found: ").map(|(_, rest)| rest);
            if let Some(found) = found {
                let found = found.split(". ").next().unwrap_or_default();
                let change = numbers(found)
                    .into_iter()
                    .find(|one| one.starts_with(['+', '-']));
                let change = change.unwrap_or_else(|| panic!("{name}: {found}"));
                assert!(line.contains(change), "{name}: {change} in {line}");
            }
            for said in below {
                assert!(page.contains(&flat(said)), "{name}: {said}");
            }
        }
    }
}

/// The head of a page: from below who and when to the table or the first list.
fn head(page: &str) -> Vec<&str> {
    let lines = page.lines().skip_while(|line| !line.starts_with("Imaging"));
    let mut lines: Vec<&str> = lines.skip(2).collect();
    let end = lines.iter().position(|line| {
        let is_title =
            ["Age and growth", "Baseline", "Readings", "Events", "Course"].contains(line);
        line.starts_with("mm  ") || is_title
    });
    lines.truncate(end.expect("a list"));
    lines
}

/// Read aloud at three in the morning: three lines carry the answer, the head is short, and it says
/// nothing twice.
#[test]
fn the_head_of_every_page_is_short_and_says_nothing_twice() {
    let pages = story::all();
    assert!(pages.len() > 60);
    for story in pages {
        let page = std::fs::read_to_string(story.folder.join("page.txt")).expect("page.txt");
        let head = head(&page);
        let name = &story.name;
        assert!(
            head.len() <= 16,
            "{name}: {} lines\n{}",
            head.len(),
            head.join("\n")
        );
        let at = head.iter().position(|line| {
            let capital = |word: &str| line.starts_with(word);
            line.ends_with('.')
                && [
                    "WITHIN",
                    "ABOVE",
                    "WELL ABOVE",
                    "BELOW",
                    "NO BASELINE",
                    "NOT COMPARABLE",
                ]
                .iter()
                .any(|word| capital(word))
        });
        let at = at.unwrap_or_else(|| panic!("{name}: no status\n{}", head.join("\n")));
        let found = head.get(at + 1).copied().unwrap_or_default();
        let verdicts = [
            "Rise found: ",
            "No rise found: ",
            "Nothing can be said about a rise",
        ];
        assert!(
            verdicts.iter().any(|one| found.starts_with(one)),
            "{name}: {found}"
        );
        let next = head.get(at + 2).copied().unwrap_or_default();
        if found.starts_with("Rise") {
            assert!(next.starts_with("Measure again"), "{name}: {next}");
        }
        assert!(!next.is_empty(), "{name}");
        // The words in capitals behind the status name their sentences.
        let below: Vec<&str> = [&head[..at], &head[at + 1..]].concat();
        let words: Vec<String> = below
            .join(" ")
            .split_whitespace()
            .map(|word| {
                word.trim_matches(|c: char| !c.is_alphanumeric())
                    .to_lowercase()
            })
            .filter(|word| !word.is_empty())
            .collect();
        for (at, run) in words.windows(6).enumerate() {
            // Both eyes may have one expected interval.
            let before = words.get(at.saturating_sub(5)..at + 6).unwrap_or_default();
            if before.iter().any(|word| word == "expected") {
                continue;
            }
            let again = words[at + 1..].windows(6).any(|other| other == run);
            assert!(
                !again,
                "{name}: {:?} stands twice\n{}",
                run.join(" "),
                head.join("\n")
            );
        }
        assert_eq!(page.matches("Check first").count(), 0, "{name}");
        assert!(
            page.matches("left unread").count() + page.matches("LEFT UNREAD").count() <= 3,
            "{name}"
        );
    }
}
