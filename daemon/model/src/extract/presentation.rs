//! Lines of a presentation state and the labels that say what they are.
//!
//! A label is a whole text that a site dictionary lists. It belongs to a line by the line's own
//! Tracking ID, by a common Graphic Group ID, or because its annotation holds this one shape and no
//! other. Nothing is paired by where it stands on the picture or in which order.

mod line;
mod side;
mod text;
mod unexplained;

use crate::domain::{
    Border, Caliper, Derivation, Eye, Laterality, Modality, Plane, Quantity, Remark, RemarkCode,
    Unexplained,
};
use crate::sr::presentation::{Annotation, Presentation, Shape};
use crate::template::Vocabulary;
use crate::template::vocabulary::Says;
use crate::template::words::{Named, Side, Structure};
use std::collections::BTreeSet;
use text::Read;

/// Labels without a line that are told one by one.
const DOUBTS: usize = 20;

/// All that was found in one presentation state.
#[derive(Debug, Default, PartialEq)]
pub struct Drawings {
    /// Labelled shapes of our quantities, in the order of the annotations.
    pub drawings: Vec<Drawing>,
    /// What keeps labels from being read.
    pub doubts: Vec<Remark>,
    /// Texts beside lines that no list explains.
    pub unexplained: Vec<Unexplained>,
    /// Of these, how many are not listed.
    pub left_out: usize,
}

/// One labelled shape.
#[derive(Debug, PartialEq)]
pub struct Drawing {
    /// What it measures.
    pub quantity: Quantity,
    /// Whose eye, as far as the presentation state says.
    pub eye: Laterality,
    /// Plane of the picture.
    pub plane: Plane,
    /// Reading or derived value.
    pub derivation: Derivation,
    /// Borders touched.
    pub definition: Option<Border>,
    /// Kind of imaging, by the class of the picture.
    pub modality: Modality,
    /// Its label as sent.
    pub label: String,
    /// Ordinals of annotation and shape.
    pub place: String,
    /// The line in its picture; `None` when it is none.
    pub caliper: Option<Caliper>,
    /// Remarks so far; a blocking one keeps the value from use.
    pub remarks: Vec<Remark>,
}

/// Something that a text or Tracking ID says of a shape.
struct Said {
    text: String,
    says: Says,
}

/// What texts that are no label speak of: nothing is read of it, it can only speak against.
#[derive(Debug, Clone, Default)]
struct Beside {
    eyes: BTreeSet<Eye>,
    is_earlier: bool,
}

impl Beside {
    fn hear(&mut self, text: &str, vocabulary: &Vocabulary) {
        let names = vocabulary.names();
        self.eyes.extend(names.side(text).and_then(Side::eye));
        self.is_earlier |= names.is_earlier(text);
    }
}

/// A shape with what belongs to it.
struct Labelled<'a> {
    shape: &'a Shape,
    annotation: &'a Annotation,
    /// Which annotation that is.
    at: usize,
    said: Vec<Said>,
    /// The side that listed words give.
    words: Vec<Side>,
    /// Texts beside it that nobody lists.
    rest: Vec<(&'static str, String)>,
    lengths: Vec<crate::domain::Millimetres>,
    /// A label of its annotation that may be its own or another's.
    is_unclear: bool,
}

impl Labelled<'_> {
    fn is_labelled(&self) -> bool {
        self.said.iter().any(|said| said.says.quantity.is_some())
    }

    fn take(&mut self, read: Read) {
        self.lengths.extend(read.lengths);
        match read.label {
            Some((text, says)) => self.said.push(Said { text, says }),
            None => {
                self.words.extend(read.word);
                let rest = read.rest.map(|text| ("Unformatted Text Value", text));
                self.rest.extend(rest);
            }
        }
    }
}

