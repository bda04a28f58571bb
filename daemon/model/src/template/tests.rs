use super::words::{Role, Side, Site};
use super::*;
use crate::domain::{Mistake, Plane};
use crate::sr::code::CodeKey;

fn told(mistakes: &[Mistake]) -> Vec<String> {
    mistakes.iter().map(ToString::to_string).collect()
}

fn dictionary(text: &str) -> Result<Templates, Vec<Mistake>> {
    Templates::load(&[], &[("site.toml".to_owned(), text.to_owned())])
}

fn template(text: &str) -> Result<Templates, Vec<Mistake>> {
    Templates::load(&[("mine.toml".to_owned(), text.to_owned())], &[])
}

#[test]
fn built_in_files_hold() {
    let templates = Templates::builtin().unwrap_or_else(|wrong| panic!("{:#?}", told(&wrong)));
    let ids: Vec<&str> = templates.list().iter().map(|one| one.id.as_str()).collect();
    assert_eq!(
        ids,
        [
            "coded-values",
            "sections-by-side",
            "site-on-number",
            "tid1500"
        ]
    );
    assert!(templates.vocabulary().len() > 100);
    assert_eq!(templates.fingerprint().len(), 64);
    assert!(templates.list().iter().all(|one| one.hash.len() == 12));
}

/// The retired SNOMED-RT style codes and their SCT twins, as pydicom 3.0 maps them
/// (`pydicom.sr._snomed_dict`), say the same, under every name of the old scheme.
#[test]
fn retired_twins_say_the_same() {
    let templates = Templates::builtin().unwrap();
    let term = |value: &str, scheme: &str| {
        templates
            .vocabulary()
            .term(&CodeKey::new(value, scheme))
            .unwrap_or_else(|| panic!("{value} {scheme}"))
            .clone()
    };
    for (old, new) in [
        ("T-A8040", "18234004"),
        ("T-AA630", "81016008"),
        ("T-AA000", "81745001"),
        ("T-D0801", "371398005"),
        ("T-D14AE", "363654007"),
        ("T-AA180", "40638003"),
        ("G-C0E3", "363698007"),
        ("G-C171", "272741003"),
        ("G-A1F8", "106233006"),
        ("G-A100", "24028007"),
        ("G-A101", "7771000"),
        ("G-A102", "51440002"),
        ("G-A103", "66459002"),
        ("M-02550", "81827009"),
        ("G-D7FE", "410668003"),
        ("G-A220", "103355008"),
        ("G-D785", "131197000"),
        ("G-A185", "103339001"),
        ("G-A186", "103340004"),
        ("R-002E1", "371912002"),
        ("R-00317", "373098007"),
        ("R-00319", "373099004"),
        ("R-0032E", "373100007"),
        ("R-41D41", "258104002"),
        ("R-41D2D", "258090004"),
        ("R-10260", "414135002"),
        ("G-A437", "56851009"),
        ("R-404FB", "255605001"),
        ("R-10047", "386136009"),
        ("R-40507", "255619001"),
        ("G-A117", "62824007"),
        ("G-A145", "30730003"),
        ("G-A189", "103343002"),
        ("G-A472", "21114003"),
        ("G-C036", "370129005"),
    ] {
        for scheme in ["SRT", "SNM3", "99SDM"] {
            assert_eq!(term(old, scheme), term(new, "SCT"), "{old}");
        }
    }
    // PS3.16 CID 247, 7706; annex D.
    assert_eq!(term("24028007", "SCT").side, Some(Side::Right));
    assert_eq!(term("7771000", "SCT").side, Some(Side::Left));
    assert_eq!(term("18234004", "SCT").site, Some(Site::OpticNerve));
    assert_eq!(term("62824007", "SCT").plane, Some(Plane::Transverse));
    assert_eq!(term("121008", "DCM").role, Some(Role::ObserverName));
}

#[test]
fn every_mistake_at_once_with_its_place() {
    let text = r#"
[[term]]
code = "A"
scheme = "99X"
says = { quantity = "sheath_width", eye = "rigth" }

[[term]]
code = "A"
scheme = "99X"
colour = "red"
says = { eye = "left" }

[[term]]
scheme = "99X"
also = ["B"]
says = {}
"#;
    let wrong = dictionary(text).unwrap_err();
    let at: Vec<(usize, usize)> = wrong.iter().map(|one| (one.line, one.column)).collect();
    assert_eq!(
        at,
        [(5, 21), (5, 43), (10, 1), (8, 8), (13, 1), (16, 8), (15, 9)],
        "{:#?}",
        told(&wrong)
    );
    assert!(told(&wrong)[2].contains("unknown key `colour`; write one of: code, scheme"));
    assert!(told(&wrong)[3].contains("a second [[term]] for A 99X; keep one of them"));
}

