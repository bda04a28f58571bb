//! Reads a vocabulary or a site dictionary, and the `[[measure]]` rules both kinds of file share.

use super::desk::Desk;
use super::label::{self, LabelStand, Listed};
use super::measure::{Measure, When};
use super::names::Means;
use super::vocabulary::{Says, Vocabulary, folded};
use super::words::{NamedUnit, Side};
use crate::domain::{CodeRole, Mistake, Plane};
use crate::sr::code::CodeKey;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::Range;
use toml::de::DeTable;

/// What to do about a term without a meaning. It names no side and no quantity: whoever copies it
/// must have nothing that could be wrong.
const SAY: &str = "write what this one code means, by the keys that the README of the templates \
                   lists, or take the entry out";

/// One vocabulary or dictionary file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Dictionary {
    /// Terms by code, with where the code is written.
    pub(super) terms: BTreeMap<CodeKey, (Says, Range<usize>)>,
    /// Sides by word, with where the word is written.
    pub(super) words: BTreeMap<String, (Side, Range<usize>)>,
    /// Meanings that terms with a side or a unit are given, with what they say.
    pub(super) meanings: Vec<(toml::Spanned<String>, Says)>,
    /// What terms with a general word are called.
    pub(super) general: Vec<String>,
    /// Names of sides and units.
    pub(super) names: Vec<Name>,
    /// Labels of numbers with a general name.
    pub(super) labels: Vec<Listed>,
    /// Where labels stand, with where the file says so.
    pub(super) stand: Option<(LabelStand, Range<usize>)>,
    /// Rules of the site.
    pub(super) measures: Vec<Measure>,
    pub(super) mistakes: Vec<Mistake>,
}

/// What is done with the `proposed` of a draft, which nobody has confirmed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Proposals {
    #[default]
    /// The file is refused: a proposal is never in force.
    Refused,
    /// As if each was confirmed: to see what a draft would change. What is left open says nothing.
    AsConfirmed,
}

/// The key of what is only proposed.
pub(super) const PROPOSED: &str = "proposed";

/// One name of a `[[name]]`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Name {
    text: String,
    alone: bool,
    means: Means,
}

impl Name {
    /// As written, whether it is the whole text, and what it is the name of.
    pub(super) fn parts(&self) -> (&str, bool, Means) {
        (&self.text, self.alone, self.means)
    }

    /// Makes it known.
    pub(super) fn put(&self, vocabulary: &mut Vocabulary) {
        let names = vocabulary.names_mut();
        if self.alone {
            names.add_alone(&self.text, self.means)
        } else {
            names.add(&self.text, self.means)
        }
    }
}

/// Reads one file. Refused proposals are one mistake; what else is wrong with them is told all the
/// same.
pub(super) fn read(file: &str, text: &str, proposals: Proposals) -> Dictionary {
    let (mut desk, root) = Desk::open(file, text);
    let root = root.get_ref();
    desk.only(
        root,
        &["term", "word", "name", "label", "labels", "measure"],
    );
    let mut terms: BTreeMap<CodeKey, (Says, Range<usize>)> = BTreeMap::new();
    let mut meanings = Vec::new();
    let mut general = Vec::new();
    for (span, table) in desk.tables(root, "term") {
        desk.only(
            table,
            &[
                "code", "scheme", "also", "meaning", "called", "seen_as", "says", PROPOSED,
            ],
        );
        // For whoever confirms a draft: what the code stands for in reports.
        desk.words::<CodeRole>(table, "seen_as");
        let meaning = desk.text(table, "meaning");
        let called = desk.texts(table, "called");
        let value = desk.required(table, "code", span.clone());
        let scheme = desk.required(table, "scheme", span.clone());
        if desk.is_left_open(table) {
            continue;
        }
        let says = says(&mut desk, table, span.clone());
        for (key, is_said) in [("role", says.role.is_some()), ("unit", says.unit.is_some())] {
            if is_said && says.side.is_some() {
                desk.wrong_instead(
                    span.clone(),
                    format!(
                        "`eye` beside `{key}`: everything under this code would be read as that eye"
                    ),
                    "give the eye to the codes that tell right from left".to_owned(),
                );
            }
        }
        if says.concept.is_some() {
            let names = meaning.iter().chain(&called);
            general.extend(names.map(|name| name.get_ref().clone()));
        }
        if says.side.is_some() || says.unit.is_some() {
            let names = meaning.into_iter().chain(called);
            meanings.extend(names.map(|name| (name, says.clone())));
        }
        let own = value.zip(scheme).map(|(value, scheme)| {
            let key = CodeKey::new(value.get_ref(), scheme.get_ref());
            toml::Spanned::new(value.span(), key)
        });
        for key in own.into_iter().chain(desk.codes(table, "also")) {
            let span = key.span();
            match terms.entry(key.into_inner()) {
                Entry::Vacant(free) => {
                    free.insert((says.clone(), span));
                }
                Entry::Occupied(taken) => {
                    let CodeKey { value, scheme } = taken.key();
                    let what = format!("a second [[term]] for {value} {scheme}");
                    desk.wrong_instead(span, what, "keep one of them".to_owned());
                }
            }
        }
    }
    let words = words(&mut desk, root);
    let names = names(&mut desk, root);
    let labels = label::labels(&mut desk, root);
    let stand = label::stand(&mut desk, root);
    let measures = measures(&mut desk, root);
    if proposals == Proposals::Refused {
        refuse_proposals(&mut desk, root);
    }
    Dictionary {
        terms,
        words,
        meanings,
        general,
        names,
        labels,
        stand,
        measures,
        mistakes: desk.mistakes,
    }
}

