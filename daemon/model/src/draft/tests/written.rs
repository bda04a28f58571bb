//! Drafts as files.

use super::*;
use crate::sr::code::CodeKey;
use crate::template::Proposals;

fn as_confirmed(text: &str) -> Templates {
    let file = [("draft.toml".to_owned(), text.to_owned())];
    Templates::load_with(&[], &file, Proposals::AsConfirmed)
        .unwrap_or_else(|wrong| panic!("{wrong:#?}\n{text}"))
}

#[test]
fn a_draft_is_a_dictionary_that_is_never_in_force() {
    let draft = of(&[
        number("K1", "ONSD right"),
        number("K2", "ONSD left"),
        number("K3", "Something"),
        label("Sheath OD"),
        label("Sheath OS"),
        code(CodeRole::Item, "SIDE", "Seite"),
        code(CodeRole::Part, "PART", "Guaina"),
    ]);
    let text = draft.to_toml();
    let file = [("draft.toml".to_owned(), text.clone())];
    let refused = Templates::load(&[], &file).expect_err("a draft is refused");
    assert_eq!(refused.len(), 1, "{refused:#?}");
    let read = as_confirmed(&text);
    let eye = |code: &str| {
        let says = read.vocabulary().term(&CodeKey::new(code, "99TARNHOLT"));
        says.and_then(|says| says.side)
    };
    assert_eq!(
        (eye("K1"), eye("K2")),
        (Some(Side::Right), Some(Side::Left))
    );
    let label = |text: &str| read.vocabulary().label(text).and_then(|says| says.side);
    assert_eq!(label("sheath  od"), Some(Side::Right));
    assert_eq!(
        read.vocabulary().term(&CodeKey::new("K3", "99TARNHOLT")),
        None
    );
    assert_eq!(
        read.site_measures().into_iter().flatten().count(),
        1,
        "a width of what is called the sheath"
    );
}

/// Nothing that a sender wrote becomes a key, and codes come back as they were.
#[test]
fn hostile_texts_stay_texts() {
    let hostile = [
        "x\"\n[[term]]\ncode = \"K9\"\nscheme = \"99X\"\nsays = { eye = \"right\" }",
        "\u{1b}[2Jx",
        "a\u{202e}b\u{200b}",
        "'''\"\"\"\\",
        "# proposed = { eye = \"left\" }",
        "]]\r\n[templates]",
        "\u{0}\u{85}\u{2028}",
    ];
    for text in hostile {
        let mut named = number(text, text);
        named.scheme = format!("99{}", &text[..1]);
        named.examples[0].value = Some(text.to_owned());
        named.examples[0].given_as = Some(text.to_owned());
        named.examples[0].place = text.to_owned();
        let draft = of_senders(&[(
            text,
            &[named.clone(), label(text), number("K1", "ONSD right")],
        )]);
        let written = draft.to_toml();
        assert!(
            !written
                .chars()
                .any(|c| c != '\n' && crate::legible::misleads(c)),
            "{written:?}"
        );
        as_confirmed(&written);
        let table: toml::Table = written.parse().expect("TOML");
        let terms = table["term"].as_array().expect("terms");
        assert!(
            terms.iter().all(|term| term.get("says").is_none()),
            "{written}"
        );
        assert_eq!(table.keys().count(), 2, "{written}");
        assert_eq!(terms.len(), 2, "{written}");
        assert!(
            terms.iter().any(|term| term["code"].as_str() == Some(text)),
            "{written}"
        );
    }
}

/// Numbers without a concept name are told and cannot be explained.
#[test]
fn what_no_dictionary_can_explain_is_a_comment() {
    let mut nameless = number("", "");
    nameless.scheme = String::new();
    let text = of(&[nameless]).to_toml();
    assert!(
        text.parse::<toml::Table>().expect("TOML").is_empty(),
        "{text}"
    );
    assert!(text.contains("no dictionary can explain it"), "{text}");
}

/// Labels side by side are told of, since no number is given one by order; those that stand apart are not.
#[test]
fn labels_of_one_container_are_told_of() {
    let at = |text: &str, place: &str| {
        let mut one = label(text);
        for example in &mut one.examples {
            example.place = place.to_owned();
        }
        one
    };
    let told = |places: [&str; 2]| {
        let draft = of(&[at("ONSD right", places[0]), at("ONSD left", places[1])]);
        let labels = ["ONSD right", "ONSD left"].map(|text| row(&draft, text).notes.clone());
        labels.map(|notes| {
            notes
                .iter()
                .any(|note| note.contains("[labels] with stand"))
        })
    };
    assert_eq!(told(["1.1", "1.3"]), [true, true]);
    assert_eq!(told(["1.1.1", "1.2.1"]), [false, false]);
}
