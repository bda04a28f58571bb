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

/// A report of these children below a section of a private title.
fn section(children: Vec<Node>) -> Tree {
    let title = container("S1 99TARNHOLT", children);
    container("RPT 99TARNHOLT", vec![title]).plant()
}

fn told(found: &Extraction) -> Vec<(CodeRole, String, usize)> {
    let all = found.unexplained.iter();
    all.map(|one| (one.role, format!("{} {}", one.code, one.scheme), one.times))
        .collect()
}

/// All codes on the way of a number, each once for each of its places: what stands around several numbers
/// is one place, and the title of the document says nothing of a value.
#[test]
fn every_code_on_the_way_is_told_once_a_place() {
    let item = |name: &str, value: &str| modifier(name, value, vec![]);
    let one = |value: &str| {
        let below = vec![
            item("LATO 99TARNHOLT", "DX 99TARNHOLT"),
            modifier(SITE, "NO 99TARNHOLT", vec![item(PART, "G 99TARNHOLT")]),
        ];
        number("D 99TARNHOLT", value, "MLM 99TARNHOLT", below)
    };
    let view = item("111031 DCM", "T 99TARNHOLT");
    let method = item("370129005 SCT", "M 99TARNHOLT");
    let found = read(&section(vec![view, method, one("5.6"), one("5.7")]));
    let mut told = told(&found);
    told.sort_unstable();
    let code = |role, code: &str, times| (role, format!("{code} 99TARNHOLT"), times);
    let mut expected = [
        code(CodeRole::Number, "D", 2),
        code(CodeRole::Unit, "MLM", 2),
        code(CodeRole::Section, "S1", 1),
        code(CodeRole::Item, "LATO", 2),
        code(CodeRole::Value, "DX", 2),
        code(CodeRole::Site, "NO", 2),
        code(CodeRole::Part, "G", 2),
        code(CodeRole::Plane, "T", 1),
        code(CodeRole::Method, "M", 1),
    ];
    expected.sort_unstable();
    assert_eq!(told, expected);
}

/// A value that was found and that a code keeps from use, and one that nothing does.
#[test]
fn codes_that_keep_a_value_from_use_are_told() {
    let with = |below: Node| read(&report(vec![vec![mm("5.6", vec![site(""), below])]]));
    let side = with(modifier(LATERALITY, "DX 99TARNHOLT", vec![]));
    assert_eq!(told(&side), [(CodeRole::Side, "DX 99TARNHOLT".into(), 1)]);
    let made = with(modifier(DERIVATION, "MW 99TARNHOLT", vec![]));
    let roles: Vec<CodeRole> = made.unexplained.iter().map(|one| one.role).collect();
    assert_eq!(roles, [CodeRole::Derivation]);
    let unit = number(DIAMETER, "5.6", "MLM 99TARNHOLT", vec![site(RIGHT)]);
    assert_eq!(
        told(&read(&report(vec![vec![unit]]))),
        [(CodeRole::Unit, "MLM 99TARNHOLT".into(), 1)]
    );
    let below = vec![
        site(RIGHT),
        modifier("370129005 SCT", "M 99TARNHOLT", vec![]),
    ];
    assert_eq!(told(&read(&report(vec![vec![mm("5.6", below)]]))), []);
}

/// Eyes that codes say around a place, by which a guess of its side is held.
#[test]
fn the_sides_around_a_code_are_told() {
    let one = |side: &str| {
        vec![
            modifier(LATERALITY, side, vec![]),
            number("Q 99X", "5.6", "mm UCUM", vec![]),
        ]
    };
    let found = read(&report(vec![one(RIGHT), one(LEFT)]));
    let [fact] = found.unexplained.as_slice() else {
        panic!("{:?}", found.unexplained)
    };
    assert_eq!(fact.sides, [Eye::Right, Eye::Left]);
    let each: Vec<_> = fact.examples.iter().map(|at| at.sides.clone()).collect();
    assert_eq!(each, [vec![Eye::Right], vec![Eye::Left]]);
}

