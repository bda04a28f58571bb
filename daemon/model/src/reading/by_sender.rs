//! Dictionaries by sender: two scanners with equal codes of mirrored meaning, and what lies between.

use super::tests::document;
use super::*;
use crate::domain::Laterality;
use crate::extract::build::{self, container, number};
use crate::sr::Value;
use crate::template::{Conditions, Device, Files, SenderFiles};

/// The code 1 is the right eye of one scanner and the left eye of the other.
fn dictionary(one: &str, two: &str) -> String {
    format!(
        "[[term]]\ncode = \"1\"\nscheme = \"99ONSD\"\n\
         says = {{ quantity = \"sheath_diameter\", eye = \"{one}\" }}\n\
         [[term]]\ncode = \"2\"\nscheme = \"99ONSD\"\n\
         says = {{ quantity = \"sheath_diameter\", eye = \"{two}\" }}\n"
    )
}

fn straight() -> (String, String) {
    (
        "/codes/straight.toml".to_owned(),
        dictionary("right", "left"),
    )
}

fn mirrored() -> (String, String) {
    (
        "/codes/mirrored.toml".to_owned(),
        dictionary("left", "right"),
    )
}

fn titles(titles: &[&str]) -> Conditions {
    Conditions {
        ae_titles: titles.iter().map(|&one| one.to_owned()).collect(),
        ..Conditions::default()
    }
}

fn devices(devices: &[&str]) -> Conditions {
    let devices = devices.iter().map(|one| Device::parse(one).unwrap());
    Conditions {
        devices: devices.collect(),
        ..Conditions::default()
    }
}

fn issuers(issuers: &[&str]) -> Conditions {
    Conditions {
        issuers: issuers.iter().map(|&one| one.to_owned()).collect(),
        ..Conditions::default()
    }
}

fn rules(all: &[(String, String)], senders: Vec<(Conditions, Vec<(String, String)>)>) -> Rules {
    let senders = senders.into_iter();
    let files = Files {
        dictionaries: all.to_vec(),
        senders: senders
            .map(|(conditions, dictionaries)| SenderFiles {
                conditions,
                dictionaries,
            })
            .collect(),
        ..Files::default()
    };
    let told = |mistakes: Vec<crate::domain::Mistake>| panic!("{mistakes:?}");
    Rules::new(Templates::of_files(&files).unwrap_or_else(told))
}

fn with_codes(codes: [&str; 2]) -> Document {
    let [one, two] = codes.map(|code| format!("{code} 99ONSD"));
    let values = vec![
        number(&one, "5.6", "mm UCUM", vec![]),
        number(&two, "4.9", "mm UCUM", vec![]),
    ];
    document(Some(container(build::REPORT, values).plant()))
}

/// A report of a device, its values under the codes 1 and 2.
fn of_device(device: [&str; 3]) -> Document {
    let mut document = with_codes(["1", "2"]);
    let header = &mut document.header;
    for (part, is) in [
        (&mut header.manufacturer, device[0]),
        (&mut header.model, device[1]),
        (&mut header.serial, device[2]),
    ] {
        *part = (!is.is_empty()).then(|| is.to_owned());
    }
    document
}

const POCKET: [&str; 3] = ["Tarnholt", "Pocket", "77"];

fn from<'a>(ae_title: Option<&'a str>, issuer: &'a str) -> Assumed<'a> {
    Assumed {
        ae_title,
        ..Assumed::from(issuer)
    }
}

fn eyes(reading: &ObjectReading) -> Vec<Laterality> {
    let usable = reading.measurements.iter().filter(|one| one.usable);
    usable.map(|one| one.eye).collect()
}

const RIGHT_LEFT: [Laterality; 2] = [Laterality::Right, Laterality::Left];
const LEFT_RIGHT: [Laterality; 2] = [Laterality::Left, Laterality::Right];

