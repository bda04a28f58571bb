//! Which side a text names, and why it is not proposed.
//!
//! A wrong side is the worst that a draft could do, and a side that is left out costs a person one
//! letter. So whatever speaks against a side withholds it.

use super::lexicon::{Idea, Lexicon, Understood};
use crate::template::names::Names;
use crate::template::words::Side;
use std::collections::{BTreeMap, BTreeSet};

/// All texts of one sender, word by word: where the mirror of an abbreviation is looked for.
#[derive(Debug, Default)]
pub(super) struct Texts {
    pub(super) all: BTreeSet<Vec<String>>,
}

/// The side of one text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Named {
    /// It names none.
    None,
    /// It names exactly one.
    One(Side),
    /// It names some, and is not believed; why.
    Withheld(String),
}

/// One text as it is understood among the sender's others.
#[derive(Debug, Clone)]
pub(super) struct Heard {
    pub(super) understood: Understood,
    pub(super) named: Named,
    pub(super) words: Vec<String>,
}

impl Texts {
    /// A text with its side.
    pub(super) fn hear(&self, words: &[String], lexicon: &Lexicon, names: &Names) -> Heard {
        let mirrored = self.mirrored(words, lexicon);
        let mut sides: BTreeMap<usize, Side> = BTreeMap::new();
        let mut is_unsure = false;
        for &(at, side) in &mirrored {
            is_unsure |= sides.insert(at, side).is_some_and(|other| other != side);
        }
        let understood = lexicon.understand(words, &sides, names);
        let named = named(&understood, is_unsure || sides.len() > 1);
        Heard {
            understood,
            named,
            words: words.to_vec(),
        }
    }

    /// Abbreviations whose opposite stands in the same place of an otherwise equal text.
    fn mirrored(&self, words: &[String], lexicon: &Lexicon) -> BTreeSet<(usize, Side)> {
        let mut found = BTreeSet::new();
        for (at, word) in words.iter().enumerate() {
            let with = |other: &str| {
                let mut text = words.to_vec();
                if let Some(word) = text.get_mut(at) {
                    other.clone_into(word);
                }
                self.all.contains(&text)
            };
            for (side, opposites, only) in lexicon.mirrors(word) {
                let is_in =
                    only.is_empty() || self.all.iter().any(|text| lexicon.is_in(text, only));
                // Beside an inner diameter OD is the outer one, and OS no eye either.
                let is_diameter = (word == "od" || opposites.contains(&"od")) && with("id");
                if is_in && !is_diameter && opposites.into_iter().any(with) {
                    found.insert((at, side));
                }
            }
        }
        found
    }
}

fn named(text: &Understood, is_unsure: bool) -> Named {
    let withheld = |why: String| Named::Withheld(why);
    let mut sides = text.sides.iter().filter(|side| **side != Side::Unilateral);
    let (first, second) = (sides.next(), sides.next());
    let Some(first) = first else {
        return match text.weak.first() {
            Some(word) => withheld(format!(
                "{word:?} may mean a side, and no other text of this sender is its mirror"
            )),
            None => Named::None,
        };
    };
    if second.is_some() || is_unsure {
        return withheld("it names more than one side".to_owned());
    }
    if let Some(word) = &text.unknown {
        return withheld(format!("beside the side, {word:?} may turn its sense"));
    }
    if let Some(word) = text.weak.first() {
        return withheld(format!("beside the side, {word:?} may turn its sense"));
    }
    if text.has(Idea::NoEye) {
        return withheld("the side is that of a caliper, border, angle or the like".to_owned());
    }
    Named::One(*first)
}
