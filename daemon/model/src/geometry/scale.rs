//! How many millimetres a pixel is, at one place of a picture.

use crate::domain::{ImageFacts, PixelSpacing, Point, Region};

/// Region Spatial Format: a two-dimensional picture (PS3.3 C.8.5.5.1.1).
const TWO_DIMENSIONAL: u16 = 1;
/// Physical Units: centimetres (PS3.3 C.8.5.5.1.15).
const CENTIMETRES: u16 = 3;
/// Pixels of a tissue picture are nearly square; beyond this ratio the calibration is nonsense.
/// Common practice, no source.
const RATIO_MAX: f64 = 4.0;
/// Centimetres a pixel beyond which no sheath could be measured: one pixel is the sheath.
const STEP_MAX_CM: f64 = 0.5;
/// Two calibrations of one picture may differ by this much and still be the same, as a share.
/// Common practice, no source.
const AGREE: f64 = 0.02;

/// Where a scale comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// A calibrated region of the picture: first column, first row, last column, last row.
    Region([u32; 4]),
    /// Pixel Spacing, with how it was calibrated if the picture says.
    PixelSpacing(Option<String>),
}

/// Millimetres a pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// Along a row, from column to column.
    pub column_mm: f64,
    /// Along a column, from row to row.
    pub row_mm: f64,
    /// Where it comes from.
    pub origin: Origin,
}

impl Scale {
    /// The scale at these places of a picture.
    ///
    /// The region that holds them all decides: highest priority first, then the smallest. Pixel
    /// Spacing serves where no region does, and must agree with a region that does.
    ///
    /// # Errors
    ///
    /// Why there is none, as the end of a sentence.
    pub fn at(image: &ImageFacts, places: &[Point]) -> Result<Scale, String> {
        let outside = |place: &Point| {
            let beyond = |at: f64, size: Option<u32>| {
                at < 0.0 || size.is_some_and(|size| at > f64::from(size))
            };
            beyond(place.column, image.columns) || beyond(place.row, image.rows)
        };
        if places.iter().any(outside) {
            return Err("it is drawn outside the picture".to_owned());
        }
        let spacing = image.pixel_spacing.as_ref().map(of_spacing);
        let region = chosen(&image.regions, places)?.map(of_region).transpose()?;
        match (region, spacing) {
            (Some(region), Some(spacing)) if !region.agrees(&spacing) => {
                Err("the picture's region and its Pixel Spacing give different scales".to_owned())
            }
            (Some(region), _) => Ok(region),
            (None, Some(spacing)) => Ok(spacing),
            (None, None) if image.regions.is_empty() => {
                Err("the picture has no calibration".to_owned())
            }
            (None, None) => Err("no calibrated region of the picture holds all of it".to_owned()),
        }
    }

    /// Whether the places lie where the scale holds.
    #[must_use]
    pub fn holds(&self, places: &[Point]) -> bool {
        match &self.origin {
            Origin::Region(bounds) => places.iter().all(|place| inside(bounds, place)),
            Origin::PixelSpacing(_) => true,
        }
    }

    fn agrees(&self, other: &Scale) -> bool {
        let near = |one: f64, other: f64| (one - other).abs() <= AGREE * one.max(other);
        near(self.column_mm, other.column_mm) && near(self.row_mm, other.row_mm)
    }
}

/// Region bounds name whole pixels, so the far edge of the last one is inside (PS3.3 C.18.6.1).
fn inside(bounds: &[u32; 4], place: &Point) -> bool {
    let [left, top, right, bottom] = bounds.map(f64::from);
    (left..=right + 1.0).contains(&place.column) && (top..=bottom + 1.0).contains(&place.row)
}

/// The region that decides; `None` when none holds all places.
fn chosen<'a>(regions: &'a [Region], places: &[Point]) -> Result<Option<&'a Region>, String> {
    let rank = |region: &Region| {
        let [left, top, right, bottom] = region.bounds.map(u64::from);
        let size = |from: u64, to: u64| (to + 1).saturating_sub(from);
        (region.low_priority, size(left, right) * size(top, bottom))
    };
    let holding = || {
        let holds = |region: &&Region| places.iter().all(|place| inside(&region.bounds, place));
        regions.iter().filter(holds)
    };
    let Some(first) = holding().min_by_key(|region| rank(region)) else {
        return Ok(None);
    };
    let scale = |region: &Region| (region.spatial_format, region.units, region.delta);
    if holding().any(|region| rank(region) == rank(first) && scale(region) != scale(first)) {
        return Err("two regions of the picture claim it with different scales".to_owned());
    }
    Ok(Some(first))
}

fn of_region(region: &Region) -> Result<Scale, String> {
    if region.spatial_format != TWO_DIMENSIONAL {
        return Err("the region it is drawn in is no two-dimensional picture".to_owned());
    }
    if region.units != [CENTIMETRES; 2] {
        return Err("the region it is drawn in is not calibrated in centimetres".to_owned());
    }
    // A negative step only turns the direction.
    let [column, row] = region.delta.map(f64::abs);
    let sane = |step: f64| step > 0.0 && step <= STEP_MAX_CM;
    if !sane(column) || !sane(row) || column.max(row) > RATIO_MAX * column.min(row) {
        return Err("the calibration of the region it is drawn in makes no sense".to_owned());
    }
    Ok(Scale {
        column_mm: 10.0 * column,
        row_mm: 10.0 * row,
        origin: Origin::Region(region.bounds),
    })
}

fn of_spacing(spacing: &PixelSpacing) -> Scale {
    Scale {
        column_mm: spacing.column_mm,
        row_mm: spacing.row_mm,
        origin: Origin::PixelSpacing(spacing.calibration.clone()),
    }
}