#[test]
fn equal_codes_of_two_scanners_are_told_apart_by_ae_title() {
    let rules = rules(
        &[],
        vec![
            (titles(&["CART1", "CART1B"]), vec![straight()]),
            (titles(&["CART2"]), vec![mirrored()]),
        ],
    );
    let document = of_device(POCKET);
    let read = |title| read_document(&document, from(title, "SITE"), &rules);
    for title in ["CART1", "CART1B"] {
        let reading = read(Some(title));
        assert_eq!(eyes(&reading), RIGHT_LEFT, "{title}");
        assert_eq!(reading.dictionaries.len(), 1, "{:?}", reading.dictionaries);
        assert!(reading.dictionaries[0].starts_with("straight@"));
    }
    let reading = read(Some("CART2"));
    assert_eq!(eyes(&reading), LEFT_RIGHT);
    assert!(reading.dictionaries[0].starts_with("mirrored@"));
    // Whoever is not listed has nothing explained, and what came without a title is nobody's.
    for title in [Some("CART3"), Some("cart1"), Some(""), None] {
        let reading = read(title);
        assert_eq!(eyes(&reading), [], "{title:?}");
        assert_eq!(reading.dictionaries, [""; 0]);
        assert!(!reading.unexplained.is_empty());
    }
}

/// As in a drop folder, where nobody calls: by device and issuer alone.
#[test]
fn without_a_title_device_and_issuer_tell() {
    let by_device = rules(
        &[],
        vec![
            (devices(&["Tarnholt|Pocket|"]), vec![straight()]),
            (devices(&["|Cart|", "||9-2"]), vec![mirrored()]),
        ],
    );
    let read = |device| read_document(&of_device(device), from(None, "SITE"), &by_device);
    for (device, eyes_read) in [
        (POCKET, RIGHT_LEFT.as_slice()),
        (["Tarnholt", "Pocket", ""], &RIGHT_LEFT),
        (["Tarnholt", "Cart", "1"], &LEFT_RIGHT),
        (["Other", "Wagon", "9-2"], &LEFT_RIGHT),
        (["Other", "Pocket", "77"], &[]),
        (["Tarnholt", "pocket", "77"], &[]),
        (["", "", ""], &[]),
    ] {
        assert_eq!(eyes(&read(device)), eyes_read, "{device:?}");
    }

    let by_issuer = rules(
        &[],
        vec![
            (issuers(&["WEST"]), vec![straight()]),
            (issuers(&["EAST"]), vec![mirrored()]),
        ],
    );
    // The one that the report names goes before the one that is assumed.
    let mut document = of_device(POCKET);
    let read = |document: &Document, issuer| {
        eyes(&read_document(document, from(None, issuer), &by_issuer))
    };
    assert_eq!(read(&document, "WEST"), RIGHT_LEFT);
    assert_eq!(read(&document, "EAST"), LEFT_RIGHT);
    assert_eq!(read(&document, ""), []);
    document.header.patient_issuer = Some("EAST".to_owned());
    assert_eq!(read(&document, "WEST"), LEFT_RIGHT);
}

#[test]
fn all_conditions_of_a_row_must_hold() {
    let both = Conditions {
        ae_titles: vec!["CART1".to_owned()],
        issuers: vec!["WEST".to_owned()],
        ..devices(&["Tarnholt||"])
    };
    let rules = rules(&[], vec![(both, vec![straight()])]);
    let read = |title, device, issuer| {
        eyes(&read_document(
            &of_device(device),
            from(title, issuer),
            &rules,
        ))
    };
    assert_eq!(read(Some("CART1"), POCKET, "WEST"), RIGHT_LEFT);
    assert_eq!(read(Some("CART2"), POCKET, "WEST"), []);
    assert_eq!(read(Some("CART1"), ["X", "Pocket", "77"], "WEST"), []);
    assert_eq!(read(Some("CART1"), POCKET, "EAST"), []);
    assert_eq!(read(None, POCKET, "WEST"), []);
}

