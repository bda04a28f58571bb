//! Numbers with a general name that a label tells.

use super::*;
use crate::domain::{Border, RemarkCode, Severity};

const DISTANCE: &str = "121206 DCM";
const TRACKING: &str = "112039 DCM";
const NOTE: &str = "LBL 99TARNHOLT";

const DICTIONARY: &str = r#"
[[label]]
text = ["ONSD RE", "Sehnervenscheide rechts"]
says = { quantity = "sheath_diameter", eye = "right" }

[[label]]
text = ["ONSD LE"]
says = { quantity = "sheath_diameter", eye = "left" }

[[label]]
text = ["ONSD"]
says = { quantity = "sheath_diameter" }

[[label]]
text = ["ONSD trv outer mean"]
says = { quantity = "sheath_diameter", plane = "transverse", definition = "outer", derivation = "mean" }

[[label]]
text = ["Nerve RE"]
says = { quantity = "nerve_diameter", eye = "right" }

[[label]]
text = "Artery"
says = { quantity = "not_ours" }

[[term]]
code = "AFST"
scheme = "99WEXBR"
says = { concept = "distance" }
"#;

fn with(more: &str) -> Templates {
    let text = format!("{DICTIONARY}{more}");
    Templates::load(&[], &[("site.toml".to_owned(), text)]).expect("loads")
}

fn labelled(tree: &Tree) -> Extraction {
    static SITE: LazyLock<Templates> = LazyLock::new(|| with(""));
    extract(tree, &SITE)
}

fn note(text: &str) -> Node {
    super::text(NOTE, Value::Text(text.to_owned())).by(Contains)
}

fn tracking(text: &str) -> Node {
    super::text(TRACKING, Value::Text(text.to_owned()))
}

fn distance(value: &str, children: Vec<Node>) -> Node {
    number(DISTANCE, value, "mm UCUM", children)
}

fn called(mut node: Node, meaning: &str) -> Node {
    node.item.concept.as_mut().expect("a name").meaning = meaning.to_owned();
    node
}

/// A flat report: all below the root.
fn flat(children: Vec<Node>) -> Tree {
    container("RPT 99TARNHOLT", children).plant()
}

fn values(found: &Extraction) -> Vec<(String, Laterality, Quantity)> {
    let all = found.found.iter();
    all.map(|one| {
        let measured = one.measured.as_ref().and_then(|it| it.decimal.clone());
        (measured.unwrap_or_default(), one.eye, one.quantity)
    })
    .collect()
}

fn is_sheath(found: &Extraction, value: &str, eye: Laterality) {
    let expected = [(value.to_owned(), eye, Quantity::SheathDiameter)];
    assert_eq!(values(found), expected, "{:?}", found.remarks);
}

/// Every place of a label that is read, one report each.
fn places(label: &str) -> Vec<(&'static str, Tree)> {
    let property = super::text(NOTE, Value::Text(label.to_owned())).by(HasProperties);
    vec![
        (
            "property",
            flat(vec![distance("5.6", vec![property.clone()])]),
        ),
        (
            "modifier",
            flat(vec![distance("5.6", vec![property.by(HasConceptMod)])]),
        ),
        (
            "tracking identifier of the number",
            flat(vec![distance("5.6", vec![tracking(label)])]),
        ),
        (
            "tracking identifier of the group",
            report(vec![vec![tracking(label), distance("5.6", vec![])]]),
        ),
        (
            "tracking identifier of a group of several",
            report(vec![vec![tracking(label), distance("5.6", vec![])]]),
        ),
        (
            "sibling",
            report(vec![vec![note(label), distance("5.6", vec![])]]),
        ),
        (
            "title",
            flat(vec![called(
                container("S1 99TARNHOLT", vec![distance("5.6", vec![])]),
                label,
            )]),
        ),
        (
            "title around a group",
            flat(vec![called(
                container(
                    "S1 99TARNHOLT",
                    vec![container(GROUP, vec![distance("5.6", vec![])])],
                ),
                label,
            )]),
        ),
        (
            "own meaning",
            flat(vec![called(distance("5.6", vec![]), label)]),
        ),
        (
            "a general word of the site",
            flat(vec![called(
                number("AFST 99WEXBR", "5.6", "mm UCUM", vec![]),
                label,
            )]),
        ),
    ]
}

#[test]
fn a_label_is_read_at_each_of_its_places() {
    for label in ["ONSD RE", "onsd  re", "SEHNERVENSCHEIDE RECHTS"] {
        for (place, tree) in places(label) {
            let found = labelled(&tree);
            let what = format!("{place}: {label}");
            assert_eq!(values(&found).len(), 1, "{what}: {:?}", found.remarks);
            is_sheath(&found, "5.6", Laterality::Right);
            let said = codes(&found.found[0].remarks);
            assert_eq!(said, ["side-by-word", "read-by-label"], "{what}");
            assert!(found.found[0].rule.starts_with("site.toml:"), "{what}");
            assert_eq!(found.unexplained, [], "{what}");
        }
    }
}

