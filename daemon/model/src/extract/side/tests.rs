//! A code that says one side and is called the other.

use crate::domain::{Laterality, Severity};
use crate::extract::build::{
    FINDINGS, GROUP, LATERALITY, LEFT, NERVE, Node, PART, REPORT, RIGHT, SHEATH, SITE, container,
    mm, modifier, number, report, text,
};
use crate::extract::{Extraction, extract};
use crate::sr::tree::{Relationship, Tree, Value};
use crate::template::Templates;

const BOTH: &str = "51440002 SCT";

fn read(tree: &Tree) -> Extraction {
    extract(tree, &Templates::builtin().unwrap())
}

impl Node {
    /// The meaning of the code that the item holds.
    fn meaning(mut self, meaning: &str) -> Node {
        if let Value::Code(code) = &mut self.item.value {
            code.meaning = meaning.to_owned();
        }
        self
    }

    /// The meaning of its concept name.
    fn titled(mut self, meaning: &str) -> Node {
        if let Some(concept) = &mut self.item.concept {
            concept.meaning = meaning.to_owned();
        }
        self
    }
}

/// The side of a value and the code of the blocking remark, if it has one.
fn judged(found: &Extraction) -> (Laterality, Option<&str>) {
    let one = &found.found[0];
    let blocking = one.remarks.iter();
    let mut blocking = blocking.filter(|remark| remark.severity == Severity::Blocking);
    (one.eye, blocking.next().map(|remark| remark.code.as_ref()))
}

/// A value with this side, whose meaning is `called`, below its Finding Site.
fn called(side: &str, called: &str) -> Extraction {
    let side = modifier(LATERALITY, side, vec![]).meaning(called);
    let part = modifier(PART, SHEATH, vec![]);
    let site = modifier(SITE, NERVE, vec![part, side]);
    read(&report(vec![vec![mm("5.6", vec![site])]]))
}

#[test]
fn a_laterality_that_is_called_the_other_side_is_none() {
    for (side, names) in [
        (
            RIGHT,
            &[
                "Left",
                "LEFT",
                " left ",
                "Left eye",
                "L",
                "OS",
                "links",
                "Linkes Auge",
                "gauche",
                "Ojo izquierdo",
                "左",
                "左眼",
                "левый",
                "Left optic nerve",
                "Bilateral",
                "Both eyes",
                "OU",
                "Left and right",
                "beidseits",
            ][..],
        ),
        (
            LEFT,
            &[
                "Right",
                "right (OD)",
                "OD",
                "rechts",
                "Œil droit",
                "右眼",
                "höger",
                "R",
                "Bilateral",
            ],
        ),
        (BOTH, &["Right", "Left", "OD"]),
    ] {
        for name in names {
            let found = called(side, name);
            let unresolved = (Laterality::Unresolved, Some("laterality-conflict"));
            assert_eq!(judged(&found), unresolved, "{side} called {name}");
        }
    }
}

#[test]
fn other_meanings_leave_the_code_alone() {
    for (side, eye, names) in [
        (
            RIGHT,
            Laterality::Right,
            &[
                "Right",
                "RIGHT",
                "Right eye",
                "OD",
                "rechts",
                "R",
                "右",
                "",
                "Seite 1",
                "R/L",
                "Right or left",
                "Unilateral",
                "Right side, at a right angle",
                "Xyzzy",
                "Leftover",
                "Cleft",
                "Outer diameter",
            ][..],
        ),
        (
            LEFT,
            Laterality::Left,
            &[
                "Left",
                "OS",
                "Left, at right angles to the nerve",
                "left-right diameter",
                "Outer diameter (OD)",
                "gauche",
            ],
        ),
    ] {
        for name in names {
            assert_eq!(
                judged(&called(side, name)),
                (eye, None),
                "{side} called {name}"
            );
        }
    }
}

/// The meaning finds nothing: it only speaks against a code.
#[test]
fn a_meaning_alone_is_no_side() {
    let part = modifier(PART, SHEATH, vec![]);
    let site = modifier(SITE, NERVE, vec![part]).meaning("Right optic nerve");
    let found = read(&report(vec![vec![mm("5.6", vec![site])]]));
    let missing = (Laterality::Unresolved, Some("laterality-missing"));
    assert_eq!(judged(&found), missing);
    assert_eq!(
        judged(&called("66459002 SCT", "Right")),
        missing,
        "one side, not which"
    );
}

