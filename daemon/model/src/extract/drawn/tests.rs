//! Shapes below a number, beside it and by reference (TID 320, TID 1400, TID 1501 row 10).

use crate::domain::{Caliper, Point};
use crate::extract::build::*;
use crate::extract::{Extraction, extract};
use crate::sr::Tree;
use crate::sr::tree::{Relationship, Value};
use crate::template::Templates;

const PATH: &str = "121055 DCM";
const VERTEX: &str = "121230 DCM";
const AXIS: &str = "nerve-axis 99SHEATHLINE";
const GLOBE: &str = "globe-point 99SHEATHLINE";

fn picture(instance: &str, frames: &[u32]) -> Node {
    let value = Value::Instance {
        class: "1.2.840.10008.5.1.4.1.1.6.1".to_owned(),
        instance: instance.to_owned(),
        frames: frames.to_vec(),
    };
    text("260753009 SCT", value).by(Relationship::SelectedFrom)
}

fn shape(concept: &str, graphic: &str, points: &[f64], below: Vec<Node>) -> Node {
    let value = Value::Coordinates {
        graphic: graphic.to_owned(),
        points: points.to_vec(),
    };
    let mut node = text(concept, value).by(Relationship::InferredFrom);
    node.children = below;
    node
}

fn line(image: &str) -> Node {
    shape(
        PATH,
        "POLYLINE",
        &[10.0, 20.0, 75.0, 20.0],
        vec![picture(image, &[])],
    )
}

fn axis(image: &str, column: f64) -> Node {
    let points = [column, 10.0, column, 60.0];
    shape(AXIS, "POLYLINE", &points, vec![picture(image, &[])])
}

fn reference(path: &[u32]) -> Node {
    let mut node = text(PATH, Value::Reference(path.to_vec())).by(Relationship::InferredFrom);
    node.item.concept = None;
    node
}

fn read(tree: &Tree) -> Extraction {
    extract(tree, &Templates::builtin().unwrap())
}

fn caliper_of(tree: &Tree) -> (Option<Caliper>, Vec<String>) {
    let found = read(tree);
    let first = found.found.into_iter().next().unwrap();
    let codes = first
        .remarks
        .iter()
        .map(|one| one.code.to_string())
        .collect();
    (first.caliper, codes)
}

fn one(below: Vec<Node>) -> (Option<Caliper>, Vec<String>) {
    caliper_of(&report(vec![vec![site(RIGHT), mm("5.2", below)]]))
}

fn ends() -> [Point; 2] {
    [[10.0, 20.0].into(), [75.0, 20.0].into()]
}

#[test]
fn a_line_below_the_number() {
    let (caliper, codes) = one(vec![line("9.1")]);
    let caliper = caliper.unwrap();
    assert_eq!((caliper.image.as_str(), caliper.ends), ("9.1", ends()));
    assert_eq!(
        (caliper.axis, caliper.globe, caliper.frame),
        (vec![], None, None)
    );
    assert_eq!(codes, Vec::<String>::new());
}

#[test]
fn two_points_are_a_line() {
    let end = |x: f64| shape(VERTEX, "POINT", &[x, 20.0], vec![picture("9.1", &[2])]);
    let (caliper, _) = one(vec![end(10.0), end(75.0)]);
    let caliper = caliper.unwrap();
    assert_eq!((caliper.ends, caliper.frame), (ends(), Some(2)));
}

/// TID 320 rows 2 and 5: shape and picture may both stand elsewhere.
#[test]
fn shapes_and_pictures_by_reference() {
    let mut elsewhere = shape(PATH, "POLYLINE", &[10.0, 20.0, 75.0, 20.0], vec![]);
    let mut to_picture = reference(&[1, 1, 1, 4]);
    to_picture.item.relationship = Relationship::SelectedFrom;
    elsewhere.children = vec![to_picture];
    let tree = report(vec![vec![
        site(RIGHT),
        mm("5.2", vec![reference(&[1, 1, 1, 3])]),
        elsewhere.by(Relationship::Contains),
        picture("9.1", &[]).by(Relationship::Contains),
    ]]);
    let caliper = caliper_of(&tree).0.unwrap();
    assert_eq!((caliper.image.as_str(), caliper.ends), ("9.1", ends()));
    // Paths that lead nowhere or to something else.
    for path in [&[1, 1, 1, 9][..], &[2, 1], &[1, 0], &[1, 1, 1, 1]] {
        let tree = report(vec![vec![site(RIGHT), mm("5.2", vec![reference(path)])]]);
        assert_eq!(caliper_of(&tree), (None, vec![]));
    }
}

#[test]
fn axis_and_globe_below_the_number_or_beside_it() {
    let globe = || shape(GLOBE, "POINT", &[40.0, 10.0], vec![picture("9.1", &[])]);
    let (own, _) = one(vec![line("9.1"), axis("9.1", 42.0), globe()]);
    let contains = Relationship::Contains;
    let (beside, _) = caliper_of(&report(vec![vec![
        site(RIGHT),
        axis("9.1", 42.0).by(contains),
        globe().by(contains),
        axis("9.2", 30.0).by(contains),
        mm("5.2", vec![line("9.1")]),
    ]]));
    let caliper = beside.unwrap();
    assert_eq!(Some(&caliper), own.as_ref());
    assert_eq!(caliper.axis, [[42.0, 10.0].into(), [42.0, 60.0].into()]);
    assert_eq!(caliper.globe, Some([40.0, 10.0].into()));
    // In another picture they say nothing of this caliper.
    let (other, codes) = one(vec![line("9.1"), axis("9.2", 42.0)]);
    assert_eq!((other.unwrap().axis, codes), (vec![], vec![]));
}

#[test]
fn what_is_not_one_line_is_none() {
    let several = one(vec![line("9.1"), line("9.2")]);
    let bent = [10.0, 20.0, 30.0, 20.0, 50.0, 30.0];
    let in_image = || vec![picture("9.1", &[])];
    let bent = one(vec![shape(PATH, "POLYLINE", &bent, in_image())]);
    let circle = one(vec![shape(
        PATH,
        "CIRCLE",
        &[1.0, 1.0, 5.0, 5.0],
        in_image(),
    )]);
    let nowhere = one(vec![shape(PATH, "POLYLINE", &[1.0, 1.0, 5.0, 5.0], vec![])]);
    let two = vec![picture("9.1", &[]), picture("9.2", &[])];
    let twice = one(vec![shape(PATH, "POLYLINE", &[1.0, 1.0, 5.0, 5.0], two)]);
    for (caliper, codes) in [several, bent, circle, nowhere, twice] {
        assert_eq!((caliper, codes), (None, vec!["caliper-unclear".to_owned()]));
    }
    let (caliper, codes) = one(vec![line("9.1"), axis("9.1", 42.0), axis("9.1", 43.0)]);
    assert_eq!(caliper.unwrap().axis, []);
    assert_eq!(codes, ["reference-line-unclear"]);
}

/// A hundred thousand shapes for a hundred thousand numbers must not cost their product.
#[test]
fn many_numbers_share_many_lines() {
    let mut children = vec![site(RIGHT)];
    children.extend((0..3000).map(|n| axis("9.1", f64::from(n)).by(Relationship::Contains)));
    children.extend((0..3000).map(|_| mm("5.2", vec![line("9.1")])));
    let found = read(&report(vec![children])).found;
    assert_eq!(found.len(), 3000);
    assert!(
        found
            .iter()
            .all(|one| one.caliper.as_ref().is_some_and(|one| one.axis.is_empty()))
    );
}