/// Notes a draft as one mistake, at its first proposal.
fn refuse_proposals(desk: &mut Desk<'_>, root: &DeTable<'_>) {
    let rows = root.values().filter_map(|rows| rows.get_ref().as_array());
    let tables = rows.flat_map(|rows| rows.iter().filter_map(|row| row.get_ref().as_table()));
    let mut proposals: Vec<Range<usize>> = tables
        .filter_map(|table| Some(table.get(PROPOSED)?.span()))
        .collect();
    proposals.sort_by_key(|span| span.start);
    let Some(first) = proposals.first() else {
        return;
    };
    let what = format!(
        "a draft: nobody has confirmed its proposals ({} of them, this is the first)",
        proposals.len()
    );
    let instead = "run `sheathline template confirm` on it and name the dictionary that it writes";
    desk.wrong_instead(first.clone(), what, instead.to_owned());
}

/// Reads every `[[word]]`: whole texts that say a side. Nothing else may be told by words.
fn words(desk: &mut Desk<'_>, root: &DeTable<'_>) -> BTreeMap<String, (Side, Range<usize>)> {
    let mut words = BTreeMap::new();
    for (span, table) in desk.tables(root, "word") {
        desk.only(table, &["text", "eye", PROPOSED]);
        let text = desk.required(table, "text", span.clone());
        let key = match (table.contains_key("eye"), table.contains_key(PROPOSED)) {
            (true, true) => {
                desk.wrong(span, "either `eye` or `proposed`, not both");
                continue;
            }
            (false, true) => PROPOSED,
            (true, false) => "eye",
            (false, false) => {
                desk.wrong(span, "`eye` is missing");
                continue;
            }
        };
        let Some((text, eye)) = text.zip(desk.word(table, key)) else {
            continue;
        };
        if words.contains_key(&folded(text.get_ref())) {
            let what = format!("a second [[word]] for `{}`", text.get_ref());
            desk.wrong_instead(text.span(), what, "keep one of them".to_owned());
            continue;
        }
        words.insert(folded(text.get_ref()), (eye, text.span()));
    }
    words
}

/// Reads every `[[name]]`: what people call a side or a unit.
fn names(desk: &mut Desk<'_>, root: &DeTable<'_>) -> Vec<Name> {
    let mut names = Vec::new();
    for (span, table) in desk.tables(root, "name") {
        desk.only(
            table,
            &["eye", "unit", "earlier", "nothing", "inside", "alone"],
        );
        let eye = desk.word(table, "eye").map(Means::Side);
        let unit = desk.word(table, "unit").map(|unit| match unit {
            NamedUnit::Ours(unit) => Means::Unit(Some(unit)),
            NamedUnit::NotOurs => Means::Unit(None),
        });
        let earlier = desk.flag(table, "earlier").then_some(Means::Earlier);
        let nothing = desk.flag(table, "nothing").then_some(Means::Nothing);
        let means: Vec<Means> = [eye, unit, earlier, nothing]
            .into_iter()
            .flatten()
            .collect();
        let inside = desk.texts(table, "inside");
        let alone = desk.texts(table, "alone");
        // One name, one meaning: two in one row would need an order in which they count.
        let [means] = means.as_slice() else {
            desk.wrong(
                span,
                "a [[name]] has one of `eye`, `unit`, `earlier = true` and `nothing = true`",
            );
            continue;
        };
        if inside.is_empty() && alone.is_empty() {
            desk.wrong(span, "`inside` or `alone` is missing: the names");
        }
        let all = [(inside, false), (alone, true)];
        for (text, alone) in all.into_iter().flat_map(|(texts, alone)| {
            texts
                .into_iter()
                .map(move |text| (text.into_inner(), alone))
        }) {
            names.push(Name {
                text,
                alone,
                means: *means,
            });
        }
    }
    names
}

