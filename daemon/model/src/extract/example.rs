//! Where a code stands in a report, so that who knows the scanner can say what it means.

use crate::domain::{CodeExample, Unexplained};
use crate::numbers::as_sent;
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use std::collections::BTreeMap;

/// Adds the first places of each code in tree order, and what it is called there.
pub(super) fn add_examples(tree: &Tree, codes: &mut [Unexplained]) {
    let named = codes.iter().enumerate();
    let places: BTreeMap<(String, String), usize> = named
        .map(|(place, one)| ((one.code.clone(), one.scheme.clone()), place))
        .collect();
    if places.is_empty() {
        return;
    }
    let mut add = |code: &Code, example: CodeExample| {
        let wanted = (code.value.clone(), code.scheme.clone());
        let place = places.get(&wanted);
        let Some(one) = place.and_then(|&place| codes.get_mut(place)) else {
            return;
        };
        let meaning = code.meaning.trim();
        if one.examples.len() >= Unexplained::EXAMPLES {
            return;
        }
        let is_other = if one.meaning.is_empty() {
            one.meaning = meaning.to_owned();
            false
        } else {
            !meaning.is_empty() && meaning != one.meaning
        };
        one.examples.push(CodeExample {
            meaning: is_other.then(|| meaning.to_owned()),
            ..example
        });
    };
    for id in tree.ids() {
        let item = tree.item(id);
        if let Some(concept) = &item.concept {
            add(concept, number_at(tree, id));
        }
        if let Value::Code(code) = &item.value {
            let name = item.concept.as_ref().map(|name| name.meaning.trim());
            let example = CodeExample {
                given_as: name.map(str::to_owned),
                ..number_at(tree, id)
            };
            add(code, example);
        }
    }
}

/// A place, with its value and unit if it is a number.
pub(super) fn number_at(tree: &Tree, id: ItemId) -> CodeExample {
    CodeExample {
        place: tree.place(id),
        value: number(&tree.item(id).value),
        ..CodeExample::default()
    }
}

fn number(value: &Value) -> Option<String> {
    let Value::Num {
        measured: Some(measured),
        ..
    } = value
    else {
        return None;
    };
    let unit = measured.unit.as_ref().map(|unit| unit.value.as_str());
    let number = as_sent(measured)?;
    Some(format!("{number} {}", unit.unwrap_or("without unit")))
}