/// What is known to be something else, or can only be something else, stands in no value's way.
#[test]
fn what_is_something_else_is_not_told() {
    let plain = |name: &str, value: &str, unit: &str| {
        container(GROUP, vec![number(name, value, unit, vec![])])
    };
    let tree = container(
        REPORT,
        vec![
            // A standard name and a length that no sheath can have; a speed; an area; a ratio.
            plain("11979-2 LN", "302", "mm UCUM"),
            plain("V 99TARNHOLT", "12", "cm/s UCUM"),
            plain("A 99TARNHOLT", "12", "mm2 UCUM"),
            plain("R 99TARNHOLT", "12", "1 UCUM"),
        ],
    )
    .plant();
    assert_eq!(told(&read(&tree)), []);
    // The same standard name at the width of a sheath may be one.
    let tree = report(vec![vec![number("11979-2 LN", "5.6", "mm UCUM", vec![])]]);
    assert_eq!(
        told(&read(&tree)),
        [(CodeRole::Number, "11979-2 LN".into(), 1)]
    );
}

/// What says who measured, whom, with what and in which language is never told.
#[test]
fn codes_of_persons_and_devices_are_not_told() {
    let observer = modifier("121005 DCM", "121006 DCM", vec![]).by(HasObsContext);
    let language = modifier("121049 DCM", "en RFC5646", vec![]);
    let subject = modifier("121024 DCM", "WHO 99TARNHOLT", vec![]).by(HasObsContext);
    let procedure = modifier("121058 DCM", "P 99TARNHOLT", vec![]);
    let group = container(
        GROUP,
        vec![number("D 99TARNHOLT", "5.6", "mm UCUM", vec![])],
    );
    let tree = container(REPORT, vec![observer, language, subject, procedure, group]).plant();
    assert_eq!(
        told(&read(&tree)),
        [(CodeRole::Number, "D 99TARNHOLT".into(), 1)]
    );
}

/// A third meaning is kept too, and the second example is of another meaning than the first.
#[test]
fn every_meaning_of_a_code_is_kept() {
    let named = |meaning: &str| {
        let mut one = number("4711 99ORRIN", "5.6", "mm UCUM", vec![]);
        one.item.concept.as_mut().expect("a name").meaning = meaning.to_owned();
        one
    };
    let names = [
        "Scheide rechts",
        "Scheide rechts",
        "Scheide links",
        "Scheide",
    ];
    let found = read(&report(vec![names.map(named).to_vec()]));
    let one = &found.unexplained[0];
    assert_eq!(one.meaning, "Scheide rechts");
    assert_eq!(one.called, ["Scheide links", "Scheide"]);
    let meanings = one.examples.iter().map(|at| at.meaning.as_deref());
    assert_eq!(meanings.collect::<Vec<_>>(), [None, Some("Scheide links")]);
    // However many there are, few are kept.
    let many: Vec<Node> = (0..500).map(|at| named(&format!("Name {at}"))).collect();
    let found = read(&report(vec![many]));
    assert_eq!(found.unexplained[0].called.len(), Unexplained::CALLED);
}

/// More than are listed are said to be left out.
#[test]
fn what_is_left_out_is_said() {
    let names: Vec<String> = (0..300).map(|n| format!("c{n:03} 99TARNHOLT")).collect();
    let all: Vec<(&str, &str)> = names.iter().map(|name| (name.as_str(), "5.6")).collect();
    let found = read(&named(&all));
    let left = found
        .remarks
        .iter()
        .find(|one| one.code == RemarkCode::UnexplainedLeftOut);
    assert!(left.expect("told").text.starts_with("250 further"));
}

/// A hundred thousand codes around one number, or numbers below one code, cost what they are long. The
/// bound is so wide that only a quadratic misses it.
#[test]
fn hostile_codes_cost_no_more_than_their_number() {
    let took = |count: usize| {
        let items =
            (0..count).map(|at| modifier(&format!("i{at} 99X"), &format!("v{at} 99X"), vec![]));
        let numbers = (0..count).map(|at| number(&format!("n{at} 99X"), "5.6", "mm UCUM", vec![]));
        let tree = report(vec![items.chain(numbers).collect()]);
        let start = std::time::Instant::now();
        let found = read(&tree);
        assert!(found.unexplained.len() <= 100);
        start.elapsed()
    };
    let small = took(1_000);
    let large = took(10_000);
    assert!(large < small * 40, "{small:?}, {large:?}");
}