impl Desk<'_> {
    /// Whether a row is one that a draft leaves open: it proposes nothing.
    pub(super) fn is_left_open(&mut self, row: &DeTable<'_>) -> bool {
        let proposed = row.get(PROPOSED).filter(|_| !row.contains_key("says"));
        proposed.is_some_and(|it| it.get_ref().as_table().is_some_and(DeTable::is_empty))
    }
}

/// What a row says, or is proposed to say.
pub(super) fn says(desk: &mut Desk<'_>, term: &DeTable<'_>, span: Range<usize>) -> Says {
    let is_proposed = term.contains_key(PROPOSED);
    if is_proposed && term.contains_key("says") {
        desk.wrong(span.clone(), "either `says` or `proposed`, not both");
    }
    let key = if is_proposed { PROPOSED } else { "says" };
    let Some((span, table)) = desk.table(term, key) else {
        if !term.contains_key(key) {
            desk.wrong_instead(span, "`says` is missing".to_owned(), SAY.to_owned());
        }
        return Says::default();
    };
    desk.only(
        table,
        &[
            "quantity",
            "concept",
            "role",
            "site",
            "structure",
            "eye",
            "plane",
            "derivation",
            "definition",
            "unit",
            "subject",
            "modality",
            "quoted",
        ],
    );
    if table.is_empty() {
        desk.wrong_instead(span, "`says` says nothing".to_owned(), SAY.to_owned());
    }
    Says {
        quantity: desk.word(table, "quantity"),
        concept: desk.word(table, "concept"),
        role: desk.word(table, "role"),
        site: desk.word(table, "site"),
        structure: desk.word(table, "structure"),
        side: desk.word(table, "eye"),
        plane: desk.word::<Plane>(table, "plane"),
        derivation: desk.word(table, "derivation"),
        definition: desk.word(table, "definition"),
        unit: desk.word(table, "unit"),
        subject: desk.word(table, "subject"),
        modality: desk.word(table, "modality"),
        quoted: desk.flag(table, "quoted"),
    }
}

/// Reads every `[[measure]]` of a file.
pub(super) fn measures(desk: &mut Desk<'_>, root: &DeTable<'_>) -> Vec<Measure> {
    let mut measures = Vec::new();
    for (span, table) in desk.tables(root, "measure") {
        desk.only(
            table,
            &["quantity", "named", "concept", "site", "structure"],
        );
        if !table.contains_key("quantity") {
            desk.wrong(span.clone(), "`quantity` is missing");
        }
        let quantity = desk.word(table, "quantity");
        let named = desk.flag(table, "named");
        let concept = desk.words(table, "concept");
        let site = desk.words(table, "site");
        let structure = desk.words(table, "structure");
        let described = ["concept", "site", "structure"]
            .iter()
            .any(|key| table.contains_key(*key));
        let when = match (named, described) {
            (true, false) => When::Named,
            (false, true) if concept.is_empty() => {
                desk.wrong(span, "`concept` is missing: the words that the rule reads");
                continue;
            }
            (false, true) if site.is_empty() && structure.is_empty() => {
                desk.wrong(
                    span,
                    "the rule would take every such number of the report; give `site` or `structure`",
                );
                continue;
            }
            (false, true) => When::Described {
                concept,
                site,
                structure,
            },
            (true, true) | (false, false) => {
                desk.wrong(
                    span,
                    "a rule has either `named = true` or `concept` with `site` or `structure`",
                );
                continue;
            }
        };
        if let Some(quantity) = quantity {
            let row = desk.row(span);
            measures.push(Measure {
                row,
                quantity,
                when,
            });
        }
    }
    measures
}