#[test]
fn broken_syntax_is_told_alone() {
    let wrong = dictionary("[[term]\ncode = 1").unwrap_err();
    assert!(!wrong.is_empty());
    assert_eq!(wrong[0].line, 1);
    assert!(wrong.iter().all(|one| !one.what.contains("missing")));
}

#[test]
fn rules_that_would_take_anything_are_refused() {
    for rule in [
        "quantity = \"sheath_diameter\"",
        "quantity = \"sheath_diameter\"\nconcept = [\"diameter\"]",
        "quantity = \"sheath_diameter\"\nsite = [\"optic_nerve\"]",
        "named = true",
        "quantity = \"sheath_diameter\"\nnamed = true\nsite = [\"eye\"]",
        "quantity = \"not_ours\"\nnamed = true",
    ] {
        assert_eq!(
            dictionary(&format!("[[measure]]\n{rule}\n"))
                .unwrap_err()
                .len(),
            1,
            "{rule}"
        );
    }
    assert!(template("id = \"a b\"\ntitle = \"A\"").is_err());
    assert!(
        template("title = \"A\"\n[[measure]]\nquantity = \"disc_elevation\"\nnamed = true")
            .is_err()
    );
}

#[test]
fn site_terms_override_and_files_must_agree() {
    let axial = |plane: &str| {
        format!(
            "[[term]]\ncode = \"62824007\"\nscheme = \"SCT\"\nsays = {{ plane = \"{plane}\" }}\n"
        )
    };
    let one = dictionary(&axial("oblique")).unwrap();
    let key = CodeKey::new("62824007", "SCT");
    assert_eq!(
        one.vocabulary().term(&key).unwrap().plane,
        Some(Plane::Oblique)
    );
    assert_ne!(
        one.fingerprint(),
        Templates::builtin().unwrap().fingerprint()
    );
    let two = |second: &str| {
        Templates::load(
            &[],
            &[
                ("a.toml".to_owned(), axial("oblique")),
                ("b.toml".to_owned(), axial(second)),
            ],
        )
    };
    assert!(two("oblique").is_ok());
    let wrong = two("sagittal").unwrap_err();
    assert_eq!((wrong[0].file.as_str(), wrong[0].line), ("b.toml", 2));
}

#[test]
fn extra_templates_replace_by_id() {
    let text = "id = \"tid1500\"\ntitle = \"Ours\"\n[[measure]]\nquantity = \"sheath_diameter\"\nnamed = true\n";
    let templates = template(text).unwrap();
    assert_eq!(templates.list().len(), 4);
    let ours = templates
        .list()
        .iter()
        .find(|one| one.id == "tid1500")
        .unwrap();
    assert_eq!(ours.title, "Ours");
    let file = |name: &str| (name.to_owned(), text.to_owned());
    let wrong = Templates::load(&[file("a.toml"), file("b.toml")], &[]).unwrap_err();
    assert!(told(&wrong)[0].contains("the id `tid1500` is also in a.toml"));
}

#[test]
fn the_most_specific_template_reads() {
    let templates = Templates::builtin().unwrap();
    let chosen = |shape: &Shape| match templates.choose(shape) {
        Choice::One(template) => template.id.clone(),
        other => format!("{other:?}"),
    };
    let mut shape = Shape::default();
    assert_eq!(chosen(&shape), "coded-values");
    shape.finding_site = true;
    assert_eq!(chosen(&shape), "site-on-number");
    shape.section_per_side = true;
    assert_eq!(chosen(&shape), "sections-by-side");
    shape.root = vec![CodeKey::new("126000", "DCM")];
    assert_eq!(chosen(&shape), "tid1500");
}

/// A word is a whole text; case and blanks do not count, and two words may not disagree.
#[test]
fn words_tell_a_side() {
    let templates = dictionary("[[word]]\ntext = \"Oculus Dexter\"\neye = \"right\"\n").unwrap();
    let word = |text: &str| templates.vocabulary().word(text);
    assert_eq!(word(" oculus  DEXTER "), Some(Side::Right));
    assert_eq!(word("oculus dexter, repeated"), None);
    let wrong = dictionary(
        "[[word]]\ntext = \"OD\"\neye = \"right\"\n[[word]]\ntext = \"od\"\neye = \"left\"\n\
         [[word]]\ntext = \"OS\"\n[[word]]\neye = \"left\"\nsays = {}\n",
    )
    .unwrap_err();
    let wrong = told(&wrong);
    assert_eq!(wrong.len(), 4, "{wrong:#?}");
    let files = [("a", "right"), ("b", "left")].map(|(name, eye)| {
        (
            name.to_owned(),
            format!("[[word]]\ntext = \"OX\"\neye = \"{eye}\"\n"),
        )
    });
    assert!(Templates::load(&[], &files).is_err());
}

