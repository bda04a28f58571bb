//! Lines and texts drawn over pictures: Grayscale and Color Softcopy Presentation State (PS3.3
//! A.33.1, A.33.2; C.10.5 Graphic Annotation, C.10.4 Displayed Area, C.11.11 Relationship).
//!
//! Everything as sent. What belongs together and what it means is for
//! [`extract::presentation`](crate::extract::presentation).

use super::bounds;
use super::charset::Charset;
use super::data::DataSet;
use super::element::{Place, Reader, Remarks, charset_of};
use crate::domain::Point;
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use std::collections::BTreeSet;
use std::rc::Rc;

/// Grayscale and Color Softcopy Presentation State Storage.
const CLASSES: [&str; 2] = [
    "1.2.840.10008.5.1.4.1.1.11.1",
    "1.2.840.10008.5.1.4.1.1.11.2",
];

/// Graphic Group ID (0070,0295) of PS3.3 C.10.5: what is grouped belongs together.
const GROUP: Tag = tags::GRAPHIC_GROUP_ID;

/// Most items of each kind that are kept: drawings of a whole study stay far below it.
const MOST: usize = 1_000;

/// Most pictures of one presentation state, and of one annotation.
const PICTURES: usize = 256;

/// Whether objects of this class are presentation states that can be read.
#[must_use]
pub fn is_presentation_class(class: &str) -> bool {
    CLASSES.contains(&class)
}

/// What one presentation state says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Presentation {
    /// Items of the Graphic Annotation Sequence.
    pub annotations: Vec<Annotation>,
    /// Items of any kind that were too many to be kept.
    pub left_out: usize,
    /// Content Label, Content Description, Series Description: texts that may name a side.
    pub titles: Vec<String>,
    /// Content Creator's Name: who drew it.
    pub creator: Option<String>,
}

/// Drawings that are grouped: one item of the Graphic Annotation Sequence.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Annotation {
    /// The pictures it is drawn over: its own, else all of the presentation state.
    pub pictures: Vec<Pictured>,
    /// Shapes, simple and compound.
    pub shapes: Vec<Shape>,
    /// Texts.
    pub texts: Vec<Text>,
}

/// A picture that is drawn over.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pictured {
    /// Its SOP Class UID.
    pub class: Option<String>,
    /// Its SOP Instance UID; empty where it is none.
    pub instance: String,
    /// Frames that are meant; none: all.
    pub frames: Vec<u32>,
    /// Whether the presentation state lists the picture as one of its own (C.11.11).
    pub listed: bool,
    /// Presentation Pixel Spacing of its displayed area, where given: rows, columns, millimetres.
    pub spacing: Option<[f64; 2]>,
}

/// One item of the Graphic Object Sequence or the Compound Graphic Sequence.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Shape {
    /// Ordinals of annotation and shape: `2.1`.
    pub place: String,
    /// Graphic Annotation Units: `PIXEL`, `DISPLAY`, `MATRIX`.
    pub units: String,
    /// Graphic Type; of a compound graphic `compound` and its type.
    pub graphic: String,
    /// Its points; `None` where they cannot be read as pairs.
    pub points: Option<Vec<Point>>,
    /// Tracking ID: what the drawing is followed by.
    pub tracking_id: Option<String>,
    /// Its group.
    pub group: Option<u32>,
}

/// One item of the Text Object Sequence.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Text {
    /// Unformatted Text Value, line by line.
    pub lines: Vec<String>,
    /// Its group.
    pub group: Option<u32>,
}

