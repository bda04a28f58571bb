//! What the letters of a code may say of a side. They never propose one: they speak against what a
//! meaning names, and tell which codes are each other's mirror.

use super::lexicon::{Lexicon, plain_phrase, tokens};
use crate::template::names::{Means, Names};
use crate::template::words::Side;
use std::collections::BTreeSet;

/// Sides that the letters of a code may stand for.
pub(super) fn sides(
    code: &str,
    own: &[Vec<String>],
    lexicon: &Lexicon,
    names: &Names,
) -> BTreeSet<Side> {
    let parts = parts(code);
    parts
        .iter()
        .flat_map(|part| of_part(part, own, lexicon, names))
        .collect()
}

/// A code with what may stand for a side taken out; `None` where nothing may.
pub(super) fn without(
    code: &str,
    own: &[Vec<String>],
    lexicon: &Lexicon,
    names: &Names,
) -> Option<String> {
    let mut found = false;
    let parts: Vec<String> = parts(code)
        .into_iter()
        .map(|part| {
            let stem = stem(&part, own, lexicon, names);
            found |= stem.is_some();
            stem.unwrap_or(part)
        })
        .collect();
    found.then(|| parts.join(" "))
}

/// The parts of a code: at what is no letter or digit, at `aB`, between letters and digits.
fn parts(code: &str) -> Vec<String> {
    let mut parted = String::new();
    let mut before = ' ';
    for letter in code.chars() {
        let is_new = (before.is_lowercase() && letter.is_uppercase())
            || (before.is_ascii_digit() != letter.is_ascii_digit());
        if is_new {
            parted.push(' ');
        }
        parted.push(letter);
        before = letter;
    }
    tokens(&parted)
}

fn of_word(word: &str, own: &[Vec<String>], lexicon: &Lexicon, names: &Names) -> Vec<Side> {
    let named = names.inside(word).or_else(|| names.alone(word));
    let mut sides: Vec<Side> = match named {
        // One letter is no word for both: `B` also counts codes.
        Some(Means::Side(side)) if side != Side::Bilateral || word.len() > 1 => vec![side],
        _ => Vec::new(),
    };
    for (side, _, only) in lexicon.mirrors(word) {
        let is_in = only.is_empty() || own.iter().any(|text| lexicon.is_in(text, only));
        if is_in && !sides.contains(&side) {
            sides.push(side);
        }
    }
    sides
}

/// A side at the end or the beginning of a word that is otherwise known: `onsdl`, `leftsheath`.
fn glued<'a>(
    part: &'a str,
    own: &[Vec<String>],
    lexicon: &Lexicon,
    names: &Names,
) -> Option<(&'a str, Vec<Side>)> {
    part.char_indices().skip(1).find_map(|(at, _)| {
        let (front, back) = part.split_at_checked(at)?;
        let (front_sides, back_sides) = (
            of_word(front, own, lexicon, names),
            of_word(back, own, lexicon, names),
        );
        if is_known(front, lexicon) && !back_sides.is_empty() {
            Some((front, back_sides))
        } else if is_known(back, lexicon) && !front_sides.is_empty() {
            Some((back, front_sides))
        } else {
            None
        }
    })
}

/// Whether a stem of a code is a word for what is measured.
fn is_known(word: &str, lexicon: &Lexicon) -> bool {
    const STEMS: [&str; 6] = ["on", "ond", "opn", "nos", "nerv", "val"];
    word.len() > 1 && (STEMS.contains(&word) || lexicon.knows(&plain_phrase(&[word.to_owned()])))
}

fn of_part(part: &str, own: &[Vec<String>], lexicon: &Lexicon, names: &Names) -> Vec<Side> {
    let sides = of_word(part, own, lexicon, names);
    if !sides.is_empty() {
        return sides;
    }
    glued(part, own, lexicon, names)
        .map(|(_, sides)| sides)
        .unwrap_or_default()
}

fn stem(part: &str, own: &[Vec<String>], lexicon: &Lexicon, names: &Names) -> Option<String> {
    if !of_word(part, own, lexicon, names).is_empty() {
        return Some("*".to_owned());
    }
    glued(part, own, lexicon, names).map(|(stem, _)| format!("{stem} *"))
}
