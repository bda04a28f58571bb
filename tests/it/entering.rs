//! What people enter, through the real program: signed means kept, a table comes in whole or not at all,
//! the same again adds nothing, and what was a mistake is corrected or taken back.

mod cut_off;
mod many;
mod stays;

use super::harness::{Site, fixture};
use serde_json::Value;
use sheathline_store::{Mode, Store, objects, readings};
use std::fs;
use std::sync::OnceLock;

/// A site with a store and nothing in it.
fn site(more: &str) -> Site {
    let site = Site::with(more);
    let empty = site.path("empty");
    fs::create_dir(&empty).expect("folder");
    site.ok("process", &[&empty.display().to_string()]);
    site
}

pub(crate) fn bring(site: &Site, file: &str, more: &[&str]) -> Value {
    let mut args = vec![file, "--in-unit", "mm", "--dates", "iso", "--json"];
    args.extend(more);
    let mut lines = site.json("bring-in", &args);
    lines.pop().expect("a line")
}

/// The example of the manual.
pub(crate) fn exams() -> String {
    fixture("tables/exams.csv").display().to_string()
}

/// The day before today.
fn yesterday() -> &'static str {
    static DAY: OnceLock<String> = OnceLock::new();
    DAY.get_or_init(|| {
        let day = chrono::Local::now().date_naive().pred_opt();
        day.expect("a day").to_string()
    })
}

/// A measurement of the patient of the example.
pub(crate) fn measure<'a>(right: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut args = vec![
        "0042",
        "--birth-date",
        "2019-03-02",
        "--on",
        yesterday(),
        "--at",
        "09:00",
        "--right",
        right,
        "--json",
    ];
    args.extend(more);
    args
}

pub(crate) fn number(value: &Value, key: &str) -> u64 {
    value[key]
        .as_u64()
        .unwrap_or_else(|| panic!("{key} of {value}"))
}

/// Every object of the store that was read, as it was received.
pub(crate) fn bytes(site: &Site) -> Vec<Vec<u8>> {
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    store
        .read(|view| {
            let mut all = Vec::new();
            readings::each(view, |one| all.push(one.id))?;
            all.into_iter().map(|id| objects::body(view, id)).collect()
        })
        .expect("read")
}

/// What the store says of each report, without when and whence it came.
pub(crate) fn told(site: &Site) -> Vec<String> {
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let mut told = Vec::new();
    let each = store.read(|view| {
        readings::each(view, |one| {
            told.push(serde_json::to_string(&one.reading).expect("JSON"));
        })
    });
    each.expect("read");
    told.sort();
    told
}

#[test]
fn a_table_comes_in_once_serves_as_baseline_and_is_taken_back_as_a_whole() {
    let site = site("");
    let dry = bring(&site, &exams(), &["--dry-run"]);
    assert_eq!((number(&dry, "new"), &dry["table"]), (6, &Value::Null));
    assert_eq!(bytes(&site).len(), 0);
    let brought = bring(&site, &exams(), &["--author", "Farnwick^Ilse"]);
    assert_eq!((number(&brought, "new"), number(&brought, "table")), (6, 1));
    assert_eq!(bytes(&site).len(), 6);
    for (_, result) in site.results() {
        let remarks = result["reports"][0]["remarks"].as_array();
        let copied = |one: &&Value| one["code"] == "transcribed";
        let copied = remarks.expect("remarks").iter().find(copied);
        let copied = copied.expect("it says so");
        let text = copied["text"].as_str().expect("a text");
        assert!(text.contains("table 1, line "), "{text}");
    }
    // The same file changes nothing, whoever brings it.
    let again = bring(&site, &exams(), &["--author", "Brack^Oda"]);
    assert_eq!(
        (number(&again, "already"), &again["table"]),
        (6, &Value::Null)
    );
    // With a row more it adds that one.
    let more = site.path("more.csv");
    let row = "0042,2019-03-02,2025-12-01,10:00,5.3,5.2,5.1,5.0,transverse,3.0,outer,Brack^Oda,Caldorra,Pocket 3\n";
    let text = fs::read_to_string(exams()).expect("read") + row;
    fs::write(&more, text).expect("written");
    let added = bring(&site, &more.display().to_string(), &[]);
    assert_eq!((number(&added, "new"), number(&added, "already")), (1, 6));
    assert_eq!(bytes(&site).len(), 7);

    // Old values are what today is compared with.
    let right = ["6.3:transverse:3.0", "6.4:transverse:3.0"];
    let eyes = ["--right", right[1], "--border", "outer"];
    site.ok("measure", &measure(right[0], &eyes));
    let today = of_day(&site, yesterday());
    assert_eq!(
        today["assessment"]["flagged"], true,
        "{}",
        today["assessment"]
    );

    let back = site.json("bring-in", &["--withdraw", "2", "--json"]);
    assert_eq!(number(&back[0], "reports"), 1);
    let listed = site.json("bring-in", &["--list", "--json"]);
    let state = |n: usize| {
        (
            number(&listed[n], "table"),
            number(&listed[n], "taken_back"),
        )
    };
    assert_eq!((state(0), state(1)), ((2, 1), (1, 0)));
    // Taken back twice is taken back, and brought in again it counts again, by a number of its own.
    let back = site.json("bring-in", &["--withdraw", "2", "--json"]);
    assert_eq!(
        (number(&back[0], "reports"), number(&back[0], "already")),
        (0, 1)
    );
    let again = bring(&site, &more.display().to_string(), &[]);
    assert_eq!(number(&again, "counts_again"), 1);
    assert_eq!((number(&again, "already"), number(&again, "table")), (6, 3));
    assert_eq!(bytes(&site).len(), 8);
    let none = site.run("bring-in", &["--withdraw", "9"]);
    assert_eq!(none.status.code(), Some(1));
}

