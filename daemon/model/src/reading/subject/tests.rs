use super::*;
use crate::domain::{ObjectReading, Severity};
use crate::extract::build::*;
use crate::reading::{Rules, read_document};
use crate::sr::tree::Relationship;
use crate::sr::{Document, Identity, Tree, Value};
use crate::template::Templates;
use chrono::NaiveDate;

fn id(text: &str) -> Node {
    crate::extract::build::text("121030 DCM", Value::Text(text.to_owned()))
}

fn name(text: &str) -> Node {
    crate::extract::build::text("121029 DCM", Value::PersonName(text.to_owned()))
}

fn issued(text: &str, issuer: &str) -> Node {
    let mut id = id(text);
    let issuer = crate::extract::build::text("110190 DCM", Value::Text(issuer.to_owned()));
    id.children.push(issuer.by(Relationship::HasProperties));
    id
}

fn header() -> Header {
    Header {
        sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".to_owned()),
        sop_instance_uid: Some("1.2.3".to_owned()),
        study_instance_uid: Some("1.2".to_owned()),
        patient_id: Some("0042".to_owned()),
        birth_date: NaiveDate::from_ymd_opt(2015, 3, 2),
        identity: Identity {
            id_text: Some("0042".to_owned()),
            name: Some("Plover^Mara^^Dr".to_owned()),
            other_ids: vec!["OLD-7".to_owned()],
            issuer_universal: None,
        },
        study_at: Some(crate::domain::Moment {
            local: NaiveDate::from_ymd_opt(2024, 5, 10)
                .unwrap()
                .and_hms_opt(10, 0, 0)
                .unwrap(),
            offset_s: None,
        }),
        ..Header::default()
    }
}

fn read_with(header: Header, tree: Tree) -> ObjectReading {
    let rules = Rules::new(Templates::builtin().unwrap());
    let document = Document {
        header,
        tree: Some(tree),
        image: None,
        presentation: None,
        content_sha256: "ab".to_owned(),
        remarks: Vec::new(),
    };
    read_document(&document, "TARNHOLT", &rules)
}

/// Two groups; the context stands at the root.
fn at_root(mut context: Vec<Node>) -> ObjectReading {
    let group = |side: &str| container(GROUP, vec![site(side), mm("5.6", vec![])]);
    let groups = vec![group(RIGHT), group(LEFT)];
    context.push(container("126010 DCM", groups));
    read_with(header(), container(REPORT, context).plant())
}

/// How many of the values are used, the code of the first blocking remark, that of the first
/// caution of the document.
fn outcome(reading: &ObjectReading) -> (usize, Option<&str>, Option<&str>) {
    let of_values = reading.measurements.iter().flat_map(|one| &one.remarks);
    let mut blocking = of_values.filter(|remark| remark.severity == Severity::Blocking);
    let mut cautions = reading.remarks.iter();
    (
        reading.measurements.iter().filter(|one| one.usable).count(),
        blocking.next().map(|remark| remark.code.as_ref()),
        cautions
            .find(|remark| remark.severity == Severity::Caution)
            .map(|remark| remark.code.as_ref()),
    )
}

const OTHER: (usize, Option<&str>, Option<&str>) = (0, Some("other-subject"), None);
const FINE: (usize, Option<&str>, Option<&str>) = (2, None, None);
const DOUBT: (usize, Option<&str>, Option<&str>) = (2, None, Some("subject-differs"));

#[test]
fn somebody_elses_id_or_name_blocks() {
    for context in [
        vec![id("0043")],
        vec![id("42")],
        vec![id("0043"), name("Plover^Mara")],
        vec![name("Heron^Mara")],
        vec![name("Plover^Bert")],
        vec![id("0043^^^TARNHOLT^MR")],
        vec![id("0043").by(Relationship::Contains)],
    ] {
        let shown = format!("{context:?}");
        let reading = at_root(context);
        let said = outcome(&reading);
        assert_eq!(said.1, OTHER.1, "{shown}");
        assert_eq!(said.0, 0, "{shown}");
        for one in reading.measurements.iter().flat_map(|one| &one.remarks) {
            let secret = ["0043", "Heron", "Bert", "Plover", "0042"];
            assert!(!secret.iter().any(|secret| one.text.contains(secret)));
        }
    }
}

