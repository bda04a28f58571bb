//! Readings taken back by command, and a rise that becomes worse.

use super::{entries, exam_of_year, of_year, refused, site, site_of};
use crate::objects::Report;

#[test]
fn readings_are_taken_back_by_command_and_count_again() {
    let site = site("");
    let exam = exam_of_year(&site, "2024");
    let at = refused(&site, 2, "take-back", &[&exam]);
    assert!(at.contains("say what was wrong with the readings"), "{at}");
    let why = ["--reason", "of another child"];
    let args = [&[exam.as_str()], &why[..]].concat();
    let said = site.ok("take-back", &[&args[..], &["--dry-run"]].concat());
    for words in [
        "Rise found: ",
        "then: not told: its readings are taken back",
        "is flagged and loses its flag",
        "1 entries would be recorded",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let output = site.run("take-back", &args);
    let at = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{at}");
    assert!(at.contains("--yes"), "{at}");
    assert_eq!(entries(&site), []);
    let said = site.ok("take-back", &[&args[..], &["--yes"]].concat());
    assert!(said.contains("its readings are taken back"), "{said}");
    assert_eq!(of_year(&site, "2024")["assessment"]["reason"], "withdrawn");
    let again = site.ok("take-back", &[&args[..], &["--yes"]].concat());
    assert!(again.contains("is taken back already"), "{again}");
    assert_eq!(entries(&site).len(), 1);
    // By its exam id, or by its study.
    let said = site.ok("take-back", &["2.25.20004", "--remove"]);
    assert!(
        said.contains("told no more") && said.contains("its readings count again"),
        "{said}"
    );
    assert_eq!(of_year(&site, "2024")["assessment"]["flagged"], true);
    let again = site.ok("take-back", &[&exam, "--remove"]);
    assert!(
        again.contains("counts with all its readings already"),
        "{again}"
    );
    let counts: Vec<bool> = entries(&site).iter().map(|one| one.3).collect();
    assert_eq!(counts.len(), 2);
    site.ok("verify", &[]);
}

/// Two reports of one exam: one is taken back, then the other; the first goes with its own entry.
#[test]
fn what_is_left_of_an_exam_can_be_taken_back_too() {
    let site = site_of("", &[(1, 0)]);
    let folder = site.path("more");
    std::fs::create_dir(&folder).expect("folder");
    let more = Report {
        patient: "T-1".into(),
        date: "20210301".into(),
        tenths: 4,
        study: Report::numbered(1).study,
        ..Report::numbered(9)
    };
    more.write(&folder);
    let exam = exam_of_year(&site, "2021");
    site.ok("take-back", &[&exam, "--reason", "wrong eye", "--yes"]);
    site.ok("process", &[&folder.display().to_string()]);
    let told = of_year(&site, "2021");
    let remarks = told["remarks"].to_string();
    assert!(remarks.contains("taken-back-in-part"), "{remarks}");
    let said = site.ok("take-back", &[&exam, "--reason", "this one too", "--yes"]);
    assert!(said.contains("its readings are taken back"), "{said}");
    assert_eq!(of_year(&site, "2021")["assessment"]["reason"], "withdrawn");
    site.ok("take-back", &[&exam, "--remove"]);
    let told = of_year(&site, "2021");
    let remarks = told["remarks"].to_string();
    assert!(!remarks.contains("taken-back"), "{remarks}");
    assert_eq!(entries(&site).iter().filter(|one| one.3).count(), 0);
}

/// Acknowledged while it lay a little above, a rise waits again once it is seen to be larger.
#[test]
fn a_rise_that_grows_waits_again_and_says_why() {
    let site = site_of("", &[(1, 0), (2, 6), (3, 1), (4, 7)]);
    let exam = exam_of_year(&site, "2024");
    site.ok(
        "label",
        &[
            &exam_of_year(&site, "2021"),
            &exam_of_year(&site, "2022"),
            "well",
            "--yes",
        ],
    );
    let flagged = of_year(&site, "2024");
    assert_eq!(
        flagged["assessment"]["flagged"], true,
        "{}",
        flagged["assessment"]
    );
    site.ok("acknowledge", &[&exam]);
    let waits = |site: &crate::harness::Site| {
        let all = site.json("worklist", &["--json"]);
        let mut all = all.into_iter();
        all.find(|one| one["list"] == "rises" && one["exam_id"] == exam.as_str())
    };
    assert_eq!(waits(&site), None);
    // What made it look small was no exam of a well patient.
    site.ok(
        "leave-out",
        &[
            &exam_of_year(&site, "2022"),
            "--reason",
            "of the other eye",
            "--yes",
        ],
    );
    let now = of_year(&site, "2024");
    let line = waits(&site);
    let line = line.unwrap_or_else(|| {
        let rows = [&flagged, &now].map(|one| one["assessment"]["rows"]["both"].to_string());
        panic!("it does not wait again: {rows:?}")
    });
    assert_eq!(line["rise"]["state"], "new");
    assert_eq!(line["worse"]["version"], flagged["version"]);
    let said = site.ok("worklist", &[]);
    assert!(
        said.contains("worse than what ") && said.contains("; now "),
        "{said}"
    );
    site.ok("acknowledge", &[&exam]);
    assert_eq!(waits(&site), None);
}
