//! Scale and side of an ultrasound picture (PS3.3 C.8.5.5, 10.7, C.7.3.1).

use super::charset::Charset;
use super::data::DataSet;
use super::element::{Place, Reader, Remarks, charset_of};
use crate::domain::{Eye, ImageFacts, Laterality, PixelSpacing, Region, Remark, RemarkCode};
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use std::rc::Rc;

/// Ultrasound Image and Ultrasound Multi-frame Image Storage, and their retired forms.
const CLASSES: [&str; 4] = [
    "1.2.840.10008.5.1.4.1.1.6.1",
    "1.2.840.10008.5.1.4.1.1.3.1",
    "1.2.840.10008.5.1.4.1.1.6",
    "1.2.840.10008.5.1.4.1.1.3",
];

/// Most regions kept. A screen rarely has four; a hostile sequence could have a hundred thousand.
const REGIONS: usize = 64;

/// Whether objects of this class are ultrasound pictures.
#[must_use]
pub fn is_image_class(class: &str) -> bool {
    CLASSES.contains(&class)
}

/// What an ultrasound picture says of itself; `None` for an object of any other class.
pub(super) fn facts(
    object: DataSet<'_>,
    class: Option<&str>,
    around: &Rc<Charset>,
    remarks: &mut Remarks,
) -> Option<ImageFacts> {
    class.filter(|class| is_image_class(class))?;
    let mut reader = Reader {
        charset: charset_of(object, around),
        object,
        place: Place::Document,
        remarks,
    };
    let laterality = laterality(&mut reader);
    let regions = regions(&mut reader);
    let mut number = |tag| reader.whole_numbers(tag).first().copied();
    Some(ImageFacts {
        rows: number(tags::ROWS),
        columns: number(tags::COLUMNS),
        frames: number(tags::NUMBER_OF_FRAMES).unwrap_or(1).max(1),
        laterality,
        regions,
        pixel_spacing: pixel_spacing(&mut reader),
    })
}

/// Image Laterality goes before that of the series; both at once must agree.
fn laterality(reader: &mut Reader<'_, '_>) -> Option<Laterality> {
    let mut eye = |tag| match reader.text(tag)?.as_str() {
        "R" => Some(Eye::Right),
        "L" => Some(Eye::Left),
        // Both, unpaired: no side.
        _ => None,
    };
    match (eye(tags::IMAGE_LATERALITY), eye(tags::LATERALITY)) {
        (Some(image), Some(series)) if image != series => {
            reader.remark(
                tags::IMAGE_LATERALITY,
                Remark::of(
                    RemarkCode::ImageLateralityConflict,
                    "The picture and its series name different sides; neither is used.",
                ),
            );
            Some(Laterality::Unresolved)
        }
        (one, other) => one.or(other).map(Laterality::from),
    }
}

fn pixel_spacing(reader: &mut Reader<'_, '_>) -> Option<PixelSpacing> {
    if !reader.has(tags::PIXEL_SPACING) {
        return None;
    }
    match reader.decimals(tags::PIXEL_SPACING).as_slice() {
        &[row_mm, column_mm] if is_length(row_mm) && is_length(column_mm) => Some(PixelSpacing {
            row_mm,
            column_mm,
            calibration: reader.text(tags::PIXEL_SPACING_CALIBRATION_TYPE),
        }),
        _ => {
            reader.remark(
                tags::PIXEL_SPACING,
                Remark::of(
                    RemarkCode::PixelSpacingUnreadable,
                    "Pixel Spacing is not two lengths above zero and is not used.",
                ),
            );
            None
        }
    }
}

fn is_length(mm: f64) -> bool {
    mm.is_finite() && mm > 0.0
}

fn regions(reader: &mut Reader<'_, '_>) -> Vec<Region> {
    let items = reader.items(tags::SEQUENCE_OF_ULTRASOUND_REGIONS);
    let all = items.clone().count();
    let read: Vec<Option<Region>> = items
        .take(REGIONS)
        .map(|item| region(&mut reader.inside(item)))
        .collect();
    let kept = read.iter().flatten().count();
    if kept < all {
        let place = reader.at(tags::SEQUENCE_OF_ULTRASOUND_REGIONS);
        reader.remarks.push(
            Remark::of(
                RemarkCode::RegionUnreadable,
                format!(
                    "{} of {all} calibrated regions lack what a region must have and are not used.",
                    all - kept
                ),
            )
            .at(place),
        );
    }
    read.into_iter().flatten().collect()
}

fn region(reader: &mut Reader<'_, '_>) -> Option<Region> {
    let mut number = |tag: Tag| match reader.whole_numbers(tag).as_slice() {
        &[one] => Some(one),
        _ => None,
    };
    let bounds = [
        number(tags::REGION_LOCATION_MIN_X0)?,
        number(tags::REGION_LOCATION_MIN_Y0)?,
        number(tags::REGION_LOCATION_MAX_X1)?,
        number(tags::REGION_LOCATION_MAX_Y1)?,
    ];
    let spatial_format = number(tags::REGION_SPATIAL_FORMAT)?;
    let low_priority = number(tags::REGION_FLAGS).unwrap_or(0) & 1 == 1;
    let units = [
        number(tags::PHYSICAL_UNITS_X_DIRECTION)?,
        number(tags::PHYSICAL_UNITS_Y_DIRECTION)?,
    ];
    let mut delta = |tag: Tag| reader.double(tag).filter(|delta| delta.is_finite());
    let small = |number: u32| u16::try_from(number).ok();
    Some(Region {
        spatial_format: small(spatial_format)?,
        low_priority,
        bounds,
        units: [small(units[0])?, small(units[1])?],
        delta: [
            delta(tags::PHYSICAL_DELTA_X)?,
            delta(tags::PHYSICAL_DELTA_Y)?,
        ],
    })
}

#[cfg(test)]
mod tests;
