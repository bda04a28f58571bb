//! The bytes of one association, as PS3.8 section 9.3 has them: what a sender writes to its socket.

use super::super::harness::fixture;
use super::super::receive::{SR, encode, text};
use super::build;
use dicom_dictionary_std::tags;
use std::fs;

/// A PDU around its value.
fn pdu(kind: u8, value: &[u8]) -> Vec<u8> {
    let length = u32::try_from(value.len()).expect("small").to_be_bytes();
    [&[kind, 0], &length[..], value].concat()
}

/// An item of a request.
fn item(kind: u8, value: &[u8]) -> Vec<u8> {
    let length = u16::try_from(value.len()).expect("small").to_be_bytes();
    [&[kind, 0], &length[..], value].concat()
}

/// A request with every item that peers send (PS3.8 table 9-11, PS3.7 annex D).
pub(super) fn request() -> Vec<u8> {
    request_with(&[], &[])
}

/// The same with more bytes at the end of its presentation context and of its user information.
pub(super) fn request_with(in_context: &[u8], in_user: &[u8]) -> Vec<u8> {
    let user = [
        item(0x51, &16384_u32.to_be_bytes()),
        item(0x52, b"1.2.3"),
        item(0x53, &[0, 1, 0, 1]),
        item(0x54, b"\0\x031.2\x01\0"),
        item(0x55, b"RECORDED"),
        item(0x58, b"\x01\0\0\x01u\0\0"),
        in_user.to_vec(),
    ]
    .concat();
    let context = [
        &[1, 0, 0, 0],
        &item(0x30, SR.as_bytes())[..],
        &item(0x40, build::EXPLICIT.as_bytes()),
        &item(0x40, build::IMPLICIT.as_bytes()),
        in_context,
    ]
    .concat();
    let value = [
        &[0, 1, 0, 0],
        &b"SHEATHLINE      SCANNER         "[..],
        &[0; 32],
        &item(0x10, b"1.2.840.10008.3.1.1.1"),
        &item(0x20, &context),
        &item(0x50, &user),
    ]
    .concat();
    pdu(1, &value)
}

/// A PDU with one presentation data value: bit 0 of `flags` for a command, bit 1 for the last.
pub(super) fn data_pdu(flags: u8, bytes: &[u8]) -> Vec<u8> {
    let length = u32::try_from(bytes.len() + 2).expect("small").to_be_bytes();
    pdu(4, &[&length[..], &[1, flags], bytes].concat())
}

/// The command of a C-STORE.
pub(super) fn command(instance: &str) -> Vec<u8> {
    let set = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(SR)),
        (tags::COMMAND_FIELD, vec![1, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
        (tags::AFFECTED_SOP_INSTANCE_UID, text(instance)),
    ]);
    data_pdu(3, &set)
}

/// A request without a data set, by its command field.
pub(super) fn command_without_data(field: u16) -> Vec<u8> {
    let set = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(SR)),
        (tags::COMMAND_FIELD, field.to_le_bytes().to_vec()),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![1, 1]),
    ]);
    data_pdu(3, &set)
}

/// A C-STORE of a report of the fixtures, its data set in pieces of a thousand bytes.
pub(super) fn store() -> Vec<u8> {
    let file = fs::read(fixture("sr/tid1500/report.dcm")).expect("fixture");
    let (_, at) = build::parts(&file);
    // An object under another name than its own would be refused.
    let mut bytes = command(build::UID);
    let mut pieces = file[at..].chunks(1000).peekable();
    while let Some(piece) = pieces.next() {
        let last = if pieces.peek().is_none() { 2 } else { 0 };
        bytes.extend(data_pdu(last, piece));
    }
    bytes
}

pub(super) fn release() -> Vec<u8> {
    pdu(5, &[0; 4])
}
