//! What code meanings clearly say, in the languages of reports: `sr-templates/lexicon.toml`.
//!
//! A text is understood word by word, the longest phrase first. One word that is in no list and the
//! whole text is not understood: it may be the word that turns its sense.

use crate::template::names::{Means, Names};
use crate::template::words::{Side, Unit};
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

const TEXT: &str = include_str!("../../../../sr-templates/lexicon.toml");

/// Most words of one phrase.
const WORDS: usize = 5;

/// Longest text that is looked at, bytes: a Code Meaning has 64 letters, and a sentence is no name.
const LONGEST: usize = 512;

/// What a phrase is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Idea {
    SheathWidth,
    Sheath,
    Nerve,
    Eyeball,
    Eye,
    Orbit,
    Disc,
    Elevation,
    Diameter,
    Width,
    Thickness,
    Distance,
    Length,
    Height,
    Depth,
    Transverse,
    Sagittal,
    Oblique,
    Mean,
    Median,
    Minimum,
    Maximum,
    Single,
    Statistic,
    Outer,
    Inner,
    LateralityItem,
    FindingSiteItem,
    PartItem,
    OrientationItem,
    DerivationItem,
    MethodItem,
    DefinitionItem,
    Filler,
    /// What can have a right and a left that is not the eye's.
    NoEye,
}

/// Two abbreviations of opposite sides.
#[derive(Debug)]
pub(super) struct Mirror {
    right: String,
    left: Vec<String>,
    only: Vec<String>,
}

#[derive(Debug, Default)]
pub(super) struct Lexicon {
    /// Phrases in scripts with blanks, as [`tokens`] writes them.
    spaced: BTreeMap<String, BTreeSet<Idea>>,
    /// The same in scripts without.
    unspaced: BTreeMap<String, BTreeSet<Idea>>,
    /// Languages of each single word of more than three letters.
    languages: BTreeMap<String, BTreeSet<String>>,
    mirrors: Vec<Mirror>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    idea: Vec<Listed>,
    mirror: Vec<Pair>,
}

#[derive(Deserialize)]
struct Listed {
    name: Idea,
    #[serde(flatten)]
    words: BTreeMap<String, Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Pair {
    right: String,
    left: Vec<String>,
    #[serde(default)]
    only: Vec<String>,
}

/// The lexicon of this program; that it can be read is a test.
pub(super) fn lexicon() -> &'static Lexicon {
    static LEXICON: OnceLock<Lexicon> = OnceLock::new();
    LEXICON.get_or_init(|| toml::from_str(TEXT).map(Lexicon::of).unwrap_or_default())
}

/// What one word of a text is.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Ideas(BTreeSet<Idea>),
    Side(Side),
    Unit(Option<Unit>),
    /// An abbreviation that may mean a side.
    Weak(String),
    Number,
    Unknown(String),
}

/// What a text says, word by word.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Understood {
    /// What its phrases are about; of a phrase with two senses, each.
    pub(super) ideas: Vec<BTreeSet<Idea>>,
    /// Sides that it names by words that mean nothing else, each once.
    pub(super) sides: BTreeSet<Side>,
    /// Units that it names; `None` is a unit of something else.
    pub(super) units: Vec<Option<Unit>>,
    /// A word that is in no list; the first.
    pub(super) unknown: Option<String>,
    /// Abbreviations that may mean a side or something else.
    pub(super) weak: Vec<String>,
}

impl Understood {
    /// Whether a phrase is about this.
    pub(super) fn has(&self, idea: Idea) -> bool {
        self.ideas.iter().any(|ideas| ideas.contains(&idea))
    }
}

/// Small letters without accents; words, and runs of scripts that put no blanks between words.
pub(super) fn tokens(text: &str) -> Vec<String> {
    if text.len() > LONGEST {
        return Vec::new();
    }
    let mut tokens: Vec<String> = Vec::new();
    let mut before: Option<bool> = None;
    for letter in text.chars().flat_map(char::to_lowercase) {
        if is_mark(letter) {
            continue;
        }
        if !letter.is_alphanumeric() {
            before = None;
            continue;
        }
        let kind = is_unspaced(letter);
        if before != Some(kind) {
            tokens.push(String::new());
        }
        before = Some(kind);
        if let Some(last) = tokens.last_mut() {
            last.push(letter);
        }
    }
    tokens
}

