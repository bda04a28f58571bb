//! Pairs of lines and labels, beyond what the fixtures hold.

use super::unexplained::LONGEST;
use super::*;
use crate::domain::{CodeRole, Point};
use crate::sr::presentation::{Pictured, Text};
use crate::template::Templates;

const DICTIONARY: &str = include_str!("../../../../../fixtures/presentations/dictionary.toml");
const US: &str = "1.2.840.10008.5.1.4.1.1.6.1";

fn vocabulary() -> Vocabulary {
    let dictionary = ("dictionary.toml".to_owned(), DICTIONARY.to_owned());
    let templates = Templates::load(&[], &[dictionary]).unwrap();
    templates.vocabulary().clone()
}

fn line(place: &str) -> Shape {
    Shape {
        place: place.to_owned(),
        units: "PIXEL".to_owned(),
        graphic: "POLYLINE".to_owned(),
        points: Some(vec![Point::from([1.0, 2.0]), Point::from([66.0, 2.0])]),
        ..Shape::default()
    }
}

fn text(line: &str) -> Text {
    Text {
        lines: vec![line.to_owned()],
        group: None,
    }
}

fn over(shapes: Vec<Shape>, texts: Vec<Text>) -> Annotation {
    Annotation {
        pictures: vec![Pictured {
            class: Some(US.to_owned()),
            instance: "1.2.3".to_owned(),
            listed: true,
            ..Pictured::default()
        }],
        shapes,
        texts,
    }
}

fn read(annotations: Vec<Annotation>) -> Drawings {
    let state = Presentation {
        annotations,
        ..Presentation::default()
    };
    drawings(&state, &[], &vocabulary())
}

fn codes(remarks: &[Remark]) -> Vec<&str> {
    remarks.iter().map(|one| one.code.word()).collect()
}

#[test]
fn one_line_with_one_label_is_a_value() {
    let found = read(vec![over(vec![line("1.1")], vec![text("ONSD  re")])]);
    let [drawing] = found.drawings.as_slice() else {
        panic!("{found:?}");
    };
    assert_eq!(drawing.quantity, Quantity::SheathDiameter);
    assert_eq!(drawing.eye, Laterality::from(Eye::Right));
    assert_eq!(drawing.modality, Modality::Ultrasound);
    assert_eq!(
        (drawing.remarks.as_slice(), found.doubts.as_slice()),
        (&[][..], &[][..])
    );
    assert!(drawing.caliper.is_some());
}

/// A text that is nearly a label reads nothing; whoever knows the viewer is told of it.
#[test]
fn a_text_that_is_nearly_a_label_is_told_and_reads_nothing() {
    for near in [
        "ONSD R",
        "ONSD RE.",
        "my ONSD RE",
        "ONSD-RE",
        "ONSD RE 5.2 mm",
    ] {
        let found = read(vec![over(vec![line("1.1")], vec![text(near)])]);
        assert_eq!((found.drawings.len(), found.doubts.len()), (0, 0), "{near}");
        let told: Vec<_> = found
            .unexplained
            .iter()
            .map(|one| one.meaning.as_str())
            .collect();
        assert_eq!(told, [near]);
        assert_eq!(found.unexplained[0].role, CodeRole::Label);
    }
    // What is no line has no label that is missed, and a sentence is none.
    let curve = Shape {
        graphic: "CIRCLE".to_owned(),
        ..line("1.1")
    };
    assert_eq!(
        read(vec![over(vec![curve], vec![text("near")])]).unexplained,
        []
    );
    let long = "a".repeat(LONGEST + 1);
    assert_eq!(
        read(vec![over(vec![line("1.1")], vec![text(&long)])]).unexplained,
        []
    );
}

/// Lines with Tracking IDs of their own, and a text label beside them.
#[test]
fn a_text_label_beside_lines_that_are_labelled_must_be_one_of_theirs() {
    let tracked = |place: &str, id: &str| Shape {
        tracking_id: Some(id.to_owned()),
        ..line(place)
    };
    let two = || vec![tracked("1.1", "ONSD RE"), tracked("1.2", "ONSD rechts")];
    let found = read(vec![over(two(), vec![text("ONSD RE")])]);
    assert_eq!((found.drawings.len(), codes(&found.doubts).len()), (2, 0));
    assert!(found.drawings.iter().all(|one| one.remarks.is_empty()));
    // Of the other eye: it may be either line's.
    let found = read(vec![over(two(), vec![text("ONSD LE")])]);
    assert_eq!(codes(&found.doubts), ["presentation-label-unclear"]);
    for one in &found.drawings {
        assert_eq!(codes(&one.remarks), ["presentation-label-unclear"]);
    }
    // One of two has no label of its own.
    let found = read(vec![over(
        vec![tracked("1.1", "ONSD RE"), line("1.2")],
        vec![text("ONSD RE")],
    )]);
    assert_eq!(codes(&found.doubts), ["presentation-label-unclear"]);
    assert_eq!(
        codes(&found.drawings[0].remarks),
        ["presentation-label-unclear"]
    );
}

