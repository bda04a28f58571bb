//! What `template check` refuses of a dictionary that could be read: sides that cannot all be meant.

use super::letters;
use super::lexicon::{lexicon, tokens};
use crate::domain::Mistake;
use crate::template::Templates;
use crate::template::words::Side;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml::Spanned;
use toml::de::DeTable;

/// Everything in doubt, with its place.
#[must_use]
pub fn doubts(file: &str, text: &str) -> Vec<Mistake> {
    let mut wrong = mirrors(file, text);
    wrong.extend(one_eye(file, text));
    wrong
}

/// One entry with an eye.
struct Sided {
    code: Option<(String, String)>,
    texts: Vec<String>,
    eye: String,
    span: Range<usize>,
}

/// Entries that say right or left.
fn sided(text: &str) -> Vec<Sided> {
    let Ok(root) = DeTable::parse(text) else {
        return Vec::new();
    };
    let mut all = Vec::new();
    for key in ["term", "label", "word"] {
        let array = root
            .get_ref()
            .get(key)
            .and_then(|value| value.get_ref().as_array());
        for entry in array.into_iter().flat_map(|array| array.iter()) {
            let Some(table) = entry.get_ref().as_table() else {
                continue;
            };
            let says = table.get("says").or_else(|| table.get("proposed"));
            let inner = says.and_then(|says| says.get_ref().as_table()?.get("eye"));
            let eye = inner.or_else(|| table.get("eye"));
            let Some((span, eye)) = eye.and_then(|eye| Some((eye.span(), eye.get_ref().as_str()?)))
            else {
                continue;
            };
            if !["right", "left"].contains(&eye) {
                continue;
            }
            let one = |key: &str| table.get(key)?.get_ref().as_str().map(str::to_owned);
            let texts = ["meaning", "called", "text"].into_iter().flat_map(|key| {
                let value = table.get(key).map(Spanned::get_ref);
                let list = value.and_then(|value| value.as_array());
                let list = list.into_iter().flat_map(|list| list.iter());
                let list = list.filter_map(|text| text.get_ref().as_str().map(str::to_owned));
                one(key).into_iter().chain(list).collect::<Vec<String>>()
            });
            all.push(Sided {
                code: one("code").zip(one("scheme")),
                texts: texts.collect(),
                eye: eye.to_owned(),
                span,
            });
        }
    }
    all
}

/// Codes that differ in the letter or word for a side alone, and say one eye.
pub(super) fn mirrors(file: &str, text: &str) -> Vec<Mistake> {
    let Ok(builtin) = Templates::builtin() else {
        return Vec::new();
    };
    let names = builtin.vocabulary().names();
    let all = sided(text);
    let own: Vec<Vec<String>> = all
        .iter()
        .flat_map(|one| one.texts.iter().map(|text| tokens(text)))
        .collect();
    let mut met: BTreeMap<(String, String, &str), (&str, BTreeSet<Side>)> = BTreeMap::new();
    let mut wrong = Vec::new();
    for one in &all {
        let Some((code, scheme)) = &one.code else {
            continue;
        };
        let Some(stem) = letters::without(code, &own, lexicon(), names) else {
            continue;
        };
        let sides = letters::sides(code, &own, lexicon(), names);
        let key = (scheme.clone(), stem, one.eye.as_str());
        match met.get(&key) {
            Some((other, other_sides)) if other_sides.is_disjoint(&sides) => {
                let eye = &one.eye;
                let what =
                    format!("{other} and {code} differ in the side alone, and both say {eye}");
                let wrong_one = Mistake::at(file, text, one.span.clone(), what);
                wrong.push(wrong_one.instead("compare both with the scanner's screen"));
            }
            Some(_) => {}
            None => {
                met.insert(key, (code, sides));
            }
        }
    }
    wrong
}

/// Several entries that all say one eye, though nothing that they are called does.
fn one_eye(file: &str, text: &str) -> Option<Mistake> {
    let builtin = Templates::builtin().ok()?;
    let names = builtin.vocabulary().names();
    let all = sided(text);
    let (first, rest) = all.split_first()?;
    let is_one = !rest.is_empty() && rest.iter().all(|one| one.eye == first.eye);
    let is_named = all
        .iter()
        .flat_map(|one| &one.texts)
        .any(|text| names.side(text).is_some());
    if !is_one || is_named {
        return None;
    }
    let what = format!(
        "all {} entries with an eye say {}, and nothing that they are called does",
        all.len(),
        first.eye
    );
    let wrong = Mistake::at(file, text, first.span.clone(), what);
    Some(wrong.instead(
        "every value would be read as that eye: correct it, or give each the `meaning` that names its side",
    ))
}
