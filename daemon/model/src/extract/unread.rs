//! What was not understood, told once per code and not once per number.

use super::context::Chain;
use super::facts::{Facts, Wanted, unexplained};
use super::found::Found;
use super::level::Levels;
use crate::domain::{Millimetres, Remark, RemarkCode, Unexplained};
use crate::numbers::{self, unit};
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::{Explained, Vocabulary};
use std::collections::BTreeMap;

/// Codes told of one kind before the rest is only counted.
const MOST: usize = 50;

/// What stands for the name of a number that has none.
const NO_NAME: &str = "(no concept name)";

/// Lengths that may be a sheath, where nothing speaks of the eye and every code is of a standard: wider
/// than any gate, so that none is missed, and narrower than a tumour or a femur. Engineering choice.
const MAYBE: (Millimetres, Millimetres) =
    (Millimetres::from_um(1_000), Millimetres::from_um(15_000));

/// Remarks on a value that a code which somebody can explain keeps from use.
const BY_CODES: [RemarkCode; 4] = [
    RemarkCode::LateralityMissing,
    RemarkCode::LateralityUnclear,
    RemarkCode::PlaneUnclear,
    RemarkCode::DerivationUnclear,
];

/// Remarks on a value that is no part of the exam, whatever its codes.
const APART: [RemarkCode; 3] = [
    RemarkCode::EarlierFinding,
    RemarkCode::ValueQuoted,
    RemarkCode::SubjectNotPatient,
];

/// What was left unread so far.
pub(super) struct Unread<'t> {
    tree: &'t Tree,
    vocabulary: &'t Vocabulary,
    /// Lengths at the eye by their name: the first place and how many.
    numbers: BTreeMap<String, (ItemId, usize)>,
    facts: Facts<'t>,
}

/// What a unit is, as far as a length goes.
enum Unit {
    Length,
    /// Nobody explains it.
    Open,
    Missing,
    /// Of something else than a length.
    Other,
}

impl<'t> Unread<'t> {
    /// Nothing yet.
    pub(super) fn new(tree: &'t Tree, levels: &'t Levels, vocabulary: &'t Vocabulary) -> Self {
        Unread {
            tree,
            vocabulary,
            numbers: BTreeMap::new(),
            facts: Facts::new(tree, levels, vocabulary),
        }
    }

    /// A number that is none of our quantities as far as we know.
    pub(super) fn unknown(&mut self, id: ItemId, chain: &Chain<'_>, own: &Explained) {
        let unit = self.unit(id);
        let at_the_eye = chain.speaks_of_the_eye();
        if matches!(unit, Unit::Length) && at_the_eye {
            let code = self.tree.item(id).concept.as_ref();
            let told = code.map_or_else(|| NO_NAME.to_owned(), Code::to_string);
            self.numbers.entry(told).or_insert((id, 0)).1 += 1;
        }
        let in_the_way = match unit {
            Unit::Other => false,
            Unit::Missing => self.facts.has_local(id, own),
            Unit::Open => true,
            Unit::Length => at_the_eye || self.facts.has_local(id, own) || self.may_be_a_sheath(id),
        };
        if in_the_way {
            self.facts.note(id, own, Wanted::All);
        }
    }

    /// A number that may be one of ours and may be something else.
    pub(super) fn doubtful(&mut self, id: ItemId, own: &Explained) {
        self.facts.note(id, own, Wanted::All);
    }

    /// A value of ours, which a code may keep from use.
    pub(super) fn found(&mut self, id: ItemId, one: &Found, own: &Explained) {
        let has = |codes: &[RemarkCode]| one.remarks.iter().any(|it| codes.contains(&it.code));
        if has(&APART) {
            return;
        }
        let has_no_unit = || matches!(self.unit(id), Unit::Open | Unit::Other);
        if has(&BY_CODES) || has_no_unit() {
            let labels = if has(&[RemarkCode::LateralityMissing]) {
                Wanted::Texts
            } else {
                Wanted::None
            };
            self.facts.note(id, own, labels);
        }
    }

    fn unit(&self, id: ItemId) -> Unit {
        let Value::Num {
            measured: Some(measured),
            ..
        } = &self.tree.item(id).value
        else {
            return Unit::Missing;
        };
        match &measured.unit {
            None => Unit::Missing,
            Some(code) if unit::length(code, self.vocabulary).is_some() => Unit::Length,
            Some(code) if code.value.trim() == "1" => Unit::Other,
            Some(code) if unexplained(code, self.vocabulary) => Unit::Open,
            Some(_) => Unit::Other,
        }
    }

    fn may_be_a_sheath(&self, id: ItemId) -> bool {
        let Value::Num {
            measured: Some(measured),
            ..
        } = &self.tree.item(id).value
        else {
            return false;
        };
        let length = numbers::length_of(measured, self.vocabulary);
        length.is_some_and(|length| (MAYBE.0..=MAYBE.1).contains(&length))
    }

    /// The remarks, by code, and the list of what nobody explains.
    pub(super) fn told(mut self) -> (Vec<Remark>, Vec<Unexplained>) {
        let tree = self.tree;
        let mut remarks = Vec::new();
        let more = |times: usize| match times {
            0 | 1 => String::new(),
            times => format!(" (and {} more)", times - 1),
        };
        let mut private = self.facts.private();
        let left = cut_to(&mut self.numbers) + cut_to(&mut private);
        for (code, &(first, times)) in &self.numbers {
            let text = format!(
                "A length at the eye that no rule takes: {code}{}.",
                more(times)
            );
            remarks.push(Remark::of(RemarkCode::ValueNotRecognised, text).at(tree.place(first)));
        }
        for ((value, scheme), (first, times)) in private {
            let more = more(times);
            let text = format!("A local code that nobody explains: {value} {scheme}{more}.");
            remarks.push(
                Remark::of(RemarkCode::LocalCodeUnknown, text)
                    .at(tree.place(first))
                    .act("Add a [[term]] to the site dictionary."),
            );
        }
        if left > 0 {
            let text = format!("{left} further codes were not understood.");
            remarks.push(Remark::of(RemarkCode::ValueNotRecognised, text));
        }
        if let Some((first, count)) = self.facts.first_label() {
            let text = format!(
                "Texts beside numbers with a general name that no [[label]] lists: {count}."
            );
            remarks.push(Remark::of(RemarkCode::LabelUnknown, text).at(tree.place(first)));
        }
        let (list, left) = self.facts.told();
        if left > 0 {
            let text =
                format!("{left} further codes and labels that nobody explains are not listed.");
            remarks.push(Remark::of(RemarkCode::UnexplainedLeftOut, text));
        }
        (remarks, list)
    }
}

/// Keeps the first codes; how many are left out.
fn cut_to<K: Ord, V>(codes: &mut BTreeMap<K, V>) -> usize {
    let left = codes.len().saturating_sub(MOST);
    while codes.len() > MOST {
        codes.pop_last();
    }
    left
}
