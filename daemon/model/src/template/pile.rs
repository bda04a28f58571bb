//! Dictionary files laid over each other.

use super::Measure;
use super::dictionary::{self, Dictionary, Proposals};
use super::label::{LabelStand, Listed, Row};
use super::load::short_hash;
use super::names::contradict;
use super::origins::Origins;
use super::vocabulary::{Says, Vocabulary, folded};
use super::words::Side;
use crate::domain::Mistake;
use crate::sr::code::CodeKey;
use std::collections::BTreeMap;

/// One dictionary file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct File {
    name: String,
    /// Name and content hash as readings carry them: `pocket-t@1f0c5e…`.
    pub(super) label: String,
    pub(super) dictionary: Dictionary,
}

impl File {
    /// Reads one.
    pub(super) fn read(name: &str, text: &str, proposals: Proposals) -> File {
        let own = name.rsplit(['/', '\\']).next().unwrap_or(name);
        let own = own.strip_suffix(".toml").unwrap_or(own);
        File {
            name: name.to_owned(),
            label: format!("{own}@{}", short_hash(text)),
            dictionary: dictionary::read(name, text, proposals),
        }
    }

    /// Terms that give an eye to a code that everybody else uses without one, or for the other: every
    /// value that it stands at would be read as that eye.
    pub(super) fn sides_of_all(&self, text: &str, builtin: &Dictionary) -> Vec<Mistake> {
        let mut wrong = Vec::new();
        for (key, (says, span)) in &self.dictionary.terms {
            let CodeKey { value, scheme } = key;
            let Some(side) = says.side else { continue };
            let is_common = match builtin.terms.get(key) {
                Some((common, _)) => common.side != Some(side),
                // Units that need no term.
                None => scheme == "UCUM",
            };
            if !is_common {
                continue;
            }
            let eye = format!("{side:?}").to_lowercase();
            let what = format!(
                "`eye`: {value} {scheme} is a common code and does not say {eye}; every value at it \
                 would be read as {eye}"
            );
            let instead = "take `eye` out, and give it to a code or label of the scanner's own";
            wrong.push(Mistake::at(&self.name, text, span.clone(), what).instead(instead));
        }
        wrong
    }
}

/// What files say, laid over what is in force already. They replace that, and must agree among
/// themselves.
pub(super) struct Pile {
    vocabulary: Vocabulary,
    origins: Origins,
    measures: Vec<Measure>,
    /// What the files laid here say, with the name of the file where it is told.
    codes: BTreeMap<CodeKey, (String, Says)>,
    words: BTreeMap<String, Side>,
    labels: BTreeMap<String, String>,
    stand: Option<LabelStand>,
    /// Meanings and labels against what texts say by another file.
    against: Vec<String>,
}

impl Pile {
    /// Over what is in force already.
    pub(super) fn over(vocabulary: Vocabulary, origins: Origins) -> Pile {
        Pile {
            vocabulary,
            origins,
            measures: Vec::new(),
            codes: BTreeMap::new(),
            words: BTreeMap::new(),
            labels: BTreeMap::new(),
            stand: None,
            against: Vec::new(),
        }
    }

    /// Lays a file that was checked before.
    pub(super) fn lay(&mut self, file: &File) {
        self.lay_checked(file, "");
    }

    /// Lays a file of this text. Returns its mistakes, and where it disagrees with one laid before.
    pub(super) fn lay_checked(&mut self, file: &File, text: &str) -> Vec<Mistake> {
        let File {
            name,
            label,
            dictionary,
        } = file;
        let mut mistakes = dictionary.mistakes.clone();
        let mut wrong = |span, what: String, instead| {
            mistakes.push(Mistake::at(name, text, span, what).instead(instead));
        };
        self.origins.note(label, dictionary);
        self.measures.extend(dictionary.measures.iter().cloned());
        for name in &dictionary.general {
            self.vocabulary.set_general(name);
        }
        for name in &dictionary.names {
            name.put(&mut self.vocabulary);
        }
        for (meaning, says) in &dictionary.meanings {
            let names = self.vocabulary.names();
            if let Some(what) = names.against(meaning.get_ref(), says) {
                self.against.push(format!("{}: {what}", meaning.get_ref()));
                wrong(
                    meaning.span(),
                    what.to_owned(),
                    "correct the one that is wrong",
                );
            }
        }
        for (word, (side, span)) in &dictionary.words {
            let named = self.vocabulary.names().side(word);
            if named.is_some_and(|named| contradict(*side, named)) {
                let what = format!("`{word}` names another side than `eye`");
                wrong(span.clone(), what, "correct the one that is wrong");
            }
            let other = self.words.insert(word.clone(), *side);
            if other.is_some_and(|other| other != *side) {
                let what = format!("`{word}` says another side in another dictionary");
                wrong(span.clone(), what, "keep one of them");
            }
            self.vocabulary.set_word(word.clone(), *side);
        }
        for listed in &dictionary.labels {
            if let Err(what) = self.label(name, listed) {
                self.against.push(what.clone());
                let instead = "keep one of them, or correct the one that is wrong";
                wrong(listed.text.span(), what, instead);
            }
        }
        if let Some((stand, span)) = &dictionary.stand {
            if self.stand.is_some_and(|other| other != *stand) {
                let what = "labels stand otherwise in another dictionary".to_owned();
                wrong(span.clone(), what, "keep one of them");
            }
            self.stand = Some(*stand);
            self.vocabulary.labels_mut().set_stand(*stand);
        }
        for (key, (says, span)) in &dictionary.terms {
            match self.codes.get(key) {
                Some((first, other)) if other != says => {
                    let CodeKey { value, scheme } = key;
                    let what = format!("{value} {scheme} says something else in {first}");
                    wrong(span.clone(), what, "keep one of them");
                }
                _ => {
                    self.codes.insert(key.clone(), (name.clone(), says.clone()));
                    self.vocabulary.set(key.clone(), says.clone());
                }
            }
        }
        mistakes
    }

    /// Makes a label known, or says what it contradicts.
    fn label(&mut self, file: &str, listed: &Listed) -> Result<(), String> {
        let (text, says) = (listed.text.get_ref(), &listed.says);
        let vocabulary = &mut self.vocabulary;
        if vocabulary.names().against(text, says).is_some() {
            return Err(format!("`{text}` names another side than `eye`"));
        }
        let word = vocabulary.word(text).zip(says.side);
        if word.is_some_and(|(word, side)| word != side) {
            return Err(format!(
                "`{text}` is a [[word]] for another side than `eye`"
            ));
        }
        if let Some(first) = self.labels.get(&folded(text))
            && vocabulary.label(text) != Some(says)
        {
            return Err(format!("`{text}` says something else in {first}"));
        }
        self.labels.insert(folded(text), file.to_owned());
        let row = Row {
            says: says.clone(),
            row: listed.row.clone(),
        };
        vocabulary.labels_mut().set(text, row);
        Ok(())
    }

    /// What of the files laid here contradicts names and words of another.
    pub(super) fn against(&mut self) -> Vec<String> {
        std::mem::take(&mut self.against)
    }

    /// Vocabulary, origins and rules.
    pub(super) fn into_parts(self) -> (Vocabulary, Origins, Vec<Measure>) {
        (self.vocabulary, self.origins, self.measures)
    }
}
