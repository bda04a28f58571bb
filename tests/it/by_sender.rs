//! Dictionaries by sender, in the real program: two scanners with equal codes of mirrored meaning.

use crate::harness::{Site, fixture, lines as lines_of_text, program, tool, until};
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

fn lines_of(output: &[u8]) -> Vec<Value> {
    lines_of_text(&String::from_utf8_lossy(output))
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
            all.push(serde_json::to_string(&reading.reading).expect("JSON"));
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

/// What may meet and disagrees is no mistake, since it may never meet; it is told.
#[test]
fn check_config_tells_of_rows_that_may_meet() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"straight.toml\"]\n\
         [[receive.dicom.sender]]\nae_title = \"CART2\"\n\
         [[templates.sender]]\ndictionaries = [\"mirrored.toml\"]\ndevices = [\"|Wagon|\"]\n",
    );
    dictionaries(&site);
    let output = site.run("check-config", &[]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    for part in [
        "site.toml:16 and ",
        "site.toml:20 may both hold for a report",
        "straight@",
        "of the code 1 99TARNHOLT",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
}

/// `read` goes by the configuration of the variable, and reads files as a sender's.
#[test]
fn read_goes_by_the_configuration_and_a_sender() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"straight.toml\"]\n\
         default_issuer = \"WEST\"\n\
         [[templates.sender]]\ndictionaries = [\"mirrored.toml\"]\ndevices = [\"|Wagon|\"]\n",
    );
    dictionaries(&site);
    let (pocket, wagon) = (report(&site, 1, POCKET, ""), report(&site, 2, WAGON, ""));
    let read = |args: &[&str], with: bool| {
        let mut command = program();
        command.args(["read", "--json"]).args(args);
        if with {
            command.env("SHEATHLINE_CONFIG", site.config());
        }
        let out = command.output().expect("runs");
        let line = lines_of(&out.stdout).remove(0);
        let eyes = line["measurements"].as_array().expect("values").iter();
        let eyes: Vec<String> = eyes.map(|one| one["eye"].to_string()).collect();
        (eyes.join(" "), line["patient"]["issuer"].clone())
    };
    let (straight, mirrored) = ("\"right\" \"left\"", "\"left\" \"right\"");
    assert_eq!(read(&[&pocket], false).0, "");
    assert_eq!(read(&[&pocket], true).0, "");
    assert_eq!(read(&[&wagon], true).0, mirrored);
    assert_eq!(read(&[&wagon], false).0, "");
    for name in ["CART1", "dicom:CART1"] {
        let (eyes, issuer) = read(&[&pocket, "--sender", name], true);
        assert_eq!((eyes.as_str(), issuer), (straight, "WEST".into()), "{name}");
    }
    assert_eq!(read(&[&pocket, "--sender", "CART2"], true).0, "");
    assert_eq!(read(&[&wagon, "--sender", "folder"], true).0, mirrored);
    let shown = program()
        .args(["read", &wagon])
        .env("SHEATHLINE_CONFIG", site.config())
        .output();
    let shown = shown.expect("runs");
    let told = String::from_utf8_lossy(&shown.stderr).into_owned();
    assert!(told.contains("files come from nobody"), "{told}");
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert!(shown.contains(", explained by mirrored@"), "{shown}");
}

