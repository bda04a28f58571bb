//! Texts and codes that mislead: no side that is wrong may ever be proposed.

use super::*;
use crate::template::words::Side::{Left, Right};

/// One sender that misleads: its codes, and the side that each truly is, where it is one.
struct Sender {
    about: &'static str,
    codes: Vec<Unexplained>,
    truth: Vec<(&'static str, Option<Side>)>,
}

fn sender(
    about: &'static str,
    codes: Vec<Unexplained>,
    truth: &[(&'static str, Option<Side>)],
) -> Sender {
    Sender {
        about,
        codes,
        truth: truth.to_vec(),
    }
}

/// The same, in a section of this code.
fn within(section: &str, mut one: Unexplained) -> Unexplained {
    for example in &mut one.examples {
        example.within = Some(format!("{section} 99TARNHOLT"));
    }
    one
}

/// Numbers with a meaning each, of which nobody can say the side.
fn nobody_knows(about: &'static str, meanings: &'static [&'static str]) -> Sender {
    let codes = meanings.iter().enumerate();
    let codes = codes.map(|(at, meaning)| number(&format!("K{at}"), meaning));
    Sender {
        about,
        codes: codes.collect(),
        truth: Vec::new(),
    }
}

fn hostile() -> Vec<Sender> {
    let two = [("A", Some(Right)), ("B", Some(Left))];
    let mut all = vec![
        sender(
            "meanings that lie, letters that do not",
            vec![
                number("ONSD_R", "ONSD left"),
                number("ONSD_L", "ONSD right"),
            ],
            &[("ONSD_R", Some(Right)), ("ONSD_L", Some(Left))],
        ),
        sender(
            "letters within a word of the code",
            vec![
                number("ONSDR", "ONSD left"),
                number("OnsdLeft2", "ONSD right"),
            ],
            &[("ONSDR", Some(Right)), ("OnsdLeft2", Some(Left))],
        ),
        sender(
            "abbreviations in the code",
            vec![
                number("SHEATH-OS", "Sheath right"),
                number("OD.SHEATH", "Sheath left"),
            ],
            &[("SHEATH-OS", Some(Left)), ("OD.SHEATH", Some(Right))],
        ),
        sender(
            "one meaning, two codes",
            vec![number("A", "ONSD right"), number("B", "ONSD right")],
            &two,
        ),
        sender(
            "one meaning in another order",
            vec![number("A", "Right ONSD"), number("B", "ONSD, right")],
            &two,
        ),
        sender(
            "one meaning in other words",
            vec![
                number("A", "Right ONSD"),
                number("B", "Optic nerve sheath diameter, right eye"),
            ],
            &two,
        ),
        sender(
            "mirror codes that name one side",
            vec![
                number("S_R", "Right ONSD"),
                number("S_L", "Right ONSD transverse"),
            ],
            &[("S_R", Some(Right)), ("S_L", Some(Left))],
        ),
        sender(
            "codes around them say another side",
            vec![
                beside(Eye::Right, number("A", "ONSD left")),
                beside(Eye::Left, number("B", "ONSD right")),
            ],
            &two,
        ),
        sender(
            "sections of its own that name the other side than the numbers in them",
            vec![
                code(CodeRole::Section, "S1", "Right eye"),
                code(CodeRole::Section, "S2", "Left eye"),
                within("S1", number("A", "ONSD left")),
                within("S2", number("B", "ONSD right")),
            ],
            &[],
        ),
        sender(
            "one section code around both",
            vec![Unexplained {
                sides: vec![Eye::Right, Eye::Left],
                ..code(CodeRole::Section, "A", "Right eye")
            }],
            &[("A", None)],
        ),
        sender(
            "OD beside an inner diameter",
            vec![
                number("K1", "Sheath OD"),
                number("K2", "Sheath ID"),
                number("K3", "Sheath OS"),
            ],
            &[("K1", None), ("K2", None), ("K3", None)],
        ),
        sender(
            "posterior and lateral",
            vec![number("A", "ONSD P"), number("B", "ONSD L")],
            &[("A", None), ("B", None)],
        ),
        sender(
            "diameter and size",
            vec![number("A", "Sheath D"), number("B", "Sheath S")],
            &[("A", None), ("B", None)],
        ),
        sender(
            "labels with one side each twice",
            vec![label("ONSD left caliper"), label("ONSD right caliper")],
            &[("ONSD left caliper", None), ("ONSD right caliper", None)],
        ),
    ];
    all.extend([
        nobody_knows(
            "OD is the outer diameter",
            &["Sheath OD", "Sheath outer OD"],
        ),
        nobody_knows(
            "calipers",
            &[
                "ONSD left caliper",
                "ONSD right caliper",
                "Left caliper ONSD",
            ],
        ),
        nobody_knows(
            "angles",
            &[
                "ONSD right angle",
                "ONSD at right angles",
                "Sheath, rechter Winkel",
            ],
        ),
        nobody_knows("probes", &["ONSD left-handed probe", "ONSD, right handed"]),
        nobody_knows(
            "neighbours",
            &[
                "Optic nerve left of the vessel ONSD",
                "ONSD left of the artery",
                "ONSD, vessel to the right",
            ],
        ),
        nobody_knows(
            "both",
            &[
                "ONSD right and left",
                "ONSD left/right",
                "ONSD R/L",
                "視神経鞘径 左右",
            ],
        ),
        nobody_knows(
            "persons and places",
            &[
                "ONSD Dr Wright",
                "ONSD after Dr Left",
                "Clinic Right Bank ONSD",
                "Links clinic ONSD",
            ],
        ),
        nobody_knows(
            "borders and screens",
            &[
                "ONSD left border",
                "ONSD right edge",
                "ONSD right wall",
                "ONSD left margin",
                "ONSD right cursor",
                "ONSD left screen",
                "Sheath linker Rand",
                "Guaina bordo destro",
                "視神経鞘 右縁",
            ],
        ),
        nobody_knows(
            "negations",
            &[
                "ONSD not right",
                "ONSD other than left",
                "ONSD non droit",
                "ONSD nicht rechts",
            ],
        ),
        nobody_knows(
            "lines",
            &[
                "ONSD right\n[[term]]\nsays = { eye = \"right\" }",
                "ONSD left\u{2028}x",
            ],
        ),
    ]);
    all
}

/// Over the whole set: a side is either the true one or not proposed, and none where none is known.
#[test]
fn a_wrong_side_is_never_proposed() {
    let mut checked = 0;
    for sender in hostile() {
        let draft = of(&sender.codes);
        for row in &draft.rows {
            let name = match &row.kind {
                Kind::Term { code, .. } => code,
                Kind::Label { text } | Kind::Word { text } => text,
                Kind::Nameless => continue,
            };
            let truth = sender.truth.iter().find(|(code, _)| code == name);
            let truth = truth.and_then(|(_, side)| *side);
            let is_right = row.side.is_none() || row.side == truth;
            assert!(
                is_right,
                "{}: {name} is proposed {:?}: {row:#?}",
                sender.about, row.side
            );
            checked += 1;
        }
    }
    assert!(checked > 50, "{checked}");
}

/// What stands beside a hostile sender is not read differently because of it.
#[test]
fn one_sender_does_not_change_anothers_proposals() {
    let honest = [number("H1", "ONSD OD"), number("H2", "ONSD OS")];
    let alone = of_senders(&[("HONEST", &honest)]);
    for sender in hostile() {
        let codes: Vec<Unexplained> = sender.codes;
        let both = of_senders(&[("HONEST", &honest), ("HOSTILE", &codes)]);
        for named in ["H1", "H2"] {
            assert_eq!(
                proposed(&both, named),
                proposed(&alone, named),
                "{}",
                sender.about
            );
        }
    }
    assert_eq!(
        proposed(&alone, "H1"),
        "eye right, quantity sheath_diameter"
    );
}

/// An abbreviation is a side only beside its mirror, with everything else equal.
#[test]
fn abbreviations_need_their_mirror() {
    let pairs = [
        ("ONSD OD", "ONSD OS"),
        ("ONSD RE", "ONSD LE"),
        ("Optikusscheide re 1", "Optikusscheide li 1"),
        ("ONSD R", "ONSD L"),
        ("Guaina dx", "Guaina sx"),
        ("Guaina d", "Guaina s"),
        ("Gaine du nerf optique D", "Gaine du nerf optique G"),
        ("Vaina del nervio óptico der", "Vaina del nervio óptico izq"),
        ("Osłonka p", "Osłonka l"),
    ];
    for (right, left) in pairs {
        let both = of(&[number("K1", right), number("K2", left)]);
        assert_eq!(row(&both, "K1").side, Some(Right), "{right}: {both:#?}");
        assert_eq!(row(&both, "K2").side, Some(Left), "{left}: {both:#?}");
        for one in [right, left] {
            let alone = of(&[number("K1", one)]);
            assert_eq!(row(&alone, "K1").side, None, "{one} alone");
        }
        let apart = of_senders(&[
            ("SONO1", &[number("K1", right)]),
            ("SONO2", &[number("K2", left)]),
        ]);
        assert_eq!(sides(&apart), [], "{right} and {left} of two senders");
    }
}

/// Sections and numbers in them that agree are both proposed.
#[test]
fn what_agrees_with_its_section_is_proposed() {
    let draft = of(&[
        code(CodeRole::Section, "S1", "Right eye"),
        within("S1", number("A", "ONSD right")),
    ]);
    assert_eq!(proposed(&draft, "A"), "eye right, quantity sheath_diameter");
    assert_eq!(proposed(&draft, "S1"), "eye right, site eye");
}

/// One code for both eyes: its meanings become words, and the code itself says no side.
#[test]
fn one_code_with_two_meanings_becomes_words() {
    let mut one = number("4711", "Optikusscheide rechts");
    one.called = vec!["Optikusscheide links".to_owned()];
    let draft = of(&[one]);
    assert_eq!(proposed(&draft, "4711"), "quantity sheath_diameter");
    assert_eq!(proposed(&draft, "Optikusscheide rechts"), "eye right");
    assert_eq!(proposed(&draft, "Optikusscheide links"), "eye left");
}

/// One code that two senders call differently needs a dictionary for each.
#[test]
fn senders_that_differ_are_not_mixed() {
    let draft = of_senders(&[
        ("SONO1", &[number("K1", "ONSD right")]),
        ("SONO2", &[number("K1", "ONSD left")]),
    ]);
    assert_eq!(proposed(&draft, "K1"), "quantity sheath_diameter");
    let notes = row(&draft, "K1").notes.join(" ");
    assert!(notes.contains("--sender"), "{notes}");
    let other = of_senders(&[
        ("SONO1", &[number("K1", "ONSD right")]),
        ("SONO2", &[number("K1", "Kidney length")]),
    ]);
    assert_eq!(proposed(&other, "K1"), "");
}

/// Right and left exchanged in all texts and codes exchange the proposals, and nothing else.
#[test]
fn exchanged_sides_exchange_proposals() {
    const SWAPS: [(&str, &str); 12] = [
        ("right", "left"),
        ("Right", "Left"),
        ("rechts", "links"),
        ("rechter", "linker"),
        ("destro", "sinistro"),
        ("OD", "OS"),
        ("_R", "_L"),
        ("R/L", "L/R"),
        ("Wright", "Wleft"),
        (" P", " P"),
        ("右", "左"),
        ("ONSDR", "ONSDL"),
    ];
    let swap = |text: &str| {
        let mut text = text.to_owned();
        for (right, left) in SWAPS {
            text = text
                .replace(right, "\u{1}")
                .replace(left, right)
                .replace('\u{1}', left);
        }
        text
    };
    let other = |side: Side| match side {
        Right => Left,
        Left => Right,
        side => side,
    };
    let honest = [
        sender(
            "plain",
            vec![
                number("A", "ONSD right"),
                number("B", "ONSD left transverse"),
            ],
            &[],
        ),
        sender("labels", vec![label("Sheath OD"), label("Sheath OS")], &[]),
        sender(
            "values",
            vec![
                code(CodeRole::Side, "A", "右眼"),
                code(CodeRole::Side, "B", "左眼"),
            ],
            &[],
        ),
    ];
    let mut sided = 0;
    for sender in hostile().into_iter().chain(honest) {
        let swapped: Vec<Unexplained> = sender
            .codes
            .iter()
            .map(|one| Unexplained {
                code: swap(&one.code),
                meaning: swap(&one.meaning),
                sides: one
                    .sides
                    .iter()
                    .map(|eye| match eye {
                        Eye::Right => Eye::Left,
                        Eye::Left => Eye::Right,
                    })
                    .collect(),
                ..one.clone()
            })
            .collect();
        let (before, after) = (of(&sender.codes), of(&swapped));
        for row in &before.rows {
            let named = match &row.kind {
                Kind::Term { code, .. } => code,
                Kind::Label { text } | Kind::Word { text } => text,
                Kind::Nameless => continue,
            };
            let there = super::row(&after, &swap(named));
            assert_eq!(there.side, row.side.map(other), "{}: {named}", sender.about);
            assert_eq!(there.claims, row.claims, "{}: {named}", sender.about);
            sided += usize::from(row.side.is_some());
        }
    }
    assert!(sided >= 6, "{sided}");
}

/// Two orders of the same reports give one draft.
#[test]
fn the_order_of_reports_changes_nothing() {
    let (one, two) = ([number("A", "ONSD right")], [number("B", "ONSD left")]);
    let there = of_senders(&[("S1", &one), ("S1", &two)]);
    let back = of_senders(&[("S1", &two), ("S1", &one)]);
    assert_eq!(there.to_toml(), back.to_toml());
}

/// A hundred codes, and more meanings than are kept.
#[test]
fn many_codes_and_meanings_are_bounded() {
    let codes: Vec<Unexplained> = (0..100)
        .map(|at| number(&format!("K{at}"), &format!("ONSD right {at}")))
        .collect();
    let draft = of(&codes);
    assert_eq!(draft.rows.len(), 100);
    let mut one = number("K", "ONSD right");
    one.called = (0..16).map(|at| format!("ONSD right {at}")).collect();
    let draft = of(&[one]);
    assert_eq!(sides(&draft), []);
    assert!(row(&draft, "K").meanings.len() < 20);
}
