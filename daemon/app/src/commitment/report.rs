//! What a requester is told: which of its objects are held.

use crate::intake::Reception;
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR, dicom_value};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::{TransferSyntaxIndex, TransferSyntaxRegistry};
use sheathline_store::StoreError;
use sheathline_store::commitments::{self, Held, Open, Reference};

/// Each object that a request names, and whether it is held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Report {
    transaction: String,
    objects: Vec<(Reference, Held)>,
}

/// What there is to report on a request; `None` while that is not known: an object that it names may be
/// among those that came before it and are still to be forwarded from the spool of this machine, or to be
/// read.
///
/// # Errors
/// Spool or store cannot be read.
pub(crate) fn report(reception: &Reception, open: &Open) -> Result<Option<Report>, StoreError> {
    // Asked first: what is forwarded or read in between is found.
    let spooled = match reception.forwarded() {
        Some(spool) => spool.standing()?.oldest,
        None => None,
    };
    let is_spooled = spooled.is_some_and(|at| at <= open.since);
    reception.store().read(|view| {
        let may_be_unread = is_spooled || commitments::may_be_unread(view, open)?;
        let mut objects = Vec::new();
        for reference in commitments::references(view, open)? {
            let held = commitments::held(view, &reference)?;
            if held == Held::Absent && may_be_unread {
                return Ok(None);
            }
            objects.push((reference, held));
        }
        Ok(Some(Report {
            transaction: open.transaction.clone(),
            objects,
        }))
    })
}

/// Failure Reason (0008,1197), PS3.3 C.14.1.1.
fn failure(held: Held) -> Option<u16> {
    match held {
        Held::Whole => None,
        // No such object instance.
        Held::Absent => Some(0x0112),
        // Class / instance conflict.
        Held::OtherClass => Some(0x0119),
        // Processing failure.
        Held::Damaged => Some(0x0110),
    }
}

impl Report {
    /// How many are held, and how many are not.
    pub(crate) fn counts(&self) -> (usize, usize) {
        let held = self.objects.iter().filter(|(_, held)| *held == Held::Whole);
        let held = held.count();
        (held, self.objects.len() - held)
    }

    /// Event Type ID: 1, all are held; 2, failures exist (PS3.4 table J.3-4).
    pub(crate) fn event(&self) -> u16 {
        if self.counts().1 == 0 { 1 } else { 2 }
    }

    /// The data set (PS3.4 table J.3-5). No Retrieve AE Title: nothing is given back by DICOM.
    ///
    /// # Errors
    /// The transfer syntax is none that can be written.
    pub(crate) fn data_set(&self, syntax: &str) -> Result<Vec<u8>, String> {
        let mut object = InMemDicomObject::new_empty();
        object.put(text(tags::TRANSACTION_UID, &self.transaction));
        let of = |wanted: fn(Held) -> bool| {
            let objects = self.objects.iter().filter(move |(_, held)| wanted(*held));
            objects.map(|(reference, held)| {
                let mut item = InMemDicomObject::from_element_iter([
                    text(tags::REFERENCED_SOP_CLASS_UID, &reference.class),
                    text(tags::REFERENCED_SOP_INSTANCE_UID, &reference.instance),
                ]);
                if let Some(reason) = failure(*held) {
                    let reason = dicom_value!(U16, [reason]);
                    item.put(DataElement::new(tags::FAILURE_REASON, VR::US, reason));
                }
                item
            })
        };
        let held: Vec<_> = of(|held| failure(held).is_none()).collect();
        let failed: Vec<_> = of(|held| failure(held).is_some()).collect();
        for (tag, items) in [
            (tags::REFERENCED_SOP_SEQUENCE, held),
            (tags::FAILED_SOP_SEQUENCE, failed),
        ] {
            if !items.is_empty() {
                let items = DataSetSequence::from(items);
                object.put(DataElement::new(tag, VR::SQ, items));
            }
        }
        let known = TransferSyntaxRegistry.get(syntax);
        let known = known.ok_or_else(|| format!("no transfer syntax {syntax}"))?;
        let mut bytes = Vec::new();
        let written = object.write_dataset_with_ts(&mut bytes, known);
        written.map_err(|error| error.to_string())?;
        Ok(bytes)
    }
}

fn text(tag: Tag, value: &str) -> DataElement<InMemDicomObject> {
    DataElement::new(tag, VR::UI, PrimitiveValue::from(value))
}
