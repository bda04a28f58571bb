//! Reports that declare no character set, through the whole program: whose they are never depends
//! on letters, and what is assumed of a sender holds for what is stored already.

use crate::harness::{Site, fixture, tool, until};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::{InMemDicomObject, open_file};
use serde_json::Value;
use std::path::Path;

/// A report whose texts are bytes.
struct Report {
    n: usize,
    id: &'static [u8],
    name: &'static [u8],
    operator: &'static [u8],
    issuer: &'static [u8],
    declared: &'static str,
}

const PLAIN: Report = Report {
    n: 1,
    id: b"K-7",
    name: b"Plover^Odd",
    operator: b"Crake^Tilda",
    issuer: b"",
    declared: "",
};

impl Report {
    /// Writes it, a study of its own on a day of its own.
    fn write(&self, site: &Site) -> String {
        let mut object = open_file(fixture("sr/tid1500/report.dcm")).expect("fixture");
        let uid = format!("2.25.3000{}", self.n);
        let study = format!("2.25.4000{}", self.n);
        let day = format!("202405{:02}", self.n);
        for (tag, vr, value) in [
            (tags::SOP_INSTANCE_UID, VR::UI, uid.as_bytes()),
            (tags::STUDY_INSTANCE_UID, VR::UI, study.as_bytes()),
            (tags::STUDY_DATE, VR::DA, day.as_bytes()),
            (tags::CONTENT_DATE, VR::DA, day.as_bytes()),
            (tags::PATIENT_ID, VR::LO, self.id),
            (tags::PATIENT_NAME, VR::PN, self.name),
            (tags::ISSUER_OF_PATIENT_ID, VR::LO, self.issuer),
            (
                tags::SPECIFIC_CHARACTER_SET,
                VR::CS,
                self.declared.as_bytes(),
            ),
        ] {
            let value = PrimitiveValue::from(value.to_vec());
            match value.calculate_byte_len() {
                0 => drop(object.remove_element(tag)),
                _ => drop(object.put(DataElement::new(tag, vr, value))),
            }
        }
        let mut meta = object.meta().clone();
        meta.media_storage_sop_instance_uid.clone_from(&uid);
        meta.update_information_group_length();
        let path = site.path(&format!("{uid}.dcm"));
        let mut object = (*object).clone().with_exact_meta(meta);
        observe(&mut object, self.operator);
        object.write_to_file(&path).expect("written");
        path.to_str().expect("path").to_owned()
    }
}

/// Puts the name of whoever measured wherever the tree has one.
fn observe(object: &mut InMemDicomObject, name: &[u8]) {
    if object.get(tags::PERSON_NAME).is_some() {
        let name = PrimitiveValue::from(name.to_vec());
        object.put(DataElement::new(tags::PERSON_NAME, VR::PN, name));
    }
    object.update_value(tags::CONTENT_SEQUENCE, |value| {
        for item in value.items_mut().into_iter().flatten() {
            observe(item, name);
        }
    });
}

fn process(site: &Site, reports: &[Report]) {
    let files: Vec<String> = reports.iter().map(|report| report.write(site)).collect();
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    site.ok("process", &files);
}

/// Patients of the results, as `issuer/id`, with the number of their exams.
fn patients(site: &Site) -> Vec<String> {
    let mut counted = std::collections::BTreeMap::<String, usize>::new();
    for result in site.results().values() {
        let patient = &result["patient"];
        let key = format!("{}/{}", text(&patient["issuer"]), text(&patient["id"]));
        *counted.entry(key).or_default() += 1;
    }
    let counted = counted.iter();
    counted.map(|(key, n)| format!("{key} {n}")).collect()
}

fn text(value: &Value) -> &str {
    value.as_str().expect("text")
}

/// One patient, whatever letters the names and the sets make of it.
#[test]
fn the_same_id_is_one_patient_in_any_character_set() {
    let site = Site::with("");
    process(
        &site,
        &[
            Report {
                id: b"K\xC3\xA9",
                declared: "ISO_IR 192",
                name: b"Plov\xC3\xA9r",
                ..PLAIN
            },
            Report {
                n: 2,
                id: b"K\xC3\xA9",
                declared: "ISO_IR 100",
                name: b"Heron",
                ..PLAIN
            },
            Report {
                n: 3,
                id: b"K\xC3\xA9",
                name: b"\xE9\xFF\xFE^\x1B$B",
                ..PLAIN
            },
        ],
    );
    assert_eq!(patients(&site), ["/K\\303\\251 3"]);
}

