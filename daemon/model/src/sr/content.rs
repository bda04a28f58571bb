//! The content tree from a decoded object (PS3.3 C.17.3).

use super::charset::Charset;
use super::data::{DataSet, Value as Held};
use super::element::{Place, Reader, Remarks, charset_of, is_uid};
use super::tree::{ContentItem, Measured, Relationship, Tree, Value};
use crate::domain::{Remark, RemarkCode, Severity};
use dicom_dictionary_std::tags;
use std::rc::Rc;

/// The tree, or `None` when the object holds no report at all.
///
/// Every item of every Content Sequence becomes an item of the tree, understood or not, so that
/// ordinals count as the sender counted them. `around`: the character set until one is declared.
pub(super) fn tree(
    object: DataSet<'_>,
    around: &Rc<Charset>,
    remarks: &mut Remarks,
) -> Option<Tree> {
    let content = [tags::VALUE_TYPE, tags::CONTENT_SEQUENCE];
    if !content.iter().any(|&tag| object.has(tag)) {
        return None;
    }
    let charset = charset_of(object, around);
    let mut document = Reader {
        charset: Rc::clone(&charset),
        object,
        place: Place::Root,
        remarks: &mut *remarks,
    };
    let mut tree = Tree::new(item(&mut document, true));
    let mut open = vec![(tree.root(), object, charset)];
    while let Some((id, object, charset)) = open.pop() {
        if object.has(tags::CONTENT_SEQUENCE) && !holds_items(object) {
            let place = format!("{} {}", tree.place(id), tags::CONTENT_SEQUENCE);
            remarks.push(
                Remark::of(
                    RemarkCode::ContentUnreadable,
                    "The content below this item is not sent as a sequence and cannot be read.",
                )
                .at(place)
                .act("Ask the sender for the report in Explicit VR Little Endian."),
            );
            continue;
        }
        let Some(Held::Items(items)) = object.get(tags::CONTENT_SEQUENCE) else {
            continue;
        };
        let below = open.len();
        for (child, number) in items.zip(1_u32..) {
            let charset = charset_of(child, &charset);
            let mut reader = Reader {
                charset: Rc::clone(&charset),
                object: child,
                place: Place::Below(&tree, id, number),
                remarks: &mut *remarks,
            };
            let item = item(&mut reader, false);
            open.push((tree.add(id, item), child, charset));
        }
        if let Some(below) = open.get_mut(below..) {
            below.reverse();
        }
    }
    Some(tree)
}

fn holds_items(object: DataSet<'_>) -> bool {
    let content = object.get(tags::CONTENT_SEQUENCE);
    matches!(content, Some(Held::Items(_) | Held::Empty))
}

fn item(reader: &mut Reader<'_, '_>, root: bool) -> ContentItem {
    let relationship = relationship(reader, root);
    let concept = reader.code(tags::CONCEPT_NAME_CODE_SEQUENCE);
    let value = value(reader);
    let mut item = ContentItem::new(relationship, concept, value);
    item.observed_at = reader.text(tags::OBSERVATION_DATE_TIME);
    item.observation_uid = reader.uid(tags::OBSERVATION_UID);
    if let Some(template) = reader.only_item(tags::CONTENT_TEMPLATE_SEQUENCE) {
        item.template_id = reader.inside(template).text(tags::TEMPLATE_IDENTIFIER);
    }
    item
}

fn relationship(reader: &mut Reader<'_, '_>, root: bool) -> Relationship {
    let Some(word) = reader.text(tags::RELATIONSHIP_TYPE) else {
        if !root {
            reader.remark(
                tags::RELATIONSHIP_TYPE,
                Remark::of(
                    RemarkCode::RelationshipMissing,
                    "A content item does not say how it relates to its parent.",
                ),
            );
        }
        return Relationship::Other;
    };
    match word.as_str() {
        "CONTAINS" => Relationship::Contains,
        "HAS OBS CONTEXT" => Relationship::HasObsContext,
        "HAS ACQ CONTEXT" => Relationship::HasAcqContext,
        "HAS CONCEPT MOD" => Relationship::HasConceptMod,
        "HAS PROPERTIES" => Relationship::HasProperties,
        "INFERRED FROM" => Relationship::InferredFrom,
        "SELECTED FROM" => Relationship::SelectedFrom,
        _ => {
            reader.remark(
                tags::RELATIONSHIP_TYPE,
                Remark::of(
                    RemarkCode::RelationshipUnknown,
                    "A content item relates to its parent in a way the standard does not list.",
                ),
            );
            Relationship::Other
        }
    }
}

