//! Which dictionary explained what of a document.

use super::dictionary::Dictionary;
use super::vocabulary::folded;
use crate::sr::Code;
use crate::sr::code::CodeKey;
use crate::sr::tree::{ContentItem, Tree, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Which dictionary a term, a word or a rule comes from, of those in force; built in ones have none.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Origins {
    /// Names with content hashes.
    labels: Vec<String>,
    /// Schemes of `codes`: most codes of a document are of none of them, and passed over at once.
    schemes: Vec<String>,
    /// By code value.
    codes: BTreeMap<String, Vec<(CodeKey, usize)>>,
    /// Words and labels.
    words: BTreeMap<String, usize>,
    /// By file and line, as rules are named.
    rules: BTreeMap<String, usize>,
}

impl Origins {
    /// Notes all that a dictionary says; it goes before those noted earlier.
    pub(super) fn note(&mut self, label: &str, dictionary: &Dictionary) {
        let number = self.labels.len();
        self.labels.push(label.to_owned());
        for key in dictionary.terms.keys() {
            if !self.schemes.contains(&key.scheme) {
                self.schemes.push(key.scheme.clone());
            }
            let same = self.codes.entry(key.value.clone()).or_default();
            same.retain(|(other, _)| other != key);
            same.push((key.clone(), number));
        }
        let words = dictionary.words.keys();
        self.words.extend(words.map(|word| (word.clone(), number)));
        let labels = dictionary.labels.iter();
        let labels = labels.map(|listed| folded(listed.text.get_ref()));
        self.words.extend(labels.map(|label| (label, number)));
        let rules = dictionary.measures.iter();
        self.rules
            .extend(rules.map(|rule| (rule.row.clone(), number)));
    }

    /// The dictionaries that say something of a document, or whose rules took its values; sorted.
    pub(super) fn of<'a>(&self, tree: &Tree, rules: impl Iterator<Item = &'a str>) -> Vec<String> {
        if self.labels.is_empty() {
            return Vec::new();
        }
        let mut numbers: BTreeSet<usize> = rules
            .filter_map(|rule| self.rules.get(rule))
            .copied()
            .collect();
        for id in tree.ids() {
            let item = tree.item(id);
            numbers.extend(codes(item).filter_map(|code| self.of_code(code)));
            if !self.words.is_empty() {
                let words = spoken(item).filter_map(|text| self.words.get(&folded(text)));
                numbers.extend(words);
            }
        }
        let labels = numbers.into_iter().filter_map(|at| self.labels.get(at));
        let labels: BTreeSet<&String> = labels.collect();
        labels.into_iter().cloned().collect()
    }

    /// The dictionaries that list one of these texts; sorted.
    pub(super) fn of_texts<'a>(&self, texts: impl Iterator<Item = &'a str>) -> Vec<String> {
        let numbers = texts.filter_map(|text| self.words.get(&folded(text)));
        let labels = numbers.filter_map(|&at| self.labels.get(at));
        let labels: BTreeSet<&String> = labels.collect();
        labels.into_iter().cloned().collect()
    }

    fn of_code(&self, code: &Code) -> Option<usize> {
        let (value, scheme) = code.folded();
        if !self.schemes.iter().any(|known| known == scheme) {
            return None;
        }
        let same = self.codes.get(value)?;
        let found = same.iter().find(|(key, _)| key.scheme == scheme);
        found.map(|(_, number)| *number)
    }
}

/// Every code of an item, equivalents included.
pub(super) fn codes(item: &ContentItem) -> impl Iterator<Item = &Code> {
    let value = match &item.value {
        Value::Code(code) => [Some(code), None],
        Value::Num {
            measured,
            qualifier,
        } => {
            let unit = measured
                .as_ref()
                .and_then(|measured| measured.unit.as_ref());
            [unit, qualifier.as_ref()]
        }
        _ => [None, None],
    };
    let own = item.concept.iter().chain(value.into_iter().flatten());
    own.flat_map(|code| std::iter::once(code).chain(&code.equivalents))
}

/// Longest text that may be a word or a label, bytes: 64 letters of any script.
const LONGEST: usize = 256;

/// The texts of an item that words and labels are looked for in: the meaning of the name of a container
/// or number, and the whole of a TEXT.
fn spoken(item: &ContentItem) -> impl Iterator<Item = &str> {
    let text = match &item.value {
        Value::Text(text) => Some(text),
        Value::Container | Value::Num { .. } => item.concept.as_ref().map(|code| &code.meaning),
        _ => None,
    };
    let text = text.into_iter().map(String::as_str);
    text.filter(|text| text.len() <= LONGEST)
}

/// Every text of an item that a dictionary may say something of.
pub(super) fn texts(item: &ContentItem) -> impl Iterator<Item = &str> {
    let text = match &item.value {
        Value::Text(text) => Some(text.as_str()),
        _ => None,
    };
    codes(item).map(|code| code.meaning.as_str()).chain(text)
}
