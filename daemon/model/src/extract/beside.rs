//! Which labels stand beside which numbers of a container. Each container is looked at once.

use super::standing::{Text, texts};
use crate::sr::tree::{Relationship, Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::Vocabulary;
use crate::template::label::{LabelStand, Row};
use std::collections::BTreeMap;

/// Different labels of one place that are kept: two already contradict each other or agree.
const KEPT: usize = 4;

/// A label that a site lists, where it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Label<'t> {
    pub(super) at: ItemId,
    pub(super) text: &'t str,
    pub(super) row: &'t Row,
}

/// What stands at one place: the labels that are listed, or a text that is not and may be one.
#[derive(Debug, Clone, Default)]
pub(super) struct Heard<'t> {
    pub(super) labels: Vec<Label<'t>>,
    /// Some text here is no listed label.
    pub(super) other: Option<ItemId>,
}

impl<'t> Heard<'t> {
    /// Takes what a text or a name says here.
    pub(super) fn text(&mut self, text: &Text<'t>, vocabulary: &'t Vocabulary) {
        if !self.name(text.at, text.text, vocabulary) && !text.is_told(vocabulary) {
            self.other = self.other.or(Some(text.at));
        }
    }

    /// Takes a Code Meaning, if it is a listed label; whether it is.
    pub(super) fn name(&mut self, at: ItemId, text: &'t str, vocabulary: &'t Vocabulary) -> bool {
        let Some(row) = vocabulary.labels().get(text) else {
            return false;
        };
        let again = |known: &Label<'_>| known.row.says == row.says;
        if self.labels.len() < KEPT && !self.labels.iter().any(again) {
            let text = text.trim();
            self.labels.push(Label { at, text, row });
        }
        true
    }
}

/// The labels of one container.
#[derive(Debug, Default)]
pub(super) struct Beside<'t> {
    /// Said of all its numbers: its Tracking Identifier, and texts beside its only number.
    pub(super) of_all: Heard<'t>,
    /// Said of its only number, so that there is no doubt whose label it is.
    pub(super) is_of_one: bool,
    /// By the declared habit: the text of each number.
    pairs: BTreeMap<ItemId, Text<'t>>,
    /// A listed label beside several numbers that is of none of them for sure.
    pub(super) loose: Option<Label<'t>>,
    /// Its title, or that of the section around it where it has none of its own.
    pub(super) title: Heard<'t>,
    /// Its numbers have different general names: what is said of all of them is said of none.
    pub(super) is_mixed: bool,
}

/// Containers whose standard name is no title: they stand inside the one that has it (PS3.16 TID 1500,
/// TID 1410 and 1411).
const UNTITLED: [&str; 2] = ["125007", "126010"];

fn is_untitled(name: Option<&Code>) -> bool {
    name.is_none_or(|name| name.scheme.trim() == "DCM" && UNTITLED.contains(&name.value.trim()))
}

impl<'t> Beside<'t> {
    /// Reads a container.
    pub(super) fn read(tree: &'t Tree, vocabulary: &'t Vocabulary, container: ItemId) -> Self {
        let mut beside = Beside::default();
        let numbers: Vec<ItemId> = tree
            .children(container)
            .iter()
            .copied()
            .filter(|&id| is_value(tree, id))
            .collect();
        beside.is_of_one = numbers.len() == 1;
        beside.is_mixed = is_mixed(tree, vocabulary, &numbers);
        let mut siblings: BTreeMap<ItemId, Text<'t>> = BTreeMap::new();
        for text in texts(tree, vocabulary, container) {
            if text.tracks {
                beside.of_all.text(&text, vocabulary);
            } else {
                siblings.insert(text.at, text);
            }
        }
        if let Some(stand) = vocabulary.labels().stand() {
            beside.pairs = paired(tree, vocabulary, container, &siblings, stand);
        }
        let paired = !beside.pairs.is_empty();
        if beside.is_of_one && !paired {
            for text in siblings.values() {
                beside.of_all.text(text, vocabulary);
            }
        } else if !paired {
            let mut heard = Heard::default();
            for text in siblings.values() {
                heard.name(text.at, text.text, vocabulary);
            }
            beside.loose = heard.labels.first().copied();
        }
        beside.title = title(tree, vocabulary, container);
        beside
    }

    /// What stands at this number's own place in the container.
    pub(super) fn of(&self, number: ItemId, vocabulary: &'t Vocabulary) -> Heard<'t> {
        let mut heard = self.of_all.clone();
        if let Some(text) = self.pairs.get(&number) {
            heard.text(text, vocabulary);
        }
        heard
    }
}

fn is_value(tree: &Tree, id: ItemId) -> bool {
    let item = tree.item(id);
    let by_value = matches!(
        item.relationship,
        Relationship::Contains | Relationship::InferredFrom
    );
    by_value && matches!(item.value, Value::Num { .. })
}

/// Whether a number has a general name: the word, unless it tells depth or angle.
fn general<'t>(tree: &'t Tree, vocabulary: &Vocabulary, number: ItemId) -> Option<&'t Code> {
    let name = tree.item(number).concept.as_ref()?;
    let says = vocabulary.explain(name).says;
    (says.concept.is_some() && says.role.is_none()).then_some(name)
}

fn is_mixed(tree: &Tree, vocabulary: &Vocabulary, numbers: &[ItemId]) -> bool {
    let names = numbers.iter();
    let mut names = names.filter_map(|&number| general(tree, vocabulary, number));
    let first = names.next().map(Code::key);
    names.any(|name| Some(name.key()) != first)
}

/// The nearest title that a site lists, up to the first one that can be a title. The root's is none.
fn title<'t>(tree: &'t Tree, vocabulary: &'t Vocabulary, container: ItemId) -> Heard<'t> {
    let mut heard = Heard::default();
    for at in tree.upwards(container) {
        let item = tree.item(at);
        if at == tree.root() || !matches!(item.value, Value::Container) {
            break;
        }
        if let Some(name) = &item.concept
            && heard.name(at, &name.meaning, vocabulary)
        {
            break;
        }
        if !is_untitled(item.concept.as_ref()) {
            break;
        }
    }
    heard
}

/// The text of each number by the habit that the site declares: exactly one directly before, or after,
/// each number with a general name, else none at all. Longer texts are sentences and are passed over.
fn paired<'t>(
    tree: &'t Tree,
    vocabulary: &Vocabulary,
    container: ItemId,
    siblings: &BTreeMap<ItemId, Text<'t>>,
    stand: LabelStand,
) -> BTreeMap<ItemId, Text<'t>> {
    let children = tree.children(container);
    let in_order: Vec<ItemId> = match stand {
        LabelStand::Before => children.to_vec(),
        LabelStand::After => children.iter().rev().copied().collect(),
    };
    let mut pairs = BTreeMap::new();
    let mut before: Vec<&Text<'t>> = Vec::new();
    for id in in_order {
        if let Some(text) = siblings.get(&id) {
            before.push(text);
        } else if is_value(tree, id) {
            match before.as_slice() {
                [one] => {
                    pairs.insert(id, **one);
                }
                _ if general(tree, vocabulary, id).is_some() => return BTreeMap::new(),
                _ => {}
            }
            before.clear();
        }
    }
    pairs
}
