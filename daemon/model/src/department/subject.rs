//! Of whom or of what a number is.

use crate::domain::written_name;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The whole department, an operator or a device, named as reports name them.
///
/// In JSON `{"of": "operator", "name": "…"}`; of exams whose reports name nobody the name is null.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// All exams.
    Department,
    /// Exams of one operator.
    Operator(Option<Arc<str>>),
    /// Exams with one device: maker, model and serial number, joined by `|`.
    Device(Option<Arc<str>>),
}

impl Subject {
    /// `department`, `operator` or `device`.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Subject::Department => "department",
            Subject::Operator(_) => "operator",
            Subject::Device(_) => "device",
        }
    }

    /// The name as it is stored.
    #[must_use]
    pub fn name(&self) -> Option<&str> {
        match self {
            Subject::Department => None,
            Subject::Operator(name) | Subject::Device(name) => name.as_deref(),
        }
    }

    /// The name for people.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Subject::Department => "the department".to_owned(),
            Subject::Operator(None) => "operator not known".to_owned(),
            Subject::Device(None) => "device not known".to_owned(),
            Subject::Operator(Some(name)) => written_name(name),
            Subject::Device(Some(name)) => {
                let parts = name.split('|').map(str::trim);
                let parts: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
                parts.join(", ")
            }
        }
    }
}

impl Serialize for Subject {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use serde::ser::SerializeMap;
        let mut map = serializer.serialize_map(Some(2))?;
        map.serialize_entry("of", self.kind())?;
        map.serialize_entry("name", &self.name())?;
        map.end()
    }
}

/// Operators and devices, each name kept once however many exams bear it.
#[derive(Debug, Clone, Default)]
pub(super) struct Names {
    operators: BTreeMap<String, Subject>,
    devices: BTreeMap<String, Subject>,
}

impl Names {
    pub(super) fn operator(&mut self, name: Option<&str>) -> Subject {
        Self::kept(&mut self.operators, name, Subject::Operator)
    }

    pub(super) fn device(&mut self, name: Option<&str>) -> Subject {
        Self::kept(&mut self.devices, name, Subject::Device)
    }

    fn kept(
        known: &mut BTreeMap<String, Subject>,
        name: Option<&str>,
        make: fn(Option<Arc<str>>) -> Subject,
    ) -> Subject {
        let Some(name) = name else {
            return make(None);
        };
        if let Some(one) = known.get(name) {
            return one.clone();
        }
        let one = make(Some(Arc::from(name)));
        known.insert(name.to_owned(), one.clone());
        one
    }
}