/// Runs `template try` and returns its exit code, what it printed, and its complaint.
fn try_on(site: &Site, args: &[&str]) -> (Option<i32>, String, String) {
    let mut command = program();
    command.args(["template", "try"]).args(args);
    let out = command
        .arg("--config")
        .arg(site.config())
        .output()
        .expect("runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (out.status.code(), text(&out.stdout), text(&out.stderr))
}

/// Before and after over files: gained, lost, another side, another unit, with what is configured on
/// both sides.
#[test]
fn a_file_is_tried_before_and_after() {
    let site = Site::with("[templates]\ndictionaries = [\"straight.toml\"]\n");
    dictionaries(&site);
    let reports = [report(&site, 1, POCKET, ""), report(&site, 2, WAGON, "")];
    let on = |file: &str, more: &[&str]| {
        let file = site.path(file).to_str().expect("path").to_owned();
        let reports: Vec<&str> = reports.iter().map(String::as_str).collect();
        try_on(
            &site,
            &[&[file.as_str()], reports.as_slice(), more].concat(),
        )
    };
    // What changes nothing for anybody is fine.
    write(
        &site,
        "nothing.toml",
        "[[word]]\ntext = \"OD\"\neye = \"right\"\n",
    );
    let (code, told, said) = on("nothing.toml", &[]);
    assert_eq!(code, Some(0), "{told}{said}");
    for part in [
        "tried on 2 reports; nothing of it is in force",
        "file, Tarnholt|Pocket|77",
        "file, Tarnholt|Wagon|9",
        "values gained 0, lost 0, of another side 0",
        "read by straight@",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    // The other side for a sender alone, which goes before what is for everybody.
    let (code, told, said) = on("mirrored.toml", &["--sender", "CART1"]);
    assert_eq!(code, Some(1), "{told}");
    assert!(said.contains("4 values are of another side"), "{said}");
    for part in [
        "dicom:CART1, Tarnholt|Pocket|77",
        "lost or changed:",
        ": sheath diameter right 5.6 mm (sent as 5.6 mm) -> sheath diameter left 5.6 mm",
        "read by mirrored@",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    // For everybody it contradicts what is configured for everybody, with the line.
    let (code, _, said) = on("mirrored.toml", &[]);
    assert_eq!(code, Some(2), "{said}");
    assert!(
        said.contains("mirrored.toml:2:8: 1 99TARNHOLT says something else in"),
        "{said}"
    );
    // A further version of a configured file, of the same name: in its place. One code is forgotten,
    // and the unit of the other made another.
    fs::create_dir(site.path("new")).expect("folder");
    let half = dictionary("right", "left");
    let (half, _) = half.rsplit_once("[[term]]").expect("two terms");
    let unit = "[[term]]\ncode = \"mm\"\nscheme = \"UCUM\"\nsays = { unit = \"cm\" }\n";
    write(&site, "new/straight.toml", half);
    let (code, told, said) = on("new/straight.toml", &[]);
    assert_eq!(code, Some(1), "{told}{said}");
    assert!(said.contains("2 values are lost"), "{said}");
    assert!(
        !said.contains("side") && told.contains("in place of "),
        "{told}{said}"
    );
    assert!(told.contains("-> not read"), "{told}");
    write(&site, "new/straight.toml", &format!("{half}{unit}"));
    let (code, told, said) = on("new/straight.toml", &[]);
    assert_eq!(code, Some(1), "{told}{said}");
    assert!(
        said.contains("of the reports gave no usable value"),
        "{said}"
    );
    assert!(
        told.contains("right no value (sent as 5.6 mm), not used: unit-conflict"),
        "{told}"
    );

    // In JSON a line for each report, then one for each sender.
    let (code, told, _) = on("mirrored.toml", &["--sender", "CART1", "--json"]);
    assert_eq!(code, Some(1));
    let lines = lines_of(told.as_bytes());
    assert_eq!(lines.len(), 4, "{told}");
    assert_eq!(lines[0]["changes"][0]["how"], serde_json::json!(["side"]));
    assert_eq!(lines[0]["changes"][0]["before"]["eye"], "right");
    assert_eq!(lines[0]["measurements"][0]["eye"], "left");
    assert_eq!(lines[0]["before"]["measurements"][0]["eye"], "right");
    assert_eq!(lines[2]["tally"]["changes"]["side"], 2);
    assert_eq!(lines[2]["sender"], "dicom:CART1");
}

/// Over the store: each report as its own sender's, and a draft as if it was confirmed.
#[test]
fn a_draft_is_tried_on_the_reports_of_the_store() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CART1\"\ndictionaries = [\"straight.toml\"]\n",
    );
    dictionaries(&site);
    let daemon = site.serve();
    let port = daemon.address.port();
    send(port, "CART1", &report(&site, 1, POCKET, ""));
    send(port, "CART2", &report(&site, 2, WAGON, ""));
    send(port, "CART3", &report(&site, 3, WAGON, ""));
    until("all read", || stored(&site).len() == 3);
    assert_eq!(daemon.stop(), Some(0));
    let before = stored(&site);
    let draft = dictionary("left", "right").replace("says =", "proposed =");
    write(&site, "draft.toml", &draft);
    let draft = site.path("draft.toml").to_str().expect("path").to_owned();

    let (code, told, said) = try_on(&site, &[&draft]);
    assert_eq!(code, Some(0), "{told}{said}");
    for part in [
        "tried on 3 reports",
        "2 proposals that nobody has confirmed count as if confirmed",
        "dicom:CART1, Tarnholt|Pocket|77",
        "dicom:CART2, Tarnholt|Wagon|9",
        "values gained 2, lost 0",
        "gained, or otherwise different:",
        "2.25.772 ",
        ": not read -> sheath diameter left 5.6 mm",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    // CART1 keeps its own.
    assert!(!told.contains("2.25.771 "), "{told}");
    let (code, told, said) = try_on(&site, &[&draft, "--sender", "CART2"]);
    assert_eq!(code, Some(0), "{told}{said}");
    assert!(
        told.contains("tried on 1 reports") && told.contains("dicom:CART2"),
        "{told}"
    );
    assert!(!told.contains("CART1") && !told.contains("CART3"), "{told}");
    // Beside what CART1 has it disagrees, and the line says with what.
    let (code, _, said) = try_on(&site, &[&draft, "--sender", "CART1"]);
    assert_eq!(code, Some(2), "{said}");
    assert!(
        said.contains("says something else in ") && said.contains("straight.toml"),
        "{said}"
    );
    // Nothing of all that is in force.
    assert_eq!(stored(&site), before);
    let alone = program()
        .args(["template", "try", &draft])
        .output()
        .expect("runs");
    assert_eq!(alone.status.code(), Some(2));
    let said = String::from_utf8_lossy(&alone.stderr).into_owned();
    assert!(said.contains("name reports, or with --config"), "{said}");
}
