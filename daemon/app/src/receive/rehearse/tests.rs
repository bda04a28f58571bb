//! One association as bytes: whole, cut off, and changed.

use super::*;
use dicom_ul::pdu::{
    AssociationRQ, PDataValue, PresentationContextProposed, UserVariableItem, write_pdu,
};

const SR: &str = "1.2.840.10008.5.1.4.1.1.88.33";

/// A request and a C-STORE whose data set comes in two pieces (PS3.7 table 9.3-1).
fn association() -> Vec<u8> {
    let request = AssociationRQ {
        protocol_version: 1,
        calling_ae_title: "SCANNER".to_owned(),
        called_ae_title: "SHEATHLINE".to_owned(),
        application_context_name: "1.2.840.10008.3.1.1.1".to_owned(),
        presentation_contexts: vec![PresentationContextProposed {
            id: 1,
            abstract_syntax: SR.to_owned(),
            transfer_syntaxes: vec!["1.2.840.10008.1.2.1".to_owned()],
        }],
        user_variables: vec![UserVariableItem::MaxLength(16384)],
    };
    let command: Vec<u8> = [
        (0x0002, [SR.as_bytes(), b"\0"].concat()),
        (0x0100, vec![1, 0]),
        (0x0110, vec![7, 0]),
        (0x0800, vec![0, 0]),
        (0x1000, b"1.2\0".to_vec()),
    ]
    .iter()
    .flat_map(|(element, value): &(u16, Vec<u8>)| {
        let length = u32::try_from(value.len()).unwrap().to_le_bytes();
        [&[0, 0], &element.to_le_bytes()[..], &length, value].concat()
    })
    .collect();
    let piece = |value_type, is_last, data| Pdu::PData {
        data: vec![PDataValue {
            presentation_context_id: 1,
            value_type,
            is_last,
            data,
        }],
    };
    let mut bytes = Vec::new();
    for pdu in [
        Pdu::AssociationRQ(request),
        piece(PDataValueType::Command, true, command),
        piece(PDataValueType::Data, false, b"first".to_vec()),
        piece(PDataValueType::Data, true, b"last".to_vec()),
    ] {
        write_pdu(&mut bytes, &pdu).unwrap();
    }
    bytes
}

#[test]
fn only_the_whole_is_answered() {
    let (whole, settings) = (association(), DicomSettings::default());
    assert_eq!(rehearse(&whole, &settings), 1);
    for cut in 0..whole.len() {
        assert_eq!(rehearse(&whole[..cut], &settings), 0, "cut at {cut}");
    }
    // A second request has no place in an association; a second message has.
    assert_eq!(rehearse(&[&whole[..], &whole].concat(), &settings), 1);
    let message = &whole[6 + usize::from(whole[5]) + 256 * usize::from(whole[4])..];
    assert_eq!(rehearse(&[&whole[..], message].concat(), &settings), 2);
}

/// Every byte of it with every value that lengths and types break on.
#[test]
fn every_byte_may_be_wrong() {
    let (whole, settings) = (association(), DicomSettings::default());
    for at in 0..whole.len() {
        for value in [
            0,
            1,
            2,
            0x7F,
            0x80,
            0xFE,
            0xFF,
            whole[at] ^ 1,
            whole[at].wrapping_add(1),
        ] {
            let mut wrong = whole.clone();
            wrong[at] = value;
            assert!(rehearse(&wrong, &settings) <= 1);
        }
    }
}
