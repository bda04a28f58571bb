//! A rise from its first version to its end, by commands.

use super::{entries, exam_of_year, of_year, refused, site};
use serde_json::Value;

fn rises(site: &super::Site) -> Vec<Value> {
    let all = site.json("worklist", &["--json"]);
    let rises = all.into_iter().filter(|one| one["list"] == "rises");
    rises.collect()
}

#[test]
fn a_rise_is_listed_until_somebody_acknowledges_it_and_settled_with_its_label() {
    let site = site("");
    let exam = exam_of_year(&site, "2024");
    let new = rises(&site);
    assert_eq!(new.len(), 1, "{new:?}");
    assert_eq!(new[0]["exam_id"], exam.as_str());
    assert_eq!(new[0]["rise"]["state"], "new");
    assert_eq!(new[0]["patient"]["id"], "T-1");
    let text = site.ok("worklist", &[]);
    assert!(
        text.starts_with("rises that nobody has acknowledged: 1\n")
            && text.contains(&exam)
            && text.contains("born 2015-03-02")
            && text.contains("; new for "),
        "{text}"
    );
    let who = ["--author", "Dr Ilse Farnwick"];
    let said = site.ok("acknowledge", &[&[exam.as_str()], &who[..]].concat());
    assert!(said.contains("version 1 acknowledged"), "{said}");
    assert_eq!(rises(&site), Vec::<Value>::new());
    let again = site.ok("acknowledge", &[&exam]);
    assert!(again.contains("acknowledged already"), "{again}");
    assert_eq!(entries(&site).len(), 1);

    let why = refused(&site, 2, "settle", &[&exam, "confirmed"]);
    assert!(why.contains("a reason is missing"), "{why}");
    let why = refused(&site, 2, "settle", &[&exam, "better", "--reason", "x"]);
    assert!(
        why.contains("write one of confirmed, ruled_out, not_settled"),
        "{why}"
    );
    let said = site.ok(
        "settle",
        &[&exam, "confirmed", "--reason", "valve replaced"],
    );
    assert!(said.contains("settled as confirmed"), "{said}");
    assert_eq!(of_year(&site, "2024")["exam"]["label"], "raised_confirmed");
    let again = site.ok(
        "settle",
        &[&exam, "confirmed", "--reason", "valve replaced"],
    );
    assert!(again.contains("is settled as confirmed already"), "{again}");
    site.ok("verify", &[]);
}

#[test]
fn an_exam_that_was_never_flagged_has_nothing_to_acknowledge_or_settle() {
    let site = site("");
    let exam = exam_of_year(&site, "2022");
    let why = refused(&site, 1, "acknowledge", &[&exam]);
    assert!(why.contains("has no rise"), "{why}");
    let why = refused(&site, 1, "settle", &[&exam, "not_settled", "--reason", "x"]);
    assert!(why.contains("has no rise"), "{why}");
    let why = refused(&site, 1, "acknowledge", &["E0000000000000000"]);
    assert!(why.contains("knows no exam"), "{why}");
    assert_eq!(entries(&site), []);
}

/// A withdrawn rise waits again, and one that comes back is a new one: what was said of the rise before
/// is said of that one alone.
#[test]
fn a_withdrawn_rise_is_acknowledged_again_and_one_that_comes_back_settled_again() {
    let site = site("");
    let exam = exam_of_year(&site, "2024");
    site.ok("settle", &[&exam, "confirmed", "--reason", "seen"]);
    assert!(rises(&site).is_empty());
    let all = ["2021", "2022", "2023"].map(|year| exam_of_year(&site, year));
    let three = [all[0].as_str(), &all[1], &all[2]];
    let out = ["--reason", "wrong probe", "--yes"];
    site.ok("leave-out", &[&three[..], &out[..]].concat());
    let waiting = rises(&site);
    assert_eq!(waiting.len(), 1, "{waiting:?}");
    assert_eq!(waiting[0]["rise"]["state"], "withdrawn");
    site.ok("acknowledge", &[&exam]);
    assert!(rises(&site).is_empty());
    site.ok("leave-out", &[&three[..], &["--remove"]].concat());
    let back = rises(&site);
    assert_eq!(back.len(), 1, "{back:?}");
    assert_eq!(back[0]["rise"]["state"], "new");
    // The same outcome as of the rise before.
    let said = site.ok("settle", &[&exam, "confirmed", "--reason", "seen again"]);
    assert!(said.contains("settled as confirmed"), "{said}");
    assert!(rises(&site).is_empty());
    let settled = entries(&site);
    let counting = settled.iter().filter(|one| one.1 == "confirmed" && one.3);
    assert_eq!(counting.count(), 1, "{settled:?}");
    site.ok("verify", &[]);
}

#[test]
fn notes_stand_beside_each_other_and_the_same_again_adds_none() {
    let site = site("");
    let exam = exam_of_year(&site, "2023");
    let before = site.all_results().len();
    site.ok("note", &[&exam, "child cried", "--author", "Ida Brook"]);
    site.ok(
        "note",
        &[&exam, "second probe used", "--author", "Ida Brook"],
    );
    let again = site.ok("note", &[&exam, "child cried", "--author", "Ida Brook"]);
    assert!(again.contains("has that note already"), "{again}");
    let all = site.json("entries", &["T-1", "--json"]);
    let texts: Vec<_> = all.iter().map(|one| one["reason"].clone()).collect();
    assert_eq!(texts, ["child cried", "second probe used"]);
    assert!(all.iter().all(|one| one["counts"] == true));
    assert_eq!(site.all_results().len(), before, "no result changes");
    let why = refused(&site, 2, "note", &[&exam, " "]);
    assert!(why.contains("a note is its text"), "{why}");
}

#[test]
fn a_second_reading_is_asked_for_kept_and_judged_and_changes_no_result() {
    let site = site("");
    let exam = exam_of_year(&site, "2024");
    let before = site.all_results().len();
    let why = refused(&site, 1, "second", &[&exam, "agree"]);
    assert!(why.contains("has no second reading"), "{why}");
    site.ok("second", &[&exam, "ask"]);
    let why = refused(&site, 2, "second", &[&exam, "read"]);
    assert!(why.contains("at least one value"), "{why}");
    let why = refused(&site, 2, "second", &[&exam, "read", "--right-mm", "0.55"]);
    assert!(why.contains("between 1 and 15"), "{why}");
    site.ok(
        "second",
        &[&exam, "read", "--right-mm", "5.5", "--left-mm", "5.61"],
    );
    let why = refused(&site, 2, "second", &[&exam, "differ"]);
    assert!(why.contains("in what the second reading differs"), "{why}");
    site.ok("second", &[&exam, "differ", "--reason", "left eye oblique"]);
    let values: Vec<String> = entries(&site).into_iter().map(|one| one.1).collect();
    let reading = "{\"right\":[5.5],\"left\":[5.61]}";
    assert_eq!(values, ["yes", reading, "differs"]);
    assert_eq!(site.all_results().len(), before, "never averaged");
    let lines = site.json("worklist", &["--json"]);
    let line = lines.iter().find(|one| one["exam_id"] == exam.as_str());
    assert_eq!(line.expect("its line")["second"], "judged");
}
