//! Who, when and with what: the tree first, the header where the tree is silent.

use super::sessions::NOT_OF_THE_EXAM;
use crate::domain::{Device, ExamFacts, Measurement, Moment, Patient, PatientKey, Remark};
use crate::extract::{Found, Given};
use crate::sr::Header;
use crate::template::words::Side;
use chrono::Days;

/// Code of the remark on a value that an earlier exam left in this report.
pub(super) const BEFORE_EXAM: &str = "observed-before-exam";

/// Sides that attributes of the document give, with the attribute.
pub(super) fn sides(header: &Header) -> Vec<(&'static str, Side)> {
    let side = |letter| match letter {
        'R' => Side::Right,
        'L' => Side::Left,
        _ => Side::Bilateral,
    };
    let given = header.lateralities.iter();
    given.map(|&(name, letter)| (name, side(letter))).collect()
}

/// The patient; `None` without a Patient ID.
pub(super) fn patient(header: &Header, default_issuer: &str) -> Option<Patient> {
    let id = header.patient_id.clone()?;
    let issuer = header.patient_issuer.clone();
    Some(Patient {
        key: PatientKey {
            issuer: issuer.unwrap_or_else(|| default_issuer.to_owned()),
            id,
        },
        birth_date: header.birth_date,
        sex: header.sex,
    })
}

/// Whether a value was observed before its study began. One day is left for time zones.
pub(super) fn before_exam(observed: Option<Moment>, header: &Header) -> bool {
    let Some((observed, study)) = observed.zip(header.study_at) else {
        return false;
    };
    let next = observed.date().checked_add_days(Days::new(1));
    next.is_some_and(|next| next < study.date())
}

/// When the exam was done: the earliest observation among its sheath values, else the study's date,
/// else the document's. A document that is amended later keeps the date of its exam.
pub(super) fn performed_at<'a>(
    sheath: impl Iterator<Item = &'a Measurement>,
    header: &Header,
) -> Option<Moment> {
    sheath
        .filter(|one| {
            let mut codes = one.remarks.iter().map(|remark| &remark.code);
            !codes.any(|code| NOT_OF_THE_EXAM.contains(&code.as_ref()))
        })
        .filter_map(|one| one.observed_at)
        .min()
        .or(header.study_at)
        .or(header.content_at)
}

/// Who measured, when all sheath values agree on it.
pub(super) fn operator(
    sheath: &[&Found],
    header: &Header,
    remarks: &mut Vec<Remark>,
) -> Option<String> {
    let mut names: Vec<Option<&String>> = Vec::new();
    let mut several = false;
    for one in sheath {
        match &one.operator {
            Given::Nothing => names.push(header.operator.as_ref()),
            Given::One(name) => names.push(Some(name)),
            Given::Several => several = true,
        }
    }
    names.sort_unstable();
    names.dedup();
    match names.as_slice() {
        [] if !several => header.operator.clone(),
        [one] if !several => one.cloned(),
        _ => {
            remarks.push(Remark::caution(
                "operators-differ",
                "The values come from several observers; the operator is taken as unknown.",
            ));
            None
        }
    }
}

/// The machine, when all sheath values agree on it. Tree and header are not mixed: the header may
/// describe the workstation that wrote the report.
pub(super) fn device(sheath: &[&Found], header: &Header, remarks: &mut Vec<Remark>) -> Device {
    let of_header = Device {
        manufacturer: header.manufacturer.clone(),
        model: header.model.clone(),
        serial: header.serial.clone(),
    };
    let mut devices: Vec<&Device> = Vec::new();
    for one in sheath {
        let device = match one.device == Device::default() {
            true => &of_header,
            false => &one.device,
        };
        if !devices.contains(&device) {
            devices.push(device);
        }
    }
    match devices.as_slice() {
        [] => of_header,
        [one] => (*one).clone(),
        _ => {
            remarks.push(Remark::caution(
                "devices-differ",
                "The values come from several machines; the machine is taken as unknown.",
            ));
            Device::default()
        }
    }
}

/// What the object lacks.
pub(super) fn missing(
    header: &Header,
    has_sheath: bool,
    patient: Option<&Patient>,
    exam: Option<&ExamFacts>,
    remarks: &mut Vec<Remark>,
) {
    let mut lacks = |code, place: &str, text: &str| {
        remarks.push(
            Remark::blocking(code, text)
                .at(place)
                .act("Correct the object at its source and send it again."),
        );
    };
    if header.sop_instance_uid.is_none() {
        lacks(
            "sop-instance-uid-missing",
            "(0008,0018)",
            "The object has no SOP Instance UID, so nobody can tell it from others.",
        );
    }
    if exam.is_none() {
        lacks(
            "study-instance-uid-missing",
            "(0020,000D)",
            "The object has no Study Instance UID, so it belongs to no exam.",
        );
    }
    if !has_sheath {
        return;
    }
    if patient.is_none() {
        lacks(
            "patient-id-missing",
            "(0010,0020)",
            "Sheath values without a Patient ID belong to nobody.",
        );
    }
    if exam.is_some_and(|exam| exam.performed_at.is_none()) {
        lacks(
            "exam-date-missing",
            "(0008,0020)",
            "Neither the values nor the study nor the document have a date.",
        );
    }
}
