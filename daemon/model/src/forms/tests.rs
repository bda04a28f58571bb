//! What holds of every form, on results made by [`crate::results::of_patient`].

use super::codes::{PRIVATE, SCHEME};
use super::*;
use crate::assess::{
    AfterEvent, AfterState, Basis, DecidedBy, Difference, Flags, Nadir, Notice, SinceLast, Status,
};
use crate::domain::{Disposition, RemarkCode};
use crate::reading::{self, Rules, own};
use crate::results::{Replaced, samples};
use crate::sr as report;
use crate::sr::tree::Relationship;
use crate::sr::{Limits, Value};
use crate::template::Templates;

/// A result and sources of its reports, in the exam's own study.
pub(super) fn sample(name: &str) -> (Envelope, Context) {
    let known = samples::every().into_iter().find(|(one, _)| *one == name);
    let result = samples::newest(&known.unwrap().1);
    let sources = result.content.reports.iter().map(|report| Origin {
        sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".to_owned()),
        sop_instance_uid: Some(report.sop_instance_uid.clone()),
        series_instance_uid: Some("2.25.77".to_owned()),
        study_instance_uid: Some(result.content.exam.study_instance_uid.clone()),
        patient_name: Some("Hollowfield^Mara^^Dr^III".to_owned()),
        issuer_universal: Some(("1.2.3.4".to_owned(), "ISO".to_owned())),
        study_date: Some("20240507".to_owned()),
        study_time: Some("101500".to_owned()),
        offset_s: Some(7200),
        ..Origin::default()
    });
    let context = Context {
        sources: sources.collect(),
        previous: None,
        reminder: false,
    };
    (result, context)
}

/// Within the old expectation by every row, and wider than the narrowest exam since an event by more
/// than error; with two doubts, and a version before it that flagged nothing.
pub(super) fn after_an_event() -> (Envelope, Context) {
    let (mut result, context) = sample("within");
    let day = |day: &str| day.parse().unwrap();
    let six = chrono::NaiveTime::from_hms_opt(6, 0, 0);
    let replaced = Replaced {
        version: 1,
        status: Status::WithinExpected,
        flagged: false,
        decided_by: Some(DecidedBy::Both),
        measured_mm: Some(5.1),
        why: vec!["the report was amended".to_owned()],
    };
    result.replaces = Some(replaced);
    let content = &mut result.content;
    let assessment = &mut content.assessment;
    assessment.status = Status::AboveExpected;
    assessment.flagged = true;
    assessment.basis = Some(Basis::Confirmed);
    assessment.decided_by = Some(DecidedBy::SinceEvent);
    assessment.notices = vec![Notice::NerveSuspected, Notice::SidesExchangedSuspected];
    content.course.since_last = Some(SinceLast {
        exam: "E1".into(),
        date: day("2024-05-07"),
        time: six,
        hours: Some(4.25),
        row: DecidedBy::Both,
        mm: 0.35,
        sd_mm: 0.1,
        lower_mm: 0.1855,
        upper_mm: 0.5145,
    });
    content.course.flags = Some(Flags {
        count: 5,
        of: 6,
        last: day("2024-05-07"),
        last_time: six,
        now: true,
        since: day("2024-05-05"),
        since_time: None,
    });
    let difference = |mm: f64| Difference {
        with: day("2024-05-01"),
        exams: 2,
        mm,
        sd_mm: 0.1,
        lower_mm: mm - 0.16,
        upper_mm: mm + 0.16,
    };
    content.course.after_event = Some(AfterEvent {
        event: day("2024-05-02"),
        what: Vec::new(),
        state: AfterState::WideningAgain,
        exams: Vec::new(),
        new_baseline: None,
        new_baseline_from: day("2024-05-10"),
        level: Some(difference(0.2)),
        level_exams: Vec::new(),
        residual: Some(difference(0.3)),
        since: None,
        narrowed: None,
        nadir: Some(Nadir {
            exam: "E2".into(),
            date: day("2024-05-06"),
            time: None,
            comparisons: 3,
            mm: 0.612,
            sd_mm: 0.18,
            limit_mm: 0.4012,
            well_limit_mm: 0.5,
            status: Status::AboveExpected,
        }),
        returned_on: None,
        proposed_baseline: Vec::new(),
        margin_mm: 0.35,
    });
    (result, context)
}

