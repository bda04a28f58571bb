//! Content items to be written (PS3.3 C.17.3).

use super::element::{coded, sequence, text};
use super::reference;
use crate::forms::codes::Coded;
use dicom_core::VR;
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;

const CONTAINS: &str = "CONTAINS";
const CONCEPT_MOD: &str = "HAS CONCEPT MOD";
const OBS_CONTEXT: &str = "HAS OBS CONTEXT";
const ACQ_CONTEXT: &str = "HAS ACQ CONTEXT";
const INFERRED: &str = "INFERRED FROM";

/// A content item with everything below it.
pub(in crate::forms) struct Item {
    relationship: &'static str,
    concept: Coded,
    kind: Kind,
    /// Observation DateTime (DT).
    observed_at: Option<String>,
    children: Vec<Item>,
}

enum Kind {
    /// With the template it follows.
    Container(Option<&'static str>),
    Code(Coded),
    Text(String),
    Name(String),
    Uid(String),
    Number(String, Coded),
    Composite(String, String),
}

impl Item {
    fn new(relationship: &'static str, concept: Coded, kind: Kind) -> Item {
        Item {
            relationship,
            concept,
            kind,
            observed_at: None,
            children: Vec::new(),
        }
    }

    /// A container that follows a template of DCMR.
    pub(in crate::forms) fn template(concept: Coded, template: &'static str) -> Item {
        Item::new(CONTAINS, concept, Kind::Container(Some(template)))
    }

    pub(in crate::forms) fn container(concept: Coded) -> Item {
        Item::new(CONTAINS, concept, Kind::Container(None))
    }

    pub(in crate::forms) fn code(concept: Coded, value: Coded) -> Item {
        Item::new(CONTAINS, concept, Kind::Code(value))
    }

    pub(in crate::forms) fn text(concept: Coded, text: impl Into<String>) -> Item {
        Item::new(CONTAINS, concept, Kind::Text(text.into()))
    }

    pub(in crate::forms) fn name(concept: Coded, name: impl Into<String>) -> Item {
        Item::new(CONTAINS, concept, Kind::Name(name.into()))
    }

    pub(in crate::forms) fn uid(concept: Coded, uid: impl Into<String>) -> Item {
        Item::new(CONTAINS, concept, Kind::Uid(uid.into()))
    }

    pub(in crate::forms) fn number(concept: Coded, digits: impl Into<String>, unit: Coded) -> Item {
        Item::new(CONTAINS, concept, Kind::Number(digits.into(), unit))
    }

    /// A reference to another object.
    pub(in crate::forms) fn composite(concept: Coded, class: &str, instance: &str) -> Item {
        let kind = Kind::Composite(class.to_owned(), instance.to_owned());
        Item::new(CONTAINS, concept, kind)
    }

    pub(in crate::forms) fn modifier(mut self) -> Item {
        self.relationship = CONCEPT_MOD;
        self
    }

    pub(in crate::forms) fn context(mut self) -> Item {
        self.relationship = OBS_CONTEXT;
        self
    }

    /// Says how the value above was taken.
    pub(in crate::forms) fn acquisition(mut self) -> Item {
        self.relationship = ACQ_CONTEXT;
        self
    }

    pub(in crate::forms) fn inferred(mut self) -> Item {
        self.relationship = INFERRED;
        self
    }

    pub(in crate::forms) fn at(mut self, observed_at: Option<String>) -> Item {
        self.observed_at = observed_at;
        self
    }

    pub(in crate::forms) fn with(mut self, children: impl IntoIterator<Item = Item>) -> Item {
        self.children.extend(children);
        self
    }

    /// The item as the root of a document: its elements without relationship.
    pub(in crate::forms) fn into_root(self) -> InMemDicomObject {
        let mut root = self.write();
        root.remove_element(tags::RELATIONSHIP_TYPE);
        root
    }

    fn write(self) -> InMemDicomObject {
        let mut item = InMemDicomObject::new_empty();
        item.put(text(tags::RELATIONSHIP_TYPE, VR::CS, self.relationship));
        if let Some(at) = &self.observed_at {
            item.put(text(tags::OBSERVATION_DATE_TIME, VR::DT, at));
        }
        item.put(coded(tags::CONCEPT_NAME_CODE_SEQUENCE, self.concept));
        let value_type = match self.kind {
            Kind::Container(template) => {
                item.put(text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE"));
                if let Some(template) = template {
                    let names = [
                        text(tags::MAPPING_RESOURCE, VR::CS, "DCMR"),
                        text(tags::TEMPLATE_IDENTIFIER, VR::CS, template),
                    ];
                    item.put(sequence(
                        tags::CONTENT_TEMPLATE_SEQUENCE,
                        vec![InMemDicomObject::from_element_iter(names)],
                    ));
                }
                "CONTAINER"
            }
            Kind::Code(value) => {
                item.put(coded(tags::CONCEPT_CODE_SEQUENCE, value));
                "CODE"
            }
            Kind::Text(value) => {
                item.put(text(tags::TEXT_VALUE, VR::UT, &value));
                "TEXT"
            }
            Kind::Name(name) => {
                item.put(text(tags::PERSON_NAME, VR::PN, &name));
                "PNAME"
            }
            Kind::Uid(uid) => {
                item.put(text(tags::UID, VR::UI, &uid));
                "UIDREF"
            }
            Kind::Number(digits, unit) => {
                let measured = InMemDicomObject::from_element_iter([
                    text(tags::NUMERIC_VALUE, VR::DS, &digits),
                    coded(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, unit),
                ]);
                item.put(sequence(tags::MEASURED_VALUE_SEQUENCE, vec![measured]));
                "NUM"
            }
            Kind::Composite(class, instance) => {
                let reference = vec![reference(&class, &instance)];
                item.put(sequence(tags::REFERENCED_SOP_SEQUENCE, reference));
                "COMPOSITE"
            }
        };
        item.put(text(tags::VALUE_TYPE, VR::CS, value_type));
        if !self.children.is_empty() {
            let children = self.children.into_iter().map(Item::write).collect();
            item.put(sequence(tags::CONTENT_SEQUENCE, children));
        }
        item
    }
}
