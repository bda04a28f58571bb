//! What a peer sends in one association, taken without a socket: for fuzzing and its findings.

use super::negotiate;
use crate::config::DicomSettings;
use dicom_ul::pdu::{PDataValueType, Pdu, read_pdu};
use sheathline_net::dicom::PDU_BYTES_MAX;
use sheathline_net::dicom::dimse::Status;
use sheathline_net::dicom::message::{Assembler, Fragment};

/// Takes the bytes PDU by PDU as an association does, every answer encoded, until the first thing
/// that would end it. Returns how many messages were answered.
#[must_use]
pub fn rehearse(mut bytes: &[u8], settings: &DicomSettings) -> usize {
    let mut assembler = Assembler::new(settings.max_object_bytes);
    let mut contexts = None;
    let mut answered = 0;
    while let Some(pdu) = next(&mut bytes) {
        match (pdu, &contexts) {
            (Pdu::AssociationRQ(request), None) => {
                match negotiate::answer(request, settings, &[]) {
                    Ok(accepted) => contexts = Some(accepted.contexts),
                    Err(refusal) => {
                        // Its answer must only not panic.
                        let _ = refusal.reply().pdu();
                        return answered;
                    }
                }
            }
            (Pdu::PData { data }, Some(contexts)) => {
                for value in &data {
                    let fragment = Fragment {
                        context: value.presentation_context_id,
                        is_command: value.value_type == PDataValueType::Command,
                        is_last: value.is_last,
                        bytes: &value.data,
                    };
                    match assembler.feed(fragment) {
                        Ok(None) => {}
                        Ok(Some(message)) if contexts.contains_key(&message.context) => {
                            // Any status with a comment: the longest answer there is.
                            let _ = message.command.answer(Status::UnrecognisedOperation);
                            answered += 1;
                        }
                        Ok(Some(_)) | Err(_) => return answered,
                    }
                }
            }
            _ => return answered,
        }
    }
    answered
}

/// The next PDU as `Wire` takes it, with its type and length looked at before the rest.
fn next(bytes: &mut &[u8]) -> Option<Pdu> {
    let &[0x01..=0x07, _, a, b, c, d, ..] = *bytes else {
        return None;
    };
    let length = u32::from_be_bytes([a, b, c, d]);
    if length > PDU_BYTES_MAX {
        return None;
    }
    let (whole, rest) = bytes.split_at_checked(usize::try_from(length).ok()? + 6)?;
    *bytes = rest;
    read_pdu(whole, PDU_BYTES_MAX, true).ok().flatten()
}

#[cfg(test)]
mod tests;
