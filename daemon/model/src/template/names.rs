//! What people call sides, units of length and earlier exams, in several languages. Only ever held
//! against what a code says or a value's use; nothing is found by it.

use super::vocabulary::Says;
use super::words::{Side, Unit};
use std::collections::{HashMap, HashSet};

/// What a listed name is the name of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Means {
    /// A side.
    Side(Side),
    /// A unit of length; `None` is a unit of something else.
    Unit(Option<Unit>),
    /// An earlier exam.
    Earlier,
    /// Neither, though it holds words that are names: a right angle.
    Nothing,
}

/// Names as they are compared: see `words_of`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Names {
    /// Found anywhere in a text.
    inside: HashMap<String, Means>,
    /// First words of those: most words begin no name, which one look tells.
    begins: HashSet<String>,
    /// The same in scripts that put no blanks between words.
    unspaced: Vec<(String, Means)>,
    /// Abbreviations, too short to be found inside a text: `OD` is also the outer diameter.
    alone: HashMap<String, Means>,
}

/// Longest text that is looked at, bytes: a Code Meaning has 64 letters, and a sentence is no name.
const LONGEST: usize = 512;

/// Most words of one name.
const WORDS: usize = 3;

/// Words that join two names without meaning both.
const EITHER: [&str; 5] = ["or", "oder", "o", "eller", "или"];

