//! One frame of a picture, to be looked at. Nothing is measured in it.

use super::Limits;
use super::charset::Charset;
use super::element::{Place, Reader, Remarks, charset_of};
use super::gate;
use super::read::ReadError;
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use std::rc::Rc;

/// Implicit and Explicit VR Little Endian (PS3.5 10.1, A.2).
const NATIVE: [&str; 2] = [IMPLICIT, "1.2.840.10008.1.2.1"];
const IMPLICIT: &str = "1.2.840.10008.1.2";
/// JPEG Baseline (PS3.5 A.4.1), which every browser shows as it is.
const JPEG: &str = "1.2.840.10008.1.2.4.50";
/// Item, and Sequence Delimitation Item (PS3.5 table 7.5-3), as they begin in bytes.
const ITEM: [u8; 4] = [0xFE, 0xFF, 0x00, 0xE0];
/// Length of an element that is not told.
const UNTOLD: u32 = u32::MAX;
/// Most columns or rows of a picture that is shown.
const LARGEST: usize = 8_192;

/// One frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Frame {
    /// Rows of samples of 8 bits: one of grey, or red, green and blue.
    Samples {
        /// Samples in a row of one colour.
        columns: usize,
        /// Rows.
        rows: usize,
        /// Whether each is of red, green and blue.
        is_colour: bool,
        /// From the top left, row by row.
        samples: Vec<u8>,
    },
    /// A whole JPEG file.
    Jpeg(Vec<u8>),
}

