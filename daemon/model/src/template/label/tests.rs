use super::*;
use crate::domain::{Border, Mistake, Quantity};
use crate::template::words::{Named, Side};
use crate::template::{Proposals, Templates};

fn load(files: &[&str]) -> Result<Templates, Vec<Mistake>> {
    let named = files.iter().enumerate();
    let files: Vec<(String, String)> = named
        .map(|(at, text)| (format!("site{at}.toml"), (*text).to_owned()))
        .collect();
    Templates::load(&[], &files)
}

fn told(files: &[&str]) -> String {
    let wrong = load(files).expect_err("mistakes");
    let lines: Vec<String> = wrong.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

const RIGHT: &str = "[[label]]\ntext = [\"ONSD RE\", \"Sehnervenscheide  rechts\"]\n\
    says = { quantity = \"sheath_diameter\", eye = \"right\", definition = \"outer\" }\n";

/// Whole, case and blanks folded, and never by likeness.
#[test]
fn a_label_is_found_whole_or_not_at_all() {
    let templates = load(&[RIGHT]).unwrap();
    let of = |text: &str| templates.vocabulary().label(text);
    for text in ["ONSD RE", " onsd   re ", "SEHNERVENSCHEIDE rechts"] {
        let says = of(text).unwrap_or_else(|| panic!("{text}"));
        assert_eq!(says.quantity, Some(Named::Ours(Quantity::SheathDiameter)));
        assert_eq!(
            (says.side, says.definition),
            (Some(Side::Right), Some(Border::Outer))
        );
    }
    for text in [
        "",
        "ONSD",
        "ONSD R",
        "ONSD REE",
        "ONSD RE.",
        "ONSD-RE",
        "ONSDRE",
        "ONSD RE 1",
        "xONSD RE",
        "ONSD RE was measured",
        "ＯＮＳＤ RE",
        "ONSD\u{200b} RE",
    ] {
        assert_eq!(of(text), None, "{text:?}");
    }
    assert!(of(&"x".repeat(1 << 20)).is_none());
}

#[test]
fn a_label_can_be_one_text_and_of_something_else() {
    let other = "[[label]]\ntext = \"Arteria\"\nsays = { quantity = \"not_ours\" }\n";
    let templates = load(&[other]).unwrap();
    let says = templates.vocabulary().label("arteria").expect("listed");
    assert_eq!(says.quantity, Some(Named::NotOurs));
    assert_eq!(templates.vocabulary().labels().stand(), None);
}

#[test]
fn where_labels_stand_is_said_once() {
    let before = "[labels]\nstand = \"before\"\n";
    let templates = load(&[before, before]).unwrap();
    assert_eq!(
        templates.vocabulary().labels().stand(),
        Some(LabelStand::Before)
    );
    let after = "[labels]\nstand = \"after\"\n";
    assert!(told(&[before, after]).contains("labels stand otherwise in another dictionary"));
    assert!(told(&["[labels]\n"]).contains("`stand` is missing"));
    assert!(told(&["[labels]\nstand = \"beside\"\n"]).contains("unknown variant `beside`"));
}

#[test]
fn every_mistake_is_told() {
    let text = "[[label]]\nsays = { quantity = \"sheath_diameter\" }\n\
        [[label]]\ntext = [\"A\", \"a \", \"\"]\nsays = { eye = \"left\", role = \"laterality\" }\n\
        [[label]]\ntext = \"ONSD left\"\nsays = { quantity = \"sheath_diameter\", eye = \"right\" }\n\
        [[label]]\ntext = \"B\"\n\
        [[label]]\ntext = \"C\"\neye = \"left\"\nsays = { quantity = \"sheath_diameter\" }\n";
    let told = told(&[
        text,
        RIGHT,
        "[[label]]\ntext = \"X 1\"\nsays = { quantity = \"not_ours\" }\n",
        "[[label]]\ntext = \"x 1\"\nsays = { quantity = \"sheath_diameter\", eye = \"left\" }\n",
    ]);
    for what in [
        "`text` is missing",
        "a second [[label]] for `a `",
        "`text` is empty",
        "`quantity` is missing",
        "a label cannot say `role`",
        "`ONSD left` names another side than `eye`",
        "`says` is missing",
        "unknown key `eye`",
        "`x 1` says something else in site2.toml",
    ] {
        assert!(told.contains(what), "{what}\n{told}");
    }
}

#[test]
fn a_label_against_a_word_is_a_mistake() {
    let word = "[[word]]\ntext = \"OS\"\neye = \"left\"\n[[label]]\ntext = \"OS\"\n\
        says = { quantity = \"sheath_diameter\", eye = \"right\" }\n";
    let told = told(&[word]);
    assert!(told.contains("another side than `eye`"), "{told}");
}

/// A proposal is none; one that a draft leaves open is no mistake for whoever only looks.
#[test]
fn a_proposed_label_is_not_in_force() {
    let draft = "[[label]]\ntext = \"ONSD RE\"\n\
        proposed = { quantity = \"sheath_diameter\", eye = \"right\" }\n\
        [[label]]\ntext = \"X\"\nproposed = {}\n";
    assert!(told(&[draft]).contains("nobody has confirmed"));
    let file = [("draft.toml".to_owned(), draft.to_owned())];
    let shown = Templates::load_with(&[], &file, Proposals::AsConfirmed).unwrap();
    assert!(shown.vocabulary().label("onsd re").is_some());
    assert!(shown.vocabulary().label("x").is_none());
}
