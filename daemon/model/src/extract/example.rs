//! Where a code stands in a report, so that who knows the scanner can say what it means.

use crate::numbers::as_sent;
use crate::sr::Code;
use crate::sr::tree::{Tree, Value};
use std::collections::BTreeSet;

/// One place of a code. All texts are the sender's own and explain nothing by themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Example {
    /// The code, `value scheme`.
    pub code: String,
    /// Code Meaning, empty when there is none.
    pub meaning: String,
    /// Ordinals of the item.
    pub place: String,
    /// Value and unit of a number of this name; `None` when the code names no number.
    pub value: Option<String>,
    /// Meaning of the item's name where the code is the value of a coded item.
    pub given_as: Option<String>,
}

/// The places of the codes `wanted`, written `value scheme`, in tree order; at most `most` of each.
#[must_use]
pub fn examples(tree: &Tree, wanted: &BTreeSet<String>, most: usize) -> Vec<Example> {
    let mut examples: Vec<Example> = Vec::new();
    let mut take = |example: Example| {
        let alike = examples.iter().filter(|one| one.code == example.code);
        if wanted.contains(&example.code) && alike.count() < most {
            examples.push(example);
        }
    };
    for id in tree.ids() {
        let item = tree.item(id);
        let example = |code: &Code| Example {
            code: code.to_string(),
            meaning: code.meaning.trim().to_owned(),
            place: tree.place(id),
            value: None,
            given_as: None,
        };
        if let Some(concept) = &item.concept {
            take(Example {
                value: number(&item.value),
                ..example(concept)
            });
        }
        if let Value::Code(code) = &item.value {
            let name = item.concept.as_ref().map(|name| name.meaning.trim());
            take(Example {
                given_as: name.map(str::to_owned),
                ..example(code)
            });
        }
    }
    examples
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