/// Why a frame cannot be shown.
#[derive(Debug, thiserror::Error)]
pub enum Unshown {
    /// Its pixels are not there.
    #[error("the pixels of the picture are not kept")]
    NotKept,
    /// There are fewer frames.
    #[error("the picture has no frame {0}")]
    NoFrame(u32),
    /// It is written in a way that is not read here.
    #[error("the pixels are written in a way that is not shown here ({0})")]
    Otherwise(String),
    /// The object cannot be read.
    #[error("the picture cannot be read: {0}")]
    Unread(#[from] ReadError),
}

/// Frame `number`, from 1, of a picture.
///
/// # Errors
/// The bytes cannot be read, hold no pixels, or hold them in another way than 8 bits of grey or colour,
/// plain or as JPEG Baseline.
pub fn frame(
    bytes: &[u8],
    syntax: Option<&str>,
    limits: &Limits,
    number: u32,
) -> Result<Frame, Unshown> {
    let own = match syntax {
        Some(syntax) => syntax.to_owned(),
        None => gate::media(bytes).map_err(ReadError::from)?.syntax,
    };
    let passed = gate::pass(bytes, syntax, limits).map_err(ReadError::from)?;
    let element = passed.pixel_element().ok_or(Unshown::NotKept)?;
    let around = Rc::new(Charset::before(None));
    let object = passed.elements();
    let mut remarks = Remarks::default();
    let mut header = Reader {
        charset: charset_of(object, &around),
        object,
        place: Place::Document,
        remarks: &mut remarks,
    };
    let index = number.checked_sub(1).ok_or(Unshown::NoFrame(number))? as usize;
    let frames = whole(&mut header, tags::NUMBER_OF_FRAMES)
        .unwrap_or(1)
        .max(1);
    if index >= frames {
        return Err(Unshown::NoFrame(number));
    }
    if own == JPEG {
        return jpeg(element, index, frames).ok_or(Unshown::NoFrame(number));
    }
    if !NATIVE.contains(&own.as_str()) {
        return Err(Unshown::Otherwise(own));
    }
    let value = native(element, own != IMPLICIT).ok_or(Unshown::NotKept)?;
    let photometric = header
        .text(tags::PHOTOMETRIC_INTERPRETATION)
        .unwrap_or_default();
    let kind = kind(&mut header, &photometric).ok_or(Unshown::Otherwise(photometric))?;
    kind.frame(value, index).ok_or(Unshown::NoFrame(number))
}

fn whole(header: &mut Reader<'_, '_>, tag: Tag) -> Option<usize> {
    let number = header.whole_numbers(tag).first().copied()?;
    usize::try_from(number).ok()
}

/// How the samples of a native picture stand.
struct Kind {
    columns: usize,
    rows: usize,
    is_colour: bool,
    is_planar: bool,
    is_inverse: bool,
}

/// `None`: of another kind than are shown.
fn kind(header: &mut Reader<'_, '_>, photometric: &str) -> Option<Kind> {
    let per_pixel = whole(header, tags::SAMPLES_PER_PIXEL).unwrap_or(1);
    let is_colour = match (photometric, per_pixel) {
        ("MONOCHROME1" | "MONOCHROME2", 1) => false,
        ("RGB", 3) => true,
        _ => return None,
    };
    let (rows, columns) = (whole(header, tags::ROWS)?, whole(header, tags::COLUMNS)?);
    let is_sane = (1..=LARGEST).contains(&rows) && (1..=LARGEST).contains(&columns);
    (whole(header, tags::BITS_ALLOCATED) == Some(8) && is_sane).then_some(Kind {
        columns,
        rows,
        is_colour,
        is_planar: is_colour && whole(header, tags::PLANAR_CONFIGURATION) == Some(1),
        is_inverse: photometric == "MONOCHROME1",
    })
}

impl Kind {
    /// `None`: there are fewer bytes.
    fn frame(&self, value: &[u8], index: usize) -> Option<Frame> {
        let pixels = self.rows * self.columns;
        let size = pixels * if self.is_colour { 3 } else { 1 };
        let start = index.checked_mul(size)?;
        let frame = value.get(start..start.checked_add(size)?)?;
        Some(Frame::Samples {
            columns: self.columns,
            rows: self.rows,
            is_colour: self.is_colour,
            samples: if self.is_planar {
                woven(frame, pixels)
            } else if self.is_inverse {
                // The lowest value is white (PS3.3 C.7.6.3.1.2).
                frame.iter().map(|one| !one).collect()
            } else {
                frame.to_vec()
            },
        })
    }
}

/// The value of a native element (PS3.5 7.1).
fn native(element: &[u8], is_explicit: bool) -> Option<&[u8]> {
    // Pixel Data is OB or OW: two bytes reserved, then a length of four.
    let at = if is_explicit { 8 } else { 4 };
    let length = u32::from_le_bytes(element.get(at..at + 4)?.try_into().ok()?);
    if length == UNTOLD {
        return None;
    }
    element.get(at + 4..at + 4 + length as usize)
}

/// Three planes, pixel by pixel (PS3.3 C.7.6.3.1.3).
fn woven(planes: &[u8], pixels: usize) -> Vec<u8> {
    let plane = |number: usize| planes.get(number * pixels..).unwrap_or_default().iter();
    let colours = plane(0).zip(plane(1)).zip(plane(2)).take(pixels);
    colours
        .flat_map(|((red, green), blue)| [*red, *green, *blue])
        .collect()
}

/// A frame in fragments (PS3.5 A.4): one a frame, or all of them where there is one frame.
fn jpeg(element: &[u8], index: usize, frames: usize) -> Option<Frame> {
    let mut rest = element.get(12..)?;
    let mut items: Vec<&[u8]> = Vec::new();
    while rest.get(..4) == Some(&ITEM) {
        let length = u32::from_le_bytes(rest.get(4..8)?.try_into().ok()?) as usize;
        let end = length.checked_add(8)?;
        items.push(rest.get(8..end)?);
        rest = rest.get(end..)?;
    }
    // The first one is the table of offsets.
    let fragments = items.get(1..)?;
    let bytes = match frames {
        1 => fragments.concat(),
        frames if fragments.len() == frames => fragments.get(index)?.to_vec(),
        _ => return None,
    };
    bytes
        .starts_with(&[0xFF, 0xD8])
        .then_some(Frame::Jpeg(bytes))
}

#[cfg(test)]
mod tests;
