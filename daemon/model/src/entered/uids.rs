//! Identifiers of a typed report, derived from what it says: the same exam typed again has them again.

use super::{Typed, TypedReading};
use crate::domain::{Border, Plane, derived};
use sha2::{Digest, Sha256};

/// Identifiers of a typed report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Uids {
    /// Study Instance UID: of the patient, day, time and accession number, so that an exam typed with
    /// other values is in the same study and is noticed; of a corrected report its own.
    pub study: String,
    /// Series Instance UID.
    pub series: String,
    /// SOP Instance UID: of all that was measured, and by nothing of who copied it or why.
    pub instance: String,
}

struct Parts(Sha256);

impl Parts {
    fn of(purpose: &str) -> Self {
        Parts(Sha256::new()).with(purpose)
    }

    /// Length first, so that no two lists of parts are one text.
    fn with(mut self, part: &str) -> Self {
        self.0.update((part.len() as u64).to_be_bytes());
        self.0.update(part.as_bytes());
        self
    }

    fn maybe(self, part: Option<&str>) -> Self {
        match part {
            Some(part) => self.with("1").with(part),
            None => self.with("0"),
        }
    }

    fn exam(self, typed: &Typed) -> Self {
        let time = typed
            .time
            .map(|time| time.format("%H:%M:%S%.f").to_string());
        self.with(&typed.subject.patient.issuer)
            .with(&typed.subject.patient.id)
            .with(&typed.day.to_string())
            .maybe(time.as_deref())
            .maybe(typed.subject.accession.as_deref())
    }

    fn reading(self, reading: &TypedReading) -> Self {
        let plane = match reading.plane {
            Plane::Transverse => "transverse",
            Plane::Sagittal => "sagittal",
            Plane::Oblique => "oblique",
            Plane::Unspecified => "",
        };
        let depth = reading.depth.map(|depth| depth.um().to_string());
        let angle = reading.angle_deg.map(|angle| angle.to_string());
        self.with(&reading.value.um().to_string())
            .with(plane)
            .maybe(depth.as_deref())
            .maybe(angle.as_deref())
    }

    fn uid(self) -> String {
        derived::uid(derived::uuid(derived::bits(&self.0.finalize())))
    }
}

impl Uids {
    /// Whether these are the identifiers of a report that a person typed, here or elsewhere.
    #[must_use]
    pub fn are_typed(instance: &str, series: &str) -> bool {
        derived::typed_series(instance) == series
    }

    pub(super) fn of(typed: &Typed) -> Uids {
        let study = match &typed.corrects {
            Some(corrected) => corrected.study.clone(),
            None => Parts::of("typed study").exam(typed).uid(),
        };
        let mut all = Parts::of("typed report")
            .exam(typed)
            .with(&typed.subject.birth_date.to_string())
            .maybe(typed.border.map(|border| match border {
                Border::Outer => "outer",
                Border::Inner => "inner",
            }))
            .maybe(typed.operator.as_deref())
            .maybe(typed.device.manufacturer.as_deref())
            .maybe(typed.device.model.as_deref())
            .maybe(typed.device.serial.as_deref())
            .maybe(typed.corrects.as_ref().map(|one| one.instance.as_str()));
        for readings in [&typed.right, &typed.left] {
            all = all.with(&readings.len().to_string());
            all = readings.iter().fold(all, Parts::reading);
        }
        let instance = all.uid();
        Uids {
            series: derived::typed_series(&instance),
            study,
            instance,
        }
    }
}