fn of_day(site: &Site, day: &str) -> Value {
    let results = site.results();
    let mut results = results.into_values();
    let found = results.find(|one| {
        let at = one["exam"]["performed_at"].as_str();
        at.is_some_and(|at| at.starts_with(day))
    });
    found.expect("a result of that day")
}

/// One bad row and nothing is kept; every one is named; left out by its line, the rest comes in.
#[test]
fn a_table_with_mistakes_is_named_line_by_line_and_nothing_is_kept() {
    let site = site("");
    let file = fixture("tables/mistakes.csv").display().to_string();
    let output = site.run("bring-in", &[&file, "--in-unit", "mm", "--dates", "iso"]);
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    for line in 3..=9 {
        assert!(
            said.contains(&format!("mistakes.csv: line {line}")),
            "{said}"
        );
    }
    assert!(said.contains("--leave-out 3,4,5,6,7,8,9"), "{said}");
    assert_eq!(bytes(&site).len(), 0);
    let left = bring(&site, &file, &["--leave-out", "3,4,5,6,7,8,9"]);
    assert_eq!((number(&left, "new"), number(&left, "left_out")), (1, 7));
    assert_eq!(bytes(&site).len(), 1);
}

/// The table of another spreadsheet: semicolons, decimal commas, other names and dates.
#[test]
fn a_table_is_read_as_it_is_declared() {
    let site = site("");
    let file = fixture("tables/readings.csv").display().to_string();
    let mut args = vec![file.as_str(), "--in-unit", "cm", "--dates", "%d.%m.%Y"];
    args.extend(["--rows", "readings", "--separator", "semicolon"]);
    args.extend(["--decimal", "comma", "--ignore", "Bemerkung", "--json"]);
    for column in [
        "patient_id=MRN",
        "birth_date=geboren",
        "date=Datum",
        "time=Zeit",
        "eye=Auge",
        "value=ONSD (cm)",
    ] {
        args.extend(["--column", column]);
    }
    let brought = site.json("bring-in", &args).pop().expect("a line");
    assert_eq!(
        (number(&brought, "rows"), number(&brought, "exams")),
        (4, 2)
    );
    let first = of_day(&site, "2024-02-05");
    let used = first["measurements_used"].as_array().expect("values");
    let values: Vec<f64> = used
        .iter()
        .filter_map(|one| one["value_mm"].as_f64())
        .collect();
    assert_eq!(values, [5.2, 5.3, 4.9]);
}

