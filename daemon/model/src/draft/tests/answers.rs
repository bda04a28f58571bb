//! What a person may answer, and the dictionary that comes of it.

use super::super::confirm::{Question, Sheet};
use super::super::doubts;
use super::*;
use crate::sr::code::CodeKey;
use std::collections::BTreeMap;

fn sheet(draft: &Draft, before: &str) -> Sheet {
    let text = draft.to_toml();
    Sheet::open(("draft.toml", &text), ("site.toml", before))
        .unwrap_or_else(|wrong| panic!("{wrong:#?}\n{text}"))
}

fn at(sheet: &Sheet, name: &str) -> usize {
    let mut names = sheet.questions().iter();
    names
        .position(|one| one.name() == name)
        .unwrap_or_else(|| panic!("no question for {name}: {:#?}", sheet.questions()))
}

fn question<'a>(sheet: &'a Sheet, name: &str) -> &'a Question {
    &sheet.questions()[at(sheet, name)]
}

fn give(sheet: &mut Sheet, name: &str, text: &str) -> Result<(), String> {
    let at = at(sheet, name);
    match sheet.questions()[at].answer(text)? {
        Some(says) => sheet
            .give(at, says, "somebody")
            .map_err(|wrong| format!("{wrong:?}")),
        None => Ok(()),
    }
}

fn read(text: &str) -> Templates {
    let file = [("site.toml".to_owned(), text.to_owned())];
    Templates::load(&[], &file).unwrap_or_else(|wrong| panic!("{wrong:#?}\n{text}"))
}

fn words(says: &[(&str, &str)]) -> BTreeMap<String, String> {
    says.iter()
        .map(|(key, word)| ((*key).to_owned(), (*word).to_owned()))
        .collect()
}

const SHEATH: (&str, &str) = ("quantity", "sheath_diameter");

#[test]
fn a_blind_yes_takes_no_side() {
    let sheet = sheet(&of(&[number("K1", "ONSD right"), number("K2", "ONSD")]), "");
    let sided = question(&sheet, "K1 99TARNHOLT");
    let refused = sided.answer("y").expect_err("a side needs its letter");
    assert!(refused.contains('r'), "{refused}");
    assert_eq!(
        sided.answer("r"),
        Ok(Some(words(&[SHEATH, ("eye", "right")])))
    );
    let plain = question(&sheet, "K2 99TARNHOLT");
    assert_eq!(plain.answer("Y"), Ok(Some(words(&[SHEATH]))));
    assert_eq!(
        plain.answer("l"),
        Ok(Some(words(&[SHEATH, ("eye", "left")])))
    );
    assert_eq!(plain.answer(" "), Ok(None));
    assert_eq!(
        plain.answer("n"),
        Ok(Some(words(&[("quantity", "not_ours")])))
    );
}

#[test]
fn own_words_are_the_keys_words() {
    use CodeRole::{Item, Number, Part, Section, Unit};
    let cases = [
        (Number, "sheath left", Ok(&[SHEATH, ("eye", "left")][..])),
        (Number, "nerve", Ok(&[("quantity", "nerve_diameter")])),
        (Number, "distance", Ok(&[("concept", "distance")])),
        (
            Number,
            "sheath transverse mean",
            Ok(&[("derivation", "mean"), ("plane", "transverse"), SHEATH]),
        ),
        (
            Section,
            "sheath",
            Ok(&[("site", "optic_nerve"), ("structure", "sheath")]),
        ),
        (Section, "right", Ok(&[("eye", "right")])),
        (
            Part,
            "nerve",
            Ok(&[("site", "optic_nerve"), ("structure", "nerve")]),
        ),
        (Unit, "mm", Ok(&[("unit", "mm")])),
        (Unit, "inch", Ok(&[("unit", "[in_i]")])),
        (Item, "laterality", Ok(&[("role", "laterality")])),
        (Item, "depth", Ok(&[("role", "depth")])),
        (Number, "right", Err("as `sheath right`")),
        (Number, "right left", Err("two things")),
        (Number, "sheat", Err("no word that counts")),
        (Number, "y", Err("nothing is proposed")),
    ];
    for (role, text, wanted) in cases {
        let sheet = sheet(&of(&[code(role, "K", "Qqq")]), "");
        let given = question(&sheet, "K 99TARNHOLT").answer(text);
        match wanted {
            Ok(says) => assert_eq!(given, Ok(Some(words(says))), "{role:?} {text}"),
            Err(told) => {
                let why = given.expect_err("refused");
                assert!(why.contains(told), "{text}: {why}");
            }
        }
    }
}

