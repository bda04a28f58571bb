//! A frame as a browser shows it: PNG (ISO/IEC 15948), or the JPEG file that it is.

use crate::sr::pixels::Frame;
use flate2::write::ZlibEncoder;
use flate2::{Compression, Crc};
use std::io::Write as _;

/// The signature (5.2).
const SIGNATURE: [u8; 8] = [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A];

/// The kind of file and its bytes; `None` where they could not be packed.
#[must_use]
pub fn served(frame: Frame) -> Option<(&'static str, Vec<u8>)> {
    match frame {
        Frame::Jpeg(bytes) => Some(("image/jpeg", bytes)),
        Frame::Samples {
            columns,
            rows,
            is_colour,
            samples,
        } => Some(("image/png", png(columns, rows, is_colour, &samples)?)),
    }
}

fn png(columns: usize, rows: usize, is_colour: bool, samples: &[u8]) -> Option<Vec<u8>> {
    let [width, height] = [columns, rows].map(u32::try_from);
    // 8 bits; grey or red, green and blue; no interlace (11.2.2).
    let kind = if is_colour { 2 } else { 0 };
    let mut head = [width.ok()?, height.ok()?].map(u32::to_be_bytes).concat();
    head.extend([8, kind, 0, 0, 0]);
    let row = columns.checked_mul(if is_colour { 3 } else { 1 })?;
    let mut packed = ZlibEncoder::new(Vec::new(), Compression::fast());
    for row in samples.chunks_exact(row).take(rows) {
        // Each row begins with its filter: none (9.2).
        packed.write_all(&[0]).ok()?;
        packed.write_all(row).ok()?;
    }
    let data = packed.finish().ok()?;
    let chunks = [
        chunk(b"IHDR", &head)?,
        chunk(b"IDAT", &data)?,
        chunk(b"IEND", &[])?,
    ];
    Some([&SIGNATURE[..], &chunks.concat()].concat())
}

/// Length, name, data, and a check over name and data (5.3).
fn chunk(name: &[u8; 4], data: &[u8]) -> Option<Vec<u8>> {
    let mut check = Crc::new();
    check.update(name);
    check.update(data);
    let length = u32::try_from(data.len()).ok()?.to_be_bytes();
    Some([&length[..], name, data, &check.sum().to_be_bytes()].concat())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read as _;

    /// The last chunk is the same in every PNG: `00 00 00 00 49 45 4E 44 AE 42 60 82` (ISO/IEC 15948,
    /// "Portable Network Graphics (PNG): Functional specification", 2004, 11.2.5 and annex D).
    #[test]
    fn a_picture_is_a_png_with_its_samples_row_by_row() {
        for (is_colour, samples) in [
            (false, vec![0, 128, 255, 1, 2, 3]),
            (true, (0..18).collect()),
        ] {
            let frame = Frame::Samples {
                columns: 3,
                rows: 2,
                is_colour,
                samples: samples.clone(),
            };
            let (kind, bytes) = served(frame).unwrap();
            assert_eq!(kind, "image/png");
            assert!(bytes.starts_with(b"\x89PNG\r\n\x1a\n\0\0\0\x0DIHDR\0\0\0\x03\0\0\0\x02\x08"));
            assert_eq!(bytes[25], if is_colour { 2 } else { 0 });
            assert!(bytes.ends_with(b"\0\0\0\0IEND\xAE\x42\x60\x82"));
            let length = u32::from_be_bytes(bytes[33..37].try_into().unwrap()) as usize;
            assert_eq!(&bytes[37..41], b"IDAT");
            let mut rows = Vec::new();
            flate2::read::ZlibDecoder::new(&bytes[41..41 + length])
                .read_to_end(&mut rows)
                .unwrap();
            let wanted: Vec<u8> = samples
                .chunks(samples.len() / 2)
                .flat_map(|row| [&[0], row].concat())
                .collect();
            assert_eq!(rows, wanted);
        }
    }

    #[test]
    fn a_jpeg_stays_as_it_is() {
        let (kind, bytes) = served(Frame::Jpeg(vec![0xFF, 0xD8, 1])).unwrap();
        assert_eq!(
            (kind, bytes.as_slice()),
            ("image/jpeg", &[0xFF, 0xD8, 1][..])
        );
    }
}
