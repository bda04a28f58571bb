//! The list of codes that nobody explains.

use super::*;
use crate::domain::{CodeExample, CodeRole, ObjectReading, Unexplained};

/// A report of numbers at the sheath under these names.
fn named(names: &[(&str, &str)]) -> Tree {
    let mut group = vec![site(RIGHT)];
    group.extend(
        names
            .iter()
            .map(|(name, value)| number(name, value, "mm UCUM", vec![])),
    );
    report(vec![group])
}

#[test]
fn a_code_is_listed_once_with_its_first_places() {
    let found = read(&named(&[
        ("onsd 99TARNHOLT", "5.6"),
        ("onsd 99TARNHOLT", "5.7"),
        ("onsd 99TARNHOLT", "5.8"),
    ]));
    let example = |place: &str, value: &str| CodeExample {
        place: place.to_owned(),
        value: Some(value.to_owned()),
        within: Some(GROUP.to_owned()),
        sides: vec![Eye::Right],
        ..CodeExample::default()
    };
    let expected = Unexplained {
        code: "onsd".into(),
        scheme: "99TARNHOLT".into(),
        meaning: "Eyeball diameter, mean of 3".into(),
        role: CodeRole::Number,
        times: 3,
        called: vec![],
        sides: vec![Eye::Right],
        examples: vec![example("1.1.1.2", "5.6 mm"), example("1.1.1.3", "5.7 mm")],
    };
    assert_eq!(found.unexplained, [expected]);
    // Both remarks tell of it, and both are of this list.
    let told: Vec<&str> = found.remarks.iter().map(|one| one.code.word()).collect();
    assert!(
        told.contains(&"value-not-recognised") && told.contains(&"local-code-unknown"),
        "{told:?}"
    );
}

#[test]
fn what_is_said_of_a_number_is_listed_as_that() {
    let below = vec![modifier("106233006 SCT", "behind 99TARNHOLT", vec![])];
    let length = number("onsd 99TARNHOLT", "5.6", "mm UCUM", below);
    let found = read(&report(vec![vec![site(RIGHT), length]]));
    let of = |code: &str| {
        let mut all = found.unexplained.iter();
        all.find(|one| one.code == code).expect("listed").clone()
    };
    assert_eq!(of("onsd").role, CodeRole::Number);
    let said = of("behind");
    assert_eq!((said.role, said.times), (CodeRole::Part, 1));
    assert_eq!(said.examples[0].value, None);
    assert!(said.examples[0].given_as.is_some());
}

/// Another meaning of the same code in one report is what a person has to see.
#[test]
fn a_second_meaning_of_a_code_is_kept() {
    let mut other = number("onsd 99TARNHOLT", "5.7", "mm UCUM", vec![]);
    other.item.concept.as_mut().expect("a name").meaning = "Sheath OS".into();
    let first = number("onsd 99TARNHOLT", "5.6", "mm UCUM", vec![]);
    let found = read(&report(vec![vec![site(RIGHT), first, other]]));
    let meanings = found.unexplained[0]
        .examples
        .iter()
        .map(|at| at.meaning.as_deref());
    assert_eq!(meanings.collect::<Vec<_>>(), [None, Some("Sheath OS")]);
}

#[test]
fn a_number_without_a_name_is_listed_with_its_value() {
    let mut nameless = number("onsd 99TARNHOLT", "5.6", "mm UCUM", vec![]);
    nameless.item.concept = None;
    let found = read(&report(vec![vec![site(RIGHT), nameless]]));
    let [one] = found.unexplained.as_slice() else {
        panic!("{:?}", found.unexplained)
    };
    assert_eq!(
        (one.code.as_str(), one.scheme.as_str(), one.times),
        ("", "", 1)
    );
    assert_eq!(one.examples[0].value.as_deref(), Some("5.6 mm"));
}

/// However many codes a report makes up and however often each comes, a reading keeps few.
#[test]
fn the_list_is_bounded() {
    let names: Vec<String> = (0..300).map(|n| format!("c{n:03} 99TARNHOLT")).collect();
    let thrice = names.iter().chain(&names).chain(&names);
    let all: Vec<(&str, &str)> = thrice.map(|name| (name.as_str(), "5.6")).collect();
    let found = read(&named(&all));
    assert_eq!(found.unexplained.len(), 50);
    for one in &found.unexplained {
        assert_eq!((one.times, one.examples.len()), (3, Unexplained::EXAMPLES));
    }
}

#[test]
fn a_reading_from_before_the_list_is_read_without_it() {
    let mut reading =
        ObjectReading::quarantined(Remark::of(RemarkCode::LocalCodeUnknown, "A code."));
    reading.unexplained = read(&named(&[("onsd 99TARNHOLT", "5.6")])).unexplained;
    let mut json = serde_json::to_value(&reading).expect("JSON");
    let whole: ObjectReading = serde_json::from_value(json.clone()).expect("a reading");
    assert_eq!(whole, reading);
    json.as_object_mut()
        .expect("an object")
        .remove("unexplained");
    let before: ObjectReading = serde_json::from_value(json).expect("a reading");
    assert_eq!(before.unexplained, []);
    reading.unexplained.clear();
    let json = serde_json::to_value(&reading).expect("JSON");
    assert_eq!(json.get("unexplained"), None, "as it was written before");
}
