//! Labels from a table: all of it or nothing.

use super::{entries, exam_of_year, of_year, refused, site};
use std::fs;

#[test]
fn a_table_is_shown_by_a_dry_run_and_recorded_as_one_act() {
    let site = site("");
    let [one, two] = ["2021", "2022"].map(|year| exam_of_year(&site, year));
    let file = site.path("labels.csv");
    let text = format!(
        "label,exam_id,study_instance_uid,author,reason\nwell,{one},,Dr Ilse Farnwick,\"well, and \
         seen\"\nraised_confirmed,,2.25.20003,,\nwell,{two},,,\n"
    );
    fs::write(&file, text).expect("written");
    let file = file.to_str().expect("UTF-8");
    let results = site.all_results().len();
    let said = site.ok("label", &["--table", file, "--dry-run"]);
    assert!(
        said.contains("dry run: 3 entries would be added; nothing was"),
        "{said}"
    );
    let flagged = exam_of_year(&site, "2024");
    let change = said.lines().find(|line| line.contains(&flagged));
    assert!(change.is_some_and(|line| line.contains(" -> ")), "{said}");
    assert_eq!(
        (entries(&site).len(), site.all_results().len()),
        (0, results)
    );

    site.ok("label", &["--table", file, "--reason", "review of 2026"]);
    let all = site.json("entries", &["T-1", "--json"]);
    let told: Vec<String> = all
        .iter()
        .map(|one| {
            format!(
                "{} {} {} {} {} {}",
                one["act"],
                one["value"],
                one["author_kind"],
                one["source"],
                one["reason"],
                one["counts"]
            )
        })
        .collect();
    let row = |value, author, reason: &str| {
        format!("1 \"{value}\" \"{author}\" \"table\" \"{reason}\" true")
    };
    assert_eq!(
        told,
        [
            row("well", "account", "well, and seen"),
            row("raised_confirmed", "system_user", "review of 2026"),
            row("well", "system_user", "review of 2026"),
        ]
    );
    assert_eq!(of_year(&site, "2023")["exam"]["label"], "raised_confirmed");
    // The same table again.
    let results = site.all_results().len();
    let said = site.ok("label", &["--table", file]);
    assert_eq!(said.matches("has that label already").count(), 3, "{said}");
    assert_eq!(
        (entries(&site).len(), site.all_results().len()),
        (3, results)
    );
}

#[test]
fn every_bad_row_is_named_and_nothing_is_recorded() {
    let site = site("");
    let one = exam_of_year(&site, "2021");
    let file = site.path("labels.csv");
    let text = format!(
        "exam_id,study_instance_uid,label\n{one},,well\n,9.9.9,well\nE0000000000000000,,well\n\
         ,2.25.20001,raised_confirmed\n"
    );
    fs::write(&file, text).expect("written");
    let name = file.to_str().expect("UTF-8");
    let at = refused(&site, 2, "label", &["--table", name]);
    for says in [
        "line 3, column study_instance_uid: the store knows no exam 9.9.9",
        "line 4, column exam_id: the store knows no exam E0000000000000000",
        "line 5, column study_instance_uid: names the exam of line 2 again",
        "nothing was recorded",
    ] {
        assert!(at.contains(says), "{says}: {at}");
    }
    assert_eq!(entries(&site), []);
    fs::write(&file, format!("exam_id,label\n{one},wel\n")).expect("written");
    let at = refused(&site, 2, "label", &["--table", name, "--dry-run"]);
    assert!(
        at.contains("labels.csv: line 2, column label: \"wel\" is no label"),
        "{at}"
    );
    // A flagged exam in it is asked about like any other.
    let flagged = exam_of_year(&site, "2024");
    fs::write(
        &file,
        format!("exam_id,label\n{one},well\n{flagged},well\n"),
    )
    .expect("written");
    let at = refused(&site, 1, "label", &["--table", name]);
    assert!(at.contains(&flagged) && at.contains("--yes"), "{at}");
    assert_eq!(entries(&site), []);
    site.ok("label", &["--table", name, "--yes"]);
    assert_eq!(entries(&site).len(), 2);
}