#[test]
fn a_group_pairs_only_one_line_over_the_same_picture() {
    let grouped = |place: &str, group| Shape {
        group: Some(group),
        ..line(place)
    };
    let label = |group| Text {
        group: Some(group),
        ..text("ONSD RE")
    };
    // Two lines of one group.
    let found = read(vec![over(
        vec![grouped("1.1", 1), grouped("1.2", 1)],
        vec![label(1)],
    )]);
    assert_eq!(
        (found.drawings.len(), codes(&found.doubts)),
        (0, vec!["presentation-label-unclear"])
    );
    // A text of another group than the only line.
    let found = read(vec![over(vec![grouped("1.1", 1)], vec![label(2)])]);
    assert_eq!(
        (found.drawings.len(), codes(&found.doubts)),
        (0, vec!["presentation-label-unclear"])
    );
    // The same group over another picture.
    let mut other = over(vec![], vec![label(1)]);
    other.pictures[0].instance = "1.2.4".to_owned();
    let found = read(vec![over(vec![grouped("1.1", 1)], vec![]), other]);
    assert_eq!(
        (found.drawings.len(), codes(&found.doubts)),
        (0, vec!["presentation-label-unclear"])
    );
}

#[test]
fn labels_that_say_two_things_make_no_value() {
    let tracked = Shape {
        tracking_id: Some("Ruler".to_owned()),
        ..line("1.1")
    };
    let found = read(vec![over(vec![tracked], vec![text("ONSD RE")])]);
    assert_eq!(codes(&found.drawings[0].remarks), ["label-conflict"]);
    // One says what it is and the other whose eye it is as well: they agree.
    let tracked = Shape {
        tracking_id: Some("ONSD".to_owned()),
        ..line("1.1")
    };
    let found = read(vec![over(vec![tracked], vec![text("ONSD LE")])]);
    assert_eq!(found.drawings[0].eye, Laterality::from(Eye::Left));
    assert_eq!(found.drawings[0].remarks, []);
}

#[test]
fn attributes_of_the_object_are_heard() {
    let state = Presentation {
        annotations: vec![over(vec![line("1.1")], vec![text("ONSD")])],
        ..Presentation::default()
    };
    let with = |side| {
        let found = drawings(&state, &[("(0020,0060)", side)], &vocabulary());
        let one = &found.drawings[0];
        let told: Vec<String> = one.remarks.iter().map(|one| one.code.to_string()).collect();
        (one.eye.eye(), told)
    };
    assert_eq!(with(Side::Left), (Some(Eye::Left), vec![]));
    assert_eq!(
        with(Side::Bilateral),
        (None, vec!["laterality-missing".to_owned()])
    );
}

/// Hostile numbers: no place is one that is no number.
#[test]
fn ends_that_are_no_numbers_are_no_line() {
    let points = vec![
        Point::from([f64::NAN, 2.0]),
        Point::from([f64::INFINITY, 2.0]),
    ];
    let odd = Shape {
        points: Some(points),
        ..line("1.1")
    };
    let found = read(vec![over(vec![odd], vec![text("ONSD RE")])]);
    assert_eq!(
        codes(&found.drawings[0].remarks),
        ["presentation-line-unclear"]
    );
    assert_eq!(found.drawings[0].caliper, None);
}

/// Frame by frame the same picture, and a compound graphic that is drawn by nothing simple.
#[test]
fn one_picture_may_be_named_for_each_frame() {
    let mut annotation = over(vec![line("1.1")], vec![text("ONSD RE")]);
    let first = Pictured {
        frames: vec![2],
        ..annotation.pictures[0].clone()
    };
    annotation.pictures = vec![
        first.clone(),
        Pictured {
            frames: vec![5],
            ..first
        },
    ];
    let found = read(vec![annotation]);
    let caliper = found.drawings[0].caliper.as_ref().unwrap();
    assert_eq!(caliper.frame, None);
    assert_eq!(caliper.presentation.as_ref().unwrap().last_frame, 5);
    let ruler = Shape {
        graphic: "compound RULER".to_owned(),
        points: None,
        ..line("1")
    };
    let found = read(vec![over(vec![ruler], vec![text("ONSD RE")])]);
    assert_eq!(
        codes(&found.drawings[0].remarks),
        ["presentation-line-unclear"]
    );
}

/// As many as are kept, all in one annotation: the bound is one that only a product of shapes and texts
/// with a text's whole cost in it misses.
#[test]
fn many_shapes_and_texts_take_little_time() {
    let tracked = |at: usize| Shape {
        tracking_id: Some("ONSD RE".to_owned()),
        ..line(&format!("1.{at}"))
    };
    let long = "left of somewhere ".repeat(25);
    let texts = vec![text(&long); 500];
    let started = std::time::Instant::now();
    let found = read(vec![over((0..500).map(tracked).collect(), texts)]);
    assert_eq!(found.drawings.len(), 500);
    assert!(started.elapsed() < std::time::Duration::from_secs(5));
    // Texts that name the other eye are held against each of them.
    let conflict = |one: &Drawing| codes(&one.remarks).contains(&"laterality-conflict");
    assert!(found.drawings.iter().all(conflict));
    let labels = vec![text("ONSD LE"); 500];
    let found = read(vec![over(vec![line("1.1"), line("1.2")], labels)]);
    assert_eq!(found.doubts.len(), DOUBTS + 1);
}
