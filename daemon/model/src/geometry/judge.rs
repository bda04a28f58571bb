//! What a picture says of one measurement, and what could not be worked out.

use super::drawn::Angle;
use super::{Drawn, Origin, Scale};
use crate::domain::{
    Caliper, Geometry, ImageFacts, Laterality, Measurement, Millimetres, Quantity, Remark,
    RemarkCode, Severity,
};
use crate::normalise::Technique;
use std::collections::BTreeMap;

/// The value in the report and the length of its caliper may differ by this share.
/// Common practice, no source: calipers are stored in pixels and values in 0.1 mm.
const LENGTH_DIFFERS: f64 = 0.10;
/// Stated and computed angle may differ by this much, degrees. Common practice, no source.
const ANGLES_DIFFER_DEG: f64 = 5.0;
/// Stated and computed depth may differ by this much: the usual doubt about where the globe ends.
const DEPTHS_DIFFER: Millimetres = Millimetres::from_um(500);
/// A caliper this close to the rows was laid by the picture and not by the nerve, degrees.
const ALONG_ROWS_DEG: f64 = 2.0;

/// What could not be worked out of one object, and for how many of its values.
#[derive(Debug, Default)]
pub(super) struct Missing(BTreeMap<(&'static str, String), usize>);

impl Missing {
    fn note(&mut self, what: &'static str, why: impl Into<String>) {
        *self.0.entry((what, why.into())).or_default() += 1;
    }

    /// All of it in one remark; none when nothing is missing.
    pub(super) fn remark(&self) -> Option<Remark> {
        let parts = self.0.iter().map(|((what, why), count)| match count {
            1 => format!("{what} of 1 value, because {why}"),
            many => format!("{what} of {many} values, because {why}"),
        });
        let parts: Vec<String> = parts.collect();
        (!parts.is_empty()).then(|| {
            let text = format!("Not worked out from the pictures: {}.", parts.join("; "));
            Remark::of(RemarkCode::GeometryNotComputed, text)
        })
    }
}

/// Works out the geometry of one measurement and says what it means.
pub(super) fn judge(
    measurement: &mut Measurement,
    pictures: &BTreeMap<&str, &ImageFacts>,
    technique: &Technique,
    missing: &mut Missing,
) {
    let Some(caliper) = measurement.caliper.clone() else {
        if measurement.quantity == Quantity::SheathDiameter {
            missing.note("caliper", "none that is clear is drawn for it");
        }
        return;
    };
    let Some(image) = pictures.get(caliper.image.as_str()) else {
        missing.note(
            "geometry",
            format!("the picture {} has not been received", caliper.image),
        );
        return;
    };
    side(measurement, image);
    if caliper
        .frame
        .is_some_and(|frame| frame == 0 || frame > image.frames)
    {
        missing.note("geometry", "the picture has no frame of that number");
        return;
    }
    if image.frames > 1 {
        let text = "Drawn in a clip, whose calibration holds for all frames at once; a change of \
                    zoom within it would not show.";
        say(measurement, Remark::of(RemarkCode::CaliperInClip, text));
    }
    match Scale::at(image, &caliper.ends) {
        Ok(scale) => measure(measurement, &caliper, &scale, technique, missing),
        Err(why) => missing.note("geometry", why),
    }
}

fn say(measurement: &mut Measurement, remark: Remark) {
    let remark = remark.at(measurement.place.clone());
    match remark.severity {
        Severity::Blocking => measurement.set_aside(remark),
        _ => measurement.remarks.push(remark),
    }
}

/// The picture's side against the measurement's: neither is picked when they differ.
pub(super) fn side(measurement: &mut Measurement, image: &ImageFacts) {
    let (Some(of_image), Some(of_value)) = (
        image.laterality.and_then(Laterality::eye),
        measurement.eye.eye(),
    ) else {
        return;
    };
    if of_image != of_value {
        measurement.eye = Laterality::Unresolved;
        say(
            measurement,
            Remark::of(
                RemarkCode::LateralityConflict,
                format!(
                    "The report says {}, but the picture it was measured in says {}.",
                    of_value.word(),
                    of_image.word()
                ),
            )
            .act("Find out which is right and correct it at its source; no side was picked."),
        );
    }
}

fn measure(
    measurement: &mut Measurement,
    caliper: &Caliper,
    scale: &Scale,
    technique: &Technique,
    missing: &mut Missing,
) {
    let drawn = Drawn::new(caliper, scale);
    if let Origin::PixelSpacing(calibration) = &scale.origin {
        let how = calibration.as_deref().unwrap_or("nothing more");
        let text = format!(
            "The scale comes from Pixel Spacing, of which the picture says {how}; no calibrated \
             region holds the caliper."
        );
        say(
            measurement,
            Remark::of(RemarkCode::ScaleFromPixelSpacing, text),
        );
    }
    let mut geometry = measurement.geometry.unwrap_or_default();
    geometry.length_mm = Millimetres::from_mm(drawn.length_mm());
    length(measurement, geometry);
    if measurement.quantity == Quantity::SheathDiameter {
        match drawn.angle() {
            Ok(found) => angle(measurement, &mut geometry, found, &drawn, technique),
            Err(why) => missing.note("angle", why),
        }
        match drawn.depth_mm() {
            Ok(found) => depth(measurement, &mut geometry, found, technique),
            Err(why) => missing.note("depth", why),
        }
    }
    measurement.geometry = Some(geometry);
}

/// Whether a length that is told and one that was worked out are not the same.
pub(super) fn lengths_differ(told: Millimetres, drawn: Millimetres) -> bool {
    let share = (drawn.mm() - told.mm()) / told.mm().abs();
    share.is_finite() && share.abs() > LENGTH_DIFFERS
}

fn length(measurement: &mut Measurement, geometry: Geometry) {
    let Some((value, length)) = measurement.value_mm.zip(geometry.length_mm) else {
        return;
    };
    let share = (length.mm() - value.mm()) / value.mm().abs();
    if lengths_differ(value, length) {
        let text = format!(
            "The caliper drawn in the picture is {length} long, {:+.0} % off the reported {value}; \
             the reported value is used.",
            100.0 * share
        );
        say(
            measurement,
            Remark::of(RemarkCode::CaliperLengthDiffers, text).act(
                "Look at the picture: value, caliper or calibration belong to something else.",
            ),
        );
    }
}

fn angle(
    measurement: &mut Measurement,
    geometry: &mut Geometry,
    found: Angle,
    drawn: &Drawn<'_>,
    technique: &Technique,
) {
    // Coordinates are pixels: hundredths of a degree are noise.
    let deg = (100.0 * found.deg).round() / 100.0;
    geometry.excess_mm = Millimetres::from_mm(found.excess_mm);
    geometry.excess_error_mm = Millimetres::from_mm(found.excess_error_mm);
    let stated = geometry.angle_deg;
    if let Some(stated) = stated
        && (stated - deg).abs() > ANGLES_DIFFER_DEG
    {
        let text = format!(
            "The report states an angle of {stated} degrees, the picture shows {deg}; the larger \
             one counts."
        );
        say(
            measurement,
            Remark::of(RemarkCode::CaliperAngleDiffers, text),
        );
    }
    if stated.is_none_or(|stated| deg > stated) {
        geometry.angle_deg = Some(deg);
        // What the stated angle called for, the larger one calls for too.
        measurement
            .remarks
            .retain(|remark| remark.code != RemarkCode::ObliqueCaliper);
        let remark = measurement
            .value_mm
            .and_then(|value| technique.angle_remark(value, deg));
        if let Some(mut remark) = remark {
            remark.text = format!(
                "{} Worked out from the picture: {deg} ± {:.1} degrees, {:.2} ± {:.2} mm too wide \
                 for one pixel at each end.",
                remark.text, found.error_deg, found.excess_mm, found.excess_error_mm
            );
            say(measurement, remark);
        }
    }
    if deg > technique.angle_caution_deg && drawn.off_rows_deg() <= ALONG_ROWS_DEG {
        say(
            measurement,
            Remark::of(
                RemarkCode::EdgeShadowSuspected,
                format!(
                    "The caliper lies along the rows of the picture while the nerve runs {deg} \
                     degrees off its columns: it may span the pair of shadows that the globe's \
                     edges cast straight down, and not the sheath."
                ),
            )
            .act("Look at the picture, and measure again across the nerve's own axis."),
        );
    }
}

fn depth(
    measurement: &mut Measurement,
    geometry: &mut Geometry,
    found: f64,
    technique: &Technique,
) {
    let Some(found) = Millimetres::from_mm(found) else {
        return;
    };
    geometry.depth_mm = Some(found);
    let off = |depth: Millimetres| (depth.mm() - technique.depth_mm).abs();
    if let Some(stated) = measurement.depth_mm {
        if (stated.um() - found.um()).abs() > DEPTHS_DIFFER.um() {
            let text = format!(
                "The report states a depth of {stated}, the picture shows {found}; the one \
                 further off counts."
            );
            say(
                measurement,
                Remark::of(RemarkCode::CaliperDepthDiffers, text),
            );
        }
        if off(stated) >= off(found) {
            return;
        }
    }
    measurement
        .remarks
        .retain(|remark| remark.code != RemarkCode::DepthOff);
    if let Some(remark) = technique.depth_remark(found) {
        say(measurement, remark);
    }
}
