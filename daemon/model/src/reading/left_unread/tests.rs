//! What is left unread at the eye, and what is not.

use crate::domain::{Disposition, ObjectReading, RemarkCode, Severity};
use crate::extract::build::*;
use crate::reading::{Rules, read_document};
use crate::sr::tree::Relationship;
use crate::sr::{Document, Header, Tree};
use crate::template::Templates;

const EYE: &str = "81745001 SCT";
const KIDNEY: &str = "64033007 SCT";
const METHOD: &str = "370129005 SCT";
/// Lens thickness, LOINC 14737-5; from memory.
const LENS: &str = "14737-5 LN";

const DICTIONARY: &str = r#"
[[term]]
code = "ONSD-R"
scheme = "99TARNHOLT"
says = { quantity = "sheath_diameter", eye = "right" }
[[term]]
code = "ONSD-L"
scheme = "99TARNHOLT"
says = { quantity = "sheath_diameter", eye = "left" }
[[term]]
code = "LENS"
scheme = "99TARNHOLT"
says = { quantity = "not_ours" }
"#;

/// A report of the invented site, read with its dictionary.
pub(in crate::reading) fn read(tree: Tree) -> ObjectReading {
    read_with(tree, "")
}

fn read_with(tree: Tree, more: &str) -> ObjectReading {
    let dictionary = ("site.toml".to_owned(), format!("{DICTIONARY}{more}"));
    let rules = Rules::new(Templates::load(&[], &[dictionary]).unwrap());
    let document = Document {
        header: Header {
            sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".to_owned()),
            sop_instance_uid: Some("1.2.3".to_owned()),
            study_instance_uid: Some("1.2".to_owned()),
            patient_id: Some("0042".to_owned()),
            study_at: crate::sr::moment_from_dt("20240510", None),
            ..Header::default()
        },
        tree: Some(tree),
        image: None,
        presentation: None,
        content_sha256: "ab".to_owned(),
        remarks: Vec::new(),
    };
    read_document(&document, "TARNHOLT", &rules)
}

/// How grave the remark is, if it is there.
fn told(reading: &ObjectReading) -> Option<Severity> {
    let mut remarks = reading.remarks.iter();
    let found = remarks.find(|one| one.code == RemarkCode::LeftUnread);
    found.map(|one| one.severity)
}

fn of(code: &str, value: &str) -> Node {
    number(code, value, "mm UCUM", vec![])
}

fn both() -> Vec<Node> {
    vec![
        of("ONSD-R 99TARNHOLT", "5.2"),
        of("ONSD-L 99TARNHOLT", "5.3"),
    ]
}

/// A report of both eyes and of a further group.
fn beside(group: Vec<Node>) -> Option<Severity> {
    let reading = read(report(vec![both(), group]));
    assert!(reading.holds_sheath_values());
    told(&reading)
}

/// A report of one group of an eye, without sheath values.
fn alone(group: Vec<Node>) -> Option<Severity> {
    told(&read(report(vec![group])))
}

fn at(site: &str, mut numbers: Vec<Node>) -> Vec<Node> {
    numbers.insert(0, modifier(SITE, site, vec![]));
    numbers
}

const TOLD: Option<Severity> = Some(Severity::Caution);

