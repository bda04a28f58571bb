//! Items by reference: what they point at, and pointers that lead nowhere or in circles.
//!
//! A target may not be an ancestor of what points at it (PS3.3 C.17.3.2.5). Whatever lies on a
//! circle is not followed at all: no item of a circle comes first.

use crate::domain::{Remark, RemarkCode};
use crate::sr::ItemId;
use crate::sr::tree::{Tree, Value};
use std::collections::BTreeMap;

/// Faulty references told of one document; one is as telling as a hundred thousand.
const MOST: usize = 20;

/// Targets of the sound by-reference items.
#[derive(Debug, Default)]
pub(super) struct References {
    targets: BTreeMap<ItemId, ItemId>,
    pub(super) remarks: Vec<Remark>,
}

impl References {
    /// Reads the whole tree once.
    pub(super) fn read(tree: &Tree) -> References {
        let mut references = References::default();
        let mut dangling = Vec::new();
        for id in tree.ids() {
            let Value::Reference(path) = &tree.item(id).value else {
                continue;
            };
            match tree.at_path(path) {
                Some(target) => {
                    references.targets.insert(id, target);
                }
                None => dangling.push(id),
            }
        }
        references.refuse(tree, &dangling, RemarkCode::ReferenceDangling, |_| {
            "Refers to a content item that does not exist.".to_owned()
        });
        if references.targets.is_empty() {
            return references;
        }
        let circling = circling(tree, &references.targets);
        let targets = std::mem::take(&mut references.targets);
        let (bad, good): (BTreeMap<_, _>, _) = targets
            .into_iter()
            .partition(|(id, _)| circling.contains(id));
        let ids: Vec<ItemId> = bad.keys().copied().collect();
        references.refuse(tree, &ids, RemarkCode::ReferenceCycle, |id| {
            let target = bad.get(&id).copied().unwrap_or(id);
            if tree.upwards(id).any(|above| above == target) {
                format!(
                    "Refers to {}, which it is itself a part of; it is not followed.",
                    tree.place(target)
                )
            } else {
                format!(
                    "Refers to {}, which in turn rests on it; neither is followed.",
                    tree.place(target)
                )
            }
        });
        references.targets = good;
        references
    }

    fn refuse(
        &mut self,
        tree: &Tree,
        ids: &[ItemId],
        code: RemarkCode,
        text: impl Fn(ItemId) -> String,
    ) {
        for &id in ids.iter().take(MOST) {
            self.remarks
                .push(Remark::of(code.clone(), text(id)).at(tree.place(id)));
        }
        let more = ids.len().saturating_sub(MOST);
        if more > 0 {
            let text = format!("{more} more references of this kind are not listed.");
            self.remarks.push(Remark::of(code, text));
        }
    }

    /// The item itself, or what it points at; `None` when that is nothing to rely on.
    pub(super) fn follow(&self, tree: &Tree, id: ItemId) -> Option<ItemId> {
        match tree.item(id).value {
            Value::Reference(_) => self.targets.get(&id).copied(),
            _ => Some(id),
        }
    }
}

/// By-reference items on a circle, or between two: what is left when items that nothing leads to,
/// and items that lead to nothing, are taken away until there are none.
fn circling(tree: &Tree, targets: &BTreeMap<ItemId, ItemId>) -> std::collections::BTreeSet<ItemId> {
    let mut down: BTreeMap<ItemId, Vec<ItemId>> = BTreeMap::new();
    let mut up: BTreeMap<ItemId, Vec<ItemId>> = BTreeMap::new();
    for id in tree.ids() {
        let below = tree.children(id).iter().chain(targets.get(&id));
        for &next in below {
            down.entry(id).or_default().push(next);
            up.entry(next).or_default().push(id);
        }
    }
    let mut left: std::collections::BTreeSet<ItemId> = tree.ids().collect();
    for (into, out) in [(&up, &down), (&down, &up)] {
        let mut count: BTreeMap<ItemId, usize> = left
            .iter()
            .map(|&id| {
                let into = into.get(&id).into_iter().flatten();
                (id, into.filter(|from| left.contains(from)).count())
            })
            .collect();
        let mut free: Vec<ItemId> = count
            .iter()
            .filter(|&(_, &count)| count == 0)
            .map(|(&id, _)| id)
            .collect();
        while let Some(id) = free.pop() {
            left.remove(&id);
            for next in out.get(&id).into_iter().flatten() {
                if let Some(count) = count.get_mut(next) {
                    *count -= 1;
                    if *count == 0 {
                        free.push(*next);
                    }
                }
            }
        }
    }
    left.retain(|id| targets.contains_key(id));
    left
}
