//! A plain storage SCU: enough to send the demonstration through the real listener.

use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries::{
    EXPLICIT_VR_LITTLE_ENDIAN, IMPLICIT_VR_LITTLE_ENDIAN,
};
use dicom_ul::ClientAssociationOptions;
use dicom_ul::pdu::{PDataValue, PDataValueType, Pdu};
use std::error::Error;
use std::net::SocketAddr;

/// Bytes of one PDV; well below what every peer accepts.
const FRAGMENT: usize = 8 * 1024;

/// Sends the objects over one association and returns the status of each, in order.
pub(super) async fn send(
    to: SocketAddr,
    calling: &str,
    objects: &[InMemDicomObject],
) -> Result<Vec<u16>, Box<dyn Error + Send + Sync>> {
    let mut association = ClientAssociationOptions::new()
        .calling_ae_title(calling)
        .called_ae_title("SHEATHLINE")
        .with_presentation_context(
            uids::COMPREHENSIVE_SR_STORAGE,
            vec![uids::EXPLICIT_VR_LITTLE_ENDIAN],
        )
        .establish_async(to)
        .await?;
    let context = association
        .presentation_contexts()
        .first()
        .map(|context| context.id)
        .ok_or("the listener accepted no presentation context")?;
    let mut statuses = Vec::with_capacity(objects.len());
    for (number, object) in (1_u16..).zip(objects) {
        let mut data = Vec::new();
        object.write_dataset_with_ts(&mut data, &EXPLICIT_VR_LITTLE_ENDIAN.erased())?;
        let command = store_request(object, number)?;
        for pdu in fragments(context, command, data) {
            association.send(&pdu).await?;
        }
        statuses.push(match association.receive().await? {
            Pdu::PData { data } => status(&data)?,
            other => return Err(format!("no answer to a C-STORE but {other:?}").into()),
        });
    }
    association.release().await?;
    Ok(statuses)
}

/// C-STORE-RQ (PS3.7 table 9.3-1), implicit little endian.
fn store_request(
    object: &InMemDicomObject,
    number: u16,
) -> Result<Vec<u8>, Box<dyn Error + Send + Sync>> {
    let class = object.element(tags::SOP_CLASS_UID)?.to_str()?;
    let instance = object.element(tags::SOP_INSTANCE_UID)?.to_str()?;
    let command = InMemDicomObject::command_from_element_iter([
        DataElement::new(
            tags::AFFECTED_SOP_CLASS_UID,
            VR::UI,
            PrimitiveValue::from(class.as_ref()),
        ),
        DataElement::new(
            tags::COMMAND_FIELD,
            VR::US,
            PrimitiveValue::from(0x0001_u16),
        ),
        DataElement::new(tags::MESSAGE_ID, VR::US, PrimitiveValue::from(number)),
        DataElement::new(tags::PRIORITY, VR::US, PrimitiveValue::from(0_u16)),
        DataElement::new(
            tags::COMMAND_DATA_SET_TYPE,
            VR::US,
            PrimitiveValue::from(0x0001_u16),
        ),
        DataElement::new(
            tags::AFFECTED_SOP_INSTANCE_UID,
            VR::UI,
            PrimitiveValue::from(instance.as_ref()),
        ),
    ]);
    let mut bytes = Vec::new();
    command.write_dataset_with_ts(&mut bytes, &IMPLICIT_VR_LITTLE_ENDIAN.erased())?;
    Ok(bytes)
}

fn fragments(context: u8, command: Vec<u8>, data: Vec<u8>) -> Vec<Pdu> {
    let pdv = |value_type, is_last, data| Pdu::PData {
        data: vec![PDataValue {
            presentation_context_id: context,
            value_type,
            is_last,
            data,
        }],
    };
    let mut pdus = vec![pdv(PDataValueType::Command, true, command)];
    let mut pieces = data.chunks(FRAGMENT).peekable();
    while let Some(piece) = pieces.next() {
        pdus.push(pdv(
            PDataValueType::Data,
            pieces.peek().is_none(),
            piece.to_vec(),
        ));
    }
    pdus
}

/// Status (0000,0900) of a response.
fn status(data: &[PDataValue]) -> Result<u16, Box<dyn Error + Send + Sync>> {
    let bytes: Vec<u8> = data
        .iter()
        .flat_map(|pdv| pdv.data.iter().copied())
        .collect();
    let response = InMemDicomObject::read_dataset_with_ts(
        bytes.as_slice(),
        &IMPLICIT_VR_LITTLE_ENDIAN.erased(),
    )?;
    Ok(response.element(tags::STATUS)?.to_int()?)
}
