//! Commands for whoever writes templates: `template check`, `template try`, `unmapped`.

use crate::harness::{Site, fixture, program};
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

/// What is printed can be pasted into a dictionary once the meaning is filled in.
#[test]
fn unmapped_codes_are_counted() {
    let site = Site::new();
    for case in ["local-codes-unexplained", "local-codes", "tid1500"] {
        site.ok("process", &[&path(&format!("sr/{case}/report.dcm"))]);
    }
    let rows = site.json("unmapped", &["--json"]);
    let right = rows
        .iter()
        .find(|row| row["value"] == "ONSD-R")
        .expect("ONSD-R");
    assert_eq!(right["scheme"], "99TARNHOLT");
    assert_eq!(right["reports"], 2);
    let stubs = site.ok("unmapped", &[]).replace("# says", "says");
    let dictionary = site.path("site.dictionary.toml");
    fs::write(&dictionary, stubs).expect("write");
    let (code, text) = template(&["check", dictionary.to_str().expect("path")]);
    assert_eq!(code, Some(0), "{text}");
}
