//! Whatever would take a flag away, or make a flagged exam baseline, is asked about once more: by
//! whichever command.

use super::{entries, exam_of_year, of_year, refused, site};

/// Refused without a yes, with what would happen; recorded with one.
fn asked(command: &str, args: &[&str], exam: &str, what: &str) -> super::Site {
    let site = site("");
    let before = entries(&site).len();
    let named: Vec<String> = args
        .iter()
        .map(|arg| match arg.strip_prefix("exam of ") {
            Some(year) => exam_of_year(&site, year),
            None => (*arg).to_owned(),
        })
        .collect();
    let named: Vec<&str> = named.iter().map(String::as_str).collect();
    let why = refused(&site, 1, command, &named);
    let exam = exam_of_year(&site, exam);
    assert!(
        why.contains(&exam) && why.contains(what) && why.contains("--yes"),
        "{why}"
    );
    assert_eq!(entries(&site).len(), before, "nothing was recorded");
    let said = site.ok(command, &[&named[..], &["--dry-run"]].concat());
    assert!(said.contains(&exam), "{said}");
    assert_eq!(entries(&site).len(), before, "nothing was recorded");
    site.ok(command, &[&named[..], &["--yes"]].concat());
    assert!(entries(&site).len() > before);
    site
}

#[test]
fn an_event_that_takes_a_flag_away_is_asked_about() {
    let args = ["T-1", "2023-09-01", "shunt_revision"];
    let site = asked("event", &args, "2024", "would lose its flag");
    assert_eq!(of_year(&site, "2024")["assessment"]["flagged"], false);
}

#[test]
fn leaving_exams_out_that_takes_a_flag_away_is_asked_about() {
    let args = [
        "exam of 2021",
        "exam of 2022",
        "exam of 2023",
        "--reason",
        "wrong probe",
    ];
    let site = asked("leave-out", &args, "2024", "would lose its flag");
    assert_eq!(of_year(&site, "2024")["assessment"]["flagged"], false);
    // What brings a flag back is none that asks.
    let exam = exam_of_year(&site, "2021");
    let others = ["2022", "2023"].map(|year| exam_of_year(&site, year));
    site.ok("leave-out", &[&exam, &others[0], &others[1], "--remove"]);
    assert_eq!(of_year(&site, "2024")["assessment"]["flagged"], true);
}

#[test]
fn a_rise_settled_as_ruled_out_becomes_baseline_only_after_it_was_asked() {
    let args = ["exam of 2024", "ruled_out", "--reason", "pressure measured"];
    let site = asked("settle", &args, "2024", "become part of the baseline");
    assert_eq!(of_year(&site, "2024")["exam"]["label"], "raised_ruled_out");
}

#[test]
fn labels_of_other_exams_that_take_a_flag_away_are_asked_about() {
    let args = ["exam of 2023", "raised_confirmed", "--reason", "x"];
    let site = site("");
    let exam = exam_of_year(&site, "2023");
    // Alone it takes no flag away: then nothing is asked.
    let said = site.ok("label", &[&exam, args[1], "--dry-run"]);
    let flagged = exam_of_year(&site, "2024");
    let loses = said.contains(&format!("{flagged} is flagged and loses its flag"));
    let output = site.run("label", &[&exam, args[1]]);
    assert_eq!(output.status.success(), !loses, "{said}");
}

#[test]
fn taking_a_label_back_that_makes_a_flagged_exam_baseline_or_takes_a_flag_is_asked_about() {
    let site = site("");
    let flagged = exam_of_year(&site, "2024");
    let all = ["2021", "2022", "2023"].map(|year| exam_of_year(&site, year));
    site.ok("label", &[&all[0], &all[1], &all[2], "well", "--yes"]);
    let is_flagged = of_year(&site, "2024")["assessment"]["flagged"] == true;
    assert!(is_flagged, "labels alone leave the flag");
    // An event whose taking back changes nothing is not asked about.
    site.ok("event", &["T-1", "2019-01-01", "other"]);
    site.ok("event", &["T-1", "2019-01-01", "other", "--remove"]);
    // Without a baseline the flag is gone: all three left out, and the entries that did it are asked
    // about nothing when they are taken back.
    let why = refused(
        &site,
        1,
        "leave-out",
        &[&all[0], &all[1], &all[2], "--reason", "wrong probe"],
    );
    assert!(why.contains(&flagged), "{why}");
}
