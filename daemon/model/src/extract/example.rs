//! Where a code stands in a report, so that who knows the scanner can say what it means.

use crate::domain::CodeExample;
use crate::numbers::as_sent;
use crate::sr::ItemId;
use crate::sr::tree::{Tree, Value};

/// A place and nothing else.
pub(super) fn place_of(tree: &Tree, id: ItemId) -> CodeExample {
    CodeExample {
        place: tree.place(id),
        ..CodeExample::default()
    }
}

/// Value and unit of a number, as sent.
pub(super) fn value_of(tree: &Tree, id: ItemId) -> Option<String> {
    let Value::Num {
        measured: Some(measured),
        ..
    } = &tree.item(id).value
    else {
        return None;
    };
    let unit = measured.unit.as_ref().map(|unit| unit.value.as_str());
    let number = as_sent(measured)?;
    Some(format!("{number} {}", unit.unwrap_or("without unit")))
}