/// What a presentation state says; `None` for an object of any other class.
pub(super) fn facts(
    object: DataSet<'_>,
    class: Option<&str>,
    around: &Rc<Charset>,
    remarks: &mut Remarks,
) -> Option<Presentation> {
    class.filter(|class| is_presentation_class(class))?;
    let mut reader = Reader {
        charset: charset_of(object, around),
        object,
        place: Place::Document,
        remarks,
    };
    let mut own = relationship(&mut reader);
    displayed_areas(&mut reader, &mut own);
    let titles = [
        tags::CONTENT_LABEL,
        tags::CONTENT_DESCRIPTION,
        tags::SERIES_DESCRIPTION,
    ];
    let mut presentation = Presentation {
        titles: titles.iter().filter_map(|&tag| reader.text(tag)).collect(),
        creator: reader.first(tags::CONTENT_CREATOR_NAME),
        ..Presentation::default()
    };
    let charset = Rc::clone(&reader.charset);
    let items = reader.items(tags::GRAPHIC_ANNOTATION_SEQUENCE);
    presentation.left_out = items.clone().count().saturating_sub(MOST);
    let mut room = MOST;
    for (item, number) in items.take(MOST).zip(1_u32..) {
        let place = number.to_string();
        let mut reader = Reader {
            charset: charset_of(item, &charset),
            object: item,
            place: Place::At(&place),
            remarks: &mut *remarks,
        };
        let (annotation, beyond) = annotation(&mut reader, &own, &mut room);
        presentation.left_out += beyond;
        presentation.annotations.push(annotation);
    }
    Some(presentation)
}

/// The pictures of the Presentation State Relationship Module.
fn relationship(reader: &mut Reader<'_, '_>) -> Vec<Pictured> {
    let mut pictures = Vec::new();
    for series in reader.items(tags::REFERENCED_SERIES_SEQUENCE) {
        let mut series = reader.inside(series);
        for item in series.items(tags::REFERENCED_IMAGE_SEQUENCE) {
            if pictures.len() < PICTURES {
                pictures.push(pictured(&mut series.inside(item)));
            }
        }
    }
    for picture in &mut pictures {
        picture.listed = true;
    }
    pictures
}

/// One item of a Referenced Image Sequence (table 10-3).
fn pictured(reader: &mut Reader<'_, '_>) -> Pictured {
    let mut frames = reader.whole_numbers(tags::REFERENCED_FRAME_NUMBER);
    frames.sort_unstable();
    frames.dedup();
    Pictured {
        class: reader.text(tags::REFERENCED_SOP_CLASS_UID),
        instance: reader
            .uid(tags::REFERENCED_SOP_INSTANCE_UID)
            .unwrap_or_default(),
        frames,
        listed: false,
        spacing: None,
    }
}

/// Adds to each picture the spacing of its displayed area, where one is told.
fn displayed_areas(reader: &mut Reader<'_, '_>, own: &mut [Pictured]) {
    // A picture that is turned by a quarter shows its rows as columns (C.10.6).
    let turned = reader.whole_numbers(tags::IMAGE_ROTATION);
    let turned = matches!(turned.as_slice(), [90] | [270]);
    for area in reader.items(tags::DISPLAYED_AREA_SELECTION_SEQUENCE) {
        let mut area = reader.inside(area);
        let &[row, column] = area.decimals(tags::PRESENTATION_PIXEL_SPACING).as_slice() else {
            continue;
        };
        let spacing = if turned { [column, row] } else { [row, column] };
        let named: BTreeSet<String> = area
            .items(tags::REFERENCED_IMAGE_SEQUENCE)
            .take(PICTURES)
            .map(|item| pictured(&mut area.inside(item)).instance)
            .collect();
        let of_it = |picture: &&mut Pictured| named.is_empty() || named.contains(&picture.instance);
        for picture in own.iter_mut().filter(of_it) {
            picture.spacing = Some(spacing);
        }
    }
}