#[test]
fn what_nobody_explains_is_told() {
    let renamed = || of("ONSD2-L 99TARNHOLT", "6.1");
    assert_eq!(beside(vec![renamed()]), TOLD);
    let deeper = container(GROUP, vec![renamed()]);
    assert_eq!(beside(vec![deeper]), TOLD, "wherever it stands");
    assert_eq!(beside(at(EYE, vec![renamed()])), TOLD);
    assert_eq!(
        alone(at(EYE, vec![renamed()])),
        TOLD,
        "all renamed, the site known"
    );
    // A general word, and the part in a code that nobody explains.
    let part = modifier(PART, "SH 99TARNHOLT", vec![]);
    let private = vec![mm("6.1", vec![part])];
    assert_eq!(beside(at(EYE, private)), TOLD);
    assert_eq!(beside(at("ON-L 99TARNHOLT", vec![mm("6.1", vec![])])), TOLD);
    // In a unit that nobody explains it may be as wide as a sheath.
    let unit = |code| number(code, "61", "MM 99TARNHOLT", vec![]);
    assert_eq!(beside(at(EYE, vec![unit("ONSD2-L 99TARNHOLT")])), TOLD);
    // Nothing says that it is of the eye.
    assert_eq!(alone(vec![renamed()]), Some(Severity::Info));
    let first = read(report(vec![both(), vec![renamed()]]));
    let remark = first
        .remarks
        .iter()
        .find(|one| one.code == RemarkCode::LeftUnread);
    assert_eq!(remark.unwrap().place.as_deref(), Some("1.1.2.1"));
    assert_eq!(first.disposition, Disposition::AcceptedWithRemarks);
}

#[test]
fn what_our_rules_cannot_decide_is_told() {
    let nerve = || at(NERVE, vec![mm("6.1", vec![])]);
    assert_eq!(beside(nerve()), TOLD);
    assert_eq!(alone(nerve()), TOLD);
    assert_eq!(
        beside(at(NERVE, vec![mm("23.1", vec![])])),
        None,
        "too wide"
    );
    let strange = of("ONSD-R 99TARNHOLT", "5.4").by(Relationship::SelectedFrom);
    let reading = read(report(vec![both(), vec![strange]]));
    assert_eq!(told(&reading), TOLD);
}

#[test]
fn sheath_values_that_their_codes_keep_from_use_are_told() {
    let with = |below: Node| {
        let mut left = both();
        left.push(number("ONSD-L 99TARNHOLT", "5.4", "mm UCUM", vec![below]));
        told(&read(report(vec![left])))
    };
    assert_eq!(with(modifier(LATERALITY, "S7 99TARNHOLT", vec![])), TOLD);
    assert_eq!(
        with(modifier(LATERALITY, RIGHT, vec![])),
        TOLD,
        "contradictory"
    );
    assert_eq!(with(modifier(DERIVATION, "D7 99TARNHOLT", vec![])), TOLD);
    let unit = number("ONSD-L 99TARNHOLT", "5.4", "MM UCUM", vec![]);
    assert_eq!(beside(vec![unit]), TOLD);
    // What is wrong with the value itself is told with the value.
    assert_eq!(beside(vec![of("ONSD-L 99TARNHOLT", "54")]), None);
    let earlier = number("ONSD-L 99TARNHOLT", "5.4", "MM UCUM", vec![]);
    assert_eq!(beside(vec![container("121069 DCM", vec![earlier])]), None);
}

#[test]
fn what_is_explained_or_of_a_standard_scheme_is_not_told() {
    for group in [
        both(),
        vec![of("LENS 99TARNHOLT", "4.1")],
        at(EYE, vec![of("LENS 99TARNHOLT", "4.1")]),
        at(EYE, vec![of(LENS, "4.1")]),
        // The lens as a standard site or part, with a general word.
        at("78076003 SCT", vec![mm("4.1", vec![])]),
        at(
            EYE,
            vec![mm("4.1", vec![modifier(PART, "78076003 SCT", vec![])])],
        ),
        at(EYE, vec![mm("4.1", vec![])]),
        at(EYE, vec![mm("23.4", vec![]), mm("24.1", vec![])]),
        // Axial length, depth of the chamber: wider and narrower than any sheath.
        at(
            EYE,
            vec![of("AL 99TARNHOLT", "23.6"), of("CCT 99TARNHOLT", "0.54")],
        ),
        at(EYE, vec![number("K 99TARNHOLT", "6.1", "mm2 UCUM", vec![])]),
        at(
            EYE,
            vec![number("IOP 99TARNHOLT", "6", "mm[Hg] UCUM", vec![])],
        ),
        at(KIDNEY, vec![of("CYST 99TARNHOLT", "6.1")]),
        vec![container(
            "121069 DCM",
            vec![of("ONSD2-L 99TARNHOLT", "6.1")],
        )],
    ] {
        assert_eq!(beside(group.clone()), None, "{group:#?}");
        assert_eq!(alone(group.clone()), None, "{group:#?}");
    }
    // A code of how it was measured leaves a number of a standard name what it is.
    let method = modifier(METHOD, "M7 99TARNHOLT", vec![]);
    let lens = number(LENS, "4.1", "mm UCUM", vec![method]);
    assert_eq!(beside(at(EYE, vec![lens])), None);
}