/// One letter more, another blank, a sentence that holds it: nothing of it is read.
#[test]
fn what_is_only_like_a_label_is_not_read() {
    for near in [
        "ONSD REE",
        "ONSD R",
        "ONSDRE",
        "ONSD-RE",
        "ONSD RE.",
        "ONSD RE 1",
        "\"ONSD RE\"",
        "re onsd",
        "ONSD RE measured at 3 mm",
        "not ONSD RE",
        "ONSD RE\u{301}",
        "The right side, ONSD RE, could not be seen because of movement of the eye",
    ] {
        for (place, tree) in places(near) {
            let found = labelled(&tree);
            assert_eq!(values(&found), [], "{place}: {near}");
            let wrong = found
                .remarks
                .iter()
                .any(|one| one.severity > Severity::Info);
            assert!(!wrong, "{place}: {near}: {:?}", found.remarks);
        }
    }
}

/// Without the dictionary all of it stays unread, and what could be listed is told.
#[test]
fn a_label_nobody_lists_is_told_and_not_read() {
    for (place, tree) in places("ONSD RE") {
        let found = read(&tree);
        assert_eq!(values(&found), [], "{place}");
        let told = found.unexplained.iter();
        let told: Vec<&str> = told.map(|one| one.meaning.as_str()).collect();
        assert!(told.contains(&"ONSD RE"), "{place}: {told:?}");
    }
}

#[test]
fn what_a_label_says_beside_is_taken_too() {
    let label = super::text(NOTE, Value::Text("ONSD trv outer mean".to_owned()));
    let side = modifier(LATERALITY, LEFT, vec![]);
    let found = labelled(&flat(vec![distance(
        "5.6",
        vec![label.by(HasProperties), side],
    )]));
    is_sheath(&found, "5.6", Laterality::Left);
    let one = &found.found[0];
    assert_eq!(one.plane, Plane::Transverse);
    assert_eq!(one.definition, Some(Border::Outer));
    assert_eq!(one.derivation, Derivation::Mean);
    // The side is coded: only what was measured is told by the label.
    assert_eq!(codes(&one.remarks), ["read-by-label"]);
}

fn one_doubt(found: &Extraction, code: RemarkCode) {
    assert_eq!(values(found), [], "{:?}", found.remarks);
    let doubts: Vec<_> = found
        .remarks
        .iter()
        .filter(|one| one.code == code)
        .collect();
    assert_eq!(doubts.len(), 1, "{:?}", found.remarks);
    assert_eq!(doubts[0].severity, Severity::Blocking);
}

#[test]
fn labels_that_contradict_each_other_leave_the_number_unread() {
    let own = |label: &str| super::text(NOTE, Value::Text(label.to_owned())).by(HasProperties);
    for (label, other) in [
        ("ONSD RE", "ONSD LE"),
        ("ONSD RE", "Nerve RE"),
        ("ONSD RE", "Artery"),
    ] {
        for tree in [
            flat(vec![distance("5.6", vec![own(label), own(other)])]),
            report(vec![vec![
                tracking(label),
                distance("5.6", vec![own(other)]),
            ]]),
            report(vec![vec![
                note(other),
                note(label),
                distance("5.6", vec![]),
            ]]),
            flat(vec![called(
                container("S1 99TARNHOLT", vec![distance("5.6", vec![own(label)])]),
                other,
            )]),
            flat(vec![called(distance("5.6", vec![own(other)]), label)]),
        ] {
            one_doubt(&labelled(&tree), RemarkCode::LabelConflict);
        }
    }
    // The same said twice, or more and less of it, is no contradiction.
    let both = vec![own("ONSD"), own("ONSD RE")];
    is_sheath(
        &labelled(&flat(vec![distance("5.6", both)])),
        "5.6",
        Laterality::Right,
    );
}

