//! The pages in `daemon/docs` say what the program says: stories, quoted words, codes, tests.

mod explained;
mod roles;

use super::tidy::{files, root};
use sheathline_model::codes;
use sheathline_model::domain::RemarkCode;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn page(name: &str) -> String {
    let path = root().join("daemon/docs").join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The targets of the links of a line.
fn links(line: &str) -> Vec<&str> {
    let parts = line.split("](").skip(1);
    parts.filter_map(|part| part.split(')').next()).collect()
}

/// What stands in quotation marks.
fn quoted(line: &str) -> Vec<&str> {
    let marks = line.matches('"').count();
    assert!(
        marks.is_multiple_of(2),
        "a quotation without an end: {line}"
    );
    line.split('"').skip(1).step_by(2).collect()
}

/// A text with its lines joined, as a reader takes it.
fn flat(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Every story of a ward is told to clinicians.
#[test]
fn the_page_for_clinicians_links_every_story() {
    let result = page("result.md");
    let told: BTreeSet<&str> = result
        .lines()
        .flat_map(links)
        .filter_map(|link| link.strip_prefix("../../fixtures/situations/"))
        .map(|link| link.strip_suffix("/story.md").expect("a story"))
        .collect();
    let there = fs::read_dir(root().join("fixtures/situations")).expect("the stories");
    let there: BTreeSet<String> = there
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.is_dir())
        .map(|path| path.file_name().expect("a name").display().to_string())
        .collect();
    assert!(there.len() > 60, "{} stories", there.len());
    assert_eq!(told, there.iter().map(String::as_str).collect());
}

/// What the page for clinicians quotes stands on the page of a story that the same line links, or, of a
/// line without links, on some page.
#[test]
fn the_page_for_clinicians_quotes_real_pages() {
    let docs = root().join("daemon/docs");
    let stories = root().join("fixtures/situations");
    let all: Vec<PathBuf> = files(&stories, &["page.txt"]);
    assert!(all.len() > 60, "{} pages", all.len());
    let mut quotations = 0;
    for line in page("result.md").lines() {
        let linked = links(line).into_iter().filter_map(|link| {
            let path = docs.join(link);
            let is_text = path.extension().is_some_and(|is| is == "txt");
            if link.ends_with("/story.md") {
                Some(path.with_file_name("page.txt"))
            } else {
                is_text.then_some(path)
            }
        });
        let linked: Vec<PathBuf> = linked.collect();
        let pages = if linked.is_empty() { &all } else { &linked };
        for words in quoted(line) {
            let is_there = pages.iter().any(|path| flat(path).contains(words));
            assert!(is_there, "no page linked here says {words:?}: {line}");
            quotations += 1;
        }
    }
    assert!(quotations > 40, "{quotations} quotations");
}

/// The row of the table beside the comparison on a situation with so many earlier exams: share flagged without
/// a rise and with one of 0.4, 0.6, 0.8 and 1.0 mm, in %.
fn measured(situation: &str, exams: u32) -> Vec<f64> {
    let text =
        fs::read_to_string(root().join("daemon/model/src/assess/README.md")).expect("a page");
    let mut rows = text.lines().map(|line| {
        let cells = line.trim_matches('|').split('|');
        cells.map(str::trim).collect::<Vec<_>>()
    });
    let named = format!("`{situation}`");
    let mut row = rows.find(|cells| cells[0] == named).expect(situation);
    while row[1] != exams.to_string() {
        row = rows.next().expect("a row of so many exams");
        assert_eq!(row[0], "", "{situation} has no row of {exams} exams");
    }
    let shares = row[2..7].iter();
    shares
        .map(|share| share.parse().expect("a share"))
        .collect()
}

/// Rates that the page for clinicians gives are those that `simulate --situations` gave.
#[test]
fn the_page_for_clinicians_gives_the_rates_that_were_measured() {
    let result = page("result.md");
    let says = |words: &str| assert!(result.contains(words), "{words}");
    let [known, leaning] = ["labelled", "leaning"].map(|one| measured(one, 3)[3]);
    says(&format!("is found in {leaning} % in place of {known} %"));
    let range = |names: &[&str], at: usize| {
        let all = names
            .iter()
            .flat_map(|name| [1, 2, 3].map(|k| measured(name, k)[at]));
        let all: Vec<f64> = all.collect();
        let least = all.iter().copied().fold(f64::INFINITY, f64::min);
        (least, all.iter().copied().fold(0.0, f64::max))
    };
    let (least, most) = range(&["revision_same"], 2);
    let (others, better) = range(&["revision_others", "revision_turns"], 2);
    says(&format!(
        "find +0.6 mm in {least} to {most} %, others in {others} to {better} %"
    ));
    let (few, many) = range(&["revision_same", "revision_turns", "revision_others"], 0);
    let stable = [
        measured("settled_wider", 1)[0],
        measured("settled_wider", 3)[0],
    ];
    assert!(few.min(stable[0]) >= 8.0 && many.max(stable[1]) <= 10.0);
    says("Of stable people 8 to 10 % are flagged here");
}

/// Every row of the table of remarks is made somewhere, and says what it means and what to do.
#[test]
fn every_code_of_a_remark_is_explained_and_made() {
    let daemon = root().join("daemon");
    let is_for_tests = |path: &Path| {
        let name = path.display().to_string();
        ["/tests/", "tests.rs", "samples.rs", "remark/codes.rs"]
            .iter()
            .any(|one| name.contains(one))
    };
    let mut made = BTreeSet::new();
    for path in files(&daemon, &[".rs"]) {
        if is_for_tests(&path) {
            continue;
        }
        let text = fs::read_to_string(&path).expect("UTF-8");
        for part in text.split("RemarkCode::").skip(1) {
            let name = part.split(|c: char| !c.is_ascii_alphanumeric()).next();
            made.extend(name.map(str::to_owned));
        }
    }
    let all = RemarkCode::ALL;
    assert!(all.len() > 150, "{} codes", all.len());
    assert!(all.is_sorted(), "by the alphabet");
    for code in all {
        assert!(made.contains(&format!("{code:?}")), "nothing makes {code}");
        for says in [code.means(), code.action()] {
            assert!(says.ends_with('.') && says.len() > 6, "{code}: {says}");
        }
    }
}

#[test]
fn the_page_of_codes_is_what_the_program_writes() {
    assert!(
        page("codes.md") == codes::manual(),
        "run `sheathline generate codes > daemon/docs/codes.md`"
    );
}

/// Enums whose words stand in results, and their files below `daemon/model/src/assess`.
const WORDS: [(&str, &str); 9] = [
    ("after_event.rs", "AfterState"),
    ("after_event.rs", "HappenedKind"),
    ("answer.rs", "Basis"),
    ("answer.rs", "DecidedBy"),
    ("notice.rs", "Notice"),
    ("notice.rs", "Reason"),
    ("notice.rs", "Unused"),
    ("since_last.rs", "Apart"),
    ("status.rs", "Status"),
];

/// The variants of an enum in a source, as serde writes them in snake case.
fn variants(source: &str, name: &str) -> Vec<String> {
    let body = source.split(&format!("pub enum {name} {{\n")).nth(1);
    let body = body.and_then(|rest| rest.split("\n}").next());
    let lines = body.expect(name).lines().map(str::trim);
    let names = lines.filter_map(|line| line.strip_suffix(','));
    let names = names.filter(|name| name.chars().all(char::is_alphanumeric));
    names
        .map(|name| {
            name.chars().fold(String::new(), |word, letter| {
                let is_next = letter.is_uppercase() && !word.is_empty();
                word + if is_next { "_" } else { "" } + &letter.to_lowercase().to_string()
            })
        })
        .collect()
}

/// The lists that the page is written from are kept by hand: every variant must be in them.
#[test]
fn every_word_of_the_comparison_is_explained() {
    let page = page("codes.md");
    let mut words = 0;
    for (file, name) in WORDS {
        let path = root().join("daemon/model/src/assess").join(file);
        let source = fs::read_to_string(path).expect("a source");
        for word in variants(&source, name) {
            assert!(page.contains(&format!("| `{word}` | ")), "{name}: {word}");
            words += 1;
        }
    }
    assert!(words > 90, "{words} words");
}

/// A control whose test is gone holds nothing.
#[test]
fn hazards_name_files_that_exist() {
    let mut named = 0;
    for line in page("hazards.md")
        .lines()
        .filter_map(|line| line.strip_prefix("  Held by: "))
    {
        for path in line.split('`').skip(1).step_by(2) {
            if !path.contains('/') {
                continue;
            }
            let (folder, is_star) = match path.strip_suffix('*') {
                Some(start) => (start, true),
                None => (path, false),
            };
            let at = root().join(folder);
            let is_there = if !is_star {
                at.exists()
            } else {
                fs::read_dir(at.parent().expect("a folder"))
                    .into_iter()
                    .flatten()
                    .filter_map(Result::ok)
                    .any(|entry| {
                        entry
                            .path()
                            .display()
                            .to_string()
                            .starts_with(&*at.to_string_lossy())
                    })
            };
            assert!(is_there, "{path} is not there: {line}");
            named += 1;
        }
    }
    assert!(named > 80, "{named} files");
}

/// Tests that a hazard names by a word stand in a file that the same row names.
#[test]
fn hazards_name_tests_that_exist() {
    let mut named = 0;
    for line in page("hazards.md")
        .lines()
        .filter_map(|line| line.strip_prefix("  Held by: "))
    {
        let words: Vec<&str> = line.split('`').skip(1).step_by(2).collect();
        let (paths, tests): (Vec<&str>, Vec<&str>) =
            words.into_iter().partition(|word| word.contains('/'));
        for test in tests {
            let is_there = paths.iter().any(|path| {
                let text = fs::read_to_string(root().join(path)).unwrap_or_default();
                text.contains(&format!("fn {test}("))
            });
            assert!(is_there, "no file of its row holds {test}: {line}");
            named += 1;
        }
    }
    assert!(named > 20, "{named} tests");
}
