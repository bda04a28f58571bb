//! What an ultrasound picture says of itself: its scale, never its pixels.
//!
//! Positions are columns and rows of the picture with the origin at the top left corner of its top
//! left pixel, as SCOORD counts them (PS3.3 C.18.6).

use super::{Eye, Laterality, Millimetres};
use serde::{Deserialize, Serialize};

/// A place in a picture: column, row, in pixels and parts of pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 2]", into = "[f64; 2]")]
pub struct Point {
    /// Pixels from the left edge.
    pub column: f64,
    /// Pixels from the top edge.
    pub row: f64,
}

impl From<[f64; 2]> for Point {
    fn from([column, row]: [f64; 2]) -> Self {
        Point { column, row }
    }
}

impl From<Point> for [f64; 2] {
    fn from(point: Point) -> Self {
        [point.column, point.row]
    }
}

/// Where a caliper was drawn, as the report gives it (TID 320: SCOORD with its picture).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caliper {
    /// SOP Instance UID of the picture.
    pub image: String,
    /// Referenced Frame Number, from 1; `None` when the report names none or several.
    pub frame: Option<u32>,
    /// The two ends.
    pub ends: [Point; 2],
    /// The nerve's own axis in the same picture, at least two points; empty when not given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub axis: Vec<Point>,
    /// Where the nerve leaves the globe in the same picture, when given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub globe: Option<Point>,
    /// Given where the line stands in a presentation state and its length is the value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub presentation: Option<Presented>,
}

/// What a presentation state says of a line whose length is a value: all that its picture is held
/// against.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Presented {
    /// What says what the line is: the label, as sent.
    pub label: String,
    /// SOP Class UID of the picture.
    pub class: String,
    /// The largest of several frames that are named; 0 when one or none is.
    #[serde(default, skip_serializing_if = "is_nought")]
    pub last_frame: u32,
    /// Presentation Pixel Spacing, when given: distance of two rows and of two columns, millimetres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spacing: Option<[f64; 2]>,
    /// The eye that texts beside it name. Only held against what says the side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub named: Option<Eye>,
    /// Lengths that texts beside it give. Only held against the length of the line.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lengths_mm: Vec<Millimetres>,
}

fn is_nought(number: &u32) -> bool {
    *number == 0
}

/// One calibrated part of an ultrasound picture: an item of the Sequence of Ultrasound Regions
/// (PS3.3 C.8.5.5).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// Region Spatial Format: 1 is a two-dimensional picture.
    pub spatial_format: u16,
    /// Bit 0 of the Region Flags: its pixels give way to other regions.
    pub low_priority: bool,
    /// First column, first row, last column, last row; all inside the region.
    pub bounds: [u32; 4],
    /// Physical units along columns and rows: 3 is centimetres.
    pub units: [u16; 2],
    /// Physical units a pixel step along columns and rows; may be negative.
    pub delta: [f64; 2],
}

/// Pixel Spacing (PS3.3 10.7.1.1) with what is said of its origin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PixelSpacing {
    /// Distance of two rows, millimetres: the first value sent.
    pub row_mm: f64,
    /// Distance of two columns, millimetres: the second value sent.
    pub column_mm: f64,
    /// Pixel Spacing Calibration Type, when given.
    pub calibration: Option<String>,
}

/// What is kept of an ultrasound picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ImageFacts {
    /// Rows of a frame.
    pub rows: Option<u32>,
    /// Columns of a frame.
    pub columns: Option<u32>,
    /// Number of Frames; 1 when not given.
    pub frames: u32,
    /// Image Laterality, else Laterality of the series; `None` when neither names an eye.
    /// `Unresolved` when the two contradict each other.
    pub laterality: Option<Laterality>,
    /// Calibrated regions that could be read, as sent.
    pub regions: Vec<Region>,
    /// Pixel Spacing, when given.
    pub pixel_spacing: Option<PixelSpacing>,
}
