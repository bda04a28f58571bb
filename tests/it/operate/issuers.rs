//! A default issuer that is set or changed while reports without one are stored.

use crate::harness::{Site, program, until};
use crate::objects::Report;
use std::fs;

const FOLDER: &str = "[receive.folder]\n";

/// Puts a default issuer into the table of the drop folder, or takes it out.
fn set(site: &Site, issuer: Option<&str>) {
    let text = fs::read_to_string(site.config()).expect("configuration");
    let lines = text
        .lines()
        .filter(|line| !line.starts_with("default_issuer"));
    let text: String = lines.map(|line| format!("{line}\n")).collect();
    let line = issuer.map_or(String::new(), |issuer| {
        format!("default_issuer = {issuer:?}\n")
    });
    let text = text.replace(FOLDER, &format!("{FOLDER}{line}"));
    fs::write(site.config(), text).expect("written");
}

/// What `check-config` says beside that there are no mistakes.
fn told(site: &Site) -> String {
    let output = program()
        .arg("check-config")
        .arg(site.config())
        .output()
        .expect("runs");
    assert!(output.status.success());
    String::from_utf8(output.stderr).expect("UTF-8")
}

fn report(site: &Site, n: usize, patient: &str, issuer: Option<&str>) -> String {
    let path = Report {
        patient: patient.to_owned(),
        ..Report::numbered(n)
    }
    .write(&site.path("reports"));
    if let Some(issuer) = issuer {
        let mut object = dicom_object::open_file(&path).expect("a report");
        let value = dicom_core::PrimitiveValue::from(issuer);
        let tag = dicom_dictionary_std::tags::ISSUER_OF_PATIENT_ID;
        object.put(dicom_core::DataElement::new(tag, dicom_core::VR::LO, value));
        object.write_to_file(&path).expect("written");
    }
    path.to_str().expect("UTF-8").to_owned()
}

#[test]
fn patients_that_a_new_issuer_would_split_are_counted() {
    let site = Site::new();
    fs::create_dir(site.path("reports")).expect("made");
    assert_eq!(told(&site), "");
    assert!(
        !site.path("store.sqlite").exists(),
        "nobody makes a store by asking"
    );
    // Two reports of one patient, one of another, and one that names its issuer.
    let files = [
        report(&site, 1, "T-1", Some("")),
        report(&site, 2, "T-1", Some("")),
        report(&site, 3, "T-2", Some("")),
        report(&site, 4, "T-3", Some("WEST")),
    ];
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    site.ok("process", &files);
    assert_eq!(told(&site), "", "nothing changed");

    set(&site, Some("WEST"));
    let said = told(&site);
    for part in [
        "2 patients have",
        "2 from \"\" to \"WEST\"",
        "patient merge",
        "does not help",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
    let daemon = site.serve();
    let line = || {
        let mut log = daemon.log().into_iter();
        log.find(|line| line["fields"]["code"] == "issuer-changed")
    };
    until("the line", || line().is_some());
    let fields = &line().expect("a line")["fields"];
    assert_eq!(fields["patients"], 2);
    assert!(!fields.to_string().contains("T-1"), "{fields}");
    let status = || site.json("status", &["--json"]).remove(0)["patients_apart"].clone();
    until("the status", || status()["what"].is_string());
    assert_eq!(daemon.stop(), Some(0));

    // Whoever is joined is not apart any more.
    // The new id has to be known where that is asked for.
    let more = report(&site, 5, "T-1", Some("WEST"));
    site.ok("process", &[&more]);
    let merged = merge_of(&site, "T-1");
    assert!(
        merged.status.success(),
        "{}",
        String::from_utf8_lossy(&merged.stderr)
    );
    assert!(told(&site).contains("1 patient has"), "{}", told(&site));
    // Set back: all is as it was, but for what came as WEST by itself.
    set(&site, None);
    assert_eq!(told(&site), "");

    // What was the default once, and what reports say of themselves, are told apart.
    set(&site, Some("EAST"));
    let east = report(&site, 6, "T-6", Some(""));
    site.ok("process", &[&east]);
    set(&site, Some("WEST"));
    let said = told(&site);
    assert!(said.contains("1 from \"EAST\" to \"WEST\""), "{said}");
    set(&site, None);
    let said = told(&site);
    assert!(
        said.contains("1 patient has") && said.contains("to \"\""),
        "{said}"
    );
    let daemon = site.serve();
    until("the status", || {
        let what = site.json("status", &["--json"]).remove(0)["patients_apart"]["what"].clone();
        what.as_str()
            .is_some_and(|what| what.starts_with("1 patient has"))
    });
    assert_eq!(daemon.stop(), Some(0));
}

fn merge_of(site: &Site, id: &str) -> std::process::Output {
    program()
        .args(["patient", "merge", "--config"])
        .arg(site.config())
        .args(["--from", &format!("|{id}"), "--into", &format!("WEST|{id}")])
        .args(["--why", "issuer set"])
        .output()
        .expect("runs")
}