/// A row about an exam that is here with other values, and an id with another birth date.
#[test]
fn what_the_store_knows_otherwise_is_refused() {
    let site = site("");
    bring(&site, &exams(), &[]);
    for (row, why) in [
        (
            "0042,2019-03-02,2023-05-02,10:12,5.6",
            "by table 1, line 2, and says something else",
        ),
        (
            "0042,2019-03-03,2026-05-02,10:12,5.6",
            "column birth_date: is not the one",
        ),
    ] {
        let file = site.path("other.csv");
        fs::write(
            &file,
            format!("patient_id,birth_date,date,time,right\n{row}\n"),
        )
        .expect("written");
        let file = file.display().to_string();
        let output = site.run("bring-in", &[&file, "--in-unit", "mm", "--dates", "iso"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            said.contains("line 2, column ") && said.contains(why),
            "{said}"
        );
        assert_eq!(output.status.code(), Some(2));
    }
    assert_eq!(bytes(&site).len(), 6);
}

#[test]
fn a_measurement_is_signed_once_corrected_and_taken_back() {
    let site = site("");
    let by = [
        "--author",
        "Farnwick^Ilse",
        "--measured-by",
        "Farnwick^Ilse",
    ];
    let signed = site
        .json("measure", &measure("5.2:transverse:3.0", &by))
        .remove(0);
    assert_eq!(signed["new"], true);
    let first = of_day(&site, yesterday());
    assert_eq!(first["exam"]["operator"], "Farnwick^Ilse");
    let again = site
        .json("measure", &measure("5.2:transverse:3.0", &by))
        .remove(0);
    assert_eq!(
        (&again["new"], bytes(&site).len()),
        (&Value::Bool(false), 1)
    );
    // The same exam with another value is no second exam.
    let other = site.run("measure", &measure("5.4:transverse:3.0", &by));
    assert_eq!(other.status.code(), Some(2));
    let uid = signed["sop_instance_uid"].as_str().expect("a UID");
    let mut correct = by.to_vec();
    correct.extend(["--correct", uid]);
    let amended = site
        .json("measure", &measure("5.4:transverse:3.0", &correct))
        .remove(0);
    assert_eq!(amended["study_instance_uid"], signed["study_instance_uid"]);
    let corrected = of_day(&site, yesterday());
    assert_eq!(corrected["version"], 2);
    let used = &corrected["measurements_used"];
    assert_eq!(
        (used.as_array().map(Vec::len), &used[0]["value_mm"]),
        (Some(1), &5.4.into())
    );
    // Only the newest is corrected.
    let old = site.run("measure", &measure("5.5:transverse:3.0", &correct));
    assert_eq!(old.status.code(), Some(2));
    let uid = amended["sop_instance_uid"].as_str().expect("a UID");
    let back = site
        .json("measure", &["--withdraw", uid, "--json"])
        .remove(0);
    assert_eq!(number(&back, "reports"), 1);
    let unknown = site.run("measure", &["--withdraw", "1.2.3"]);
    assert_eq!(unknown.status.code(), Some(1));
}

/// What is to be looked at once more is entered only by whoever says so.
#[test]
fn a_doubt_asks_before_it_is_signed() {
    let site = site("");
    let apart = ["--right", "6.2"];
    let output = site.run("measure", &measure("5.2", &apart));
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("look once more: readings of the right eye: lie 1 mm apart"),
        "{said}"
    );
    assert_eq!(bytes(&site).len(), 0);
    site.ok(
        "measure",
        &measure("5.2", &["--right", "6.2", "--accept-doubts"]),
    );
    assert_eq!(bytes(&site).len(), 1);
}

/// The store is lost, and the reports come back from wherever their bytes were sent.
#[test]
fn what_was_entered_survives_the_loss_of_the_store() {
    let before = site("");
    bring(&before, &exams(), &["--author", "Farnwick^Ilse"]);
    before.ok(
        "measure",
        &measure("5.2:sagittal:2.9:4.5", &["--border", "outer"]),
    );
    let after = Site::new();
    let folder = after.path("archive");
    fs::create_dir(&folder).expect("folder");
    for (n, bytes) in bytes(&before).iter().enumerate() {
        fs::write(folder.join(format!("{n}.dcm")), bytes).expect("written");
    }
    after.ok("process", &[&folder.display().to_string()]);
    assert_eq!(told(&after), told(&before));
    let statuses = |site: &Site| {
        let results = site.results().into_iter();
        let of = |(id, one): (String, Value)| (id, one["assessment"]["status"].to_string());
        results.map(of).collect::<Vec<_>>()
    };
    assert_eq!(statuses(&after), statuses(&before));
    // Brought in again, it is all here.
    let again = bring(&after, &exams(), &[]);
    assert_eq!((number(&again, "already"), number(&again, "new")), (6, 0));
}
