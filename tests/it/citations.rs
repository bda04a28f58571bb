//! Sources are cited by title, journal, year and DOI. Whoever wrote them is named nowhere: a rule that
//! no list of names can hold, so this looks for the shapes in which authors are cited.

use super::tidy::{files, root};
use std::fs;

/// Files that hold sentences.
const ENDINGS: [&str; 11] = [
    ".rs", ".md", ".py", ".toml", ".R", ".sql", ".sh", ".json", ".yml", ".txt", ".html",
];

/// Words of a text, with comment signs at the beginnings of lines left out.
fn words(text: &str) -> Vec<&str> {
    let signs: &[char] = &['/', '!', '#', '*', '|', '>', ' ', '\t', '\\'];
    let lines = text.lines().map(|line| line.trim_matches(signs));
    lines.flat_map(str::split_whitespace).collect()
}

/// Without what stands around a word.
fn bare(word: &str) -> &str {
    let word = word.trim_matches(|c: char| !c.is_alphanumeric());
    word.strip_suffix("'s").unwrap_or(word)
}

/// A capital, then small letters; each part of a double name so.
fn is_name(word: &str) -> bool {
    let is_one = |part: &str| {
        let mut letters = part.chars();
        letters.next().is_some_and(char::is_uppercase)
            && part.chars().count() >= 3
            && letters.all(char::is_lowercase)
    };
    word.split('-').all(is_one)
}

fn is_capital(word: &str) -> bool {
    bare(word).starts_with(char::is_uppercase)
}

fn is_month(word: &str) -> bool {
    const MONTHS: [&str; 12] = [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ];
    MONTHS.iter().any(|month| word.starts_with(month))
}

/// What stands behind a year of a publication, if the word is one; not the beginning of a date or of
/// a number.
fn behind_year(word: &str) -> Option<&str> {
    let word = word.trim_start_matches(['(', '[']);
    let (year, rest) = word.split_at_checked(4)?;
    let is_year = year.parse::<u16>().is_ok() && ["18", "19", "20"].contains(&&year[..2]);
    let more = rest.chars().nth(1).is_some_and(char::is_alphanumeric);
    let is_longer = rest.starts_with(char::is_alphanumeric)
        || (rest.starts_with(['.', ':', '-', '/']) && more)
        || rest.starts_with(['-', '/']);
    (is_year && !is_longer).then_some(rest)
}

/// A year behind at most six capital words: a journal.
fn journal_and_year(words: &[&str]) -> bool {
    let capitals = words.iter().take_while(|word| {
        is_capital(word) && word.ends_with(|c: char| c.is_alphanumeric() || c == '.')
    });
    let year = capitals.count();
    (1..=6).contains(&year)
        && words
            .get(year)
            .is_some_and(|word| behind_year(word).is_some())
}

/// Initials of a person: one or two capitals.
fn is_initials(word: &str) -> bool {
    let letters = bare(word);
    (1..=2).contains(&letters.len()) && letters.chars().all(|c| c.is_ascii_uppercase())
}

/// Places where somebody is cited by name, with some words around.
fn cited(text: &str) -> Vec<String> {
    let words = words(text);
    let at = |place: usize| words.get(place).copied().unwrap_or_default();
    let is_cited = |here: usize| {
        let (word, next) = (at(here), at(here + 1));
        if bare(word) == "et" && bare(next) == "al" {
            return true;
        }
        let name = bare(word);
        if !is_name(name) || is_month(name) {
            return false;
        }
        let before = here.checked_sub(1).map_or("", at);
        // Journals have several capital words, or a volume or an identifier behind the year.
        let goes_on = is_capital(before) && before.ends_with(char::is_alphanumeric);
        let is_plain = word.ends_with(|c: char| c.is_alphanumeric() || c == ',');
        let named_year = behind_year(next).is_some_and(|rest| {
            let then = at(here + 2).trim_start_matches('(');
            let is_journal = rest.starts_with(';')
                || ["doi", "10.", "PMID"]
                    .iter()
                    .any(|one| then.starts_with(one));
            is_plain && !goes_on && !is_journal
        });
        let rest = words.get(here + 1..).unwrap_or_default();
        let two = next == "and" && is_name(bare(at(here + 2)));
        let behind_two = words.get(here + 3..).unwrap_or_default();
        let two_cited = two
            && (behind_year(at(here + 3)).is_some()
                || (at(here + 2).ends_with(',') && journal_and_year(behind_two)));
        let one_cited = word.ends_with(',') && !goes_on && journal_and_year(rest);
        let listed = is_plain
            && is_initials(next)
            && next.ends_with(',')
            && is_name(bare(at(here + 2)))
            && is_initials(at(here + 3))
            && at(here + 3).ends_with(['.', ',']);
        named_year || two_cited || one_cited || listed
    };
    let places = (0..words.len()).filter(|&here| is_cited(here));
    places
        .map(|here| words[here.saturating_sub(3)..(here + 6).min(words.len())].join(" "))
        .collect()
}

#[test]
fn nobody_who_wrote_a_source_is_named() {
    let mut read = 0;
    let mut found = Vec::new();
    for path in files(&root(), &ENDINGS) {
        // Some fixtures are damaged on purpose.
        let Ok(text) = fs::read_to_string(&path) else {
            continue;
        };
        let places = cited(&text).into_iter();
        found.extend(places.map(|place| format!("{}: {place}", path.display())));
        read += 1;
    }
    assert!(read > 500, "{read} files");
    assert!(
        found.is_empty(),
        "cite title, journal, year and DOI, not who wrote it:\n{}",
        found.join("\n")
    );
}

/// Each shape is found where somebody put it, and what is no name of a person is none.
#[test]
fn citations_by_name_are_found() {
    // With `~` for blanks, so that this file holds none.
    for text in [
        "as~Tarnholt~et~al.,~J~Neurol~2011",
        "see~Wren~et\n///~al.~for~more",
        "mean~3.08~(Ostmar~2015)",
        "(Ostmar~1999,~mean~3.08)",
        "by~Ostmar-Wren~(1962),~weighted",
        "the~rule~of~Wren~and~Ostmar~1989:~nine",
        "slope~(Wren~and\n//!~Ostmar,~J~Neurosurg~1997)",
        "values:~Ostmar,~Clin~Chem~Lab~Med~2012;50:807",
        "Wren~JM,~Ostmar~DG.~Measurement~error.",
        "(Tarnholt,~Wren~and~Ostmar~2014)",
    ] {
        let text = text.replace('~', " ");
        assert!(!cited(&text).is_empty(), "{text}");
    }
    for text in [
        "Measurement error, BMJ 1996;313:744",
        "BMC Neurol 2015, doi:10.1186/s12883-015-0361-x",
        "from memory, Technometrics 1990;32:1",
        "carbon dioxide: Anaesthesia 2017, PMID 28177116",
        "World Neurosurg 2021 (narrowing to day 7)",
        "adults, Italy and Germany, controls",
        "Wilson's interval, Shewhart and Bland-Altman",
        "Sun, 06 Nov 1994 08:49:37 GMT; in March 2026",
        "the standard of DICOM 2024b and RFC 1952 2.3.1",
    ] {
        assert_eq!(cited(text), Vec::<String>::new(), "{text}");
    }
}