/// Sides stand in many places; the check goes where they are read.
#[test]
fn wherever_a_code_gives_a_side() {
    let site = |side: &str| {
        let mut below = vec![modifier(PART, SHEATH, vec![])];
        if !side.is_empty() {
            below.push(modifier(LATERALITY, side, vec![]));
        }
        modifier(SITE, NERVE, below)
    };
    let right_eye = "18944008 SCT";
    let section = |title: &str| {
        let number = mm("5.6", vec![site("")]);
        let section = container(right_eye, vec![number]).titled(title);
        read(&container(REPORT, vec![container(FINDINGS, vec![section])]).plant())
    };
    assert_eq!(judged(&section("Right eye")), (Laterality::Right, None));
    let unresolved = (Laterality::Unresolved, Some("laterality-conflict"));
    assert_eq!(judged(&section("Left eye")), unresolved);

    // A pre-coordinated site of the number, and a direct modifier of the group.
    let direct = |meaning: &str| {
        let side = modifier(LATERALITY, RIGHT, vec![]).meaning(meaning);
        read(&report(vec![vec![site(""), side, mm("5.6", vec![])]]))
    };
    assert_eq!(judged(&direct("Right")), (Laterality::Right, None));
    assert_eq!(judged(&direct("Left")), unresolved);
    let coordinated = |meaning: &str| {
        let part = modifier(PART, SHEATH, vec![]);
        let site = modifier(SITE, "458766 MDC", vec![part]).meaning(meaning);
        read(&report(vec![vec![mm("5.6", vec![site])]]))
    };
    assert_eq!(
        judged(&coordinated("Right optic nerve")),
        (Laterality::Right, None)
    );
    assert_eq!(judged(&coordinated("Left optic nerve")), unresolved);

    // An equivalent code gives the side, the code itself is a local one.
    let mut local = modifier(LATERALITY, "X1 99TARNHOLT", vec![]).meaning("Left");
    if let Value::Code(code) = &mut local.item.value {
        let equivalent = crate::extract::build::code(RIGHT);
        code.equivalents.push(equivalent);
    }
    let found = read(&report(vec![vec![site(""), local, mm("5.6", vec![])]]));
    assert_eq!(judged(&found), unresolved);
}

/// A site's own code that carries an eye.
#[test]
fn a_code_of_a_dictionary_too() {
    let dictionary = "[[term]]\ncode = \"ONSD-R\"\nscheme = \"99TARNHOLT\"\n\
         says = { quantity = \"sheath_diameter\", eye = \"right\" }\n";
    let site = |text: &str| Templates::load(&[], &[("site.toml".to_owned(), text.to_owned())]);
    let read = |meaning: &str| {
        let number = number("ONSD-R 99TARNHOLT", "5.6", "mm UCUM", vec![]).titled(meaning);
        let found = extract(&report(vec![vec![number]]), &site(dictionary).unwrap());
        judged(&found).0
    };
    assert_eq!(read("Sheath, right"), Laterality::Right);
    assert_eq!(read("ONSD 1"), Laterality::Right);
    assert_eq!(read("Sheath, left"), Laterality::Unresolved);
    // The dictionary itself may not say one thing and be called another.
    let wrong = dictionary.replace("says", "meaning = \"Sheath, left\"\nsays");
    let mistakes = site(&wrong).unwrap_err();
    assert!(mistakes[0].what.contains("another side"), "{mistakes:?}");
    // A site whose senders use a word otherwise says so.
    let own = format!("{dictionary}[[name]]\nnothing = true\ninside = [\"left-handed\"]\n");
    let number = number("ONSD-R 99TARNHOLT", "5.6", "mm UCUM", vec![]).titled("left-handed probe");
    let found = extract(&report(vec![vec![number]]), &site(&own).unwrap());
    assert_eq!(judged(&found), (Laterality::Right, None));
}

