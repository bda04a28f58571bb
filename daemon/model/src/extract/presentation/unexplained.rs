//! Texts beside lines that no list explains: what somebody may want to list as labels.

use super::Labelled;
use crate::domain::{CodeExample, CodeRole, Unexplained};

/// Texts beside lines that are told of one presentation state.
const MOST: usize = 100;

/// Longest text that is told, letters: what is longer is a sentence and no label.
pub(super) const LONGEST: usize = 64;

/// Tells the texts beside a line that has no label. Returns how many there was no room for.
pub(super) fn tell(labelled: &Labelled<'_>, codes: &mut Vec<Unexplained>) -> usize {
    let mut left_out = 0;
    for (given_as, text) in &labelled.rest {
        if text.chars().count() > LONGEST {
            continue;
        }
        let example = CodeExample {
            place: labelled.shape.place.clone(),
            value: labelled.lengths.first().map(ToString::to_string),
            given_as: Some((*given_as).to_owned()),
            ..CodeExample::default()
        };
        if let Some(known) = codes.iter_mut().find(|one| one.meaning == *text) {
            known.times += 1;
            if known.examples.len() < Unexplained::EXAMPLES {
                known.examples.push(example);
            }
        } else if codes.len() < MOST {
            codes.push(Unexplained {
                code: String::new(),
                scheme: String::new(),
                meaning: text.clone(),
                role: CodeRole::Label,
                times: 1,
                sides: Vec::new(),
                called: Vec::new(),
                examples: vec![example],
            });
        } else {
            left_out += 1;
        }
    }
    left_out
}