/// Accents that stand after their letter (Unicode's combining diacritical marks).
fn is_mark(letter: char) -> bool {
    matches!(letter, '\u{300}'..='\u{36F}')
}

/// Chinese, Japanese, Korean.
fn is_unspaced(letter: char) -> bool {
    u32::from(letter) >= 0x2E80
}

/// A word without its accents, since senders leave them out.
fn plain(word: &str) -> String {
    let mut plain = String::new();
    for letter in word.chars() {
        match letter {
            'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' | 'ą' => plain.push('a'),
            'ç' | 'ć' | 'č' => plain.push('c'),
            'è' | 'é' | 'ê' | 'ë' | 'ę' => plain.push('e'),
            'ì' | 'í' | 'î' | 'ï' => plain.push('i'),
            'ł' => plain.push('l'),
            'ñ' | 'ń' => plain.push('n'),
            'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => plain.push('o'),
            'ś' | 'š' => plain.push('s'),
            'ù' | 'ú' | 'û' | 'ü' => plain.push('u'),
            'ź' | 'ż' | 'ž' => plain.push('z'),
            'ß' => plain.push_str("ss"),
            'œ' => plain.push_str("oe"),
            'æ' => plain.push_str("ae"),
            other => plain.push(other),
        }
    }
    plain
}

pub(super) fn plain_phrase(words: &[String]) -> String {
    let words: Vec<String> = words.iter().map(|word| plain(word)).collect();
    words.join(" ")
}

impl Lexicon {
    fn of(file: File) -> Lexicon {
        let mut lexicon = Lexicon {
            mirrors: file
                .mirror
                .into_iter()
                .map(|pair| Mirror {
                    right: pair.right,
                    left: pair.left,
                    only: pair.only,
                })
                .collect(),
            ..Lexicon::default()
        };
        for listed in file.idea {
            for (language, phrases) in listed.words {
                for phrase in phrases {
                    lexicon.add(listed.name, &language, &phrase);
                }
            }
        }
        lexicon
    }

    fn add(&mut self, idea: Idea, language: &str, phrase: &str) {
        let words = tokens(phrase);
        let phrase = plain_phrase(&words);
        for word in phrase.split(' ').filter(|word| word.chars().count() > 3) {
            let languages = self.languages.entry(word.to_owned()).or_default();
            languages.insert(language.to_owned());
        }
        let known = if phrase.chars().any(is_unspaced) {
            &mut self.unspaced
        } else {
            &mut self.spaced
        };
        known.entry(phrase).or_default().insert(idea);
    }

    /// What a text says. `sides` tells of words that are known to be a side here, by their place.
    pub(super) fn understand(
        &self,
        words: &[String],
        sides: &BTreeMap<usize, Side>,
        names: &Names,
    ) -> Understood {
        let mut all = Understood::default();
        let mut at = 0;
        while at < words.len() {
            let (part, count) = match sides.get(&at) {
                Some(side) => (Part::Side(*side), 1),
                None => self.part(words.get(at..).unwrap_or_default(), names),
            };
            // A phrase does not reach over a word that is known to be a side.
            let count = count.max(1);
            if let Some(&inner) = sides.range(at + 1..at + count).next().map(|(at, _)| at) {
                let short = words.get(at..inner).unwrap_or_default();
                let (part, count) = self.part(short, names);
                all.take(part);
                at += count.max(1);
                continue;
            }
            if let Part::Unknown(run) = &part
                && run.chars().any(is_unspaced)
            {
                self.unspaced_run(run, names, &mut all);
            } else {
                all.take(part);
            }
            at += count;
        }
        all
    }

