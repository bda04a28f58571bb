//! Who the content says was measured (TID 1007 of PS3.16), to be held against the patient.

use super::level::Levels;
use crate::sr::ItemId;
use crate::sr::bounds::shortened;
use crate::sr::tree::{Tree, Value};
use crate::template::Vocabulary;
use crate::template::words::Role;
use std::fmt;

/// Statements of one kind kept of one item; more of them only repeat or contradict.
const KEPT: usize = 4;

/// What one item says of the subject of everything below it. `Debug` hides all but the place.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Stated {
    /// Place of the first item that says anything.
    pub place: String,
    /// Subject ID with its issuer, if one is given beside it.
    pub ids: Vec<(String, Option<String>)>,
    /// Subject Name, as sent.
    pub names: Vec<String>,
    /// Subject Birth Date, as sent.
    pub birth_dates: Vec<String>,
    /// Subject Sex, the code's value.
    pub sexes: Vec<String>,
}

impl fmt::Debug for Stated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Stated(hidden, at {})", self.place)
    }
}

/// Whether items of this role say who was measured.
pub(super) fn tells_of(role: Role) -> bool {
    matches!(
        role,
        Role::SubjectId | Role::SubjectName | Role::SubjectBirthDate | Role::SubjectSex
    )
}

fn keep<T>(list: &mut Vec<T>, one: T) {
    if list.len() < KEPT {
        list.push(one);
    }
}

impl Levels {
    /// Notes what an item says of the subject of `owner` and of all below it.
    pub(super) fn subject(
        &mut self,
        tree: &Tree,
        id: ItemId,
        owner: ItemId,
        role: Role,
        vocabulary: &Vocabulary,
    ) {
        let text = match &tree.item(id).value {
            Value::Text(text) | Value::PersonName(text) | Value::Time(text) | Value::Uid(text) => {
                text.trim_matches([' ', '\0'])
            }
            Value::Code(code) => code.value.trim(),
            _ => return,
        };
        if text.is_empty() {
            return;
        }
        let stated = &mut self.stated;
        let index = *self
            .levels
            .entry(owner)
            .or_default()
            .stated
            .get_or_insert_with(|| {
                stated.push(Stated {
                    place: tree.place(id),
                    ..Stated::default()
                });
                stated.len() - 1
            });
        let Some(stated) = stated.get_mut(index) else {
            return;
        };
        // Longer than any id or name: it stays different from all of them.
        let text = shortened(text, 256);
        match role {
            Role::SubjectId => {
                let issuer = issuer_of(tree, id, vocabulary);
                keep(&mut stated.ids, (text, issuer));
            }
            Role::SubjectName => keep(&mut stated.names, text),
            Role::SubjectBirthDate => keep(&mut stated.birth_dates, text),
            _ => keep(&mut stated.sexes, text),
        }
    }
}

/// Issuer of Identifier below a Subject ID.
fn issuer_of(tree: &Tree, id: ItemId, vocabulary: &Vocabulary) -> Option<String> {
    tree.children(id).iter().find_map(|&child| {
        let item = tree.item(child);
        let role = vocabulary.explain_some(item.concept.as_ref()).says.role;
        match &item.value {
            Value::Text(text) if role == Some(Role::IdIssuer) => Some(shortened(text.trim(), 256)),
            _ => None,
        }
    })
}