/// The value of an item; [`Value::Other`] with a remark when it cannot be understood.
fn value(reader: &mut Reader<'_, '_>) -> Value {
    let Some(kind) = reader.text(tags::VALUE_TYPE) else {
        return without_type(reader);
    };
    let understood = match kind.as_str() {
        "CONTAINER" => Some(Value::Container),
        "TEXT" => reader.long_text(tags::TEXT_VALUE).map(Value::Text),
        "CODE" => reader.code(tags::CONCEPT_CODE_SEQUENCE).map(Value::Code),
        "NUM" => num(reader),
        "DATETIME" => reader.text(tags::DATE_TIME).map(Value::Time),
        "DATE" => reader.text(tags::DATE).map(Value::Time),
        "TIME" => reader.text(tags::TIME).map(Value::Time),
        "UIDREF" => reader.uid(tags::UID).map(Value::Uid),
        "PNAME" => reader.text(tags::PERSON_NAME).map(Value::PersonName),
        "IMAGE" | "COMPOSITE" | "WAVEFORM" => instance(reader),
        "SCOORD" => coordinates(reader),
        // Nothing in them is used here.
        "SCOORD3D" | "TCOORD" | "TABLE" => return Value::Other(kind),
        _ => {
            reader.remark(
                tags::VALUE_TYPE,
                Remark::of(
                    RemarkCode::ValueTypeUnknown,
                    "A content item has a value type the standard does not list; it is skipped.",
                ),
            );
            return Value::Other(kind);
        }
    };
    understood.unwrap_or_else(|| {
        reader.remark(
            tags::VALUE_TYPE,
            Remark::of(
                RemarkCode::ValueUnreadable,
                format!("The value of a {kind} item is missing or malformed; it is skipped."),
            )
            .with(Severity::Caution),
        );
        Value::Other(kind)
    })
}

/// Only an item by reference may lack its value type.
fn without_type(reader: &mut Reader<'_, '_>) -> Value {
    match reader.longs(tags::REFERENCED_CONTENT_ITEM_IDENTIFIER) {
        Some(path) if !path.is_empty() => Value::Reference(path),
        _ => {
            reader.remark(
                tags::VALUE_TYPE,
                Remark::of(
                    RemarkCode::ValueTypeMissing,
                    "A content item has no value type and refers to no other; it is skipped.",
                ),
            );
            Value::Other(String::new())
        }
    }
}

/// An empty Measured Value Sequence is a NUM without value (PS3.3 C.18.1); several items are
/// several values, of which none may be picked.
fn num(reader: &mut Reader<'_, '_>) -> Option<Value> {
    let qualifier = reader.code(tags::NUMERIC_VALUE_QUALIFIER_CODE_SEQUENCE);
    let any = reader.items(tags::MEASURED_VALUE_SEQUENCE).next().is_some();
    let measured = match reader.only_item(tags::MEASURED_VALUE_SEQUENCE) {
        Some(item) => {
            let mut inside = reader.inside(item);
            Some(Measured {
                decimal: inside.text(tags::NUMERIC_VALUE),
                float: inside.double(tags::FLOATING_POINT_VALUE),
                rational: rational(&inside),
                unit: inside.code(tags::MEASUREMENT_UNITS_CODE_SEQUENCE),
            })
        }
        None if !any => None,
        None => return None,
    };
    Some(Value::Num {
        measured,
        qualifier,
    })
}

/// Numerator and denominator; both or nothing.
fn rational(inside: &Reader<'_, '_>) -> Option<(i32, u32)> {
    let numerator = inside.signed_longs(tags::RATIONAL_NUMERATOR_VALUE)?;
    let denominator = inside.longs(tags::RATIONAL_DENOMINATOR_VALUE)?;
    match (numerator.as_slice(), denominator.as_slice()) {
        (&[numerator], &[denominator]) => Some((numerator, denominator)),
        _ => None,
    }
}

fn instance(reader: &mut Reader<'_, '_>) -> Option<Value> {
    let item = reader.only_item(tags::REFERENCED_SOP_SEQUENCE)?;
    let mut inside = reader.inside(item);
    Some(Value::Instance {
        class: inside
            .text(tags::REFERENCED_SOP_CLASS_UID)
            .filter(|uid| is_uid(uid))?,
        instance: inside
            .text(tags::REFERENCED_SOP_INSTANCE_UID)
            .filter(|uid| is_uid(uid))?,
        frames: inside.whole_numbers(tags::REFERENCED_FRAME_NUMBER),
    })
}

/// Column, row pairs (PS3.3 C.18.6); half a pair or a point at infinity is no place.
fn coordinates(reader: &mut Reader<'_, '_>) -> Option<Value> {
    let points = reader.singles(tags::GRAPHIC_DATA)?;
    let sound = points.len().is_multiple_of(2) && points.iter().all(|number| number.is_finite());
    sound.then_some(())?;
    Some(Value::Coordinates {
        graphic: reader.text(tags::GRAPHIC_TYPE)?,
        points,
    })
}