/// Finds every labelled line. `header` are the sides that attributes of the object give.
#[must_use]
pub fn drawings(
    presentation: &Presentation,
    header: &[(&'static str, Side)],
    vocabulary: &Vocabulary,
) -> Drawings {
    let mut found = Drawings::default();
    if presentation.left_out > 0 {
        let text = format!(
            "{} drawings and texts are more than are looked at; what they are is not known.",
            presentation.left_out
        );
        found
            .doubts
            .push(Remark::of(RemarkCode::PresentationLabelUnclear, text));
    }
    let mut shapes = own_labels(presentation, vocabulary);
    let mut titles = Beside::default();
    for title in &presentation.titles {
        titles.hear(title, vocabulary);
    }
    let mut beside = vec![titles.clone(); presentation.annotations.len()];
    let mut lost: Vec<Remark> = Vec::new();
    for ((at, annotation), beside) in presentation.annotations.iter().enumerate().zip(&mut beside) {
        for one in &annotation.texts {
            let read = text::read(&one.lines, vocabulary);
            let partner = partner(&shapes, annotation, one.group);
            match (partner.and_then(|at| shapes.get_mut(at)), read.label) {
                (Some(shape), label) => shape.take(Read { label, ..read }),
                (None, Some((text, says))) => {
                    let said = Said { text, says };
                    lost.extend(unpaired(&mut shapes, annotation, at, &said));
                }
                (None, None) => {
                    let rest = read.rest.iter();
                    rest.for_each(|text| beside.hear(text, vocabulary));
                }
            }
        }
    }
    let more = lost.len().saturating_sub(DOUBTS);
    lost.truncate(DOUBTS);
    found.doubts.extend(lost);
    if more > 0 {
        let text = format!("{more} further labels belong to no one line.");
        let remark = Remark::of(RemarkCode::PresentationLabelUnclear, text);
        found.doubts.push(remark);
    }
    for shape in &shapes {
        let mut heard = beside.get(shape.at).cloned().unwrap_or_default();
        for (_, text) in &shape.rest {
            heard.hear(text, vocabulary);
        }
        if shape.is_labelled() {
            let drawing = drawing(shape, &heard, header, vocabulary);
            found.drawings.extend(drawing);
        } else if line::is_line(shape.shape) {
            found.left_out += unexplained::tell(shape, &mut found.unexplained);
        }
    }
    found
}

/// Every shape with what its Tracking ID says.
fn own_labels<'a>(presentation: &'a Presentation, vocabulary: &Vocabulary) -> Vec<Labelled<'a>> {
    let mut shapes = Vec::new();
    for (at, annotation) in presentation.annotations.iter().enumerate() {
        for shape in &annotation.shapes {
            let mut labelled = Labelled {
                shape,
                annotation,
                at,
                said: Vec::new(),
                words: Vec::new(),
                rest: Vec::new(),
                lengths: Vec::new(),
                is_unclear: false,
            };
            if let Some(id) = &shape.tracking_id {
                match vocabulary.label(id) {
                    Some(says) => labelled.said.push(Said {
                        text: id.clone(),
                        says: says.clone(),
                    }),
                    None => labelled.rest.push(("Tracking ID", id.clone())),
                }
            }
            shapes.push(labelled);
        }
    }
    shapes
}

