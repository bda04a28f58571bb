use super::*;
use crate::domain::Laterality;
use crate::extract::build::*;
use crate::sr::Header;
use crate::sr::tree::{Relationship, Value};
use chrono::NaiveDate;

fn moment(day: u32) -> crate::domain::Moment {
    crate::domain::Moment {
        local: NaiveDate::from_ymd_opt(2024, 5, day)
            .unwrap()
            .and_hms_opt(10, 0, 0)
            .unwrap(),
        offset_s: None,
    }
}

pub(super) fn document(tree: Option<Tree>) -> Document {
    Document {
        header: Header {
            sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".to_owned()),
            sop_instance_uid: Some("1.2.3".to_owned()),
            study_instance_uid: Some("1.2".to_owned()),
            patient_id: Some("0042".to_owned()),
            study_at: Some(moment(10)),
            content_at: Some(moment(12)),
            operator: Some("Header^Operator".to_owned()),
            model: Some("Workstation".to_owned()),
            ..Header::default()
        },
        tree,
        image: None,
        presentation: None,
        content_sha256: "ab".to_owned(),
        remarks: Vec::new(),
    }
}

fn read(document: &Document) -> ObjectReading {
    let rules = Rules::new(Templates::builtin().unwrap());
    read_document(document, "SITE", &rules)
}

fn two_eyes() -> Tree {
    report(vec![
        vec![site(RIGHT), mm("5.6", vec![])],
        vec![site(LEFT), mm("5.5", vec![])],
    ])
}

fn codes(remarks: &[Remark]) -> Vec<&str> {
    remarks.iter().map(|remark| remark.code.as_ref()).collect()
}

#[test]
fn a_plain_report_is_accepted() {
    let reading = read(&document(Some(two_eyes())));
    assert_eq!(reading.disposition, Disposition::Accepted);
    assert_eq!(reading.measurements.len(), 2);
    assert!(reading.measurements.iter().all(|one| one.usable));
    assert_eq!(
        codes(&reading.remarks),
        ["angle-unknown", "depth-unknown", "modality-unstated"]
    );
    assert!(reading.template.unwrap().starts_with("tid1500@"));
    let patient = reading.patient.unwrap();
    assert_eq!(
        (patient.key.id.as_str(), patient.key.issuer.as_str()),
        ("0042", "SITE")
    );
    let exam = reading.exam.unwrap();
    assert_eq!(exam.performed_at, Some(moment(10)));
    assert_eq!(exam.operator.as_deref(), Some("Header^Operator"));
    assert_eq!(exam.device.model.as_deref(), Some("Workstation"));
}

#[test]
fn the_tree_speaks_before_the_header() {
    let group = vec![
        text(
            "121008 DCM",
            crate::sr::Value::PersonName("Tree^Operator".to_owned()),
        ),
        text("121016 DCM", crate::sr::Value::Text("SN 7".to_owned())),
        site(RIGHT),
        mm("5.6", vec![]).observed("20240509233000"),
        mm("5.5", vec![]).observed("20240509224500"),
    ];
    let exam = read(&document(Some(report(vec![group.clone()]))))
        .exam
        .unwrap();
    assert_eq!(
        exam.performed_at.unwrap().to_string(),
        "2024-05-09T22:45:00"
    );
    assert_eq!(exam.operator.as_deref(), Some("Tree^Operator"));
    // Not mixed with the header's model, which is the workstation's.
    assert_eq!(
        (exam.device.serial.as_deref(), exam.device.model),
        (Some("SN 7"), None)
    );

    let others = read(&document(Some(report(vec![
        group,
        vec![site(LEFT), mm("5.5", vec![])],
    ]))));
    assert_eq!(others.exam.unwrap().operator, None);
    assert!(codes(&others.remarks).contains(&"operators-differ"));
    assert!(codes(&others.remarks).contains(&"devices-differ"));
    assert_eq!(others.disposition, Disposition::AcceptedWithRemarks);
}

#[test]
fn values_of_an_earlier_exam_are_set_aside() {
    let group = vec![
        site(RIGHT),
        mm("5.6", vec![]),
        mm("4.9", vec![]).observed("20230110100000"),
    ];
    let reading = read(&document(Some(report(vec![group]))));
    assert_eq!(
        codes(&reading.measurements[1].remarks),
        ["observed-before-exam"]
    );
    assert!(reading.measurements[0].usable);
    assert_eq!(reading.exam.unwrap().performed_at, Some(moment(10)));
}