/// Labels beside general names: one that the list lacks may be the other eye's, or anything.
#[test]
fn a_label_that_no_list_has_is_told_where_it_may_be_a_sheath() {
    let text = |text: &str| {
        let value = crate::sr::tree::Value::Text(text.to_owned());
        crate::extract::build::text("LABEL 99TARNHOLT", value)
    };
    let labelled = |label: &str, value: &str| {
        let label = text(label).by(Relationship::HasProperties);
        number("121206 DCM", value, "mm UCUM", vec![label])
    };
    let renamed = || vec![labelled("ONSD RE v2", "6.1")];
    assert_eq!(beside(renamed()), TOLD);
    assert_eq!(alone(renamed()), Some(Severity::Info));
    let lists = r#"
[[label]]
text = ["ONSD RE"]
says = { quantity = "sheath_diameter", eye = "right" }
[[label]]
text = ["ONSD LE"]
says = { quantity = "sheath_diameter", eye = "left" }
[[label]]
text = ["Lens"]
says = { quantity = "not_ours" }
"#;
    let with = |group: Vec<Node>| told(&read_with(report(vec![group]), lists));
    let eyes = || vec![labelled("ONSD RE", "5.2"), labelled("ONSD LE", "5.3")];
    assert_eq!(with(eyes()), None);
    assert_eq!(with([eyes(), renamed()].concat()), TOLD);
    assert_eq!(with([eyes(), vec![labelled("Lens", "4.1")]].concat()), None);
    assert_eq!(
        with([eyes(), vec![labelled("Axis", "23.1")]].concat()),
        None
    );
    // Labels that stand as Tracking Identifiers count where labels tell what numbers are.
    let tracked = |label: &str, value: &str| {
        let id = crate::sr::tree::Value::Text(label.to_owned());
        let id = crate::extract::build::text("112039 DCM", id);
        vec![id, number("121206 DCM", value, "mm UCUM", vec![])]
    };
    let groups = |groups: Vec<Vec<Node>>| told(&read_with(report(groups), lists));
    let eyes = || vec![tracked("ONSD RE", "5.2"), tracked("ONSD LE", "5.3")];
    assert_eq!(groups(eyes()), None);
    assert_eq!(
        groups([eyes(), vec![tracked("ONSD LE v2", "6.1")]].concat()),
        TOLD
    );
    assert_eq!(
        beside(tracked("caliper 7", "6.1")),
        None,
        "no label tells anything here"
    );
}

/// A mean of both eyes has no side, and its readings are there.
#[test]
fn a_mean_beside_its_readings_is_not_left() {
    let mean = |code: &str, below: Node| {
        let mean = modifier(DERIVATION, MEAN, vec![]);
        vec![number(code, "5.25", "mm UCUM", vec![mean, below])]
    };
    let side = |code: &str| modifier(LATERALITY, code, vec![]);
    let both_eyes = || mean("ONSD-L 99TARNHOLT", side(RIGHT));
    assert_eq!(beside(both_eyes()), None);
    assert_eq!(told(&read(report(vec![both_eyes()]))), TOLD, "alone");
}

/// What may be the other eye's is told as that, and once.
#[test]
fn the_other_eye_is_told_once() {
    let right = vec![of("ONSD-R 99TARNHOLT", "5.2")];
    let reading = read(report(vec![right, vec![of("ONSD2-L 99TARNHOLT", "6.1")]]));
    let codes: Vec<&str> = reading.remarks.iter().map(|one| &*one.code).collect();
    assert!(codes.contains(&"values-unread"));
    assert!(!codes.contains(&"left-unread"));
}
