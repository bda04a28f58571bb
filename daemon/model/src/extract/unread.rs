//! What was not understood, told once per code and not once per number.

use super::context::Chain;
use super::example::{add_examples, number_at};
use crate::domain::{CodeRole, Remark, RemarkCode, Unexplained};
use crate::numbers::unit;
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::vocabulary::is_private;
use crate::template::{Explained, Vocabulary};
use std::collections::BTreeMap;

/// Codes told of one kind before the rest is only counted.
const MOST: usize = 50;

/// What stands for the name of a number that has none.
const NO_NAME: &str = "(no concept name)";

/// Codes by what is told of them, `value scheme`.
#[derive(Default)]
pub(super) struct Unread {
    numbers: BTreeMap<String, Met>,
    private: BTreeMap<String, Met>,
}

/// One code, where it was met first and how often.
struct Met {
    value: String,
    scheme: String,
    role: CodeRole,
    first: ItemId,
    times: usize,
}

fn note(
    codes: &mut BTreeMap<String, Met>,
    told: String,
    code: Option<&Code>,
    as_what: (CodeRole, ItemId),
) {
    let (role, first) = as_what;
    codes
        .entry(told)
        .and_modify(|met| met.times += 1)
        .or_insert_with(|| Met {
            value: code.map(|code| code.value.clone()).unwrap_or_default(),
            scheme: code.map(|code| code.scheme.clone()).unwrap_or_default(),
            role,
            first,
            times: 1,
        });
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
            let code = item.concept.as_ref();
            let told = code.map_or_else(|| NO_NAME.to_owned(), Code::to_string);
            note(&mut self.numbers, told, code, (CodeRole::Number, id));
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
            let told = concept.to_string();
            note(
                &mut self.private,
                told,
                Some(concept),
                (CodeRole::Number, id),
            );
        }
        for said in chain.steps.iter().flat_map(|step| &step.level.private) {
            let code = &said.says;
            let told = code.to_string();
            note(
                &mut self.private,
                told,
                Some(code),
                (CodeRole::Context, said.at),
            );
        }
    }

    /// The remarks, by code, and the list of the same codes.
    pub(super) fn told(mut self, tree: &Tree) -> (Vec<Remark>, Vec<Unexplained>) {
        let mut remarks = Vec::new();
        let more = |met: &Met| match met.times {
            1 => String::new(),
            times => format!(" (and {} more)", times - 1),
        };
        let left = cut_to(&mut self.numbers) + cut_to(&mut self.private);
        for (code, met) in &self.numbers {
            let text = format!(
                "A length at the eye that no rule takes: {code}{}.",
                more(met)
            );
            remarks
                .push(Remark::of(RemarkCode::ValueNotRecognised, text).at(tree.place(met.first)));
        }
        for (code, met) in &self.private {
            let text = format!("A local code that nobody explains: {code}{}.", more(met));
            remarks.push(
                Remark::of(RemarkCode::LocalCodeUnknown, text)
                    .at(tree.place(met.first))
                    .act("Add a [[term]] to the site dictionary."),
            );
        }
        if left > 0 {
            let text = format!("{left} further codes were not understood.");
            remarks.push(Remark::of(RemarkCode::ValueNotRecognised, text));
        }
        (remarks, self.list(tree))
    }

    /// Each code once. A number is met once as a length and once as a local code.
    fn list(self, tree: &Tree) -> Vec<Unexplained> {
        let mut all = self.numbers;
        for (told, met) in self.private {
            match all.get_mut(&told) {
                Some(known) => known.times = known.times.max(met.times),
                None => {
                    all.insert(told, met);
                }
            }
        }
        let mut list: Vec<Unexplained> = all
            .into_values()
            .map(|met| Unexplained {
                examples: if met.value.is_empty() && met.scheme.is_empty() {
                    vec![number_at(tree, met.first)]
                } else {
                    Vec::new()
                },
                code: met.value,
                scheme: met.scheme,
                meaning: String::new(),
                role: met.role,
                times: met.times,
                sides: Vec::new(),
            })
            .collect();
        add_examples(tree, &mut list);
        list
    }
}

/// Keeps the first codes; how many are left out.
fn cut_to(codes: &mut BTreeMap<String, Met>) -> usize {
    let left = codes.len().saturating_sub(MOST);
    while codes.len() > MOST {
        codes.pop_last();
    }
    left
}