    /// What the first words are, and how many they are.
    fn part(&self, words: &[String], names: &Names) -> (Part, usize) {
        for count in (1..=WORDS.min(words.len())).rev() {
            let these = words.get(..count).unwrap_or_default();
            if let Some(ideas) = self.spaced.get(&plain_phrase(these)) {
                return (Part::Ideas(ideas.clone()), count);
            }
            match names.inside(&these.join(" ")) {
                Some(Means::Side(side)) => return (Part::Side(side), count),
                Some(Means::Unit(unit)) => return (Part::Unit(unit), count),
                // A phrase that is listed as no side: a right angle.
                Some(Means::Nothing | Means::Earlier) => {
                    return (Part::Unknown(these.join(" ")), count);
                }
                None => {}
            }
        }
        let Some(first) = words.first() else {
            return (Part::Unknown(String::new()), 1);
        };
        let part = match names.alone(first) {
            // A text of nothing but this word, and it names a unit.
            Some(Means::Unit(unit)) if words.len() == 1 => Part::Unit(unit),
            _ if first.bytes().all(|byte| byte.is_ascii_digit()) => Part::Number,
            Some(Means::Side(_)) => Part::Weak(first.clone()),
            _ if self.mirrors(first).next().is_some() => Part::Weak(first.clone()),
            _ => Part::Unknown(first.clone()),
        };
        (part, 1)
    }

    /// A run without blanks: the longest phrase first, and nothing may be left.
    fn unspaced_run(&self, run: &str, names: &Names, all: &mut Understood) {
        let letters: Vec<char> = run.chars().collect();
        let mut at = 0;
        while at < letters.len() {
            let rest = letters.get(at..).unwrap_or_default();
            let found = (1..=rest.len().min(16)).rev().find_map(|count| {
                let phrase: String = rest.get(..count)?.iter().collect();
                let part = match self.unspaced.get(&phrase) {
                    Some(ideas) => Part::Ideas(ideas.clone()),
                    None => match names.unspaced(&phrase)? {
                        Means::Side(side) => Part::Side(side),
                        Means::Unit(unit) => Part::Unit(unit),
                        Means::Nothing | Means::Earlier => Part::Unknown(phrase),
                    },
                };
                Some((part, count))
            });
            let (part, count) = found.unwrap_or_else(|| {
                let rest: String = rest.iter().collect();
                (Part::Unknown(rest), letters.len())
            });
            all.take(part);
            at += count;
        }
    }

    /// What a word may abbreviate: the side, its opposites, and the languages that it needs.
    pub(super) fn mirrors<'a>(
        &'a self,
        word: &'a str,
    ) -> impl Iterator<Item = (Side, Vec<&'a str>, &'a [String])> {
        self.mirrors.iter().filter_map(move |pair| {
            if pair.right == word {
                let lefts = pair.left.iter().map(String::as_str).collect();
                Some((Side::Right, lefts, pair.only.as_slice()))
            } else if pair.left.iter().any(|left| left == word) {
                Some((Side::Left, vec![pair.right.as_str()], pair.only.as_slice()))
            } else {
                None
            }
        })
    }

    /// Whether a phrase is in a list, whatever it is about.
    pub(super) fn knows(&self, phrase: &str) -> bool {
        self.spaced.contains_key(phrase)
    }

    /// Whether a text has a word that is in the lists of one of these languages and not of English.
    pub(super) fn is_in(&self, words: &[String], languages: &[String]) -> bool {
        words.iter().any(|word| {
            let of = self.languages.get(&plain(word));
            of.is_some_and(|of| {
                !of.contains("en") && languages.iter().any(|language| of.contains(language))
            })
        })
    }
}

impl Understood {
    fn take(&mut self, part: Part) {
        match part {
            Part::Ideas(ideas) => self.ideas.push(ideas),
            Part::Side(side) => {
                self.sides.insert(side);
            }
            Part::Unit(unit) => self.units.push(unit),
            Part::Weak(word) => self.weak.push(word),
            Part::Number => {}
            Part::Unknown(word) => {
                self.unknown.get_or_insert(word);
            }
        }
    }
}
