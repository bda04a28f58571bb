//! Readings for the tests of everything that works on sets of them.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "only tests come here"
)]

use crate::domain::*;

/// A report by one operator with one device: readings of each eye in the transverse plane.
pub fn reading(uid: &str, study: &str, day: &str, right: &[f64], left: &[f64]) -> ObjectReading {
    let sides = [(Laterality::Right, right), (Laterality::Left, left)];
    let values = sides
        .iter()
        .flat_map(|(eye, mm)| mm.iter().map(move |mm| (*eye, *mm)));
    let measurements = values
        .enumerate()
        .map(|(n, (eye, mm))| value(&format!("1.{}", n + 1), eye, mm))
        .collect();
    ObjectReading {
        sop_instance_uid: Some(uid.to_owned()),
        sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".to_owned()),
        series_instance_uid: None,
        disposition: Disposition::Accepted,
        template: Some("tid1500@000000000000".to_owned()),
        dictionaries: Vec::new(),
        patient: Some(Patient {
            key: PatientKey {
                issuer: "NOWHERE".to_owned(),
                id: "P1".to_owned(),
            },
            birth_date: "1980-02-03".parse().ok(),
            sex: Some(Sex::F),
        }),
        exam: Some(ExamFacts {
            study_instance_uid: study.to_owned(),
            performed_at: format!("{day}T10:00:00").parse().ok().map(|local| Moment {
                local,
                offset_s: None,
            }),
            content_at: None,
            study_at: None,
            operator: Some("Vantongeren^Amber".to_owned()),
            device: Device {
                model: Some("Lumen 4".to_owned()),
                ..Device::default()
            },
            accession: None,
        }),
        machine: None,
        predecessors: Vec::new(),
        state: DocumentState::default(),
        content_sha256: Some(format!("hash of {uid}")),
        measurements,
        image: None,
        unexplained: Vec::new(),
        remarks: Vec::new(),
    }
}

/// One usable reading.
fn value(place: &str, eye: Laterality, mm: f64) -> Measurement {
    Measurement {
        quantity: Quantity::SheathDiameter,
        eye,
        value_mm: Millimetres::from_mm(mm),
        value_as_sent: Some(mm.to_string()),
        step: None,
        unit_as_sent: Some("mm".to_owned()),
        plane: Plane::Transverse,
        depth_mm: None,
        derivation: Derivation::Single,
        definition: None,
        modality: Modality::Ultrasound,
        usable: true,
        place: place.to_owned(),
        rule: None,
        concept: "81827009 SCT".to_owned(),
        geometry: None,
        pictures: Vec::new(),
        caliper: None,
        observed_at: None,
        observed_day_only: false,
        time_point: None,
        observation_uid: None,
        remarks: Vec::new(),
    }
}
