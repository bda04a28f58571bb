//! Reading a TOML file a person wrote: every mistake with its place, none hides the next.

use crate::domain::Mistake;
use crate::sr::code::CodeKey;
use serde::de::DeserializeOwned;
use serde::de::value::{Error as WordError, StrDeserializer};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One file on the desk, with what is wrong with it so far.
pub(super) struct Desk<'a> {
    file: &'a str,
    text: &'a str,
    pub(super) mistakes: Vec<Mistake>,
}

impl<'a> Desk<'a> {
    /// Parses the file. With a broken syntax the table is empty and only that is reported.
    pub(super) fn open(file: &'a str, text: &'a str) -> (Self, Spanned<DeTable<'a>>) {
        let (table, errors) = DeTable::parse_recoverable(text);
        let mistakes: Vec<Mistake> = errors
            .iter()
            .map(|error| Mistake::from_toml(file, text, error))
            .collect();
        let table = if mistakes.is_empty() {
            table
        } else {
            Spanned::new(0..0, DeTable::new())
        };
        let desk = Desk {
            file,
            text,
            mistakes,
        };
        (desk, table)
    }

    /// File name and line of a place, `tid1500.toml:31`.
    pub(super) fn row(&self, span: Range<usize>) -> String {
        let name = self.file.rsplit(['/', '\\']).next().unwrap_or(self.file);
        let line = Mistake::at(self.file, self.text, span, "").line;
        format!("{name}:{line}")
    }

    /// Notes a mistake.
    pub(super) fn wrong(&mut self, span: Range<usize>, what: impl Into<String>) {
        self.mistakes
            .push(Mistake::at(self.file, self.text, span, what));
    }

    /// Notes a mistake with what to write instead.
    pub(super) fn wrong_instead(&mut self, span: Range<usize>, what: String, instead: String) {
        self.mistakes
            .push(Mistake::at(self.file, self.text, span, what).instead(instead));
    }

    /// Notes every key that is not one of `allowed`.
    pub(super) fn only(&mut self, table: &DeTable<'_>, allowed: &[&str]) {
        for key in table.keys() {
            if !allowed.contains(&key.get_ref().as_ref()) {
                self.wrong_instead(
                    key.span(),
                    format!("unknown key `{}`", key.get_ref()),
                    format!("write one of: {}", allowed.join(", ")),
                );
            }
        }
    }

    fn mistyped(&mut self, value: &Spanned<DeValue<'_>>, key: &str, wanted: &str) {
        let found = value.get_ref().type_str();
        self.wrong(
            value.span(),
            format!("`{key}` must be {wanted}, not {found}"),
        );
    }

    /// A string.
    pub(super) fn text(&mut self, table: &DeTable<'_>, key: &str) -> Option<Spanned<String>> {
        let value = table.get(key)?;
        let Some(text) = value.get_ref().as_str() else {
            self.mistyped(value, key, "a string");
            return None;
        };
        if text.trim().is_empty() {
            self.wrong(value.span(), format!("`{key}` is empty"));
            return None;
        }
        Some(Spanned::new(value.span(), text.to_owned()))
    }

    /// A string that must be there; `span` is where to complain.
    pub(super) fn required(
        &mut self,
        table: &DeTable<'_>,
        key: &str,
        span: Range<usize>,
    ) -> Option<Spanned<String>> {
        if !table.contains_key(key) {
            self.wrong(span, format!("`{key}` is missing"));
        }
        self.text(table, key)
    }

    /// `true` or `false`; absent is `false`.
    pub(super) fn flag(&mut self, table: &DeTable<'_>, key: &str) -> bool {
        match table.get(key) {
            None => false,
            Some(value) => value.get_ref().as_bool().unwrap_or_else(|| {
                self.mistyped(value, key, "true or false");
                false
            }),
        }
    }

    /// A list of strings; absent is empty.
    pub(super) fn texts(&mut self, table: &DeTable<'_>, key: &str) -> Vec<Spanned<String>> {
        let Some(value) = table.get(key) else {
            return Vec::new();
        };
        let Some(array) = value.get_ref().as_array() else {
            self.mistyped(value, key, "a list of strings");
            return Vec::new();
        };
        let mut texts = Vec::new();
        for entry in array.iter() {
            match entry.get_ref().as_str() {
                Some(text) => texts.push(Spanned::new(entry.span(), text.to_owned())),
                None => self.mistyped(entry, key, "a list of strings"),
            }
        }
        texts
    }

    /// A string or a list of strings; absent is empty.
    pub(super) fn text_or_texts(&mut self, table: &DeTable<'_>, key: &str) -> Vec<Spanned<String>> {
        match table.get(key) {
            Some(value) if value.get_ref().is_str() => self.text(table, key).into_iter().collect(),
            _ => self.texts(table, key),
        }
    }

    /// A word of a closed set.
    fn as_word<T: DeserializeOwned>(&mut self, text: &Spanned<String>) -> Option<T> {
        let words = StrDeserializer::<WordError>::new(text.get_ref());
        T::deserialize(words)
            .map_err(|error| self.wrong(text.span(), error.to_string()))
            .ok()
    }

    /// A word of a closed set under a key.
    pub(super) fn word<T: DeserializeOwned>(
        &mut self,
        table: &DeTable<'_>,
        key: &str,
    ) -> Option<T> {
        let text = self.text(table, key)?;
        self.as_word(&text)
    }

    /// A list of words of a closed set.
    pub(super) fn words<T: DeserializeOwned>(&mut self, table: &DeTable<'_>, key: &str) -> Vec<T> {
        let texts = self.texts(table, key);
        texts.iter().filter_map(|text| self.as_word(text)).collect()
    }

    /// A list of codes, each written `value scheme`: what follows the last blank is the scheme.
    pub(super) fn codes(&mut self, table: &DeTable<'_>, key: &str) -> Vec<Spanned<CodeKey>> {
        let mut codes = Vec::new();
        for text in self.texts(table, key) {
            match text.get_ref().trim().rsplit_once(' ') {
                Some((value, scheme)) => {
                    codes.push(Spanned::new(text.span(), CodeKey::new(value, scheme)));
                }
                None => self.wrong_instead(
                    text.span(),
                    format!("`{}` is not a code", text.get_ref()),
                    "write value, blank, scheme: \"24028007 SCT\"".to_owned(),
                ),
            }
        }
        codes
    }

    /// The tables of an array of tables, `[[key]]`, each with its place.
    pub(super) fn tables<'t, 'i>(
        &mut self,
        table: &'t DeTable<'i>,
        key: &str,
    ) -> Vec<(Range<usize>, &'t DeTable<'i>)> {
        let Some(value) = table.get(key) else {
            return Vec::new();
        };
        let Some(array) = value.get_ref().as_array() else {
            self.mistyped(value, key, &format!("written [[{key}]]"));
            return Vec::new();
        };
        let mut tables = Vec::new();
        for entry in array.iter() {
            match entry.get_ref().as_table() {
                Some(inner) => tables.push((entry.span(), inner)),
                None => self.mistyped(entry, key, &format!("written [[{key}]]")),
            }
        }
        tables
    }

    /// One table, `[key]`.
    pub(super) fn table<'t, 'i>(
        &mut self,
        table: &'t DeTable<'i>,
        key: &str,
    ) -> Option<(Range<usize>, &'t DeTable<'i>)> {
        let value = table.get(key)?;
        let inner = value.get_ref().as_table();
        if inner.is_none() {
            self.mistyped(value, key, "a table");
        }
        inner.map(|inner| (value.span(), inner))
    }
}
