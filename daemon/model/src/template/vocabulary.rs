//! What coded concepts say. Codes are compared by value and scheme; display text never counts.

use super::label::Labels;
use super::names::{Means, Names, contradict};
use super::words::{Concept, Made, Named, Role, Side, Site, Structure, Subject, Unit};
use crate::domain::{Border, Modality, Plane};
use crate::sr::Code;
use crate::sr::code::CodeKey;
use std::collections::{BTreeMap, BTreeSet};

/// All that one code says. A pre-coordinated code says several things at once.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Says {
    /// The quantity, side and all.
    pub quantity: Option<Named>,
    /// A general word for a length.
    pub concept: Option<Concept>,
    /// What an item of this name is for.
    pub role: Option<Role>,
    /// Region of the body.
    pub site: Option<Site>,
    /// Part of the region.
    pub structure: Option<Structure>,
    /// Side.
    pub side: Option<Side>,
    /// Plane of the picture.
    pub plane: Option<Plane>,
    /// How the value was made.
    pub derivation: Option<Made>,
    /// Borders touched.
    pub definition: Option<Border>,
    /// Unit of length.
    pub unit: Option<Unit>,
    /// Who or what was measured.
    pub subject: Option<Subject>,
    /// Kind of imaging.
    pub modality: Option<Modality>,
    /// The values below it come from an earlier exam or another document.
    pub quoted: bool,
}

impl Says {
    /// Whether both say something of the same, and not the same.
    #[must_use]
    pub fn contradicts(&self, other: &Says) -> bool {
        fn differ<T: PartialEq>(one: Option<T>, other: Option<T>) -> bool {
            one.zip(other).is_some_and(|(one, other)| one != other)
        }
        differ(self.quantity, other.quantity)
            || differ(self.concept, other.concept)
            || differ(self.role, other.role)
            || differ(self.site, other.site)
            || differ(self.structure, other.structure)
            || differ(self.side, other.side)
            || differ(self.plane, other.plane)
            || differ(self.derivation, other.derivation)
            || differ(self.definition, other.definition)
            || differ(self.unit, other.unit)
            || differ(self.subject, other.subject)
            || differ(self.modality, other.modality)
    }

    /// Takes from `other` what is not said yet.
    pub fn fill_from(&mut self, other: &Says) {
        self.quantity = self.quantity.or(other.quantity);
        self.concept = self.concept.or(other.concept);
        self.role = self.role.or(other.role);
        self.site = self.site.or(other.site);
        self.structure = self.structure.or(other.structure);
        self.side = self.side.or(other.side);
        self.plane = self.plane.or(other.plane);
        self.derivation = self.derivation.or(other.derivation);
        self.definition = self.definition.or(other.definition);
        self.unit = self.unit.or(other.unit);
        self.subject = self.subject.or(other.subject);
        self.modality = self.modality.or(other.modality);
        self.quoted |= other.quoted;
    }
}

/// What a code and its equivalents say together.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Explained {
    /// The code itself goes before its equivalents.
    pub says: Says,
    /// Every side that the code or an equivalent says, so that a contradiction shows.
    pub sides: Vec<Side>,
    /// The side that a Code Meaning names against the code's own.
    pub named: Option<Side>,
    /// Whether the code or an equivalent is known at all.
    pub known: bool,
}

/// Terms by code.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Vocabulary {
    /// By scheme and value: looked up some hundred times a report, without a key of its own.
    terms: BTreeMap<String, BTreeMap<String, Says>>,
    /// Sides by word, as [`folded`] writes it.
    words: BTreeMap<String, Side>,
    names: Names,
    labels: Labels,
    /// What terms with a general word are called, as [`folded`] writes it.
    general: BTreeSet<String>,
}

/// A word as words are compared: small letters, single blanks.
#[must_use]
pub fn folded(text: &str) -> String {
    let words: Vec<String> = text.split_whitespace().map(str::to_lowercase).collect();
    words.join(" ")
}

