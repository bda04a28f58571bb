//! A scanner whose codes were renamed: `status`, log and results say so, also after a restart.

use crate::harness::{Site, fixture, lines, until};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::{InMemDicomObject, open_file};
use serde_json::Value;
use std::fs;

/// The scanner's codes, by what an update makes of them.
type Update = &'static [(&'static str, &'static str)];

const NONE: Update = &[];
const LEFT: Update = &[("ONSD-L", "ONSD2-L")];
const BOTH: Update = &[("ONSD-L", "ONSD2-L"), ("ONSD-R", "ONSD2-R")];

fn term(code: &str, eye: &str) -> String {
    format!(
        "[[term]]\ncode = \"{code}\"\nscheme = \"99TARNHOLT\"\n\
         says = {{ quantity = \"sheath_diameter\", eye = \"{eye}\" }}\n"
    )
}

fn site() -> Site {
    let site = Site::with("[templates]\ndictionaries = [\"scanner.toml\"]\n");
    let text = term("ONSD-R", "right") + &term("ONSD-L", "left");
    fs::write(site.path("scanner.toml"), text).expect("written");
    site
}

fn rename(object: &mut InMemDicomObject, update: Update) {
    let value = object.element(tags::CODE_VALUE).ok();
    let value = value.and_then(|value| value.to_str().ok().map(|text| text.trim().to_owned()));
    let new = update.iter().find(|(old, _)| value.as_deref() == Some(old));
    if let Some((_, new)) = new {
        object.put(DataElement::new(
            tags::CODE_VALUE,
            VR::SH,
            PrimitiveValue::from(*new),
        ));
    }
    let sequences = object.iter().filter(|element| element.vr() == VR::SQ);
    let sequences: Vec<_> = sequences.map(|element| element.header().tag).collect();
    for tag in sequences {
        object.update_value(tag, |items| {
            for item in items.items_mut().into_iter().flatten() {
                rename(item, update);
            }
        });
    }
}

/// The nth report of the scanner, into the drop folder.
fn send(site: &Site, n: usize, update: Update) {
    let mut object = open_file(fixture("sr/local-codes/report.dcm")).expect("fixture");
    let uid = format!("2.25.7000{n}");
    for (tag, vr, value) in [
        (tags::SOP_INSTANCE_UID, VR::UI, uid.clone()),
        (tags::STUDY_INSTANCE_UID, VR::UI, format!("2.25.8000{n}")),
        (tags::PATIENT_ID, VR::LO, format!("T-{n}")),
    ] {
        object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
    }
    rename(&mut object, update);
    let mut meta = object.meta().clone();
    meta.media_storage_sop_instance_uid.clone_from(&uid);
    meta.update_information_group_length();
    let object = (*object).clone().with_exact_meta(meta);
    let path = site.path(&format!("drop/{uid}.dcm"));
    object.write_to_file(&path).expect("written");
}

/// Sends reports one after the other, as a scanner does.
fn send_all(site: &Site, numbers: std::ops::Range<usize>, update: Update) {
    for n in numbers {
        send(site, n, update);
        until("the report is read", || {
            status(site).1["objects"]["received"].as_u64() == Some(n as u64 + 1)
        });
    }
    until("all are read", || {
        let waiting = &status(site).1["waiting"];
        let waiting = waiting.as_array().into_iter().flatten();
        waiting.into_iter().all(|stage| stage["count"] == 0)
    });
}

fn status(site: &Site) -> (Option<i32>, Value) {
    let output = site.run("status", &["--json"]);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    (output.status.code(), lines(&text).remove(0))
}

fn needs(status: &Value) -> Vec<&str> {
    let needs = status["needs"].as_array().into_iter().flatten();
    needs.filter_map(|need| need["code"].as_str()).collect()
}

#[test]
fn a_scanner_whose_codes_were_all_renamed_is_told_until_they_are_explained() {
    let site = site();
    let daemon = site.serve();
    send_all(&site, 0..8, NONE);
    let (code, now) = status(&site);
    assert_eq!((code, needs(&now)), (Some(0), vec![]), "{now}");
    assert_eq!(now["senders"][0]["with_values"], 8);
    send_all(&site, 8..13, BOTH);
    let (_, log) = daemon.stop_and_log();
    let told = |code: &str| {
        log.iter()
            .filter(|line| line["fields"]["code"] == code)
            .count()
    };
    assert_eq!((told("values-stopped"), told("unexplained-grew")), (1, 1));

    // Nothing of it is in the memory of the daemon alone.
    let (code, now) = status(&site);
    assert_eq!(code, Some(1));
    assert_eq!(needs(&now), ["values-stopped", "unexplained-grew"]);
    let sender = &now["senders"][0];
    assert_eq!(sender["sender"], "folder");
    let stopped = &sender["values_stopped"];
    assert_eq!(
        (&stopped["reports"], &stopped["then"]),
        (&5.into(), &8.into())
    );
    assert!(stopped["since"].is_string());
    let said = site.run("status", &[]);
    let said = String::from_utf8_lossy(&[said.stdout, said.stderr].concat()).into_owned();
    assert!(said.contains("NO VALUES in the last 5"), "{said}");
    assert!(said.contains("8 of the 8 before did"), "{said}");

    // Once somebody explains them all is read again.
    let text = fs::read_to_string(site.path("scanner.toml")).expect("read");
    let text = text + &term("ONSD2-R", "right") + &term("ONSD2-L", "left");
    fs::write(site.path("scanner.toml"), text).expect("written");
    let daemon = site.serve();
    until("all is read again", || needs(&status(&site).1).is_empty());
    assert_eq!(status(&site).1["senders"][0]["with_values"], 13);
    daemon.stop();
}

#[test]
fn a_scanner_of_which_one_eye_was_renamed_is_told_by_results_and_status() {
    let site = site();
    let daemon = site.serve();
    send_all(&site, 0..6, NONE);
    send_all(&site, 6..11, LEFT);
    until("the results", || site.results().len() == 11);
    daemon.stop();
    let (code, now) = status(&site);
    assert_eq!((code, needs(&now)), (Some(1), vec!["unexplained-grew"]));
    assert_eq!(now["senders"][0]["with_values"], 11);
    assert!(now["senders"][0]["values_stopped"].is_null());
    let unread = site.results().into_values().filter(|result| {
        let remarks = result["remarks"].as_array().into_iter().flatten();
        remarks
            .into_iter()
            .any(|remark| remark["code"] == "left-unread")
    });
    assert_eq!(unread.count(), 5);
}
