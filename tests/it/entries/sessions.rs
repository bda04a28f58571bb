//! A study that holds several exams: what is said of one is not said of another.

use super::{Report, refused};
use crate::harness::Site;
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::open_file;
use serde_json::Value;
use sheathline_store::bare::Bare;
use std::path::Path;

const STUDY: &str = "2.25.20001";

/// A report of the study at this hour.
fn write(folder: &Path, n: usize, hour: &str, tenths: i32) {
    let report = Report {
        patient: "T-1".into(),
        study: STUDY.into(),
        tenths,
        ..Report::numbered(n)
    };
    let path = report.write(folder);
    let mut object = open_file(&path).expect("written");
    for tag in [tags::CONTENT_TIME, tags::STUDY_TIME] {
        let time = PrimitiveValue::from(format!("{hour}0000"));
        object.put(DataElement::new(tag, VR::TM, time));
    }
    object.write_to_file(&path).expect("written");
}

/// Two exams of one study, in the order of their time.
fn site() -> (Site, [String; 2]) {
    let site = Site::new();
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    write(&folder, 1, "06", 0);
    write(&folder, 2, "14", 3);
    site.ok("process", &[&folder.display().to_string()]);
    let mut exams: Vec<(String, String)> = site
        .results()
        .into_iter()
        .map(|(id, one)| (one["exam"]["performed_at"].to_string(), id))
        .collect();
    exams.sort();
    let ids: Vec<String> = exams.into_iter().map(|(_, id)| id).collect();
    let ids = ids.try_into().expect("two exams");
    (site, ids)
}

fn label(site: &Site, exam: &str) -> Value {
    site.results()[exam]["exam"]["label"].clone()
}

#[test]
fn a_study_of_several_exams_names_none_and_their_ids_are_told() {
    let (site, [first, second]) = site();
    let at = refused(&site, 1, "label", &[STUDY, "well"]);
    for says in ["holds 2 exams", &first, &second, "06:00", "14:00"] {
        assert!(at.contains(says), "{says}: {at}");
    }
    let at = refused(&site, 1, "pressure", &[STUDY, "32", "cm[H2O]"]);
    assert!(at.contains("holds 2 exams"), "{at}");
    // So it is in a table, with the row.
    let file = site.path("labels.csv");
    std::fs::write(&file, format!("study_instance_uid,label\n{STUDY},well\n")).expect("written");
    let name = file.to_str().expect("UTF-8");
    let at = refused(&site, 2, "label", &["--table", name]);
    for says in [
        "line 2",
        "holds 2 exams",
        &first,
        &second,
        "nothing was recorded",
    ] {
        assert!(at.contains(says), "{says}: {at}");
    }
    site.ok("label", &[&second, "raised_confirmed"]);
    assert_eq!(label(&site, &second), "raised_confirmed");
    assert!(label(&site, &first).is_null());
    let all = site.json("entries", &["T-1", "--json"]);
    assert_eq!(all[0]["exam_ids"], serde_json::json!([second]));
}

/// As every entry of an earlier store: of all of the study, by nobody known.
#[test]
fn an_entry_of_the_whole_study_is_corrected_for_one_exam_and_kept_for_the_other() {
    let (site, [first, second]) = site();
    let base = Bare::open(&site.path("store.sqlite")).expect("opens");
    base.change(&format!(
        "insert into entry (act, patient_issuer, patient_id, kind, study_instance_uid, value,
                            recorded_at, author, author_kind, entered_by, source, reason)
         values (1, 'TARNHOLT', 'T-1', 'label', '{STUDY}', 'raised_confirmed',
                 '2024-06-01T00:00:00.000000Z', '', 'unknown', '', 'earlier', '')",
    ))
    .expect("added");
    drop(base);
    site.ok("label", &[&second, "well", "--yes"]);
    assert_eq!(label(&site, &second), "well");
    assert_eq!(label(&site, &first), "raised_confirmed");
    let all = site.json("entries", &["T-1", "--json"]);
    let told: Vec<String> = all
        .iter()
        .map(|one| format!("{} {} {}", one["value"], one["corrects"], one["counts"]))
        .collect();
    assert_eq!(
        told,
        [
            "\"raised_confirmed\" null false",
            "\"well\" 1 true",
            "\"raised_confirmed\" 1 true",
        ]
    );
    assert_eq!(all[2]["exam_ids"], serde_json::json!([first]));
    // Both at once, one of them as it is: the other is not lost.
    site.ok("label", &[&first, &second, "well", "--yes"]);
    assert_eq!(
        (label(&site, &first), label(&site, &second)),
        ("well".into(), "well".into())
    );
    site.ok("verify", &[]);
}
