//! Depth told once for several values.

use super::*;
use crate::domain::Millimetres;
use crate::normalise;

const SHEATHLINE: &str = "depth-from-globe 99SHEATHLINE";

fn depth(concept: &str, value: &str, unit: &str) -> Node {
    number(concept, value, unit, vec![])
}

/// The depths that a group's two values get, millimetres.
fn told(children: Vec<Node>) -> Vec<Option<f64>> {
    let mut group = vec![site(RIGHT), mm("5.6", vec![])];
    group.extend(children);
    group.push(mm("5.4", vec![]));
    let found = read(&report(vec![group]));
    assert_eq!(found.found.len(), 2);
    assert_eq!(codes(&found.remarks), [""; 0], "nothing is left unread");
    let bounds = normalise::Bounds {
        vocabulary: builtin().vocabulary(),
        technique: &normalise::Technique::default(),
        plausible: normalise::plausible::GATE,
    };
    let depth = |one| normalise::normalise(one, None, &bounds).depth_mm;
    let depths = found.found.iter().map(depth);
    depths.map(|depth| depth.map(Millimetres::mm)).collect()
}

#[test]
fn a_depth_of_the_group_holds_for_its_values() {
    for concept in [SHEATHLINE, "131197000 SCT", "G-D785 SRT", "111020 DCM"] {
        for by in [Contains, HasAcqContext, HasObsContext] {
            let one = depth(concept, "3.0", "mm UCUM").by(by);
            assert_eq!(told(vec![one]), [Some(3.0); 2], "{concept} {by:?}");
        }
    }
    let same = vec![
        depth(SHEATHLINE, "3.0", "mm UCUM"),
        depth("131197000 SCT", "0.30", "cm UCUM"),
    ];
    assert_eq!(told(same), [Some(3.0); 2], "the same depth twice");
}

#[test]
fn several_depths_are_none() {
    let two = |one: &str, other: &str| {
        told(vec![
            depth(SHEATHLINE, one, "mm UCUM"),
            depth(SHEATHLINE, other, "mm UCUM"),
        ])
    };
    assert_eq!(two("3.0", "5.0"), [None; 2]);
}

/// The depth of a picture, of something with a site of its own, and one below zero.
#[test]
fn another_depth_is_not_behind_the_globe() {
    let other = vec![site(RIGHT)];
    for node in [
        depth("131197000 SCT", "40", "mm UCUM"),
        depth("131197000 SCT", "-1", "mm UCUM"),
        number("131197000 SCT", "3.0", "mm UCUM", other),
    ] {
        assert_eq!(told(vec![node]), [None; 2]);
    }
    // The name that says what it is the depth of is believed; technique judges it.
    let deep = depth(SHEATHLINE, "40", "mm UCUM");
    assert_eq!(told(vec![deep]), [Some(40.0); 2]);
}

#[test]
fn a_depth_of_one_value_goes_before_that_of_the_group() {
    let below = depth(SHEATHLINE, "4.0", "mm UCUM").by(HasProperties);
    let group = vec![
        site(RIGHT),
        depth(SHEATHLINE, "3.0", "mm UCUM"),
        mm("5.6", vec![below]),
        mm("5.4", vec![]),
    ];
    let found = read(&report(vec![group]));
    let depths = found.found.iter().map(|one| one.depths.len());
    assert_eq!(depths.collect::<Vec<_>>(), [1, 1]);
    assert_ne!(found.found[0].depths, found.found[1].depths);
    // In the section around the groups, it holds for all of them.
    let group = |side| container(GROUP, vec![site(side), mm("5.6", vec![])]);
    let section = vec![
        depth(SHEATHLINE, "3.0", "mm UCUM"),
        group(RIGHT),
        group(LEFT),
    ];
    let found = read(&container(REPORT, vec![container("126010 DCM", section)]).plant());
    assert!(found.found.iter().all(|one| one.depths.len() == 1));
}
