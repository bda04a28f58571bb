//! Dictionaries by sender, in the real program: two scanners with equal codes of mirrored meaning.

use crate::harness::{Site, fixture, tool, until};
use crate::operate::reload::{lines, reload, rewrite};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::{InMemDicomObject, open_file};
use serde_json::Value;
use sheathline_store::{Mode, Store, readings};
use std::collections::BTreeMap;
use std::fs;

/// The codes of the scanners: what the one calls right the other calls left.
fn dictionary(one: &str, two: &str) -> String {
    format!(
        "[[term]]\ncode = \"1\"\nscheme = \"99TARNHOLT\"\n\
         says = {{ quantity = \"sheath_diameter\", eye = \"{one}\" }}\n\
         [[term]]\ncode = \"2\"\nscheme = \"99TARNHOLT\"\n\
         says = {{ quantity = \"sheath_diameter\", eye = \"{two}\" }}\n"
    )
}

fn write(site: &Site, name: &str, text: &str) {
    fs::write(site.path(name), text).expect("written");
}

/// Both dictionaries, beside the configuration.
fn dictionaries(site: &Site) {
    write(site, "straight.toml", &dictionary("right", "left"));
    write(site, "mirrored.toml", &dictionary("left", "right"));
}

/// Gives every code of this value another, with a meaning that says no side.
fn recode(object: &mut InMemDicomObject, from: &str, to: &str) {
    let is_it = object
        .element(tags::CODE_VALUE)
        .is_ok_and(|element| element.to_str().is_ok_and(|text| text.trim() == from));
    if is_it {
        object.put(DataElement::new(tags::CODE_VALUE, VR::SH, to));
        object.put(DataElement::new(tags::CODE_MEANING, VR::LO, "Sheath"));
    }
    let sequences = object.iter().filter(|element| element.vr() == VR::SQ);
    let sequences: Vec<_> = sequences.map(|element| element.header().tag).collect();
    for tag in sequences {
        object.update_value(tag, |items| {
            for item in items.items_mut().into_iter().flatten() {
                recode(item, from, to);
            }
        });
    }
}

/// A report with 5.6 mm under code 1 and 5.5 mm under code 2, of a device and an issuer.
fn report(site: &Site, n: u32, device: [&str; 3], issuer: &str) -> String {
    let mut report = open_file(fixture("sr/local-codes-unexplained/report.dcm")).expect("fixture");
    for (from, to) in [("ONSD-R", "1"), ("ONSD-L", "2")] {
        recode(&mut report, from, to);
    }
    for (tag, vr, value) in [
        (tags::SOP_INSTANCE_UID, VR::UI, format!("2.25.77{n}")),
        (tags::STUDY_INSTANCE_UID, VR::UI, format!("2.25.78{n}")),
        (tags::PATIENT_ID, VR::LO, format!("T-{n}")),
        (tags::MANUFACTURER, VR::LO, device[0].to_owned()),
        (tags::MANUFACTURER_MODEL_NAME, VR::LO, device[1].to_owned()),
        (tags::DEVICE_SERIAL_NUMBER, VR::LO, device[2].to_owned()),
        (tags::ISSUER_OF_PATIENT_ID, VR::LO, issuer.to_owned()),
    ] {
        report.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
    }
    let file = site.path(&format!("{n}.dcm"));
    report.update_meta(|meta| meta.media_storage_sop_instance_uid = format!("2.25.77{n}"));
    report.write_to_file(&file).expect("written");
    file.to_str().expect("path").to_owned()
}

const POCKET: [&str; 3] = ["Tarnholt", "Pocket", "77"];
const WAGON: [&str; 3] = ["Tarnholt", "Wagon", "9"];

/// Sends a file under an AE title.
fn send(port: u16, title: &str, file: &str) {
    let port = port.to_string();
    let args = [
        "-aet",
        title,
        "-aec",
        "SHEATHLINE",
        "127.0.0.1",
        &port,
        file,
    ];
    let sent = tool("storescu").args(args).status();
    assert!(sent.expect("storescu starts").success(), "{title}");
}

/// By the number of the report: the eye of 5.6 mm and the dictionaries.
fn read(site: &Site) -> BTreeMap<String, (String, Vec<String>)> {
    let results = site.results().into_values();
    results.map(|result| of_result(&result)).collect()
}

fn of_result(result: &Value) -> (String, (String, Vec<String>)) {
    let used = result["measurements_used"].as_array().expect("values");
    let mut wide = used.iter().filter(|one| one["value_mm"] == 5.6);
    let eye = wide.next().expect("a value of 5.6 mm")["eye"].clone();
    let named = result["reports"][0]["dictionaries"].as_array();
    let named = named.into_iter().flatten();
    let text = |one: &Value| one.as_str().expect("text").to_owned();
    let patient = text(&result["patient"]["id"]);
    (patient, (text(&eye), named.map(text).collect()))
}

fn eyes(site: &Site) -> BTreeMap<String, String> {
    let read = read(site).into_iter();
    read.map(|(patient, (eye, _))| (patient, eye)).collect()
}

fn told(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
    let pairs = pairs.iter();
    pairs
        .map(|&(patient, eye)| (patient.to_owned(), eye.to_owned()))
        .collect()
}

/// Every stored reading, as it stands in the store.
fn stored(site: &Site) -> Vec<String> {
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let mut all = Vec::new();
    let read = store.read(|view| {
        readings::each(view, |reading| {
            all.push(serde_json::to_string(reading).expect("JSON"));
        })
    });
    read.expect("read");
    all
}

