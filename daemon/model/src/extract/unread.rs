//! What was not understood, told once per code and not once per number.

use super::context::Chain;
use crate::domain::{Remark, RemarkCode};
use crate::numbers::unit;
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::vocabulary::is_private;
use crate::template::{Explained, Vocabulary};
use std::collections::BTreeMap;

/// Codes remarked of one kind before the rest is only counted.
const MOST: usize = 50;

const NO_RULE: &str = "A length at the eye that no rule takes: ";
const NOBODY: &str = "A local code that nobody explains: ";

/// The code that such a remark tells of, `value scheme`, and how often it was met.
#[must_use]
pub fn unexplained(remark: &Remark) -> Option<(String, usize)> {
    let said = [NO_RULE, NOBODY]
        .iter()
        .find_map(|start| remark.text.strip_prefix(start))?;
    let said = said.strip_suffix('.')?;
    let Some((code, more)) = said.rsplit_once(" (and ") else {
        return Some((said.to_owned(), 1));
    };
    let more: usize = more.strip_suffix(" more)")?.parse().ok()?;
    Some((code.to_owned(), more + 1))
}

/// Codes with their first place and how many more there are.
#[derive(Default)]
pub(super) struct Unread {
    numbers: BTreeMap<String, (String, usize)>,
    private: BTreeMap<String, (String, usize)>,
}

fn note(codes: &mut BTreeMap<String, (String, usize)>, code: String, tree: &Tree, at: ItemId) {
    codes
        .entry(code)
        .and_modify(|entry| entry.1 += 1)
        .or_insert_with(|| (tree.place(at), 0));
}

impl Unread {
    /// A number that is none of our quantities as far as we know.
    pub(super) fn note(
        &mut self,
        tree: &Tree,
        id: ItemId,
        chain: &Chain<'_>,
        own: &Explained,
        vocabulary: &Vocabulary,
    ) {
        let item = tree.item(id);
        let Value::Num { measured, .. } = &item.value else {
            return;
        };
        let unit = measured
            .as_ref()
            .and_then(|measured| measured.unit.as_ref());
        let is_length = unit.is_some_and(|code| unit::length(code, vocabulary).is_some());
        if is_length && chain.speaks_of_the_eye() {
            let code = item.concept.as_ref().map(Code::to_string);
            let code = code.unwrap_or_else(|| "(no concept name)".to_owned());
            note(&mut self.numbers, code, tree, id);
        }
        if is_length || unit.is_none() {
            self.note_private(tree, id, chain, own);
        }
    }

    /// The private codes of a number that nobody explains: its name, its sites and modifiers.
    pub(super) fn note_private(
        &mut self,
        tree: &Tree,
        id: ItemId,
        chain: &Chain<'_>,
        own: &Explained,
    ) {
        if let Some(concept) = &tree.item(id).concept
            && !own.known
            && is_private(concept)
        {
            note(&mut self.private, concept.to_string(), tree, id);
        }
        for said in chain.steps.iter().flat_map(|step| &step.level.private) {
            note(&mut self.private, said.says.clone(), tree, said.at);
        }
    }

    /// The remarks, by code.
    pub(super) fn remarks(self) -> Vec<Remark> {
        let mut remarks = Vec::new();
        let more = |count: usize| match count {
            0 => String::new(),
            count => format!(" (and {count} more)"),
        };
        let left =
            self.numbers.len().saturating_sub(MOST) + self.private.len().saturating_sub(MOST);
        for (code, (place, count)) in self.numbers.into_iter().take(MOST) {
            remarks.push(
                Remark::of(
                    RemarkCode::ValueNotRecognised,
                    format!("{NO_RULE}{code}{}.", more(count)),
                )
                .at(place),
            );
        }
        for (code, (place, count)) in self.private.into_iter().take(MOST) {
            remarks.push(
                Remark::of(
                    RemarkCode::LocalCodeUnknown,
                    format!("{NOBODY}{code}{}.", more(count)),
                )
                .at(place)
                .act("Add a [[term]] to the site dictionary."),
            );
        }
        if left > 0 {
            remarks.push(Remark::of(
                RemarkCode::ValueNotRecognised,
                format!("{left} further codes were not understood."),
            ));
        }
        remarks
    }
}