/// The one shape that a text belongs to.
fn partner(shapes: &[Labelled<'_>], annotation: &Annotation, group: Option<u32>) -> Option<usize> {
    let only = |fits: &dyn Fn(&Labelled<'_>) -> bool| {
        let mut fitting = shapes.iter().enumerate().filter(|(_, one)| fits(one));
        let first = fitting.next().map(|(at, _)| at);
        (first, fitting.next().is_some())
    };
    if group.is_some() {
        // A group reaches over annotations, as texts are often put on a layer of their own.
        match only(&|one| one.shape.group == group) {
            (Some(at), false) => {
                let same = shapes.get(at)?.annotation.pictures == annotation.pictures;
                return same.then_some(at);
            }
            (Some(_), true) => return None,
            (None, _) => {}
        }
    }
    match only(&|one| std::ptr::eq(one.annotation, annotation)) {
        (Some(at), false) => {
            // Grouped with something else, it is not its text's.
            let apart = group.is_some() && shapes.get(at)?.shape.group.is_some();
            (!apart).then_some(at)
        }
        _ => None,
    }
}

/// A label that belongs to no one shape: none is picked. It is no doubt where every shape beside it
/// is labelled by itself and one of them says the same.
fn unpaired(
    shapes: &mut [Labelled<'_>],
    annotation: &Annotation,
    at: usize,
    said: &Said,
) -> Option<Remark> {
    if said.says.quantity == Some(Named::NotOurs) {
        return None;
    }
    let here = |one: &&mut Labelled<'_>| std::ptr::eq(one.annotation, annotation);
    let mut beside: Vec<&mut Labelled<'_>> = shapes.iter_mut().filter(here).collect();
    let all = beside.iter().all(|one| one.is_labelled());
    let same = |one: &Labelled<'_>| one.said.iter().any(|own| own.says == said.says);
    if all && beside.iter().any(|one| same(one)) {
        return None;
    }
    for one in &mut beside {
        one.is_unclear = true;
    }
    let text = match beside.len() {
        0 => format!("The label \"{}\" stands where no line is drawn.", said.text),
        shapes => format!(
            "The label \"{}\" stands beside {shapes} shapes, and nothing says to which of them it belongs; \
             none was picked.",
            said.text
        ),
    };
    Some(
        Remark::of(RemarkCode::PresentationLabelUnclear, text)
            .at((at + 1).to_string())
            .act(RemarkCode::PresentationLabelUnclear.action()),
    )
}

/// The labelled shape as a value without its length; `None` where it is none of our quantities.
fn drawing(
    labelled: &Labelled<'_>,
    beside: &Beside,
    header: &[(&'static str, Side)],
    vocabulary: &Vocabulary,
) -> Option<Drawing> {
    let said = &labelled.said;
    let quantities: BTreeSet<Quantity> = said
        .iter()
        .filter_map(|one| match one.says.quantity {
            Some(Named::Ours(quantity)) => Some(quantity),
            _ => None,
        })
        .collect();
    let quantity = *quantities.first()?;
    let mut remarks = Vec::new();
    let label = said.iter().map(|one| one.text.as_str()).collect::<Vec<_>>();
    let label = label.join(" / ");
    let all = |of: &dyn Fn(&Says) -> bool| said.iter().all(|one| of(&one.says));
    let first = said.iter().find_map(|one| one.says.derivation);
    let derivation = first.map_or(Some(Derivation::Single), |made| made.derivation());
    let plane = said.iter().find_map(|one| one.says.plane);
    let definition = said.iter().find_map(|one| one.says.definition);
    let modality = modality(labelled.annotation);
    let agree = quantities.len() == 1
        && all(&|says| says.quantity.is_none_or(|one| one == Named::Ours(quantity)))
        && all(&|says| says.derivation.is_none() || says.derivation == first)
        && all(&|says| says.plane.is_none() || says.plane == plane)
        && all(&|says| says.definition.is_none() || says.definition == definition)
        && all(&|says| says.modality.is_none_or(|kind| kind == modality))
        && all(&|says| {
            says.structure
                .is_none_or(|part| part == Structure::of(quantity))
        });
    if !agree || derivation.is_none() {
        remarks.push(Remark::of(
            RemarkCode::LabelConflict,
            format!("The labels of this line, \"{label}\", do not say one thing."),
        ));
    }
    if labelled.is_unclear {
        remarks.push(Remark::of(
            RemarkCode::PresentationLabelUnclear,
            "Another label stands beside this line that may be its own.",
        ));
    }
    if said.iter().any(|one| one.says.quoted) || beside.is_earlier {
        remarks.push(Remark::of(
            RemarkCode::EarlierFinding,
            "A text beside the line speaks of an earlier exam; it is kept apart.",
        ));
    }
    let sides = side::Sources {
        labels: said.iter().map(|one| (&*one.text, one.says.side)).collect(),
        words: &labelled.words,
        header,
        named: &beside.eyes,
    };
    let (eye, named) = sides.resolve(vocabulary, &mut remarks);
    let drawn = line::caliper(labelled.shape, labelled.annotation);
    let caliper = match drawn {
        Ok(mut caliper) => {
            if let Some(presented) = &mut caliper.presentation {
                presented.label.clone_from(&label);
                presented.named = named;
                presented.lengths_mm.clone_from(&labelled.lengths);
            }
            Some(caliper)
        }
        Err(remark) => {
            remarks.push(remark);
            None
        }
    };
    for remark in &mut remarks {
        remark
            .place
            .get_or_insert_with(|| labelled.shape.place.clone());
        remark
            .action
            .get_or_insert_with(|| remark.code.action().to_owned());
    }
    Some(Drawing {
        quantity,
        eye,
        plane: plane.unwrap_or_default(),
        derivation: derivation.unwrap_or_default(),
        definition,
        modality,
        label,
        place: labelled.shape.place.clone(),
        caliper,
        remarks,
    })
}

/// The kind of imaging, where all pictures of an annotation are of one class.
fn modality(annotation: &Annotation) -> Modality {
    let mut pictures = annotation.pictures.iter();
    let class = pictures.next().and_then(|one| one.class.as_deref());
    let class = class.filter(|class| pictures.all(|one| one.class.as_deref() == Some(class)));
    class.and_then(Modality::of_class).unwrap_or_default()
}

/// Every text that a dictionary may say something of.
#[must_use]
pub fn texts(presentation: &Presentation) -> Vec<String> {
    let mut texts = presentation.titles.clone();
    for annotation in &presentation.annotations {
        let shapes = annotation.shapes.iter();
        texts.extend(shapes.filter_map(|shape| shape.tracking_id.clone()));
        for one in &annotation.texts {
            texts.push(one.lines.join(" "));
            texts.push(text::without_lengths(&one.lines));
        }
    }
    texts
}

#[cfg(test)]
mod tests;
