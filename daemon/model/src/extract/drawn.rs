//! What was drawn in a picture for a number: its caliper, the nerve's axis, the globe (TID 320,
//! TID 1400). Places as sent; what they amount to is for [`geometry`](crate::geometry).

use super::context::Chain;
use super::level::Level;
use super::level::Said;
use crate::domain::{Caliper, Point, Remark, RemarkCode};
use crate::sr::ItemId;
use crate::sr::tree::{Relationship, Tree, Value};
use crate::template::Vocabulary;
use crate::template::words::Role;

/// A shape and the one picture it is drawn in.
struct Shape<'a> {
    graphic: &'a str,
    points: Vec<Point>,
    image: &'a str,
    frame: Option<u32>,
}

/// The item itself, or the one it refers to.
fn target(tree: &Tree, id: ItemId) -> Option<ItemId> {
    match &tree.item(id).value {
        Value::Reference(path) => tree.at_path(path),
        _ => Some(id),
    }
}

/// The picture a shape is drawn in, when there is exactly one.
fn picture(tree: &Tree, shape: ItemId) -> Option<(&str, Option<u32>)> {
    let mut pictures = tree
        .children(shape)
        .iter()
        .filter(|&&child| tree.item(child).relationship == Relationship::SelectedFrom)
        .filter_map(|&child| match &tree.item(target(tree, child)?).value {
            Value::Instance {
                instance, frames, ..
            } => Some((instance.as_str(), frames.as_slice())),
            _ => None,
        });
    let (image, frames) = pictures.next()?;
    let frame = match frames {
        [one] => Some(*one),
        _ => None,
    };
    pictures.next().is_none().then_some((image, frame))
}

fn shape(tree: &Tree, id: ItemId) -> Option<Shape<'_>> {
    let Value::Coordinates { graphic, points } = &tree.item(id).value else {
        return None;
    };
    let (image, frame) = picture(tree, id)?;
    let points = points.chunks_exact(2).filter_map(|pair| match pair {
        &[column, row] => Some(Point { column, row }),
        _ => None,
    });
    Some(Shape {
        graphic,
        points: points.collect(),
        image,
        frame,
    })
}

/// The caliper of a number, when one line is drawn for it and nothing else that could be one.
pub(super) fn caliper(
    tree: &Tree,
    number: ItemId,
    chain: &Chain<'_>,
    vocabulary: &Vocabulary,
    remarks: &mut Vec<Remark>,
) -> Option<Caliper> {
    let mut lines: Vec<Shape<'_>> = Vec::new();
    let mut ends: Vec<Shape<'_>> = Vec::new();
    let mut strange = false;
    let (mut axes, mut globes) = (Vec::new(), Vec::new());
    for &child in tree.children(number) {
        if tree.item(child).relationship != Relationship::InferredFrom {
            continue;
        }
        let Some(id) = target(tree, child) else {
            continue;
        };
        let item = tree.item(id);
        if !matches!(item.value, Value::Coordinates { .. }) {
            continue;
        }
        match vocabulary.explain_some(item.concept.as_ref()).says.role {
            Some(Role::NerveAxis) => axes.push(id),
            Some(Role::GlobePoint) => globes.push(id),
            _ => match shape(tree, id) {
                Some(shape) => match (shape.graphic, shape.points.len()) {
                    ("POLYLINE", 2) => lines.push(shape),
                    ("POINT", 1) => ends.push(shape),
                    _ => strange = true,
                },
                None => strange = true,
            },
        }
    }
    let caliper = match (lines.as_slice(), ends.as_slice()) {
        ([], []) if !strange => return None,
        ([line], []) if !strange => match line.points.as_slice() {
            &[one, other] => Some((line, [one, other])),
            _ => None,
        },
        ([], [one, other]) if !strange && same_picture(one, other) => {
            match (one.points.as_slice(), other.points.as_slice()) {
                (&[start], &[end]) => Some((one, [start, end])),
                _ => None,
            }
        }
        _ => None,
    };
    let Some((drawn, ends)) = caliper else {
        remarks.push(Remark::of(
            RemarkCode::CaliperUnclear,
            "What is drawn for the value is not one line between two points in one picture; \
             nothing was worked out from it.",
        ));
        return None;
    };
    let mut nearest = |own: &[ItemId], list: fn(&Level) -> &Vec<Said<ItemId>>, what: &str| {
        let above = chain.steps.iter().map(|step| list(step.level).as_slice());
        let above = above.map(|said| said.iter().map(|one| one.says).collect::<Vec<_>>());
        let levels = std::iter::once(own.to_vec()).chain(above);
        let mut found = levels.map(|ids| distinct(tree, &ids, drawn));
        let shapes = found.find(|shapes| !shapes.is_empty())?;
        match shapes.as_slice() {
            [Some(points)] => Some(points.clone()),
            _ => {
                remarks.push(Remark::of(
                    RemarkCode::ReferenceLineUnclear,
                    format!(
                        "Several lines or none that is one are drawn as the {what}; none is used."
                    ),
                ));
                None
            }
        }
    };
    let axis = nearest(&axes, |level| &level.axes, "nerve's axis").unwrap_or_default();
    let globe = nearest(&globes, |level| &level.globes, "globe's edge");
    Some(Caliper {
        image: drawn.image.to_owned(),
        frame: drawn.frame,
        ends,
        axis,
        globe: globe.and_then(|points| points.first().copied()),
        presentation: None,
    })
}

fn same_picture(one: &Shape<'_>, other: &Shape<'_>) -> bool {
    let frames = match (one.frame, other.frame) {
        (Some(one), Some(other)) => one == other,
        _ => true,
    };
    one.image == other.image && frames
}

/// Reference lines and points in the picture of the caliper, each once; `None` is one that is
/// neither a line nor a point.
fn distinct(tree: &Tree, ids: &[ItemId], drawn: &Shape<'_>) -> Vec<Option<Vec<Point>>> {
    let mut shapes: Vec<Option<Vec<Point>>> = Vec::new();
    for shape in ids.iter().filter_map(|&id| shape(tree, id)) {
        if !same_picture(&shape, drawn) {
            continue;
        }
        let sound = matches!(
            (shape.graphic, shape.points.len()),
            ("POLYLINE", 2..) | ("POINT", 1)
        );
        let points = sound.then_some(shape.points);
        if !shapes.contains(&points) {
            shapes.push(points);
        }
        // Two are a contradiction already.
        if shapes.len() > 1 {
            break;
        }
    }
    shapes
}

#[cfg(test)]
mod tests;
