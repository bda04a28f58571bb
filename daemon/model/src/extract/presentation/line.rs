//! The line itself: two points in pixels of one ultrasound picture.

use crate::domain::{Caliper, Presented, Remark, RemarkCode};
use crate::sr::image::is_image_class;
use crate::sr::presentation::{Annotation, Pictured, Shape};

/// Whether a shape is one straight line.
pub(super) fn is_line(shape: &Shape) -> bool {
    let points = shape.points.as_ref();
    shape.graphic == "POLYLINE" && points.is_some_and(|points| points.len() == 2)
}

/// The line in its picture.
///
/// # Errors
///
/// The blocking remark on what is drawn instead.
pub(super) fn caliper(shape: &Shape, annotation: &Annotation) -> Result<Caliper, Remark> {
    let ends = match shape.points.as_deref() {
        Some(&[start, end]) if shape.graphic == "POLYLINE" => [start, end],
        Some(points) if shape.graphic == "POLYLINE" => {
            let count = points.len();
            return Err(unclear(format!(
                "What is drawn for the label has {count} points; a width is a line between two."
            )));
        }
        _ => {
            let graphic = if shape.graphic.is_empty() {
                "something unreadable"
            } else {
                &shape.graphic
            };
            return Err(unclear(format!(
                "What is drawn for the label is {graphic} and not one line between two points."
            )));
        }
    };
    if shape.units != "PIXEL" {
        let units = if shape.units.is_empty() {
            "no units that are told"
        } else {
            &shape.units
        };
        return Err(unclear(format!(
            "The line is drawn in {units}, not in pixels of the picture (PIXEL): how long it is depends on the \
             screen."
        )));
    }
    if ends
        .iter()
        .any(|end| !end.column.is_finite() || !end.row.is_finite())
    {
        return Err(unclear("The ends of the line are no numbers.".to_owned()));
    }
    let picture = one_picture(&annotation.pictures)?;
    let frames = picture.frames.as_slice();
    Ok(Caliper {
        image: picture.instance.clone(),
        frame: match frames {
            &[one] => Some(one),
            _ => None,
        },
        ends,
        axis: Vec::new(),
        globe: None,
        presentation: Some(Presented {
            class: picture.class.clone().unwrap_or_default(),
            last_frame: match frames {
                [] | [_] => 0,
                many => many.iter().max().copied().unwrap_or_default(),
            },
            spacing: picture.spacing,
            ..Presented::default()
        }),
    })
}

/// The one picture that is drawn over, when it is one whose scale can be read.
fn one_picture(pictures: &[Pictured]) -> Result<Pictured, Remark> {
    let mut all = pictures.iter();
    let Some(first) = all.next() else {
        return Err(unclear(
            "The line does not say over which picture it is drawn.".to_owned(),
        ));
    };
    let mut picture = first.clone();
    for other in all {
        // One picture may be named once for each of its frames.
        if other.instance != picture.instance || other.class != picture.class {
            return Err(unclear(format!(
                "The line is drawn over {} pictures at once.",
                pictures.len()
            )));
        }
        picture.listed &= other.listed;
        if picture.frames.is_empty() || other.frames.is_empty() {
            picture.frames.clear();
        } else {
            picture.frames.extend(&other.frames);
        }
    }
    picture.frames.sort_unstable();
    picture.frames.dedup();
    if picture.instance.is_empty() {
        return Err(unclear(
            "The picture that the line is drawn over has no valid UID.".to_owned(),
        ));
    }
    if !picture.listed {
        return Err(unclear(
            "The line is drawn over a picture or frame that the presentation state does not list as its own."
                .to_owned(),
        ));
    }
    match picture.class.as_deref() {
        Some(class) if is_image_class(class) => Ok(picture),
        Some(class) => Err(unclear(format!(
            "The line is drawn over an object of the class {class}, of which no scale is read."
        ))),
        None => Err(unclear(
            "The class of the picture that the line is drawn over is not told.".to_owned(),
        )),
    }
}

fn unclear(text: String) -> Remark {
    Remark::of(RemarkCode::PresentationLineUnclear, text)
}
