//! Who, when and with what: the tree first, the header where the tree is silent.

use super::sessions::is_of_another_time;
use crate::domain::{
    Device, ExamFacts, Measurement, Moment, Patient, PatientKey, Remark, RemarkCode,
};
use crate::extract::{Found, Given, ProcedureSaid};
use crate::sr::{self, Header};
use crate::template::Sender;
use crate::template::words::Side;
use chrono::Days;

/// Days in a year, the longest there is.
const A_YEAR: i64 = 366;

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

/// Whose report it is, as far as dictionaries by sender ask.
pub(super) fn sender<'a>(
    header: &'a Header,
    ae_title: Option<&'a str>,
    default_issuer: &'a str,
) -> Sender<'a> {
    let device = [&header.manufacturer, &header.model, &header.serial];
    Sender {
        ae_title,
        issuer: header.patient_issuer.as_deref().unwrap_or(default_issuer),
        device: device.map(|part| part.as_deref().unwrap_or_default()),
    }
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

/// Whether the report says that a value belongs to another study: by its Study Instance UID, or by a
/// Study Date more than a day from the report's own.
pub(super) fn of_another_study(said: &[ProcedureSaid], header: &Header) -> bool {
    let own_day = header.study_at.or(header.content_at).map(|at| at.date());
    said.iter().any(|one| match one {
        ProcedureSaid::Study(uid) => {
            let own = header.study_instance_uid.as_deref();
            own.is_some_and(|own| own != uid)
        }
        ProcedureSaid::Date(text) => {
            let day = sr::moment_from_dt(text, None).map(|at| at.date());
            day.zip(own_day)
                .is_some_and(|(day, own)| (day - own).num_days().abs() > 1)
        }
    })
}

/// The caution on a report whose study and content dates cannot both be right.
pub(super) fn dates_apart(header: &Header) -> Option<Remark> {
    let study = header.study_at?.date();
    let content = header.content_at?.date();
    ((content - study).num_days().abs() > A_YEAR).then(|| {
        Remark::of(
            RemarkCode::DatesFarApart,
            format!(
                "The study is dated {study} and the report {content}, more than a year apart; one of the \
                 dates may be wrong."
            ),
        )
        .at("(0008,0020)")
        .act("Send a corrected report, or label the exam if its date is right.")
    })
}

/// When the exam was done: the earliest observation among its sheath values, else the study's date,
/// else the document's. A document that is amended later keeps the date of its exam.
pub(super) fn performed_at<'a>(
    sheath: impl Iterator<Item = &'a Measurement>,
    header: &Header,
) -> Option<Moment> {
    sheath
        .filter(|one| !is_of_another_time(one))
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
            remarks.push(Remark::of(
                RemarkCode::OperatorsDiffer,
                "The values come from several observers; the operator is taken as unknown.",
            ));
            None
        }
    }
}

/// The machine that the header names, if it does.
pub(super) fn machine(header: &Header) -> Option<Device> {
    let device = Device {
        manufacturer: header.manufacturer.clone(),
        model: header.model.clone(),
        serial: header.serial.clone(),
    };
    (device != Device::default()).then_some(device)
}

/// The machine, when all sheath values agree on it. Tree and header are not mixed: the header may
/// describe the workstation that wrote the report.
pub(super) fn device(sheath: &[&Found], header: &Header, remarks: &mut Vec<Remark>) -> Device {
    let of_header = machine(header).unwrap_or_default();
    let mut devices: Vec<&Device> = Vec::new();
    for one in sheath {
        let device = if one.device == Device::default() {
            &of_header
        } else {
            &one.device
        };
        if !devices.contains(&device) {
            devices.push(device);
        }
    }
    match devices.as_slice() {
        [] => of_header,
        [one] => (*one).clone(),
        _ => {
            remarks.push(Remark::of(
                RemarkCode::DevicesDiffer,
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
            Remark::of(code, text)
                .at(place)
                .act("Correct the object at its source and send it again."),
        );
    };
    if header.sop_instance_uid.is_none() {
        lacks(
            RemarkCode::SopInstanceUidMissing,
            "(0008,0018)",
            "The object has no SOP Instance UID, so nobody can tell it from others.",
        );
    }
    if exam.is_none() {
        lacks(
            RemarkCode::StudyInstanceUidMissing,
            "(0020,000D)",
            "The object has no Study Instance UID, so it belongs to no exam.",
        );
    }
    if !has_sheath {
        return;
    }
    if patient.is_none() {
        lacks(
            RemarkCode::PatientIdMissing,
            "(0010,0020)",
            "Sheath values without a Patient ID belong to nobody.",
        );
    }
    if exam.is_some_and(|exam| exam.performed_at.is_none()) {
        lacks(
            RemarkCode::ExamDateMissing,
            "(0008,0020)",
            "Neither the values nor the study nor the document have a date.",
        );
    }
}