#[test]
fn confirmed_rows_are_in_force_and_the_rest_is_told() {
    let draft = of(&[
        number("K1", "ONSD right"),
        number("K2", "ONSD left"),
        number("K3", "Kidney length"),
        number("K4", "Mystery"),
        label("Sheath OD"),
        label("Sheath OS"),
    ]);
    let mut sheet = sheet(&draft, "");
    assert_eq!(sheet.questions().len(), 6);
    assert!(question(&sheet, "K1 99TARNHOLT").comments[0].contains("names a number"));
    for (name, text) in [
        ("K1 99TARNHOLT", "r"),
        ("K2 99TARNHOLT", "l"),
        ("K3 99TARNHOLT", "n"),
        ("\"Sheath OD\"", "r"),
    ] {
        give(&mut sheet, name, text).unwrap_or_else(|why| panic!("{name}: {why}"));
    }
    let text = sheet.dictionary();
    let templates = read(&text);
    let says = |code: &str| {
        templates
            .vocabulary()
            .term(&CodeKey::new(code, "99TARNHOLT"))
    };
    assert_eq!(says("K1").and_then(|says| says.side), Some(Side::Right));
    assert_eq!(says("K4"), None);
    assert!(templates.vocabulary().label("Sheath OS").is_none());
    assert!(text.contains("# somebody"), "{text}");
    assert!(text.contains("#   K4 99TARNHOLT"), "{text}");
    assert_eq!(sheet.doubts(), []);

    // The same draft again asks only for what is open, and keeps what was said.
    let again =
        super::super::confirm::Sheet::open(("draft.toml", &draft.to_toml()), ("site.toml", &text));
    let mut again = again.expect("goes on");
    assert_eq!((again.known, again.questions().len()), (4, 2));
    give(&mut again, "K4 99TARNHOLT", "sheath").expect("answered");
    give(&mut again, "\"Sheath OS\"", "l").expect("answered");
    let whole = again.dictionary();
    read(&whole);
    assert!(!whole.contains("Left open"), "{whole}");
    assert_eq!(whole.matches("[[term]]").count(), 4, "{whole}");
}

/// An answer that cannot be meant is refused at once, and the others stay.
#[test]
fn answers_that_cannot_be_meant_are_refused() {
    let draft = of(&[
        number("ONSD_R", "Sheath one"),
        number("ONSD_L", "Sheath two"),
        number("K3", "ONSD right"),
        code(CodeRole::Item, "SIDE", "Seite"),
    ]);
    let mut sheet = sheet(&draft, "");
    give(&mut sheet, "ONSD_R 99TARNHOLT", "sheath right").expect("taken");
    let why = give(&mut sheet, "ONSD_L 99TARNHOLT", "sheath right").expect_err("mirror");
    assert!(why.contains("differ in the side alone"), "{why}");
    let why = give(&mut sheet, "K3 99TARNHOLT", "l").expect_err("its meaning says right");
    assert!(
        why.contains("another side") && why.contains("nothing = true"),
        "{why}"
    );
    let why = give(&mut sheet, "SIDE 99TARNHOLT", "laterality right").expect_err("an item");
    assert!(why.contains("role"), "{why}");
    assert_eq!(sheet.answered(), 1);
    read(&sheet.dictionary());
}

#[test]
fn no_answer_changes_nothing() {
    let draft = of(&[
        number("K1", "ONSD right"),
        code(CodeRole::Part, "P", "Guaina"),
    ]);
    let sheet = sheet(&draft, "");
    let read = read(&sheet.dictionary());
    let builtin = Templates::builtin().expect("built in");
    assert_eq!(read.vocabulary(), builtin.vocabulary());
    assert_eq!(read.site_measures(), builtin.site_measures());
}

/// What somebody wrote into the draft or the dictionary by hand is kept.
#[test]
fn what_was_written_by_hand_is_kept() {
    let text = of(&[number("K1", "ONSD right")]).to_toml()
        + "\n[[term]]\ncode = \"H\"\nscheme = \"99H\"\nsays = { unit = \"mm\" }\n";
    let before = "# mine\n[[word]]\ntext = \"Auge 2\"\neye = \"left\"\n";
    let mut sheet = Sheet::open(("d", &text), ("s", before)).expect("opens");
    give(&mut sheet, "K1 99TARNHOLT", "r").expect("taken");
    let written = sheet.dictionary();
    let read = read(&written);
    assert!(written.starts_with("# mine\n"), "{written}");
    assert_eq!(read.vocabulary().word("auge 2"), Some(Side::Left));
    assert!(read.vocabulary().term(&CodeKey::new("H", "99H")).is_some());
}

/// Dictionaries that would read one code, or everything, as one eye.
#[test]
fn dictionaries_that_say_one_eye_of_everything_are_doubted() {
    let term = |code: &str, meaning: &str, eye: &str| {
        format!(
            "[[term]]\ncode = \"{code}\"\nscheme = \"99T\"\nmeaning = \"{meaning}\"\n\
             says = {{ quantity = \"sheath_diameter\", eye = \"{eye}\" }}\n"
        )
    };
    let told = |text: &str| -> Vec<String> {
        doubts("site.toml", text)
            .iter()
            .map(ToString::to_string)
            .collect()
    };
    let all = told(&(term("A1", "One", "right") + &term("A2", "Two", "right")));
    assert!(
        all.len() == 1 && all[0].contains("all 2 entries"),
        "{all:?}"
    );
    let labels = "[[label]]\ntext = [\"One\"]\nsays = { quantity = \"sheath_diameter\", eye = \"left\" }\n\
                  [[label]]\ntext = [\"Two\"]\nsays = { quantity = \"sheath_diameter\", eye = \"left\" }\n";
    assert_eq!(told(labels).len(), 1);
    let mirror = term("S_R", "Right one", "right") + &term("S_L", "Two", "right");
    assert!(
        told(&mirror)[0].contains("differ in the side alone"),
        "{:?}",
        told(&mirror)
    );
    for sound in [
        term("A1", "One", "right") + &term("A2", "Two", "left"),
        term("A1", "Right one", "right") + &term("A2", "Two", "right"),
        term("A1", "One", "right"),
        term("S_R", "One", "right") + &term("S_L", "Two", "left"),
        term("ONSD_R", "Right 1", "right") + &term("ONSD_OD", "Right 2", "right"),
    ] {
        assert_eq!(told(&sound), Vec::<String>::new(), "{sound}");
    }
}