const DRAFT: &str = r#"
    [[term]]
    code = "K1"
    scheme = "99TARNHOLT"
    called = ["Sheath right", "Sheath, right eye"]
    proposed = { quantity = "sheath_diameter", eye = "right" }

    [[term]]
    code = "K2"
    scheme = "99TARNHOLT"
    proposed = {}

    [[word]]
    text = "Auge 2"
    proposed = "left"
"#;

#[test]
fn proposals_are_refused_unless_somebody_only_looks() {
    let wrong = dictionary(DRAFT).expect_err("refused");
    let told = told(&wrong);
    assert_eq!(told.len(), 1, "{told:#?}");
    assert!(told[0].starts_with("site.toml:6:"), "{told:?}");
    assert!(told[0].contains("nobody has confirmed its proposals (3"));
    assert!(told[0].contains("template confirm"));

    let draft = [("site.toml".to_owned(), DRAFT.to_owned())];
    let looked = Templates::load_with(&[], &draft, Proposals::AsConfirmed).expect("as confirmed");
    let says = |code: &str| looked.vocabulary().term(&CodeKey::new(code, "99TARNHOLT"));
    assert_eq!(says("K1").and_then(|says| says.side), Some(Side::Right));
    assert_eq!(says("K2"), None, "left open");
    assert_eq!(looked.vocabulary().word("AUGE  2"), Some(Side::Left));
}

/// A refused draft hides none of its other mistakes, and nothing is said twice.
#[test]
fn what_is_wrong_with_a_proposal_is_told() {
    let text = r#"
        [[term]]
        code = "K1"
        scheme = "99TARNHOLT"
        called = ["Sheath", "Sheath, left eye"]
        proposed = { quantity = "sheath_diameter", eye = "right" }

        [[term]]
        code = "K2"
        scheme = "99TARNHOLT"
        says = { eye = "left" }
        proposed = { eye = "right" }

        [[word]]
        text = "R"
        eye = "right"
        proposed = "left"
    "#;
    let told = told(&dictionary(text).expect_err("mistakes"));
    let one = |what: &str| told.iter().filter(|line| line.contains(what)).count();
    assert_eq!(one("names another side than `eye`"), 1, "{told:#?}");
    assert_eq!(one("either `says` or `proposed`"), 1, "{told:#?}");
    assert_eq!(one("either `eye` or `proposed`"), 1, "{told:#?}");
    assert_eq!(one("nobody has confirmed"), 1, "{told:#?}");
}

/// Each would read everything, or the other eye, as one eye.
#[test]
fn an_eye_that_would_hold_for_everything_is_refused() {
    let term = |code: &str, says: &str| {
        let (code, scheme) = code.split_once(' ').expect("code and scheme");
        format!("[[term]]\ncode = \"{code}\"\nscheme = \"{scheme}\"\nsays = {{ {says} }}\n")
    };
    let refused = [
        (
            term("S 99T", "role = \"laterality\", eye = \"right\""),
            "beside `role`",
        ),
        (
            term("M 99T", "unit = \"mm\", eye = \"left\""),
            "beside `unit`",
        ),
        (
            term(
                "121206 DCM",
                "quantity = \"sheath_diameter\", eye = \"right\"",
            ),
            "common code",
        ),
        (
            term("18234004 SCT", "site = \"optic_nerve\", eye = \"right\""),
            "common code",
        ),
        (term("mm UCUM", "eye = \"right\""), "common code"),
        (term("24028007 SCT", "eye = \"left\""), "common code"),
        (term("G-A101 SRT", "eye = \"right\""), "common code"),
        (
            "[[word]]\ntext = \"Left eye\"\neye = \"right\"\n".to_owned(),
            "names another side",
        ),
    ];
    for (text, what) in refused {
        let told = told(&dictionary(&text).expect_err(&text));
        let found = told.iter().filter(|line| line.contains(what)).count();
        assert_eq!(found, 1, "{text}: {told:#?}");
        // A dictionary for one sender is held to the same.
        let files = Files {
            senders: vec![SenderFiles {
                conditions: Conditions::default(),
                dictionaries: vec![("site.toml".to_owned(), text.clone())],
            }],
            ..Files::default()
        };
        let told = self::told(&Templates::of_files(&files).expect_err(&text));
        assert!(told.iter().any(|line| line.contains(what)), "{told:#?}");
    }
    for sound in [
        term("K 99T", "quantity = \"sheath_diameter\", eye = \"right\""),
        term("24028007 SCT", "eye = \"right\""),
        term("121206 DCM", "concept = \"distance\""),
        "[[word]]\ntext = \"Auge 2\"\neye = \"right\"\n".to_owned(),
    ] {
        assert!(dictionary(&sound).is_ok(), "{sound}");
    }
}
