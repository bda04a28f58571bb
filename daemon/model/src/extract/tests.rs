mod apart;
mod depths;
mod labels;
mod unexplained;

use super::build::*;
use super::*;
use crate::domain::{Derivation, Eye, Laterality, Modality, Plane, Quantity};
use crate::sr::Code;
use crate::sr::tree::Relationship::*;
use crate::template::vocabulary::is_private;
use proptest::prelude::*;
use std::sync::LazyLock;

fn builtin() -> &'static Templates {
    static BUILTIN: LazyLock<Templates> = LazyLock::new(|| Templates::builtin().unwrap());
    &BUILTIN
}

fn read(tree: &Tree) -> Extraction {
    extract(tree, builtin())
}

fn codes(remarks: &[Remark]) -> Vec<&str> {
    remarks.iter().map(|remark| remark.code.as_ref()).collect()
}

fn eyes(extraction: &Extraction) -> Vec<Laterality> {
    extraction.found.iter().map(|one| one.eye).collect()
}

/// TID 1501 rows 6 to 7: site and side on the group, siblings of the numbers.
#[test]
fn side_on_the_group() {
    let found = read(&report(vec![
        vec![site(RIGHT), mm("5.6", vec![]), mm("5.5", vec![])],
        vec![mm("5.4", vec![]), site(LEFT)],
    ]));
    assert!(found.template.unwrap().starts_with("tid1500@"));
    let places: Vec<&str> = found.found.iter().map(|one| one.place.as_str()).collect();
    assert_eq!(places, ["1.1.1.2", "1.1.1.3", "1.1.2.1"]);
    let eyes: Vec<_> = found.found.iter().map(|one| one.eye).collect();
    assert_eq!(
        eyes,
        [Laterality::Right, Laterality::Right, Laterality::Left]
    );
    assert!(
        found
            .found
            .iter()
            .all(|one| one.quantity == Quantity::SheathDiameter)
    );
    assert!(found.found.iter().all(|one| one.remarks.is_empty()));
    assert_eq!(found.remarks, []);
}

/// TID 300 rows 5 to 7: site and side below the number; Laterality also as its direct modifier.
#[test]
fn side_on_the_number() {
    let found = read(&report(vec![vec![
        mm("5.6", vec![site(RIGHT)]),
        mm("5.5", vec![site(""), modifier(LATERALITY, LEFT, vec![])]),
        mm(
            "5.4",
            vec![modifier(
                SITE,
                "458766 MDC",
                vec![modifier(PART, SHEATH, vec![])],
            )],
        ),
    ]]));
    assert_eq!(
        eyes(&found),
        [Laterality::Right, Laterality::Left, Laterality::Right]
    );
}

/// TID 5103 row 3: Laterality directly under a section, groups below it; and sections that are
/// named by a pre-coordinated eye.
#[test]
fn side_of_nested_sections() {
    let section = |side: &str, value: &str| {
        container(
            FINDINGS,
            vec![
                site(""),
                modifier(LATERALITY, side, vec![]),
                container(GROUP, vec![container(GROUP, vec![mm(value, vec![])])]),
            ],
        )
    };
    let tree = container(
        "25061-3 LN",
        vec![section(RIGHT, "5.8"), section(LEFT, "5.4")],
    )
    .plant();
    let found = read(&tree);
    assert!(
        found
            .template
            .as_ref()
            .unwrap()
            .starts_with("sections-by-side@")
    );
    assert_eq!(eyes(&found), [Laterality::Right, Laterality::Left]);

    let named = |eye: &str| container(eye, vec![mm("5.8", vec![site("")])]);
    let tree = container(
        "25061-3 LN",
        vec![named("18944008 SCT"), named("8966001 SCT")],
    )
    .plant();
    assert_eq!(eyes(&read(&tree)), [Laterality::Right, Laterality::Left]);
}