/// A sender's own go before those for everybody, these before the vocabulary; whoever has none of
/// its own is read as if nobody had.
#[test]
fn a_senders_own_go_before_those_for_everybody() {
    let all = (
        "all.toml".to_owned(),
        dictionary("right", "left")
            + "[[term]]\ncode = \"MM\"\nscheme = \"UCUM\"\nsays = { unit = \"mm\" }\n",
    );
    let scoped = rules(
        std::slice::from_ref(&all),
        vec![
            (titles(&["CART2"]), vec![mirrored()]),
            (devices(&["Nobody||"]), vec![mirrored()]),
        ],
    );
    let plain = rules(std::slice::from_ref(&all), vec![]);
    let values = vec![
        number("1 99ONSD", "5.6", "MM UCUM", vec![]),
        number("2 99ONSD", "4.9", "mm UCUM", vec![]),
    ];
    let document = document(Some(container(build::REPORT, values).plant()));
    let own = read_document(&document, from(Some("CART2"), "SITE"), &scoped);
    assert_eq!(eyes(&own), LEFT_RIGHT);
    let named: Vec<&str> = own
        .dictionaries
        .iter()
        .map(|one| one.split_once('@').unwrap().0)
        .collect();
    assert_eq!(
        named,
        ["all", "mirrored"],
        "the unit is of one, the names of the other"
    );
    for title in [Some("CART1"), None] {
        let with = read_document(&document, from(title, "SITE"), &scoped);
        let without = read_document(&document, from(title, "SITE"), &plain);
        assert_eq!(eyes(&with), RIGHT_LEFT);
        assert_eq!(
            serde_json::to_string(&with).unwrap(),
            serde_json::to_string(&without).unwrap()
        );
    }
}

/// Never a pick: not by the order of the file, not by how narrow a row is.
#[test]
fn a_report_of_two_that_disagree_is_quarantined_and_they_are_named() {
    let rows = vec![
        (titles(&["CART1"]), vec![straight()]),
        (devices(&["Tarnholt|Pocket|77"]), vec![mirrored()]),
    ];
    let turned = rows.iter().rev().cloned().collect();
    for rows in [rows, turned] {
        let rules = rules(&[], rows);
        let read =
            |document: &Document, title| read_document(document, from(Some(title), "SITE"), &rules);
        let reading = read(&of_device(POCKET), "CART1");
        assert_eq!(reading.disposition, Disposition::Quarantined);
        assert_eq!(reading.measurements, []);
        let mut remarks = reading.remarks.iter();
        let remark = remarks.find(|one| one.code == RemarkCode::DictionariesDisagree);
        let remark = remark.expect("told");
        for told in ["straight@", "mirrored@", "the code 1 99ONSD"] {
            assert!(remark.text.contains(told), "{told}: {}", remark.text);
        }
        assert_eq!(remark.place.as_deref(), Some("1.1"));
        assert_eq!(reading.dictionaries.len(), 1, "{:?}", reading.dictionaries);
        // Where one of them holds there is no question, nor where nothing of it stands in the report.
        assert_eq!(eyes(&read(&of_device(POCKET), "CART2")), LEFT_RIGHT);
        assert_eq!(eyes(&read(&of_device(["", "", ""]), "CART1")), RIGHT_LEFT);
        let mut other = with_codes(["3", "4"]);
        other.header.manufacturer = Some("Tarnholt".to_owned());
        other.header.model = Some("Pocket".to_owned());
        other.header.serial = Some("77".to_owned());
        let reading = read(&other, "CART1");
        assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
    }
}

