//! From nothing read to all read: `template draft`, `template confirm`, and what stays refused.

use crate::harness::{Site, fixture, lines, program};
use serde_json::Value;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Output, Stdio};

fn scanner(name: &str) -> String {
    fixture("scanners").join(name).display().to_string()
}

fn template(args: &[&str]) -> Output {
    program().arg("template").args(args).output().expect("runs")
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&[output.stdout.as_slice(), &output.stderr].concat()).into_owned()
}

/// `template confirm` with these answers on standard input.
fn confirm(draft: &Path, dictionary: &Path, answers: &str) -> Output {
    let mut running = program()
        .args(["template", "confirm"])
        .arg(draft)
        .arg("--output")
        .arg(dictionary)
        .args(["--by", "Invented Person"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("runs");
    let mut input = running.stdin.take().expect("piped");
    // It may end before it has read everything.
    let _ = input.write_all(answers.as_bytes());
    drop(input);
    running.wait_with_output().expect("ends")
}

/// Eye and value of each usable value, by place.
fn values(report: &str, dictionary: &Path) -> Vec<(String, String, String)> {
    let output = program()
        .args(["read", report, "--json", "--dictionary"])
        .arg(dictionary)
        .output()
        .expect("runs");
    let rows = lines(&String::from_utf8_lossy(&output.stdout));
    let all = rows[0]["measurements"].as_array().expect("values");
    all.iter()
        .filter(|one| one["usable"] == true)
        .map(|one| {
            let text = |key: &str| {
                one[key]
                    .as_str()
                    .map_or(one[key].to_string(), str::to_owned)
            };
            (text("place"), text("eye"), text("value_mm"))
        })
        .collect()
}

/// What the maker of the fixture says of each value.
fn truth(name: &str, report: &str) -> Vec<(String, String, String)> {
    let about = fixture("scanners").join(name).join("about.json");
    let about: Value = serde_json::from_slice(&fs::read(about).expect("there")).expect("JSON");
    let all = about["values"][report].as_array().expect("values");
    let text = |one: &Value, key: &str| one[key].as_str().expect("text").to_owned();
    all.iter()
        .map(|one| (text(one, "place"), text(one, "eye"), text(one, "mm")))
        .collect()
}

#[test]
fn a_new_scanner_is_read_after_a_few_letters() {
    let site = Site::new();
    let (draft, dictionary) = (site.path("draft.toml"), site.path("fennlund.toml"));
    let reports = scanner("fennlund");
    let written = draft.to_str().expect("path");
    let told = template(&["draft", &reports, "--output", written]);
    assert!(told.status.success(), "{}", said(&told));
    assert!(said(&told).contains("template confirm"), "{}", said(&told));

    // The draft is in force nowhere.
    let refused = program()
        .args(["read", &reports, "--dictionary", written])
        .output();
    let refused = refused.expect("runs");
    assert_eq!(refused.status.code(), Some(2), "{}", said(&refused));
    let checked = template(&["check", written]);
    assert_eq!(checked.status.code(), Some(2), "{}", said(&checked));
    for told in [&refused, &checked] {
        assert!(
            said(told).contains("nobody has confirmed"),
            "{}",
            said(told)
        );
    }

    // Left, right, and an axial length that is none of ours.
    let confirmed = confirm(&draft, &dictionary, "l\nr\nn\n");
    assert!(confirmed.status.success(), "{}", said(&confirmed));
    assert!(
        said(&confirmed).contains("[templates] dictionaries = ["),
        "{}",
        said(&confirmed)
    );
    let text = fs::read_to_string(&dictionary).expect("written");
    assert!(text.contains("by Invented Person"), "{text}");
    let checked = template(&["check", dictionary.to_str().expect("path")]);
    assert!(checked.status.success(), "{}", said(&checked));
    for report in ["1.dcm", "2.dcm"] {
        let path = format!("{reports}/{report}");
        assert_eq!(values(&path, &dictionary), truth("fennlund", report));
    }
    let nothing_left = template(&["draft", &reports, "--output", written]);
    assert_eq!(
        nothing_left.status.code(),
        Some(1),
        "a draft is not written over"
    );
}

/// Answers that are refused end a pipe: the next line was written for the next question.
#[test]
fn a_blind_yes_takes_no_side_and_shifts_nothing() {
    let site = Site::new();
    let (draft, dictionary) = (site.path("draft.toml"), site.path("dictionary.toml"));
    let written = draft.to_str().expect("path");
    template(&["draft", &scanner("fennlund"), "--output", written]);
    let blind = confirm(&draft, &dictionary, "y\ny\ny\ny\ny\ny\n");
    assert_eq!(blind.status.code(), Some(1), "{}", said(&blind));
    assert!(
        said(&blind).contains("write its letter"),
        "{}",
        said(&blind)
    );
    assert!(!dictionary.exists(), "nothing was answered");
    let shifted = confirm(&draft, &dictionary, "l\ny\nr\n");
    assert_eq!(shifted.status.code(), Some(1), "{}", said(&shifted));
    let text = fs::read_to_string(&dictionary).expect("written");
    assert_eq!(text.matches("[[term]]").count(), 1, "{text}");
    assert!(!text.contains("eye = \"right\""), "{text}");
}

/// Whatever ends it, what was answered is there, whole, and the rest is asked again.
#[test]
fn a_confirmation_that_is_killed_loses_nothing() {
    let site = Site::new();
    let (draft, dictionary) = (site.path("draft.toml"), site.path("dictionary.toml"));
    template(&[
        "draft",
        &scanner("marrowby"),
        "--output",
        draft.to_str().expect("path"),
    ]);
    let mut running = program()
        .args(["template", "confirm"])
        .arg(&draft)
        .arg("--output")
        .arg(&dictionary)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("runs");
    let mut input = running.stdin.take().expect("piped");
    input.write_all(b"y\ny\ny\n").expect("taken");
    crate::harness::until("three answers are written", || {
        fs::read_to_string(&dictionary).is_ok_and(|text| text.matches("[[term]]").count() == 3)
    });
    running.kill().expect("killed");
    running.wait().expect("ended");
    drop(input);
    let half = template(&["check", dictionary.to_str().expect("path")]);
    assert!(half.status.success(), "{}", said(&half));
    let rest = confirm(&draft, &dictionary, "y\ny\ny\ny\ny\nr\nl\n");
    assert!(rest.status.success(), "{}", said(&rest));
    assert!(said(&rest).contains("3 are answered"), "{}", said(&rest));
    for report in ["1.dcm", "2.dcm"] {
        let path = format!("{}/{report}", scanner("marrowby"));
        assert_eq!(values(&path, &dictionary), truth("marrowby", report));
    }
}

/// A draft of the store is that of its senders, alone or together, and JSON tells the same.
#[test]
fn a_draft_is_made_of_the_store_by_sender() {
    let site = Site::new();
    for name in ["fennlund", "twins"] {
        site.ok("process", &[&scanner(name)]);
    }
    let config = site.config().display().to_string();
    let draft = |more: &[&str]| {
        let args = [&["draft", "--config", &config], more].concat();
        template(&args)
    };
    let all = said(&draft(&[]));
    assert!(all.contains("OND_R") && all.contains("99TWINS"), "{all}");
    let one = said(&draft(&["--sender", "twins twins one"]));
    assert!(!one.contains("OND_R") && one.contains("99TWINS"), "{one}");
    let none = draft(&["--sender", "NOBODY"]);
    assert_eq!(none.status.code(), Some(1), "{}", said(&none));
    assert!(said(&none).contains("Twins Twins One"), "{}", said(&none));
    let rows = lines(&String::from_utf8_lossy(&draft(&["--json"]).stdout));
    let of = |code: &str| {
        let mut rows = rows.iter();
        rows.find(|row| row["value"] == code)
            .expect("a row")
            .clone()
    };
    assert_eq!(of("OND_R")["proposed"]["eye"], "right");
    assert_eq!(of("M1")["proposed"]["eye"], Value::Null);
    assert!(
        of("M1")["notes"][0]
            .as_str()
            .is_some_and(|why| why.contains("called the same"))
    );
    assert_eq!(of("AXL_R")["proposed"], serde_json::json!({}));
    // The list of the store is the same, without proposals in its text.
    let listed = site.json("unmapped", &["--json"]);
    assert_eq!(listed.len(), rows.len());
    let text = site.ok("unmapped", &[]);
    assert!(
        text.contains("template draft") && !text.contains("proposed"),
        "{text}"
    );
}

/// Dictionaries that read everything as one eye are refused before they are in force.
#[test]
fn a_dictionary_of_one_eye_is_refused_by_check() {
    let site = Site::new();
    let file = site.path("dictionary.toml");
    let term = |code: &str, eye: &str| {
        format!(
            "[[term]]\ncode = \"{code}\"\nscheme = \"99T\"\nsays = {{ quantity = \"sheath_diameter\", eye = \
             \"{eye}\" }}\n"
        )
    };
    let check = |text: &str| {
        fs::write(&file, text).expect("written");
        let output = template(&["check", file.to_str().expect("path")]);
        (output.status.code(), said(&output))
    };
    let (code, told) = check(&(term("A", "right") + &term("B", "right")));
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("dictionary.toml:4:"), "{told}");
    assert_eq!(check(&(term("A", "right") + &term("B", "left"))).0, Some(0));
    let (code, told) = check(&(term("S_R", "left") + &term("S_L", "left")));
    assert_eq!(code, Some(2), "{told}");
    assert!(
        told.contains("S_R and S_L differ in the side alone"),
        "{told}"
    );
}
