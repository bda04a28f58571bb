//! What is typed is written as a report and read back as it was typed.

use super::report;
use crate::domain::{
    Border, Device, Disposition, Eye, Measurement, Millimetres, ObjectReading, PatientKey, Plane,
    RemarkCode, Sex,
};
use crate::entered::{Corrected, Limits, Subject, Typed, TypedReading, Uids, check};
use crate::reading::{Assumed, Rules, read_object};
use crate::template::Templates;
use chrono::{DateTime, NaiveDate, NaiveTime};
use proptest::prelude::*;

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a day")
}

fn reading(um: i64, decimals: u8) -> TypedReading {
    TypedReading::of(Millimetres::from_um(um), decimals)
}

fn plain() -> Typed {
    Typed {
        subject: Subject {
            patient: PatientKey {
                issuer: "TARNHOLT".to_owned(),
                id: "0042".to_owned(),
            },
            birth_date: day("2019-03-02"),
            sex: Some(Sex::F),
            name: Some("Merrowdene^Iolo".to_owned()),
            accession: Some("ACC-77".to_owned()),
        },
        day: day("2026-04-01"),
        time: NaiveTime::from_hms_opt(10, 12, 0),
        right: vec![reading(5_200, 1), reading(5_300, 2)],
        left: vec![reading(4_900, 1)],
        border: Some(Border::Outer),
        operator: Some("Farnwick^Ilse".to_owned()),
        device: Device {
            manufacturer: Some("Caldorra".to_owned()),
            model: Some("Pocket 3".to_owned()),
            serial: Some("SN-1".to_owned()),
        },
        author: "Farnwick^Ilse".to_owned(),
        signed_at: DateTime::parse_from_rfc3339("2026-04-01T11:00:00+02:00").expect("a time"),
        transcribed: None,
        corrects: None,
        reason: String::new(),
    }
}

fn read(bytes: &[u8]) -> ObjectReading {
    let rules = Rules::new(Templates::builtin().expect("templates"));
    read_object(bytes, None, Assumed::default(), &rules)
}

fn back(typed: &Typed) -> ObjectReading {
    read(&report(typed).expect("a report"))
}

fn of_eye(reading: &ObjectReading, eye: Eye) -> Vec<&Measurement> {
    let all = reading.measurements.iter();
    all.filter(|one| one.eye.eye() == Some(eye)).collect()
}

fn has(reading: &ObjectReading, code: RemarkCode) -> bool {
    reading.remarks.iter().any(|remark| remark.code == code)
}

/// Everything that was typed, and nothing else.
fn same(typed: &Typed, reading: &ObjectReading) {
    assert!(
        matches!(
            reading.disposition,
            Disposition::Accepted | Disposition::AcceptedWithRemarks
        ),
        "{:?}",
        reading.remarks
    );
    let patient = reading.patient.as_ref().expect("a patient");
    assert_eq!(patient.key, typed.subject.patient);
    assert_eq!(patient.birth_date, Some(typed.subject.birth_date));
    assert_eq!(patient.sex, typed.subject.sex);
    assert!(!has(reading, RemarkCode::ModalityUnstated));
    let exam = reading.exam.as_ref().expect("an exam");
    assert_eq!(exam.study_instance_uid, typed.uids().study);
    assert_eq!(exam.accession, typed.subject.accession);
    assert_eq!(exam.operator, typed.operator);
    assert_eq!(exam.device, typed.device);
    let at = exam.performed_at.expect("a time");
    assert_eq!((at.date(), at.time()), (typed.day, typed.time));
    for eye in Eye::BOTH {
        let of_eye = of_eye(reading, eye);
        assert_eq!(of_eye.len(), typed.readings(eye).len());
        for (read, typed_one) in of_eye.iter().zip(typed.readings(eye)) {
            assert_eq!(read.value_mm, Some(typed_one.value));
            assert_eq!(read.value_as_sent, Some(typed_one.digits()));
            assert_eq!(read.plane, typed_one.plane);
            assert_eq!(read.depth_mm, typed_one.depth);
            let angle = read.geometry.and_then(|known| known.angle_deg);
            assert_eq!(angle, typed_one.angle_deg);
            assert_eq!(read.definition, typed.border);
            assert!(read.usable, "{:?}", read.remarks);
        }
    }
}

#[test]
fn a_signed_measurement_is_read_back_as_it_was_typed() {
    let typed = plain();
    let reading = back(&typed);
    same(&typed, &reading);
    assert!(!has(&reading, RemarkCode::Transcribed));
    assert!(!has(&reading, RemarkCode::OwnResult));
    assert_eq!(reading.state.unverified, Some(false));
    assert_eq!(reading.state.partial, Some(false));
    assert_eq!(report(&typed).unwrap(), report(&typed).unwrap());
    assert!(Uids::are_typed(
        reading.uid(),
        reading.series_instance_uid.as_deref().unwrap()
    ));
    assert!(!Uids::are_typed(reading.uid(), "2.25.1"));
}

