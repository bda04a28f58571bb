//! Right or left: labels, words and attributes are heard, and texts are held against them.

use crate::domain::{Eye, Laterality, Remark, RemarkCode};
use crate::template::Vocabulary;
use crate::template::words::Side;
use std::collections::BTreeSet;

/// All that says or names a side of one line.
pub(super) struct Sources<'a> {
    /// Labels with the side that the site's list gives them.
    pub(super) labels: Vec<(&'a str, Option<Side>)>,
    /// Sides of listed words.
    pub(super) words: &'a [Side],
    /// Sides of attributes.
    pub(super) header: &'a [(&'static str, Side)],
    /// Eyes that other texts name.
    pub(super) named: &'a BTreeSet<Eye>,
}

impl Sources<'_> {
    /// The eye, and the eye that texts name. Where nothing says it the picture may.
    pub(super) fn resolve(
        &self,
        vocabulary: &Vocabulary,
        remarks: &mut Vec<Remark>,
    ) -> (Laterality, Option<Eye>) {
        let of_labels = self.labels.iter().filter_map(|(_, side)| *side);
        let near: Vec<Side> = of_labels
            .clone()
            .chain(self.words.iter().copied())
            .collect();
        let far = self.header.iter().map(|(_, side)| *side);
        let eyes = |sides: &mut dyn Iterator<Item = Side>| {
            let mut eyes: Vec<Eye> = sides.filter_map(Side::eye).collect();
            eyes.sort_unstable();
            eyes.dedup();
            eyes
        };
        let said = eyes(&mut near.iter().copied().chain(far));
        let labels = self.labels.iter().map(|(text, _)| *text);
        let names = labels.filter_map(|text| vocabulary.names().side(text));
        let mut named = self.named.clone();
        named.extend(names.filter_map(Side::eye));
        let named: Vec<Eye> = named.into_iter().collect();
        // Both sides, or one and not which, said as near as a label stands.
        let no_eye = near.iter().any(|side| side.eye().is_none());
        let agreed = match (said.as_slice(), named.as_slice()) {
            (&[eye], []) => Some(eye),
            (&[eye], &[named]) if eye == named => Some(eye),
            _ => None,
        };
        if let Some(eye) = agreed.filter(|_| !no_eye) {
            let by_word = eyes(&mut of_labels.clone()).is_empty() && !self.words.is_empty();
            if by_word && self.header.is_empty() {
                remarks.push(Remark::of(
                    RemarkCode::SideByWord,
                    "Only a word that the site dictionary lists tells the side; no label does.",
                ));
            }
            return (Laterality::from(eye), None);
        }
        match (said.as_slice(), named.as_slice()) {
            ([], []) if !no_eye => {
                remarks.push(missing());
                (Laterality::Unresolved, None)
            }
            ([], &[named]) if !no_eye => {
                remarks.push(missing());
                (Laterality::Unresolved, Some(named))
            }
            _ => {
                remarks.push(
                    Remark::of(
                        RemarkCode::LateralityConflict,
                        "Labels, texts and attributes of the presentation state do not name one eye.",
                    )
                    .act("Correct the drawing at its source; no side was picked."),
                );
                (Laterality::Unresolved, None)
            }
        }
    }
}

fn missing() -> Remark {
    Remark::of(
        RemarkCode::LateralityMissing,
        "Neither label nor attributes of the presentation state say which eye.",
    )
    .act("Give the label a side in the site dictionary, or have the picture say its laterality.")
}
