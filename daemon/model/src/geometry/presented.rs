//! Lines of presentation states against their pictures. Here the length is the value, so whatever does
//! not agree leaves none.

use super::{Drawn, Origin, Scale, judge};
use crate::domain::{
    Caliper, Device, Geometry, ImageFacts, Laterality, Measurement, Millimetres, Moment,
    ObjectReading, Presented, Quantity, Remark, RemarkCode, Severity,
};
use crate::normalise::plausible;
use std::collections::BTreeMap;

/// Presentation Pixel Spacing and the scale of the region may differ by this share. Common practice,
/// no source: spacings are written with few digits.
const SPACING_DIFFERS: f64 = 0.02;

/// Gives every line of a presentation state its length, side, time and machine, where its picture is
/// here and agrees.
pub(super) fn measure(
    reading: &mut ObjectReading,
    pictures: &BTreeMap<&str, &ObjectReading>,
    bounds: (Millimetres, Millimetres),
) {
    let study = reading
        .exam
        .as_ref()
        .map(|exam| exam.study_instance_uid.clone());
    let day = reading.exam.as_ref().and_then(|exam| exam.study_at);
    let mut devices: Vec<Device> = Vec::new();
    for measurement in &mut reading.measurements {
        let Some(caliper) = measurement.caliper.clone() else {
            continue;
        };
        let (Some(presented), Some(picture)) =
            (&caliper.presentation, pictures.get(caliper.image.as_str()))
        else {
            continue;
        };
        let Some(image) = &picture.image else {
            continue;
        };
        measurement
            .remarks
            .retain(|remark| remark.code != RemarkCode::PresentationPictureMissing);
        let lined = same_study(study.as_deref(), picture)
            .and_then(|()| agree(&caliper, presented, picture, image));
        match lined {
            Ok(scale) => {
                side(measurement, presented, image);
                length(measurement, &caliper, presented, &scale, bounds);
                measurement.observed_at = taken_at(picture, day);
                if image.frames > 1 {
                    let text = "Drawn over a clip, whose calibration holds for all frames at once; a \
                                change of zoom within it would not show.";
                    say(measurement, Remark::of(RemarkCode::CaliperInClip, text));
                }
                let device = picture.exam.as_ref().map(|exam| exam.device.clone());
                let device = device.unwrap_or_default();
                if !devices.contains(&device) {
                    devices.push(device);
                }
            }
            Err(why) => say(
                measurement,
                Remark::of(
                    RemarkCode::PresentationPictureDiffers,
                    format!("The line has no length, because {why}."),
                )
                .act(RemarkCode::PresentationPictureDiffers.action()),
            ),
        }
        let mut remarks = measurement.remarks.iter();
        measurement.usable = !remarks.any(|remark| remark.severity == Severity::Blocking);
    }
    if let (Some(exam), [device]) = (&mut reading.exam, devices.as_slice()) {
        exam.device.clone_from(device);
    }
}

fn say(measurement: &mut Measurement, remark: Remark) {
    let place = measurement.place.clone();
    measurement.remarks.push(remark.at(place));
}

fn same_study(study: Option<&str>, picture: &ObjectReading) -> Result<(), String> {
    let other = picture.exam.as_ref();
    let other = other.map(|exam| exam.study_instance_uid.as_str());
    if study.is_some() && study == other {
        Ok(())
    } else {
        Err("picture and presentation state are of different studies".to_owned())
    }
}