/// Whoever copies is not who measured, and years between an exam and its copy are no doubt.
#[test]
fn a_copied_report_says_so_and_names_who_measured_alone() {
    for (operator, year) in [
        (Some("Brack^Oda".to_owned()), "2020-04-01"),
        (None, "2024-01-31"),
    ] {
        let typed = Typed {
            operator,
            day: day(year),
            transcribed: Some("table 3, line 12".to_owned()),
            author: "Farnwick^Ilse".to_owned(),
            ..plain()
        };
        let reading = back(&typed);
        same(&typed, &reading);
        let mut remarks = reading.remarks.iter();
        let said = remarks.find(|one| one.code == RemarkCode::Transcribed);
        assert!(said.expect("the remark").text.contains("table 3, line 12"));
        assert!(!has(&reading, RemarkCode::DatesFarApart));
        assert_eq!(reading.state.unverified, Some(true));
    }
    // The year of a measurement that is typed as it is made may be a slip.
    let slip = Typed {
        day: day("2024-04-01"),
        ..plain()
    };
    assert!(has(&back(&slip), RemarkCode::DatesFarApart));
}

#[test]
fn an_amended_report_names_the_one_it_replaces() {
    let before = plain();
    let uids = before.uids();
    let mut after = plain();
    after.right = vec![reading(5_400, 1)];
    after.corrects = Some(Corrected {
        study: uids.study.clone(),
        series: uids.series,
        instance: uids.instance.clone(),
    });
    let reading = back(&after);
    same(&after, &reading);
    assert_eq!(reading.predecessors, [uids.instance.as_str()]);
    assert_eq!(reading.exam.unwrap().study_instance_uid, uids.study);
    assert_ne!(reading.sop_instance_uid, Some(uids.instance));
}

#[test]
fn identifiers_follow_from_what_was_measured_alone() {
    let one = plain().uids();
    let mut other = plain();
    other.author = "Brack^Oda".to_owned();
    other.subject.name = None;
    other.transcribed = Some("table 9, line 1".to_owned());
    other.reason = "again".to_owned();
    assert_eq!(other.uids(), one);
    let changed = |change: &dyn Fn(&mut Typed)| {
        let mut typed = plain();
        change(&mut typed);
        typed.uids()
    };
    // The same exam with other values is another report of the same study.
    for same_study in [
        changed(&|typed| typed.right[0].value = Millimetres::from_um(5_100)),
        changed(&|typed| typed.right[0].plane = Plane::Sagittal),
        changed(&|typed| typed.operator = None),
        changed(&|typed| typed.subject.birth_date = day("2019-03-03")),
        changed(&|typed| typed.left.clear()),
        changed(&|typed| std::mem::swap(&mut typed.right, &mut typed.left)),
    ] {
        assert_eq!(same_study.study, one.study);
        assert_ne!(same_study.instance, one.instance);
        assert_ne!(same_study.series, one.series);
    }
    for other_exam in [
        changed(&|typed| typed.subject.patient.id = "0043".to_owned()),
        changed(&|typed| typed.subject.patient.issuer = String::new()),
        changed(&|typed| typed.time = None),
        changed(&|typed| typed.day = day("2026-03-31")),
        changed(&|typed| typed.subject.accession = None),
    ] {
        assert_ne!(other_exam.study, one.study);
    }
}

#[test]
fn what_dicom_cannot_hold_is_refused() {
    let broken: [fn(&mut Typed); 4] = [
        |typed| typed.subject.patient.id = "a\\b".to_owned(),
        |typed| typed.author = "x".repeat(65),
        |typed| typed.device.model = Some("a\nb".to_owned()),
        |typed| typed.operator = Some("a\\b".to_owned()),
    ];
    for change in broken {
        let mut typed = plain();
        change(&mut typed);
        assert!(report(&typed).is_err());
        assert!(
            check(&typed, &Limits::default())
                .iter()
                .any(|one| one.blocking)
        );
    }
}

fn readings() -> impl Strategy<Value = Vec<TypedReading>> {
    let plane = prop_oneof![
        Just(Plane::Transverse),
        Just(Plane::Sagittal),
        Just(Plane::Oblique),
        Just(Plane::Unspecified),
    ];
    let one = (
        1_800_i64..=10_000,
        0_u8..=3,
        plane,
        proptest::option::of(2_500_i64..=3_500),
        proptest::option::of(0_u32..=200),
    );
    let one = one.prop_map(|(um, decimals, plane, depth, angle)| TypedReading {
        value: Millimetres::from_um(um),
        decimals,
        plane,
        depth: depth.map(Millimetres::from_um),
        angle_deg: angle.map(|tenth| f64::from(tenth) / 10.0),
    });
    proptest::collection::vec(one, 1..=5)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_measurement_comes_back(
        right in readings(),
        left in readings(),
        which in 0_u8..3,
        time in proptest::option::of(0_u32..86_400),
        id in "[A-Za-z0-9|^. -]{1,20}[A-Za-z0-9]",
        operator in proptest::option::of("[\\p{L}]{1,20}\\^[\\p{L}]{1,20}"),
        copied in any::<bool>(),
    ) {
        let mut typed = plain();
        typed.right = if which == 1 { Vec::new() } else { right };
        typed.left = if which == 2 { Vec::new() } else { left };
        // Midnight of a study without an offset is how a time that is not known is told.
        typed.time = time
            .filter(|seconds| *seconds > 0)
            .and_then(|seconds| NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0));
        typed.subject.patient.id = id.trim().to_owned();
        typed.operator = operator;
        typed.transcribed = copied.then(|| "a book of 2019".to_owned());
        same(&typed, &back(&typed));
    }
}