/// A group each, read back as any reader of structured reports reads it.
#[test]
fn what_stands_beside_the_comparison_is_in_groups_of_its_own() {
    let (result, context) = after_an_event();
    let tree = read(&sr::comprehensive_sr(&result, &context).unwrap())
        .tree
        .unwrap();
    let mut numbers = std::collections::BTreeMap::new();
    let mut coded = std::collections::BTreeMap::new();
    for id in tree.ids() {
        let item = tree.item(id);
        let Some(concept) = item.concept.as_ref().filter(|one| one.scheme == SCHEME) else {
            continue;
        };
        match &item.value {
            Value::Num { measured, .. } => {
                let number = measured.as_ref().unwrap().decimal.clone().unwrap();
                numbers.insert(concept.value.clone(), number);
            }
            Value::Code(code) => {
                coded.insert(concept.value.clone(), code.value.clone());
            }
            _ => {}
        }
    }
    assert_eq!(numbers["since-last"], "0.35");
    assert_eq!(numbers["nadir"], "0.612");
    assert_eq!(numbers["earlier-flags"], "5");
    assert_eq!(coded["after-event"], "widening-again");
    assert_eq!(coded["decided-by"], "since-event");
    assert_eq!(coded["basis"], "confirmed");
    assert_eq!(coded["replaced-status"], "within");
}

fn first(mut result: Envelope) -> Envelope {
    result.version = 1;
    result.supersedes = None;
    result
}

fn rules() -> Rules {
    Rules::new(Templates::load(&[], &[]).unwrap())
}

fn read(bytes: &[u8]) -> report::Document {
    report::read(bytes, None, &Limits::default()).unwrap()
}

#[test]
fn every_form_of_every_sample_is_made_and_the_same_twice() {
    for (name, _) in samples::every() {
        let (result, context) = sample(name);
        let all = || {
            let fhir = fhir::transaction(&result, &context).unwrap();
            [
                sr::comprehensive_sr(&result, &context).unwrap(),
                pdf_object::encapsulated_pdf(&result, &context, &[]).unwrap(),
                hl7::oru_r01(&result, &context, &hl7::Route::default())
                    .unwrap()
                    .into_bytes(),
                serde_json::to_vec(&fhir).unwrap(),
                crate::render::csv::csv(&result).into_bytes(),
            ]
        };
        let (once, twice) = (all(), all());
        assert!(once == twice, "{name}");
        assert!(once.iter().all(|bytes| bytes.len() > 200), "{name}");
    }
}

#[test]
fn no_form_calls_anything_normal() {
    for (name, _) in samples::every() {
        let (result, context) = sample(name);
        let message = hl7::oru_r01(&result, &context, &hl7::Route::default()).unwrap();
        let fhir = fhir::transaction(&result, &context).unwrap().to_string();
        for form in [message, fhir] {
            assert!(!form.to_lowercase().contains("normal"), "{name}");
            assert!(form.contains("not a certified medical device"), "{name}");
        }
    }
}

/// PS3.3 8.8 and the VR of Code Value (SH) and Code Meaning (LO), PS3.5 6.2.
#[test]
fn private_codes_fit_dicom_and_are_unique() {
    let mut values: Vec<&str> = PRIVATE.iter().map(|code| code.value).collect();
    for code in PRIVATE {
        assert!(
            code.value.len() <= 16 && code.meaning.len() <= 64,
            "{code:?}"
        );
        assert_eq!(code.scheme, SCHEME);
        assert!(!code.meaning.to_lowercase().contains("normal"), "{code:?}");
    }
    values.sort_unstable();
    values.dedup();
    assert_eq!(values.len(), PRIVATE.len());
    let mark = codes::RESULT_STATUS;
    assert_eq!((mark.value, mark.scheme), own::MARK);
}