#[test]
fn what_is_missing_quarantines() {
    let full = document(Some(two_eyes()));
    let without = |change: fn(&mut Header)| {
        let mut document = full.clone();
        change(&mut document.header);
        let reading = read(&document);
        assert_eq!(reading.disposition, Disposition::Quarantined);
        assert_eq!(reading.measurements.len(), 2, "kept visible");
        reading.remarks.last().unwrap().code.to_string()
    };
    assert_eq!(
        without(|h| h.sop_instance_uid = None),
        "sop-instance-uid-missing"
    );
    assert_eq!(
        without(|h| h.study_instance_uid = None),
        "study-instance-uid-missing"
    );
    assert_eq!(without(|h| h.patient_id = None), "patient-id-missing");
    assert_eq!(
        without(|h| (h.study_at, h.content_at) = (None, None)),
        "exam-date-missing"
    );
    let mut late = full.clone();
    late.header.study_at = None;
    assert_eq!(read(&late).exam.unwrap().performed_at, Some(moment(12)));
}

#[test]
fn nothing_for_us() {
    let mut image = document(None);
    image.header.sop_class_uid = Some("1.2.840.10008.5.1.4.1.1.6.1".to_owned());
    image.header.patient_id = None;
    assert_eq!(read(&image).disposition, Disposition::NoSheathMeasurement);

    let mut echo = document(Some(two_eyes()));
    echo.header.sop_class_uid = Some("1.2.840.10008.5.1.4.1.1.88.67".to_owned());
    let reading = read(&echo);
    assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
    assert_eq!(codes(&reading.remarks), ["class-not-read"]);

    let heart = report(vec![vec![number("8867-4 LN", "80", "/min UCUM", vec![])]]);
    let reading = read(&document(Some(heart)));
    assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
    assert_eq!(reading.remarks, []);
}

#[test]
fn doubt_as_the_only_content_quarantines() {
    let bare = modifier(SITE, NERVE, vec![modifier(LATERALITY, RIGHT, vec![])]);
    let doubtful = vec![bare, mm("3.1", vec![])];
    let reading = read(&document(Some(report(vec![doubtful.clone()]))));
    assert_eq!(reading.disposition, Disposition::Quarantined);
    assert_eq!(
        codes(&reading.remarks),
        ["sheath-or-nerve-unclear", "left-unread"]
    );
    let beside = vec![site(LEFT), mm("5.5", vec![])];
    let reading = read(&document(Some(report(vec![doubtful, beside]))));
    assert_eq!(reading.disposition, Disposition::AcceptedWithRemarks);
}

#[test]
fn mean_beside_its_readings_is_shown_and_not_used() {
    let mean = mm(
        "5.5",
        vec![
            modifier(DERIVATION, MEAN, vec![]),
            mm("5.4", vec![]).by(Relationship::InferredFrom).uid("1.5"),
            mm("5.6", vec![]).by(Relationship::InferredFrom).uid("1.6"),
        ],
    );
    let again = mm("5.4", vec![]).uid("1.5");
    let reading = read(&document(Some(report(vec![vec![
        site(RIGHT),
        mean,
        again,
    ]]))));
    let usable: Vec<bool> = reading.measurements.iter().map(|one| one.usable).collect();
    assert_eq!(usable, [false, true, true, false]);
    assert!(
        reading
            .measurements
            .iter()
            .all(|one| one.eye == Laterality::Right)
    );
}

#[test]
fn provisional_reports_say_so() {
    let mut early = document(Some(two_eyes()));
    early.header.completion = Some("PARTIAL".to_owned());
    early.header.preliminary = Some("PRELIMINARY".to_owned());
    let reading = read(&early);
    assert_eq!(reading.disposition, Disposition::AcceptedWithRemarks);
    assert!(codes(&reading.remarks).contains(&"document-partial"));
    assert!(codes(&reading.remarks).contains(&"document-preliminary"));
}

