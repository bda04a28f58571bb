//! The statements that stand in the sources, and which of them was said.

use std::fs;
use std::path::{Path, PathBuf};

/// Rooms and files that say what belongs to one database, or nothing to a store.
const PASSED_OVER: [&str; 9] = [
    "contract", "copy", "postgres", "schema", "spool", "sqlite", "subset", "tests", "opening",
];

/// A statement of a source, or a part of one.
#[derive(Debug)]
pub(crate) struct Said {
    /// The file, from `src` on.
    pub(crate) file: String,
    /// Its text between what is put in, blanks as one.
    pieces: Vec<String>,
    /// Nothing is put in.
    is_plain: bool,
}

impl Said {
    /// Whether a statement holds it.
    pub(crate) fn is_in(&self, sql: &str) -> bool {
        let mut rest = sql;
        self.pieces.iter().all(|piece| match rest.find(piece) {
            Some(at) => {
                rest = &rest[at + piece.len()..];
                true
            }
            None => false,
        })
    }

    /// The statement, where it is a whole one: nothing is put in, and it is nothing's part.
    pub(crate) fn whole(&self) -> Option<&str> {
        let heads = ["select ", "insert ", "update ", "delete ", "with "];
        match self.pieces.as_slice() {
            [one] if self.is_plain && heads.iter().any(|head| one.starts_with(head)) => Some(one),
            _ => None,
        }
    }

    pub(crate) fn text(&self) -> String {
        self.pieces.join(" … ")
    }
}

/// Everything that the topics say.
pub(crate) fn said() -> Vec<Said> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut said = Vec::new();
    for path in files(&root) {
        let text = fs::read_to_string(&path).expect("a source");
        let file = path
            .strip_prefix(&root)
            .expect("below")
            .display()
            .to_string();
        // Tests of a file stand at its end.
        let text = text
            .split("\n#[cfg(test)]\nmod tests")
            .next()
            .unwrap_or_default();
        let literals = literals(text).into_iter().filter(|one| is_sql(one));
        said.extend(literals.map(|one| Said {
            file: file.clone(),
            pieces: pieces(&one),
            is_plain: !one.contains('{'),
        }));
    }
    said
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("readable").path();
        let name = path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        if PASSED_OVER.contains(&name.as_str()) {
            continue;
        }
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
    found
}

/// Blanks as one.
pub(crate) fn plain(sql: &str) -> String {
    sql.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn is_sql(text: &str) -> bool {
    let text = plain(text);
    let has_parameter = text
        .match_indices('?')
        .any(|(at, _)| text[at + 1..].starts_with(|c: char| c.is_ascii_digit()));
    let statement = [
        ("select ", " from "),
        ("insert into ", " ("),
        ("update ", " set "),
        ("delete from ", ""),
        ("with ", " select "),
        ("where ", " "),
        ("and ", " order by "),
    ];
    has_parameter
        || statement
            .iter()
            .any(|(head, inside)| text.starts_with(head) && text.contains(inside))
}

/// The text between what is put in by `{…}`.
fn pieces(text: &str) -> Vec<String> {
    let mut rest = text.to_owned();
    while let (Some(from), Some(to)) = (rest.find('{'), rest.find('}')) {
        if to < from {
            break;
        }
        rest.replace_range(from..=to, "\u{1}");
    }
    let pieces = rest.split('\u{1}').map(plain);
    pieces.filter(|piece| !piece.is_empty()).collect()
}

/// The texts of a source, as the compiler reads them.
fn literals(source: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = source;
    while let Some(first) = rest.chars().next() {
        if rest.starts_with("//") {
            rest = rest.find('\n').map_or("", |end| &rest[end..]);
        } else if rest.starts_with("'\"'") || rest.starts_with("'\\") {
            // A letter, not a text: `'"'`, `'\''`.
            rest = &rest[3..];
        } else if rest.starts_with("r#\"") || rest.starts_with("r\"") {
            let (head, tail) = if rest.starts_with("r#") {
                (3, "\"#")
            } else {
                (2, "\"")
            };
            let end = rest[head..].find(tail).expect("a text that ends");
            found.push(rest[head..head + end].to_owned());
            rest = &rest[head + end + tail.len()..];
        } else if first == '"' {
            let (text, behind) = text(&rest[1..]);
            found.push(text);
            rest = behind;
        } else {
            rest = &rest[first.len_utf8()..];
        }
    }
    found
}

/// A text up to its quote, and what is behind it.
fn text(source: &str) -> (String, &str) {
    let mut text = String::new();
    let mut letters = source.char_indices();
    while let Some((at, letter)) = letters.next() {
        match letter {
            '"' => return (text, &source[at + 1..]),
            '\\' => match letters.next() {
                Some((_, '\n')) => {}
                Some((_, 'n')) => text.push('\n'),
                Some((_, other)) => text.push(other),
                None => {}
            },
            other => text.push(other),
        }
    }
    (text, "")
}

#[test]
fn texts_of_a_source_are_found() {
    let source = r##"// "none"
        let a = '"'; let b = "one \"two\" \
            three"; let c = r#"four "five""#; let d: &'static str = "six";"##;
    let found: Vec<String> = literals(source).iter().map(|one| plain(one)).collect();
    assert_eq!(found, ["one \"two\" three", "four \"five\"", "six"]);
    let said = Said {
        file: String::new(),
        pieces: pieces("{HEAD} where a = ?1 {more}"),
        is_plain: false,
    };
    assert!(said.is_in("select b from c where a = ?1 order by b"));
    assert!(!said.is_in("select b from c where a = ?2"));
}