/// Titles and tracking identifiers find no side, and contradict one.
#[test]
fn a_text_around_the_number_that_names_the_other_side() {
    let read = |title: &str, tracking: &str| {
        let side = modifier(LATERALITY, RIGHT, vec![]);
        let site = modifier(SITE, NERVE, vec![modifier(PART, SHEATH, vec![]), side]);
        let tracked = text("112039 DCM", Value::Text(tracking.to_owned()));
        let group = container(GROUP, vec![tracked, site, mm("5.6", vec![])]);
        let section = container("126010 DCM", vec![group]).titled(title);
        read(&container(REPORT, vec![section]).plant())
    };
    let unresolved = (Laterality::Unresolved, Some("laterality-conflict"));
    for (title, tracking, said) in [
        ("Imaging Measurements", "ONSD 1", (Laterality::Right, None)),
        ("Right eye", "onsd_right_1", (Laterality::Right, None)),
        ("Left eye", "ONSD 1", unresolved),
        ("Imaging Measurements", "onsd_left_1", unresolved),
        ("Both eyes", "L1", (Laterality::Right, None)),
        ("Imaging Measurements", "OS 2", unresolved),
        ("Imaging Measurements", "ONSD OS", unresolved),
        ("Imaging Measurements", "onsd_os_3", unresolved),
        (
            "Imaging Measurements",
            "ONSD OD 1",
            (Laterality::Right, None),
        ),
        ("OS", "ONSD 1", unresolved),
        ("Linkes Auge, Messungen", "1", unresolved),
        ("Lewe oko", "1", unresolved),
        ("Bal szem", "1", unresolved),
        ("Sol göz", "1", unresolved),
        ("Oko lijevo", "1", unresolved),
        ("Ліве око", "1", unresolved),
        ("Mắt trái", "1", unresolved),
        ("Ojo izquierdo", "1", unresolved),
        ("左眼の計測", "1", unresolved),
        ("Outer diameter (OD)", "ONSD OD", (Laterality::Right, None)),
    ] {
        let found = read(title, tracking);
        assert_eq!(judged(&found), said, "{title}, {tracking}");
        let quoted = found.found[0].remarks.iter();
        // A tracking identifier is free text: it may hold a name.
        assert!(!quoted.into_iter().any(|one| one.text.contains("onsd")));
    }
}

/// Whatever stands at the site, at a finding or as another name of the number speaks against a side too.
#[test]
fn modifiers_and_labels_that_name_the_other_side() {
    let side = || modifier(LATERALITY, RIGHT, vec![]);
    let part = || modifier(PART, SHEATH, vec![]);
    let read = |below: Vec<Node>, beside: Vec<Node>, own: Vec<Node>| {
        let mut group = vec![modifier(SITE, NERVE, below)];
        group.extend(beside);
        group.push(mm("5.6", own));
        judged(&read(&report(vec![group]))).1.map(str::to_owned)
    };
    let label = |concept: &str, says: &str| text(concept, Value::Text(says.to_owned()));
    for (called, conflict) in [("Left", true), ("Right", false), ("Sheath", false)] {
        let said = conflict.then(|| "laterality-conflict".to_owned());
        let modified = part().meaning(called);
        assert_eq!(read(vec![modified, side()], vec![], vec![]), said);
        let finding = modifier("121071 DCM", "f 99TARNHOLT", vec![]).meaning(called);
        let finding = finding.by(Relationship::Contains);
        assert_eq!(read(vec![part(), side()], vec![finding], vec![]), said);
        // A side in words where a code should stand, beside one in codes.
        let words = label(LATERALITY, called).by(Relationship::HasConceptMod);
        assert_eq!(read(vec![part(), side()], vec![words], vec![]), said);
        for concept in ["112039 DCM", "121050 DCM", "125309 DCM", "C67447 NCIt"] {
            for by in [
                Relationship::HasConceptMod,
                Relationship::HasObsContext,
                Relationship::Contains,
            ] {
                let own = label(concept, called).by(by);
                assert_eq!(
                    read(vec![part(), side()], vec![], vec![own]),
                    said,
                    "{concept} {by:?}"
                );
            }
        }
        let own = modifier("121050 DCM", "e 99TARNHOLT", vec![]).meaning(called);
        assert_eq!(read(vec![part(), side()], vec![], vec![own]), said);
    }
}