/// By AE title, by device and by issuer; what came by the drop folder has no title. A change of one
/// dictionary has the stored reports read again, and what does not concern them changes nothing.
#[test]
fn equal_codes_are_read_by_whose_they_are() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"straight.toml\"]\n\
         [[templates.sender]]\ndictionaries = [\"mirrored.toml\"]\nae_titles = [\"CART2\"]\n\
         [[templates.sender]]\ndictionaries = [\"mirrored.toml\"]\ndevices = [\"Tarnholt|Wagon|\"]\n\
         [[templates.sender]]\ndictionaries = [\"straight.toml\"]\nissuers = [\"WEST\"]\n",
    );
    dictionaries(&site);
    let daemon = site.serve();
    let port = daemon.address.port();
    send(port, "CART1", &report(&site, 1, POCKET, ""));
    send(port, "CART2", &report(&site, 2, POCKET, ""));
    // Neither is a title of its own: the drop folder.
    for (n, device, issuer) in [(3, WAGON, ""), (4, POCKET, "WEST"), (5, POCKET, "EAST")] {
        let file = report(&site, n, device, issuer);
        fs::copy(file, site.path(&format!("drop/{n}.dcm"))).expect("copied");
    }
    let expected = told(&[
        ("T-1", "right"),
        ("T-2", "left"),
        ("T-3", "left"),
        ("T-4", "right"),
    ]);
    until("four results", || site.results().len() == 4);
    assert_eq!(eyes(&site), expected);
    for (patient, (_, named)) in read(&site) {
        let name = if expected[&patient] == "right" {
            "straight@"
        } else {
            "mirrored@"
        };
        assert_eq!(named.len(), 1, "{named:?}");
        assert!(named[0].starts_with(name), "{patient}: {named:?}");
    }
    until("all read", || stored(&site).len() == 5);
    let first = stored(&site);

    // A row for nobody: everything is read again, and comes out the same.
    rewrite(&site, |text| {
        format!(
            "{text}[[templates.sender]]\ndictionaries = [\"nobody.toml\"]\nae_titles = [\"X\"]\n"
        )
    });
    write(&site, "nobody.toml", &dictionary("left", "left"));
    let told_of = reload(&daemon, "reloaded");
    assert_eq!(told_of[0]["fields"]["changed"], "[[templates.sender]]");
    assert_eq!(lines(&daemon, "rules-changed").len(), 1);
    assert_eq!(daemon.stop(), Some(0));
    // What the reload has not read again yet is read now.
    site.ok("process", &[&report(&site, 1, POCKET, "")]);
    assert_eq!(stored(&site), first);
    let daemon = site.serve();

    // The same configuration; a dictionary of some is another.
    write(&site, "mirrored.toml", &dictionary("right", "left"));
    reload(&daemon, "reloaded");
    let all_right = told(&[
        ("T-1", "right"),
        ("T-2", "right"),
        ("T-3", "right"),
        ("T-4", "right"),
    ]);
    until("the other reading", || eyes(&site) == all_right);
    assert_eq!(daemon.stop(), Some(0));
    site.ok("verify", &[]);
}

#[test]
fn a_report_of_two_dictionaries_that_disagree_goes_to_quarantine() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"straight.toml\"]\n\
         [[templates.sender]]\ndictionaries = [\"mirrored.toml\"]\ndevices = [\"|Wagon|\"]\n",
    );
    dictionaries(&site);
    let daemon = site.serve();
    let port = daemon.address.port();
    send(port, "CART1", &report(&site, 1, WAGON, ""));
    send(port, "CART1", &report(&site, 2, POCKET, ""));
    send(port, "OTHER", &report(&site, 3, WAGON, ""));
    until("two results", || site.results().len() == 2);
    assert_eq!(eyes(&site), told(&[("T-2", "right"), ("T-3", "left")]));
    assert_eq!(daemon.stop(), Some(0));
    let listed = site.ok("quarantine", &[]);
    for part in [
        "dictionaries-disagree",
        "straight@",
        "mirrored@",
        "1 99TARNHOLT",
    ] {
        assert!(listed.contains(part), "{part}: {listed}");
    }
    // Once one of them is for others the report is read.
    rewrite(&site, |text| text.replace("|Wagon|", "|Trolley|"));
    site.ok("process", &[&report(&site, 2, POCKET, "")]);
    let results = site.results().into_values();
    let mut results = results.filter(|result| result["patient"]["id"] == "T-1");
    let (_, (eye, _)) = of_result(&results.next().expect("a result"));
    assert_eq!(eye, "right");
}

/// A missing file, a mistake in one that is there, and their lines; all at once.
#[test]
fn check_config_tells_what_is_wrong_with_dictionaries_by_sender() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"nowhere.toml\"]\n\
         [[templates.sender]]\nae_titles = [\"CART2\"]\ndictionaries = [\"broken.toml\",\n\"straight.toml\", \"mirrored.toml\"]\n",
    );
    dictionaries(&site);
    write(
        &site,
        "broken.toml",
        "[[term]]\ncode = \"1\"\nsays = { eye = \"rihgt\" }\n",
    );
    let output = site.run("check-config", &[]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    for part in [
        "site.toml:16: ",
        "nowhere.toml: No such file",
        "[[receive.dicom.sender]] dictionaries names it",
        "broken.toml:1:1: `scheme` is missing",
        "broken.toml:3:16: ",
        "mirrored.toml:2:8: 1 99TARNHOLT says something else in ",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
}
