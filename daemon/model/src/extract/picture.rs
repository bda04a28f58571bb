//! Which pictures a number was read from.

use super::reference::References;
use crate::sr::ItemId;
use crate::sr::code::CodeKey;
use crate::sr::tree::{Relationship, Tree, Value};
use std::collections::BTreeMap;

/// Pictures kept of one number.
const MOST: usize = 64;

/// SOP Instance UIDs of the pictures that stand in measurement groups, by group.
#[derive(Debug, Default)]
pub(super) struct GroupPictures(BTreeMap<ItemId, Vec<String>>);

impl GroupPictures {
    /// Reads the whole tree once.
    pub(super) fn read(tree: &Tree, references: &References) -> GroupPictures {
        // Measurement Group, TID 1501, 1410 and 1411.
        let name = CodeKey::new("125007", "DCM");
        let is_group = |&id: &ItemId| {
            let item = tree.item(id);
            let concept = item.concept.as_ref();
            item.value == Value::Container
                && concept.is_some_and(|code| code.keys().any(|key| key == name))
        };
        let groups = tree.ids().filter(is_group);
        let pictures = |id| (id, below(tree, id, Relationship::Contains, references));
        GroupPictures(groups.map(pictures).collect())
    }

    /// Pictures that a number was read from, by value or by reference, straight or by way of
    /// coordinates; those of its measurement group (TID 1410) when it names none itself.
    pub(super) fn of(&self, tree: &Tree, number: ItemId, references: &References) -> Vec<String> {
        let own = below(tree, number, Relationship::InferredFrom, references);
        if !own.is_empty() {
            return own;
        }
        let group = tree.upwards(number).find_map(|at| self.0.get(&at));
        group.cloned().unwrap_or_default()
    }
}

fn below(tree: &Tree, owner: ItemId, by: Relationship, references: &References) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut add = |id: ItemId| {
        if let Some(at) = references.follow(tree, id)
            && let Value::Instance { instance, .. } = &tree.item(at).value
            && found.len() < MOST
            && !found.contains(instance)
        {
            found.push(instance.clone());
        }
    };
    for &child in tree.children(owner) {
        if tree.item(child).relationship != by {
            continue;
        }
        add(child);
        if let Some(at) = references.follow(tree, child)
            && let Value::Coordinates { .. } = tree.item(at).value
        {
            tree.children(at).iter().copied().for_each(&mut add);
        }
    }
    found
}
