//! With what kind of imaging a number was measured: every statement is heard, two that disagree
//! leave it unresolved.
//!
//! Near are the number, what encloses it, what it refers to, the pictures it was read from and the
//! document's own attribute. Only where all of these are silent do the other pictures of the document
//! speak. Display text never does.

use super::context::Chain;
use super::level::Levels;
use crate::domain::{Modality, Remark, RemarkCode};
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::words::Role;
use crate::template::{Explained, Vocabulary};
use std::collections::BTreeMap;

/// What the document says outside its tree.
#[derive(Debug, Clone, Copy, Default)]
pub struct Outside<'a> {
    /// Modality (0008,0060); `SR` says nothing.
    pub modality: Option<&'a str>,
    /// Classes of the pictures that its lists of evidence name.
    pub evidence: &'a [String],
}

/// A set of kinds of imaging.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Kinds(u8);

impl Kinds {
    fn add(&mut self, modality: Modality) {
        if modality != Modality::Unspecified {
            self.0 |= 1 << modality as u8;
        }
    }

    fn join(&mut self, other: Kinds) {
        self.0 |= other.0;
    }

    fn all(self) -> Vec<Modality> {
        let all = Modality::ALL.into_iter();
        all.filter(|&one| self.has(one)).collect()
    }

    fn has(self, modality: Modality) -> bool {
        self.0 & 1 << modality as u8 != 0
    }
}

impl FromIterator<Modality> for Kinds {
    fn from_iter<T: IntoIterator<Item = Modality>>(iter: T) -> Self {
        let mut kinds = Kinds::default();
        iter.into_iter().for_each(|one| kinds.add(one));
        kinds
    }
}

/// Kinds of imaging of a document's pictures.
#[derive(Debug, Default)]
pub(super) struct Imaging {
    /// By SOP Instance UID, as the tree tells of it.
    pictures: BTreeMap<String, Kinds>,
    /// Of all pictures that the document names.
    all_pictures: Kinds,
    /// Said anywhere in the tree.
    anywhere: Kinds,
    /// What the document's own attribute says.
    own: Kinds,
}

/// What a code says where a kind of imaging is asked for. One that nobody explains is stated all the
/// same, and it is not known to be ultrasound.
pub(super) fn stated(value: &Explained) -> Modality {
    value.says.modality.unwrap_or(Modality::Other)
}

/// The code of a word of CID 33, as the attribute Modality holds it.
pub(super) fn word(text: &str) -> Code {
    Code {
        value: text.trim().to_owned(),
        scheme: "DCM".to_owned(),
        meaning: String::new(),
        equivalents: Vec::new(),
    }
}

impl Imaging {
    /// Reads the whole tree once; `levels` hold what its items say.
    pub(super) fn read(tree: &Tree, levels: &Levels, vocabulary: &Vocabulary) -> Imaging {
        let mut imaging = Imaging::default();
        // What an item and all around it say: a picture is of the kind that its group is of.
        let mut around: Vec<Kinds> = vec![Kinds::default(); tree.len()];
        for id in tree.ids() {
            let above = tree.parent(id);
            let mut kinds = above.map_or(Kinds::default(), |above| at(&around, above));
            let own = levels.get(id).map(|level| &level.modalities);
            let own: Kinds = own.into_iter().flatten().map(|said| said.says).collect();
            imaging.anywhere.join(own);
            kinds.join(own);
            if let Some(place) = around.get_mut(id.0) {
                *place = kinds;
            }
            let item = tree.item(id);
            if let Value::Instance {
                class, instance, ..
            } = &item.value
            {
                kinds.join(Modality::of_class(class).into_iter().collect());
                imaging.picture(instance, kinds);
            }
            let above = above.map(|above| &tree.item(above).value);
            if let Some(Value::Instance { instance, .. }) = above
                && vocabulary.explain_some(item.concept.as_ref()).says.role == Some(Role::Modality)
            {
                let code = match &item.value {
                    Value::Code(code) => code.clone(),
                    Value::Text(text) => word(text),
                    _ => continue,
                };
                let kind = stated(&vocabulary.explain(&code));
                imaging.picture(instance, Kinds::from_iter([kind]));
            }
        }
        imaging
    }

    fn picture(&mut self, instance: &str, kinds: Kinds) {
        let known = self.pictures.entry(instance.to_owned()).or_default();
        known.join(kinds);
        self.all_pictures.join(kinds);
    }

    /// Adds what the document says outside its tree.
    pub(super) fn outside(&mut self, outside: Outside<'_>, vocabulary: &Vocabulary) {
        let classes = outside.evidence.iter();
        let classes = classes.filter_map(|class| Modality::of_class(class));
        self.all_pictures.join(classes.collect());
        if let Some(modality) = outside.modality {
            self.own.add(stated(&vocabulary.explain(&word(modality))));
        }
    }

    /// The kind of imaging of a number, with the blocking remark when several are stated.
    pub(super) fn of(&self, chain: &Chain<'_>) -> (Modality, Option<Remark>) {
        let levels = chain.steps.iter().map(|step| step.level);
        let levels = levels.chain(chain.referred.iter().copied());
        let said = levels.flat_map(|level| level.modalities.iter().map(|said| said.says));
        let mut kinds: Kinds = said.collect();
        kinds.join(self.own);
        for picture in &chain.pictures_seen {
            kinds.join(self.pictures.get(picture).copied().unwrap_or_default());
        }
        match kinds.all().as_slice() {
            [] => {
                kinds = self.all_pictures;
                kinds.join(self.anywhere);
            }
            // The document's pictures contradict it only where none of them is of that kind.
            [one] if !self.all_pictures.has(*one) => kinds.join(self.all_pictures),
            _ => {}
        }
        match kinds.all().as_slice() {
            [] => (Modality::Unspecified, None),
            [one] if *one != Modality::Unresolved => (*one, None),
            several => (Modality::Unresolved, Some(conflict(several))),
        }
    }
}

fn at(around: &[Kinds], id: ItemId) -> Kinds {
    around.get(id.0).copied().unwrap_or_default()
}

fn conflict(several: &[Modality]) -> Remark {
    let titles: Vec<&str> = several.iter().map(|one| one.title()).collect();
    Remark::of(
        RemarkCode::ModalityConflict,
        format!(
            "The report names several kinds of imaging for this value ({}), so nobody can tell how \
             it was measured.",
            titles.join(", ")
        ),
    )
    .act("Correct the report at its source.")
}
