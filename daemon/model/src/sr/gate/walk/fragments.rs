//! Pixel data in fragments: measured, never looked into.

use super::{Event, Frame, Header, ITEM, SEQUENCE_DELIMITER, Walk};
use crate::sr::gate::error::{Fault, GateError};
use dicom_core::VR;

impl<'a> Walk<'a, '_> {
    /// Pixel data in fragments (PS3.5 A.4): items of defined length up to a delimiter. Taken as one
    /// element whose value is all of them, and hidden from the decoder.
    pub(super) fn fragments(
        &mut self,
        frame: Frame,
        header: &Header,
        visit: &mut impl FnMut(Event<'a>),
    ) -> Result<(), GateError> {
        let from = self.at;
        self.at = header.value_at;
        loop {
            let tag = self.tag(frame)?;
            let declared = frame.encoding.u32(self.take(self.at + 4, frame.limit)?);
            let value_at = self.at + 8;
            match tag {
                ITEM => {}
                SEQUENCE_DELIMITER if declared == 0 => {
                    self.at = value_at;
                    break;
                }
                _ => return Err(self.fail(Fault::NotAnItem, self.at, Some(tag))),
            }
            self.count(1, header.tag)?;
            let left = frame.limit - value_at;
            self.at = match usize::try_from(declared) {
                Ok(length) if length <= left => value_at + length,
                _ => {
                    let fault = Fault::LengthOverrun { declared, left };
                    return Err(self.fail(fault, self.at, Some(tag)));
                }
            };
        }
        visit(Event::Element {
            tag: header.tag,
            vr: VR::OB,
            encoding: frame.encoding,
            value: self.data.get(header.value_at..self.at).unwrap_or_default(),
            depth: self.depth,
            at: from,
            value_at: header.value_at,
        });
        visit(Event::Pixels { from, to: self.at });
        Ok(())
    }
}