/// Every flag under every policy; an absent or final flag never matters.
#[test]
fn the_policy_for_documents_is_obeyed() {
    let policies = [Policy::Use, Policy::UseWithCaution, Policy::Hold];
    for flag in 0..3 {
        for policy in policies {
            for said in [None, Some(0), Some(1)] {
                let mut document = document(Some(two_eyes()));
                let mut rules = Rules::new(Templates::builtin().unwrap());
                rules.documents = Documents {
                    partial: Policy::Hold,
                    preliminary: Policy::Hold,
                    unverified: Policy::Hold,
                };
                let header = &mut document.header;
                let (place, words, rule, code) = match flag {
                    0 => (
                        &mut header.completion,
                        ["COMPLETE", "PARTIAL"],
                        &mut rules.documents.partial,
                        "document-partial",
                    ),
                    1 => (
                        &mut header.preliminary,
                        ["FINAL", "PRELIMINARY"],
                        &mut rules.documents.preliminary,
                        "document-preliminary",
                    ),
                    _ => (
                        &mut header.verification,
                        ["VERIFIED", "UNVERIFIED"],
                        &mut rules.documents.unverified,
                        "document-unverified",
                    ),
                };
                *place = said.map(|at: usize| words[at].to_owned());
                *rule = policy;
                let reading = read_document(&document, "SITE", &rules);
                let early = said == Some(1);
                let held = early && policy == Policy::Hold;
                assert!(reading.measurements.iter().all(|one| one.usable != held));
                let told = codes(&reading.remarks).contains(&code);
                assert_eq!(told, early && policy != Policy::Use, "{code} {policy:?}");
            }
        }
    }
    let rules = Documents::default();
    assert_eq!(rules.unverified, Policy::Use);
}

/// Published differences and a ratio in whole micrometres: a change of 0.4 mm (JAMA Netw Open
/// 2025;8(5):e2511009) is exactly 0.4 mm, 5.375 is 7.5 % above 5.00, and 3.1 is 0.62 of 5.0 (nerve to
/// sheath 0.63: BMC Neurol 2015, doi:10.1186/s12883-015-0361-x).
#[test]
fn values_keep_their_decimals() {
    let um = |text: &str| {
        let tree = report(vec![vec![site(RIGHT), mm(text, vec![])]]);
        read(&document(Some(tree))).measurements[0]
            .value_mm
            .unwrap()
            .um()
    };
    assert_eq!(um("5.00") - um("4.60"), 400);
    assert_eq!(um("5.3") - um("4.9"), 400);
    assert_eq!(um("4.99") - um("4.60"), 390);
    assert_eq!((um("5.375") - um("5.00")) * 1000, 75 * um("5.00"));
    assert_eq!(um("3.1") * 100, 62 * um("5.0"));
}

fn blocked(reading: &ObjectReading) -> Vec<Vec<&str>> {
    let blocking = |one: &Measurement| -> Vec<Remark> {
        let remarks = one.remarks.iter();
        let blocking = remarks.filter(|one| one.severity == Severity::Blocking);
        blocking.cloned().collect()
    };
    let of = |one: &Measurement| -> Vec<String> {
        blocking(one)
            .iter()
            .map(|one| one.code.to_string())
            .collect()
    };
    let known = [
        "earlier-finding",
        "several-time-points",
        "observed-before-exam",
    ];
    let values = reading.measurements.iter().map(of);
    let name = |code: &String| known.into_iter().find(|name| name == code).unwrap();
    values
        .map(|codes| codes.iter().map(name).collect())
        .collect()
}

/// TID 1502: the document's own time is that of the values without a time point.
#[test]
fn a_named_time_point_beside_values_without_one_is_another() {
    let point = |name: &str| text("C2348792 UMLS", Value::Text(name.to_owned()));
    let group = |points: &[&str], value: &str| -> Vec<Node> {
        let mut group: Vec<Node> = points.iter().map(|name| point(name)).collect();
        group.extend([site(RIGHT), mm(value, vec![])]);
        group
    };
    let read = |groups: Vec<Vec<Node>>| read(&document(Some(report(groups))));
    let one = read(vec![group(&[], "5.6"), group(&["visit 2"], "5.0")]);
    assert_eq!(blocked(&one), [&[][..], &["several-time-points"]]);
    // All of one time point, or of two of which one calls itself the earlier.
    let one = read(vec![group(&["visit 2"], "5.6"), group(&["visit 2"], "5.0")]);
    assert_eq!(blocked(&one), [[""; 0], [""; 0]]);
    let one = read(vec![group(&["current"], "5.6"), group(&["prior"], "5.0")]);
    assert_eq!(blocked(&one), [&[][..], &["earlier-finding"]]);
}

/// Before and after a puncture in one report: with times of their own they are told apart, and not
/// where the times cannot tell.
#[test]
fn time_points_with_times_one_after_the_other_are_told_apart() {
    let group = |name: &str, times: [&str; 2]| -> Vec<Node> {
        let point = text("C2348792 UMLS", Value::Text(name.to_owned()));
        let values = times.map(|at| mm("5.6", vec![]).observed(at));
        [point, site(RIGHT)].into_iter().chain(values).collect()
    };
    let read = |first: [&str; 2], second: [&str; 2]| {
        read(&document(Some(report(vec![
            group("one", first),
            group("two", second),
        ]))))
    };
    let (nine, ten) = (
        ["20240510090000", "20240510090100"],
        ["20240510091000", "20240510091100"],
    );
    let one = read(nine, ten);
    assert!(one.measurements.iter().all(|value| value.usable));
    let points: Vec<_> = one
        .measurements
        .iter()
        .map(|value| value.time_point.as_deref())
        .collect();
    assert_eq!(points, ["one", "one", "two", "two"].map(Some));
    for second in [
        ["20240510090030", "20240510091100"],
        ["20240510", "20240510"],
    ] {
        let one = read(nine, second);
        assert!(one.measurements.iter().all(|value| !value.usable));
    }
}