#[test]
fn a_label_against_codes_is_never_believed() {
    let own = |label: &str| super::text(NOTE, Value::Text(label.to_owned())).by(HasProperties);
    let part = |part: &str| {
        let below = vec![own("ONSD RE"), modifier(PART, part, vec![])];
        labelled(&flat(vec![distance("5.6", below)]))
    };
    one_doubt(&part("nerve 99SHEATHLINE"), RemarkCode::LabelConflict);
    is_sheath(&part(SHEATH), "5.6", Laterality::Right);
    // A site that is none of ours, and one that nobody explains.
    let at = |site: &str| {
        flat(vec![distance(
            "5.6",
            vec![own("ONSD RE"), modifier(SITE, site, vec![])],
        )])
    };
    one_doubt(&labelled(&at("10200004 SCT")), RemarkCode::LabelConflict);
    one_doubt(
        &labelled(&at("LEBER 99TARNHOLT")),
        RemarkCode::LabelConflict,
    );
    is_sheath(&labelled(&at(NERVE)), "5.6", Laterality::Right);
    // The side: the value is found and its side is open.
    for side in [
        flat(vec![distance(
            "5.6",
            vec![own("ONSD RE"), modifier(LATERALITY, LEFT, vec![])],
        )]),
        report(vec![vec![
            modifier(LATERALITY, LEFT, vec![]),
            note("ONSD RE"),
            distance("5.6", vec![]),
        ]]),
        flat(vec![container(
            "8966001 SCT",
            vec![distance("5.6", vec![own("ONSD RE")])],
        )]),
    ] {
        let found = labelled(&side);
        is_sheath(&found, "5.6", Laterality::Unresolved);
        assert!(codes(&found.found[0].remarks).contains(&"laterality-conflict"));
    }
    // A long axis is no diameter, whatever stands beside it.
    let axis = "103339001 SCT";
    let found = labelled(&flat(vec![number(
        axis,
        "5.6",
        "mm UCUM",
        vec![own("ONSD RE")],
    )]));
    one_doubt(&found, RemarkCode::LabelConflict);
}

/// A plane, borders or a derivation that codes tell otherwise.
#[test]
fn what_a_label_says_beside_is_held_against_codes() {
    let label = super::text(NOTE, Value::Text("ONSD trv outer mean".to_owned())).by(HasProperties);
    for (name, value) in [
        (DERIVATION, "373099004 SCT"),
        ("111031 DCM", "30730003 SCT"),
    ] {
        let below = vec![label.clone(), modifier(name, value, vec![])];
        let found = labelled(&flat(vec![distance("5.6", below)]));
        one_doubt(&found, RemarkCode::LabelConflict);
    }
}

#[test]
fn numbers_that_codes_tell_are_read_as_before() {
    let own = |label: &str| super::text(NOTE, Value::Text(label.to_owned())).by(HasProperties);
    // By site and part, agreeing: no caution; disagreeing: nothing is picked.
    let found = labelled(&report(vec![vec![
        site(RIGHT),
        mm("5.6", vec![own("ONSD RE")]),
    ]]));
    is_sheath(&found, "5.6", Laterality::Right);
    assert_eq!(found.found[0].remarks, []);
    let found = labelled(&report(vec![vec![
        site(RIGHT),
        mm("5.6", vec![own("Nerve RE")]),
    ]]));
    one_doubt(&found, RemarkCode::LabelConflict);
    // The label brings the side that the codes lack.
    let found = labelled(&report(vec![vec![
        site(""),
        mm("5.6", vec![own("ONSD RE")]),
    ]]));
    is_sheath(&found, "5.6", Laterality::Right);
    assert_eq!(codes(&found.found[0].remarks), ["side-by-word"]);
    // What is known to be something else stays that.
    let other =
        with("[[term]]\ncode = \"AXL\"\nscheme = \"99X\"\nsays = { quantity = \"not_ours\" }\n");
    let axial = number("AXL 99X", "22.9", "mm UCUM", vec![own("ONSD RE")]);
    let found = extract(&flat(vec![axial]), &other);
    assert_eq!((values(&found), found.remarks), (vec![], vec![]));
}

#[test]
fn a_label_of_something_else_keeps_the_number_out() {
    let found = labelled(&report(vec![vec![note("Artery"), distance("5.6", vec![])]]));
    assert_eq!(
        (values(&found), found.remarks, found.unexplained),
        (vec![], vec![], vec![])
    );
}

/// Several numbers and several texts: by the declared habit, strictly, or not at all.
#[test]
fn labels_of_several_numbers_are_paired_by_habit_alone() {
    let pairs = || {
        vec![
            note("ONSD RE"),
            distance("5.6", vec![]),
            note("ONSD LE"),
            distance("5.2", vec![]),
        ]
    };
    let before = with("[labels]\nstand = \"before\"\n");
    let after = with("[labels]\nstand = \"after\"\n");
    one_doubt(&labelled(&flat(pairs())), RemarkCode::LabelUnclear);
    let sheath = |value: &str, eye| (value.to_owned(), eye, Quantity::SheathDiameter);
    let expected = [
        sheath("5.6", Laterality::Right),
        sheath("5.2", Laterality::Left),
    ];
    assert_eq!(values(&extract(&flat(pairs()), &before)), expected);
    // The habit of the other kind: the last number has none after it, so nothing is paired.
    one_doubt(&extract(&flat(pairs()), &after), RemarkCode::LabelUnclear);
    let mut turned = pairs();
    turned.reverse();
    let expected = [
        sheath("5.2", Laterality::Left),
        sheath("5.6", Laterality::Right),
    ];
    assert_eq!(values(&extract(&flat(turned.clone()), &after)), expected);
    one_doubt(&extract(&flat(turned), &before), RemarkCode::LabelUnclear);
    // One label too few, one too many.
    for place in [0, 2] {
        let mut few = pairs();
        few.remove(place);
        one_doubt(&extract(&flat(few), &before), RemarkCode::LabelUnclear);
        let mut many = pairs();
        many.insert(place, note("ONSD RE"));
        one_doubt(&extract(&flat(many), &before), RemarkCode::LabelUnclear);
    }
    // A text that no list explains is still that number's text: the other is read.
    let mut unknown = pairs();
    unknown[2] = note("Vena");
    let found = extract(&flat(unknown), &before);
    is_sheath(&found, "5.6", Laterality::Right);
    assert_eq!(found.unexplained[0].meaning, "Vena");
}