/// One item of the Graphic Annotation Sequence, and how many of its items there was no room for.
fn annotation(
    reader: &mut Reader<'_, '_>,
    own: &[Pictured],
    room: &mut usize,
) -> (Annotation, usize) {
    let named = reader.items(tags::REFERENCED_IMAGE_SEQUENCE);
    let pictures: Vec<Pictured> = if named.clone().next().is_none() {
        own.to_vec()
    } else {
        let named = named.take(PICTURES);
        let named = named.map(|item| pictured(&mut reader.inside(item)));
        named.map(|picture| known(picture, own)).collect()
    };
    let mut annotation = Annotation {
        pictures,
        ..Annotation::default()
    };
    let simple = reader.items(tags::GRAPHIC_OBJECT_SEQUENCE);
    let compound = reader.items(tags::COMPOUND_GRAPHIC_SEQUENCE);
    let texts = reader.items(tags::TEXT_OBJECT_SEQUENCE);
    let all = simple.clone().count() + compound.clone().count() + texts.clone().count();
    if all > *room {
        return (Annotation::default(), all);
    }
    *room -= all;
    let place = reader.place.to_string();
    let mut drawn_as: BTreeSet<u32> = BTreeSet::new();
    for (item, number) in simple.zip(1_u32..) {
        let place = format!("{place}.{number}");
        let charset = charset_of(item, &reader.charset);
        let mut inside = Reader {
            charset,
            object: item,
            place: Place::At(&place),
            remarks: &mut *reader.remarks,
        };
        drawn_as.extend(inside.whole_numbers(tags::COMPOUND_GRAPHIC_INSTANCE_ID));
        annotation.shapes.push(shape(&mut inside));
    }
    // A compound graphic is drawn a second time as simple ones, for programs that do not know it
    // (C.10.5): those count, and it counts itself where there are none.
    for item in compound {
        let mut inside = reader.inside(item);
        let id = inside.whole_numbers(tags::COMPOUND_GRAPHIC_INSTANCE_ID);
        if id.iter().any(|id| drawn_as.contains(id)) {
            continue;
        }
        let kind = inside.text(tags::COMPOUND_GRAPHIC_TYPE);
        annotation.shapes.push(Shape {
            place: place.clone(),
            graphic: format!("compound {}", kind.unwrap_or_default()),
            ..Shape::default()
        });
    }
    for item in texts {
        let mut inside = reader.inside(item);
        let text = inside.text(tags::UNFORMATTED_TEXT_VALUE);
        annotation.texts.push(Text {
            lines: lines(text.as_deref().unwrap_or_default()),
            group: one(&inside.whole_numbers(GROUP)),
        });
    }
    (annotation, 0)
}

/// A picture that an annotation names, with what the presentation state says of it.
fn known(mut picture: Pictured, own: &[Pictured]) -> Pictured {
    let mut same = own.iter().filter(|one| one.instance == picture.instance);
    picture.listed = same.clone().any(|one| {
        let within = picture
            .frames
            .iter()
            .all(|frame| one.frames.contains(frame));
        one.class == picture.class && (one.frames.is_empty() || within)
    });
    picture.spacing = same.find_map(|one| one.spacing);
    picture
}

fn shape(reader: &mut Reader<'_, '_>) -> Shape {
    let dimensions = reader.whole_numbers(tags::GRAPHIC_DIMENSIONS);
    let numbers = reader.singles(tags::GRAPHIC_DATA);
    let points = numbers.filter(|numbers| numbers.len() % 2 == 0 && dimensions == [2]);
    let points = points.map(|numbers| {
        let pairs = numbers.chunks_exact(2).filter_map(|pair| match pair {
            &[column, row] => Some(Point { column, row }),
            _ => None,
        });
        pairs.collect()
    });
    Shape {
        place: reader.place.to_string(),
        units: reader
            .text(tags::GRAPHIC_ANNOTATION_UNITS)
            .unwrap_or_default(),
        graphic: reader.text(tags::GRAPHIC_TYPE).unwrap_or_default(),
        points,
        tracking_id: reader.whole(tags::TRACKING_ID, bounds::LONG_CODE),
        group: one(&reader.whole_numbers(GROUP)),
    }
}

/// The only number.
fn one(numbers: &[u32]) -> Option<u32> {
    match numbers {
        &[one] => Some(one),
        _ => None,
    }
}

/// Lines of a text that are not blank (C.10.5: lines end with CR LF).
fn lines(text: &str) -> Vec<String> {
    text.split(['\r', '\n', '\u{c}'])
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .map(str::to_owned)
        .collect()
}

#[cfg(test)]
mod tests;