#[test]
fn disagreement_names_both_places() {
    let tree = container(
        "25061-3 LN",
        vec![
            container(
                "8966001 SCT",
                vec![container(GROUP, vec![site(RIGHT), mm("5.9", vec![])])],
            ),
            container(
                "18944008 SCT",
                vec![container(GROUP, vec![site(RIGHT), mm("5.7", vec![])])],
            ),
        ],
    )
    .plant();
    let found = read(&tree);
    assert_eq!(eyes(&found), [Laterality::Unresolved, Laterality::Right]);
    let [remark] = found.found[0].remarks.as_slice() else {
        panic!("{:?}", found.found[0].remarks)
    };
    assert_eq!(remark.code, "laterality-conflict");
    assert_eq!(
        remark.text,
        "The report says both right and left for this value (technical: 1.1.1.1.2 says right (24028007 \
         SCT), but 1.1 says left (8966001 SCT))."
    );
    assert_eq!(remark.place.as_deref(), Some("1.1.1.2"));
}

/// CID 244: right and left together, or one of them, is no side.
#[test]
fn bilateral_is_not_a_side() {
    let one = |side: &str| {
        let found = read(&report(vec![vec![site(side), mm("5.6", vec![])]]));
        (
            found.found[0].eye,
            found.found[0].remarks[0].code.to_string(),
        )
    };
    let missing = (Laterality::Unresolved, "laterality-missing".to_owned());
    assert_eq!(one("51440002 SCT"), missing);
    assert_eq!(one("66459002 SCT"), missing);
    assert_eq!(one(""), missing);
    assert_eq!(one("99999999 SCT").1, "laterality-unclear");

    // "Both eyes" further out is narrowed; nearer or as near it contradicts.
    let outside = container(
        "40638003 SCT",
        vec![container(GROUP, vec![site(LEFT), mm("5.6", vec![])])],
    );
    let tree = container(REPORT, vec![outside]).plant();
    assert_eq!(eyes(&read(&tree)), [Laterality::Left]);
    let inside = report(vec![vec![
        site(RIGHT),
        mm("5.6", vec![modifier(LATERALITY, "51440002 SCT", vec![])]),
    ]]);
    assert_eq!(
        read(&inside).found[0].remarks[0].code,
        "laterality-conflict"
    );
}

/// TID 320 with TID 1602: the picture's Image Laterality, wherever it stands.
#[test]
fn side_of_the_picture_settles_and_contradicts() {
    let picture = |children| {
        let value = Value::Instance {
            class: "1.2.840.10008.5.1.4.1.1.6.1".to_owned(),
            instance: "1.2.3".to_owned(),
            frames: Vec::new(),
        };
        let mut node = text("260753009 SCT", value).by(InferredFrom);
        node.children = children;
        node
    };
    let library = |side: &str| {
        let below = vec![modifier("111027 DCM", side, vec![]).by(HasAcqContext)];
        container("111028 DCM", vec![picture(below).by(Contains)])
    };
    let tree = |side: &str, of_library: &str| {
        let group = container(GROUP, vec![site(side), mm("5.6", vec![picture(vec![])])]);
        container(REPORT, vec![library(of_library), group]).plant()
    };
    assert_eq!(eyes(&read(&tree("", LEFT))), [Laterality::Left]);
    assert_eq!(eyes(&read(&tree(LEFT, LEFT))), [Laterality::Left]);
    let conflict = read(&tree(RIGHT, LEFT));
    assert_eq!(conflict.found[0].remarks[0].code, "laterality-conflict");
}

/// Known quirk of writers: Finding Site tied by CONTAINS (dcmjs-org/dcmjs#197).
#[test]
fn site_by_contains() {
    let found = read(&report(vec![vec![
        site(RIGHT).by(Contains),
        mm("5.6", vec![]),
    ]]));
    assert_eq!(eyes(&found), [Laterality::Right]);
    assert_eq!(codes(&found.found[0].remarks), ["modifier-by-contains"]);
}

/// TID 310 to 312: a NUM below a NUM by HAS PROPERTIES is no second value.
#[test]
fn properties_are_no_values() {
    let property = |concept: &str, value: &str, unit: &str| {
        number(concept, value, unit, vec![]).by(HasProperties)
    };
    let found = read(&report(vec![vec![
        site(RIGHT),
        mm(
            "5.6",
            vec![
                property(DIAMETER, "5.1", "mm UCUM"),
                property("386136009 SCT", "0.2", "mm UCUM"),
                property("depth-from-globe 99SHEATHLINE", "3.0", "mm UCUM"),
                property("caliper-angle 99SHEATHLINE", "8", "deg UCUM"),
            ],
        ),
    ]]));
    assert_eq!(found.found.len(), 1);
    assert_eq!(found.found[0].depths.len(), 1);
    assert_eq!(found.found[0].angles.len(), 1);
    assert_eq!(found.remarks, []);
}