/// Small letters, and blanks for everything that is neither letter nor digit.
fn words_of(text: &str) -> Vec<String> {
    text.split(|letter: char| !letter.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .collect()
}

/// A text as names are compared.
pub(super) fn plain(text: &str) -> String {
    words_of(text).join(" ")
}

/// Whether a text holds a name, in this form, as whole words.
pub(super) fn holds(text: &str, name: &str) -> bool {
    let text = plain(text);
    if is_unspaced(name) {
        text.contains(name)
    } else {
        format!(" {text} ").contains(&format!(" {name} "))
    }
}

fn is_number(word: &str) -> bool {
    word.bytes().all(|byte| byte.is_ascii_digit())
}

/// Chinese, Japanese, Korean.
fn is_unspaced(text: &str) -> bool {
    text.chars().any(|letter| u32::from(letter) >= 0x2E80)
}

impl Names {
    /// Adds a name that counts anywhere in a text.
    pub(super) fn add(&mut self, name: &str, means: Means) {
        let name = words_of(name).join(" ");
        if is_unspaced(&name) {
            self.unspaced.push((name, means));
            // The longest first: a millimetre holds the word for a metre.
            self.unspaced
                .sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
        } else {
            let first = name.split(' ').next().unwrap_or_default();
            self.begins.insert(first.to_owned());
            self.inside.insert(name, means);
        }
    }

    /// Adds a name that counts as the whole text only.
    pub(super) fn add_alone(&mut self, name: &str, means: Means) {
        self.alone.insert(words_of(name).join(" "), means);
    }

    /// What a phrase is that counts anywhere in a text: small letters, single blanks.
    #[must_use]
    pub fn inside(&self, phrase: &str) -> Option<Means> {
        self.inside.get(phrase).copied()
    }

    /// What a phrase is that counts as the whole text only.
    #[must_use]
    pub fn alone(&self, phrase: &str) -> Option<Means> {
        self.alone.get(phrase).copied()
    }

    /// What a phrase is in a script that puts no blanks between words.
    #[must_use]
    pub fn unspaced(&self, phrase: &str) -> Option<Means> {
        let mut all = self.unspaced.iter();
        all.find_map(|(name, means)| (name == phrase).then_some(*means))
    }

    /// The longest name that words begin with, and how many of them it takes.
    fn leading(&self, words: &[&str]) -> Option<(Means, usize)> {
        words
            .first()
            .filter(|first| self.begins.contains(**first))?;
        (1..=WORDS.min(words.len())).rev().find_map(|count| {
            let means = match words.get(..count)? {
                [one] => self.inside.get(*one),
                several => self.inside.get(&several.join(" ")),
            };
            Some((*means?, count))
        })
    }

    fn named(&self, text: &str) -> Vec<Means> {
        if text.len() > LONGEST {
            return Vec::new();
        }
        let words = words_of(text);
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let whole = words.join(" ");
        if let Some(means) = self.alone.get(&whole) {
            return vec![*means];
        }
        let begins = words.iter().any(|word| self.begins.contains(*word));
        if begins || words.iter().any(|word| is_number(word)) {
            // Numbers beside an abbreviation only count readings: `OD 2`.
            let counted = words.iter().copied().filter(|word| !is_number(word));
            let left = self.without_nothing(&counted.collect::<Vec<_>>());
            if let Some(side @ Means::Side(_)) = self.alone.get(&left) {
                return vec![*side];
            }
        }
        let mut named = Vec::new();
        let mut rest = if begins { words.as_slice() } else { &[] };
        while !rest.is_empty() {
            let taken = self.leading(rest);
            named.extend(taken.map(|(means, _)| means));
            rest = rest
                .get(taken.map_or(1, |(_, count)| count)..)
                .unwrap_or_default();
        }
        if is_unspaced(text) {
            let mut left = whole;
            for (name, means) in &self.unspaced {
                if left.contains(name.as_str()) {
                    named.push(*means);
                    left = left.replace(name.as_str(), " ");
                }
            }
        }
        named
    }

    /// The words that are left without phrases that are no names.
    fn without_nothing(&self, words: &[&str]) -> String {
        let mut left: Vec<&str> = Vec::new();
        let mut rest = words;
        while let Some((&first, after)) = rest.split_first() {
            let nothing = self.leading_nothing(rest);
            rest = nothing.map_or(after, |count| rest.get(count..).unwrap_or_default());
            if nothing.is_none() {
                left.push(first);
            }
        }
        left.join(" ")
    }

    /// How many words the longest phrase takes that words begin with and that is no name.
    fn leading_nothing(&self, words: &[&str]) -> Option<usize> {
        let (_, longest) = self.leading(words)?;
        (1..=longest).rev().find(|&count| {
            let these = words.get(..count).map(|these| these.join(" "));
            these.is_some_and(|these| self.inside.get(&these) == Some(&Means::Nothing))
        })
    }

    /// Whether a text speaks of an earlier exam.
    #[must_use]
    pub fn is_earlier(&self, text: &str) -> bool {
        self.named(text).contains(&Means::Earlier)
    }

    /// The side that a text names. Both are named by a word for both or by right *and* left; a text
    /// that leaves it open (`R/L`, right or left) names none.
    #[must_use]
    pub fn side(&self, text: &str) -> Option<Side> {
        let mut sides: Vec<Side> = Vec::new();
        for means in self.named(text) {
            if let Means::Side(side) = means
                && !sides.contains(&side)
            {
                sides.push(side);
            }
        }
        match sides.as_slice() {
            [] => None,
            [one] => Some(*one),
            _ => {
                let open = text.contains(['/', '|'])
                    || words_of(text)
                        .iter()
                        .any(|word| EITHER.contains(&word.as_str()));
                (!open).then_some(Side::Bilateral)
            }
        }
    }

    /// Whether the whole of a text is the name of a unit of length; `cm/s` is not.
    #[must_use]
    pub fn is_length(&self, text: &str) -> bool {
        let plain = text.len() <= LONGEST && text.chars().all(char::is_alphanumeric);
        let name = text.to_lowercase();
        let means = self.alone.get(&name).or_else(|| self.inside.get(&name));
        plain && matches!(means, Some(Means::Unit(Some(_))))
    }

    /// Whether a text names a unit and not `unit`.
    #[must_use]
    pub fn another_unit(&self, text: &str, unit: Unit) -> bool {
        let named = self.named(text);
        let mut units = named.iter().filter_map(|means| match means {
            Means::Unit(unit) => Some(*unit),
            _ => None,
        });
        let first = units.next();
        first.is_some_and(|first| first != Some(unit)) && !units.any(|other| other == Some(unit))
    }
}

impl Names {
    /// What is wrong about a term whose meaning names another side or unit than it says.
    pub(super) fn against(&self, meaning: &str, says: &Says) -> Option<&'static str> {
        let side = says.side.zip(self.side(meaning));
        if side.is_some_and(|(says, named)| contradict(says, named)) {
            return Some("`meaning` names another side than `eye`");
        }
        let unit = says.unit?;
        let other = self.another_unit(meaning, unit);
        other.then_some("`meaning` names another unit than `unit`")
    }
}

/// Whether what a code says and what its meaning names cannot both hold.
#[must_use]
pub fn contradict(code: Side, named: Side) -> bool {
    let open = |side| side == Side::Unilateral;
    match (code, named) {
        (Side::Bilateral, other) | (other, Side::Bilateral) => other != Side::Bilateral,
        _ => code != named && !open(code) && !open(named),
    }
}