/// Words, labels and names are held against each other as codes are; two that agree are one.
#[test]
fn what_two_dictionaries_say_of_texts_must_agree_too() {
    let file = |name: &str, text: &str| (format!("{name}.toml"), text.to_owned());
    let codes = dictionary("right", "left");
    for (one, other, disputed) in [
        ("", "", false),
        (
            "[[word]]\ntext = \"Side A\"\neye = \"right\"\n",
            "[[word]]\ntext = \"side  a\"\neye = \"left\"\n",
            true,
        ),
        (
            "[[word]]\ntext = \"Side A\"\neye = \"right\"\n",
            "[[word]]\ntext = \"Side A\"\neye = \"right\"\n",
            false,
        ),
        (
            "[[word]]\ntext = \"Side B\"\neye = \"right\"\n",
            "[[word]]\ntext = \"Side B\"\neye = \"left\"\n",
            false,
        ),
        (
            "[[label]]\ntext = \"Side A\"\nsays = { quantity = \"sheath_diameter\" }\n",
            "[[label]]\ntext = \"Side A\"\nsays = { quantity = \"not_ours\" }\n",
            true,
        ),
        (
            "[labels]\nstand = \"before\"\n",
            "[labels]\nstand = \"after\"\n",
            true,
        ),
        (
            "[[name]]\neye = \"right\"\ninside = [\"side\"]\n",
            "[[name]]\nnothing = true\ninside = [\"side\"]\n",
            true,
        ),
        // A word of the one is a label of the other.
        (
            "[[word]]\ntext = \"Side A\"\neye = \"right\"\n",
            "[[label]]\ntext = \"Side A\"\nsays = { quantity = \"sheath_diameter\", eye = \"left\" }\n",
            true,
        ),
        // A name of the one is against a label of the other, or against the meaning of its term.
        (
            "[[name]]\neye = \"right\"\ninside = [\"zuid\"]\n",
            "[[label]]\ntext = \"Zuid\"\nsays = { quantity = \"sheath_diameter\", eye = \"left\" }\n",
            true,
        ),
        (
            "[[name]]\neye = \"right\"\ninside = [\"zuid\"]\n",
            "[[term]]\ncode = \"9\"\nscheme = \"99ONSD\"\nmeaning = \"Zuid\"\nsays = { eye = \"left\" }\n",
            true,
        ),
        (
            "[[name]]\neye = \"right\"\nalone = [\"side\"]\n",
            "[[name]]\nnothing = true\nalone = [\"side\"]\n",
            false,
        ),
    ] {
        let rules = rules(
            &[],
            vec![
                (titles(&["CART1"]), vec![file("a", &(codes.clone() + one))]),
                (
                    issuers(&["SITE"]),
                    vec![file("b", &(codes.clone() + other))],
                ),
            ],
        );
        let values = vec![
            number("1 99ONSD", "5.6", "mm UCUM", vec![]),
            build::text("121106 DCM", Value::Text("Side A".to_owned())),
        ];
        let document = document(Some(container(build::REPORT, values).plant()));
        let reading = read_document(&document, from(Some("CART1"), "SITE"), &rules);
        let told = reading
            .remarks
            .iter()
            .any(|one| one.code == RemarkCode::DictionariesDisagree);
        assert_eq!(told, disputed, "{one}{other}: {:?}", reading.remarks);
        let quarantined = reading.disposition == Disposition::Quarantined;
        assert_eq!(quarantined, disputed, "{one}{other}");
    }
}

/// A rule of a sender's own goes before one for everybody; two of a report's own leave it unread.
#[test]
fn rules_go_in_the_same_order() {
    let rule = |name: &str, quantity: &str| {
        let text = format!(
            "[[measure]]\nquantity = \"{quantity}\"\nconcept = [\"diameter\"]\nsite = [\"optic_nerve\"]\n"
        );
        (format!("{name}.toml"), text)
    };
    let rules = rules(
        &[rule("all", "nerve_diameter")],
        vec![
            (titles(&["CART1"]), vec![rule("own", "sheath_diameter")]),
            (issuers(&["EAST"]), vec![rule("east", "nerve_diameter")]),
        ],
    );
    let site = build::modifier(
        build::SITE,
        build::NERVE,
        vec![build::modifier(build::LATERALITY, build::RIGHT, vec![])],
    );
    let tree = build::report(vec![vec![site, build::mm("5.6", vec![])]]);
    let document = document(Some(tree));
    let quantities = |title, issuer| {
        let reading = read_document(&document, from(title, issuer), &rules);
        let found = reading.measurements.iter();
        found.map(|one| one.quantity).collect::<Vec<_>>()
    };
    assert_eq!(quantities(None, "SITE"), [Quantity::NerveDiameter]);
    assert_eq!(
        quantities(Some("CART1"), "SITE"),
        [Quantity::SheathDiameter]
    );
    assert_eq!(quantities(Some("CART1"), "EAST"), []);
}