/// TID 300 row 9: the readings behind a mean, by value. They take its context, not its derivation.
#[test]
fn readings_behind_a_mean() {
    let reading = |value: &str| mm(value, vec![]).by(InferredFrom);
    let reference = {
        let mut node = mm("0", vec![]).by(InferredFrom);
        node.item.concept = None;
        node.item.value = Value::Reference(vec![1, 1, 1, 2]);
        node
    };
    let mean = mm(
        "5.5",
        vec![
            site(RIGHT),
            modifier(DERIVATION, MEAN, vec![]),
            modifier("125105 DCM", "62824007 SCT", vec![]),
            reading("5.4"),
            reading("5.6"),
            reference,
        ],
    );
    let found = read(&report(vec![vec![mean]]));
    let made: Vec<_> = found.found.iter().map(|one| one.derivation).collect();
    assert_eq!(
        made,
        [Derivation::Mean, Derivation::Single, Derivation::Single]
    );
    assert_eq!(eyes(&found), [Laterality::Right; 3]);
    assert!(found.found.iter().all(|one| one.plane == Plane::Transverse));
}

#[test]
fn width_of_the_nerve_is_no_sheath() {
    let bare = modifier(SITE, NERVE, vec![modifier(LATERALITY, RIGHT, vec![])]);
    let found = read(&report(vec![vec![bare.clone(), mm("3.1", vec![])]]));
    assert_eq!(found.found, []);
    assert_eq!(codes(&found.remarks), ["sheath-or-nerve-unclear"]);
    assert_eq!(found.remarks[0].place.as_deref(), Some("1.1.1.2"));

    // The site settles it by a rule of its own.
    let rule = "[[measure]]\nquantity = \"sheath_diameter\"\nconcept = [\"diameter\"]\nsite = [\"optic_nerve\"]\n";
    let site = Templates::load(&[], &[("site.toml".to_owned(), rule.to_owned())]).unwrap();
    let found = extract(&report(vec![vec![bare, mm("5.1", vec![])]]), &site);
    assert_eq!(eyes(&found), [Laterality::Right]);
    // The rule says nothing of a number that names a part.
    let nerve = modifier(
        SITE,
        NERVE,
        vec![modifier(PART, "nerve 99SHEATHLINE", vec![])],
    );
    let found = extract(&report(vec![vec![nerve, mm("3.1", vec![])]]), &site);
    assert_eq!(found.found[0].quantity, Quantity::NerveDiameter);
}

#[test]
fn another_site_below_a_sheath_group_is_not_the_sheath() {
    // 53549008 SCT, ophthalmic artery: no site of ours.
    let artery = mm("1.4", vec![modifier(SITE, "53549008 SCT", vec![])]);
    let found = read(&report(vec![vec![site(RIGHT), artery]]));
    assert_eq!(found.found, []);
    assert_eq!(codes(&found.remarks), ["value-not-recognised"]);
}

#[test]
fn sheath_and_nerve_at_once_is_a_doubt() {
    let number = number(
        "sheath-diameter 99SHEATHLINE",
        "5.1",
        "mm UCUM",
        vec![
            modifier(PART, "nerve 99SHEATHLINE", vec![]),
            modifier(LATERALITY, LEFT, vec![]),
        ],
    );
    let found = read(&report(vec![vec![number]]));
    assert_eq!(codes(&found.remarks), ["sheath-or-nerve-unclear"]);
}