/// What is said of a group is said of all its numbers only where they are of one kind.
#[test]
fn a_label_of_a_group_is_of_numbers_of_one_name() {
    let both = report(vec![vec![
        tracking("ONSD RE"),
        distance("5.6", vec![]),
        distance("5.7", vec![]),
    ]]);
    assert_eq!(eyes(&labelled(&both)), [Laterality::Right; 2]);
    let axes = report(vec![vec![
        tracking("ONSD RE"),
        number("103339001 SCT", "6.6", "mm UCUM", vec![]),
        number("103340004 SCT", "5.7", "mm UCUM", vec![]),
    ]]);
    one_doubt(&labelled(&axes), RemarkCode::LabelUnclear);
    // A depth beside it is the depth of the value.
    let deep = report(vec![vec![
        tracking("ONSD RE"),
        distance("5.6", vec![]),
        number("131197000 SCT", "3.0", "mm UCUM", vec![]),
    ]]);
    is_sheath(&labelled(&deep), "5.6", Laterality::Right);
}

/// A nearer text that nobody explains may say that it is something else.
#[test]
fn a_nearer_text_keeps_a_farther_label_from_being_believed() {
    let own = |label: &str| super::text(NOTE, Value::Text(label.to_owned())).by(HasProperties);
    let titled =
        |below: Vec<Node>| flat(vec![called(container("S1 99TARNHOLT", below), "ONSD RE")]);
    one_doubt(
        &labelled(&titled(vec![distance("5.6", vec![own("A. centralis")])])),
        RemarkCode::LabelUnclear,
    );
    // A count is no name, a sentence no label.
    let long = "This was a difficult examination because the patient could not lie flat for long";
    for quiet in ["2", "#2", long] {
        let found = labelled(&titled(vec![distance("5.6", vec![own(quiet)])]));
        is_sheath(&found, "5.6", Laterality::Right);
    }
}

#[test]
fn the_title_of_the_document_is_no_label() {
    let tree = called(
        container("RPT 99TARNHOLT", vec![distance("5.6", vec![])]),
        "ONSD RE",
    )
    .plant();
    assert_eq!(values(&labelled(&tree)), []);
}

/// What is said of who, where and whose is no label, whatever it says.
#[test]
fn texts_of_observers_and_patients_are_no_labels() {
    for role in ["121029 DCM", "121008 DCM", "121009 DCM"] {
        let said = super::text(role, Value::Text("ONSD RE".to_owned()));
        let found = labelled(&report(vec![vec![said.clone(), distance("5.6", vec![])]]));
        assert_eq!(values(&found), [], "{role}");
        let found = read(&report(vec![vec![said, distance("5.6", vec![])]]));
        let told = found.unexplained.iter().any(|one| one.meaning == "ONSD RE");
        assert!(!told, "{role}");
    }
    let name = super::text("N 99X", Value::PersonName("ONSD RE".to_owned())).by(Contains);
    let found = labelled(&report(vec![vec![name, distance("5.6", vec![])]]));
    assert_eq!(values(&found), []);
}

/// Twice as much costs about twice as much: no number walks over all texts. The bound is so wide that
/// only a quadratic misses it.
#[test]
fn hostile_numbers_of_texts_cost_no_more_than_their_number() {
    let before = with("[labels]\nstand = \"before\"\n");
    let took = |count: usize| {
        let texts = (0..count).map(|at| note(&format!("ONSD {at}")));
        let numbers = (0..count).map(|_| distance("5.6", vec![]));
        let tree = flat(vec![container(GROUP, texts.chain(numbers).collect())]);
        let start = std::time::Instant::now();
        for templates in [builtin(), &before] {
            let found = extract(&tree, templates);
            assert!(found.unexplained.len() <= 100);
            assert!(found.remarks.len() < 200, "{}", found.remarks.len());
        }
        start.elapsed()
    };
    let small = took(2_000);
    let large = took(20_000);
    assert!(large < small * 40, "{small:?}, {large:?}");
}
