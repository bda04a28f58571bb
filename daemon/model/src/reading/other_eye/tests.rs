//! Values left unread beside the one eye that was read.

use crate::domain::{ObjectReading, RemarkCode, Severity};
use crate::extract::build::*;
use crate::reading::left_unread::tests::read;

const KNOWN: &str = "ONSD-R 99TARNHOLT";
const RENAMED: &str = "ONSD2-L 99TARNHOLT";

fn is_told(reading: &ObjectReading) -> bool {
    let mut remarks = reading.remarks.iter();
    remarks.any(|one| one.code == RemarkCode::ValuesUnread && one.severity == Severity::Caution)
}

fn right() -> Node {
    number(KNOWN, "5.2", "mm UCUM", vec![])
}

/// A report of groups of the right eye and of one other number.
fn beside(groups: Vec<Vec<Node>>) -> bool {
    is_told(&read(report(groups)))
}

#[test]
fn a_renamed_code_of_the_other_eye_is_told() {
    let renamed = || number(RENAMED, "6.1", "mm UCUM", vec![]);
    assert!(beside(vec![vec![right(), renamed()]]), "the same group");
    assert!(beside(vec![vec![right()], vec![renamed()]]), "a group each");
    let left = modifier(LATERALITY, LEFT, vec![]);
    assert!(
        beside(vec![vec![right()], vec![left, renamed()]]),
        "its side known"
    );
    // A site that is not known, and a width that may be the sheath.
    let unknown = modifier(SITE, "ON-L 99TARNHOLT", vec![]);
    assert!(beside(vec![
        vec![right()],
        vec![unknown, mm("6.1", vec![])]
    ]));
    let nerve = vec![modifier(SITE, NERVE, vec![]), mm("6.1", vec![])];
    assert!(beside(vec![vec![right()], nerve]));
    let reading = read(report(vec![vec![right()], vec![renamed()]]));
    let remark = reading
        .remarks
        .iter()
        .find(|one| one.code == RemarkCode::ValuesUnread);
    let remark = remark.unwrap();
    assert_eq!(remark.place.as_deref(), Some("1.1.2.1"));
    assert!(
        remark.text.contains("only the right eye"),
        "{}",
        remark.text
    );
    assert!(remark.action.is_some());
}

#[test]
fn what_cannot_be_the_other_eye_is_not_told() {
    let other = |concept: &str, value: &str, unit: &str| {
        beside(vec![
            vec![right()],
            vec![number(concept, value, unit, vec![])],
        ])
    };
    assert!(!beside(vec![vec![right()]]), "nothing beside");
    assert!(!other(RENAMED, "23.4", "mm UCUM"), "as wide as an eyeball");
    assert!(!other(RENAMED, "6.1", "cm UCUM"), "another unit");
    assert!(!other(RENAMED, "6.1", "mm2 UCUM"), "an area");
    assert!(
        !other("LENS 99TARNHOLT", "4.1", "mm UCUM"),
        "known as something else"
    );
    assert!(!other("8867-4 LN", "6", "/min UCUM"), "a heart rate");
    let same_eye = modifier(LATERALITY, RIGHT, vec![]);
    let number = number(RENAMED, "6.1", "mm UCUM", vec![]);
    assert!(
        !beside(vec![vec![right()], vec![same_eye, number.clone()]]),
        "of the eye that was read"
    );
    let left = crate::extract::build::number("ONSD-L 99TARNHOLT", "5.3", "mm UCUM", vec![]);
    assert!(
        !beside(vec![vec![right(), left], vec![number.clone()]]),
        "both eyes are read"
    );
    let deep = container(GROUP, vec![container(GROUP, vec![number])]);
    assert!(
        !beside(vec![vec![right()], vec![deep]]),
        "at another depth of the tree"
    );
}

/// A side that contradicts itself, a value that cannot be used: the other eye is left as well.
#[test]
fn a_value_of_the_other_eye_that_is_not_used_is_told() {
    let left = |value: &str| number("ONSD-L 99TARNHOLT", value, "mm UCUM", vec![]);
    let right_too = modifier(LATERALITY, RIGHT, vec![]);
    assert!(beside(vec![vec![right()], vec![right_too, left("5.3")]]));
    assert!(beside(vec![vec![right()], vec![left("53")]]));
    assert!(!beside(vec![vec![right()], vec![left("53"), left("5.3")]]));
    // One that is of an earlier exam is none of this one's.
    let earlier = container("121069 DCM", vec![left("5.3")]);
    assert!(!beside(vec![vec![right()], vec![earlier]]));
}