/// Fetal biometry (LOINC 11629-3, 33070-4) and a length nobody explains.
#[test]
fn other_lengths() {
    let orbit = modifier(SITE, "363654007 SCT", vec![]);
    let found = read(&report(vec![vec![
        orbit,
        number("11629-3 LN", "14.2", "mm UCUM", vec![]),
        number("410668003 SCT", "24.1", "mm UCUM", vec![]),
        number("EYE-AX 99TARNHOLT", "23.1", "mm UCUM", vec![]),
        number("8867-4 LN", "80", "/min UCUM", vec![]),
    ]]));
    assert_eq!(found.found, []);
    assert_eq!(
        codes(&found.remarks),
        [
            "value-not-recognised",
            "value-not-recognised",
            "local-code-unknown"
        ]
    );
    assert!(is_private(&code("EYE-AX 99TARNHOLT")));
    assert!(!is_private(&code("G-A100 99SDM")));
}

#[test]
fn dictionary_explains_local_codes() {
    let text = r#"
[[term]]
code = "ONSD R"
scheme = "99TARNHOLT"
says = { quantity = "sheath_diameter", eye = "right", definition = "outer" }
"#;
    let site = Templates::load(&[], &[("site.toml".to_owned(), text.to_owned())]).unwrap();
    let tree = report(vec![vec![number(
        "ONSD R 99TARNHOLT",
        "0.56",
        "cm UCUM",
        vec![],
    )]]);
    let found = extract(&tree, &site);
    assert_eq!(eyes(&found), [Laterality::Right]);
    assert_eq!(
        found.found[0].definition,
        Some(crate::domain::Border::Outer)
    );
    assert_eq!(codes(&read(&tree).remarks), ["local-code-unknown"]);
}

#[test]
fn subject_and_quotation_keep_a_value_from_use() {
    let subject = |class: &str| modifier("121024 DCM", class, vec![]).by(HasObsContext);
    let found = read(&report(vec![
        vec![site(RIGHT), mm("5.0", vec![]), subject("121192 DCM")],
        vec![site(RIGHT), mm("5.0", vec![]), subject("121025 DCM")],
    ]));
    assert_eq!(codes(&found.found[0].remarks), ["subject-not-patient"]);
    assert_eq!(
        found.found[0].remarks[0].text,
        "The report says that a device was measured, not the patient (technical: 1.1.1.3, 121192 DCM)."
    );
    assert_eq!(codes(&found.found[1].remarks), Vec::<&str>::new());
    // A class of DICOM by its code (PS3.16 CID 271), another by what the report calls it.
    for (class, called) in [
        ("121026 DCM", "the fetus"),
        ("121027 DCM", "a specimen"),
        ("PHANTOM 99LOCAL", "\"Eyeball diameter, mean of 3\""),
    ] {
        let found = read(&report(vec![vec![
            site(RIGHT),
            mm("5.0", vec![]),
            subject(class),
        ]]));
        let text = &found.found[0].remarks[0].text;
        let said = format!("The report says that {called} was measured, not the patient");
        assert!(text.starts_with(&said), "{text}");
    }
    let previous = container("121069 DCM", vec![site(RIGHT), mm("5.0", vec![])]);
    let found = read(&container(REPORT, vec![previous]).plant());
    assert_eq!(codes(&found.found[0].remarks), ["value-quoted"]);
}

#[test]
fn nearest_observer_counts() {
    let name = |name: &str| text("121008 DCM", Value::PersonName(name.to_owned()));
    let tree = container(
        REPORT,
        vec![
            name("Outer^One"),
            container(GROUP, vec![site(RIGHT), mm("5.1", vec![])]),
            container(
                GROUP,
                vec![name("Inner^Two"), site(RIGHT), mm("5.2", vec![])],
            ),
        ],
    )
    .plant();
    let found = read(&tree);
    assert_eq!(found.found[0].operator, Given::One("Outer^One".to_owned()));
    assert_eq!(found.found[1].operator, Given::One("Inner^Two".to_owned()));
}

