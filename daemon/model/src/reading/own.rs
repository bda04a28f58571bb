//! Results of this program that come back, from an archive that sends on all it gets.

use crate::sr::Tree;

/// Code and scheme of the item that every result of this program holds; what it is stands in
/// [`forms::codes`](crate::forms::codes).
pub const MARK: (&str, &str) = ("result-status", "99SHEATHLINE");

/// Whether a document is a result of this program, or of another installation of it. Its values
/// are quoted from reports, so reading it as one would count them twice.
pub(super) fn is_own(tree: &Tree) -> bool {
    let mut concepts = tree.ids().filter_map(|id| tree.item(id).concept.as_ref());
    concepts.any(|code| (code.value.as_str(), code.scheme.as_str()) == MARK)
}
