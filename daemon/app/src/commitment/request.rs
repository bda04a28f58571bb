//! What a request names. Pure.

use dicom_core::Tag;
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use sheathline_model::sr::{self, Limits};
use sheathline_net::dicom::dimse::{Status, uid};
use sheathline_store::commitments::{REFERENCES_MAX, Reference};

/// Bytes of a request: of the most objects it may name, each with two UIDs at their longest.
const DATA_BYTES_MAX: usize = 2 << 20;

/// What a request may ask of us: it is flat but for one sequence.
const LIMITS: Limits = Limits {
    depth: 8,
    elements: 50_000,
    inflated_bytes: DATA_BYTES_MAX,
};

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Asked {
    /// Transaction UID.
    pub(crate) transaction: String,
    /// The objects, in the order of the request.
    pub(crate) references: Vec<Reference>,
}

/// Why a request cannot be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Unusable {
    /// It is no data set of a request.
    #[error("its data set is missing, malformed or larger than {DATA_BYTES_MAX} bytes")]
    Malformed,
    /// There is nothing to name it by.
    #[error("it has no valid Transaction UID (0008,1195)")]
    Nameless,
    /// It names nothing, or something that has no name.
    #[error(
        "its Referenced SOP Sequence (0008,1199) is empty, or an item lacks a valid class or instance"
    )]
    References,
    /// It names too many objects.
    #[error("it names more than {REFERENCES_MAX} objects")]
    TooMany,
}

impl Unusable {
    /// What the requester is told (PS3.7 10.1.4.1.10).
    pub(crate) fn status(self) -> Status {
        match self {
            Unusable::TooMany => Status::TooManyReferences,
            Unusable::Malformed | Unusable::Nameless | Unusable::References => {
                Status::InvalidRequest
            }
        }
    }
}

/// Reads the data set of a request (PS3.4 table J.3-2).
pub(crate) fn read(data_set: Option<&[u8]>, syntax: &str) -> Result<Asked, Unusable> {
    let bytes = data_set.filter(|bytes| bytes.len() <= DATA_BYTES_MAX);
    let bytes = bytes.ok_or(Unusable::Malformed)?;
    let object = sr::attributes(bytes, syntax, &LIMITS).map_err(|_| Unusable::Malformed)?;
    let transaction = uid_of(&object, tags::TRANSACTION_UID).ok_or(Unusable::Nameless)?;
    let sequence = object.get(tags::REFERENCED_SOP_SEQUENCE);
    let items = sequence.and_then(|sequence| sequence.items());
    let items = items.filter(|items| !items.is_empty());
    let items = items.ok_or(Unusable::References)?;
    if items.len() > REFERENCES_MAX {
        return Err(Unusable::TooMany);
    }
    let reference = |item: &InMemDicomObject| {
        Some(Reference {
            class: uid_of(item, tags::REFERENCED_SOP_CLASS_UID)?,
            instance: uid_of(item, tags::REFERENCED_SOP_INSTANCE_UID)?,
        })
    };
    let references = items.iter().map(reference).collect::<Option<_>>();
    Ok(Asked {
        transaction,
        references: references.ok_or(Unusable::References)?,
    })
}

fn uid_of(object: &InMemDicomObject, tag: Tag) -> Option<String> {
    let value = object.get(tag)?.value().to_str().ok()?;
    uid(value.as_bytes()).filter(|uid| !uid.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;
    use dicom_core::value::DataSetSequence;
    use dicom_core::{DataElement, PrimitiveValue, VR};
    use dicom_transfer_syntax_registry::entries::IMPLICIT_VR_LITTLE_ENDIAN;

    const IMPLICIT: &str = "1.2.840.10008.1.2";

    fn text(tag: Tag, value: &str) -> DataElement<InMemDicomObject> {
        DataElement::new(tag, VR::UI, PrimitiveValue::from(value))
    }

    fn asked(transaction: Option<&str>, items: Vec<InMemDicomObject>) -> Vec<u8> {
        let mut object = InMemDicomObject::new_empty();
        if let Some(transaction) = transaction {
            object.put(text(tags::TRANSACTION_UID, transaction));
        }
        let items = DataSetSequence::from(items);
        object.put(DataElement::new(
            tags::REFERENCED_SOP_SEQUENCE,
            VR::SQ,
            items,
        ));
        let mut bytes = Vec::new();
        let syntax = IMPLICIT_VR_LITTLE_ENDIAN.erased();
        object
            .write_dataset_with_ts(&mut bytes, &syntax)
            .expect("written");
        bytes
    }

    fn item(class: &str, instance: &str) -> InMemDicomObject {
        InMemDicomObject::from_element_iter([
            text(tags::REFERENCED_SOP_CLASS_UID, class),
            text(tags::REFERENCED_SOP_INSTANCE_UID, instance),
        ])
    }

    #[test]
    fn what_is_asked_is_read_and_the_rest_refused() {
        let good = asked(Some("1.2.3"), vec![item("1.2", "1.5"), item("1.3", "1.6")]);
        let read = |bytes: &[u8]| super::read(Some(bytes), IMPLICIT);
        let found = read(&good).expect("good");
        assert_eq!(found.transaction, "1.2.3");
        let names: Vec<_> = found
            .references
            .iter()
            .map(|one| (one.class.as_str(), one.instance.as_str()))
            .collect();
        assert_eq!(names, [("1.2", "1.5"), ("1.3", "1.6")]);
        let many = vec![item("1.2", "1.5"); REFERENCES_MAX + 1];
        for (bytes, why) in [
            (asked(None, vec![item("1.2", "1.5")]), Unusable::Nameless),
            (
                asked(Some("A"), vec![item("1.2", "1.5")]),
                Unusable::Nameless,
            ),
            (asked(Some("1.2.3"), Vec::new()), Unusable::References),
            (
                asked(Some("1.2.3"), vec![item("1.2", "")]),
                Unusable::References,
            ),
            (
                asked(Some("1.2.3"), vec![item("A\\B", "1.5")]),
                Unusable::References,
            ),
            (asked(Some("1.2.3"), many), Unusable::TooMany),
            (good[..good.len() - 3].to_vec(), Unusable::Malformed),
            (vec![0; DATA_BYTES_MAX + 1], Unusable::Malformed),
            (b"not DICOM at all".to_vec(), Unusable::Malformed),
        ] {
            assert_eq!(read(&bytes), Err(why));
        }
        assert_eq!(super::read(None, IMPLICIT), Err(Unusable::Malformed));
    }

    /// The longest request that may come is not cut by its own bounds.
    #[test]
    fn the_largest_request_fits() {
        let (class, instance) = ("1".repeat(64), "2".repeat(64));
        let bytes = asked(Some("1.2"), vec![item(&class, &instance); REFERENCES_MAX]);
        assert!(bytes.len() <= DATA_BYTES_MAX, "{}", bytes.len());
        let read = read(Some(&bytes), IMPLICIT).expect("read");
        assert_eq!(read.references.len(), REFERENCES_MAX);
    }
}