#[test]
fn unknown_or_uncomparable_derivations() {
    let made = |code: &str| {
        let number = mm("5.5", vec![site(RIGHT), modifier(DERIVATION, code, vec![])]);
        read(&report(vec![vec![number]]))
    };
    assert_eq!(
        codes(&made("258090004 SCT").found[0].remarks),
        ["derivation-unclear"]
    );
    assert_eq!(
        codes(&made("X 99TARNHOLT").found[0].remarks),
        ["derivation-unclear"]
    );
    let statistic = made("386136009 SCT");
    assert_eq!(statistic.found, []);
    assert_eq!(codes(&statistic.remarks), ["statistic-not-a-value"]);
    // CID 224: chosen among readings.
    let chosen = modifier("121404 DCM", "121410 DCM", vec![]).by(HasProperties);
    let found = read(&report(vec![vec![mm("5.5", vec![site(RIGHT), chosen])]]));
    assert_eq!(found.found[0].derivation, Derivation::Selected);
}

#[test]
fn tie_is_no_pick() {
    let other = "id = \"mine\"\ntitle = \"Mine\"\n[fits]\nroot = [\"126000 DCM\"]\n[[measure]]\nquantity = \"sheath_diameter\"\nnamed = true\n";
    let templates = Templates::load(&[("mine.toml".to_owned(), other.to_owned())], &[]).unwrap();
    let tree = report(vec![vec![site(RIGHT), mm("5.6", vec![])]]);
    let found = extract(&tree, &templates);
    assert_eq!((found.template, found.found.len()), (None, 0));
    assert_eq!(codes(&found.remarks), ["template-tie"]);
}

#[test]
fn where_a_template_looks_for_the_side() {
    let strict = "id = \"tid1500\"\ntitle = \"Strict\"\n[fits]\nroot = [\"126000 DCM\"]\n[where]\nlaterality = [\"own_site\"]\n[[measure]]\nquantity = \"sheath_diameter\"\nconcept = [\"diameter\"]\nstructure = [\"sheath\"]\n";
    let templates = Templates::load(&[("strict.toml".to_owned(), strict.to_owned())], &[]).unwrap();
    let group = |number: Node| report(vec![vec![site(RIGHT), number]]);
    let read = |tree: &Tree| extract(tree, &templates).found[0].clone();
    assert_eq!(
        codes(&read(&group(mm("5.6", vec![]))).remarks),
        ["laterality-missing"]
    );
    assert_eq!(
        read(&group(mm("5.6", vec![site(RIGHT)]))).eye,
        Laterality::Right
    );
    // Not believed, yet heard.
    let against = read(&group(mm("5.6", vec![site(LEFT)])));
    assert_eq!(codes(&against.remarks), ["laterality-conflict"]);
}

/// A wide report: the cost per number must not grow with the number of its siblings.
#[test]
fn many_siblings() {
    let mut group = vec![site(RIGHT)];
    for _ in 0..20_000 {
        group.push(mm("5.6", vec![]));
        group.push(modifier(LATERALITY, RIGHT, vec![]));
    }
    let started = std::time::Instant::now();
    assert_eq!(read(&report(vec![group])).found.len(), 20_000);
    assert!(started.elapsed().as_secs() < 20);
}

fn a_number() -> impl Strategy<Value = Node> {
    let side = prop_oneof![Just(""), Just(RIGHT), Just(LEFT), Just("51440002 SCT")];
    let derivation = prop_oneof![Just(None), Just(Some(MEAN)), Just(Some("258104002 SCT"))];
    (1_000_u32..9_999, side, any::<bool>(), derivation).prop_map(|(um, side, sited, made)| {
        let mut below = Vec::new();
        if sited {
            below.push(site(side));
        } else if !side.is_empty() {
            below.push(modifier(LATERALITY, side, vec![]));
        }
        below.extend(made.map(|made| modifier(DERIVATION, made, vec![])));
        mm(&format!("{}.{:03}", um / 1000, um % 1000), below)
    })
}

/// What matters of a value, without its place.
fn content(found: &Extraction) -> Vec<String> {
    let mut all: Vec<String> = found
        .found
        .iter()
        .map(|one| {
            let codes = codes(&one.remarks);
            format!(
                "{:?} {:?} {:?} {codes:?}",
                one.measured, one.eye, one.derivation
            )
        })
        .collect();
    all.sort();
    all
}

