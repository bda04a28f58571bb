//! Who of the observers of an item measured (PS3.16 TID 1003).

use crate::sr::tree::Value;
use crate::sr::{Code, ItemId, Tree};

/// Person Observer's Role in this Procedure.
const ROLE: (&str, &str) = ("121011", "DCM");

/// Person Observer Name: the next person begins there.
const NAME: (&str, &str) = ("121008", "DCM");

/// Observer Type: the next observer begins there.
const TYPE: (&str, &str) = ("121005", "DCM");

/// Recording (CID 7453): wrote down what another one measured.
const RECORDING: (&str, &str) = ("121097", "DCM");

fn is(code: Option<&Code>, one: (&str, &str)) -> bool {
    code.is_some_and(|code| (code.value.as_str(), code.scheme.as_str()) == one)
}

/// Whether a person has the role Recording and no other: beside the name and before the next observer,
/// as TID 1003 has it, or below the name.
pub(super) fn only_recorded(tree: &Tree, parent: ItemId, name: ItemId) -> bool {
    let siblings = tree.children(parent);
    // Siblings are numbered in their order.
    let behind = siblings.binary_search(&name).map_or(0, |at| at + 1);
    let behind = siblings.get(behind..).unwrap_or_default().iter();
    let own = behind.take_while(|&&id| {
        let concept = tree.item(id).concept.as_ref();
        !is(concept, NAME) && !is(concept, TYPE)
    });
    let mut roles = own
        .chain(tree.children(name))
        .map(|&id| tree.item(id))
        .filter(|item| is(item.concept.as_ref(), ROLE))
        .peekable();
    roles.peek().is_some()
        && roles.all(|item| matches!(&item.value, Value::Code(code) if is(Some(code), RECORDING)))
}