/// A code that stands in the vocabulary for incoming reports has the same meaning there, and no
/// number of a comparison is in it: else our own numbers could be read as measurements.
#[test]
fn private_codes_agree_with_the_vocabulary() {
    let vocabulary = include_str!("../../../../sr-templates/vocabulary.toml");
    let shared = [
        "sheath",
        "border",
        "outer-border",
        "inner-border",
        "depth-from-globe",
        "caliper-angle",
    ];
    for code in PRIVATE {
        let (value, scheme, meaning) = (code.value, code.scheme, code.meaning);
        let start = format!("code = \"{value}\"\nscheme = \"{scheme}\"\n");
        let known = vocabulary.split_once(&start);
        assert_eq!(known.is_some(), shared.contains(&value), "{value}");
        if let Some((_, rest)) = known {
            assert!(
                rest.starts_with(&format!("meaning = \"{meaning}\"")),
                "{value}"
            );
        }
    }
}

#[test]
fn our_own_report_is_no_measurement_when_it_comes_back() {
    let (result, context) = sample("flagged");
    let bytes = sr::comprehensive_sr(&result, &context).unwrap();
    let reading = reading::read_object(&bytes, None, "", &rules());
    assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
    assert!(reading.measurements.is_empty());
    let codes: Vec<_> = reading.remarks.iter().map(|remark| &*remark.code).collect();
    assert!(codes.contains(&"own-result"), "{codes:?}");

    // Without the mark it would be one: the values are coded as in any other report.
    let scheme: &[u8] = b"result-status ";
    let mut unmarked = bytes;
    for at in 0..unmarked.len() - scheme.len() {
        if unmarked[at..].starts_with(b"result-status") {
            unmarked[at..at + 6].copy_from_slice(b"someth");
        }
    }
    let reading = reading::read_object(&unmarked, None, "", &rules());
    assert!(reading.holds_sheath_values());
}

/// A NUM may say of another by HAS ACQ CONTEXT how it was taken (PS3.3 table A.35.3-2).
#[test]
fn depth_and_angle_of_a_caliper_stand_below_its_reading() {
    let (mut result, context) = sample("flagged");
    let calipers = |result: &Envelope| {
        let tree = read(&sr::comprehensive_sr(result, &context).unwrap());
        let tree = tree.tree.unwrap();
        let mut found = Vec::new();
        for id in tree.ids() {
            let item = tree.item(id);
            let measured = match &item.value {
                Value::Num { measured, .. } => measured.as_ref(),
                _ => None,
            };
            if let (Relationship::HasAcqContext, Some(number)) = (item.relationship, measured) {
                let above = &tree.item(tree.parent(id).unwrap()).concept;
                assert_eq!(above.as_ref().unwrap().value, "81827009");
                let unit = number.unit.as_ref().unwrap().value.clone();
                let code = item.concept.as_ref().unwrap().value.clone();
                found.push((code, number.decimal.clone().unwrap(), unit));
            }
        }
        found
    };
    assert_eq!(calipers(&result), []);
    let one = &mut result.content.measurements_used[0].value;
    one.depth_mm = crate::domain::Millimetres::from_mm(3.1);
    one.geometry = Some(crate::domain::Geometry {
        angle_deg: Some(12.5),
        depth_mm: crate::domain::Millimetres::from_mm(2.9),
        ..Default::default()
    });
    let item = |code: &str, digits: &str, unit: &str| (code.into(), digits.into(), unit.into());
    let angle = item("caliper-angle", "12.5", "deg");
    let stated = [item("depth-from-globe", "3.1", "mm"), angle.clone()];
    assert_eq!(calipers(&result), stated);
    result.content.measurements_used[0].value.depth_mm = None;
    let drawn = [item("depth-from-globe", "2.9", "mm"), angle];
    assert_eq!(calipers(&result), drawn);
}

#[test]
fn our_own_page_is_no_measurement_when_it_comes_back() {
    let (result, context) = sample("flagged");
    let bytes = pdf_object::encapsulated_pdf(&result, &context, &[]).unwrap();
    let reading = reading::read_object(&bytes, None, "", &rules());
    assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
}

