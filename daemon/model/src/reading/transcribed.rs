//! Reports whose values a person copied from an older record by hand.

use crate::domain::{Remark, RemarkCode};
use crate::sr::Tree;
use crate::sr::tree::Value;

/// Code and scheme of the text that says from where; what it is stands in
/// [`forms::codes`](crate::forms::codes).
pub const MARK: (&str, &str) = ("transcribed-from", "99SHEATHLINE");

/// Letters that are quoted of it.
const QUOTED: usize = 120;

/// The remark on a report that says it was copied.
pub(super) fn remark(tree: &Tree) -> Option<Remark> {
    let at = tree.ids().find(|&id| {
        let concept = tree.item(id).concept.as_ref();
        concept.is_some_and(|code| (code.value.as_str(), code.scheme.as_str()) == MARK)
    })?;
    let text = match &tree.item(at).value {
        Value::Text(from) => {
            let from: String = from.trim().chars().take(QUOTED).collect();
            format!("The values were copied by hand from an older record: {from}.")
        }
        _ => "The values were copied by hand from an older record.".to_owned(),
    };
    Some(Remark::of(RemarkCode::Transcribed, text).at(tree.place(at)))
}
