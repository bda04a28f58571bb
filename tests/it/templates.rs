//! Commands for whoever writes templates: `template check`, `template try`, `unmapped`.

use crate::harness::{Site, fixture, program};
use dicom_core::{DataElement, VR};
use dicom_dictionary_std::tags;
use dicom_object::{InMemDicomObject, open_file};
use sheathline_store::objects::ObjectId;
use sheathline_store::{Mode, Store, readings};
use std::fs;

fn path(name: &str) -> String {
    fixture(name).to_str().expect("path").to_owned()
}

/// Exit code and what was printed.
fn template(args: &[&str]) -> (Option<i32>, String) {
    let out = program().arg("template").args(args).output().expect("runs");
    let text = [out.stdout, out.stderr].concat();
    (
        out.status.code(),
        String::from_utf8_lossy(&text).into_owned(),
    )
}

#[test]
fn a_file_is_checked_and_tried() {
    let site = Site::new();
    let good = path("sr/local-codes/dictionary.toml");
    assert_eq!(template(&["check", &good]).0, Some(0));
    let report = path("sr/local-codes-unexplained/report.dcm");
    let (code, text) = template(&["try", &good, &report]);
    assert_eq!(code, Some(0), "{text}");
    assert!(
        text.contains("5.6 mm") && text.contains("tid1500@"),
        "{text}"
    );

    let bad = site.path("bad.toml");
    fs::write(&bad, "id = \"Mine\"\ntitel = \"x\"\n").expect("write");
    let (code, text) = template(&["check", bad.to_str().expect("path")]);
    assert_eq!(code, Some(2), "{text}");
    assert!(
        text.contains("titel") && text.contains("`Mine`"),
        "every mistake: {text}"
    );

    let none = site.path("none.toml");
    fs::write(&none, "[[word]]\ntext = \"OD\"\neye = \"right\"\n").expect("write");
    let (code, text) = template(&["try", none.to_str().expect("path"), &report]);
    assert_eq!(code, Some(1), "{text}");
}

/// The draft says nothing of side and quantity, and is refused until somebody has filled it in.
#[test]
fn unmapped_codes_are_told_and_no_meaning_is_drafted() {
    let site = Site::new();
    for case in ["local-codes-unexplained", "local-codes", "tid1500"] {
        site.ok("process", &[&path(&format!("sr/{case}/report.dcm"))]);
    }
    let rows = site.json("unmapped", &["--json"]);
    let row = |value: &str| {
        let mut rows = rows.iter();
        rows.find(|row| row["value"] == value).expect("a row")
    };
    for (code, meaning, value, place) in [
        ("ONSD-R", "Sheath OD", "5.6 mm", "1.5.1.2"),
        ("ONSD-L", "Sheath OS", "0.55 cm", "1.5.1.3"),
    ] {
        let row = row(code);
        assert_eq!(row["scheme"], "99TARNHOLT");
        // Met once in each report, however many remarks tell of it.
        assert_eq!((&row["reports"], &row["times"]), (&2.into(), &2.into()));
        assert_eq!(row["meanings"], serde_json::json!([meaning]));
        assert_eq!(row["examples"][0]["value"], value, "{row}");
        assert_eq!(row["examples"][0]["place"], place, "{row}");
    }
    let text = site.ok("unmapped", &[]);
    for told in [
        "\"Sheath OS\"",
        "\"0.55 cm\"",
        "1.5.1.3",
        "2 times in 2 reports",
    ] {
        assert!(text.contains(told), "{told}: {text}");
    }
    let open = text.replace("# says", "says");
    for drafted in ["quantity =", "eye ="] {
        assert!(!open.contains(drafted), "{drafted}: {open}");
    }
    let dictionary = site.path("site.dictionary.toml");
    let check = |text: &str| {
        fs::write(&dictionary, text).expect("write");
        template(&["check", dictionary.to_str().expect("path")])
    };
    for untouched in [&text, &open] {
        let (code, told) = check(untouched);
        assert_eq!(code, Some(2), "{told}");
        assert!(told.contains("write what this one code means"), "{told}");
    }
}