#[test]
fn the_patient_written_otherwise_does_not() {
    for context in [
        vec![],
        vec![id("0042")],
        vec![id(" 0042 ")],
        vec![id("0042\0")],
        vec![id("OLD-7")],
        vec![id("0042"), id("7001")],
        vec![id("0042^^^Tarnholt&1.2.3&ISO^MR")],
        vec![issued("0042", "TARNHOLT")],
        vec![name("PLOVER^MARA")],
        vec![name("Plover^Mara^^^")],
        vec![name("Plover ^ Mara")],
        vec![name("Plover^M.")],
        vec![name("Plover^Mara Ann")],
        vec![name("Mara Plover")],
        vec![name("Plover, Mara")],
        vec![name("=千鳥^真良")],
        vec![name("Plover^Mara=千鳥^真良")],
        vec![name("^^^^")],
        vec![name("")],
        vec![id("")],
        vec![name("Pl\\303\\266ver^X")],
    ] {
        let shown = format!("{context:?}");
        assert_eq!(outcome(&at_root(context)), FINE, "{shown}");
    }
}

#[test]
fn what_does_not_fit_beside_the_right_id_is_a_caution() {
    let born = |day: &str| text("121031 DCM", Value::Time(day.to_owned()));
    let sex = |code: &str| modifier("121032 DCM", code, vec![]).by(Relationship::HasObsContext);
    assert_eq!(
        outcome(&at_root(vec![id("0042"), name("Heron^Mara")])),
        DOUBT
    );
    assert_eq!(outcome(&at_root(vec![issued("0042", "ELSEWHERE")])), DOUBT);
    assert_eq!(outcome(&at_root(vec![born("20140302")])), DOUBT);
    assert_eq!(
        outcome(&at_root(vec![born("20150302"), sex("M DCM")])),
        FINE
    );
    // The object itself names an issuer: the same id of another one is another person.
    let tree = |issuer: &str| {
        let groups = vec![container(GROUP, vec![site(RIGHT), mm("5.6", vec![])])];
        container(
            REPORT,
            vec![issued("0042", issuer), container("126010 DCM", groups)],
        )
        .plant()
    };
    let named = || Header {
        patient_issuer: Some("TARNHOLT".to_owned()),
        ..header()
    };
    assert_eq!(outcome(&read_with(named(), tree("ELSEWHERE"))), OTHER);
    assert_eq!(outcome(&read_with(named(), tree("Tarnholt"))).0, 1);
}

/// The nearest statement holds: one group of another, the rest of the patient.
#[test]
fn a_group_of_its_own() {
    let group = |side: &str, context: Vec<Node>| {
        let mut children = vec![site(side), mm("5.6", vec![])];
        children.extend(context);
        children
    };
    let reading = read_with(
        header(),
        report(vec![
            group(RIGHT, vec![id("0042")]),
            group(LEFT, vec![id("0043")]),
        ]),
    );
    let used: Vec<bool> = reading.measurements.iter().map(|one| one.usable).collect();
    assert_eq!(used, [true, false]);
    // A name at the group replaces the id of the root: whose it is nobody can tell.
    let groups = vec![container(GROUP, group(RIGHT, vec![name("Heron^Ida")]))];
    let tree = container(REPORT, vec![id("0042"), container("126010 DCM", groups)]).plant();
    assert_eq!(outcome(&read_with(header(), tree)), OTHER);
    // Somebody else in a part without values.
    let other = container("121118 DCM", vec![id("0043")]);
    let groups = vec![container(GROUP, group(RIGHT, vec![]))];
    let tree = container(REPORT, vec![other, container("126010 DCM", groups)]).plant();
    assert_eq!(outcome(&read_with(header(), tree)), (1, None, DOUBT.2));
}

#[test]
fn names_of_one_person() {
    for (one, other, same) in [
        ("Müller^Jörg", "MUELLER^JOERG", Some(true)),
        ("Müller^Jörg", "Muller^Jorg", Some(true)),
        ("Bauer^Ida", "Baur^Ida", Some(false)),
        ("O'Hara^Ida", "OHARA^IDA", Some(true)),
        ("Plover-Heron^Ida", "Plover^Ida", Some(true)),
        ("Plover^Ida", "Ida^Plover", Some(true)),
        ("Plover^Ida", "Plover^Ada", Some(false)),
        ("Plover^Ida", "Heron", Some(false)),
        ("Plover^Ida=千鳥^衣", "Plower^Ida=千鳥^衣", Some(true)),
        ("Plover^Ida", "=千鳥^衣", None),
        ("Plover^Ida", "", None),
        ("山田^太郎", "山田^太郎", Some(true)),
        ("山田^太郎", "鈴木^太郎", Some(false)),
        ("Lindqvist^Åsa", "LINDQVIST^ASA", Some(true)),
        ("Нова^Ида", "НОВА^ИДА", Some(true)),
    ] {
        assert_eq!(same_name(one, other), same, "{one} {other}");
        assert_eq!(same_name(other, one), same, "{other} {one}");
    }
}
