//! What the file says: known keys with their values, and everything that is not known.

use super::keys::{self, Key, Rows, heading};
use super::value::nearest;
use sheathline_model::domain::Mistake;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The longest list of keys that helps in a message.
const LISTED: usize = 12;

/// One thing the file sets.
pub(super) enum Entry<'t> {
    /// A row begins: the settings of its table that follow, up to the next row, are its own.
    Row(&'static Rows, Range<usize>),
    /// A setting as written.
    Setting(&'static Key, Spanned<DeValue<'t>>),
}

/// A file taken apart.
pub(super) struct Raw<'t> {
    pub(super) file: &'t str,
    pub(super) text: &'t str,
    pub(super) entries: Vec<Entry<'t>>,
    /// The file breaks the syntax somewhere, so what seems to be missing may be there.
    pub(super) broken: bool,
    pub(super) mistakes: Vec<Mistake>,
}

impl<'t> Raw<'t> {
    /// Takes a file apart. The parser goes on after a syntax mistake, so names and values of
    /// other lines are still checked.
    pub(super) fn read(file: &'t str, text: &'t str) -> Self {
        let (table, errors) = DeTable::parse_recoverable(text);
        let mut raw = Raw {
            file,
            text,
            entries: Vec::new(),
            broken: !errors.is_empty(),
            mistakes: Vec::new(),
        };
        for error in &errors {
            let mistake = syntax(file, text, error);
            // What follows on the same line is mostly the echo of the first.
            if !raw.mistakes.iter().any(|m| m.line == mistake.line) {
                raw.mistakes.push(mistake);
            }
        }
        let lines: Vec<usize> = raw.mistakes.iter().map(|m| m.line).collect();
        // After a broken heading, keys would be blamed on the wrong table.
        let headings = lines.iter().all(|line| {
            let line = text.lines().nth(line - 1).unwrap_or_default();
            !line.trim_start().starts_with('[')
        });
        if headings {
            raw.walk("", table.into_inner());
            let syntax = lines.len();
            let mut at = 0;
            raw.mistakes.retain(|m| {
                at += 1;
                at <= syntax || !lines.contains(&m.line)
            });
            raw.entries.retain(|entry| {
                let Entry::Setting(_, value) = entry else {
                    return true;
                };
                let start = Mistake::at(file, text, value.span(), "").line;
                let end = value.span().end;
                let end = Mistake::at(file, text, end..end, "").line;
                !lines.iter().any(|line| (start..=end).contains(line))
            });
        }
        raw
    }

    /// A mistake at a place of this file.
    pub(super) fn mistake(
        &mut self,
        span: Range<usize>,
        what: impl Into<String>,
        instead: impl Into<String>,
    ) {
        let mistake = Mistake::at(self.file, self.text, span, what).instead(instead);
        self.mistakes.push(mistake);
    }

    /// The line where a span starts.
    pub(super) fn line(&self, span: Range<usize>) -> usize {
        Mistake::at(self.file, self.text, span, "").line
    }

    /// A value as the file writes it, cut to what a message can carry.
    pub(super) fn written(&self, span: Range<usize>) -> String {
        const LONGEST: usize = 40;
        let written = self.text.get(span).unwrap_or_default();
        let line = written.lines().next().unwrap_or_default();
        let mut short: String = line.chars().take(LONGEST).collect();
        if short.len() < written.len() {
            short.push_str("...");
        }
        short
    }

    fn walk(&mut self, path: &str, table: DeTable<'t>) {
        for (name, value) in table {
            let span = name.span();
            let name = bare(&name.into_inner());
            let full = if path.is_empty() {
                name.clone()
            } else {
                format!("{path}.{name}")
            };
            let key = keys::find(path, &name);
            let leads_on =
                keys::tables().any(|table| table == full || table.starts_with(&format!("{full}.")));
            if let Some(key) = key {
                self.entries.push(Entry::Setting(key, value));
            } else if let Some(rows) = keys::rows(&full) {
                self.rows(span, rows, value);
            } else if leads_on {
                match value.into_inner() {
                    DeValue::Table(inner) => self.walk(&full, inner),
                    _ => self.mistake(
                        span,
                        format!("{full} is a table of settings and stands once"),
                        heading_for(&full),
                    ),
                }
            } else if value.get_ref().is_table() || is_tables(value.get_ref()) {
                self.unknown_table(span, &full, &name);
            } else {
                self.unknown_key(span, path, &name);
            }
        }
    }

