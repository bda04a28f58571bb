//! Labels: whole texts that tell what a number with a general name is, as a site dictionary lists them.

use super::desk::Desk;
use super::dictionary::{PROPOSED, says};
use super::vocabulary::{Says, folded};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::ops::Range;
use toml::de::DeTable;

/// Labels that a site lists, and where they stand.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Labels {
    /// What each says, by its text as [`folded`] writes it.
    texts: BTreeMap<String, Row>,
    stand: Option<LabelStand>,
}

/// One label.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// What it says; a quantity always.
    pub says: Says,
    /// Where it is written, `site.toml:4`: file name and line of its `[[label]]`.
    pub row: String,
}

/// Where the label of a number stands among the items of one container that holds several.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LabelStand {
    /// Directly before its number.
    Before,
    /// Directly after its number.
    After,
}

/// Longest label that is looked up, bytes: 64 letters of any script.
const LONGEST: usize = 256;

impl Labels {
    /// What a text says, when the whole of it is a label that a site lists. Case and blanks do not count.
    #[must_use]
    pub fn get(&self, text: &str) -> Option<&Row> {
        let text = text.trim();
        let short = !self.texts.is_empty() && text.len() <= LONGEST;
        short.then(|| self.texts.get(&folded(text)))?
    }

    /// Whether none is listed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.texts.is_empty()
    }

    /// Where labels stand, if the site says so.
    #[must_use]
    pub fn stand(&self) -> Option<LabelStand> {
        self.stand
    }

    /// Adds or replaces one.
    pub(super) fn set(&mut self, text: &str, row: Row) {
        self.texts.insert(folded(text), row);
    }

    /// Says where they stand.
    pub(super) fn set_stand(&mut self, stand: LabelStand) {
        self.stand = Some(stand);
    }
}

/// One label of a file, with where it is written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Listed {
    pub(super) text: toml::Spanned<String>,
    pub(super) says: Says,
    pub(super) row: String,
}

/// What a label cannot say: it is no item and no unit.
const NOT_OF_A_LABEL: [&str; 4] = ["role", "concept", "unit", "subject"];

/// Reads every `[[label]]`.
pub(super) fn labels(desk: &mut Desk<'_>, root: &DeTable<'_>) -> Vec<Listed> {
    let mut listed: Vec<Listed> = Vec::new();
    let mut seen = BTreeMap::new();
    for (span, table) in desk.tables(root, "label") {
        desk.only(table, &["text", "says", PROPOSED]);
        if !table.contains_key("text") {
            desk.wrong(span.clone(), "`text` is missing: the labels, whole");
        }
        let texts = desk.text_or_texts(table, "text");
        if desk.is_left_open(table) {
            continue;
        }
        let says = says(desk, table, span.clone());
        let Some(value) = table.get("says").or_else(|| table.get(PROPOSED)) else {
            continue;
        };
        let (says_span, Some(says_table)) = (value.span(), value.get_ref().as_table()) else {
            continue;
        };
        for key in NOT_OF_A_LABEL {
            if says_table.contains_key(key) {
                desk.wrong(
                    says_span.clone(),
                    format!("a label cannot say `{key}`; it tells what was measured, and where"),
                );
            }
        }
        if !says_table.contains_key("quantity") {
            desk.wrong_instead(
                says_span,
                "`quantity` is missing: what a number with this label is".to_owned(),
                "write `quantity = \"not_ours\"` for a label of something else".to_owned(),
            );
        }
        for text in texts {
            let letters = text.get_ref().trim().len();
            if letters == 0 {
                desk.wrong(text.span(), "`text` is empty");
            } else if letters > LONGEST {
                desk.wrong(
                    text.span(),
                    format!("a label has at most {LONGEST} bytes; this is a sentence"),
                );
            } else if seen.insert(folded(text.get_ref()), ()).is_some() {
                let what = format!("a second [[label]] for `{}`", text.get_ref());
                desk.wrong_instead(text.span(), what, "keep one of them".to_owned());
            } else {
                listed.push(Listed {
                    text,
                    says: says.clone(),
                    row: desk.row(span.clone()),
                });
            }
        }
    }
    listed
}

/// Reads `[labels]`: how a site's labels stand.
pub(super) fn stand(desk: &mut Desk<'_>, root: &DeTable<'_>) -> Option<(LabelStand, Range<usize>)> {
    let (span, table) = desk.table(root, "labels")?;
    desk.only(table, &["stand"]);
    if !table.contains_key("stand") {
        desk.wrong(span.clone(), "`stand` is missing: \"before\" or \"after\"");
    }
    desk.word(table, "stand").map(|stand| (stand, span))
}

#[cfg(test)]
mod tests;