fn mirror(node: &Node) -> Node {
    let swap = |code: &Code| {
        let mut code = code.clone();
        code.value = match code.value.as_str() {
            "24028007" => "7771000".to_owned(),
            "7771000" => "24028007".to_owned(),
            other => other.to_owned(),
        };
        code
    };
    let mut item = node.item.clone();
    if let Value::Code(code) = &item.value {
        item.value = Value::Code(swap(code));
    }
    Node {
        item,
        children: node.children.iter().map(mirror).collect(),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn order_of_siblings_means_nothing(
        (given, shuffled) in prop::collection::vec(a_number(), 1..6)
            .prop_flat_map(|nodes| (Just(nodes.clone()), Just(nodes).prop_shuffle()))
    ) {
        let templates = builtin();
        let tree = |nodes: Vec<Node>| {
            let mut group = vec![site("")];
            group.extend(nodes);
            report(vec![group])
        };
        let (given, shuffled) = (tree(given), tree(shuffled));
        prop_assert_eq!(
            content(&extract(&given, templates)),
            content(&extract(&shuffled, templates))
        );
    }

    #[test]
    fn mirrored_report_gives_mirrored_eyes(
        group in prop_oneof![Just(""), Just(RIGHT), Just(LEFT)],
        nodes in prop::collection::vec(a_number(), 1..6),
    ) {
        let templates = builtin();
        let mut nodes = nodes;
        nodes.insert(0, site(group));
        let mirrored = nodes.iter().map(mirror).collect();
        let (here, there) = (
            extract(&report(vec![nodes]), templates),
            extract(&report(vec![mirrored]), templates),
        );
        prop_assert_eq!(here.found.len(), there.found.len());
        for (one, other) in here.found.iter().zip(&there.found) {
            prop_assert_eq!(one.eye.eye(), other.eye.eye().map(Eye::other));
            prop_assert_eq!(codes(&one.remarks), codes(&other.remarks));
        }
    }
}

fn kinds(tree: &Tree, outside: Outside<'_>) -> Vec<Modality> {
    let found = extract_beside(&[], outside, tree, builtin()).found;
    for one in &found {
        let blocked = one
            .remarks
            .iter()
            .any(|one| one.code == "modality-conflict");
        assert_eq!(blocked, one.modality == Modality::Unresolved);
    }
    found.iter().map(|one| one.modality).collect()
}

/// The document's own attribute, its evidence, a site's own code, and a code that nobody explains.
#[test]
fn the_kind_of_imaging_is_read_from_what_the_report_says() {
    let silent = report(vec![vec![site(RIGHT), mm("5.6", vec![])]]);
    let said = |value: &str| {
        let word = modifier("121139 DCM", value, vec![]).by(HasAcqContext);
        report(vec![vec![site(RIGHT), word, mm("5.6", vec![])]])
    };
    let evidence = |class: &str| [format!("1.2.840.10008.5.1.4.1.1.{class}")];
    fn of<'a>(modality: Option<&'a str>, evidence: &'a [String]) -> Outside<'a> {
        Outside { modality, evidence }
    }
    for (tree, modality, classes, kind) in [
        (&silent, Some("SR"), "7", Modality::Unspecified),
        (&silent, Some("MR"), "7", Modality::Mri),
        (&silent, Some("MR"), "6.1", Modality::Unresolved),
        (&silent, None, "4.1", Modality::Mri),
        (&silent, None, "2", Modality::Ct),
        (&silent, None, "77.1.5.4", Modality::Other),
        (&said("US DCM"), None, "88.33", Modality::Ultrasound),
        (&said("MR DCM"), Some("SR"), "4", Modality::Mri),
        (&said("MR DCM"), None, "6.1", Modality::Unresolved),
        (&said("OPT DCM"), None, "7", Modality::Other),
        (&said("SEG DCM"), None, "6.1", Modality::Ultrasound),
    ] {
        let classes = evidence(classes);
        assert_eq!(kinds(tree, of(modality, &classes)), [kind], "{classes:?}");
    }
    // Evidence of two kinds, and nothing says which of them was measured.
    let two = [evidence("4"), evidence("6.1")].concat();
    assert_eq!(kinds(&silent, of(None, &two)), [Modality::Unresolved]);
    // A nearer statement that one of the pictures bears out.
    assert_eq!(
        kinds(&said("US DCM"), of(None, &two)),
        [Modality::Ultrasound]
    );
}