/// Gives the code of this value another scheme, wherever it stands.
fn with_scheme(object: &mut InMemDicomObject, value: &str, scheme: &str) {
    let is_it = object
        .element(tags::CODE_VALUE)
        .is_ok_and(|element| element.to_str().is_ok_and(|text| text.trim() == value));
    if is_it {
        object.put(DataElement::new(
            tags::CODING_SCHEME_DESIGNATOR,
            VR::SH,
            scheme,
        ));
    }
    let sequences = object.iter().filter(|element| element.vr() == VR::SQ);
    let sequences: Vec<_> = sequences.map(|element| element.header().tag).collect();
    for tag in sequences {
        object.update_value(tag, |items| {
            for item in items.items_mut().into_iter().flatten() {
                with_scheme(item, value, scheme);
            }
        });
    }
}

/// A scheme may be any 16 letters (PS3.5 table 6.2-1, SH), and so read like a sentence of ours.
#[test]
fn a_scheme_that_reads_like_a_sentence_is_told_as_sent() {
    let site = Site::new();
    let mut report = open_file(fixture("sr/local-codes-unexplained/report.dcm")).expect("fixture");
    with_scheme(&mut report, "ONSD-R", "99T (and 8 more)");
    let file = site.path("report.dcm");
    report.write_to_file(&file).expect("written");
    site.ok("process", &[file.to_str().expect("path")]);
    let rows = site.json("unmapped", &["--json"]);
    let mut rows = rows.iter();
    let row = rows.find(|row| row["value"] == "ONSD-R").expect("a row");
    assert_eq!(row["scheme"], "99T (and 8 more)");
    assert_eq!(row["times"], 1);
    assert_eq!(row["examples"][0]["value"], "5.6 mm");
}

/// A text beside a generic distance is listed with what it is given as, and drafted as a label that says
/// nothing yet.
#[test]
fn labels_beside_generic_distances_are_listed() {
    let site = Site::new();
    site.ok("process", &[&path("sr/label-several/report.dcm")]);
    let rows = site.json("unmapped", &["--json"]);
    let row = rows.iter().find(|row| row["value"] == "ONSD RE");
    let row = row.unwrap_or_else(|| panic!("{rows:?}"));
    assert_eq!((&row["scheme"], &row["times"]), (&"".into(), &1.into()));
    assert_eq!(row["roles"], serde_json::json!(["label"]));
    assert_eq!(row["examples"][0]["given_as"], "Annotation");
    let text = site.ok("unmapped", &[]);
    assert!(text.contains("[[label]]\ntext = [\"ONSD RE\"]\n"), "{text}");
    assert!(!text.contains("no concept name"), "{text}");
}

/// All is mapped only where no value was left unread.
#[test]
fn that_all_is_mapped_is_said_only_where_it_is() {
    let said = |case: &str| {
        let site = Site::new();
        site.ok("process", &[&path(&format!("sr/{case}/report.dcm"))]);
        let output = site.run("unmapped", &[]);
        String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
    };
    assert!(said("tid1410").contains("is mapped"));
    for case in [
        "nerve-without-sheath",
        "side-missing",
        "label-unlisted",
        "unit-kg",
    ] {
        assert!(!said(case).contains("is mapped"), "{case}");
    }
    assert!(said("unit-kg").contains("left unread though each code is explained"));
}

/// Remarks of readings that were stored before the list tell that there is something, and no more.
#[test]
fn readings_without_the_list_are_told_of_and_not_guessed_from() {
    let site = Site::new();
    site.ok("process", &[&path("sr/local-codes-unexplained/report.dcm")]);
    let store = Store::open(&site.path("store.sqlite"), Mode::Owner).expect("opens");
    let id = ObjectId(1);
    let stored = store.read(|view| readings::reading_of(view, id));
    let mut reading = stored.expect("read").expect("there").reading;
    assert!(!reading.unexplained.is_empty());
    reading.unexplained.clear();
    let disposition = reading.disposition.into();
    store
        .write(move |tx| readings::finish_read(tx, id, &reading, disposition))
        .expect("stored");
    drop(store);
    let output = site.run("unmapped", &[]);
    let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    assert!(output.status.success(), "{said}");
    assert!(
        said.contains("1 reports hold codes") && said.contains("read them again"),
        "{said}"
    );
    assert!(
        !said.contains("ONSD-R") && !said.contains("is explained"),
        "{said}"
    );
}