/// The scale at the line, when everything said of the picture is true of it.
fn agree(
    caliper: &Caliper,
    presented: &Presented,
    picture: &ObjectReading,
    image: &ImageFacts,
) -> Result<Scale, String> {
    if picture.sop_class_uid.as_deref() != Some(presented.class.as_str()) {
        return Err("the picture is of another class than the presentation state says".to_owned());
    }
    let last = caliper.frame.unwrap_or(presented.last_frame);
    if caliper.frame == Some(0) || last > image.frames {
        return Err("the picture has no frame of that number".to_owned());
    }
    let scale = Scale::at(image, &caliper.ends)?;
    // Pixel Spacing serves to check a value that a report states, and is too little to make one.
    if !matches!(scale.origin, Origin::Region(_)) {
        return Err("no calibrated region of the picture holds it".to_owned());
    }
    if let Some([row, column]) = presented.spacing {
        let near = |one: f64, other: f64| (one - other).abs() <= SPACING_DIFFERS * other;
        if !near(row, scale.row_mm) || !near(column, scale.column_mm) {
            return Err(format!(
                "the presentation state gives pixels of {row} by {column} mm and the picture gives {:.4} by {:.4} mm",
                scale.row_mm, scale.column_mm
            ));
        }
    }
    Ok(scale)
}

/// The picture says the side where nothing else does; where it says another, none is picked.
fn side(measurement: &mut Measurement, presented: &Presented, image: &ImageFacts) {
    judge::side(measurement, image);
    let nobody = |remark: &Remark| remark.code == RemarkCode::LateralityMissing;
    if !measurement.remarks.iter().any(nobody) {
        return;
    }
    let Some(eye) = image.laterality.and_then(Laterality::eye) else {
        return;
    };
    measurement.remarks.retain(|remark| !nobody(remark));
    if presented.named.is_none_or(|named| named == eye) {
        measurement.eye = Laterality::from(eye);
    } else {
        let text = format!(
            "The picture says {}, but a text beside the line names the other eye.",
            eye.word()
        );
        say(
            measurement,
            Remark::of(RemarkCode::LateralityConflict, text)
                .act("Correct the drawing at its source; no side was picked."),
        );
    }
}

fn length(
    measurement: &mut Measurement,
    caliper: &Caliper,
    presented: &Presented,
    scale: &Scale,
    bounds: (Millimetres, Millimetres),
) {
    let mm = Drawn::new(caliper, scale).length_mm();
    let Some(value) = Millimetres::from_mm(mm) else {
        say(
            measurement,
            Remark::of(
                RemarkCode::PresentationPictureDiffers,
                "The line has no length that a width can have.",
            ),
        );
        return;
    };
    measurement.value_mm = Some(value);
    measurement.geometry = Some(Geometry {
        length_mm: Some(value),
        ..Geometry::default()
    });
    let [start, end] = caliper.ends;
    let (across, down) = (end.column - start.column, end.row - start.row);
    say(
        measurement,
        Remark::of(
            RemarkCode::ReadFromPresentationState,
            format!(
                "Read from a presentation state: no report holds the value. The line \"{}\" runs over {:.1} columns \
                 of {:.4} mm and {:.1} rows of {:.4} mm of picture {}: {value}.",
                presented.label,
                across.abs(),
                scale.column_mm,
                down.abs(),
                scale.row_mm,
                caliper.image
            ),
        )
        .act(RemarkCode::ReadFromPresentationState.action()),
    );
    for &text in &presented.lengths_mm {
        if judge::lengths_differ(text, value) {
            // Only one of them can be right, and nothing says which.
            let text = format!(
                "The line is {value} long by the scale of its picture, but a text beside it says {text}."
            );
            let remark = Remark::of(RemarkCode::CaliperLengthDiffers, text)
                .with(Severity::Blocking)
                .act(RemarkCode::CaliperLengthDiffers.action());
            say(measurement, remark);
        }
    }
    if measurement.quantity == Quantity::SheathDiameter {
        let doubts = plausible::remark(value, bounds);
        let doubts = doubts.into_iter().chain(plausible::maybe_nerve(value));
        doubts.for_each(|remark| say(measurement, remark));
    }
}

/// When the picture was taken: presentation states are often made later. A picture that gives another
/// day than its study may have been written anew.
fn taken_at(picture: &ObjectReading, study_at: Option<Moment>) -> Option<Moment> {
    let taken = picture.exam.as_ref()?.content_at?;
    (Some(taken.date()) == study_at.map(|at| at.date())).then_some(taken)
}

#[cfg(test)]
mod tests;