/// PS3.5 6.2: a date alone is no time, and none is made up.
#[test]
fn what_gives_a_day_gives_no_time() {
    let group = vec![
        site(RIGHT),
        mm("5.6", vec![]).observed("20240510"),
        mm("5.5", vec![]).observed("2024051009"),
        mm("5.4", vec![]),
    ];
    let mut full = document(Some(report(vec![group])));
    let reading = read(&full);
    let days: Vec<bool> = reading
        .measurements
        .iter()
        .map(|one| one.observed_day_only)
        .collect();
    assert_eq!(days, [true, false, false]);
    let exam = reading.exam.unwrap();
    assert_eq!(
        (exam.content_at, exam.study_at),
        (Some(moment(12)), Some(moment(10)))
    );
    full.header.day_only = crate::sr::DayOnly {
        study: true,
        content: true,
    };
    let exam = read(&full).exam.unwrap();
    assert_eq!((exam.content_at, exam.study_at), (None, None));
}

#[test]
fn what_a_document_says_of_its_state_is_kept() {
    let mut one = document(Some(two_eyes()));
    assert!(read(&one).state.is_silent());
    one.header.preliminary = Some("FINAL".to_owned());
    one.header.completion = Some("PARTIAL".to_owned());
    one.header.verification = Some("PERHAPS".to_owned());
    let state = read(&one).state;
    assert_eq!(
        (state.preliminary, state.partial, state.unverified),
        (Some(false), Some(true), None)
    );
}

/// TID 1005: the study that a value belongs to, by its UID or by its date.
#[test]
fn values_of_another_study_are_kept_apart() {
    let study = |uid: &str| text("121018 DCM", Value::Uid(uid.to_owned()));
    let date = |day: &str| text("111060 DCM", Value::Time(day.to_owned()));
    for (context, said) in [
        (study("1.2"), None),
        (study("1.9.8"), Some("earlier-finding")),
        (date("20240510"), None),
        (date("20240511"), None),
        (date("20210301"), Some("earlier-finding")),
        (date("unknown"), None),
    ] {
        let groups = vec![
            vec![site(RIGHT), mm("5.6", vec![])],
            vec![context, site(RIGHT), mm("5.0", vec![])],
        ];
        let reading = read(&document(Some(report(groups))));
        let said: Vec<&str> = said.into_iter().collect();
        assert_eq!(blocked(&reading), [vec![], said]);
    }
}

/// Earlier values say nothing of how today's were made, nor of today's day.
#[test]
fn earlier_readings_leave_todays_mean_and_day_alone() {
    let earlier = |node: Node| {
        let mut node = node;
        node.item.concept.as_mut().unwrap().meaning = "Prior".to_owned();
        node
    };
    let reading = |value: &str, at: &str| mm(value, vec![]).observed(at);
    let mean = mm("5.6", vec![modifier(DERIVATION, MEAN, vec![])]).observed("20240510100000");
    let group = vec![
        site(RIGHT),
        earlier(reading("5.0", "20240502100000")),
        earlier(reading("5.1", "20230101100000")),
        mean,
    ];
    let reading = read(&document(Some(report(vec![group]))));
    let mean = &reading.measurements[2];
    assert!(mean.usable, "{:?}", mean.remarks);
    assert_eq!(codes(&mean.remarks), ["derived-without-readings"]);
    assert_eq!(
        reading.exam.unwrap().performed_at.unwrap().date(),
        moment(10).date()
    );
}

#[test]
fn dates_of_study_and_report_more_than_a_year_apart_are_told() {
    for (content, told) in [(9, false), (15, true)] {
        let mut document = document(Some(two_eyes()));
        let study = NaiveDate::from_ymd_opt(2024, 5, 10).unwrap();
        let content = study + chrono::Months::new(content);
        document.header.content_at.as_mut().unwrap().local = content.and_hms_opt(9, 0, 0).unwrap();
        let reading = read(&document);
        assert_eq!(codes(&reading.remarks).contains(&"dates-far-apart"), told);
    }
}
