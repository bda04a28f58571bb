//! What was known of a patient stays: a name is not lost by a correction, nor an id by a spreadsheet.

use super::{bring, exams, measure, number, site};
use sheathline_model::domain::PatientKey;
use sheathline_store::{Mode, Store, exam_lines};
use std::fs;

#[test]
fn a_correction_by_command_keeps_the_name_of_the_report() {
    let site = site("");
    let first = measure("5.2", &["--patient-name", "Merrowdene^Iolo"]);
    let signed = site.json("measure", &first).pop().expect("a line");
    let uid = signed["sop_instance_uid"]
        .as_str()
        .expect("a UID")
        .to_owned();
    let again = measure("5.6", &["--correct", &uid, "--reason", "read 5.2 for 5.6"]);
    let corrected = site.json("measure", &again).pop().expect("a line");
    assert_eq!(corrected["new"], true);
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let key = PatientKey {
        issuer: String::new(),
        id: "0042".to_owned(),
    };
    let lines = store.read(|view| exam_lines::of_patient(view, &key));
    let lines = lines.expect("read");
    let [line] = lines.as_slice() else {
        panic!("{} lines", lines.len());
    };
    assert_eq!(
        line.named_by.as_deref(),
        corrected["sop_instance_uid"].as_str()
    );
    assert_eq!(line.name.as_deref(), Some("Merrowdene^Iolo"));
}

/// Of 0042 a spreadsheet makes 42, and the patient would begin anew without a baseline.
#[test]
fn an_id_that_lost_its_noughts_is_looked_at_once_more() {
    let site = site("");
    assert_eq!(number(&bring(&site, &exams(), &[]), "new"), 6);
    let file = site.path("shortened.csv");
    let row = "42,2019-03-02,2025-12-01,5.3,5.1";
    let other = "43,2019-03-02,2025-12-01,5.3,5.1";
    let text = format!("patient_id,birth_date,date,right,left\n{row}\n{other}\n");
    fs::write(&file, text).expect("written");
    let dry = bring(&site, &file.display().to_string(), &["--dry-run"]);
    let doubts = dry["doubts"].as_array().expect("doubts");
    let of_id: Vec<_> = doubts
        .iter()
        .filter(|one| one["column"] == "patient_id")
        .collect();
    assert_eq!(of_id.len(), 1, "{dry}");
    assert_eq!(of_id[0]["line"], 2);
    let reason = of_id[0]["reason"].as_str().expect("a reason");
    assert!(
        reason.contains("\"0042\"") && reason.contains("noughts"),
        "{reason}"
    );
}