/// Longest word that is looked up, bytes; a report's sentences are no words.
pub(crate) const LONGEST_WORD: usize = 64;

impl Vocabulary {
    /// Adds or replaces the term of one code.
    pub(super) fn set(&mut self, key: CodeKey, says: Says) {
        let of_scheme = self.terms.entry(key.scheme).or_default();
        of_scheme.insert(key.value, says);
    }

    /// Adds or replaces a word.
    pub(super) fn set_word(&mut self, word: String, side: Side) {
        self.names.add_alone(&word, Means::Side(side));
        self.words.insert(word, side);
    }

    /// Names of sides and units, to hold against codes.
    #[must_use]
    pub fn names(&self) -> &Names {
        &self.names
    }

    /// The same, to add to.
    pub(super) fn names_mut(&mut self) -> &mut Names {
        &mut self.names
    }

    /// The side that a text says, when the whole text is a word that a site lists.
    #[must_use]
    pub fn word(&self, text: &str) -> Option<Side> {
        let short = !self.words.is_empty() && text.len() <= LONGEST_WORD;
        short.then(|| self.words.get(&folded(text)).copied())?
    }

    /// What a label says of a number with a general name, when the whole text is one that a site lists.
    #[must_use]
    pub fn label(&self, text: &str) -> Option<&Says> {
        self.labels.get(text).map(|row| &row.says)
    }

    /// Whether a text is what the vocabulary itself or a dictionary calls a general word: `Distance`.
    #[must_use]
    pub fn is_own_name(&self, text: &str) -> bool {
        self.general.contains(&folded(text))
    }

    /// Adds what a general word is called.
    pub(super) fn set_general(&mut self, name: &str) {
        self.general.insert(folded(name));
    }

    /// Labels that a site lists, and where they stand.
    #[must_use]
    pub fn labels(&self) -> &Labels {
        &self.labels
    }

    /// The same, to add to.
    pub(super) fn labels_mut(&mut self) -> &mut Labels {
        &mut self.labels
    }

    /// The term of one code.
    #[must_use]
    pub fn term(&self, key: &CodeKey) -> Option<&Says> {
        self.terms.get(&key.scheme)?.get(&key.value)
    }

    fn of(&self, code: &Code) -> Option<&Says> {
        let (value, scheme) = code.folded();
        self.terms.get(scheme)?.get(value)
    }

    /// What a code says, its equivalents included.
    #[must_use]
    pub fn explain(&self, code: &Code) -> Explained {
        let mut all = Explained::default();
        let codes = || std::iter::once(code).chain(&code.equivalents);
        for says in codes().filter_map(|code| self.of(code)) {
            all.known = true;
            all.says.fill_from(says);
            if let Some(side) = says.side.filter(|side| !all.sides.contains(side)) {
                all.sides.push(side);
            }
        }
        if !all.sides.is_empty() {
            let mut named = codes().filter_map(|code| self.names.side(&code.meaning));
            all.named = named.find(|&named| all.sides.iter().any(|&says| contradict(says, named)));
        }
        all
    }

    /// What a code says, nothing when there is none.
    #[must_use]
    pub fn explain_some(&self, code: Option<&Code>) -> Explained {
        code.map(|code| self.explain(code)).unwrap_or_default()
    }

    /// Number of codes with a term.
    #[must_use]
    pub fn len(&self) -> usize {
        self.terms.values().map(BTreeMap::len).sum()
    }

    /// Whether there is no term at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.terms.is_empty()
    }
}

/// Whether a code belongs to a private scheme (PS3.16 section 8: `99…`, or `L` for local).
#[must_use]
pub fn is_private(code: &Code) -> bool {
    is_private_scheme(&code.scheme)
}

/// The same of a scheme. `99SDM` is an older name of a standard one.
#[must_use]
pub fn is_private_scheme(scheme: &str) -> bool {
    let scheme = scheme.trim();
    (scheme.starts_with("99") && scheme != "99SDM") || scheme == "L"
}