/// However many rows there are: what is kept ready has a bound, and the rest is right all the same.
#[test]
fn many_rows_that_overlap_are_read_right() {
    let rows = (0..40).map(|at| {
        let text = format!(
            "[[term]]\ncode = \"C{at}\"\nscheme = \"99ONSD\"\nsays = {{ quantity = \"not_ours\" }}\n"
        );
        let conditions = if at % 2 == 0 {
            titles(&["CART1"])
        } else {
            issuers(&["SITE"])
        };
        (conditions, vec![(format!("{at}.toml"), text)])
    });
    let rules = rules(&[straight()], rows.collect());
    let reading = read_document(&of_device(POCKET), from(Some("CART1"), "SITE"), &rules);
    assert_eq!(eyes(&reading), RIGHT_LEFT);
    let of = |title, issuer| {
        let document = of_device(POCKET);
        let sender = facts::sender(&document.header, title, issuer);
        rules.templates.of(&sender).vocabulary().len()
    };
    let plain = of(None, "");
    assert_eq!(of(Some("CART1"), ""), plain + 20);
    assert_eq!(of(Some("CART1"), "SITE"), plain + 40);
    assert_eq!(of(None, "SITE"), plain + 20);
}

#[test]
fn dictionaries_of_one_row_must_agree() {
    let files = Files {
        senders: vec![SenderFiles {
            conditions: titles(&["CART1"]),
            dictionaries: vec![straight(), mirrored()],
        }],
        ..Files::default()
    };
    let mistakes = Templates::of_files(&files).unwrap_err();
    let told: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
    assert!(
        told.iter().any(|one| one.starts_with(
            "/codes/mirrored.toml:2:8: 1 99ONSD says something else in /codes/straight.toml"
        )),
        "{told:?}"
    );
}

/// So that stored reports are read again.
#[test]
fn a_change_of_rows_shows_in_the_fingerprint() {
    let print = |rows| rules(&[], rows).templates.fingerprint().to_owned();
    let prints = [
        print(vec![]),
        print(vec![(titles(&["CART1"]), vec![straight()])]),
        print(vec![(titles(&["CART2"]), vec![straight()])]),
        print(vec![(devices(&["CART1||"]), vec![straight()])]),
        print(vec![(titles(&["CART1"]), vec![mirrored()])]),
    ];
    let different: std::collections::BTreeSet<&String> = prints.iter().collect();
    assert_eq!(different.len(), prints.len());
}

#[test]
fn a_device_has_three_parts_of_which_one_says_something() {
    for wrong in ["", "Pocket", "A|B", "||", " | | ", "A|B|C|D"] {
        assert_eq!(Device::parse(wrong), None, "{wrong}");
    }
    for right in ["A||", "|B|", "||C", " A | B | C "] {
        assert!(Device::parse(right).is_some(), "{right}");
    }
}

/// What would send reports to quarantine can be told before the first of them comes.
#[test]
fn rows_that_may_meet_and_disagree_are_told() {
    let overlaps = |rows| rules(&[], rows).templates.overlaps();
    let rows = |one, other| vec![(one, vec![straight()]), (other, vec![mirrored()])];
    for (one, other, meet) in [
        (titles(&["A", "B"]), titles(&["B", "C"]), true),
        (titles(&["A"]), titles(&["B"]), false),
        (titles(&["A"]), devices(&["Tarnholt||"]), true),
        (devices(&["Tarnholt||"]), devices(&["|Pocket|"]), true),
        (devices(&["Tarnholt||"]), devices(&["Other|Pocket|"]), false),
        (issuers(&["WEST"]), issuers(&["EAST"]), false),
        (issuers(&["WEST"]), devices(&["||9"]), true),
    ] {
        let told = overlaps(rows(one.clone(), other.clone()));
        assert_eq!(!told.is_empty(), meet, "{one:?} {other:?}");
        for overlap in told {
            assert_eq!(overlap.rows, [0, 1]);
            assert!(overlap.what.contains("straight@") && overlap.what.contains("1 99ONSD"));
        }
    }
    // Those that agree may meet.
    let same = vec![
        (titles(&["A"]), vec![straight()]),
        (devices(&["Tarnholt||"]), vec![straight()]),
    ];
    assert_eq!(overlaps(same), []);
}