    /// Each row of a table that may stand several times.
    fn rows(&mut self, span: Range<usize>, rows: &'static Rows, value: Spanned<DeValue<'t>>) {
        let mut wrong = vec![span];
        if let DeValue::Array(array) = value.into_inner() {
            wrong.clear();
            for row in array {
                let span = row.span();
                match row.into_inner() {
                    DeValue::Table(inner) => {
                        self.entries.push(Entry::Row(rows, span));
                        self.walk(rows.table, inner);
                    }
                    _ => wrong.push(span),
                }
            }
        }
        for span in wrong {
            self.mistake(
                span,
                format!("{} is a table that may stand several times", rows.table),
                heading_for(rows.table),
            );
        }
    }

    fn unknown_table(&mut self, span: Range<usize>, full: &str, name: &str) {
        let by_last = |table: &&'static str| table.rsplit('.').next() == Some(name);
        let firsts = || keys::tables().map(|table| table.split('.').next().unwrap_or(table));
        let near = nearest(full, keys::tables().chain(firsts()))
            .first()
            .copied()
            .or_else(|| keys::tables().find(by_last));
        let instead = match near {
            Some(table) => heading_for(table),
            None => format!("the tables are {}", bracketed("", ", ")),
        };
        self.mistake(span, format!("there is no table [{full}]"), instead);
    }

    fn unknown_key(&mut self, span: Range<usize>, path: &str, name: &str) {
        let what = if path.is_empty() {
            format!("there is no key {name} outside the tables")
        } else {
            format!("there is no key {name} in {}", heading(path))
        };
        let here = || keys::of_table(path).map(|key| key.name);
        let elsewhere: Vec<String> = keys::all()
            .filter(|key| key.name == name)
            .map(|key| heading(key.table))
            .collect();
        let near = nearest(name, here());
        let instead = if !near.is_empty() {
            format!("write {}", near.join(" or "))
        } else if !elsewhere.is_empty() {
            format!("move it under {}", elsewhere.join(" or "))
        } else if path.is_empty() {
            "remove it, or move it under its table".to_owned()
        } else {
            match here().collect::<Vec<_>>().as_slice() {
                [] => format!("remove it; settings stand in {}", bracketed(path, " and ")),
                all if all.len() <= LISTED => {
                    format!("remove it; the keys here are {}", all.join(", "))
                }
                _ => "remove it; the default configuration explains every key".to_owned(),
            }
        };
        self.mistake(span, what, instead);
    }
}

/// A name as it stands in messages. One with dots, blanks or anything else that needs quotes is
/// shown in quotes, so that it is never taken for a known name or path.
fn bare(name: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
    if !name.is_empty() && name.chars().all(plain) {
        name.to_owned()
    } else {
        format!("{name:?}")
    }
}

fn is_tables(value: &DeValue<'_>) -> bool {
    value
        .as_array()
        .is_some_and(|array| array.iter().any(|element| element.get_ref().is_table()))
}

/// The tables that are `part` or lie in it, all of them if it is empty.
fn bracketed(part: &str, joint: &str) -> String {
    let tables: Vec<String> = keys::tables()
        .filter(|table| {
            let rest = table.strip_prefix(part);
            part.is_empty() || rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        })
        .map(heading)
        .collect();
    tables.join(joint)
}

fn heading_for(full: &str) -> String {
    format!("write {} on a line of its own", bracketed(full, " or "))
}

/// A syntax mistake, with the usual way out where there is one.
fn syntax(file: &str, text: &str, error: &toml::de::Error) -> Mistake {
    let mistake = Mistake::from_toml(file, text, error);
    let said = error.message();
    let written = error
        .span()
        .and_then(|span| text.get(span))
        .unwrap_or_default();
    let has = |part: &str| said.contains(part);
    let word = written.starts_with(char::is_alphabetic);
    let instead = if written.contains('@') && (has("must be quoted") || has("invalid float")) {
        // A password may stand in a url whose quotes were forgotten.
        "put the value in quotes".to_owned()
    } else if has("must be quoted") && !written.is_empty() || has("invalid float") && word {
        format!("write \"{written}\"")
    } else if has("must be quoted") {
        "write a value after the equals sign".to_owned()
    } else if has("duplicate key") {
        "keep one of the two".to_owned()
    } else if has("escaped value") {
        "write a path with backslashes in single quotes".to_owned()
    } else if has("unexpected key or value") {
        "write one key = value on a line, and numbers with a decimal point, not a comma".to_owned()
    } else if has("unclosed table") {
        "close the name of the table with ]".to_owned()
    } else if has("no value") || has("unquoted key") || has("extra `=`") {
        "write key = value".to_owned()
    } else if has("invalid boolean") {
        "write true or false in small letters".to_owned()
    } else if has("string") {
        "close the text with a quote of the kind it starts with".to_owned()
    } else if has("array") {
        "close the list with ] and put commas between its entries".to_owned()
    } else if has("leading zero") {
        "write the number without leading zeros".to_owned()
    } else {
        "the rules of such files are at https://toml.io".to_owned()
    };
    mistake.instead(instead)
}