/// Two patients, though a name, or the letters of the ids, say one.
#[test]
fn the_same_name_is_not_the_same_patient() {
    let site = Site::with("");
    let reports: [(&[u8], &str, &[u8]); 5] = [
        (b"K-7", "", b""),
        (b"K-8", "", b""),
        // The letter é in two sets.
        (b"K\xC3\xA9", "ISO_IR 192", b""),
        (b"K\xE9", "ISO_IR 100", b""),
        // The same id from another place.
        (b"K-7", "", b"Nord\xF8"),
    ];
    let reports = (1..)
        .zip(reports)
        .map(|(n, (id, declared, issuer))| Report {
            n,
            id,
            declared,
            issuer,
            ..PLAIN
        });
    process(&site, &reports.collect::<Vec<_>>());
    assert_eq!(
        patients(&site),
        [
            "/K-7 1",
            "/K-8 1",
            "/K\\303\\251 1",
            "/K\\351 1",
            "Nord\\370/K-7 1"
        ]
    );
}

fn newest(results: &std::collections::BTreeMap<String, Value>) -> &Value {
    assert_eq!(results.len(), 1);
    results.values().next().expect("a result")
}

fn report_remarks(result: &Value) -> Vec<&str> {
    let reports = result["reports"].as_array().expect("reports");
    let remarks = reports.iter().flat_map(|r| r["remarks"].as_array());
    remarks.flatten().map(|r| text(&r["code"])).collect()
}

/// The exam says that a set was assumed. A set named later holds for what is stored; whose exam it
/// is stays.
#[test]
fn a_set_named_later_holds_for_stored_reports() {
    let site = Site::with("");
    let zoe = Report {
        operator: b"Zo\xEB",
        name: b"Zo\xEB",
        id: b"K\xEB",
        issuer: b"N\xEB",
        ..PLAIN
    };
    let file = zoe.write(&site);
    site.ok("process", &[&file]);
    let results = site.results();
    let first = newest(&results);
    assert_eq!(first["exam"]["operator"], "Zo\\353");
    assert!(report_remarks(first).contains(&"charset-undeclared"));
    let patient = first["patient"].clone();

    let config = std::fs::read_to_string(site.config()).expect("configuration");
    let config = config.replace(
        "path = \"drop\"",
        "path = \"drop\"\nfallback_charset = \"ISO_IR 144\"",
    );
    std::fs::write(site.config(), config).expect("configuration");
    site.ok("process", &[&file]);
    let results = site.results();
    let second = newest(&results);
    assert_eq!(second["exam"]["operator"], "Zoы");
    assert!(report_remarks(second).contains(&"charset-assumed"));
    assert!(!report_remarks(second).contains(&"charset-undeclared"));
    assert_eq!(second["patient"], patient);
    let page = site.path("outbox").join(format!(
        "{}-v{}",
        text(&second["exam"]["id"]),
        second["version"]
    ));
    let page = std::fs::read_to_string(Path::new(&page).join("result.txt")).expect("text");
    assert!(page.contains("read as ISO_IR 144"), "{page}");
}

/// Each sender has its own set; one without a table has that of all.
#[test]
fn each_sender_has_its_own_set() {
    let site = Site::with(
        "[[receive.dicom.sender]]\nae_title = \"CYRILLIC\"\nfallback_charset = \"ISO_IR 144\"\n\
         [[receive.dicom.sender]]\nae_title = \"NOTHING\"\nfallback_charset = \"\"\n",
    );
    let config = std::fs::read_to_string(site.config()).expect("configuration");
    let all = "listen = \"127.0.0.1:0\"\nfallback_charset = \"ISO_IR 100\"";
    let config = config.replace("listen = \"127.0.0.1:0\"", all);
    std::fs::write(site.config(), config).expect("configuration");
    let daemon = site.serve();
    let senders = ["CYRILLIC", "NOTHING", "OTHER"];
    for (n, sender) in (1..).zip(senders) {
        let file = Report {
            n,
            id: b"K\xEB",
            operator: b"Zo\xEB",
            ..PLAIN
        }
        .write(&site);
        let port = daemon.address.port().to_string();
        let sent = tool("storescu")
            .args([
                "-aet",
                sender,
                "-aec",
                "SHEATHLINE",
                "127.0.0.1",
                &port,
                &file,
            ])
            .status();
        assert!(sent.expect("storescu starts").success(), "{sender}");
    }
    until("three results", || site.results().len() == 3);
    daemon.stop();
    assert_eq!(patients(&site), ["/K\\353 3"]);
    let results = site.results();
    let operators = results.values().map(|r| text(&r["exam"]["operator"]));
    let mut operators: Vec<&str> = operators.collect();
    operators.sort_unstable();
    assert_eq!(operators, ["Zo\\353", "Zoë", "Zoы"]);
}