#[test]
fn the_report_is_in_the_study_of_the_exam_with_what_the_sources_say() {
    let (result, context) = sample("flagged");
    let bytes = sr::comprehensive_sr(&result, &context).unwrap();
    let header = read(&bytes).header;
    assert_eq!(header.study_instance_uid.as_deref(), Some("2.25.3"));
    assert_eq!(header.patient_id.as_deref(), Some("P1"));
    assert_eq!(header.patient_issuer.as_deref(), Some("NOWHERE"));
    assert_eq!(header.accession.as_deref(), Some("A-4711"));
    assert_eq!(header.verification.as_deref(), Some("UNVERIFIED"));
    assert_eq!(header.completion.as_deref(), Some("COMPLETE"));
    // 10:31 UTC in the offset of the sources.
    let content_at = header.content_at.unwrap().to_string();
    assert_eq!(content_at, "2024-05-07T12:31:00+02:00");
    let origin = report::origin(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(
        origin.patient_name.as_deref(),
        Some("Hollowfield^Mara^^Dr^III")
    );
    assert_eq!(origin.issuer_universal, context.sources[0].issuer_universal);
    assert_eq!(origin.study_time.as_deref(), Some("101500"));
}

#[test]
fn what_sources_contradict_each_other_in_is_left_empty() {
    let (result, mut context) = sample("flagged");
    let mut other = context.sources[0].clone();
    other.patient_name = Some("Somebody^Else".to_owned());
    context.sources.push(other);
    let bytes = sr::comprehensive_sr(&result, &context).unwrap();
    let origin = report::origin(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(origin.patient_name, None);
    assert_eq!(origin.study_date.as_deref(), Some("20240507"));
}

/// PS3.3 C.12.1.1.2: without Specific Character Set only ASCII is known.
#[test]
fn a_name_in_letters_that_nobody_declared_is_left_out() {
    let (result, mut context) = sample("flagged");
    context.sources[0].patient_name = Some("M\u{e4}rz^Ada".to_owned());
    let mut bytes = sr::comprehensive_sr(&result, &context).unwrap();
    let origin = report::origin(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(origin.patient_name.as_deref(), Some("M\u{e4}rz^Ada"));
    let declared = b"ISO_IR 192";
    let at = bytes
        .windows(declared.len())
        .position(|part| part == declared);
    let at = at.unwrap();
    bytes[at..at + declared.len()].fill(b' ');
    let origin = report::origin(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(origin.patient_name, None);
    assert_eq!(origin.study_date.as_deref(), Some("20240507"));
}

#[test]
fn without_sources_nothing_is_made_up() {
    let (result, _) = sample("flagged");
    let bytes = sr::comprehensive_sr(&result, &Context::default()).unwrap();
    let origin = report::origin(&bytes, None, &Limits::default()).unwrap();
    assert_eq!((origin.patient_name, origin.study_date), (None, None));
    let tree = read(&bytes).tree.unwrap();
    let instance = |id| matches!(tree.item(id).value, Value::Instance { .. });
    assert!(!tree.ids().any(instance));
    let message = hl7::oru_r01(&result, &Context::default(), &hl7::Route::default()).unwrap();
    assert!(
        message.contains("|P1^^^NOWHERE||^^^^^^U||19800203|F\r"),
        "{message}"
    );
}

#[test]
fn a_new_version_names_the_one_before() {
    let (result, mut context) = sample("flagged");
    let before = first(result.clone());
    let old = read(&sr::comprehensive_sr(&before, &context).unwrap()).header;
    context.previous = Some(Box::new(before));
    let new = read(&sr::comprehensive_sr(&result, &context).unwrap()).header;
    assert_eq!(new.predecessors, [old.sop_instance_uid.clone().unwrap()]);
    // The same content under another version is another object.
    assert_ne!(new.sop_instance_uid, old.sop_instance_uid);
    assert_ne!(new.series_instance_uid, old.series_instance_uid);
    assert_eq!(old.predecessors, [""; 0]);
}

#[test]
fn a_previous_version_of_something_else_is_refused() {
    let (result, mut context) = sample("flagged");
    let (stranger, _) = sample("no-baseline");
    for wrong in [first(stranger), result.clone()] {
        context.previous = Some(Box::new(wrong));
        let refused = sr::comprehensive_sr(&result, &context);
        assert!(matches!(refused, Err(FormError::Previous { wanted: 1 })));
    }
}

#[test]
fn an_unfinished_report_makes_an_unfinished_result() {
    let (mut result, context) = sample("flagged");
    let remark = crate::domain::Remark::of(
        RemarkCode::DocumentPartial,
        "The report calls itself partial.",
    );
    result.content.reports[0].remarks.push(remark);
    let result = first(result);
    let header = read(&sr::comprehensive_sr(&result, &context).unwrap()).header;
    assert_eq!(header.completion.as_deref(), Some("PARTIAL"));
    let message = hl7::oru_r01(&result, &context, &hl7::Route::default()).unwrap();
    assert!(message.contains("|RUS|P\r"));
    let bundle = fhir::transaction(&result, &context).unwrap();
    assert_eq!(bundle["entry"][1]["resource"]["status"], "preliminary");
}

/// Each form codes what was left unread, and says it to people.
#[test]
fn what_was_left_unread_is_coded_in_every_form() {
    for (remark, wanted) in [
        (None, None),
        (Some(RemarkCode::ValuesUnread), Some("other-eye")),
        (Some(RemarkCode::LeftUnread), Some("at-the-eye")),
    ] {
        let (mut result, context) = sample("within");
        let text = "Values were left unread: some.";
        let remarks = remark.map(|code| crate::domain::Remark::of(code, text));
        result.content.remarks.extend(remarks);
        let result = first(result);
        let message = hl7::oru_r01(&result, &context, &hl7::Route::default()).unwrap();
        let obx = message.split('\r').filter(|line| line.contains("|unread^"));
        let told: Vec<&str> = obx.filter_map(|line| line.split('|').nth(5)).collect();
        let value = |code: &str| code.split('^').next().map(str::to_owned);
        assert_eq!(told.first().and_then(|code| value(code)).as_deref(), wanted);
        let bundle = fhir::transaction(&result, &context).unwrap().to_string();
        let document = sr::comprehensive_sr(&result, &context).unwrap();
        let document = String::from_utf8_lossy(&document);
        for code in ["other-eye", "at-the-eye"] {
            assert_eq!(
                bundle.contains(&format!("\"{code}\"")),
                wanted == Some(code)
            );
            assert_eq!(document.contains(code), wanted == Some(code));
        }
        for form in [&message, &bundle, &*document] {
            let flat = form.replace("\r", " ");
            assert_eq!(flat.contains("VALUES LEFT UNREAD: some."), wanted.is_some());
        }
    }
}

#[test]
fn an_identifier_that_dicom_cannot_hold_is_an_error_and_not_another_identifier() {
    for id in ["P\\1", "P\n1", &"9".repeat(65)] {
        let (mut result, context) = sample("flagged");
        result.content.patient.id = id.to_owned();
        let refused = sr::comprehensive_sr(&result, &context);
        assert!(matches!(refused, Err(FormError::Unwritable { .. })), "{id}");
    }
}

/// PS3.5 B.2: `2.25.` and the UUID as one decimal number without leading zeros; RFC 9562 4.
#[test]
fn identifiers_are_uuids() {
    let (result, _) = sample("flagged");
    let uid = ids::uid(&ids::Of::Version(&result), "test");
    let uuid = ids::uuid(&ids::Of::Version(&result), "test");
    let number: u128 = uid.strip_prefix("2.25.").unwrap().parse().unwrap();
    assert_eq!(uuid.replace('-', ""), format!("{number:032x}"));
    assert_eq!(uuid.len(), 36);
    assert_eq!(&uuid[14..15], "8");
    assert!("89ab".contains(&uuid[19..20]));
    assert!(uid.len() <= 64);
    assert_ne!(uuid, ids::uuid(&ids::Of::Version(&result), "other"));
}
